"""Chooses season groups, number of windows and margins on days that were not fitted.

Windows are first fitted to every other week and judged on the weeks between, and the other way
round. What does well there decides how the windows that are handed out are fitted to all weeks:
with which groups of months, how many windows, and how much margin on caps and levels.

Near known windows the search starts there alone: no guesses for all day sets together, no soft
peaks. On 75 cases (five sites, five tariffs, batteries of a quarter, of one and a half and of
three times the own), against the search afresh of the same effort (1.9 s of the processor), what
windows save in the years fitted to fell by 0.5 % of the possible saving in the mean (0.74 s),
with soft peaks by 0.8 % (0.79 s), with all guesses by 1.2 % (0.84 s); all medians 0.

Chosen on weeks kept back. Season groups, the number of windows and margins are chosen by what
windows fitted to every other week do on the weeks between; the windows handed out are fitted to
all weeks with these choices. Other month groups than the first must be 15 % better; with half of
the weeks one group for the year looks better than it is.

Unseen weeks decide how many windows are recommended: the number that saves most there once 5 a
year (``worth_typing``, common practice, no published source), or 1 % of the most that any number
saves, is taken off for each. The mean of weeks seen and not seen, which decided before,
recommended numbers that a smaller one beat in the table beside. On half of the weeks too few
windows look best, which is the price: in 20 cells of ``unseen.py`` 12 recommendations change, 11
to fewer windows, three of them where the table contradicted; what 18 cells save on test weeks
falls in the mean by 1.3 % (median 0), at worst from 200 to 177 and from 179 to 161 (composite b,
demand), and rises in four. Windows worth 5 a year together (day-ahead prices) are left out.

Search work is counted in replayed steps, not seconds: the same inputs give the same windows.

Read next: ``evaluation.reasons``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from optimizer.base.parallel import side_by_side
from optimizer.base.timegrid import FloatArray
from optimizer.forecasting.weeks import Weather
from optimizer.scenario.scenario import ENTRY_SHARE
from optimizer.search.drafts import Draft, Drafts
from optimizer.search.fit import (
    Fit,
    MonthGroups,
    fit,
    seasons_of,
    settings_of,
    years_for,
)
from optimizer.search.local_search import Search
from optimizer.search.one_line import own_seasons
from optimizer.search.score import InUse, Season, Task
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings, no_windows

EARNED_SHARE = 0.15
"""Other groups of months than the first must save this share more on unseen days.

With half of the weeks to fit to, one group for the year looks better than it is: at 5 %, a metered
home's demand settings for the whole year were preferred to two seasons that saved half as much again.
"""

EARNED_OF_ALL = 0.04
"""And this share of what the plan could save, over both folds: where little is saved, 15 % of it is luck."""

MARGINS = ((1.0, 0.0), (1.05, 0.0), (1.1, 0.0), (1.2, 0.0), (1.35, 0.0), (1.0, 5.0), (1.1, 5.0),
           (1.0, 10.0), (1.2, 10.0))  # fmt: skip
"""What caps are multiplied by, and by how many per cent points levels to charge to are raised."""

REFINING_REPLAYS = 600
"""Work allowed to settle the windows that are left after one was dropped, in replays."""

LEAST_GAIN = 0.01
"""A size stands on the curve only if it saves this much more than the smaller one. [money]"""

GOING_THERE = 1
"""To go to the equipment at all counts as so many changes of settings in use."""


@dataclass(frozen=True)
class Effort:
    """How much work a search may do, in replays of a year.

    ``fold_replays`` for each group of months on each half of the weeks, ``replays`` for the windows
    that are handed out.
    """

    fold_replays: float
    replays: float


EFFORTS = {
    "quick": Effort(2_000, 6_000),
    "normal": Effort(5_000, 16_000),
    "thorough": Effort(25_000, 240_000),
}

EFFORTS_ALIKE = {
    "quick": Effort(800, 3_000),
    "normal": Effort(2_000, 14_000),
    "thorough": Effort(10_000, 70_000),
}
"""The same where the windows of a case much like it are known."""


@dataclass(frozen=True)
class Size:
    """Windows of one number of entries to type, or of changes to those in use.

    ``seen`` and ``unseen`` are what they save in the mean over the years that they were fitted to,
    and over years of weeks that such windows were not fitted to. [money] ``fitted_on`` holds such
    windows fitted to the weeks of either fold, for judging on the weeks of the other; empty where
    there are too few weeks.
    """

    entries: int
    settings: Settings
    seen: float
    unseen: float | None
    fitted_on: tuple[Settings, ...]

    @property
    def counted_on(self) -> float:
        """What decides: the saving on unseen weeks, or on seen ones if none were kept back. [money]"""
        return self.seen if self.unseen is None else self.unseen


@dataclass(frozen=True)
class Likeness:
    """What the search for one case knows that helps another: month groups, and windows to start from.

    ``windows`` are fitted to all weeks; ``fitted_on`` holds for each of them such windows fitted to
    the weeks of either fold, or nothing where there are too few weeks.
    """

    groups: MonthGroups
    windows: tuple[Settings, ...]
    fitted_on: tuple[tuple[Settings, ...], ...]

    @property
    def has_folds(self) -> bool:
        """Whether windows were fitted to the weeks of either fold."""
        return all(self.fitted_on)

    def on(self, fold: int) -> list[Settings]:
        """Return the windows that were fitted to the weeks of a fold."""
        return [fitted_on[fold] for fitted_on in self.fitted_on]


@dataclass(frozen=True)
class Found:
    """What the search found.

    ``sizes`` is the curve of simplicity, fewest windows first; ``recommended`` and ``chosen`` are
    places on it: the size that is best, and the one that is handed out. ``per_entry`` is what each
    entry had to save over the forecast. [money]
    """

    sizes: tuple[Size, ...]
    recommended: int
    chosen: int
    groups: MonthGroups
    replays: int
    per_entry: float = 0.0

    @property
    def settings(self) -> Settings:
        """The settings to hand out."""
        return self.sizes[self.chosen].settings

    @property
    def fitted_on(self) -> tuple[Settings, ...]:
        """Windows of the size handed out, fitted to the weeks of either fold."""
        return self.sizes[self.chosen].fitted_on

    @property
    def likeness(self) -> Likeness:
        """What a case much like this one can start from."""
        sizes = [self.sizes[place] for place in dict.fromkeys((self.chosen, len(self.sizes) - 1))]
        return Likeness(
            self.groups,
            tuple(size.settings for size in sizes),
            tuple(size.fitted_on for size in sizes),
        )

    def at_most(self, entries: int) -> Found:
        """Return the same, with the largest size of at most some entries to hand out."""
        return replace(self, chosen=_largest(self.sizes, entries))


@dataclass(frozen=True)
class _Trial:
    """Windows fitted to the weeks of one fold, and the seasons of the other's weeks."""

    fitted: Fit
    judges: tuple[Season, ...]
    controls: Controls

    @cached_property
    def by_size(self) -> dict[int, tuple[Drafts, ...]]:
        """The best windows of each size."""
        return _sizes(self.fitted, self.controls)

    def gain_of_lines(self) -> FloatArray:
        """Return how much lower the score of one line is on the unseen weeks, by group of months. [money]"""
        searched = [
            judge.score(part) for judge, part in zip(self.judges, self.fitted.drafts, strict=True)
        ]
        lines = [
            judge.score(part) for judge, part in zip(self.judges, self.fitted.lines, strict=True)
        ]
        return np.subtract(searched, lines)

    def with_lines(self, chosen: Sequence[bool]) -> _Trial:
        """Return the same with one line in place of the windows of some groups of months."""
        return replace(self, fitted=self.fitted.with_lines(chosen))

    @property
    def work(self) -> float:
        """Work done, in replays."""
        return sum(season.work for season in (*self.fitted.seasons, *self.judges))

    def at(self, entries: int) -> tuple[Drafts, ...]:
        """Return the largest windows of at most some entries."""
        return self.by_size[max(size for size in self.by_size if size <= entries)]

    def judged(self, drafts: Sequence[Drafts]) -> float:
        """Return the score of windows on the unseen weeks. [money]"""
        pairs = zip(self.judges, drafts, strict=True)
        return sum(judge.score(part) for judge, part in pairs)

    def change(self, drafts: Sequence[Drafts]) -> float:
        """Return what windows change in the mean over the unseen years. [money]"""
        return _change(self.judges, drafts)


def find_settings(
    task: Task,
    weather: Weather,
    name: str,
    groupings: Sequence[MonthGroups],
    effort: Effort,
    starts: Sequence[Settings] | Likeness = (),
    progress: Callable[[str], None] = lambda _done: None,
    in_use: Sequence[InUse] = (),
) -> Found:
    """Find the windows to hand out, and how many of them are worth their trouble.

    Parameters
    ----------
    task : Task
        Equipment, cost and the plan to start from.
    weather : Weather
        The weeks from which plausible years are made.
    name : str
        What the settings are called.
    groupings : sequence of groups of months
        The tariff's own seasons first; others are taken only if they earn it on unseen weeks.
    effort : Effort
        Work allowed. The same effort gives the same settings.
    starts : sequence of Settings, or Likeness
        Settings to start from, such as those in use; those of a likeness on the weeks that they were
        fitted to.
    progress : callable
        Is told what is being done.
    in_use : sequence of InUse
        For each group of the one grouping the windows that are typed in already: sizes then count
        what is changed about them, and size zero changes nothing.
    """
    replays = 0.0
    if isinstance(starts, Likeness):
        plain, on_fold = starts.windows, [starts.on(fold) for fold in (0, 1)]
    else:
        plain, on_fold = tuple(starts), [list(starts)] * 2
    groups, trials = groupings[0], list[_Trial]()
    if weather.has_folds:
        groupings = [*groupings, *_own_seasons(task, weather, groupings)]
        progress(
            "fitting windows to every other week, with the months grouped in"
            f" {len(groupings)} {'ways' if len(groupings) > 1 else 'way'}"
        )
        every = side_by_side([
            partial(_trial, task, weather, grouping, effort, fold, on_fold[fold], in_use)
            for grouping in groupings
            for fold in (0, 1)
        ])  # fmt: skip
        best = 0.0
        for grouping, *fitted in zip(groupings, every[::2], every[1::2], strict=True):
            lines = _where_lines_do_better(fitted)
            tried = [trial.with_lines(lines) for trial in fitted]
            judged = sum(side_by_side([partial(_best_judged, trial) for trial in tried]))
            replays += sum(trial.work for trial in tried)
            earned = max(EARNED_SHARE * abs(best), EARNED_OF_ALL * task.can_save)
            if not trials or judged < best - earned:
                groups, trials, best = grouping, tried, judged
    progress("fitting windows to all weeks")
    found = _handed_out(task, weather, name, groups, trials, effort, plain, in_use)
    return replace(found, replays=int(found.replays + replays))


def find_alike(task: Task, weather: Weather, name: str, like: Likeness, effort: Effort) -> Found:
    """Find the windows of a case much like one whose windows are known.

    Months are grouped as they are there, and the search starts from its windows: those fitted to the
    weeks of a fold from those fitted to the same weeks, so that weeks kept back stay unseen.
    """
    trials = []
    if weather.has_folds and like.has_folds:
        trials = side_by_side([
            partial(
                _trial, task, weather, like.groups, effort, fold, like.on(fold), (), near=True,
            )
            for fold in (0, 1)
        ])  # fmt: skip
    found = _handed_out(
        task, weather, name, like.groups, trials, effort, like.windows, (), near=True
    )
    return replace(found, replays=int(found.replays + sum(trial.work for trial in trials)))


def _handed_out(  # noqa: PLR0913 - what is searched for, and all that was learnt on folds
    task: Task, weather: Weather, name: str, groups: MonthGroups, trials: Sequence[_Trial],
    effort: Effort, starts: Sequence[Settings], in_use: Sequence[InUse], *, near: bool = False,
) -> Found:  # fmt: skip
    """Fit windows to all weeks, with the margin and the number that do well on weeks kept back."""
    margin = _best_margin(trials) if trials else (1.0, 0.0)
    years = years_for(weather, None)
    again = [*starts, *(trial.fitted.settings("start") for trial in trials)]
    final = fit(task, years, groups, effort.replays, again, in_use=in_use, near=near)
    if trials:
        final = final.with_lines(_where_lines_do_better(trials))
    by_size = _sizes(final, task.controls, margin)
    sizes = tuple(
        Size(
            size,
            settings_of(name, groups, drafts, task)
            if size or in_use or task.horizon.floors
            else no_windows(round(task.plant.soc_pct(task.plant.low_kwh), 9)),
            0.0 - _change(final.seasons, drafts),
            _unseen(trials, size, margin),
            _fitted_on(trials, size, margin, name, groups),
        )
        for size, drafts in sorted(by_size.items())
    )
    per_entry = in_use[0].per_change if in_use else least_per_entry(sizes, task.worth_typing)
    place = _best_change(sizes, per_entry) if in_use else worth_typing(sizes, per_entry)
    work = sum(season.work for season in final.seasons)
    return Found(sizes, place, place, groups, int(work), per_entry)


def least_per_entry(sizes: Sequence[Size], stated: float) -> float:
    """Return what each entry must save: a stated sum, or a share of what the best size saves. [money]"""
    return max(stated, ENTRY_SHARE * max(size.counted_on for size in sizes))


def worth_typing(sizes: Sequence[Size], per_entry: float) -> int:
    """Return the place of the size that saves most once a sum is taken off for each entry.

    So no size is recommended that a smaller one beats, and none whose last entries do not save the sum
    each. Sizes rise, the first has no entries; unseen weeks decide where there are any.
    """
    places = range(len(sizes))
    return max(places, key=lambda n: (sizes[n].counted_on - per_entry * sizes[n].entries, -n))


def _largest(sizes: Sequence[Size], entries: int) -> int:
    """Return the place of the largest size of at most some entries."""
    return max(place for place, size in enumerate(sizes) if size.entries <= entries)


def groupings_for(
    season_of_month: Sequence[str], months: Sequence[int], most: int
) -> list[MonthGroups]:
    """Return groups of months to try: the tariff's own first, then other contiguous ones.

    Parameters
    ----------
    season_of_month : sequence of str
        The tariff's season of each of the twelve months.
    months : sequence of int
        The months that the forecast holds, rising.
    most : int
        How many groups the controls store.
    """
    sunny = dict.fromkeys(range(4, 10), "sunny")
    quarter = {month: str((month % 12) // 3) for month in range(1, 13)}
    ways = [
        _grouped(months, lambda month: season_of_month[month - 1]),
        _grouped(months, lambda month: sunny.get(month, "")),
        _grouped(months, lambda _month: ""),
        _grouped(months, lambda month: quarter[month]),
        _grouped(months, lambda month: (season_of_month[month - 1], sunny.get(month))),
    ]
    if len(ways[0]) == 1:
        ways = [ways[1], ways[0], *ways[2:]]
    return [way for way in dict.fromkeys(ways) if len(way) <= most]


def _grouped(months: Sequence[int], name_of: Callable[[int], object]) -> MonthGroups:
    names = dict.fromkeys(name_of(month) for month in months)
    return tuple(tuple(m for m in months if name_of(m) == name) for name in names)


def _own_seasons(
    task: Task, weather: Weather, groupings: Sequence[MonthGroups]
) -> list[MonthGroups]:
    """Return the groups of months that the load asks for, where months may be grouped freely."""
    if len(groupings) < 2 or max(map(len, groupings)) < 2 or task.horizon.floors:
        return []
    months = sorted(month for group in groupings[0] for month in group)
    own = own_seasons(task, years_for(weather, None), months, groupings)
    return [own] if own and own not in groupings else []


def _trial(
    task: Task, weather: Weather, groups: MonthGroups, effort: Effort, fold: int,
    starts: Sequence[Settings], in_use: Sequence[InUse], *, near: bool = False,
) -> _Trial:  # fmt: skip
    years = years_for(weather, fold)
    fitted = fit(task, years, groups, effort.fold_replays, starts, in_use=in_use, near=near)
    judges = seasons_of(task, groups, years_for(weather, 1 - fold), in_use)
    return _Trial(fitted, judges, task.controls)


def _where_lines_do_better(trials: Sequence[_Trial]) -> list[bool]:
    """Tell of each group of months whether one line does better on weeks kept back than what was searched."""
    gains = np.sum([trial.gain_of_lines() for trial in trials], axis=0)
    lines = zip(*(trial.fitted.lines for trial in trials), strict=True)
    return [
        bool(gain >= 0) and any(map(any, both)) for gain, both in zip(gains, lines, strict=True)
    ]


def _best_judged(trial: _Trial) -> float:
    """Return the best score that any size has on the unseen weeks. [money]"""
    return min(trial.judged(drafts) for drafts in trial.by_size.values())


def _sizes(
    fitted: Fit, controls: Controls, margin: tuple[float, float] = (1.0, 0.0)
) -> dict[int, tuple[Drafts, ...]]:
    """Drop one window after another, the least useful first; return the best of each size.

    Each bears the margin. Sizes that save no more than a smaller one are left out.
    """
    current = list(fitted.drafts)
    chain = {_size(fitted.seasons, current): tuple(current)}
    while _size(fitted.seasons, current):
        _, place, fewer = min(
            (season.score(fewer) - season.score(drafts), place, fewer)
            for place, (season, drafts) in enumerate(zip(fitted.seasons, current, strict=True))
            for fewer in season.one_less(drafts)
        )
        season = fitted.seasons[place]
        current[place] = Search(season, REFINING_REPLAYS, place).improved(fewer)
        chain[_size(fitted.seasons, current)] = tuple(current)
    base = tuple(season.base for season in fitted.seasons)
    kept, least = {0: base}, _change(fitted.seasons, base)
    most = controls.most_entries
    for size, narrow in sorted(chain.items()):
        drafts = _widened(narrow, margin, fitted.seasons)
        change = _change(fitted.seasons, drafts)
        fits = most is None or _entries(fitted.seasons, drafts) <= most
        if size and change < least - LEAST_GAIN and fits:
            kept[size], least = drafts, change
    return kept


def _size(seasons: Sequence[Season], drafts: Sequence[Drafts]) -> int:
    """Return how many entries a person has to type in, over all seasons."""
    return sum(season.size_of(part) for season, part in zip(seasons, drafts, strict=True))


def _entries(seasons: Sequence[Season], drafts: Sequence[Drafts]) -> int:
    """Return how many entries stand in the menu, over all seasons."""
    return sum(season.stored.entries_of(part) for season, part in zip(seasons, drafts, strict=True))


def _change(seasons: Sequence[Season], drafts: Sequence[Drafts]) -> float:
    pairs = zip(seasons, drafts, strict=True)
    return sum(season.mean_change(part) for season, part in pairs)


def _best_change(sizes: Sequence[Size], per_change: float) -> int:
    """Return the place of the size whose changes to settings in use earn most beyond their sum.

    What is counted is the saving on unseen weeks, or the mean with that on weeks seen if it is less: a
    change must earn its sum, and not only where it was fitted.
    """

    def earned(place: int) -> float:
        size, base = sizes[place], sizes[0]
        unseen = size.counted_on - base.counted_on
        sure = min(unseen, (size.seen - base.seen + unseen) / 2)
        return sure - per_change * (size.entries + GOING_THERE * (size.entries > 0))

    return max(range(len(sizes)), key=lambda place: (earned(place), -place))


def _best_margin(trials: Sequence[_Trial]) -> tuple[float, float]:
    """Return the margin with which windows fitted to some weeks do best on the others."""

    def judged(margin: tuple[float, float]) -> float:
        return sum(
            trial.judged(_widened(trial.at(max(trial.by_size)), margin, trial.judges))
            for trial in trials
        )

    return min(MARGINS, key=judged)


def _widened(
    drafts: Sequence[Drafts], margin: tuple[float, float], seasons: Sequence[Season]
) -> tuple[Drafts, ...]:
    """Return windows with caps multiplied, and levels to charge to raised; those in use stay.

    Where the menu would not take them so, because some are in use, all stay.
    """
    widened = []
    for parts, season in zip(drafts, seasons, strict=True):
        wide = tuple(
            tuple(draft if draft in base else _wide(draft, margin, season) for draft in part)
            for part, base in zip(parts, season.base, strict=True)
        )
        widened.append(wide if season.stored.takes(wide) else parts)
    return tuple(widened)


def _wide(draft: Draft, margin: tuple[float, float], season: Season) -> Draft:
    factor, raised = margin
    if np.isfinite(draft.cap_kw) and draft.cap_kw and factor != 1.0:
        draft = draft._replace(cap_kw=season.stored.cap_near(draft.action, draft.cap_kw * factor))
    if draft.action == "charge" and raised:
        levels = season.stored.levels("charge")
        wanted = min(draft.level_pct + raised, float(levels[-1]))
        nearest = float(levels[np.abs(levels - wanted).argmin()])
        draft = draft._replace(level_pct=max(nearest, draft.level_pct))
    return season.stored.within_rules(draft)


def _unseen(trials: Sequence[_Trial], size: int, margin: tuple[float, float]) -> float | None:
    """Return what windows of a size save in the mean over the weeks not fitted to."""
    if not trials:
        return None
    saved = [-trial.change(_widened(trial.at(size), margin, trial.judges)) for trial in trials]
    return float(np.mean(saved))


def _fitted_on(
    trials: Sequence[_Trial], size: int, margin: tuple[float, float], name: str, groups: MonthGroups
) -> tuple[Settings, ...]:
    """Return windows of a size as they were fitted to the weeks of either fold."""
    return tuple(
        settings_of(
            name, groups, _widened(trial.at(size), margin, trial.judges), trial.judges[0].task
        )
        for trial in trials
    )
