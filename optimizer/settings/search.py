"""Finds few windows whose replay costs little: local search on the replay, from several starts.

The months are grouped as the tariff groups them; each group is searched on its own days. Starts
are the plan's average day and no windows at all; restarts shake the best found so far. The work is
counted in replayed steps, not in seconds, so the same inputs give the same windows.
Read next: ``reasons``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np

from optimizer.settings.average_day import drafts_of_plan
from optimizer.settings.moves import (
    additions,
    candidates_for,
    changes,
    fitted,
    is_tidy,
    overlap,
    with_part,
)
from optimizer.settings.season import Drafts, Season, Task, window_of
from optimizer.settings.windows import DaySet, SeasonSet, Settings
from optimizer.site.controls import Controls
from optimizer.site.equipment import Plant

STEP_BUDGET = 120_000_000
"""Replayed steps for the whole search; a few seconds on one core."""

ADD_CHANCE = 0.4
"""How often a restart adds a window instead of changing one."""

SEED = 20_260_101


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
        season = Season(task, months)
        best = _Search(season).best()
        progress(number)
        replays += season.replays
        seasons.append(_season_set(months, best, task.plant, task.controls))
    settings = Settings(settings=name, floor_pct=floor_pct, seasons=seasons)
    return Found(settings, replays)


def _season_set(
    months: Sequence[int], drafts: Drafts, plant: Plant, controls: Controls
) -> SeasonSet:
    day_sets = [
        DaySet(days=name, windows=[window_of(draft, plant, controls) for draft in part])  # type: ignore[arg-type]
        for name, part in zip(controls.day_sets(), drafts, strict=True)
    ]
    return SeasonSet(months=list(months), day_sets=day_sets)


class _Search:
    """Local search in one season: descend from each start, then shake the best and descend again."""

    def __init__(self, season: Season) -> None:
        self.season = season
        self.candidates = list(candidates_for(season))
        self.budget = STEP_BUDGET // season.task.grid.count
        self.luck = np.random.default_rng(SEED)

    def best(self) -> Drafts:
        """Return the best windows found within the budget of replays."""
        season = self.season
        empty: Drafts = ((),) * season.day_sets
        if not len(season.steps) or season.controls.windows_per_day == 0:
            return empty
        planned = self._planned()
        starts = [empty, planned] if is_tidy(planned) else [empty]
        best = min((self._descended(start) for start in starts), key=season.cost)
        while self.candidates and season.work < self.budget:
            best = min(best, self._descended(self._shaken(best)), key=season.cost)
        return best

    def _planned(self) -> Drafts:
        """Return the windows of the plan's average day."""
        season, task = self.season, self.season.task
        return tuple(
            tuple(
                fitted(draft, season)
                for draft in drafts_of_plan(
                    task.plan_flows, task.plan_stored_kwh, task.plant, season.controls,
                    season.mask_of_day_set(number),
                )
            )
            for number in range(season.day_sets)
        )  # fmt: skip

    def _descended(self, drafts: Drafts) -> Drafts:
        """Take the first improving move, again and again, until none is left."""
        best, cost = drafts, self.season.cost(drafts)
        while better := self._first_better(best, cost):
            best, cost = better, self.season.cost(better)
        return best

    def _first_better(self, drafts: Drafts, cost: float) -> Drafts | None:
        season = self.season
        for candidate in chain(changes(drafts, season), additions(drafts, season, self.candidates)):
            if season.work >= self.budget:
                return None
            if season.cost(candidate) < cost - 1e-9:
                return candidate
        return None

    def _shaken(self, drafts: Drafts) -> Drafts:
        """Return the drafts after a few random changes or additions."""
        season, luck = self.season, self.luck
        for _ in range(int(luck.integers(2, 5))):
            if luck.random() < ADD_CHANCE:
                number = int(luck.integers(len(drafts)))
                added = self.candidates[int(luck.integers(len(self.candidates)))]
                joined = tuple(sorted((*drafts[number], added)))
                if len(joined) <= season.controls.windows_per_day and not overlap(joined):
                    drafts = with_part(drafts, number, joined)
            elif choices := [*changes(drafts, season)]:
                drafts = choices[int(luck.integers(len(choices)))]
        return drafts


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
