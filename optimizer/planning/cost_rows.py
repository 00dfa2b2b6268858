"""The one place that turns a cost expression into columns and rows of the linear program.

Every part of the cost gets a variable ``part``; rows hold it to what it stands for. With f the
part's forms, all rows in the shape Σ … ≤ bound::

    Tally     part = f
    Largest   f − part ≤ 0 for each f                       not too low
              part − f + most·which ≤ most for each f, Σ which = 1       not too high
    Peak      kW of an interval − base − over(group) ≤ −(kW that it has from before the series),
              part = base + Σ over / k, over ≥ 0             not too low: the sum of the k largest
              part ≤ Σ taken / k, taken ≤ kW of the interval, taken ≤ most·which,
              Σ which ≤ 1 in a group, Σ which ≤ k            not too high
    Choice    Σ which = 1, by < edge or by ≥ edge as which says, and of the chosen option
              f − part ≤ most·(1 − which), part − f ≤ most·(1 − which)

``most`` is the largest value that flows within their limits can give. The sum of the k largest is
that of Ogryczak and Tamir, *Minimizing the sum of the k largest functions in linear time*,
Information Processing Letters 85 (2003). Read next: ``matrix``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from optimizer.base.flows import FlowName
from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.cost.expression import Choice, Constant, Form, LinearCost, Part, Peak, Tally, rises

EDGE_MARGIN = 1e-4
"""How far the plan stays below an edge, in the edge's unit, to lie in the range before it."""

COLUMN_OF_FLOW: dict[FlowName, str] = {
    "import_kwh": "import_",
    "export_kwh": "export_",
    "stored_export_kwh": "stored_export",
}

Entries = dict[str, tuple[IntArray, IntArray, FloatArray]]
"""For each kind of variable the row, the place and the coefficient of each entry."""


@dataclass(frozen=True)
class RowFamily:
    """R rows Σ coefficient × variable ≤ ``high``, each for a part of the cost; shapes (R,)."""

    entries: Entries
    high: FloatArray
    part: IntArray


@dataclass(frozen=True)
class CostRows:
    """Columns and rows that a cost needs beside the flows' prices.

    ``low``, ``cost`` and ``most`` have shape (P,): the lower limit, the price and the largest
    sensible value of each ``part`` variable, and ``part`` the number of the cost's part to which it
    belongs. ``which`` has shape (W,), the part of each binary. ``families`` are the rows of demand
    intervals, and all others.
    """

    low: FloatArray
    cost: FloatArray
    most: FloatArray
    part: IntArray
    which: IntArray
    families: dict[str, RowFamily]


@dataclass
class _Rows:
    """Rows in the making: entries one by one, or whole blocks of arrays."""

    high: list[float] = field(default_factory=list)
    part: list[int] = field(default_factory=list)
    entries: dict[str, list[tuple[IntArray, IntArray, FloatArray]]] = field(default_factory=dict)

    def add(self, high: FloatArray, part: int) -> IntArray:
        """Append rows of a part and return their numbers."""
        first = len(self.high)
        self.high.extend(high.tolist())
        self.part.extend([part] * len(high))
        return np.arange(first, len(self.high))

    def put(self, kind: str, rows: IntArray, places: IntArray, values: FloatArray) -> None:
        self.entries.setdefault(kind, []).append((rows, places, values))

    def family(self) -> RowFamily:
        entries = {
            kind: tuple(np.concatenate(parts) for parts in zip(*pieces, strict=True))
            for kind, pieces in self.entries.items()
        }
        return RowFamily(entries, np.array(self.high), np.array(self.part))  # type: ignore[arg-type]


@dataclass(frozen=True)
class _Line:
    """A linear form over flows, parts and binaries, with its lowest and highest value."""

    low: float
    high: float
    constant: float = 0.0
    flows: dict[str, tuple[IntArray, FloatArray]] = field(default_factory=dict)
    part: dict[int, float] = field(default_factory=dict)
    which: dict[int, float] = field(default_factory=dict)


def cost_rows(cost: LinearCost, most: dict[FlowName, FloatArray]) -> CostRows:
    """Return the columns and rows of a cost.

    Parameters
    ----------
    cost : LinearCost
        The cost as forms and parts.
    most : mapping of flow to array
        The largest energy of each flow of ``COLUMN_OF_FLOW`` in each step, shapes (T,). [kWh]
    """
    return _Writer(cost, most).written()


class _Writer:
    def __init__(self, cost: LinearCost, most: dict[FlowName, FloatArray]) -> None:
        self._cost = cost
        self._most = most
        self._low: list[float] = []
        self._high: list[float] = []
        self._part_of_column: list[int] = []
        self._which: list[int] = []
        self._now = 0  # the part that is being written
        self._intervals = _Rows()
        self._others = _Rows()
        self._value: list[_Line] = []

    def written(self) -> CostRows:
        for number, part in enumerate(self._cost.parts):
            self._now = number
            self._value.append(self._written(part))
        price = np.zeros(len(self._low))
        for number, factor in self._cost.total.parts.items():
            for place, share in self._value[number].part.items():
                price[place] += factor * share
        families = {"intervals": self._intervals.family(), "others": self._others.family()}
        return CostRows(
            np.array(self._low), price, np.array(self._high),
            np.array(self._part_of_column, dtype=np.int64), np.array(self._which, dtype=np.int64),
            families={name: family for name, family in families.items() if len(family.high)}
        )  # fmt: skip

    def _written(self, part: Part) -> _Line:
        if not (part.from_below or part.from_above):
            return _Line(0.0, 0.0)
        if isinstance(part.node, Peak):
            return self._peak(part, part.node)
        lines = [self._line(form) for form in part.forms]
        if isinstance(part.node, Choice):
            return self._choice(part, part.node, lines)
        # Where only too high a value is wrong, a low one is allowed: a choice then never forbids flows.
        lowest = max if part.from_below else min
        value = self._column(lowest(line.low for line in lines), max(line.high for line in lines))
        if part.from_below or isinstance(part.node, Tally):
            for line in lines:
                self._at_most(line, value)
        if isinstance(part.node, Tally):
            if part.from_above:
                self._at_most(value, lines[0])
        elif part.from_above:
            self._one_reaches(value, lines)
        return value

    # --- pieces ----------------------------------------------------------------------------

    def _column(self, low: float, high: float) -> _Line:
        place = len(self._low)
        self._low.append(low)
        self._high.append(high)
        self._part_of_column.append(self._now)
        return _Line(low, high, part={place: 1.0})

    def _binary(self) -> _Line:
        self._which.append(self._now)
        return _Line(0.0, 1.0, which={len(self._which) - 1: 1.0})

    def _line(self, form: Form) -> _Line:
        low = high = form.constant
        flows: dict[str, tuple[IntArray, FloatArray]] = {}
        for flow, (steps, weights) in form.weights.items():
            flows[COLUMN_OF_FLOW[flow]] = (steps, weights)
            reach = weights * self._most[flow][steps]
            low += float(np.minimum(reach, 0).sum())
            high += float(np.maximum(reach, 0).sum())
        part: dict[int, float] = {}
        constant = form.constant
        for number, factor in form.parts.items():
            value = self._value[number]
            constant += factor * value.constant
            for place, share in value.part.items():
                part[place] = part.get(place, 0.0) + factor * share
            edges = sorted((factor * value.low, factor * value.high))
            low, high = low + edges[0], high + edges[1]
        return _Line(low, high, constant=constant, flows=flows, part=part)

    def _at_most(self, smaller: _Line, larger: _Line, switch: _Line | None = None) -> None:
        """Write smaller ≤ larger; where a binary is given, only where it is 1."""
        gap = 0.0 if switch is None else max(smaller.high - larger.low, 0.0)
        row = self._others.add(np.array([larger.constant - smaller.constant + gap]), self._now)
        for line, sign in ((smaller, 1.0), (larger, -1.0)):
            for kind, (steps, weights) in line.flows.items():
                self._others.put(kind, np.repeat(row, len(steps)), steps, sign * weights)
            self._put(row, "part", line.part, sign)
        if switch is not None:
            self._put(row, "which", switch.which, gap)

    def _put(self, row: IntArray, kind: str, factors: dict[int, float], sign: float) -> None:
        if factors:
            places = np.fromiter(factors, dtype=np.int64)
            values = sign * np.fromiter(factors.values(), dtype=np.float64)
            self._others.put(kind, np.repeat(row, len(places)), places, values)

    def _sum_at_most(self, lines: Iterable[_Line], high: float, sign: float = 1.0) -> None:
        row = self._others.add(np.array([high]), self._now)
        for line in lines:
            self._put(row, "which", line.which, sign)

    def _one_reaches(self, value: _Line, lines: list[_Line]) -> None:
        """Write that the value does not exceed the largest of the lines."""
        which = [self._binary() for _ in lines]
        self._sum_at_most(which, -1.0, -1.0)
        for line, binary in zip(lines, which, strict=True):
            self._at_most(value, line, binary)

    def _choice(self, part: Part, node: Choice, lines: list[_Line]) -> _Line:
        by, options = lines[0], lines[1:]
        which = [self._binary() for _ in options]
        self._sum_at_most(which, 1.0)
        self._sum_at_most(which, -1.0, -1.0)
        only_below = rises(node) and not part.from_above
        for place, edge in enumerate(node.edges):
            below = _constant(edge - EDGE_MARGIN)
            self._at_most(by, below, _sum_of(which[: place + 1]))
            if not only_below:
                self._at_most(_constant(edge), by, _sum_of(which[place + 1 :]))
        value = self._column(min(o.low for o in options), max(o.high for o in options))
        amounts = [o.amount for o in node.options if isinstance(o, Constant)]
        if len(amounts) == len(options):  # Σ amount·which is tighter than one row for each option
            steps = {next(iter(w.which)): amount for w, amount in zip(which, amounts, strict=True)}
            for sign in [1.0] * part.from_below + [-1.0] * part.from_above:
                row = self._others.add(np.zeros(1), self._now)
                self._put(row, "which", steps, sign)
                self._put(row, "part", value.part, -sign)
            return value
        for option, binary in zip(options, which, strict=True):
            if part.from_below:
                self._at_most(option, value, binary)
            if part.from_above:
                self._at_most(value, option, binary)
        return value

    # --- peaks -----------------------------------------------------------------------------

    def _peak(self, part: Part, node: Peak) -> _Line:
        highest = node.interval_kw(self._most[node.flow])
        top = max(float(highest.max(initial=0.0)), float(node.before_series_kw.max(initial=0.0)))
        value = self._mean_of_highest(node, top) if part.from_below else self._column(0.0, top)
        if part.from_above:
            if len(value.part) > 1:
                mean, value = value, self._column(0.0, top)
                self._at_most(mean, value)
            self._not_above_highest(node, value, highest)
        return value

    def _mean_of_highest(self, node: Peak, top: float) -> _Line:
        """Write base + Σ over / k, which is at least the mean of the k highest groups."""
        if node.counted == 1:
            base = self._column(float(node.before_series_kw.max(initial=0.0)), top)
            self._interval_rows(node, base, None)
            return base
        base = self._column(0.0, top)
        groups = len(node.lowest_of_group)
        over = np.arange(len(self._low), len(self._low) + groups + len(node.reached_kw))
        for _ in over:
            self._column(0.0, top)
        self._interval_rows(node, base, over[:groups])
        before = (*node.lowest_of_group, *node.reached_kw)
        for place, reached in zip(over, before, strict=True):
            if reached > 0:
                excess = _Line(0.0, 2 * top, part=base.part | {int(place): 1.0})
                self._at_most(_constant(float(reached)), excess)
        shares = {int(place): 1.0 / node.counted for place in over}
        return _Line(0.0, top, part=base.part | shares)

    def _interval_rows(self, node: Peak, base: _Line, over: IntArray | None) -> None:
        count = len(node.hours)
        factor = np.ones(count) if node.factor is None else node.factor
        share = factor / node.hours
        rows = self._intervals.add(-share * node.before_kwh, self._now)
        flow = COLUMN_OF_FLOW[node.flow]
        self._intervals.put(flow, rows[node.interval], node.steps, share[node.interval])
        place = np.full(count, next(iter(base.part)))
        self._intervals.put("part", rows, place, np.full(count, -1.0))
        if over is not None:
            self._intervals.put("part", rows, over[node.groups], np.full(count, -1.0))

    def _not_above_highest(self, node: Peak, value: _Line, highest: FloatArray) -> None:
        """Write value ≤ Σ taken / k over the intervals that binaries pick."""
        taken: dict[int, float] = {}
        which: list[_Line] = []
        of_group: dict[int, list[_Line]] = {}
        intervals = [
            (_mean_power(node, i, float(highest[i])), int(node.groups[i]))
            for i in range(len(node.hours))
        ]
        before = [(_constant(kw), -1 - n) for n, kw in enumerate(node.reached_kw)]
        before += [(_constant(float(kw)), n) for n, kw in enumerate(node.lowest_of_group) if kw > 0]
        for power, group in [*intervals, *before]:
            binary, amount = self._binary(), self._column(0.0, power.high)
            self._at_most(amount, power)
            row = self._others.add(np.zeros(1), self._now)  # amount ≤ most·which
            self._put(row, "part", amount.part, 1.0)
            self._put(row, "which", binary.which, -power.high)
            which.append(binary)
            of_group.setdefault(group, []).append(binary)
            taken |= dict.fromkeys(amount.part, 1.0 / node.counted)
        for members in of_group.values():
            self._sum_at_most(members, 1.0)
        self._sum_at_most(which, float(node.counted))
        self._at_most(value, _Line(0.0, value.high, part=taken))


def _mean_power(node: Peak, interval: int, high: float) -> _Line:
    inside = node.interval == interval
    factor = 1.0 if node.factor is None else float(node.factor[interval])
    share = factor / float(node.hours[interval])
    weights = np.full(int(inside.sum()), share)
    begun = share * float(node.before_kwh[interval])
    steps = node.steps[inside]
    return _Line(begun, high, constant=begun, flows={COLUMN_OF_FLOW[node.flow]: (steps, weights)})


def _constant(value: float) -> _Line:
    return _Line(value, value, constant=value)


def _sum_of(lines: list[_Line]) -> _Line:
    which = {place: factor for line in lines for place, factor in line.which.items()}
    return _Line(0.0, 1.0, which=which)
