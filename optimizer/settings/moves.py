"""How windows can be changed a little: one thing of one window, one more, or one less.

Read next: ``search``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from optimizer.settings.average_day import Draft
from optimizer.settings.season import Drafts, Season
from optimizer.timegrid import FloatArray
from optimizer.units import MINUTES_PER_DAY


def changes(drafts: Drafts, season: Season) -> Iterator[Drafts]:
    """Yield the drafts with one window changed or dropped."""
    for number, part in enumerate(drafts):
        for place, draft in enumerate(part):
            others = part[:place] + part[place + 1 :]
            yield with_part(drafts, number, others)
            for changed in _variants(draft, season):
                joined = tuple(sorted((*others, changed)))
                if is_allowed(changed, season) and not overlap(joined):
                    yield with_part(drafts, number, joined)


def _variants(draft: Draft, season: Season) -> Iterator[Draft]:
    for count in (1, -1, 2, -2, 4, -4, 8, -8):
        shift = count * season.minutes
        begin = (draft.begin + shift) % MINUTES_PER_DAY
        if season.minutes <= draft.length - shift <= MINUTES_PER_DAY:
            yield draft._replace(begin=begin, length=draft.length - shift)
        if season.minutes <= draft.length + shift <= MINUTES_PER_DAY:
            yield draft._replace(length=draft.length + shift)
        yield draft._replace(begin=begin)
    yield from _level_variants(draft, season)
    yield from _power_variants(draft, season)
    for action in season.controls.actions:
        if action != draft.action:
            yield fitted(_new(draft.begin, draft.length, action, season), season)


def _level_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    if draft.action == "hold":
        return
    levels = _levels_of(draft.action, season)
    here = int(np.abs(levels - draft.level_pct).argmin())
    for count in (1, -1, 2, -2, 4, -4, 8, -8):
        if 0 <= here + count < len(levels):
            yield draft._replace(level_pct=float(levels[here + count]))


def _levels_of(action: str, season: Season) -> FloatArray:
    """Return the levels an action can have; to cover down to the very top would be to hold."""
    return season.levels[:-1] if action == "cover" and len(season.levels) > 1 else season.levels


def _power_variants(draft: Draft, season: Season) -> Iterator[Draft]:
    step = season.power_step_kw
    plant = season.task.plant
    if draft.action == "sell" or (draft.action == "charge" and plant.may_charge_from_grid):
        most = plant.charge_kw if draft.action == "charge" else plant.discharge_kw
        for factor in (0.5, 0.7, 0.9, 1.1, 1.4, 2.0):
            power = rounded_to(draft.power_kw * factor, step)
            if 0 < power <= most and power != draft.power_kw:
                yield draft._replace(power_kw=power)
        if draft.action == "charge":
            yield draft._replace(power_kw=0.0)
            if draft.power_kw == 0:
                yield draft._replace(power_kw=rounded_to(most, step))
    if season.controls.import_cap:
        yield draft._replace(cap_kw=math.inf)
        base = draft.cap_kw if math.isfinite(draft.cap_kw) else _typical_cap(season)
        for factor in (0.6, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.3, 1.7):
            cap = rounded_to(base * factor, season.controls.power_step_kw)
            if cap != draft.cap_kw:
                yield draft._replace(cap_kw=cap)


def additions(drafts: Drafts, season: Season, candidates: Sequence[Draft]) -> Iterator[Drafts]:
    """Yield the drafts with one of the candidates more, where it fits; then in all day sets at once.

    A demand charge that counts every day is lowered only by caps on all of them.
    """
    for number, part in enumerate(drafts):
        if len(part) >= season.controls.windows_per_day:
            continue
        for added in candidates:
            joined = tuple(sorted((*part, added)))
            if not overlap(joined):
                yield with_part(drafts, number, joined)
    if len(drafts) > 1 and all(len(part) < season.controls.windows_per_day for part in drafts):
        for added in candidates:
            together = tuple(tuple(sorted((*part, added))) for part in drafts)
            if not any(overlap(part) for part in together):
                yield together


def candidates_for(season: Season) -> Iterator[Draft]:
    """Yield windows to add: every action, some starts and some lengths, with and without a cap."""
    stride = max(season.minutes, 120)
    caps = [math.inf]
    if season.controls.import_cap:
        caps.append(rounded_to(_typical_cap(season), season.controls.power_step_kw))
    for action in season.controls.actions:
        for cap in caps:
            if action == "cover" and not math.isfinite(cap) and len(season.levels) < 4:
                continue
            for length in (MINUTES_PER_DAY, 960, 600, 360, 240, 120):
                begins = (0,) if length == MINUTES_PER_DAY else range(0, MINUTES_PER_DAY, stride)
                for begin in begins:
                    draft = _new(begin, length, action, season)._replace(cap_kw=cap)
                    if is_allowed(draft, season):
                        yield fitted(draft, season)


def _new(begin: int, length: int, action: str, season: Season) -> Draft:
    plant = season.task.plant
    middle = float(season.levels[len(season.levels) // 3])
    level = {"charge": season.levels[-1], "cover": middle, "sell": season.levels[0], "hold": 0.0}
    power = plant.charge_kw if action == "charge" else plant.discharge_kw
    return Draft(begin, length, action, float(level[action]), power)


def _typical_cap(season: Season) -> float:
    """Return a cap to start from: the mean of the plan's peaks, or its mean import."""
    flows = season.task.plan_flows
    peaks = [
        float(peak.interval_kw(flows.import_kwh).max())
        for _, peak in season.task.cost.peaks()
        if len(peak.steps) and np.isin(peak.steps[0], season.steps)
    ]
    if peaks:
        return max(float(np.mean(peaks)), season.controls.power_step_kw)
    return float(flows.import_kwh[season.steps].mean()) / flows.grid.step_h + 1.0


def fitted(draft: Draft, season: Season) -> Draft:
    """Return a draft whose level and powers are ones that the controls accept."""
    levels = _levels_of(draft.action, season)
    level = float(levels[np.abs(levels - draft.level_pct).argmin()])
    power = rounded_to(draft.power_kw, season.power_step_kw, up=False)
    if draft.action == "charge" and not season.task.plant.may_charge_from_grid:
        power = 0.0
    return draft._replace(level_pct=0.0 if draft.action == "hold" else level, power_kw=power)


def is_allowed(draft: Draft, season: Season) -> bool:
    """Tell whether the controls store a window at these times."""
    return season.controls.over_midnight or draft.begin + draft.length <= MINUTES_PER_DAY


def with_part(drafts: Drafts, number: int, part: tuple[Draft, ...]) -> Drafts:
    """Return the drafts with the windows of one day set replaced."""
    return (*drafts[:number], part, *drafts[number + 1 :])


def overlap(part: Sequence[Draft]) -> bool:
    """Tell whether windows, sorted by their begin, overlap around the clock."""
    for draft, following in pairwise(part):
        if draft.begin + draft.length > following.begin:
            return True
    last = part[-1]
    return len(part) > 1 and last.begin + last.length - MINUTES_PER_DAY > part[0].begin


def is_tidy(drafts: Drafts) -> bool:
    """Tell whether no windows overlap."""
    return not any(part and overlap(part) for part in drafts)


def rounded_to(value: float, step: float, *, up: bool = True) -> float:
    """Return the nearest multiple of a step, at least one step; downward where asked."""
    count = round(value / step) if up else math.floor(value / step + 1e-9)
    return round(max(count, 1) * step, 9)
