"""Fits windows to plausible years, season by season.

Plausible years instead of one. Windows are scored on four years: the metered one, other weeks of
the same time of the year, these with 20 % more load and 15 % less sun, and with 15 % less load
and 10 % more sun. The score counts what windows *change* against no windows in each year, so that
the tail is the years in which they help least, not those with the largest bill. Tried and left
out, on four demand cells: single days instead of weeks, days shifted by one or three hours, a
heavier tail; all within the noise of the unseen weeks.

Read next: ``choose``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.parallel import side_by_side
from optimizer.base.timegrid import IntArray
from optimizer.cost.expression import LinearCost, Peak
from optimizer.forecasting.weeks import Variant, Weather, Year
from optimizer.search.drafts import Drafts, drafts_of, not_below
from optimizer.search.local_search import Search
from optimizer.search.one_line import best_line
from optimizer.search.score import InUse, Season, Task
from optimizer.settings.windows import DaySet, SeasonSet, Settings
from optimizer.simulation.replay import replay

SEED = 20_260_101

VARIANTS = (
    Variant(0.3, resampled=False),
    Variant(0.3),
    Variant(0.2, load_factor=1.2, pv_factor=0.85),
    Variant(0.2, load_factor=0.85, pv_factor=1.1),
)
"""Years that a search minimises over: as metered, other weeks, more load and less sun, and less load."""

MonthGroups = tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Fit:
    """Windows of each group of months, and the seasons that scored them.

    ``lines`` are the best windows of one line a season; nothing where there are none.
    """

    groups: MonthGroups
    drafts: tuple[Drafts, ...]
    seasons: tuple[Season, ...]
    lines: tuple[Drafts, ...]

    @property
    def score(self) -> float:
        """What the windows change about the cost, over all seasons. [money]"""
        pairs = zip(self.seasons, self.drafts, strict=True)
        return sum(season.score(drafts) for season, drafts in pairs)

    def with_lines(self, chosen: Sequence[bool]) -> Fit:
        """Return the same with one line in place of the windows of some groups of months."""
        drafts = [
            line if is_chosen else searched
            for searched, line, is_chosen in zip(self.drafts, self.lines, chosen, strict=True)
        ]
        return replace(self, drafts=tuple(drafts))

    def settings(self, name: str) -> Settings:
        """Return the windows as settings."""
        return settings_of(name, self.groups, self.drafts, self.seasons[0].task)


def settings_of(name: str, groups: MonthGroups, drafts: Sequence[Drafts], task: Task) -> Settings:
    """Return drafts of each group of months as settings that the equipment stores."""
    everywhere = task.plant.low_kwh
    if not task.controls.floor_by_season:
        everywhere = task.horizon.floor_kwh(task.grid.months)
    floor_pct = round(task.plant.soc_pct(everywhere), 9)
    floors = [round(task.plant.soc_pct(task.horizon.floor_kwh(months)), 9) for months in groups]
    sets = [
        SeasonSet(
            months=list(months),
            floor_pct=floor if floor > floor_pct else None,
            day_sets=[
                DaySet(
                    days=days,  # type: ignore[arg-type]
                    windows=[
                        task.stored(months).window_of(not_below(draft, floor)) for draft in part
                    ],
                )
                for days, part in zip(task.controls.day_sets(), parts, strict=True)
            ],
        )
        for months, floor, parts in zip(groups, floors, drafts, strict=True)
    ]
    return Settings(settings=name, floor_pct=floor_pct, seasons=sets).as_stored(task.controls)


def years_for(
    weather: Weather, fold: int | None, variants: Sequence[Variant] = VARIANTS, seed: int = SEED
) -> list[Year]:
    """Return years made of the weeks of a fold, or of all weeks."""
    luck = np.random.default_rng([seed, 2 if fold is None else fold])
    return [weather.year(variant, fold, luck) for variant in variants]


def fit(
    task: Task,
    years: Sequence[Year],
    groups: MonthGroups,
    replays: float,
    starts: Sequence[Settings] = (),
    seed: int = SEED,
    in_use: Sequence[InUse] = (),
    near: bool = False,
) -> Fit:
    """Search windows for each group of months.

    Parameters
    ----------
    task : Task
        Equipment, cost and the plan to start from.
    years : sequence of Year
        What the windows are fitted to.
    groups : tuple of tuples of int
        Months 1 to 12; at most as many groups as the controls store.
    replays : float
        Work allowed, in replays of all seasons in one year.
    starts : sequence of Settings
        Windows to start from besides those that the plan suggests.
    in_use : sequence of InUse
        For each group the windows typed in already, if there are any.
    near : bool
        Whether the starts are windows of a site much like this one; see ``Search.best``.
    """
    seasons = seasons_of(task, groups, years, in_use)
    coupled = couples(task.cost, [season.steps for season in seasons])
    rounds = 2 if coupled else 1

    def searched(place: int, turn: int, *more: Drafts) -> Drafts:
        stored = seasons[place].stored
        given = [
            stored.kept_to_rules(drafts_of(start, groups[place], task.controls, task.plant))
            for start in starts
        ]
        given = [start for start in given if stored.takes(start)]
        search = Search(seasons[place], replays / rounds, seed + 1000 * place + turn)
        return search.best([*given, *more], near=near)

    drafts = side_by_side([partial(searched, place, 0) for place in range(len(seasons))])
    if coupled:
        for place, season in enumerate(seasons):
            season.look_elsewhere(_replays(task, years, groups, drafts))
            drafts[place] = searched(place, 1, drafts[place])
    lines = [season.empty if near else best_line(season) for season in seasons]
    return Fit(groups, tuple(drafts), seasons, tuple(lines))


def seasons_of(
    task: Task, groups: MonthGroups, years: Sequence[Year], in_use: Sequence[InUse] = ()
) -> tuple[Season, ...]:
    """Return each group of months in some years."""
    habits: Sequence[InUse | None] = in_use or [None] * len(groups)
    return tuple(
        Season(task, months, years, [task.plan_flows], in_use=habit)
        for months, habit in zip(groups, habits, strict=True)
    )


def _replays(
    task: Task, years: Sequence[Year], groups: MonthGroups, drafts: Sequence[Drafts]
) -> list[Flows]:
    settings = settings_of("so far", groups, drafts, task)
    horizons = (task.horizon.with_weather(year.load_kwh, year.pv_kwh) for year in years)
    return [replay(horizon, settings).flows for horizon in horizons]


def couples(cost: LinearCost, seasons: Sequence[IntArray]) -> bool:
    """Tell whether a part of the cost depends on the steps of several seasons."""
    season_of = np.full(cost.count, -1)
    for number, steps in enumerate(seasons):
        season_of[steps] = number
    touched: list[set[int]] = []
    for part in cost.parts:
        if isinstance(part.node, Peak):
            found = set(season_of[part.node.steps].tolist())
        else:
            found = set()
            for form in part.forms:
                for steps, _ in form.weights.values():
                    found |= set(season_of[steps].tolist())
                for number in form.parts:
                    found |= touched[number]
        touched.append(found - {-1})
    return any(len(found) > 1 for found in touched)
