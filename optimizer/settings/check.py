"""What controls and rules refuse: settings that the equipment cannot hold, or that ask for too much.

Read next: ``simulation.replay``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from optimizer.base.documents import Source, read_document
from optimizer.base.errors import Place, SettingsError, raise_findings
from optimizer.base.units import MINUTES_PER_DAY, number, read_clock
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings, Window, WindowPlace
from optimizer.site.equipment import Plant
from optimizer.site.limits import WAYS_OF_ACTION, WORDS_OF_WAY, Way, allowed_kw

STEP_TOLERANCE = 1e-6
"""A value this near to a multiple of a step is one."""


class _Refusal(NamedTuple):
    """One thing that is refused: where it stands, what it is, how to mend it, and by what."""

    where: Place
    what: str
    mend: str = "Change the setting, or 'controls' in the scenario if the equipment can do it."
    by: str = "the controls refuse this"


def read_settings(path: Path, controls: Controls, plant: Plant) -> Settings:
    """Read a settings file and hold it against the controls.

    Parameters
    ----------
    path : Path
        The YAML file.
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
    settings, source = read_document(path, Settings, SettingsError)
    refuse(settings, controls, plant, source)
    return settings.as_stored(controls)


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
    if settings.after_midnight not in {None, controls.after_midnight}:
        what = f"windows over midnight are to go on on the {settings.after_midnight}"
        mend = (
            f"The controls say after_midnight: {controls.after_midnight}; correct one of the two."
        )
        yield _Refusal(("after_midnight",), what, mend)
    if len(settings.seasons) > controls.season_sets:
        sets = f"{len(settings.seasons)} season sets; the controls store {controls.season_sets}"
        yield _Refusal(("seasons",), f"there are {sets}")
    if controls.most_entries is not None and settings.entries() > controls.most_entries:
        what = (
            f"there are {settings.entries()} windows over all seasons and day sets; the controls"
            f" store {controls.most_entries}"
        )
        yield _Refusal(("seasons",), what)
    for s, season in enumerate(settings.seasons):
        yield from _refused_floor(season.floor_pct, settings.floor_pct, s, controls)
        floor_pct = max(settings.floor_pct, season.floor_pct or 0.0)
        for d, day_set in enumerate(season.day_sets):
            where = ("seasons", s, "day_sets", d)
            if day_set.days not in controls.day_sets():
                known = ", ".join(controls.day_sets())
                what = f"the day set {day_set.days!r} is none of {known}"
                yield _Refusal((*where, "days"), what)
            if len(day_set.windows) > controls.windows_per_day:
                what = (
                    f"{len(day_set.windows)} windows stand for {day_set.days}; the controls store"
                    f" {controls.windows_per_day}"
                )
                yield _Refusal((*where, "windows"), what)
            for w, window in enumerate(day_set.windows):
                refused_here = [
                    *_refused_in_window(window, controls),
                    *_refused_levels(window, controls, floor_pct),
                    *_refused_powers(window, controls, plant),
                ]
                refused_here += _refused_by_rules(settings, WindowPlace(s, d, w), plant)
                for refused in refused_here:
                    yield refused._replace(where=(*where, "windows", w, *refused.where))


def _refused_in_window(window: Window, controls: Controls) -> Iterator[_Refusal]:
    if window.action not in controls.actions:
        what = f"the action {window.action!r} is none of {', '.join(controls.actions)}"
        yield _Refusal(("action",), what)
    yield from _refused_times(window, controls)
    cap = window.import_cap_kw
    if cap is not None and not controls.import_cap:
        what = f"import_cap_kw is {cap:g} kW, but the equipment has no import cap"
        yield _Refusal(("import_cap_kw",), what)


def _refused_times(window: Window, controls: Controls) -> Iterator[_Refusal]:
    for name in ("start", "end"):
        time = getattr(window, name)
        if read_clock(time) % controls.minutes:
            yield _Refusal((name,), f"{name} is {time}, no multiple of {controls.minutes} min")
    if window.is_over_midnight and not controls.over_midnight:
        yield _Refusal(
            ("end",),
            f"the window {window.span()} runs over midnight",
            "Split it in two at 24:00, or change controls.over_midnight in the scenario if the"
            " equipment can do it.",
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


def _refused_levels(window: Window, controls: Controls, floor_pct: float) -> Iterator[_Refusal]:
    step = controls.soc_step_pct
    for name in ("until_pct", "down_to_pct"):
        value = getattr(window, name)
        if value is None:
            continue
        if not _is_multiple(value, step):
            yield _Refusal((name,), f"{name} is {value:g} %, no multiple of {step:g} %")
        if value < floor_pct - STEP_TOLERANCE:
            what = f"{name} is {value:g} %, below the floor of {floor_pct:g} %"
            yield _Refusal((name,), what)


def _refused_powers(window: Window, controls: Controls, plant: Plant) -> Iterator[_Refusal]:
    if window.grid_kw and not plant.may_charge_from_grid:
        yield _Refusal(
            ("grid_kw",),
            f"grid_kw is {window.grid_kw:g} kW, but the grid may not charge the battery",
            "Write grid_kw: 0, or change permissions.charge_from_grid in the scenario if it may.",
        )
    for name in ("grid_kw", "power_kw", "import_cap_kw"):
        value = getattr(window, name)
        if value is None:
            continue
        if controls.power_step_pct is not None and name != "import_cap_kw":
            what = _not_in_per_cent(value, controls.power_step_pct, plant.ac_limit_kw)
        else:
            step = controls.power_step_kw
            what = "" if _is_multiple(value, step) else f"no multiple of {step:g} kW"
        if what:
            yield _Refusal((name,), f"{name} is {value:g} kW, {what}")


def _refused_by_rules(settings: Settings, place: WindowPlace, plant: Plant) -> Iterator[_Refusal]:
    """Yield powers above what a rule allows in a window's hours; one left out asks for all there is."""
    if not plant.rules:
        return
    window = settings.window(place)
    months = settings.found_for or settings.seasons[place.season].months
    inside = settings.weekdays_of(place, np.arange(MINUTES_PER_DAY)).T
    name = "grid_kw" if window.action == "charge" else "power_kw"
    may = {"charge": plant.may_charge_from_grid, "sell": plant.may_export_stored}
    asked = getattr(window, name)
    if asked is None:
        asked = plant.full_power_kw(window.action) if may.get(window.action, False) else 0.0
    ways = WAYS_OF_ACTION.get(window.action, ())
    most = float(allowed_kw(plant.rules, ways, months)[:, inside].min())
    if asked > most + STEP_TOLERANCE:
        given = "" if getattr(window, name) is not None else f"{name} is left out, so "
        lower = f"Write {name}: {number(most, 2)}" + (" or less" if most else ", PV alone")
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
            f"Write import_cap_kw: {number(highest, 2)} or less, or leave it out.",
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
    if _is_multiple(pct, step_pct):
        return ""
    near_pct = max(round(pct / step_pct), 1) * step_pct
    return (
        f"{pct:.4g} % of the inverter's {whole_kw:g} kW, no multiple of {step_pct:g} %;"
        f" {near_pct:g} % is {near_pct / 100 * whole_kw:.9g} kW"
    )


def _is_multiple(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) <= STEP_TOLERANCE
