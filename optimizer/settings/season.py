"""One group of months: its steps, its cost, and what windows come to on them.

A window must earn its keep: a small sum is counted for each, so that fewer windows win when the
money is the same. Read next: ``moves``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.billing.cost import LinearCost
from optimizer.flows import Flows
from optimizer.settings.average_day import Draft
from optimizer.settings.kernel import OVERLOAD, Numbers, score
from optimizer.settings.pricing import pricing_of
from optimizer.settings.replay import order_row
from optimizer.settings.windows import Window
from optimizer.site.controls import Controls
from optimizer.site.equipment import Plant
from optimizer.timegrid import BoolArray, FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.units import MINUTES_PER_DAY, clock

MIN_WORTH_SHARE = 0.005
"""A window must save at least this share of what the plan could save in its season."""

LOOK_UP_WORK = 0.05
"""Work of meeting windows that were scored before, in replays."""

Drafts = tuple[tuple[Draft, ...], ...]
"""The windows of one season: for each day set its windows, in order of time."""


@dataclass(frozen=True)
class Task:
    """What settings are searched for.

    ``start_kwh`` is the stored energy before the first step, ``stored_worth`` the worth of a kWh
    left at the end, ``can_save`` the money between no windows and the plan.
    """

    plant: Plant
    controls: Controls
    grid: TimeGrid
    load_kwh: FloatArray
    pv_kwh: FloatArray
    cost: LinearCost
    plan_flows: Flows
    plan_stored_kwh: FloatArray
    start_kwh: float
    stored_worth: float
    can_save: float


class Season:
    """One group of months: its steps, its cost, and how to score windows on them."""

    def __init__(self, task: Task, months: Sequence[int]) -> None:
        self.task = task
        self.controls = task.controls
        inside = np.isin(task.grid.month, list(months))
        self.steps = np.flatnonzero(inside).astype(np.int64)
        self.minutes = math.lcm(task.controls.minutes, task.grid.step_minutes)
        self.levels = multiples_between(
            task.controls.soc_step_pct,
            task.plant.soc_pct(task.plant.low_kwh),
            task.plant.soc_pct(task.plant.high_kwh),
        )
        self.power_step_kw = task.controls.power_step_of(task.plant.ac_limit_kw)
        self.min_worth = (
            MIN_WORTH_SHARE * max(task.can_save, 0.0) * len(self.steps) / task.grid.count
        )
        self.replays = 0
        self.work = 0.0
        self.pricing = pricing_of(
            task.cost, task.plan_flows, task.plant, task.stored_worth, self.steps
        )
        self._load = np.ascontiguousarray(task.load_kwh[self.steps])
        self._pv = np.ascontiguousarray(task.pv_kwh[self.steps])
        self._numbers = Numbers.of(task.plant, task.grid.step_h)
        self._slot = (task.grid.minute_of_day // task.grid.step_minutes)[self.steps]
        self._set = self._day_set_of_step(task)
        self._out = np.zeros((OVERLOAD + 1, len(self.steps)))
        self._rows: dict[Draft, tuple[float, ...]] = {}
        self._known: dict[Drafts, float] = {}
        self._default = order_row(None, task.plant, task.grid.step_h, task.plant.low_kwh)
        self.start_kwh = self._entry_level(task)

    def _day_set_of_step(self, task: Task) -> IntArray:
        of_weekday = np.zeros(7, dtype=np.int64)
        for number, weekdays in enumerate(self.controls.day_sets().values()):
            of_weekday[list(weekdays)] = number
        return np.asarray(of_weekday[task.grid.weekday[self.steps]])

    def _entry_level(self, task: Task) -> float:
        first = int(self.steps[0]) if len(self.steps) else 0
        return float(task.plan_stored_kwh[first - 1]) if first else task.start_kwh

    @property
    def day_sets(self) -> int:
        """Number of day sets."""
        return len(self.controls.day_sets())

    def mask_of_day_set(self, number: int) -> BoolArray:
        """Return the steps of the whole grid that lie in this season and a day set, shape (T,)."""
        mask = np.zeros(self.task.grid.count, dtype=bool)
        mask[self.steps[self._set == number]] = True
        return mask

    def cost(self, drafts: Drafts) -> float:
        """Return the cost of windows on this season's steps, with a small sum for each window."""
        if drafts in self._known:
            self.work += LOOK_UP_WORK
        else:
            self.work += 1.0
            self._known[drafts] = self._replayed(drafts)
        return self._known[drafts] + self.min_worth * sum(map(len, drafts))

    def _replayed(self, drafts: Drafts) -> float:
        self.replays += 1
        rows = [self._default]
        step = self.task.grid.step_minutes
        faces = np.zeros((self.day_sets, clock_slots(step)), dtype=np.int64)
        for face, part in zip(faces, drafts, strict=True):
            for draft in part:
                begin, end = draft.begin // step, (draft.begin + draft.length) // step
                face[begin:end] = len(rows)
                face[: max(end - len(face), 0)] = len(rows)
                rows.append(self._row(draft))
        orders = faces[self._set, self._slot]
        return float(
            score(self._load, self._pv, np.array(rows), orders, self._numbers, self.start_kwh,
                  self._out, self.pricing)
        )  # fmt: skip

    def _row(self, draft: Draft) -> tuple[float, ...]:
        if draft not in self._rows:
            window = window_of(draft, self.task.plant, self.controls)
            plant, h = self.task.plant, self.task.grid.step_h
            self._rows[draft] = order_row(window, plant, h, plant.low_kwh)
        return self._rows[draft]


def window_of(draft: Draft, plant: Plant, controls: Controls) -> Window:
    """Return the window of a draft; a power limit that cannot bind is left out."""
    whole = draft.length == MINUTES_PER_DAY
    end = draft.begin + draft.length
    limits: dict[str, float] = {}
    if draft.action == "charge":
        limits = {"until_pct": draft.level_pct, "grid_kw": draft.power_kw}
    elif draft.action == "cover":
        limits = {"down_to_pct": draft.level_pct}
    elif draft.action == "sell":
        limits = {"down_to_pct": draft.level_pct, "power_kw": draft.power_kw}
    most = {"charge": plant.charge_kw / plant.to_dc_efficiency, "sell": plant.discharge_kw}
    most_kw = min(most.get(draft.action, 0.0), plant.ac_limit_kw)
    if draft.power_kw > max(most_kw - controls.power_step_of(plant.ac_limit_kw), 0.0):
        limits.pop("grid_kw", None)
        limits.pop("power_kw", None)
    if draft.action == "charge" and not plant.may_charge_from_grid:
        limits["grid_kw"] = 0.0
    if math.isfinite(draft.cap_kw):
        limits["import_cap_kw"] = draft.cap_kw
    return Window(
        start="00:00" if whole else clock(draft.begin),
        end="24:00" if whole else clock(end % MINUTES_PER_DAY or MINUTES_PER_DAY),
        action=draft.action,  # type: ignore[arg-type]
        **{key: round(value, 9) for key, value in limits.items()},
    )


def multiples_between(step: float, low: float, high: float) -> FloatArray:
    """Return the multiples of a step from low to high, or the one above where none lies between."""
    first = math.ceil(low / step - 1e-9)
    last = max(math.floor(high / step + 1e-9), first)
    return np.round(np.arange(first, last + 1) * step, 9)
