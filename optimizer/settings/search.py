"""Finds few windows whose replay costs little: local search on the replay, from several starts.

The months are grouped as the tariff groups them; each group is searched on its own days. Starts
are the plan's average day and no windows at all; moves change one thing of one window, add one or
drop one; restarts shake the best found so far. A window must earn its keep: the search counts a
small sum for each, so that fewer windows win when the money is the same. The work is counted in
replayed steps, not in seconds, so the same inputs give the same windows. Read next: ``reasons``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.billing.cost import LinearCost
from optimizer.flows import Flows
from optimizer.settings.average_day import Draft, drafts_of_plan
from optimizer.settings.kernel import OVERLOAD, Numbers, Pricing, score
from optimizer.settings.replay import order_row
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.controls import Controls
from optimizer.site.equipment import Plant
from optimizer.timegrid import BoolArray, FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.units import MINUTES_PER_DAY, clock

STEP_BUDGET = 120_000_000
"""Replayed steps for the whole search; a few seconds on one core."""

MIN_WORTH_SHARE = 0.005
"""A window must save at least this share of what the plan could save in its season."""

LOOK_UP_WORK = 0.05
"""Work of meeting windows that were scored before, in replays."""

ADD_CHANCE = 0.4
"""How often a restart adds a window instead of changing one."""

SEED = 20_260_101

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


@dataclass(frozen=True)
class Found:
    """The settings found, and the work it took."""

    settings: Settings
    replays: int


def find_settings(
    task: Task,
    name: str,
    month_groups: Sequence[Sequence[int]],
    progress: Callable[[int], None] = lambda _done: None,
) -> Found:
    """Search windows for each group of months.

    Parameters
    ----------
    task : Task
        Equipment, forecast, cost and the plan to start from.
    name : str
        What the settings are called.
    month_groups : sequence of sequences of int
        Months 1 to 12; at most as many groups as the controls store.
    progress : callable
        Is told how many groups are done.

    Returns
    -------
    Found
        Settings that the controls accept. Day sets without windows are the equipment as it comes.
    """
    seasons, replays = [], 0
    floor_pct = round(task.plant.soc_pct(task.plant.low_kwh), 9)
    for number, months in enumerate(month_groups, start=1):
        season = _Season(task, months)
        best = _searched(season)
        progress(number)
        replays += season.replays
        seasons.append(_season_set(months, best, task.plant, task.controls))
    settings = Settings(settings=name, floor_pct=floor_pct, seasons=seasons)
    return Found(settings, replays)


def _season_set(
    months: Sequence[int], drafts: Drafts, plant: Plant, controls: Controls
) -> SeasonSet:
    day_sets = [
        DaySet(days=name, windows=[_window(draft, plant, controls) for draft in part])  # type: ignore[arg-type]
        for name, part in zip(controls.day_sets(), drafts, strict=True)
    ]
    return SeasonSet(months=list(months), day_sets=day_sets)


def _window(draft: Draft, plant: Plant, controls: Controls) -> Window:
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
    if draft.power_kw > most.get(draft.action, 0.0) - controls.power_step_kw:
        limits.pop("grid_kw", None)
        limits.pop("power_kw", None)
    if math.isfinite(draft.cap_kw):
        limits["import_cap_kw"] = draft.cap_kw
    return Window(
        start="00:00" if whole else clock(draft.begin),
        end="24:00" if whole else clock(end % MINUTES_PER_DAY or MINUTES_PER_DAY),
        action=draft.action,  # type: ignore[arg-type]
        **{key: round(value, 6) for key, value in limits.items()},
    )


class _Season:
    """One group of months: its steps, its cost, and how to score windows on them."""

    def __init__(self, task: Task, months: Sequence[int]) -> None:
        self.task = task
        self.controls = task.controls
        inside = np.isin(task.grid.month, list(months))
        self.steps = np.flatnonzero(inside).astype(np.int64)
        self.minutes = math.lcm(task.controls.minutes, task.grid.step_minutes)
        self.levels = _multiples(
            task.controls.soc_step_pct,
            task.plant.soc_pct(task.plant.low_kwh),
            task.plant.soc_pct(task.plant.high_kwh),
        )
        self.min_worth = (
            MIN_WORTH_SHARE * max(task.can_save, 0.0) * len(self.steps) / task.grid.count
        )
        self.replays = 0
        self.work = 0.0
        self.budget = STEP_BUDGET // task.grid.count
        self.pricing = _pricing(task, self.steps)
        self.candidates = list(_candidates(self))
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
            window = _window(draft, self.task.plant, self.controls)
            plant, h = self.task.plant, self.task.grid.step_h
            self._rows[draft] = order_row(window, plant, h, plant.low_kwh)
        return self._rows[draft]


def _pricing(task: Task, steps: IntArray) -> Pricing:
    """Return the cost's weights and peaks on some steps of the grid."""
    count = task.grid.count
    place = np.full(count, -1, dtype=np.int64)
    place[steps] = np.arange(len(steps))
    peak_step, peak_interval, hours, of_interval = [], [], [], []
    rates: list[float] = []
    reached: list[float] = []
    intervals = 0
    for rate, peak in task.cost.peaks:
        here = place[peak.steps] >= 0
        if not here.any():
            continue
        peak_step.append(place[peak.steps][here])
        peak_interval.append(peak.interval[here] + intervals)
        hours.append(peak.hours)
        of_interval.append(np.full(len(peak.hours), len(rates)))
        intervals += len(peak.hours)
        rates.append(rate)
        reached.append(peak.at_least_kw)
    plant = task.plant
    allowed = (
        math.inf if plant.cycles_per_day is None else plant.cycles_per_day * plant.capacity_kwh
    )
    return Pricing(
        buy=task.cost.weight("import_kwh", count)[steps],
        sell=-task.cost.weight("export_kwh", count)[steps],
        wear=plant.wear_per_kwh,
        leftover=task.stored_worth,
        peak_step=_joined(peak_step),
        peak_interval=_joined(peak_interval),
        interval_h=_joined(hours).astype(np.float64),
        interval_peak=_joined(of_interval),
        peak_rate=np.array(rates, dtype=np.float64),
        peak_reached=np.array(reached, dtype=np.float64),
        day=task.grid.day[steps],
        day_discharge=allowed,
    )


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)


def _searched(season: _Season) -> Drafts:
    """Return the best windows found within the season's budget of replays."""
    empty: Drafts = ((),) * season.day_sets
    if not len(season.steps) or season.controls.windows_per_day == 0:
        return empty
    task = season.task
    planned = tuple(
        tuple(
            _fitted(draft, season)
            for draft in drafts_of_plan(
                task.plan_flows, task.plan_stored_kwh, task.plant, season.controls,
                season.mask_of_day_set(number),
            )
        )
        for number in range(season.day_sets)
    )  # fmt: skip
    starts = [empty, planned] if _is_tidy(planned) else [empty]
    best = min((_descended(season, start) for start in starts), key=season.cost)
    luck = np.random.default_rng(SEED)
    while season.candidates and season.work < season.budget:
        shaken = _shaken(best, season, luck)
        best = min(best, _descended(season, shaken), key=season.cost)
    return best


def _descended(season: _Season, drafts: Drafts) -> Drafts:
    """Take improving moves until none is left or the budget is used up."""
    best, cost = drafts, season.cost(drafts)
    improved = True
    while improved and season.work < season.budget:
        improved = False
        for moves in (_changes, _additions):
            for candidate in moves(best, season):
                if season.work >= season.budget:
                    break
                candidate_cost = season.cost(candidate)
                if candidate_cost < cost - 1e-9:
                    best, cost, improved = candidate, candidate_cost, True
                    break
            if improved:
                break
    return best


def _changes(drafts: Drafts, season: _Season) -> Iterator[Drafts]:
    """Yield the drafts with one window changed or dropped."""
    for number, part in enumerate(drafts):
        for place, draft in enumerate(part):
            others = part[:place] + part[place + 1 :]
            yield _with(drafts, number, others)
            for changed in _variants(draft, season):
                joined = tuple(sorted((*others, changed)))
                if not _overlap(joined):
                    yield _with(drafts, number, joined)


def _variants(draft: Draft, season: _Season) -> Iterator[Draft]:
    for count in (1, -1, 2, -2, 4, -4, 8, -8):
        shift = count * season.minutes
        begin = (draft.begin + shift) % MINUTES_PER_DAY
        if season.minutes <= draft.length - shift <= MINUTES_PER_DAY:
            yield draft._replace(begin=begin, length=draft.length - shift)
        if season.minutes <= draft.length + shift <= MINUTES_PER_DAY:
            yield draft._replace(length=draft.length + shift)
        yield draft._replace(begin=begin)
    yield from _level_variants(draft, season)
    yield from _power_variants(draft, season)
    for action in season.controls.actions:
        if action != draft.action:
            yield _fitted(_new(draft.begin, draft.length, action, season), season)


def _level_variants(draft: Draft, season: _Season) -> Iterator[Draft]:
    if draft.action == "hold":
        return
    levels = _levels_of(draft.action, season)
    here = int(np.abs(levels - draft.level_pct).argmin())
    for count in (1, -1, 2, -2, 4, -4, 8, -8):
        if 0 <= here + count < len(levels):
            yield draft._replace(level_pct=float(levels[here + count]))


def _levels_of(action: str, season: _Season) -> FloatArray:
    """Return the levels an action can have; to cover down to the very top would be to hold."""
    return season.levels[:-1] if action == "cover" and len(season.levels) > 1 else season.levels


def _power_variants(draft: Draft, season: _Season) -> Iterator[Draft]:
    step = season.controls.power_step_kw
    plant = season.task.plant
    if draft.action in {"charge", "sell"}:
        most = plant.charge_kw if draft.action == "charge" else plant.discharge_kw
        for factor in (0.5, 0.7, 0.9, 1.1, 1.4, 2.0):
            power = _rounded(draft.power_kw * factor, step)
            if 0 < power <= most and power != draft.power_kw:
                yield draft._replace(power_kw=power)
        if draft.action == "charge":
            yield draft._replace(power_kw=0.0)
            if draft.power_kw == 0:
                yield draft._replace(power_kw=_rounded(most, step))
    if season.controls.import_cap:
        yield draft._replace(cap_kw=math.inf)
        base = draft.cap_kw if math.isfinite(draft.cap_kw) else _typical_cap(season)
        for factor in (0.6, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.3, 1.7):
            cap = _rounded(base * factor, step)
            if cap != draft.cap_kw:
                yield draft._replace(cap_kw=cap)


def _additions(drafts: Drafts, season: _Season) -> Iterator[Drafts]:
    """Yield the drafts with one window more, for every action, some starts and some lengths."""
    for number, part in enumerate(drafts):
        if len(part) >= season.controls.windows_per_day:
            continue
        for added in season.candidates:
            joined = tuple(sorted((*part, added)))
            if not _overlap(joined):
                yield _with(drafts, number, joined)


def _candidates(season: _Season) -> Iterator[Draft]:
    stride = max(season.minutes, 120)
    caps = [math.inf]
    if season.controls.import_cap:
        caps.append(_rounded(_typical_cap(season), season.controls.power_step_kw))
    for action in season.controls.actions:
        for cap in caps:
            if action == "cover" and not math.isfinite(cap) and len(season.levels) < 4:
                continue
            for length in (MINUTES_PER_DAY, 960, 600, 360, 240, 120):
                begins = (0,) if length == MINUTES_PER_DAY else range(0, MINUTES_PER_DAY, stride)
                for begin in begins:
                    draft = _new(begin, length, action, season)._replace(cap_kw=cap)
                    yield _fitted(draft, season)


def _new(begin: int, length: int, action: str, season: _Season) -> Draft:
    plant = season.task.plant
    middle = float(season.levels[len(season.levels) // 3])
    level = {"charge": season.levels[-1], "cover": middle, "sell": season.levels[0], "hold": 0.0}
    power = plant.charge_kw if action == "charge" else plant.discharge_kw
    return Draft(begin, length, action, float(level[action]), power)


def _typical_cap(season: _Season) -> float:
    """Return a cap to start from: the mean of the plan's peaks, or its mean import."""
    flows = season.task.plan_flows
    peaks = [
        float(peak.interval_kw(flows.import_kwh).max())
        for _, peak in season.task.cost.peaks
        if np.isin(peak.steps[0], season.steps)
    ]
    if peaks:
        return max(float(np.mean(peaks)), season.controls.power_step_kw)
    return float(flows.import_kwh[season.steps].mean()) / flows.grid.step_h + 1.0


def _fitted(draft: Draft, season: _Season) -> Draft:
    """Return a draft whose level and powers are ones that the controls accept."""
    levels = _levels_of(draft.action, season)
    level = float(levels[np.abs(levels - draft.level_pct).argmin()])
    power = _rounded(draft.power_kw, season.controls.power_step_kw, up=False)
    return draft._replace(level_pct=0.0 if draft.action == "hold" else level, power_kw=power)


def _shaken(drafts: Drafts, season: _Season, luck: np.random.Generator) -> Drafts:
    """Return the drafts after a few random changes or additions."""
    for _ in range(int(luck.integers(2, 5))):
        if luck.random() < ADD_CHANCE:
            number = int(luck.integers(len(drafts)))
            added = season.candidates[int(luck.integers(len(season.candidates)))]
            joined = tuple(sorted((*drafts[number], added)))
            if len(joined) <= season.controls.windows_per_day and not _overlap(joined):
                drafts = _with(drafts, number, joined)
        else:
            choices = [*_changes(drafts, season)]
            if choices:
                drafts = choices[int(luck.integers(len(choices)))]
    return drafts


def _with(drafts: Drafts, number: int, part: tuple[Draft, ...]) -> Drafts:
    return (*drafts[:number], part, *drafts[number + 1 :])


def _overlap(part: Sequence[Draft]) -> bool:
    """Tell whether windows, sorted by their begin, overlap around the clock."""
    for draft, following in pairwise(part):
        if draft.begin + draft.length > following.begin:
            return True
    last = part[-1]
    return len(part) > 1 and last.begin + last.length - MINUTES_PER_DAY > part[0].begin


def _is_tidy(drafts: Drafts) -> bool:
    return not any(part and _overlap(part) for part in drafts)


def _multiples(step: float, low: float, high: float) -> FloatArray:
    """Return the multiples of a step from low to high, or the one above where none lies between."""
    first = math.ceil(low / step - 1e-9)
    last = max(math.floor(high / step + 1e-9), first)
    return np.round(np.arange(first, last + 1) * step, 9)


def _rounded(value: float, step: float, *, up: bool = True) -> float:
    """Return the nearest multiple of a step, at least one step; downward where asked."""
    count = round(value / step) if up else math.floor(value / step + 1e-9)
    return round(max(count, 1) * step, 9)


def month_groups(
    season_of_month: Sequence[str], months: Sequence[int], most: int
) -> list[list[int]]:
    """Group months as the tariff's seasons do, or by half-years where it has none.

    Parameters
    ----------
    season_of_month : sequence of str
        The tariff's season of each of the twelve months.
    months : sequence of int
        The months that the forecast holds.
    most : int
        How many groups the controls store.

    Returns
    -------
    list of lists of int
        Months 1 to 12, in groups; together the months of the forecast.
    """
    groups: dict[str, list[int]] = {}
    for month in sorted(months):
        groups.setdefault(season_of_month[month - 1], []).append(month)
    if len(groups) == 1 and len(months) == 12:
        groups = {"half": [*range(4, 10)], "other": [1, 2, 3, 10, 11, 12]}
    if len(groups) > most:
        return [sorted(months)]
    return list(groups.values())
