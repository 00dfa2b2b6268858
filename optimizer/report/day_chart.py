"""The average day in a few lines of text: how full the battery is, and the windows under it.

Read next: ``text``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY, number
from optimizer.evaluation.typical_day import typical_day
from optimizer.report.wrapping import INSET, LEVELS, cut, filled, padded
from optimizer.settings.windows import DaySet, Window, months_text
from optimizer.workflows.results import Result

SIGNS = {"charge": "▲", "hold": "■", "cover": "▼", "sell": "»", "limit": "|"}
"""What stands for each action; a terminal of few signs has others, see ``cli.streams``."""

SLOTS = 48
"""A sign stands for half an hour, so that a day and its name take less than sixty cells."""

NAME = 10
"""Room for the name of a line. [cells]"""

HOURS = "".join(f"{hour:<6}" for hour in range(0, 24, 3)).rstrip()


def day_chart(result: Result) -> str:
    """Return the average day of each set of months, as text; empty without a battery."""
    if result.scenario.plant.capacity_kwh <= 0:
        return ""
    lines, used = ["THE AVERAGE DAY WITH THESE SETTINGS"], dict[str, None]()
    for months, day_sets in _seasons(result):
        soc_pct = typical_day(
            result.outcome.cases["windows"], result.scenario.plant.capacity_kwh, list(months)
        ).soc_pct
        span = f"{number(float(soc_pct.min()), 0)} to {number(float(soc_pct.max()), 0)} % full"
        lines += [filled(f"{months_text(list(months))}: {span}"), _line("", HOURS)]
        lines.append(_line("level", level_signs(soc_pct)))
        for name, signs in _window_lines(day_sets):
            lines.append(_line(name, signs))
            used |= dict.fromkeys(action for action, sign in SIGNS.items() if sign in signs)
    legend = [f"{LEVELS[0]} empty to {LEVELS[-1]} full"]
    legend += [f"{SIGNS[action]} {action}" for action in used]
    return "\n".join([*lines, filled("; ".join(legend))])


def _seasons(result: Result) -> Iterator[tuple[tuple[int, ...], Sequence[DaySet]]]:
    """Yield the months of the forecast that share windows, and those windows."""
    there = set(result.scenario.forecast.grid.months)
    for season in result.settings.seasons:
        if months := tuple(month for month in season.months if month in there):
            there -= set(months)
            yield months, season.day_sets
    if there:
        yield tuple(month for month in range(1, len(MONTH_NAMES) + 1) if month in there), ()


def level_signs(soc_pct: FloatArray) -> str:
    """Return a sign for each half hour, by how full the battery is. [%]"""
    edges = np.arange(SLOTS + 1) * len(soc_pct) // SLOTS
    means = [soc_pct[first : max(behind, first + 1)].mean() for first, behind in pairwise(edges)]
    return "".join(LEVELS[min(int(pct / 100 * len(LEVELS)), len(LEVELS) - 1)] for pct in means)


def _window_lines(day_sets: Sequence[DaySet]) -> Iterator[tuple[str, str]]:
    for each in day_sets:
        name = "windows" if len(day_sets) == 1 else each.days
        for is_limit in (False, True):
            lane = [window for window in each.windows if (window.action == "limit") == is_limit]
            if lane:
                yield ("limit" if is_limit else name), window_signs(lane)


def window_signs(windows: Sequence[Window]) -> str:
    """Return a sign for each half hour, by the window that holds for most of it."""
    signs = [" "] * SLOTS
    for window in windows:
        held = np.asarray(window.minutes()).reshape(SLOTS, MINUTES_PER_DAY // SLOTS).mean(axis=1)
        for slot in np.flatnonzero(held >= 0.5):
            signs[slot] = SIGNS[window.action]
    return "".join(signs)


def _line(name: str, signs: str) -> str:
    return f"{INSET}{padded(cut(name, NAME - 1), NAME)}{signs}".rstrip()
