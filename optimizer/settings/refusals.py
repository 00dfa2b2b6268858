"""What the controls refuse: settings that cannot be typed into the equipment.

Read next: ``replay``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from optimizer.documents import Location, Source, read_document
from optimizer.errors import SettingsError, raise_findings
from optimizer.settings.windows import Settings, Window
from optimizer.site.controls import Controls
from optimizer.units import read_clock

STEP_TOLERANCE = 1e-6
"""A value this near to a multiple of a step is one."""


def read_settings(path: Path, controls: Controls) -> Settings:
    """Read a settings file and hold it against the controls.

    Raises
    ------
    SettingsError
        If it cannot be read, windows overlap, or the controls refuse them.
    """
    settings, source = read_document(path, Settings, SettingsError)
    raise_findings(refusals(settings, controls, source))
    return settings


def refusals(settings: Settings, controls: Controls, source: Source) -> list[SettingsError]:
    """Return why the controls refuse the settings; empty if they accept them."""
    return [
        SettingsError(
            f"the controls refuse this: {what}",
            where=source.where(where),
            mend="Change the setting, or 'controls' in the scenario if the equipment can do it.",
        )
        for where, what in _refused(settings, controls)
    ]


def _refused(settings: Settings, controls: Controls) -> Iterator[tuple[Location, str]]:
    if len(settings.seasons) > controls.season_sets:
        sets = f"{len(settings.seasons)} season sets; the controls store {controls.season_sets}"
        yield ("seasons",), f"there are {sets}"
    for s, season in enumerate(settings.seasons):
        for d, day_set in enumerate(season.day_sets):
            where = ("seasons", s, "day_sets", d)
            if day_set.days not in controls.day_sets():
                yield (
                    (*where, "days"),
                    f"the day set {day_set.days!r} is none of {', '.join(controls.day_sets())}",
                )
            if len(day_set.windows) > controls.windows_per_day:
                yield (
                    (*where, "windows"),
                    f"{len(day_set.windows)} windows stand for {day_set.days}; the controls store"
                    f" {controls.windows_per_day}",
                )
            for w, window in enumerate(day_set.windows):
                for key, what in _refused_in_window(window, controls, settings.floor_pct):
                    yield (*where, "windows", w, key), what


def _refused_in_window(
    window: Window, controls: Controls, floor_pct: float
) -> Iterator[tuple[str, str]]:
    if window.action not in controls.actions:
        yield "action", f"the action {window.action!r} is none of {', '.join(controls.actions)}"
    for name in ("start", "end"):
        time = getattr(window, name)
        if read_clock(time) % controls.minutes:
            yield name, f"{name} is {time}, no multiple of {controls.minutes} min"
    cap = window.import_cap_kw
    if cap is not None and not controls.import_cap:
        yield "import_cap_kw", f"import_cap_kw is {cap:g} kW, but the equipment has no import cap"
    levels = dict.fromkeys(("until_pct", "down_to_pct"), controls.soc_step_pct)
    powers = dict.fromkeys(("grid_kw", "power_kw", "import_cap_kw"), controls.power_step_kw)
    for name, step in (levels | powers).items():
        value = getattr(window, name)
        if value is None:
            continue
        if abs(value / step - round(value / step)) > STEP_TOLERANCE:
            yield name, f"{name} is {value:g}, no multiple of {step:g}"
        if name in levels and value < floor_pct - STEP_TOLERANCE:
            yield name, f"{name} is {value:g} %, below the floor of {floor_pct:g} %"
