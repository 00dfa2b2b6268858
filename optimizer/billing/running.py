"""A cost seen from inside running billing periods: what was metered so far is known, the rest open.

A tariff is compiled for the metered steps and those to come together; here its lines are worked out
as far as they are known. So every charge goes on where it stands, with no word of its own for it:
demand already reached, blocks half used, credits in the bank, months a ratchet looks back on. What
the plan then decides is a cost on the steps to come alone, and its bill is that of the whole period.

A running month is a cost that is partly known. What counts from before a plan's first step
differs from charge to charge: a peak, blocks half used, a bank, a year's highest three. Instead
of a word of state for each, the tariff is compiled for the metered and the coming steps together
and worked out as far as the meter tells (``billing/running.py``). Nothing else had to learn of
it, but for peaks, whose intervals and groups may have begun. Every family of the test table gives
the same bill whole and in two parts.

Read next: ``bill``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import BillingPeriods, FloatArray, TimeGrid, joined_grid
from optimizer.billing.charges.base import Line
from optimizer.billing.tariff import TariffCost
from optimizer.cost.expression import (
    Choice,
    Constant,
    Evaluation,
    FlowSum,
    Largest,
    Metered,
    Node,
    Peak,
    Rounded,
    Scale,
    Sum,
    Tally,
    chosen,
)

SO_FAR = "metered so far"


def with_known_steps(cost: TariffCost, so_far: Flows, rest: TimeGrid) -> TariffCost:
    """Return a cost on the steps to come, given what was metered before them.

    Parameters
    ----------
    cost : TariffCost
        The tariff compiled for the S metered steps and the T steps to come together.
    so_far : Flows
        What the meter has counted on the first S steps.
    rest : TimeGrid
        The T steps to come.

    Returns
    -------
    TariffCost
        Lines of the billing periods that the steps to come lie in, each with all that is billed of
        its period. Its value for flows of the T steps is that of ``cost`` for both joined.
    """
    count = so_far.grid.count
    of_step = cost.periods.of_step[count:]
    first = int(of_step[0])
    known = _Known(so_far, rest)
    lines = tuple(known.line(line, first) for line in cost.lines if line.period >= first)
    periods = BillingPeriods(cost.periods.periods[first:], of_step - first)
    dates = so_far.grid.dates
    notes = [
        f"The bills hold what was metered from {dates[0]} to {dates[-1]} as well, as far as it belongs"
        " to their billing periods; it is the same in each of them."
    ]
    running = periods.periods[0]
    if dates[0] > running.first:
        notes.append(
            f"The meter data begin on {dates[0]}, inside the billing period {running.label}; what was"
            " before them is not counted."
        )
    return TariffCost(cost.currency, periods, lines, (*cost.notes, *notes))


@dataclass(frozen=True)
class _Open:
    """A node on the steps to come; ``is_known`` if no flow to come changes it."""

    node: Node
    is_known: bool


class _Known:
    """Works nodes out as far as they are known; a node that is met twice stays one node."""

    def __init__(self, so_far: Flows, rest: TimeGrid) -> None:
        self._so_far = so_far
        self._grid = joined_grid(so_far.grid, rest)
        self._count = so_far.grid.count
        nothing = np.zeros(rest.count)
        self._reading = Evaluation(self._with(Flows.of_meter(rest, nothing, nothing)))
        self._done: dict[Node, _Open] = {}

    def line(self, line: Line, first_period: int) -> Line:
        """Return a line of a bill on the steps to come."""
        return replace(
            line,
            period=line.period - first_period,
            quantity=self._open(line.quantity).node,
            cost=self._open(line.cost).node,
        )

    def _with(self, rest: Flows) -> Flows:
        """Return the metered flows with those to come behind them."""

        def both(name: str) -> FloatArray:
            return np.concatenate([getattr(self._so_far, name), getattr(rest, name)])

        reactive = None
        if self._so_far.reactive_kvarh is not None or rest.reactive_kvarh is not None:
            reactive = np.concatenate([_reactive(self._so_far), _reactive(rest)])
        amounts = both("import_kwh"), both("export_kwh"), reactive, both("stored_export_kwh")
        return Flows.of_meter(self._grid, *amounts)

    def _open(self, node: Node) -> _Open:
        if node not in self._done:
            opened = self._worked_out(node)
            if opened.is_known and not isinstance(opened.node, Constant):
                opened = _Open(Constant(self._reading.value(node), SO_FAR), True)
            self._done[node] = opened
        return self._done[node]

    def _worked_out(self, node: Node) -> _Open:  # noqa: PLR0911 - one for each node
        match node:
            case FlowSum():
                return self._sum_of_flow(node)
            case Peak():
                return self._peak(node)
            case Largest():
                return self._of_many(node.terms, Largest)
            case Sum():
                return self._of_many(node.terms, Sum)
            case Choice():
                by = self._open(node.by)
                if by.is_known:
                    return self._open(chosen(node, self._reading.value(node.by)))
                options = tuple(self._open(option).node for option in node.options)
                return _Open(Choice(by.node, node.edges, options), False)
            case Scale() | Tally() | Rounded():
                inner = self._open(node.of)
                return _Open(replace(node, of=inner.node), inner.is_known)
            case Metered():
                return self._metered(node)
            case Constant():
                return _Open(node, True)

    def _metered(self, node: Metered) -> _Open:
        planned = self._open(node.planned)
        shown = [self._open(part) for part in node.shown]
        # What is planned tells which steps are meant, but where nothing is planned for it.
        tells = all(part.is_known for part in shown)
        if not shown:
            tells = not isinstance(node.planned, Constant)
        rest = Metered(
            lambda flows: node.formula(self._with(flows)),
            planned.node,
            tuple(part.node for part in shown),
            node.how,
        )
        return _Open(rest, planned.is_known and tells)

    def _of_many(self, terms: tuple[Node, ...], build: Callable[[tuple[Node, ...]], Node]) -> _Open:
        parts = [self._open(term) for term in terms]
        is_known = all(part.is_known for part in parts)
        return _Open(build(tuple(part.node for part in parts)), is_known)

    def _sum_of_flow(self, node: FlowSum) -> _Open:
        is_past = node.steps < self._count
        energy = getattr(self._so_far, node.flow)[node.steps[is_past]]
        past = Constant(float(energy @ node.weights[is_past]), SO_FAR)
        if is_past.all():
            return _Open(past, True)
        rest = FlowSum(node.flow, node.steps[~is_past] - self._count, node.weights[~is_past])
        return _Open(Sum((past, rest)) if is_past.any() else rest, False)

    def _peak(self, node: Peak) -> _Open:
        """Return a peak with what its intervals and groups have from before."""
        is_past = node.steps < self._count
        if not len(node.steps) or is_past.all():
            return _Open(node, True)
        intervals = len(node.hours)
        energy = getattr(self._so_far, node.flow)[node.steps[is_past]]
        begun = node.before_kwh.copy()
        begun_h = np.zeros(intervals) if node.begun_h is None else node.begun_h.copy()
        np.add.at(begun, node.interval[is_past], energy)
        np.add.at(begun_h, node.interval[is_past], node.step_h)
        is_open = np.zeros(intervals, dtype=bool)
        is_open[node.interval[~is_past]] = True
        factor = np.ones(intervals) if node.factor is None else node.factor
        groups = len(node.lowest_of_group)
        reached = node.lowest_of_group.copy()
        past = ~is_open
        np.maximum.at(reached, node.groups[past], (begun / node.hours * factor)[past])
        goes_on = np.zeros(groups, dtype=bool)
        goes_on[node.groups[is_open]] = True
        number = np.cumsum(is_open) - 1  # of intervals and groups among those that go on
        group_number = np.cumsum(goes_on) - 1
        rest = Peak(
            node.flow,
            node.steps[~is_past] - self._count,
            number[node.interval[~is_past]],
            node.step_h,
            (*node.reached_kw, *reached[~goes_on].tolist()),
            highest=node.highest,
            group=group_number[node.groups[is_open]],
            factor=factor[is_open],
            begun_kwh=begun[is_open],
            begun_h=begun_h[is_open],
            reached_in_group=reached[goes_on],
        )
        return _Open(rest, False)


def _reactive(flows: Flows) -> FloatArray:
    """Return reactive energy, none where the meter does not count it or a plan does not know it."""
    none = np.zeros(flows.grid.count)
    return none if flows.reactive_kvarh is None else flows.reactive_kvarh
