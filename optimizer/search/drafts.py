"""Windows while they are searched for: plain tuples, quick to change, to compare and to look up.

Read next: ``score``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from optimizer.base.units import MINUTES_PER_DAY, clock
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


def entries_of(drafts: Drafts) -> int:
    """Return how many windows a person has to type in."""
    return sum(map(len, drafts))


def changes_between(before: Drafts, after: Drafts) -> int:
    """Return how many entries differ: changed, added or removed; a window changed counts once."""
    return sum(
        max(len(set(old) - set(new)), len(set(new) - set(old)))
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


def overlap(part: Sequence[Draft]) -> bool:
    """Tell whether windows, sorted by their begin, overlap around the clock."""
    for draft, following in pairwise(part):
        if draft.begin + draft.length > following.begin:
            return True
    if len(part) < 2:
        return False
    return part[-1].begin + part[-1].length - MINUTES_PER_DAY > part[0].begin


def not_below(draft: Draft, floor_pct: float) -> Draft:
    """Return a window with no level below a floor, where it could not be drawn to anyway."""
    if draft.action == "hold" or draft.level_pct >= floor_pct:
        return draft
    return draft._replace(level_pct=floor_pct)


def window_of(draft: Draft, plant: Plant, controls: Controls) -> Window:
    """Return the window of a draft; a power limit that cannot bind is left out.

    Where rules limit powers, one is left out only if all that can flow is asked for.
    """
    whole = draft.length == MINUTES_PER_DAY
    end = draft.begin + draft.length
    limits: dict[str, float] = {}
    if draft.action == "charge":
        limits = {"until_pct": draft.level_pct, "grid_kw": draft.power_kw}
    elif draft.action == "cover":
        limits = {"down_to_pct": draft.level_pct}
    elif draft.action == "sell":
        limits = {"down_to_pct": draft.level_pct, "power_kw": draft.power_kw}
    step_kw = SAME_KW if plant.rules else controls.power_step_of(plant.ac_limit_kw)
    if draft.power_kw > max(full_power_kw(draft.action, plant) - step_kw, 0.0):
        limits.pop("grid_kw", None)
        limits.pop("power_kw", None)
    if draft.action == "charge" and not plant.may_charge_from_grid:
        limits["grid_kw"] = 0.0
    if math.isfinite(draft.cap_kw):
        limits["import_cap_kw"] = draft.cap_kw
    return Window(
        start="00:00" if whole else clock(draft.begin),
        end="24:00" if whole else clock(end % MINUTES_PER_DAY or MINUTES_PER_DAY),
        action=draft.action,  # type: ignore[arg-type]
        **{key: round(value, 9) for key, value in limits.items()},
    )


def full_power_kw(action: str, plant: Plant) -> float:
    """Return the power of an action above which a limit does not bind. [kW]"""
    return plant.full_power_kw(action)


def draft_of(window: Window, plant: Plant) -> Draft:
    """Return a window as a draft."""
    lowest, highest = plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh)
    level, power = window.down_to_pct, window.power_kw
    if window.action == "charge":
        level, power = window.until_pct, window.grid_kw
    if level is None:
        level = highest if window.action == "charge" else lowest
    full = full_power_kw(window.action, plant)
    power = full if power is None else min(power, full)
    cap = window.import_cap_kw
    return Draft(
        begin=window.begin,
        length=(window.finish - window.begin - 1) % MINUTES_PER_DAY + 1,
        action=window.action,
        level_pct=0.0 if window.action == "hold" else level,
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
