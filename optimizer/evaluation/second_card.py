"""Whether a second card for days of little sun earns its keep, on weeks that it was not fitted to.

Cards fitted to every other week run through the weeks between, and the other way round, as the first card
does; each evening what is expected of the next day's PV, with the errors of a real forecast, says which of
them holds. Beside it a coin chooses, which shows the dark card as often in each group of months: what two
cards save over the coin is what looking at the sky is worth.

Groups of months in which the rule does not earn its keep by itself there have one card. A second card is
recommended where it saves what each entry beyond those of one card must, and the person's time at every
switch; and more than by the coin. A switch takes two minutes, and an hour counts as much as an entry
(common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from optimizer.base.documents import Source
from optimizer.base.timegrid import BoolArray, TimeGrid
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import AS_METERED, OTHER_YEARS
from optimizer.forecasting.day_ahead import ERROR, day_ahead, pv_of_days, steps_of_days
from optimizer.forecasting.ensemble import Spread
from optimizer.forecasting.weeks import DAYS_PER_YEAR, Variant, Weather
from optimizer.scenario.horizon import Horizon
from optimizer.search.choose import Found
from optimizer.search.fit import years_for
from optimizer.search.score import Task
from optimizer.search.second_card import Cards, cards_of, find_pairs
from optimizer.settings.check import refusals
from optimizer.settings.windows import Settings
from optimizer.simulation.by_turns import replay_by_turns
from optimizer.simulation.replay import replay

SEED = 20_260_121
DRAWS = 2
"""How often errors of the forecast, and the coin, are drawn for each year."""

YEARS = (AS_METERED, AS_METERED, AS_METERED, *OTHER_YEARS[:3])
"""Years in which two cards are judged, for either fold: half of them as metered."""

SWITCH_MINUTES = 2.0
"""What a change of cards takes a person. [min]"""


@dataclass(frozen=True)
class Judged:
    """Savings over no windows in N years of weeks kept back, each of shape (N,). [money]

    ``one`` is of one card, ``two`` of two with a forecast that errs, ``perfect`` with one that does not,
    ``coin`` by chance. ``switches`` is how often cards are changed in a year, in the mean.
    """

    one: tuple[float, ...]
    two: tuple[float, ...]
    coin: tuple[float, ...]
    perfect: tuple[float, ...]
    switches: float


@dataclass(frozen=True)
class SecondCard:
    """What a second card saves on weeks kept back, over one card. [money]

    ``cards`` are fitted to all weeks, None where the second is not recommended. ``per_switch`` is what each
    change of cards a year must save over the forecast, ``per_entry`` each of the ``entries`` beyond those of
    one card.
    """

    judged: Judged
    entries: float
    per_entry: float
    per_switch: float
    cards: Cards | None = None

    @property
    def saves(self) -> float:
        """What two cards save over one, in the mean. [money]"""
        return float(np.mean(self.judged.two) - np.mean(self.judged.one))

    @property
    def spread(self) -> Spread:
        """What two cards save over one in one year in ten, half and nine in ten. [money]"""
        return Spread.of(np.subtract(self.judged.two, self.judged.one))

    @property
    def over_coin(self) -> float:
        """What they save over a choice by chance, in the mean. [money]"""
        return float(np.mean(self.judged.two) - np.mean(self.judged.coin))

    @property
    def perfect(self) -> float:
        """What they would save over one card with a forecast that never errs. [money]"""
        return float(np.mean(self.judged.perfect) - np.mean(self.judged.one))

    @property
    def asked(self) -> float:
        """What a second card must save to be recommended. [money]"""
        return self.entries * self.per_entry + self.judged.switches * self.per_switch

    @property
    def is_worth_it(self) -> bool:
        """Whether it saves what is asked, and more than a coin would."""
        return self.saves > self.asked and self.over_coin > 0


def second_card(
    found: Found, task: Task, weather: Weather, judge: Judge, horizon: Horizon
) -> SecondCard | None:
    """Return whether a second card earns its keep.

    Parameters
    ----------
    found : Found
        The one card, and those fitted to either fold.
    task : Task
        What it was searched for.
    weather : Weather
        The weeks.
    judge : Judge
        The tariff, and the plan of the forecast.
    horizon : Horizon
        The site; only its load and PV are exchanged.

    Returns
    -------
    SecondCard or None
        None without PV, battery or weeks kept back: nothing is tried.
    """
    plant = horizon.plant
    has_battery = plant.charge_kw > 0 and plant.high_kwh > plant.low_kwh
    if not found.fitted_on or not has_battery or not horizon.pv_kwh.any():
        return None
    trial = _Trial(found, task, weather, judge, horizon)
    every = range(len(found.groups))
    alone = [trial.second({group}, YEARS[:1]) for group in every] if len(every) > 1 else []
    worth = {group for group, second in enumerate(alone) if second.is_worth_it}
    kept = worth or set(every)
    second = trial.second(kept, YEARS)
    if not second.is_worth_it:
        return second
    pairs = find_pairs(
        task, years_for(weather, None), found.groups, found.settings, found.per_entry
    )
    cards = cards_of(pairs, task, found.groups, found.settings.settings, kept)
    return replace(
        second, cards=cards if any(cards.below_kwh) and _is_stored(cards, task) else None
    )


class _Trial:
    """Cards fitted to the weeks of either fold, and what they save on those of the other."""

    def __init__(
        self, found: Found, task: Task, weather: Weather, judge: Judge, horizon: Horizon
    ) -> None:
        self.found, self.task, self.weather = found, task, weather
        self.judge, self.horizon = judge, horizon
        self.pairs = [
            find_pairs(task, years_for(weather, fold), found.groups, card, found.per_entry)
            for fold, card in enumerate(found.fitted_on)
        ]

    def second(self, kept: Collection[int], years: Sequence[Variant]) -> SecondCard:
        """Return what two cards come to that are used in some of the groups of months alone."""
        cards = [
            cards_of(pairs, self.task, self.found.groups, "tried", kept) for pairs in self.pairs
        ]
        judged = judged_on_unseen(
            self.found.fitted_on, cards, self.weather, self.judge, self.horizon, years
        )
        entries = float(np.mean([max(each.entries, 0) for each in cards]))
        per_switch = self.task.worth_typing * SWITCH_MINUTES / 60
        return SecondCard(judged, entries, self.found.per_entry, per_switch)


def _is_stored(cards: Cards, task: Task) -> bool:
    """Tell whether the menu takes each of the cards, its most entries over all months included."""
    return not any(
        refusals(card, task.controls, task.plant, Source(Path(), {}))
        for card in (cards.bright, cards.dark)
    )


def judged_on_unseen(
    fitted_on: Sequence[Settings],
    tried: Sequence[Cards],
    weather: Weather,
    judge: Judge,
    horizon: Horizon,
    years: Sequence[Variant],
) -> Judged:
    """Return what cards fitted to the weeks of either fold save on those of the other."""
    rows, changes = list[tuple[float, ...]](), list[int]()
    for fold, (card, cards) in enumerate(zip(fitted_on, tried, strict=True)):
        luck, errors = (np.random.default_rng([SEED, fold, part]) for part in (0, 1))
        for variant in years:
            year = weather.year(variant, 1 - fold, luck)
            there = horizon.with_weather(year.load_kwh, year.pv_kwh)
            none = judge.cost_of(replay(there, there.plain()))
            one = none - judge.cost_of(replay(there, card))
            saved = _saver(cards, there, judge, none)
            actual = pv_of_days(year.pv_kwh, there.grid)
            perfect = saved(cards.dark_days(actual, there.grid))
            for _ in range(DRAWS):
                dark = cards.dark_days(day_ahead(actual, ERROR, errors), there.grid)
                coin = by_chance(dark, cards, there.grid, errors)
                rows.append((one, saved(dark), saved(coin), perfect))
                changes.append(int((dark[1:] != dark[:-1]).sum()))
    one_, two, coin_, perfect_ = (tuple(map(float, column)) for column in zip(*rows, strict=True))
    a_year = DAYS_PER_YEAR / len(horizon.grid.dates)
    return Judged(one_, two, coin_, perfect_, float(np.mean(changes)) * a_year)


def _saver(cards: Cards, there: Horizon, judge: Judge, none: float) -> Callable[[BoolArray], float]:
    """Return a function: what two cards save where the dark one is for some days, shape (D,)."""

    def saved(dark: BoolArray) -> float:
        steps = steps_of_days(dark, there.grid)
        return none - judge.cost_of(replay_by_turns(there, cards.bright, cards.dark, steps))

    return saved


def by_chance(
    dark: BoolArray, cards: Cards, grid: TimeGrid, luck: np.random.Generator
) -> BoolArray:
    """Return as many dark days in each group of months, drawn by lot, shape (D,)."""
    month = np.array([day.month for day in grid.dates])
    drawn = dark.copy()
    for months in cards.groups:
        inside = np.flatnonzero(np.isin(month, months))
        drawn[inside] = luck.permutation(drawn[inside])
    return drawn
