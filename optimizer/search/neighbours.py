"""How windows can be changed a little: one thing of one window, one more, or one less.

Day sets stand in groups; those of one group hold the same windows and are changed together. While
all are in one group the search has half the work, and afterwards each goes its own way.
Read next: ``local_search``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.search.drafts import Draft, Drafts, Part, exchanged, full_power_kw, overlap
from optimizer.search.score import Season

Groups = tuple[tuple[int, ...], ...]
"""Numbers of the day sets that are changed together."""

LARGEST_SHIFT_MINUTES = 240
LARGEST_LEVEL_SHIFT_PCT = 40
CAP_FACTORS = (0.6, 0.8, 0.9, 0.95, 1.05, 1.1, 1.3, 1.7)
POWER_FACTORS = (0.5, 0.7, 0.9, 1.1, 1.4, 2.0)


def together(season: Season) -> Groups:
    """Return all day sets as one group."""
    return (tuple(range(season.day_sets)),)


def apart(season: Season) -> Groups:
    """Return each day set as a group of its own."""
    return tuple((number,) for number in range(season.day_sets))


def with_group(drafts: Drafts, group: tuple[int, ...], part: Part) -> Drafts:
    """Return the drafts with the windows of a group's day sets replaced."""
    return tuple(part if number in group else old for number, old in enumerate(drafts))


def changes(drafts: Drafts, groups: Groups, season: Season) -> Iterator[Drafts]:
    """Yield the drafts with one window changed or dropped, or with a day set's windows copied."""
    for group in groups:
        part = drafts[group[0]]
        for place, draft in enumerate(part):
            others = part[:place] + part[place + 1 :]
            yield with_group(drafts, group, others)
            for changed in variants(draft, season):
                joined = tuple(sorted((*others, changed)))
                if season.accepts(joined):
                    yield with_group(drafts, group, joined)
            yield from _edges_moved(drafts, group, place, season)
        for other in groups:
            if other != group and drafts[other[0]] != part:
                yield with_group(drafts, other, part)
    if len(groups) > 1:
        yield from _twins_changed(drafts, season)


def _edges_moved(
    drafts: Drafts, group: tuple[int, ...], place: int, season: Season
) -> Iterator[Drafts]:
    """Yield the drafts with the edge moved at which a window meets the next one."""
    part = drafts[group[0]]
    draft, following = part[place], part[(place + 1) % len(part)]
    if len(part) < 2 or (draft.begin + draft.length) % MINUTES_PER_DAY != following.begin:
        return
    for shift in _shifts(season.minutes, LARGEST_SHIFT_MINUTES):
        if season.minutes <= min(draft.length + shift, following.length - shift):
            moved = [
                draft._replace(length=draft.length + shift),
                following._replace(
                    begin=(following.begin + shift) % MINUTES_PER_DAY,
                    length=following.length - shift,
                ),
            ]
            kept = [other for other in part if other not in {draft, following}]
            joined = tuple(sorted((*kept, *map(season.within_rules, moved))))
            if season.accepts(joined):
                yield with_group(drafts, group, joined)


def _twins_changed(drafts: Drafts, season: Season) -> Iterator[Drafts]:
    """Yield the drafts with a window that stands in several day sets changed in all of them."""
    for draft in sorted({draft for part in drafts for draft in part}):
        if sum(draft in part for part in drafts) < 2:
            continue
        for changed in (*variants(draft, season), None):
            new = tuple(
                exchanged(part, draft, changed) if draft in part else part for part in drafts
            )
            if all(season.accepts(part) for part in new):
                yield new


def _shifts(step: float, largest: float) -> list[int]:
    """Return multiples of a step by powers of two, both ways, up to a largest change."""
    counts = [2**n for n in range(8) if 2**n * step <= max(largest, step)]
    return [round(sign * count * step) for count in counts for sign in (1, -1)]


def variants(draft: Draft, season: Season) -> Iterator[Draft]:
    """Yield a window with one thing changed, asking for no more than rules allow."""
    return map(season.within_rules, _variants(draft, season))


def _variants(draft: Draft, season: Season) -> Iterator[Draft]:
    """Yield a window with one thing changed: begin, end, both, level, power, cap or action."""
    for shift in _shifts(season.minutes, LARGEST_SHIFT_MINUTES):
        begin = (draft.begin + shift) % MINUTES_PER_DAY
        if season.minutes <= draft.length - shift <= MINUTES_PER_DAY:
            yield draft._replace(begin=begin, length=draft.length - shift)
        if season.minutes <= draft.length + shift <= MINUTES_PER_DAY:
            yield draft._replace(length=draft.length + shift)
        yield draft._replace(begin=begin)
    yield from _level_variants(draft, season)
    yield from _power_variants(draft, season)
    yield from _cap_variants(draft, season)
    for action in season.controls.actions:
        if action != draft.action:
            new = new_draft(draft.begin, draft.length, action, season)
            yield new
            if math.isfinite(draft.cap_kw):
                yield new._replace(cap_kw=draft.cap_kw)


def _level_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    if draft.action == "hold":
        return
    levels = _levels_of(draft.action, season)
    here = int(np.abs(levels - draft.level_pct).argmin())
    step = season.controls.soc_step_pct
    for shift in _shifts(1, LARGEST_LEVEL_SHIFT_PCT / step):
        if 0 <= here + shift < len(levels):
            yield draft._replace(level_pct=float(levels[here + shift]))


def _levels_of(action: str, season: Season) -> FloatArray:
    """Return the levels an action can have; to cover down to the very top would be to hold."""
    return season.levels[:-1] if action == "cover" and len(season.levels) > 1 else season.levels


def _power_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    if draft.action not in {"charge", "sell"}:
        return
    if draft.action == "charge" and not season.task.plant.may_charge_from_grid:
        return
    step = season.power_step_kw
    most = full_power_kw(draft.action, season.task.plant)
    for factor in POWER_FACTORS:
        power = rounded_to(draft.power_kw * factor, step)
        if power <= most and power != draft.power_kw:
            yield draft._replace(power_kw=power)
    if draft.power_kw != most:
        yield draft._replace(power_kw=most)
    if draft.action == "charge" and draft.power_kw:
        yield draft._replace(power_kw=0.0)


def _cap_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    if not season.controls.import_cap:
        return
    step = season.controls.power_step_kw
    if not math.isfinite(draft.cap_kw):
        for factor in (0.7, 1.0, 1.3):
            yield draft._replace(cap_kw=rounded_to(season.typical_cap_kw * factor, step))
        return
    yield draft._replace(cap_kw=math.inf)
    caps = {rounded_to(draft.cap_kw * factor, step) for factor in CAP_FACTORS}
    caps |= {rounded_to(draft.cap_kw + step, step), rounded_to(draft.cap_kw - step, step)}
    for cap in sorted(caps - {draft.cap_kw}):
        yield draft._replace(cap_kw=cap)


def additions(
    drafts: Drafts, groups: Groups, season: Season, candidates: Sequence[Draft]
) -> Iterator[Drafts]:
    """Yield the drafts with one more window in a group, or in all groups at once.

    Windows that stand in the way are dropped. A demand charge that counts every day is lowered only
    by caps on all of them.
    """
    if len(groups) > 1:
        for added in candidates:
            new = tuple(_pushed_in(part, added) for part in drafts)
            if all(season.accepts(part) for part in new):
                yield new
    for group in groups:
        part = drafts[group[0]]
        for added in candidates:
            joined = _pushed_in(part, added)
            if season.accepts(joined):
                yield with_group(drafts, group, joined)


def _pushed_in(part: Part, added: Draft) -> Part:
    """Return a part with one more window, without those that overlap it."""
    kept = [draft for draft in part if not overlap(sorted((draft, added)))]
    return tuple(sorted([*kept, added]))


def candidates_for(season: Season) -> list[Draft]:
    """Return windows to add: every action, some starts and lengths, with and without a cap."""
    stride = max(season.minutes, 120)
    caps = [math.inf]
    if season.controls.import_cap:
        step = season.controls.power_step_kw
        caps += [rounded_to(season.typical_cap_kw * factor, step) for factor in (0.8, 1.1)]
    found: dict[Draft, None] = {}
    for action in season.controls.actions:
        usual = new_draft(0, MINUTES_PER_DAY, action, season)
        levels = _usual_levels(usual, season)
        times = []
        for length in (MINUTES_PER_DAY, 960, 600, 360, 240, 120):
            begins = (0,) if length == MINUTES_PER_DAY else range(0, MINUTES_PER_DAY, stride)
            longer = max(length, season.minutes)
            times += [
                (begin, longer) for begin in begins
                if season.accepts((season.within_rules(usual._replace(begin=begin, length=longer)),))
            ]  # fmt: skip
        for cap in caps:
            if action == "cover" and not math.isfinite(cap) and len(season.levels) < 4:
                continue
            found |= dict.fromkeys(
                season.within_rules(Draft(begin, length, action, level, usual.power_kw, cap))
                for begin, length in times
                for level in levels
            )
    return list(found)


def _usual_levels(draft: Draft, season: Season) -> list[float]:
    """Return a few of the levels that a window's action can have, its own first."""
    if draft.action not in {"charge", "cover"}:
        return [draft.level_pct]
    levels = _levels_of(draft.action, season)
    places = {round(share * (len(levels) - 1)) for share in (0.3, 0.6)}
    return [draft.level_pct, *(float(levels[place]) for place in sorted(places))]


def new_draft(begin: int, length: int, action: str, season: Season) -> Draft:
    """Return a window of an action with the limits that it usually has."""
    levels = _levels_of(action, season)
    middle = levels[len(levels) // 3]
    level = {"charge": levels[-1], "cover": middle, "sell": levels[0], "hold": 0.0}[action]
    plant = season.task.plant
    power = full_power_kw(action, plant)
    if action == "charge" and not plant.may_charge_from_grid:
        power = 0.0
    return Draft(begin, length, action, float(level), power)


def fitted(draft: Draft, season: Season) -> Draft:
    """Return a draft whose times, level and powers are ones that the controls accept."""
    step, cap_step = season.power_step_kw, season.controls.power_step_kw
    begin = round(draft.begin / season.minutes) * season.minutes % MINUTES_PER_DAY
    length = round(draft.length / season.minutes) * season.minutes
    levels = _levels_of(draft.action, season)
    level = float(levels[np.abs(levels - draft.level_pct).argmin()])
    most = full_power_kw(draft.action, season.task.plant)
    power = most if draft.power_kw > most - step else rounded_to(draft.power_kw, step, up=False)
    if draft.action == "charge" and (
        draft.power_kw <= 0 or not season.task.plant.may_charge_from_grid
    ):
        power = 0.0
    cap = draft.cap_kw if season.controls.import_cap else math.inf
    made = Draft(
        begin,
        min(max(length, season.minutes), MINUTES_PER_DAY),
        draft.action,
        0.0 if draft.action == "hold" else level,
        power,
        rounded_to(cap, cap_step) if math.isfinite(cap) else cap,
    )
    return season.within_rules(made)


def fitted_part(part: Sequence[Draft], season: Season) -> Part:
    """Return those windows of a part that the controls accept together, made to fit."""
    kept: list[Draft] = []
    for draft in part:
        if draft.action in season.controls.actions:
            joined = sorted([*kept, fitted(draft, season)])
            if season.accepts(joined):
                kept = joined
    return tuple(kept)


def rounded_to(value: float, step: float, *, up: bool = True) -> float:
    """Return the nearest multiple of a step, at least one step; downward where asked."""
    count = round(value / step) if up else math.floor(value / step + 1e-9)
    return round(max(count, 1) * step, 9)
