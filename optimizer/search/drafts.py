"""Windows while they are searched for: plain tuples, quick to change, to compare and to look up.

Read next: ``stored``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.equipment import Plant


class Draft(NamedTuple):
    """A window while it is searched for; times in minutes of the day, over midnight if need be.

    ``level_pct`` is the state of charge to charge to, or to discharge down to; ``power_kw`` the
    grid's power in ``charge`` and the battery's in ``sell``; ``cap_kw`` is infinite without a cap.
    """

    begin: int
    length: int
    action: str
    level_pct: float
    power_kw: float
    cap_kw: float = math.inf


Part = tuple[Draft, ...]
"""The windows of one day set, in order of time."""

SAME_KW = 1e-6
"""Powers as near as this are the same. [kW]"""

Drafts = tuple[Part, ...]
"""The windows of one season: for each day set its windows."""


def changes_between(before: Drafts, after: Drafts) -> int:
    """Return how many entries differ: changed, added or removed; a window changed counts once."""
    return sum(
        max(len(set(old) - set(new)), len(set(new) - set(old))) if old else len(set(new))
        for old, new in zip(before, after, strict=True)
    )


def with_one_undone(before: Drafts, after: Drafts) -> list[Drafts]:
    """Return the windows after a change with one of its entries as before, in each way.

    A new window is taken out, or an old one put in its place; an old one that is gone comes back
    where there is room.
    """
    found = dict[Drafts, None]()
    for number, (old, new) in enumerate(zip(before, after, strict=True)):
        added = [draft for draft in new if draft not in old]
        gone = [draft for draft in old if draft not in new]
        parts = [exchanged(new, draft, back) for draft in added for back in gone]
        if len(added) > len(gone):
            parts += [exchanged(new, draft, None) for draft in added]
        if len(gone) > len(added):
            parts += [exchanged(new, None, back) for back in gone]
        for part in parts:
            found[(*after[:number], part, *after[number + 1 :])] = None
    return list(found)


def exchanged(part: Part, out: Draft | None, into: Draft | None) -> Part:
    """Return a part with one window taken out, and another put in."""
    kept = [draft for draft in part if draft != out]
    return tuple(sorted(kept if into is None else [*kept, into]))


def not_below(draft: Draft, floor_pct: float) -> Draft:
    """Return a window with no level below a floor, where it could not be drawn to anyway."""
    if draft.action in {"hold", "limit"} or draft.level_pct >= floor_pct:
        return draft
    return draft._replace(level_pct=floor_pct)


def draft_of(window: Window, plant: Plant) -> Draft:
    """Return a window as a draft."""
    lowest, highest = plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh)
    level, power = window.down_to_pct, window.power_kw
    if window.action == "charge":
        level, power = window.until_pct, window.grid_kw
    if level is None:
        level = highest if window.action == "charge" else lowest
    full = plant.full_power_kw(window.action)
    power = full if power is None else min(power, full)
    cap = window.import_cap_kw
    return Draft(
        begin=window.begin,
        length=window.length,
        action=window.action,
        level_pct=0.0 if window.action in {"hold", "limit"} else level,
        power_kw=power,
        cap_kw=math.inf if cap is None else cap,
    )


def drafts_of(
    settings: Settings, months: Sequence[int], controls: Controls, plant: Plant
) -> Drafts:
    """Return the windows that settings hold in most of some months, as drafts of each day set.

    A day set that the settings divide otherwise takes the windows of its first weekday.
    """
    shared = [(len(set(months) & set(season.months)), season) for season in settings.seasons]
    most, season = max(shared, key=lambda pair: pair[0], default=(0, None))
    if season is None or not most:
        return ((),) * len(controls.day_sets())
    return tuple(
        tuple(sorted(draft_of(window, plant) for window in _on(season, weekdays[0]).windows))
        for weekdays in controls.day_sets().values()
    )


def _on(season: SeasonSet, weekday: int) -> DaySet:
    return next(part for part in season.day_sets if weekday in part.weekdays)


def rounded_to(value: float, step: float, *, up: bool = True) -> float:
    """Return the nearest multiple of a step, at least one step; downward where asked."""
    count = round(value / step) if up else math.floor(value / step + 1e-9)
    return round(max(count, 1) * step, 9)
