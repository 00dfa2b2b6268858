"""What the controls refuse: settings that cannot be typed into the equipment.

Read next: ``replay``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from optimizer.documents import Location, Source, read_document
from optimizer.errors import SettingsError, raise_findings
from optimizer.settings.windows import Settings, Window
from optimizer.site.controls import Controls
from optimizer.units import read_clock

STEP_TOLERANCE = 1e-6
"""A value this near to a multiple of a step is one."""


class _Refusal(NamedTuple):
    """One thing that is refused: where it stands, what it is, and how to mend it."""

    where: Location
    what: str
    mend: str = "Change the setting, or 'controls' in the scenario if the equipment can do it."


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
            f"the controls refuse this: {refused.what}",
            where=source.where(refused.where),
            mend=refused.mend,
        )
        for refused in _refused(settings, controls)
    ]


def _refused(settings: Settings, controls: Controls) -> Iterator[_Refusal]:
    if len(settings.seasons) > controls.season_sets:
        sets = f"{len(settings.seasons)} season sets; the controls store {controls.season_sets}"
        yield _Refusal(("seasons",), f"there are {sets}")
    for s, season in enumerate(settings.seasons):
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
                for refused in _refused_in_window(window, controls, settings.floor_pct):
                    yield refused._replace(where=(*where, "windows", w, *refused.where))


def _refused_in_window(window: Window, controls: Controls, floor_pct: float) -> Iterator[_Refusal]:
    if window.action not in controls.actions:
        what = f"the action {window.action!r} is none of {', '.join(controls.actions)}"
        yield _Refusal(("action",), what)
    yield from _refused_times(window, controls)
    cap = window.import_cap_kw
    if cap is not None and not controls.import_cap:
        what = f"import_cap_kw is {cap:g} kW, but the equipment has no import cap"
        yield _Refusal(("import_cap_kw",), what)
    levels = dict.fromkeys(("until_pct", "down_to_pct"), controls.soc_step_pct)
    powers = dict.fromkeys(("grid_kw", "power_kw", "import_cap_kw"), controls.power_step_kw)
    for name, step in (levels | powers).items():
        value = getattr(window, name)
        if value is None:
            continue
        if abs(value / step - round(value / step)) > STEP_TOLERANCE:
            yield _Refusal((name,), f"{name} is {value:g}, no multiple of {step:g}")
        if name in levels and value < floor_pct - STEP_TOLERANCE:
            what = f"{name} is {value:g} %, below the floor of {floor_pct:g} %"
            yield _Refusal((name,), what)


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
