"""A bill is an expression: a small algebra of cost nodes with two readings.

``evaluate`` reads a node in plain arithmetic and gives the bill of some flows. ``linear_cost``
reads the same node as weights and parts; the plan turns these into LP columns and rows, the
search scores replays with them. The set of charges is open, the set of nodes is small and closed:

==============  =====================================================  =======================
node            what                                                   in the LP
==============  =====================================================  =======================
``FlowSum``     weighted sum of one flow over steps                    linear
``Peak``        highest mean power, or the mean of the k highest       a variable, rows ``≥``
``Largest``     the largest of some nodes: floors, blocks, ratchets,   a variable, rows ``≥``;
                credits that end at zero                               from above with integers
``Choice``      the option of the range in which a node lies: steps    integers
``Tally``       a node held in a variable of its own, for sparse rows  a variable, one row
``Scale``       a factor times a node                                  keeps or turns curvature
``Sum``         the sum of nodes                                       sum
``Constant``    an amount                                              constant
``Rounded``     a node as the utility rounds it                        the node, not rounded
``Metered``     what only a meter knows (reactive energy)              a node that stands for it
==============  =====================================================  =======================

A part is needed *from below* where a higher value costs more: rows ``≥`` suffice, the plan presses
it down, and the cost is convex. Where a higher value would earn, it is needed *from above* as well,
which takes integers. The signs come from the whole cost, after equal parts have cancelled.

The two readings must agree on any flows: tests pin the LP's flows to random meters, and every run
compares the plan's bill with the LP's objective.

A bill's parts. A cost is one linear form over flows and *parts*: peaks, largest-of, choices,
tallies. After equal parts have cancelled, the sign of each tells from which side the plan needs
it: from below, rows suffice and the cost is convex; from above it takes integers. So charges are
written to cancel: a minimum bill is the larger of sum and minimum *less the sum*; a bank is what
is due so far, the running maximum of the sums so far; a falling block is the smaller of amount
and edge, a rising one the amount less what lies above. The same lines then are an LP wherever the
tariff is convex, with no special case.

Read next: ``billing.charges.base``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeVar

import numpy as np

from optimizer.base.flows import FlowName, Flows
from optimizer.base.timegrid import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class FlowSum:
    """Σ weight × energy over chosen steps of one flow.

    ``steps`` and ``weights`` have shape (S,); weights are money per kWh, or 1 to count energy.
    """

    flow: FlowName
    steps: IntArray
    weights: FloatArray


@dataclass(frozen=True, eq=False)
class Peak:
    """Mean of the ``highest`` highest group values of demand; of one group: the highest. [kW]

    Demand is the mean power of a demand interval, a group's value the highest of its intervals.
    Where there are fewer groups than are asked for, the mean is that of those there are.

    Parameters
    ----------
    steps : array
        Shape (S,), the steps looked at, interval after interval; a step may stand in several
        (rolling demand).
    interval : array
        Shape (S,), the number of the demand interval of each step, rising from 0 without holes.
    step_h : float
        Length of a step. [h]
    reached_kw : tuple of float
        Values of groups that lie before the series, such as a peak already reached. [kW]
    highest : int
        How many groups are averaged.
    group : array, optional
        Shape (I,), the number of each interval's group, rising from 0 without holes; without it
        all intervals are one group.
    factor : array, optional
        Shape (I,), ≥ 0, by which each interval's power is multiplied.
    begun_kwh, begun_h : array, optional
        Shapes (I,), energy and length of the part of each interval that lies before the series.
    reached_in_group : array, optional
        Shape (G,), the highest of each group's intervals that lie before the series. [kW]
    """

    flow: FlowName
    steps: IntArray
    interval: IntArray
    step_h: float
    reached_kw: tuple[float, ...] = ()
    highest: int = 1
    group: IntArray | None = None
    factor: FloatArray | None = None
    begun_kwh: FloatArray | None = None
    begun_h: FloatArray | None = None
    reached_in_group: FloatArray | None = None

    @cached_property
    def first_of_interval(self) -> IntArray:
        """Positions in ``steps`` at which each interval begins, shape (I,)."""
        return np.flatnonzero(np.diff(self.interval, prepend=-1)).astype(np.int64)

    @cached_property
    def hours(self) -> FloatArray:
        """Length of each interval, with what lies before the series, shape (I,). [h]"""
        covered = np.bincount(self.interval).astype(np.float64) * self.step_h
        return covered if self.begun_h is None else covered + self.begun_h

    @cached_property
    def groups(self) -> IntArray:
        """The group of each interval, shape (I,)."""
        return np.zeros(len(self.hours), dtype=np.int64) if self.group is None else self.group

    @cached_property
    def before_kwh(self) -> FloatArray:
        """Energy of each interval that lies before the series, shape (I,). [kWh]"""
        return np.zeros(len(self.hours)) if self.begun_kwh is None else self.begun_kwh

    @cached_property
    def lowest_of_group(self) -> FloatArray:
        """What each group has reached before the series, shape (G,); zero if nothing. [kW]"""
        if self.reached_in_group is not None:
            return self.reached_in_group
        return np.zeros(int(self.groups[-1]) + 1 if len(self.groups) else 0)

    @cached_property
    def counted(self) -> int:
        """Number of groups averaged, at least 1. [1]"""
        count = len(self.lowest_of_group) + len(self.reached_kw)
        return max(min(self.highest, count), 1)

    def interval_kw(self, energy_kwh: FloatArray) -> FloatArray:
        """Return the mean power of each interval times its factor, shape (I,). [kW]"""
        if not len(self.steps):
            return np.zeros(0)
        sums = np.add.reduceat(energy_kwh[self.steps], self.first_of_interval)
        power = (np.asarray(sums, dtype=np.float64) + self.before_kwh) / self.hours
        return power if self.factor is None else power * self.factor

    def highest_groups(self, energy_kwh: FloatArray) -> tuple[FloatArray, IntArray]:
        """Return the values that make the result, highest first, and the interval of each.

        The interval is −1 where the value was reached before the series. [kW]
        """
        power = self.interval_kw(energy_kwh)
        order = np.argsort(-power, kind="stable")
        _, first = np.unique(self.groups[order], return_index=True)
        best = order[np.sort(first)]  # the highest interval of each group
        lowest = self.lowest_of_group[self.groups[best]]
        is_inside = power[best] >= lowest
        values = np.concatenate([self.reached_kw, np.where(is_inside, power[best], lowest)])
        before = np.full(len(self.reached_kw), -1)
        interval = np.concatenate([before, np.where(is_inside, best, -1)]).astype(np.int64)
        counted = np.argsort(-values, kind="stable")[: self.counted]
        return values[counted], interval[counted]

    def highest_intervals(self, energy_kwh: FloatArray) -> IntArray:
        """Return the deciding intervals, highest first, shape (N,)."""
        _, interval = self.highest_groups(energy_kwh)
        return interval[interval >= 0]

    @property
    def before_series_kw(self) -> FloatArray:
        """All values from before the series: of whole groups, then of groups that go on. [kW]"""
        return np.concatenate([self.reached_kw, self.lowest_of_group])

    def value(self, energy_kwh: FloatArray) -> float:
        """Return the mean of the highest group values of a flow. [kW]"""
        power = self.interval_kw(energy_kwh)
        if self.group is None and self.highest == 1:
            before = float(self.before_series_kw.max(initial=0.0))
            return max(float(power.max(initial=0.0)), before)
        of_group = self.lowest_of_group.copy()
        np.maximum.at(of_group, self.groups, power)
        values = np.sort(np.concatenate([of_group, self.reached_kw]))[::-1]
        return float(values[: self.counted].sum()) / self.counted


@dataclass(frozen=True, eq=False)
class Largest:
    """The largest of some nodes."""

    terms: tuple[Node, ...]


@dataclass(frozen=True, eq=False)
class Choice:
    """Of K options the one of the range in which ``by`` lies; a range includes its lower edge.

    ``edges`` are the K − 1 rising values at which the second and later ranges begin.
    """

    by: Node
    edges: tuple[float, ...]
    options: tuple[Node, ...]


@dataclass(frozen=True, eq=False)
class Tally:
    """A node that the plan holds in a variable of its own, so that rows that use it stay short."""

    of: Node


@dataclass(frozen=True, eq=False)
class Scale:
    """A factor times another node."""

    factor: float
    of: Node


@dataclass(frozen=True, eq=False)
class Sum:
    """The sum of nodes."""

    terms: tuple[Node, ...]


@dataclass(frozen=True, eq=False)
class Constant:
    """An amount that no flow changes, and what it is if it is no price."""

    amount: float
    what: str = ""


@dataclass(frozen=True, eq=False)
class Rounded:
    """A node as the utility rounds it, to a multiple of ``to``; plans leave it as it is."""

    of: Node
    to: float
    how: Literal["nearest", "down", "up"]


@dataclass(frozen=True, eq=False)
class Metered:
    """What only a meter knows; the plan reads ``planned`` in its place.

    ``shown`` are the nodes that the formula reads, where it reads any, and ``how`` what it makes of
    them: a bill tells what made it.
    """

    formula: Callable[[Flows], float]
    planned: Node
    shown: tuple[Node, ...] = ()
    how: str = "as metered, from"


Node = (
    FlowSum | Peak | Largest | Choice | Tally | Scale | Sum | Constant | Rounded | Metered
)  # fmt: skip

ZERO = Constant(0.0)

NodeT = TypeVar("NodeT", bound=Node)


def nodes_in(node: Node, kind: type[NodeT]) -> list[NodeT]:
    """Return the nodes of a kind in a node, each once."""
    found: dict[Node, None] = {}
    seen: set[Node] = set()

    def visit(part: Node) -> None:
        if part in seen:
            return
        seen.add(part)
        if isinstance(part, kind):
            found[part] = None
        for inner in _inside(part):
            visit(inner)

    visit(node)
    return list(found)  # type: ignore[arg-type]


def _inside(node: Node) -> tuple[Node, ...]:
    match node:
        case Largest() | Sum():
            return node.terms
        case Choice():
            return (node.by, *node.options)
        case Tally() | Scale() | Rounded():
            return (node.of,)
        case Metered():
            return (node.planned,)
    return ()


def minus(node: Node) -> Node:
    """Return a node times −1."""
    return Scale(-1.0, node)


def above(node: Node, edge: Node | float) -> Node:
    """Return how far a node lies above an edge, at least 0. [unit of the node]"""
    if isinstance(edge, float | int):
        edge = Constant(float(edge))
    return Largest((Sum((node, minus(edge))), ZERO))


def rounded(value: float, to: float, how: str) -> float:
    """Return the multiple of ``to``: nearest (halves away from zero), towards zero, or away. [1]

    A value within 1e-9 of a multiple counts as that multiple.
    """
    count = abs(value) / to
    slack = 1e-9 * max(count, 1.0)
    whole = {
        "nearest": lambda: math.floor(count + 0.5 + slack),
        "down": lambda: math.floor(count + slack),
        "up": lambda: math.ceil(count - slack),
    }[how]()
    return math.copysign(whole * to, value)


def evaluate(node: Node, flows: Flows, *, as_planned: bool = False) -> float:
    """Return the value of a node for given flows. [money, kWh or kW]

    ``as_planned`` leaves roundings out and reads what only a meter knows as the plan does.
    """
    return Evaluation(flows, as_planned=as_planned).value(node)


class Evaluation:
    """Reads many nodes for the same flows; nodes that are shared are worked out once."""

    def __init__(self, flows: Flows, *, as_planned: bool = False) -> None:
        self.flows = flows
        self.as_planned = as_planned
        self._known: dict[Node, float] = {}

    def value(self, node: Node) -> float:
        """Return the value of a node. [money, kWh or kW, as its flows]"""
        if node not in self._known:
            self._known[node] = self._worked_out(node)
        return self._known[node]

    def _worked_out(self, node: Node) -> float:  # noqa: C901, PLR0911 - one for each node
        match node:
            case FlowSum():
                return float(getattr(self.flows, node.flow)[node.steps] @ node.weights)
            case Peak():
                return node.value(getattr(self.flows, node.flow))
            case Largest():
                return max(self.value(term) for term in node.terms)
            case Choice():
                return self.value(chosen(node, self.value(node.by)))
            case Tally():
                return self.value(node.of)
            case Scale():
                return node.factor * self.value(node.of)
            case Sum():
                return sum(self.value(term) for term in node.terms)
            case Constant():
                return node.amount
            case Rounded():
                value = self.value(node.of)
                return value if self.as_planned else rounded(value, node.to, node.how)
            case Metered():
                return self.value(node.planned) if self.as_planned else node.formula(self.flows)


CANCELS = 1e-12
"""Factors of one part that add up to this share of the largest of them are taken to cancel."""

EDGE_SLACK = 1e-6
"""A value this little below an edge counts as on it, so that rounding errors change no step."""


def chosen(node: Choice, value: float) -> Node:
    """Return the option that a value chooses."""
    return node.options[int(np.searchsorted(node.edges, value + EDGE_SLACK, side="right"))]


@dataclass(frozen=True)
class Form:
    """A linear form: constant + Σ weights·flow + Σ factor × part.

    ``weights`` holds for each flow its steps, shape (S,), and the weight of each; ``parts`` the
    factor of each part by its number.
    """

    constant: float
    weights: dict[FlowName, tuple[IntArray, FloatArray]]
    parts: dict[int, float]

    def value(self, flows: Flows, part_values: FloatArray) -> float:
        """Return the form's value. [money or kWh]"""
        energy = sum(
            float(weight @ getattr(flows, name)[steps])
            for name, (steps, weight) in self.weights.items()
        )
        parts = sum(factor * float(part_values[n]) for n, factor in self.parts.items())
        return self.constant + energy + parts


@dataclass(frozen=True)
class Part:
    """A node that is not linear, or held apart, with its arguments as linear forms.

    ``forms`` are the terms of a ``Largest``, the one of a ``Tally``, or of a ``Choice`` first what
    it goes by and then its options. A plan needs the part ``from_below`` (it may not be too low),
    ``from_above`` (nor too high), or both.
    """

    node: Peak | Largest | Choice | Tally
    forms: tuple[Form, ...]
    from_below: bool
    from_above: bool

    def value(self, flows: Flows, part_values: FloatArray) -> float:
        """Return the part's value, given those of the parts before it. [money or kWh]"""
        node = self.node
        if isinstance(node, Peak):
            return node.value(getattr(flows, node.flow))
        if isinstance(node, Choice):
            by = self.forms[0].value(flows, part_values)
            return self.forms[1 + node.options.index(chosen(node, by))].value(flows, part_values)
        return max(form.value(flows, part_values) for form in self.forms)

    def decided_by(self, flows: Flows, part_values: FloatArray) -> int:
        """Return the number of the option, or of the form, that decides the value."""
        if isinstance(self.node, Choice):
            by = self.forms[0].value(flows, part_values)
            return self.node.options.index(chosen(self.node, by))
        return int(np.argmax([form.value(flows, part_values) for form in self.forms]))

    @property
    def needs_integers(self) -> bool:
        """Whether a plan takes integers for it."""
        if isinstance(self.node, Choice):
            return self.from_below or self.from_above
        return self.from_above and not isinstance(self.node, Tally)


@dataclass(frozen=True)
class LinearCost:
    """A node as one linear form over flows and parts: money.

    ``parts`` stand in an order in which each depends only on those before it. ``count`` is the
    number of steps T.
    """

    count: int
    total: Form
    parts: tuple[Part, ...] = ()

    @property
    def constant(self) -> float:
        """The cost that no flow changes, apart from constants within parts. [money]"""
        return self.total.constant

    @property
    def is_convex(self) -> bool:
        """Whether the cost is convex in the flows, so that the plan is an LP."""
        return not any(part.needs_integers for part in self.parts)

    @cached_property
    def _dense(self) -> dict[FlowName, FloatArray]:
        return {flow: _dense(self.count, *pair) for flow, pair in self.total.weights.items()}

    def weight(self, flow: FlowName) -> FloatArray:
        """Return the linear price of a flow, apart from parts, shape (T,). [money per kWh]"""
        return self._dense.get(flow, np.zeros(self.count))

    def prices(self, flow: FlowName) -> bool:
        """Whether a flow stands anywhere in the cost."""
        forms = (self.total, *(form for part in self.parts for form in part.forms))
        in_peaks = any(peak.flow == flow for _, peak in self.peaks())
        return in_peaks or any(flow in form.weights for form in forms)

    def peaks(self) -> Iterator[tuple[int, Peak]]:
        """Yield the number and the node of each peak."""
        for number, part in enumerate(self.parts):
            if isinstance(part.node, Peak):
                yield number, part.node

    def part_values(self, flows: Flows) -> FloatArray:
        """Return the value of each part, shape (P,)."""
        values = np.zeros(len(self.parts))
        for number, part in enumerate(self.parts):
            values[number] = part.value(flows, values)
        return values

    @cached_property
    def _tallied(self) -> list[frozenset[int]]:
        """Which tallies each part depends on; a tally on itself."""
        found: list[frozenset[int]] = []
        for number, part in enumerate(self.parts):
            own = frozenset({number} if isinstance(part.node, Tally) else ())
            found.append(own.union(*(found[n] for form in part.forms for n in form.parts)))
        return found

    @property
    def has_wide_kinks(self) -> bool:
        """Whether a kink compares sums of several tallies, such as a bank or blocks of a year."""
        return any(
            isinstance(part.node, Largest) and len(self._tallied[number]) > 1
            for number, part in enumerate(self.parts)
        )

    def taken_at(self, flows: Flows) -> LinearCost:
        """Return the cost with one side of each wide kink: the one on which some flows lie.

        It is never above the cost, and equal to it at these flows.
        """
        values = self.part_values(flows)
        constant = self.total.constant
        pieces = {flow: [pair] for flow, pair in self.total.weights.items()}
        left = dict(self.total.parts)
        for number in reversed(range(len(self.parts))):
            part, factor = self.parts[number], left.get(number, 0.0)
            is_wide = isinstance(part.node, Largest) and len(self._tallied[number]) > 1
            if factor == 0 or not (isinstance(part.node, Tally) or (is_wide and factor > 0)):
                continue
            del left[number]
            form = _active(part, flows, values)
            constant += factor * form.constant
            for flow, (steps, weights) in form.weights.items():
                pieces.setdefault(flow, []).append((steps, factor * weights))
            for earlier, share in form.parts.items():
                left[earlier] = left.get(earlier, 0.0) + factor * share
        merged = {flow: _merged(self.count, found) for flow, found in pieces.items()}
        total = Form(constant, merged, {n: f for n, f in left.items() if f != 0})
        found = [(part.node, part.forms) for part in self.parts]
        return LinearCost(self.count, total, _with_directions(total, found))

    def value(self, flows: Flows) -> float:
        """Return the cost of some flows, from weights and parts alone. [money]"""
        return self.total.value(flows, self.part_values(flows))

    def marginal(self, flow: FlowName, flows: Flows) -> FloatArray:
        """Return the marginal price of a flow, apart from peaks, shape (T,). [money per kWh]

        Of a part that is at a kink, one of its sides is taken.
        """
        values = self.part_values(flows)
        price = self.weight(flow).copy()
        worth = np.zeros(len(self.parts))
        for number, factor in self.total.parts.items():
            worth[number] += factor
        for number in reversed(range(len(self.parts))):
            part = self.parts[number]
            if isinstance(part.node, Peak) or worth[number] == 0:
                continue
            form = _active(part, flows, values)
            if flow in form.weights:
                steps, weights = form.weights[flow]
                np.add.at(price, steps, worth[number] * weights)
            for below, factor in form.parts.items():
                worth[below] += worth[number] * factor
        return price


def _active(part: Part, flows: Flows, part_values: FloatArray) -> Form:
    """Return the form that decides a part's value."""
    options = part.forms[1:] if isinstance(part.node, Choice) else part.forms
    return options[part.decided_by(flows, part_values)]


def _dense(count: int, steps: IntArray, weights: FloatArray) -> FloatArray:
    row = np.zeros(count)
    np.add.at(row, steps, weights)
    return row


def linear_cost(node: Node, count: int) -> LinearCost:
    """Read a node as weights and parts on a grid of ``count`` steps."""
    return _Reader(count).cost(node)


class _Reader:
    """Collects linear forms; a node met twice becomes one part."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._number: dict[Node, int] = {}
        self._found: list[tuple[Peak | Largest | Choice | Tally, tuple[Form, ...]]] = []

    def cost(self, node: Node) -> LinearCost:
        total = self._form(node)
        return LinearCost(self._count, total, _with_directions(total, self._found))

    def _form(self, node: Node) -> Form:
        constants: list[float] = []
        pieces: dict[FlowName, list[tuple[IntArray, FloatArray]]] = {}
        parts: dict[int, list[float]] = {}
        self._add(node, 1.0, constants, pieces, parts)
        weights = {flow: _merged(self._count, found) for flow, found in pieces.items()}
        left = {number: _cancelled(factors) for number, factors in parts.items()}
        return Form(sum(constants), weights, {n: f for n, f in left.items() if f != 0})

    def _add(
        self,
        node: Node,
        factor: float,
        constants: list[float],
        pieces: dict[FlowName, list[tuple[IntArray, FloatArray]]],
        parts: dict[int, list[float]],
    ) -> None:
        match node:
            case FlowSum():
                pieces.setdefault(node.flow, []).append((node.steps, factor * node.weights))
            case Constant():
                constants.append(factor * node.amount)
            case Scale():
                if node.factor:
                    self._add(node.of, factor * node.factor, constants, pieces, parts)
            case Sum():
                for term in node.terms:
                    self._add(term, factor, constants, pieces, parts)
            case Rounded():
                self._add(node.of, factor, constants, pieces, parts)
            case Metered():
                self._add(node.planned, factor, constants, pieces, parts)
            case Peak() | Largest() | Choice() | Tally():
                number = self._part(node)
                parts.setdefault(number, []).append(factor)

    def _part(self, node: Peak | Largest | Choice | Tally) -> int:
        if node not in self._number:
            forms: tuple[Form, ...] = ()
            if isinstance(node, Largest):
                forms = tuple(self._form(term) for term in node.terms)
            elif isinstance(node, Choice):
                forms = tuple(self._form(term) for term in (node.by, *node.options))
            elif isinstance(node, Tally):
                forms = (self._form(node.of),)
            self._number[node] = len(self._found)
            self._found.append((node, forms))
        return self._number[node]


def _cancelled(factors: list[float]) -> float:
    """Return the sum of factors, and nothing where they cancel but for rounding errors.

    What is left of them would have a sign, and so could turn a convex cost into one that is not.
    """
    total = math.fsum(factors)
    return 0.0 if abs(total) <= CANCELS * max(map(abs, factors)) else total


def _merged(count: int, pieces: list[tuple[IntArray, FloatArray]]) -> tuple[IntArray, FloatArray]:
    """Return steps and weights with each step once, rising."""
    row = np.zeros(count)
    touched = np.zeros(count, dtype=bool)
    for steps, weights in pieces:
        np.add.at(row, steps, weights)
        touched[steps] = True
    steps = np.flatnonzero(touched).astype(np.int64)
    return steps, row[steps]


def _with_directions(
    total: Form, found: list[tuple[Peak | Largest | Choice | Tally, tuple[Form, ...]]]
) -> tuple[Part, ...]:
    """Tell from which sides each part is needed, from the whole cost down."""
    below, over = np.zeros(len(found), dtype=bool), np.zeros(len(found), dtype=bool)

    def need(form: Form, from_below: bool, from_above: bool) -> None:
        for number, factor in form.parts.items():
            below[number] |= from_below if factor > 0 else from_above
            over[number] |= from_above if factor > 0 else from_below

    need(total, True, False)
    for number in reversed(range(len(found))):
        node, forms = found[number]
        if isinstance(node, Choice):
            wanted = bool(below[number] or over[number])
            only_below = rises(node) and not over[number]
            need(forms[0], wanted, wanted and not only_below)
            forms = forms[1:]
        for form in forms:
            need(form, bool(below[number]), bool(over[number]))
    return tuple(
        Part(node, forms, bool(b), bool(o))
        for (node, forms), b, o in zip(found, below, over, strict=True)
    )


def rises(node: Choice) -> bool:
    """Tell whether all options are amounts, and none is below the one before."""
    amounts = [option.amount for option in node.options if isinstance(option, Constant)]
    return len(amounts) == len(node.options) and bool((np.diff(amounts) >= 0).all())
