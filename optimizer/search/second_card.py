"""Finds a second card for days of little sun, and the expected yield below which it is used.

The split of days comes first: each local day of each plausible year gets an expected yield with the errors
of a real forecast, and days below a threshold are dark. The card for dark days is then searched with the
first card on all others, then that one with the new card on dark days, and the dark one once more. Found
with the first card as it is, the pair saved a third of what it does so on the first demo: the first card
is a compromise of both skies. Thresholds are quantiles of the yields expected in a group of months, rounded
to a number that a person can remember; each group has its own. Whether they are worth it, weeks kept back
must say: in the years that one card was fitted to, it is at its best.

Read next: ``evaluation.second_card``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
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

QUANTILES = (0.3, 0.5, 0.7)
"""Thresholds tried: on so many of the days the yield expected is less. [1]"""

REPLAYS = (250.0, 250.0, 150.0)
"""Work for the dark card, for the other one, and for the dark one again, for each threshold. [replays]"""

LEAST_GAIN = 0.01
"""Two cards must save so much more than one in the years fitted to. [money]"""

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
class Pair:
    """Two cards of one group of months, and the one card there.

    ``entries`` is how many more a person types in, ``saved`` what they save over one card in the years
    fitted to. [money] One card does where ``below_kwh`` is 0.
    """

    one: Drafts
    bright: Drafts
    dark: Drafts
    below_kwh: float
    entries: int
    saved: float

    def without(self) -> Pair:
        """Return one card for every sky."""
        return Pair(self.one, self.one, self.one, 0.0, 0, 0.0)


def rounded_yield(kwh: float) -> float:
    """Return a yield rounded down to a number that a person can remember. [kWh]"""
    if kwh <= 0:
        return 0.0
    size = 10.0 ** math.floor(math.log10(kwh))
    steps = (share * size for share in (1, 0.5, 0.2, 0.1))
    step = next(step for step in steps if kwh >= ROUNDED_TO * step * (1 - 1e-9))
    return round(math.floor(kwh / step + 1e-9) * step, 9)


def find_pairs(
    task: Task, years: Sequence[Year], groups: MonthGroups, card: Settings, per_entry: float
) -> tuple[Pair, ...]:
    """Find two cards for each group of months that save more than one in plausible years.

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
        What each entry must save that a person types in. [money]
    """
    luck, grid = np.random.default_rng(SEED), task.grid
    expected = [day_ahead(pv_of_days(year.pv_kwh, grid), ERROR, luck) for year in years]
    return tuple(
        side_by_side([
            partial(_best_pair, task, years, months, card, expected, per_entry)
            for months in groups
        ])
    )  # fmt: skip


def cards_of(
    pairs: Sequence[Pair], task: Task, groups: MonthGroups, name: str, kept: Collection[int]
) -> Cards:
    """Return pairs as cards; of groups whose numbers are not ``kept``, one card for every sky."""
    pairs = [pair if n in kept else pair.without() for n, pair in enumerate(pairs)]
    return Cards(
        settings_of(f"{name}, bright days", groups, [pair.bright for pair in pairs], task),
        settings_of(f"{name}, dark days", groups, [pair.dark for pair in pairs], task),
        groups,
        tuple(pair.below_kwh for pair in pairs),
        sum(pair.entries for pair in pairs),
    )


def _best_pair(
    task: Task, years: Sequence[Year], months: Sequence[int], card: Settings,
    expected: Sequence[FloatArray], per_entry: float,
) -> Pair:  # fmt: skip
    """Return the cards of some months that save most once their entries are taken off; or one card."""
    one = drafts_of(card, months, task.controls, task.plant)
    alone = Season(task, months, years, [task.plan_flows])
    addable = candidates_for(alone)
    inside = np.isin([day.month for day in task.grid.dates], months)
    pool = np.concatenate([of_day[inside] for of_day in expected])
    best = Pair(one, one, one, 0.0, 0, 0.0)
    if not addable:
        return best
    found = []
    for kwh in dict.fromkeys(rounded_yield(float(q)) for q in np.quantile(pool, QUANTILES)):
        is_dark = np.array([steps_of_days(of_day < kwh, task.grid) for of_day in expected])
        pair = _pair_below(kwh, alone, one, is_dark, addable, per_entry)
        if kwh and pair.saved > LEAST_GAIN:
            found.append(pair)
    return max(found, key=lambda pair: pair.saved - per_entry * pair.entries, default=best)


def _pair_below(
    kwh: float, alone: Season, one: Drafts, is_dark: BoolArray, addable: Sequence[Draft],
    per_entry: float,
) -> Pair:  # fmt: skip
    """Return two cards for days below a threshold and all others, ``is_dark`` of shape (K, T)."""

    def beside(other: Drafts, holds: BoolArray) -> Season:
        return Season(
            alone.task, alone.months, alone.years, alone.elsewhere, other=OtherCard(other, holds)
        )

    def searched(season: Season, start: Drafts, turn: int) -> Drafts:
        return Search(season, REPLAYS[turn], SEED + turn, addable).best([start], near=True)

    dark = searched(beside(one, ~is_dark), one, 0)
    season = beside(dark, is_dark)
    bright = _thinned(season, searched(season, one, 1), per_entry)
    season = beside(bright, ~is_dark)
    dark = _thinned(season, searched(season, dark, 2), per_entry)
    saved = alone.mean_cost(one) - season.mean_cost(dark)
    entries = season.size_of(bright) + season.size_of(dark) - season.size_of(one)
    return Pair(one, bright, dark, kwh, entries, saved)


def _thinned(season: Season, drafts: Drafts, per_entry: float) -> Drafts:
    """Return windows without the entries that do not save what each must."""
    while fewer := season.one_less(drafts):
        cost, size = season.mean_cost(drafts), season.size_of(drafts)
        best = min(fewer, key=season.mean_cost)
        if season.mean_cost(best) - cost > per_entry * (size - season.size_of(best)):
            break
        drafts = best
    return drafts
