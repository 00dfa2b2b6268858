"""A cost as flat arrays for the compiled score, on some of the steps of a grid.

The search looks at one season at a time. What the other steps add to a part of the bill, such as a
ratchet that remembers another season's peak, is taken from the plan's flows there; parts that no
step of the season changes are left out. Read next: ``score``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from optimizer.base.flows import FlowName, Flows
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.cost.expression import Choice, Form, LinearCost, Part, Peak
from optimizer.search.score_kernel import PART_CHOICE, PART_LARGEST, PART_PEAK, Pricing
from optimizer.site.equipment import Plant


def pricing_of(
    cost: LinearCost, elsewhere: Flows, plant: Plant, leftover: float, steps: IntArray
) -> Pricing:
    """Return the cost's weights and parts on some steps of the grid.

    Parameters
    ----------
    cost : LinearCost
        The cost on the whole grid of T steps.
    elsewhere : Flows
        The flows that are assumed on all other steps.
    plant : Plant
        For wear and cycles.
    leftover : float
        Worth of a kWh that is left at the end. [money per kWh]
    steps : array
        Shape (S,), rising.
    """
    writer = _Writer(cost, elsewhere, steps)
    for number, part in enumerate(cost.parts):
        writer.write(number, part)
    allowed = (
        math.inf if plant.cycles_per_day is None else plant.cycles_per_day * plant.capacity_kwh
    )
    return Pricing(
        buy=cost.weight("import_kwh")[steps],
        sell=-cost.weight("export_kwh")[steps],
        less_for_stored=cost.weight("stored_export_kwh")[steps]
        if cost.prices("stored_export_kwh")
        else _NO_WEIGHTS,
        wear=plant.wear_per_kwh,
        leftover=leftover,
        day=elsewhere.grid.day[steps],
        day_discharge=allowed,
        **writer.arrays(),
    )


def softened(pricing: Pricing, days: int) -> Pricing:
    """Return the pricing with each highest power replaced by the mean over the highest days.

    The highest power of a month hangs on one interval: most small changes of windows do nothing to
    it. The mean of the highest daily peaks shows the search which way to go.
    """
    day_of_interval = np.zeros(len(pricing.interval_share), dtype=np.int64)
    day_of_interval[pricing.peak_interval] = pricing.day[pricing.peak_step]
    group = pricing.interval_group.copy()
    reached, first, highest = list[float](), [0], pricing.peak_highest.copy()
    for peak in range(len(highest)):
        begin, end = pricing.peak_first_group[peak : peak + 2]
        inside = (pricing.interval_group >= begin) & (pricing.interval_group < end)
        if highest[peak] > 1 or not inside.any():
            group[inside] += len(reached) - begin
            reached += list(pricing.group_reached[begin:end])
        else:
            dates, group_of_date = np.unique(day_of_interval[inside], return_inverse=True)
            group[inside] = len(reached) + group_of_date
            lowest = float(pricing.group_reached[begin:end].max())
            reached += [lowest] * len(dates)
            highest[peak] = min(days, len(dates))
        first.append(len(reached))
    return pricing._replace(
        interval_group=group,
        group_reached=np.array(reached, dtype=np.float64),
        peak_first_group=np.array(first, dtype=np.int64),
        peak_highest=highest,
    )


@dataclass
class _Entries:
    """Entries of rows, one row after another."""

    first: list[int] = field(default_factory=lambda: [0])
    at: list[IntArray] = field(default_factory=list)
    weight: list[FloatArray] = field(default_factory=list)

    def add(self, at: IntArray, weight: FloatArray) -> None:
        self.at.append(at)
        self.weight.append(weight)
        self.first.append(self.first[-1] + len(at))


class _Writer:
    """Writes part after part; ``place`` is a step's place among the season's, or −1."""

    def __init__(self, cost: LinearCost, elsewhere: Flows, steps: IntArray) -> None:
        self._cost = cost
        self._elsewhere = elsewhere
        self._place = np.full(cost.count, -1, dtype=np.int64)
        self._place[steps] = np.arange(len(steps))
        self._value = cost.part_values(elsewhere)
        self._number: dict[int, int] = {}  # of the parts that these steps change
        self._kind: list[int] = []
        self._peak_of: list[int] = []
        self._first_form = [0]
        self._first_edge = [0]
        self._edges: list[float] = []
        self._factor: list[float] = []
        self._constant: list[float] = []
        self._import, self._export, self._sold = _Entries(), _Entries(), _Entries()
        self._parts = _Entries()
        self._peak_step: list[IntArray] = []
        self._peak_interval: list[IntArray] = []
        self._peak_exports: list[BoolArray] = []
        self._share: list[FloatArray] = []
        self._interval_elsewhere: list[FloatArray] = []
        self._group: list[IntArray] = []
        self._reached: list[float] = []
        self._first_group = [0]
        self._highest: list[int] = []

    def write(self, number: int, part: Part) -> None:
        """Write a part, if these steps change it."""
        if isinstance(part.node, Peak):
            here = self._place[part.node.steps] >= 0
            if not here.any():
                return
            self._write_peak(part.node, here)
            kind = PART_PEAK
        else:
            if not any(self._changes(form) for form in part.forms):
                return
            for form in part.forms:
                self._write_form(form)
            kind = PART_CHOICE if isinstance(part.node, Choice) else PART_LARGEST
        self._number[number] = len(self._kind)
        self._kind.append(kind)
        self._peak_of.append(len(self._highest) - 1)
        self._first_form.append(len(self._constant))
        self._edges += part.node.edges if isinstance(part.node, Choice) else ()
        self._first_edge.append(len(self._edges))
        self._factor.append(self._cost.total.parts.get(number, 0.0))

    def _changes(self, form: Form) -> bool:
        steps_here = any((self._place[steps] >= 0).any() for steps, _ in form.weights.values())
        return steps_here or any(number in self._number for number in form.parts)

    def _write_form(self, form: Form) -> None:
        constant = form.constant
        of_flow: dict[FlowName, _Entries] = {
            "import_kwh": self._import, "export_kwh": self._export, "stored_export_kwh": self._sold,
        }  # fmt: skip
        for flow, entries in of_flow.items():
            steps, weights = form.weights.get(flow, (_NO_STEPS, _NO_WEIGHTS))
            here = self._place[steps] >= 0
            entries.add(self._place[steps[here]], weights[here])
            constant += float(getattr(self._elsewhere, flow)[steps[~here]] @ weights[~here])
        known = {n: f for n, f in form.parts.items() if n not in self._number}
        constant += sum(factor * float(self._value[n]) for n, factor in known.items())
        varying = {self._number[n]: f for n, f in form.parts.items() if n in self._number}
        self._parts.add(
            np.array(list(varying), dtype=np.int64), np.array(list(varying.values()), dtype=float)
        )
        self._constant.append(constant)

    def _write_peak(self, node: Peak, here: BoolArray) -> None:
        power = node.interval_kw(getattr(self._elsewhere, node.flow))
        inside = np.zeros(len(node.hours), dtype=bool)
        inside[node.interval[here]] = True
        reached = node.lowest_of_group.copy()
        np.maximum.at(reached, node.groups[~inside], power[~inside])
        first_interval = sum(map(len, self._share))
        outside = node.before_kwh.copy()
        energy = getattr(self._elsewhere, node.flow)[node.steps[~here]]
        np.add.at(outside, node.interval[~here], energy)
        self._interval_elsewhere.append(outside * inside)
        self._peak_step.append(self._place[node.steps[here]])
        self._peak_interval.append(node.interval[here] + first_interval)
        self._peak_exports.append(np.full(int(here.sum()), node.flow == "export_kwh"))
        factor = np.ones(len(node.hours)) if node.factor is None else node.factor
        self._share.append(factor / node.hours)
        self._group.append(node.groups + self._first_group[-1])
        self._reached += [*reached, *node.reached_kw]
        self._first_group.append(len(self._reached))
        self._highest.append(node.counted)

    def arrays(self) -> dict[str, np.ndarray]:
        """Return all that was written."""
        return {
            "peak_step": _joined(self._peak_step),
            "peak_interval": _joined(self._peak_interval),
            "peak_exports": _joined(self._peak_exports).astype(np.bool_),
            "interval_elsewhere": _joined(self._interval_elsewhere).astype(np.float64),
            "interval_share": _joined(self._share).astype(np.float64),
            "interval_group": _joined(self._group),
            "group_reached": np.array(self._reached, dtype=np.float64),
            "peak_first_group": np.array(self._first_group, dtype=np.int64),
            "peak_highest": np.array(self._highest, dtype=np.int64),
            "part_kind": np.array(self._kind, dtype=np.int64),
            "part_peak": np.array(self._peak_of, dtype=np.int64),
            "part_first_form": np.array(self._first_form, dtype=np.int64),
            "part_first_edge": np.array(self._first_edge, dtype=np.int64),
            "edges": np.array(self._edges, dtype=np.float64),
            "part_factor": np.array(self._factor, dtype=np.float64),
            "form_constant": np.array(self._constant, dtype=np.float64),
            "form_first_import": np.array(self._import.first, dtype=np.int64),
            "import_step": _joined(self._import.at),
            "import_weight": _joined(self._import.weight).astype(np.float64),
            "form_first_export": np.array(self._export.first, dtype=np.int64),
            "export_step": _joined(self._export.at),
            "export_weight": _joined(self._export.weight).astype(np.float64),
            "form_first_sold": np.array(self._sold.first, dtype=np.int64),
            "sold_step": _joined(self._sold.at),
            "sold_weight": _joined(self._sold.weight).astype(np.float64),
            "form_first_part": np.array(self._parts.first, dtype=np.int64),
            "form_part": _joined(self._parts.at),
            "form_part_factor": _joined(self._parts.weight).astype(np.float64),
        }


_NO_STEPS = np.zeros(0, dtype=np.int64)
_NO_WEIGHTS = np.zeros(0)


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
