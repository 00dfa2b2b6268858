"""What controls and rules refuse: settings that the equipment cannot hold, or that ask for too much.

Read next: ``simulation.replay``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import inf
from pathlib import Path
from typing import NamedTuple

import numpy as np

from optimizer.base.documents import Source, beginning_of, checked, read_document
from optimizer.base.errors import Mistake, Place, SettingsError, raise_findings
from optimizer.base.units import MINUTES_PER_DAY, number, plain_number, read_clock
from optimizer.settings.controls import Controls
from optimizer.settings.menu import STEP_TOLERANCE, USES, Menu, MenuList, OnceField, Steps
from optimizer.settings.short_text import is_short_text, short_content
from optimizer.settings.windows import (
    KEY_OF,
    DaySet,
    SeasonSet,
    Settings,
    Window,
    WindowPlace,
    refuse_overlap,
)
from optimizer.site.equipment import Plant
from optimizer.site.limits import WAYS_OF_ACTION, WORDS_OF_WAY, Way, allowed_kw

CHANGE = "Change the setting, or 'controls' in the scenario if the equipment can do it."
BY_CONTROLS = "the controls refuse this"
"""What refuses, where no rule does."""


class _Refusal(NamedTuple):
    """One thing that is refused: where it stands, what it is, how to mend it, and by what."""

    where: Place
    what: str
    mend: str = CHANGE
    by: str = BY_CONTROLS


def read_settings(path: Path, controls: Controls, plant: Plant) -> Settings:
    """Read a settings file, or the short text of a handover sheet, and hold it against the controls.

    Parameters
    ----------
    path : Path
        The YAML file, or a file with the short text.
    controls, plant
        What the equipment stores, and the equipment; its AC limit is 100 % of power.

    Returns
    -------
    Settings
        Settings that can be typed in, as the equipment holds them.

    Raises
    ------
    SettingsError
        If it cannot be read, windows overlap, or the controls refuse them.
    """
    settings, source = _document_of(path)
    refuse(settings, controls, plant, source)
    return settings.as_stored(controls)


def _document_of(path: Path) -> tuple[Settings, Source]:
    text = beginning_of(path)
    if not is_short_text(text):
        return read_document(path, Settings, SettingsError)
    try:
        content = short_content(text)
    except Mistake as mistake:
        raise SettingsError(mistake.what, where=path, mend=mistake.mend) from None
    return checked(Source(path, content, text), Settings, SettingsError)


def refuse(settings: Settings, controls: Controls, plant: Plant, source: Source) -> None:
    """Refuse settings that the controls do not take."""
    raise_findings(refusals(settings, controls, plant, source))


def refusals(
    settings: Settings, controls: Controls, plant: Plant, source: Source
) -> list[SettingsError]:
    """Return why the controls refuse the settings; empty if they accept them."""
    return [
        SettingsError(
            f"{refused.by}: {refused.what}",
            where=source.where(refused.where),
            mend=refused.mend,
        )
        for refused in _refused(settings, controls, plant)
    ]


def _refused(settings: Settings, controls: Controls, plant: Plant) -> Iterator[_Refusal]:
    yield from _refused_habits(settings, controls)
    yield from _refused_numbers(settings, controls)
    for s, season in enumerate(settings.seasons):
        yield from _refused_floor(season.floor_pct, settings.floor_pct, s, controls)
        floor_pct = max(settings.floor_pct, season.floor_pct or 0.0)
        for refused in _refused_in_season(season, controls.menu, floor_pct, plant):
            yield refused._replace(where=("seasons", s, "day_sets", *refused.where))
    for place in settings.places() if plant.rules else ():
        where = ("seasons", place.season, "day_sets", place.day_set, "windows", place.window)
        for refused in _refused_by_rules(settings, place, plant):
            yield refused._replace(where=(*where, *refused.where))


def _refused_numbers(settings: Settings, controls: Controls) -> Iterator[_Refusal]:
    """Yield what is too much for all months together."""
    if len(settings.seasons) > controls.season_sets:
        sets = f"{len(settings.seasons)} season sets; the controls store {controls.season_sets}"
        yield _Refusal(("seasons",), f"there are {sets}")
    if controls.most_entries is not None:
        count = settings.entries(controls.menu)
        if count > controls.most_entries:
            what = (
                f"there are {count} windows over all seasons and day sets; the controls store"
                f" {controls.most_entries}"
            )
            yield _Refusal(("seasons",), what)


def _refused_in_season(
    season: SeasonSet, menu: Menu, floor_pct: float, plant: Plant
) -> Iterator[_Refusal]:
    """Yield what is refused in the day sets of a season; each place begins with a day set's number."""
    unknown = [part.days for part in season.day_sets if part.days not in menu.day_sets]
    for d, day_set in enumerate(season.day_sets):
        if day_set.days in unknown:
            what = f"the day set {day_set.days!r} is none of {', '.join(menu.day_sets)}"
            yield _Refusal((d, "days"), what)
        for refused in _refused_together(day_set, menu):
            yield refused._replace(where=(d, *refused.where))
        for w, window in enumerate(day_set.windows):
            for refused in _refused_in_window(window, menu, floor_pct, plant):
                yield refused._replace(where=(d, "windows", w, *refused.where))
    if not unknown:
        yield from _refused_in_common(season, menu)


def _refused_habits(settings: Settings, controls: Controls) -> Iterator[_Refusal]:
    if settings.after_midnight not in {None, controls.after_midnight}:
        what = f"windows over midnight are to go on on the {settings.after_midnight}"
        mend = (
            f"The controls say after_midnight: {controls.after_midnight}; correct one of the two."
        )
        yield _Refusal(("after_midnight",), what, mend)
    if settings.outside not in {None, controls.outside}:
        what = f"outside windows the equipment is to {settings.outside}"
        mend = f"The controls say outside: {controls.outside}; correct one of the two."
        yield _Refusal(("outside",), what, mend)
    ranks = controls.menu.ranks
    if settings.precedence is not None and tuple(settings.precedence) != ranks:
        told = "windows may not overlap" if ranks is None else f"the order is {', '.join(ranks)}"
        what = f"precedence is {', '.join(settings.precedence)}; by the controls {told}"
        yield _Refusal(("precedence",), what, "Correct one of the two.")
    if settings.summer_time not in {None, controls.summer_time}:
        what = f"its clock is to have summer_time: {str(settings.summer_time).lower()}"
        mend = f"The controls say {str(controls.summer_time).lower()}; correct one of the two."
        yield _Refusal(("summer_time",), what, mend)


def _refused_together(day_set: DaySet, menu: Menu) -> Iterator[_Refusal]:
    """Yield what is too much for a day set, and windows that may not overlap."""
    known = [window for window in day_set.windows if window.action in menu.actions]
    by_clock = sorted(known, key=lambda window: window.begin)
    for each in menu.lists:
        entries = menu.entries_of(each, by_clock)
        needed = menu.pieces(each, entries)
        if needed > each.entries:
            told = "" if len(menu.lists) == 1 else f" of the list {each.name!r}"
            filled = "" if needed == len(entries) else ", with what fills the day between them"
            what = (
                f"{needed} windows{told} stand for {day_set.days}{filled}; the controls store"
                f" {each.entries}"
            )
            yield _Refusal(("windows",), what)
    for layer in menu.layers:
        try:
            refuse_overlap([window for window in known if window.action in layer])
        except Mistake as mistake:
            yield _Refusal(("windows",), mistake.what, mistake.mend)


def _refused_in_common(season: SeasonSet, menu: Menu) -> Iterator[_Refusal]:
    """Yield what the day sets of a season cannot hold together."""
    names = [str(part.days) for part in season.day_sets]
    order = [names.index(days) for days in menu.day_sets]
    for each in menu.lists:
        parts = [menu.entries_of(each, season.day_sets[number].windows) for number in order]
        for group in menu.groups(each):
            days = " and ".join(names[order[number]] for number in group)
            held = dict.fromkeys(window for number in group for window in parts[number])
            if "days" in each.fields and len(held) > each.entries:
                what = (
                    f"the list {each.name!r} holds {len(held)} different windows on {days}; the controls"
                    f" store {each.entries}"
                )
                yield _Refusal((order[group[0]], "windows"), what)
            if menu.is_alike(each) and any(
                set(parts[number]) != set(parts[group[0]]) for number in group
            ):
                what = f"the list {each.name!r} holds the same windows on {days}, but they differ"
                yield _Refusal((order[group[0]], "windows"), what)
        for field in each.once:
            values = dict.fromkeys(
                value
                for part in parts
                for window in part
                for value in [_value_once(each, field, window)]
                if value is not None
            )
            if len(values) > 1:
                told = " and ".join(sorted(values))
                what = f"{field} stands once for the list {each.name!r}, but windows ask for {told}"
                first = next(n for n, part in zip(order, parts, strict=True) if part)
                yield _Refusal((first, "windows"), what)


def _value_once(each: MenuList, field: OnceField, window: Window) -> str | None:
    """Return what a window says of a field that stands once, in words; None if it has no use for it."""
    if window.action not in USES[field]:
        return None
    if field == "grid":
        return "filling from PV alone" if window.grid_kw == 0 else "filling from the grid"
    if field == "power" and window.grid_kw == 0 and each.has("grid"):
        return None
    value = getattr(window, KEY_OF[field, window.action])
    unit = "%" if field == "level" else "kW"
    return f"no {field}" if value is None else f"{value:g} {unit}"


def _refused_in_window(
    window: Window, menu: Menu, floor_pct: float, plant: Plant
) -> Iterator[_Refusal]:
    if window.action not in menu.actions:
        what = f"the action {window.action!r} is none of {', '.join(menu.actions)}"
        yield _Refusal(("action",), what)
        return
    each = menu.list_of(window.action)
    yield from _refused_times(window, menu, each)
    yield from _refused_level(window, each, floor_pct)
    yield from _refused_grid(window, each, plant)
    yield from _refused_power(window, each, plant)
    yield from _refused_cap(window, menu, each)


def _refused_times(window: Window, menu: Menu, each: MenuList) -> Iterator[_Refusal]:
    for name in ("start", "end"):
        time = getattr(window, name)
        if read_clock(time) % each.minutes:
            yield _Refusal((name,), f"{name} is {time}, no multiple of {each.minutes} min")
    if window.is_over_midnight and not menu.over_midnight:
        yield _Refusal(
            ("end",),
            f"the window {window.span()} runs over midnight",
            "Split it in two at 24:00, or change controls.over_midnight in the scenario if the"
            " equipment can do it.",
        )
    if window.whole_day and not menu.takes_whole_day(each):
        yield _Refusal(
            ("end",),
            "the window lasts 24 hours",
            "Split it in two, or change controls.whole_day in the scenario if the equipment can do it.",
        )


def _refused_floor(
    floor_pct: float | None, everywhere_pct: float, season: int, controls: Controls
) -> Iterator[_Refusal]:
    if floor_pct is not None and not controls.floor_by_season:
        what = f"a season has a floor of its own ({floor_pct:g} %); the controls have one for all"
        yield _Refusal(("seasons", season, "floor_pct"), what)
    if floor_pct is not None and floor_pct < everywhere_pct:
        what = f"a season's floor of {floor_pct:g} % is below that of all seasons, {everywhere_pct:g} %"
        yield _Refusal(
            ("seasons", season, "floor_pct"), what, "Lower floor_pct, or raise this one."
        )


def _refused_level(window: Window, each: MenuList, floor_pct: float) -> Iterator[_Refusal]:
    for name in ("until_pct", "down_to_pct"):
        value = getattr(window, name)
        if value is None:
            continue
        if not each.has("level"):
            yield _Refusal(
                (name,), f"{name} is {value:g} %, but entries of {each.name!r} have no level"
            )
            continue
        if not each.level.is_multiple(value):
            yield _Refusal((name,), f"{name} is {value:g} %, no multiple of {each.level.step:g} %")
        if not each.level.is_within(value):
            yield _Refusal((name,), f"{name} is {value:g} %, not {_range_text(each.level)} %")
        if value < floor_pct - STEP_TOLERANCE:
            what = f"{name} is {value:g} %, below the floor of {floor_pct:g} %"
            yield _Refusal((name,), what)


def _range_text(steps: Steps) -> str:
    return (
        f"from {steps.low:g} to {steps.high:g}" if steps.high < inf else f"at least {steps.low:g}"
    )


def _refused_grid(window: Window, each: MenuList, plant: Plant) -> Iterator[_Refusal]:
    """Yield why a window cannot fill from PV alone, or from the grid."""
    if window.grid_kw and not plant.may_charge_from_grid:
        yield _Refusal(
            ("grid_kw",),
            f"grid_kw is {window.grid_kw:g} kW, but the grid may not charge the battery",
            "Write grid_kw: 0, or change permissions.charge_from_grid in the scenario if it may.",
        )
    from_pv = window.grid_kw == 0 or not plant.may_charge_from_grid
    if window.action == "charge" and each.grid_tells and from_pv:
        yield _Refusal(
            ("action",),
            f"the window fills from PV alone, but an entry of {each.name!r} that does not fill from the"
            " grid covers the building",
        )
    elif window.grid_kw == 0 and plant.may_charge_from_grid and not each.takes_no_grid:
        yield _Refusal(
            ("grid_kw",),
            f"grid_kw is 0 kW, but entries of {each.name!r} cannot be told to fill from PV alone",
        )


def _refused_power(window: Window, each: MenuList, plant: Plant) -> Iterator[_Refusal]:
    name = "grid_kw" if window.action == "charge" else "power_kw"
    value = getattr(window, name)
    if window.action not in USES["power"] or value == 0:
        return
    steps = each.power_kw(plant.ac_limit_kw)
    if not each.has("power"):
        if value is not None:
            yield _Refusal(
                (name,), f"{name} is {value:g} kW, but entries of {each.name!r} have no power"
            )
        return
    if value is None:
        full = plant.full_power_kw(window.action)
        if steps.high <= full - steps.step:
            what = (
                f"{name} is not limited, but entries of {each.name!r} take {_range_text(steps)} kW"
            )
            yield _Refusal((), what, f"Write {name}: {steps.high:g} or less.")
        return
    what = ""
    if each.power_in_pct:
        what = _not_in_per_cent(value, each.power.step, plant.ac_limit_kw)
    elif not steps.is_multiple(value):
        what = f"no multiple of {steps.step:g} kW"
    if not what and not steps.is_within(value):
        what = f"not {_range_text(steps)} kW"
    if what:
        yield _Refusal((name,), f"{name} is {value:g} kW, {what}")


def _refused_cap(window: Window, menu: Menu, each: MenuList) -> Iterator[_Refusal]:
    cap = window.import_cap_kw
    if cap is None:
        return
    what = ""
    if not each.has("cap"):
        what = "but the equipment has no import cap"
        if len(menu.lists) > 1:
            what = f"but entries of {each.name!r} have no import cap"
    elif not each.cap.is_multiple(cap):
        what = f"no multiple of {each.cap.step:g} kW"
    elif not each.cap.is_within(cap):
        what = f"not {_range_text(each.cap)} kW"
    if what:
        yield _Refusal(("import_cap_kw",), f"import_cap_kw is {cap:g} kW, {what}")


def _refused_by_rules(settings: Settings, place: WindowPlace, plant: Plant) -> Iterator[_Refusal]:
    """Yield powers above what a rule allows in a window's hours; one left out asks for all there is."""
    window = settings.window(place)
    months = settings.found_for or settings.seasons[place.season].months
    inside = settings.weekdays_of(place, np.arange(MINUTES_PER_DAY)).T
    if settings.summer_time is False:  # an hour later by the clock on the wall in summer
        inside = inside | np.roll(inside, 60, axis=1)
    name = "grid_kw" if window.action == "charge" else "power_kw"
    may = {"charge": plant.may_charge_from_grid, "sell": plant.may_export_stored}
    asked = getattr(window, name)
    if asked is None:
        asked = plant.full_power_kw(window.action) if may.get(window.action, False) else 0.0
    ways = WAYS_OF_ACTION.get(window.action, ())
    most = float(allowed_kw(plant.rules, ways, months)[:, inside].min())
    if asked > most + STEP_TOLERANCE:
        given = "" if getattr(window, name) is not None else f"{name} is left out, so "
        lower = f"Write {name}: {plain_number(most, 2)}" + (" or less" if most else ", PV alone")
        yield _Refusal(
            (name,) if not given else (),
            f"{given}{window.span()} asks for {number(asked, 2)} kW where"
            f" {_allows(plant, ways, most, months)}",
            f"{lower}, or end the window where the rule begins."
            if most or window.action == "charge"
            else "End the window where the rule begins, or let it cover the building.",
            "a rule refuses this",
        )
    cap = window.import_cap_kw
    only_import: tuple[Way, ...] = ("import_kw",)
    inside_any = inside.any(axis=0)
    highest = float(allowed_kw(plant.rules, only_import, months)[..., inside_any].max())
    if cap is not None and cap > highest + STEP_TOLERANCE:
        yield _Refusal(
            ("import_cap_kw",),
            f"import_cap_kw is {cap:g} kW where {_allows(plant, only_import, highest, months)}",
            f"Write import_cap_kw: {plain_number(highest, 2)} or less, or leave it out.",
            "a rule refuses this",
        )


def _allows(plant: Plant, ways: Iterable[Way], most_kw: float, months: Iterable[int]) -> str:
    """Return which rule allows so much of what in some of the months."""
    rule, way = next(
        (rule.rule, way)
        for rule in plant.rules
        for way in ways
        if set(rule.months) & set(months) and rule.kw(way) == most_kw
    )
    return f"the rule {rule!r} allows {number(most_kw, 2)} kW of {WORDS_OF_WAY[way]}"


def _not_in_per_cent(power_kw: float, step_pct: float, whole_kw: float) -> str:
    """Return why a power cannot be typed in as per cent of the inverter's; empty if it can."""
    pct = 100 * power_kw / whole_kw
    if pct > 100 + STEP_TOLERANCE:
        return f"above the inverter's {whole_kw:g} kW, which are 100 %"
    if Steps(step_pct).is_multiple(pct):
        return ""
    near_pct = max(round(pct / step_pct), 1) * step_pct
    return (
        f"{pct:.4g} % of the inverter's {whole_kw:g} kW, no multiple of {step_pct:g} %;"
        f" {near_pct:g} % is {near_pct / 100 * whole_kw:.9g} kW"
    )
