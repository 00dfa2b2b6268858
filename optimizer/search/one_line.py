"""Windows of one line a season under one cap, as a person types them: tried out, all of them.

Where highest powers are charged, what a search finds in a few months of weeks hangs on single
evenings. One line that holds all day ("charge to 70 %, import at most 1.8 kW") has two numbers to
choose, so it can be tried outright and hardly fits to luck: on eight halves of four homes with demand
at any time such lines saved as much on weeks kept back as the windows of the whole search (1,831 and
1,805), and 1,882 where weeks kept back within the training decided, season by season.

So that a cap does not hang on one evening of the training either, a line counts with those beside it:
an office's one line then saved 2,690 instead of 2,287 in two halves, homes the same.

The same lines tell the seasons of the load itself: each month's cost of each line once, then all
ways to cut the year in two.

Read next: ``fit``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from optimizer.base.timegrid import FloatArray
from optimizer.forecasting.weeks import Year
from optimizer.search.drafts import Draft, Drafts, Part
from optimizer.search.neighbours import new_draft
from optimizer.search.score import Season, Task

LEVELS_PCT = (50, 60, 70, 80, 90, 100)
"""Levels to charge to that are tried."""

CAP_FACTORS = tuple(np.geomspace(0.4, 4.0, 32))
"""Caps that are tried, as factors of the mean of the plan's peaks, which no windows reach."""

NEAR_CAPS = 2
"""A line counts as much as the mean of those with so many caps on either side: 16 %."""

CLEARLY = 0.05
"""Own seasons must save so much more than the others in the years seen to be tried on folds."""

MONTHS = range(1, 13)

Grid = list[list[Drafts | None]]
"""Windows of one action by cap and level; None where the menu does not take them."""


def lines(season: Season, factors: Sequence[float] = CAP_FACTORS) -> list[Grid]:
    """Return windows of one line for all days by cap and level, of each action that can hold a cap."""
    return [
        [
            [
                _line(draft, level, season.typical_cap_kw * factor, season)
                for level in _levels(draft, season)
            ]
            for factor in factors
        ]
        for draft in whole_days(season)
    ]


def _line(draft: Draft, level: float, cap_kw: float, season: Season) -> Drafts | None:
    part = under_a_cap(draft._replace(level_pct=level), cap_kw, season)
    settled = season.stored.settled((part,) * season.day_sets, 0)
    return settled if settled is not None and all(map(season.accepts, settled)) else None


def best_line(season: Season) -> Drafts:
    """Return the line that does best together with those beside it; no windows where none is better.

    There is none where no highest powers are charged, and none about settings in use.
    """
    best, least = season.empty, 0.0
    if not season.has_peaks or season.in_use:
        return best
    for grid in lines(season):
        many = [line or season.empty for row in grid for line in row]
        together = smoothed(season.scores(many).reshape(len(grid), -1)).ravel()
        place = int(together.argmin())
        if together[place] < least:
            best, least = many[place], float(together[place])
    return best


def smoothed(scores: FloatArray) -> FloatArray:
    """Return the means of scores by cap and level, shape (caps, levels), over neighbouring caps.

    The month's highest power hangs on single evenings: of two caps with the same saving the one in the
    middle of good ones holds in other years too. Edges count as going on.
    """
    wide = np.pad(scores, [(NEAR_CAPS, NEAR_CAPS), (0, 0)], "edge")
    means: FloatArray = sliding_window_view(wide, 2 * NEAR_CAPS + 1, axis=0).mean(axis=-1)
    return means


def whole_days(season: Season) -> list[Draft]:
    """Return windows of a whole day, or nearly, under which import can be capped."""
    actions = season.stored.menu.actions
    return [
        new_draft(0, season.longest, action, season)
        for action in actions
        if action in {"charge", "cover", "limit"}
        and ("limit" in actions or season.stored.has(action, "cap"))
    ]


def under_a_cap(draft: Draft, cap_kw: float, season: Season) -> Part:
    """Return a window with a cap of its own, or with a limit beside it."""
    stored = season.stored
    if stored.has(draft.action, "cap"):
        capped = draft._replace(cap_kw=stored.cap_near(draft.action, cap_kw))
        return (stored.within_rules(capped),)
    limit = new_draft(draft.begin, draft.length, "limit", season)
    limit = limit._replace(cap_kw=stored.cap_near("limit", cap_kw))
    return tuple(sorted(map(stored.within_rules, (draft, limit))))


def _levels(draft: Draft, season: Season) -> list[float]:
    """Return levels to try, rising: those to charge to, or the usual one and one in the middle."""
    if draft.action == "limit":
        return [draft.level_pct]
    levels = season.stored.levels(draft.action)
    if draft.action == "charge":
        nearest = (float(levels[np.abs(levels - level).argmin()]) for level in LEVELS_PCT)
        return sorted(dict.fromkeys(nearest))
    return sorted({draft.level_pct, float(levels[len(levels) // 2])})


def own_seasons(
    task: Task,
    years: Sequence[Year],
    months: Sequence[int],
    others: Sequence[Sequence[Sequence[int]]],
) -> tuple[tuple[int, ...], ...] | None:
    """Return the two runs of months that the load itself asks for; None unless lines save clearly more.

    ``others`` are the groups of months that are tried anyway.
    """
    whole = Season(task, months, years, [task.plan_flows])
    if not whole.has_peaks or len(months) < len(MONTHS):
        return None
    grids = lines(whole)
    cost = {month: _changes(task, month, years, grids) for month in months}

    def saved(groups: Sequence[Sequence[int]]) -> float:
        return sum(_saved([cost[month] for month in group], whole) for group in groups)

    runs = [
        tuple(sorted((first + number - 1) % len(MONTHS) + 1 for number in range(length)))
        for first in MONTHS
        for length in range(3, len(MONTHS) // 2 + 1)
    ]
    ways = [(tuple(month for month in months if month not in run), run) for run in runs]
    best = max(ways, key=saved)
    known = max(saved(groups) for groups in others)
    return best if saved(best) > known + CLEARLY * abs(known) and saved(best) > 0 else None


def _changes(
    task: Task, month: int, years: Sequence[Year], grids: Sequence[Grid]
) -> list[FloatArray]:
    """Return what lines change in a month of each year, of each grid, shape (caps, levels, K). [money]"""
    season = Season(task, [month], years, [task.plan_flows])
    none = season.costs([season.empty])
    return [
        (season.costs([line or season.empty for row in grid for line in row]) - none).reshape(
            len(grid), -1, len(years)
        )
        for grid in grids
    ]


def _saved(changes: Sequence[Sequence[FloatArray]], season: Season) -> float:
    """Return what the best line saves in some months together. [money]"""
    best = 0.0
    for grids in zip(*changes, strict=True):
        together = np.sum(grids, axis=0)
        scores = season.joined(together.reshape(-1, together.shape[-1]))
        best = max(best, -float(smoothed(scores.reshape(together.shape[:2])).min()))
    return best
