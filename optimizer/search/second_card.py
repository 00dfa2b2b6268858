"""Finds a second card for days of little sun, and the expected yield below which it is used.

The split of days comes first: each local day of each plausible year gets an expected yield with the errors
of a real forecast, and days below a threshold are dark. The card for dark days is then searched with the
first card on all others, then that one with the new card on dark days, and the dark one once more. Found
with the first card as it is, the pair saved a third of what it does so on the first demo: the first card
is a compromise of both skies. Thresholds are quantiles of the yields expected in a group of months, rounded
to a number that a person can remember; each group has its own, or none where a second card does not earn
what its entries must.

Read next: ``evaluation.second_card``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from optimizer.base.parallel import side_by_side
from optimizer.base.timegrid import BoolArray, FloatArray, TimeGrid
from optimizer.forecasting.day_ahead import ERROR, day_ahead, pv_of_days, steps_of_days
from optimizer.forecasting.weeks import Year
from optimizer.search.drafts import Draft, Drafts, drafts_of
from optimizer.search.fit import MonthGroups, settings_of
from optimizer.search.local_search import Search
from optimizer.search.neighbours import candidates_for
from optimizer.search.score import OtherCard, Season, Task
from optimizer.settings.windows import Settings

SEED = 20_260_120

QUANTILES = (0.3, 0.55)
"""Thresholds tried: on so many of the days the yield expected is less. [1]"""

REPLAYS = (200.0, 200.0, 100.0)
"""Work for the dark card, for the other one, and for the dark one again, for each threshold. [replays]"""

ROUNDED_TO = 5.0
"""A threshold is a whole number of steps of 1, 2 or 5 in some size, and at least so many of them."""


@dataclass(frozen=True)
class Cards:
    """A card for days of little sun, and one for all others.

    ``below_kwh`` says for each group of months below which expected yield of the day the dark card is used;
    0 where one card does for every sky. ``entries`` is how many more a person types in than with one card.
    """

    bright: Settings
    dark: Settings
    groups: MonthGroups
    below_kwh: tuple[float, ...]
    entries: int

    def below_in(self, month: int) -> float:
        """Return below which expected yield of a day in a month the dark card is used. [kWh]"""
        pairs = zip(self.groups, self.below_kwh, strict=True)
        return max((kwh for months, kwh in pairs if month in months), default=0.0)

    def dark_days(self, expected_kwh: FloatArray, grid: TimeGrid) -> BoolArray:
        """Return for which days of a grid the dark card is used, shape (D,); expected as is. [kWh]"""
        below = [self.below_in(day.month) for day in grid.dates]
        return np.asarray(expected_kwh < np.array(below))


@dataclass(frozen=True)
class _Pair:
    """Two cards of one group of months, and what they save over one in the years fitted to. [money]"""

    bright: Drafts
    dark: Drafts
    below_kwh: float
    entries: int
    saved: float


def rounded_yield(kwh: float) -> float:
    """Return a yield rounded to a number that a person can remember. [kWh]"""
    if kwh <= 0:
        return 0.0
    size = 10.0 ** math.floor(math.log10(kwh))
    steps = (share * size for share in (1, 0.5, 0.2, 0.1))
    step = next(step for step in steps if kwh >= ROUNDED_TO * step * (1 - 1e-9))
    return round(round(kwh / step) * step, 9)


def find_cards(
    task: Task, years: Sequence[Year], groups: MonthGroups, card: Settings, per_entry: float
) -> Cards | None:
    """Find two cards that save more than one in plausible years; None if there are none.

    Parameters
    ----------
    task : Task
        Equipment, cost and plan.
    years : sequence of Year
        What the card was fitted to.
    groups : groups of months
        Those of the card.
    card : Settings
        The one card.
    per_entry : float
        What each entry must save that a person types in beyond those of the one card. [money]
    """
    luck, grid = np.random.default_rng(SEED), task.grid
    expected = [day_ahead(pv_of_days(year.pv_kwh, grid), ERROR, luck) for year in years]
    pairs = side_by_side([
        partial(_best_pair, task, years, months, card, expected, per_entry)
        for months in groups
    ])  # fmt: skip
    if not any(pair.below_kwh for pair in pairs):
        return None
    return Cards(
        settings_of(f"{card.settings}, bright days", groups, [p.bright for p in pairs], task),
        settings_of(f"{card.settings}, dark days", groups, [p.dark for p in pairs], task),
        groups,
        tuple(pair.below_kwh for pair in pairs),
        sum(pair.entries for pair in pairs),
    )


def _best_pair(
    task: Task, years: Sequence[Year], months: Sequence[int], card: Settings,
    expected: Sequence[FloatArray], per_entry: float,
) -> _Pair:  # fmt: skip
    """Return the cards of some months that save most beyond what their entries must; or one card twice."""
    one = drafts_of(card, months, task.controls, task.plant)
    alone = Season(task, months, years, [task.plan_flows])
    addable = candidates_for(alone)
    inside = np.isin([day.month for day in task.grid.dates], months)
    pool = np.concatenate([of_day[inside] for of_day in expected])
    found = [_Pair(one, one, 0.0, 0, 0.0)]
    for kwh in dict.fromkeys(rounded_yield(float(q)) for q in np.quantile(pool, QUANTILES)):
        is_dark = np.array([steps_of_days(of_day < kwh, task.grid) for of_day in expected])
        if addable and kwh:
            found.append(_pair_below(kwh, alone, one, is_dark, addable))
    return max(found, key=lambda pair: pair.saved - per_entry * max(pair.entries, 0))


def _pair_below(
    kwh: float, alone: Season, one: Drafts, is_dark: BoolArray, addable: Sequence[Draft]
) -> _Pair:
    """Return two cards for days below a threshold and all others, ``is_dark`` of shape (K, T)."""

    def beside(other: Drafts, holds: BoolArray) -> Season:
        return Season(
            alone.task, alone.months, alone.years, alone.elsewhere, other=OtherCard(other, holds)
        )

    def searched(season: Season, start: Drafts, turn: int) -> Drafts:
        return Search(season, REPLAYS[turn], SEED + turn, addable).best([start], near=True)

    dark = searched(beside(one, ~is_dark), one, 0)
    bright = searched(beside(dark, is_dark), one, 1)
    season = beside(bright, ~is_dark)
    dark = searched(season, dark, 2)
    saved = alone.mean_cost(one) - season.mean_cost(dark)
    entries = season.size_of(bright) + season.size_of(dark) - season.size_of(one)
    return _Pair(bright, dark, kwh, entries, saved)
