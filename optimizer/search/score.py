"""One group of months in several plausible years: what windows come to there.

The score of windows is what they change about the cost of each year, compared with no windows:
mostly the mean over the years, and some of the mean over the worst of them. An entry must earn its
keep: a small sum is counted for each that a person has to type in, so that fewer win when the money is
the same. Where settings are in use, only what differs from them has to be typed.

The search sees one season. What other seasons add to a ratchet or a bank is taken from the plan's
flows there at first, which are better than windows can be; where a part of the cost joins
seasons, each is then searched once more with the replays of the other seasons' windows.

One year first. A neighbour that looks worse in the metered year alone is not run through the
others; most are, so a neighbour costs little more than one replay.

Windows that order the same at all times cost the same, however they are told: each is replayed once. That
was a quarter of all replays of the first demo. All count as work, so that the same windows are found.

A window must earn its keep: the search counts 0.5 % of the possible saving for each, so fewer win
ties.

Read next: ``neighbours``.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from optimizer.base import parallel as workers
from optimizer.base.flows import Flows
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.cost.expression import LinearCost
from optimizer.cost.prices import Prices
from optimizer.forecasting.weeks import Year
from optimizer.scenario.horizon import Horizon
from optimizer.search.drafts import Draft, Drafts, Part
from optimizer.search.pricing import pricing_of, softened
from optimizer.search.score_kernel import LANES, Pricing, score_many
from optimizer.search.stored import Stored
from optimizer.settings.controls import Controls
from optimizer.settings.menu import Outside
from optimizer.settings.windows import clock_of
from optimizer.simulation.replay import NO_WINDOW, OrderTable, Row, order_row
from optimizer.simulation.step import Numbers
from optimizer.site.equipment import Plant

MIN_WORTH_SHARE = 0.005
"""A window must save at least this share of what the plan could save in its season."""

TAIL_SHARE = 1 / 3
"""The worst years that make up this share of the weight are the tail."""

TAIL_WEIGHT = 0.3
"""How much the mean over the tail counts in a score; the rest is the mean over all years."""

LOOK_UP_WORK = 0.02
"""Work of meeting windows that were scored before, in replays."""

LIMITS = ("limit",)
"""The action of windows that limit the import beside others."""

_Key = tuple[int, ...]
"""What holds when: a number for each pair of day sets. Windows with the same key cost the same."""


def _uncounted(_work: float) -> None:
    """Count no work."""


@dataclass(frozen=True)
class Task:
    """What settings are searched for.

    ``stored_worth`` is the worth of a kWh left at the end, ``can_save`` the money between no windows
    and the plan. ``worth_typing`` is what each window must save over the forecast to be
    recommended. [money] ``count`` is told of work done, in replays of a year.
    """

    horizon: Horizon
    controls: Controls
    cost: LinearCost
    plan_flows: Flows
    plan_stored_kwh: FloatArray
    prices: Prices
    stored_worth: float
    can_save: float
    worth_typing: float = 0.0
    count: Callable[[float], None] = _uncounted

    @property
    def plant(self) -> Plant:
        """The equipment."""
        return self.horizon.plant

    @property
    def grid(self) -> TimeGrid:
        """The T steps."""
        return self.horizon.grid

    def stored(
        self, months: list[int] | tuple[int, ...], ruled: Sequence[int] | None = None
    ) -> Stored:
        """Return what menu and rules take for some months; rules of ``ruled`` months, else of the same."""
        floor_kwh = self.horizon.floor_kwh(months)
        return Stored(self.controls, self.plant, floor_kwh, ruled or months)


@dataclass(frozen=True)
class InUse:
    """Windows that are typed in already, and what each change to them must earn. [money]"""

    drafts: Drafts
    per_change: float


@dataclass(frozen=True)
class OtherCard:
    """Windows that hold in place of those scored, and where: ``holds`` has shape (K, T)."""

    drafts: Drafts
    holds: BoolArray


class Season:
    """One group of months: its steps, its years, and how to score windows on them.

    Parameters
    ----------
    task : Task
        Equipment, cost and plan.
    months : sequence of int
        Months 1 to 12.
    years : sequence of Year
        K plausible years.
    elsewhere : sequence of Flows
        What is assumed on the other months, of each year or once for all.
    soft_days : int
        If not zero, each highest power is replaced by the mean over so many highest days.
    in_use : InUse, optional
        Windows that are typed in already; nothing is without it.
    other : OtherCard, optional
        What holds in some steps of each year in place of the windows scored.
    """

    def __init__(
        self,
        task: Task,
        months: Sequence[int],
        years: Sequence[Year],
        elsewhere: Sequence[Flows],
        soft_days: int = 0,
        in_use: InUse | None = None,
        other: OtherCard | None = None,
    ) -> None:
        self.task = task
        self.soft_days = soft_days
        self.in_use = in_use
        self.other = other
        self.controls = task.controls
        self.stored = task.stored(list(months), None if in_use is None else range(1, 13))
        self.months = list(months)
        self.floor_kwh = task.horizon.floor_kwh(self.months)
        self.years = list(years)
        inside = np.isin(task.grid.month, self.months)
        self.steps = np.flatnonzero(inside).astype(np.int64)
        self.minutes = math.lcm(self.stored.minutes, task.grid.step_minutes)
        self.longest = MINUTES_PER_DAY - (0 if self.stored.menu.whole_day else self.minutes)
        own_worth = MIN_WORTH_SHARE * max(task.can_save, 0.0) * len(self.steps) / task.grid.count
        self.min_worth = own_worth if in_use is None else in_use.per_change
        self.work = 0.0
        self._load = [np.ascontiguousarray(year.load_kwh[self.steps]) for year in years]
        self._pv = [np.ascontiguousarray(year.pv_kwh[self.steps]) for year in years]
        weight = np.array([year.weight for year in years])
        self._weight = weight / weight.sum()
        self._limits = np.ascontiguousarray(task.horizon.limits.kwh[:, self.steps])
        self._numbers = Numbers.of(task.plant, task.grid.step_h)
        self._slots = clock_slots(task.grid.step_minutes)
        self._set, self._pairs, pair = self._day_sets_of_step(task)
        self._face_of_step = self._faces_of_steps(pair)
        self._rooms = threading.local()
        self._orders = OrderTable(self._row_outside("cover"))
        outside = self.stored.menu.outside
        self._outside = 0 if outside == "cover" else self._orders.add(self._row_outside(outside))
        self._row_of: dict[Draft, int] = {}
        self._order_of: dict[tuple[object, ...], tuple[float, ...]] = {}
        self._face_of: dict[tuple[Part, Part, int], int] = {}
        self._face_number: dict[bytes, int] = {}
        self._face_rows: list[IntArray] = []
        self._known: dict[Drafts, float] = {}
        self._cost_of: list[dict[_Key, float]] = [{} for _ in years]
        self.start_kwh = self._entry_level(task)
        self.look_elsewhere(elsewhere)

    def look_elsewhere(self, elsewhere: Sequence[Flows]) -> None:
        """Take what is assumed on the other months anew, and forget all scores."""
        flows = list(elsewhere) if len(elsewhere) > 1 else [*elsewhere] * len(self.years)
        task, known = self.task, dict[int, Pricing]()
        for each in flows:
            if id(each) not in known:
                pricing = pricing_of(task.cost, each, task.plant, task.stored_worth, self.steps)
                known[id(each)] = softened(pricing, self.soft_days) if self.soft_days else pricing
        self.elsewhere = list(elsewhere)
        self._pricing = [known[id(each)] for each in flows]
        self._known.clear()
        for cost_of in self._cost_of:
            cost_of.clear()
        self._plain = np.zeros(len(self.years))
        self._plain = self.costs([self.empty])[0]

    def _day_sets_of_step(self, task: Task) -> tuple[IntArray, list[tuple[int, int]], IntArray]:
        """Return the day set of each step, the pairs of day sets, and the place of each step's pair.

        A pair is the day set of a day, and the one from which windows go on into it after midnight.
        """
        of_weekday = np.zeros(7, dtype=np.int64)
        for number, weekdays in enumerate(self.controls.day_sets().values()):
            of_weekday[list(weekdays)] = number
        before = np.roll(of_weekday, 1) if self.controls.goes_on_next_day else of_weekday
        pairs = sorted(set(zip(of_weekday.tolist(), before.tolist(), strict=True)))
        place = np.array(
            [pairs.index((int(of_weekday[day]), int(before[day]))) for day in range(7)]
        )
        weekday = clock_of(task.grid, summer_time=task.controls.summer_time)[1][self.steps]
        return of_weekday[weekday], pairs, place[weekday]

    def _faces_of_steps(self, pair: IntArray) -> list[IntArray]:
        """Return the place of each step of the season in the faces (day sets by clock slots), each year."""
        grid = self.task.grid
        minute, _ = clock_of(grid, summer_time=self.controls.summer_time)
        face = pair * self._slots + (minute // grid.step_minutes)[self.steps]
        if self.other is None:
            return [face] * len(self.years)
        beyond = len(self._pairs) * self._slots
        return [face + beyond * holds[self.steps] for holds in self.other.holds]

    def _entry_level(self, task: Task) -> float:
        first = int(self.steps[0]) if len(self.steps) else 0
        return float(task.plan_stored_kwh[first - 1]) if first else task.horizon.start_kwh

    @cached_property
    def day_sets(self) -> int:
        """Number of day sets."""
        return len(self.controls.day_sets())

    def accepts(self, part: Sequence[Draft]) -> bool:
        """Tell whether menu and rules take these windows, sorted by their begin, for a day set."""
        return self.stored.accepts(part)

    @property
    def empty(self) -> Drafts:
        """No windows."""
        return ((),) * self.day_sets

    @property
    def base(self) -> Drafts:
        """The windows for which nothing has to be typed: those in use, or none."""
        return self.empty if self.in_use is None else self.in_use.drafts

    def size_of(self, drafts: Drafts) -> int:
        """Return how many entries a person has to type in."""
        return self.stored.changes_between(self.base, drafts)

    def one_less(self, drafts: Drafts) -> list[Drafts]:
        """Return the windows with fewer entries to type, in each way that the controls store."""
        now = self.size_of(drafts)
        fewer = [
            each
            for each in self.stored.with_one_undone(self.base, drafts)
            if self.stored.takes(each) and self.size_of(each) < now
        ]
        return fewer or [self.base] * (drafts != self.base)

    @cached_property
    def typical_cap_kw(self) -> float:
        """A cap to start from: the mean of the plan's peaks, or a little above its mean import. [kW]"""
        flows = self.task.plan_flows
        peaks = [
            float(peak.interval_kw(flows.import_kwh).max())
            for _, peak in self.task.cost.peaks()
            if peak.flow == "import_kwh" and np.isin(peak.steps, self.steps).any()
        ]
        if peaks:
            return max(float(np.mean(peaks)), self.stored.cap_step_kw)
        return float(flows.import_kwh[self.steps].mean()) / flows.grid.step_h + 1.0

    def soft(self, days: int) -> Season:
        """Return the season with each highest power replaced by the mean over the highest days."""
        return Season(
            self.task, self.months, self.years, self.elsewhere, days, self.in_use, self.other
        )

    @property
    def has_peaks(self) -> bool:
        """Whether some of the cost hangs on the highest power."""
        return any(len(pricing.peak_highest) for pricing in self._pricing)

    def mask_of_day_set(self, number: int) -> BoolArray:
        """Return the steps of the whole grid that lie in this season and a day set, shape (T,)."""
        mask = np.zeros(self.task.grid.count, dtype=bool)
        mask[self.steps[self._set == number]] = True
        return mask

    def score(self, drafts: Drafts) -> float:
        """Return the score of windows; less is better, zero is no windows. [money]"""
        return float(self.scores([drafts])[0])

    def scores(self, many: Sequence[Drafts], limit: float = math.inf) -> FloatArray:
        """Return the scores of C sets of windows, shape (C,). [money]

        Those that in the first year alone are not near a score below ``limit`` get infinity.
        """
        result = np.full(len(many), np.nan)
        for place, drafts in enumerate(many):
            if drafts in self._known:
                result[place] = self._known[drafts]
                self.work += LOOK_UP_WORK
        fresh = np.flatnonzero(np.isnan(result))
        if len(fresh):
            result[fresh] = self._fresh_scores([many[int(place)] for place in fresh], limit)
        return result

    def _fresh_scores(self, many: list[Drafts], limit: float) -> FloatArray:
        windows = np.array([self.size_of(drafts) for drafts in many]) * self.min_worth
        changes = np.zeros((len(many), len(self.years)))
        changes[:, 0] = self._costs(many, [0])[:, 0] - self._plain[0]
        near = changes[:, 0] + windows < limit
        if near.any() and len(self.years) > 1:
            rest = list(range(1, len(self.years)))
            chosen = [drafts for drafts, is_near in zip(many, near, strict=True) if is_near]
            changes[near, 1:] = self._costs(chosen, rest) - self._plain[1:]
        result = np.where(near, self.joined(changes) + windows, math.inf)
        for drafts, value in zip(many, result, strict=True):
            if math.isfinite(value):
                self._known[drafts] = float(value)
        return result

    def joined(self, changes: FloatArray) -> FloatArray:
        """Return one score of the changes in K years, shape (C, K): mean, and mean of the tail."""
        worst_first = np.argsort(-changes, axis=1)
        weight = self._weight[worst_first]
        before = np.cumsum(weight, axis=1) - weight
        in_tail = np.clip(TAIL_SHARE - before, 0.0, weight) / TAIL_SHARE
        tail = (np.take_along_axis(changes, worst_first, axis=1) * in_tail).sum(axis=1)
        mean = (changes * self._weight).sum(axis=1)  # "@" rounds otherwise for one than for many
        return np.asarray((1 - TAIL_WEIGHT) * mean + TAIL_WEIGHT * tail)

    def costs(self, many: Sequence[Drafts]) -> FloatArray:
        """Return what C sets of windows cost in each of the K years, shape (C, K). [money]"""
        return self._costs(list(many), list(range(len(self.years))))

    def mean_change(self, drafts: Drafts) -> float:
        """Return what windows change in the mean over the years; no sum for windows. [money]"""
        return float((self.costs([drafts])[0] - self._plain) @ self._weight)

    def mean_cost(self, drafts: Drafts) -> float:
        """Return what windows cost in the mean over the years. [money]"""
        return float(self.costs([drafts])[0] @ self._weight)

    def first_changes(self, many: Sequence[Drafts]) -> FloatArray:
        """Return what windows change in the first year alone, shape (C,). [money]"""
        return np.asarray(self._costs(list(many), [0])[:, 0] - self._plain[0])

    def _costs(self, many: list[Drafts], years: list[int]) -> FloatArray:
        self.work += len(many) * len(years)
        self.task.count(len(many) * len(years) * len(self.steps) / self.task.grid.count)
        keys = [self._key(drafts) for drafts in many]
        alone = workers.is_worker()
        jobs = []
        for year in years:
            known = self._cost_of[year]
            fresh = list(dict.fromkeys(key for key in keys if key not in known))
            each = -(-len(fresh) * len(years) // (1 if alone else workers.WORKERS))
            chunk = max(min(LANES, each), 1)
            jobs += [(year, fresh[first : first + chunk]) for first in range(0, len(fresh), chunk)]
        table = self._orders.rows()

        def run(year: int, fresh: list[_Key]) -> FloatArray:
            imported, exported = self._room()
            result = np.zeros(len(fresh))
            score_many(
                self._load[year], self._pv[year], self._limits, table, self._face_of_step[year],
                self._faces(fresh), self._numbers, self.start_kwh, self._pricing[year],
                imported, exported, result,
            )  # fmt: skip
            return result

        results = workers.side_by_side([partial(run, *job) for job in jobs])
        for (year, fresh), result in zip(jobs, results, strict=True):
            self._cost_of[year].update(zip(fresh, result.tolist(), strict=True))
        known_in = [self._cost_of[year] for year in years]
        return np.array([[known[key] for known in known_in] for key in keys])

    def _room(self) -> tuple[FloatArray, FloatArray]:
        """Return room for imports and exports of this thread's own."""
        if not hasattr(self._rooms, "pair"):
            pair = np.zeros((2, len(self.steps), LANES))
            self._rooms.pair = (pair[0], pair[1])
        return self._rooms.pair  # type: ignore[no-any-return]

    def _faces(self, keys: Sequence[_Key]) -> IntArray:
        """Return the row of the table that holds at each clock slot of each pair of day sets, (C, F)."""
        rows = [self._face_rows[number] for key in keys for number in key]
        return np.concatenate(rows).reshape(len(keys), -1)

    def _key(self, drafts: Drafts) -> _Key:
        """Return the numbers of the faces of each pair of day sets: all that a cost hangs on.

        Those of the other card follow, if there is one.
        """
        key: _Key = ()
        for card in (drafts,) if self.other is None else (drafts, self.other.drafts):
            outside = self._outside if any(card) else 0
            key += tuple(
                [
                    self._face_of_parts(card[number], card[before], outside)
                    for number, before in self._pairs
                ]
            )
        return key

    def _face_of_parts(self, part: Part, before: Part, outside: int) -> int:
        """Return the number of the face of a day with some windows, into which those of another go on."""
        number = self._face_of.get((part, before, outside))
        if number is None:
            face = np.full(self._slots, outside, dtype=np.int64)
            for layer in self.stored.layers:
                self._put(face, part, before, layer)
            if self.stored.limits_beside:
                limits = np.full(self._slots, NO_WINDOW)
                self._put(limits, part, before, LIMITS)
                for slot in np.flatnonzero(limits != NO_WINDOW):
                    face[slot] = self._orders.under(int(face[slot]), int(limits[slot]))
            number = self._face_number.setdefault(face.tobytes(), len(self._face_rows))
            if number == len(self._face_rows):
                self._face_rows.append(face)
            self._face_of[part, before, outside] = number
        return number

    def _put(self, face: IntArray, part: Part, before: Part, layer: Collection[str]) -> None:
        """Write the rows of windows of some actions over what holds at each slot of a day."""
        step = self.task.grid.step_minutes
        for draft in before:
            end = -(-(draft.begin + draft.length) // step)
            if end > len(face) and draft.action in layer:
                face[: end - len(face)] = self._row(draft)
        for draft in part:
            if draft.action in layer:
                begin, end = -(-draft.begin // step), -(-(draft.begin + draft.length) // step)
                face[begin:end] = self._row(draft)

    def _row(self, draft: Draft) -> int:
        row = self._row_of.get(draft)
        if row is None:
            order = self._order(draft)
            # Which of two windows holds that order the same matters only where one may end early.
            key = ("draft", draft) if self._numbers.ends_at_target else ("order", order)
            row = self._orders.add_once(key, order, self._outside)
            self._row_of[draft] = row
        return row

    def _row_outside(self, outside: Outside) -> Row:
        return order_row(None, self.task.plant, self.task.grid.step_h, self.floor_kwh, outside)

    def _order(self, draft: Draft) -> tuple[float, ...]:
        """Return a draft's row; those that differ only in their times have the same."""
        plant, h = self.task.plant, self.task.grid.step_h
        key = (*draft[2:], draft.length == MINUTES_PER_DAY)
        if key not in self._order_of:
            window = self.stored.window_of(draft)
            self._order_of[key] = order_row(
                window, plant, h, self.floor_kwh, self.stored.menu.outside
            )
        return self._order_of[key]
