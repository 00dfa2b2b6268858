"""Says what made a value: a tree from a line's quantity down to the steps of the meter.

Read next: ``bill``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import pandas as pd

from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import number, price
from optimizer.cost.expression import (
    ZERO,
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

FLOW_WORDS = {
    "import_kwh": "import",
    "export_kwh": "export",
    "stored_export_kwh": "export out of the battery",
}

MONEY = "money"
"""The unit of a quantity in the tariff's currency."""

MOST_PARTS = 40
"""A longer sum shows its largest parts and one line for the rest."""


@dataclass(frozen=True)
class Why:
    """A value in words, and the values that made it.

    ``decides`` tells that, of several, it is the one that counts.
    """

    text: str
    value: float
    unit: str
    decides: bool = True
    parts: tuple[Why, ...] = ()

    def lines(self, currency: str = MONEY, depth: int = 0) -> list[str]:
        """Return the tree as indented text, a line for each value."""
        mark = "" if self.decides else " (does not count)"
        unit = currency if self.unit == MONEY else self.unit
        own = f"{'  ' * depth}{self.text}: {number(self.value, 3)} {unit}{mark}"
        return [own, *(line for part in self.parts for line in part.lines(currency, depth + 1))]

    def record(self) -> dict[str, object]:
        """Return the tree as plain data."""
        own = {"what": self.text, "value": self.value, "unit": self.unit, "counts": self.decides}
        return {**own, "parts": [part.record() for part in self.parts]} if self.parts else own


def why(node: Node, reading: Evaluation, unit: str, told: Mapping[Node, str] | None = None) -> Why:
    """Return what made the value of a node, in the unit of its line.

    ``told`` are amounts with lines of their own, by which they are called: a tax on twenty lines
    names twenty lines, and what made each stands there.
    """
    return _Teller(reading, told or {}).tell(node, unit, is_root=True)


def because(node: Node, reading: Evaluation, told: Mapping[Node, str] | None = None) -> str:
    """Return in a few words what decided a quantity: the intervals of its peaks; or nothing.

    Of what has a line of its own (``told``), that line says it.
    """
    said = []
    for peak in _decisive_peaks(node, reading, told or {}):
        energy = getattr(reading.flows, peak.flow)
        power, grid = peak.interval_kw(energy), reading.flows.grid
        intervals = peak.highest_intervals(energy)
        if len(intervals) < peak.counted and peak.before_series_kw.any():
            said.append("reached before this series")
        said += [f"{number(power[i], 3)} kW {interval_text(peak, i, grid)}" for i in intervals]
    return "; ".join(dict.fromkeys(said))


def _decisive_peaks(node: Node, reading: Evaluation, told: Mapping[Node, str]) -> list[Peak]:
    inside: tuple[Node, ...] = ()
    match node:
        case Peak():
            return [node]
        case Largest():
            inside = (max(node.terms, key=reading.value),)
        case Choice():
            inside = (node.by, chosen(node, reading.value(node.by)))
        case Sum() if len(node.terms) < MOST_PARTS:
            inside = node.terms
        case Scale() | Tally() | Rounded():
            inside = (node.of,)
        case Metered():
            inside = node.shown or (node.planned,)
    inside = tuple(part for part in inside if part not in told)
    return [peak for part in inside for peak in _decisive_peaks(part, reading, told)]


def interval_text(peak: Peak, interval: int, grid: TimeGrid) -> str:
    """Return a demand interval as people read it: ``Tue 14 Jan 2025, 18:15–18:30``."""
    first = int(peak.steps[peak.first_of_interval[interval]])
    begun_h = 0.0 if peak.begun_h is None else float(peak.begun_h[interval])
    begin = grid.local[first] - timedelta(hours=begun_h)
    end = begin + timedelta(hours=float(peak.hours[interval]))
    return f"{day_text(begin)}, {begin:%H:%M}–{end:%H:%M}"


def unit_of(node: Node) -> str:
    """Return the unit of a node, kWh or kW; empty where it is not known, as in sums of money."""
    match node:
        case FlowSum():
            return "kWh" if (node.weights == 1).all() else ""
        case Peak():
            return "kW"
        case Tally() | Rounded():
            return unit_of(node.of)
        case Sum() | Largest():
            return next((unit for unit in map(unit_of, node.terms) if unit), "")
    return ""


def day_text(moment: pd.Timestamp) -> str:
    """Return a day as ``Tue 14 Jan 2025``."""
    return f"{moment:%a} {moment.day} {moment:%b %Y}"


class _Teller:
    """Tells node after node, each in the unit of the line."""

    def __init__(self, reading: Evaluation, told: Mapping[Node, str]) -> None:
        self._reading = reading
        self._told = told
        self._grid = reading.flows.grid

    def tell(  # noqa: C901, PLR0911, PLR0912
        self, node: Node, unit: str, *, decides: bool = True, is_root: bool = False
    ) -> Why:
        value = self._reading.value(node)
        if node in self._told and not is_root:
            return Why(f"the line {self._told[node]}", value, MONEY, decides)
        unit = unit_of(node) or unit
        if (smaller := _smaller_of(node)) is not None:
            least = min(smaller, key=self._reading.value)
            parts = tuple(self.tell(term, unit, decides=term is least) for term in smaller)
            return Why("the smaller of", value, unit, decides, parts)
        match node:
            case FlowSum():
                return Why(self._flow_text(node), value, unit, decides)
            case Peak():
                return Why(_peak_text(node), value, "kW", decides, self._intervals(node))
            case Largest():
                first = max(
                    range(len(node.terms)), key=lambda i: self._reading.value(node.terms[i])
                )
                parts = tuple(
                    self.tell(term, unit, decides=place == first)
                    for place, term in enumerate(node.terms)
                )
                return Why("the largest of", value, unit, decides, parts)
            case Choice():
                by = self._reading.value(node.by)
                option = chosen(node, by)
                parts = (self.tell(node.by, ""), self.tell(option, unit))
                return Why(
                    _range_text(node, node.options.index(option)), value, unit, decides, parts
                )
            case Tally():
                return self.tell(node.of, unit, decides=decides)
            case Scale():
                inner = self.tell(node.of, unit)
                text = "less" if node.factor == -1 else f"{price(node.factor)} ×"
                return Why(text, value, unit, decides, (inner,))
            case Sum():
                parts = self._terms(node, unit)
                if len(parts) == 1:
                    return replace(parts[0], decides=decides)
                return Why("the sum of", value, unit, decides, parts)
            case Rounded():
                inner = self.tell(node.of, unit)
                text = f"rounded ({node.how}, to {number(node.to, 6)})"
                return Why(text, value, unit, decides, (inner,))
            case Metered():
                parts = tuple(self.tell(part, unit) for part in node.shown or (node.planned,))
                return Why(node.how, value, unit, decides, parts)
            case Constant():
                return Why(node.what or "a fixed amount", value, unit, decides)

    def _terms(self, node: Sum, unit: str) -> tuple[Why, ...]:
        told = [term for term in node.terms if self._reading.value(term) != 0]
        told.sort(key=lambda term: -abs(self._reading.value(term)))
        rest = told[MOST_PARTS:]
        parts = tuple(self.tell(term, unit) for term in told[:MOST_PARTS])
        if not rest:
            return parts
        others = sum(self._reading.value(term) for term in rest)
        return (*parts, Why(f"{len(rest)} smaller ones", others, unit))

    def _flow_text(self, node: FlowSum) -> str:
        word = FLOW_WORDS.get(node.flow, node.flow)
        if not len(node.steps):
            return f"{word} of no step"
        first, last = (self._grid.local[int(step)] for step in (node.steps[0], node.steps[-1]))
        text = f"{word} of {len(node.steps):,} steps, {day_text(first)} to {day_text(last)}"
        low, high = float(node.weights.min()), float(node.weights.max())
        if low == high:
            return text if low == 1 else f"{text}, at {price(low)}"
        return f"{text}, at {price(low)} to {price(high)} a kWh"

    def _intervals(self, node: Peak) -> tuple[Why, ...]:
        values, intervals = node.highest_groups(getattr(self._reading.flows, node.flow))
        told = [
            Why(interval_text(node, int(i), self._grid), float(kw), "kW")
            if i >= 0
            else Why("before this series", float(kw), "kW")
            for kw, i in zip(values, intervals, strict=True)
            if i >= 0 or kw > 0
        ]
        return tuple(sorted(told, key=lambda why: why.text == "before this series"))


def _smaller_of(node: Node) -> tuple[Node, Node] | None:
    """Return the two nodes of which a node is the smaller, in either way that blocks write it."""
    match node:
        case Scale(factor=-1.0, of=Largest(terms=(Scale(-1.0, one), Scale(-1.0, two)))):
            return one, two
        case Sum(
            terms=(one, Scale(-1.0, Largest(terms=(Sum(terms=(same, Scale(-1.0, two))), zero))))
        ):
            return (one, two) if same is one and zero is ZERO else None
    return None


def _peak_text(node: Peak) -> str:
    long = f" of {round(60 * float(np.median(node.hours)))} min" if len(node.hours) else ""
    if node.counted == 1:
        return f"highest demand{long}"
    return f"mean of the {node.counted} highest demands{long}"


def _range_text(node: Choice, place: int) -> str:
    low = f"from {number(node.edges[place - 1], 3)}" if place else "from the bottom"
    high = f"below {number(node.edges[place], 3)}" if place < len(node.edges) else "on"
    return f"the step {low} {high}"
