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
from optimizer.search.drafts import Draft, Drafts, Part, exchanged, rounded_to
from optimizer.search.score import Season
from optimizer.settings.menu import overlap

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
            yield from _settled(drafts, group, others, season)
            for changed in variants(draft, season):
                joined = tuple(sorted((*others, changed)))
                if season.accepts(joined):
                    lead = changed if changed.action == draft.action else None
                    yield from _settled(drafts, group, joined, season, lead)
            yield from _edges_moved(drafts, group, place, season)
        for other in groups:
            if other != group and drafts[other[0]] != part:
                yield from _settled(drafts, other, part, season)
    if len(groups) > 1:
        yield from _twins_changed(drafts, season)


def _settled(
    drafts: Drafts, group: tuple[int, ...], part: Part, season: Season, lead: Draft | None = None
) -> Iterator[Drafts]:
    """Yield the drafts with the windows of a group's day sets replaced, if the menu takes them."""
    new = season.stored.settled(with_group(drafts, group, part), group[0], lead, drafts)
    if new is not None:
        yield new


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
            joined = tuple(sorted((*kept, *map(season.stored.within_rules, moved))))
            if season.accepts(joined):
                yield from _settled(drafts, group, joined, season)


def _twins_changed(drafts: Drafts, season: Season) -> Iterator[Drafts]:
    """Yield the drafts with a window that stands in several day sets changed in all of them."""
    for draft in sorted({draft for part in drafts for draft in part}):
        held = [number for number, part in enumerate(drafts) if draft in part]
        if len(held) < 2:
            continue
        for changed in (*variants(draft, season), None):
            new = tuple(
                exchanged(part, draft, changed) if draft in part else part for part in drafts
            )
            if all(season.accepts(part) for part in new):
                settled = season.stored.settled(new, held[0], changed, drafts)
                if settled is not None:
                    yield settled


def _shifts(step: float, largest: float) -> list[int]:
    """Return multiples of a step by powers of two, both ways, up to a largest change."""
    counts = [2**n for n in range(8) if 2**n * step <= max(largest, step)]
    return [round(sign * count * step) for count in counts for sign in (1, -1)]


def variants(draft: Draft, season: Season) -> Iterator[Draft]:
    """Yield a window with one thing changed, asking for no more than rules allow."""
    return map(season.stored.within_rules, _variants(draft, season))


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
    for action in season.stored.menu.actions:
        if action != draft.action:
            new = new_draft(draft.begin, draft.length, action, season)
            yield new
            if math.isfinite(draft.cap_kw) and season.stored.has(action, "cap"):
                yield new._replace(cap_kw=season.stored.cap_near(action, draft.cap_kw))


def _level_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    if not season.stored.has(draft.action, "level"):
        return
    levels = _levels_of(draft.action, season)
    here = int(np.abs(levels - draft.level_pct).argmin())
    step = season.stored.level_step_pct(draft.action)
    for shift in _shifts(1, LARGEST_LEVEL_SHIFT_PCT / step):
        if 0 <= here + shift < len(levels):
            yield draft._replace(level_pct=float(levels[here + shift]))


def _levels_of(action: str, season: Season) -> FloatArray:
    """Return the levels an action can have; to cover down to the very top would be to hold."""
    levels = season.stored.levels(action)
    return levels[:-1] if action == "cover" and len(levels) > 1 else levels


def _power_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    if draft.action not in {"charge", "sell"}:
        return
    if draft.action == "charge" and not season.task.plant.may_charge_from_grid:
        return
    stored = season.stored
    most = stored.most_kw(draft.action)
    if stored.has(draft.action, "power"):
        step, least = stored.powers(draft.action).step, stored.least_kw(draft.action)
        for factor in POWER_FACTORS:
            power = rounded_to(draft.power_kw * factor, step)
            if least <= power <= most and power != draft.power_kw:
                yield draft._replace(power_kw=power)
    if draft.power_kw != most:
        yield draft._replace(power_kw=most)
    if draft.action == "charge" and draft.power_kw and stored.takes_no_grid("charge"):
        yield draft._replace(power_kw=0.0)


def _cap_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    stored = season.stored
    if not stored.has(draft.action, "cap"):
        return
    step = stored.caps(draft.action).step
    if not math.isfinite(draft.cap_kw):
        for factor in (0.7, 1.0, 1.3):
            yield draft._replace(
                cap_kw=stored.cap_near(draft.action, season.typical_cap_kw * factor)
            )
        return
    if draft.action != "limit":
        yield draft._replace(cap_kw=math.inf)
    caps = {stored.cap_near(draft.action, draft.cap_kw * factor) for factor in CAP_FACTORS}
    caps |= {stored.cap_near(draft.action, draft.cap_kw + by) for by in (step, -step)}
    if draft.action == "limit" and stored.caps("limit").low == 0:
        caps.add(0.0)
    for cap in sorted(caps - {draft.cap_kw}):
        yield draft._replace(cap_kw=cap)


def sturdier_drafts(drafts: Drafts, number: int, place: int, season: Season) -> Iterator[Drafts]:
    """Yield the drafts with one window that fills more, or longer, under its cap, the fullest first."""
    part = drafts[number]
    draft = part[place]
    may_fill = "charge" in season.stored.menu.actions and season.task.plant.may_charge_from_grid
    if not math.isfinite(draft.cap_kw) or draft.action not in {"charge", "hold"} or not may_fill:
        return
    full = new_draft(draft.begin, draft.length, "charge", season)._replace(cap_kw=draft.cap_kw)
    options = [full._replace(begin=0, length=season.longest), full]
    if draft.action == "charge":
        options += [
            draft._replace(begin=0, length=season.longest),
            draft._replace(level_pct=max(full.level_pct, draft.level_pct)),
            draft._replace(power_kw=max(full.power_kw, draft.power_kw)),
        ]
    others = part[:place] + part[place + 1 :]
    for option in map(season.stored.within_rules, options):
        joined = tuple(sorted((*others, option)))
        if option != draft and season.accepts(joined):
            yield from _settled(drafts, (number,), joined, season, option)


def additions(
    drafts: Drafts, groups: Groups, season: Season, candidates: Sequence[Draft]
) -> Iterator[Drafts]:
    """Yield the drafts with one more window in a group, or in all groups at once.

    Windows that stand in the way are dropped. A demand charge that counts every day is lowered only
    by caps on all of them.
    """
    if len(groups) > 1:
        for added in candidates:
            new = tuple(_pushed_in(part, added, season) for part in drafts)
            if all(season.accepts(part) for part in new):
                settled = season.stored.settled(new, 0, before=drafts)
                if settled is not None:
                    yield settled
    for group in groups:
        part = drafts[group[0]]
        for added in candidates:
            for joined in _joined(part, added, season):
                if season.accepts(joined):
                    yield from _settled(drafts, group, joined, season)


def _joined(part: Part, added: Draft, season: Season) -> Iterator[Part]:
    """Yield a part with one more window in place of others, or cut into them.

    Where the equipment does not cover the building outside its entries, all of a cover window would be
    lost for a short one.
    """
    yield _pushed_in(part, added, season)
    if season.stored.menu.outside != "cover":
        yield from cut_in(part, added, season)


def cut_in(part: Part, added: Draft, season: Season) -> Iterator[Part]:
    """Yield a part with a window cut into those that stand in its way: all that is left, or the longest."""
    rivals = [draft for draft in part if _stands_in_the_way(draft, added, season)]
    if not rivals:
        return
    kept = [draft for draft in part if draft not in rivals]
    left = [piece for draft in rivals for piece in _left_of(draft, added, season)]
    yield tuple(sorted([*kept, added, *left]))
    if len(left) > 1:
        yield tuple(sorted([*kept, added, max(left, key=lambda piece: piece.length)]))


def _left_of(draft: Draft, added: Draft, season: Season) -> list[Draft]:
    """Return what is left of a window where another one is cut into it."""
    first = (added.begin - draft.begin) % MINUTES_PER_DAY
    taken = [(start, start + added.length) for start in (first - MINUTES_PER_DAY, first)]
    edges = [0, *(edge for span in taken for edge in span), draft.length]
    pieces = [
        (max(begin, 0), min(end, draft.length))
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
    ]
    if draft.length == MINUTES_PER_DAY:  # what is left of a whole day hangs together over midnight
        pieces = [(first + added.length, first + MINUTES_PER_DAY)]
    at = [(draft.begin + begin, draft.begin + end) for begin, end in pieces if end > begin]
    if not season.stored.menu.over_midnight:
        at = [
            part
            for begin, end in at
            for part in ((begin, min(end, MINUTES_PER_DAY)), (max(begin, MINUTES_PER_DAY), end))
        ]
    return [
        draft._replace(begin=begin % MINUTES_PER_DAY, length=end - begin)
        for begin, end in at
        if end > begin
    ]


def covered(part: Part, season: Season) -> Part:
    """Return a part whose windows are cut into one that covers the building all day, as far as allowed."""
    whole = new_draft(0, season.longest, "cover", season)
    found: Part = (whole._replace(level_pct=float(season.stored.levels("cover")[0])),)
    for draft in part:
        fits = [joined for joined in cut_in(found, draft, season) if season.accepts(joined)]
        found = fits[0] if fits else found
    return found


def _stands_in_the_way(draft: Draft, added: Draft, season: Season) -> bool:
    layer = next(layer for layer in season.stored.menu.layers if added.action in layer)
    return draft.action in layer and overlap(sorted((draft, added)))


def _pushed_in(part: Part, added: Draft, season: Season) -> Part:
    """Return a part with one more window, without those that overlap it where they may not."""
    kept = [draft for draft in part if not _stands_in_the_way(draft, added, season)]
    return tuple(sorted([*kept, added]))


def candidates_for(season: Season) -> list[Draft]:
    """Return windows to add: every action, some starts and lengths, with and without a cap."""
    stride = max(season.minutes, 120)
    stored = season.stored
    found: dict[Draft, None] = {}
    for action in stored.menu.actions:
        caps = [] if action == "limit" else [math.inf]
        if stored.has(action, "cap"):
            caps += [stored.cap_near(action, season.typical_cap_kw * f) for f in (0.8, 1.1)]
        usual = new_draft(0, MINUTES_PER_DAY, action, season)
        levels = _usual_levels(usual, season)
        times = []
        for length in (MINUTES_PER_DAY, 960, 600, 360, 240, 120):
            begins = (0,) if length == MINUTES_PER_DAY else range(0, MINUTES_PER_DAY, stride)
            longer = min(max(length, season.minutes), season.longest)
            times += [
                (begin, longer) for begin in begins
                if season.accepts((season.stored.within_rules(usual._replace(begin=begin, length=longer)),))
            ]  # fmt: skip
        for cap in caps:
            if action == "cover" and not math.isfinite(cap) and len(stored.levels(action)) < 4:
                continue
            found |= dict.fromkeys(
                season.stored.within_rules(Draft(begin, length, action, level, usual.power_kw, cap))
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
    stored = season.stored
    if action == "limit":
        cap = stored.cap_near(action, season.typical_cap_kw)
        return Draft(begin, length, action, 0.0, 0.0, cap)
    levels = _levels_of(action, season)
    middle = levels[len(levels) // 3]
    level = {"charge": levels[-1], "cover": middle, "sell": levels[0], "hold": 0.0}[action]
    power = stored.most_kw(action)
    if action == "charge" and not season.task.plant.may_charge_from_grid:
        power = 0.0
    return Draft(begin, length, action, float(level), power)


def fitted(draft: Draft, season: Season) -> Draft:
    """Return a draft whose times, level and powers are ones that the controls accept."""
    stored = season.stored
    begin = round(draft.begin / season.minutes) * season.minutes % MINUTES_PER_DAY
    length = round(draft.length / season.minutes) * season.minutes
    levels = _levels_of(draft.action, season)
    level = float(levels[np.abs(levels - draft.level_pct).argmin()])
    power = most = stored.most_kw(draft.action)
    if stored.has(draft.action, "power"):
        step = stored.powers(draft.action).step
        if draft.power_kw <= most - step:
            power = max(rounded_to(draft.power_kw, step, up=False), stored.least_kw(draft.action))
    if draft.action == "charge" and (
        draft.power_kw <= 0 or not season.task.plant.may_charge_from_grid
    ):
        power = 0.0
    has_cap = stored.has(draft.action, "cap") and math.isfinite(draft.cap_kw)
    made = Draft(
        begin,
        min(max(length, season.minutes), season.longest),
        draft.action,
        0.0 if draft.action == "hold" else level,
        power,
        stored.cap_near(draft.action, draft.cap_kw) if has_cap else math.inf,
    )
    return season.stored.within_rules(made)


def fitted_part(part: Sequence[Draft], season: Season) -> Part:
    """Return those windows of a part that the controls accept together, made to fit."""
    kept: list[Draft] = []
    for draft in part:
        if draft.action in season.stored.menu.actions:
            joined = sorted([*kept, fitted(draft, season)])
            if season.accepts(joined):
                kept = joined
    return tuple(kept)
