"""The year as heat maps, and what the page needs to show any of its days: series packed into the page.

Series are whole numbers of a small unit, differences from step to step, their high bytes apart from their
low bytes, compressed (zlib, RFC 1950) and written in base64; ``templates/year.js`` unpacks them. Read
next: ``drawing_png``.
"""

from __future__ import annotations

import base64
import json
import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from markupsafe import Markup

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.timegrid import FloatArray, TimeGrid, clock_slots
from optimizer.base.units import clock, number
from optimizer.evaluation.comparison import Case
from optimizer.report.advice import plan_name, windows_name
from optimizer.report.drawing import HALF, Drawing, Panel, cut, width_of
from optimizer.report.drawing_png import LEVELS, picture
from optimizer.report.figures import LEFT, RIGHT, hour_labels
from optimizer.settings.in_force import in_force
from optimizer.workflows.results import Result

MOST_DAYS_BY_DAY = 62
"""Up to so many days the axis names days, beyond months."""

SHOWN_PCT = 95.0
"""Of steps in which the battery works, this share is told apart in a heat map; beyond, all look alike."""

LEAST_APART = 200
"""Powers are kept to a power of ten that tells at least so many values apart up to the largest."""


@dataclass(frozen=True)
class YearFigure:
    """Heat maps of level and of battery power, of the plan and of the windows; and the packed days."""

    levels: list[Markup]
    powers: list[Markup]
    data: Markup


def year_figure(result: Result) -> YearFigure:
    """Return the heat maps and the packed days of a result."""
    names = {"plan": plan_name(result), "windows": windows_name(result)}
    cases = {name: result.outcome.cases[key] for key, name in names.items()}
    capacity = result.scenario.plant.capacity_kwh
    labels = hour_labels(result.scenario.file.writing)
    battery = {name: battery_kw(case) for name, case in cases.items()}
    most_kw = most_often(np.abs(np.concatenate(list(battery.values()))))
    return YearFigure(
        [
            Markup(_draw_levels(name, case, level_pct(case, capacity), labels))
            for name, case in cases.items()
        ],
        [
            Markup(_draw_powers(name, case, battery[name], most_kw, labels))
            for name, case in cases.items()
        ],
        Markup(packed_days(result, cases).replace("<", "\\u003c")),
    )


def level_pct(case: Case, capacity_kwh: float) -> FloatArray:
    """Return the state of charge at the end of each step, shape (T,). [%]"""
    return np.asarray(100 * case.stored_kwh / max(capacity_kwh, 1e-9))


def battery_kw(case: Case) -> FloatArray:
    """Return the mean power into the battery, negative out of it, shape (T,). [kW]"""
    flows = case.flows
    return np.asarray((flows.charge_kwh - flows.discharge_kwh) / flows.grid.step_h)


def most_often(kw: FloatArray) -> float:
    """Return the power that all but a few steps with any keep to; brighter and darker there is none. [kW]"""
    some = kw[kw > 1e-3]
    return float(np.percentile(some, SHOWN_PCT)) if len(some) else 1.0


# --- heat maps -------------------------------------------------------------------------------------


def by_day(values: FloatArray, grid: TimeGrid) -> FloatArray:
    """Return values of T steps by clock slot and day, shape (S, D); NaN where a day has no such time.

    Of an hour that the clock shows twice the second is kept.
    """
    table = np.full((clock_slots(grid.step_minutes), len(grid.dates)), np.nan)
    table[grid.minute_of_day // grid.step_minutes, grid.day] = values
    return table


def _draw_levels(name: str, case: Case, level: FloatArray, labels: list[str]) -> str:
    grid = case.flows.grid
    months = {month: float(level[grid.month == month].mean()) for month in grid.months}
    high, low = max(months, key=months.__getitem__), min(months, key=months.__getitem__)
    spoken = (
        f"State of charge by day and hour, {name}: in the mean {number(float(level.mean()), 0)} %,"
        f" highest in {MONTH_NAMES[high - 1]} with {number(months[high], 0)} %, lowest in"
        f" {MONTH_NAMES[low - 1]} with {number(months[low], 0)} %."
    )
    heading = f"state of charge, {name}"
    return draw_map(
        heading, by_day(level, grid), (0.0, 100.0), ("0 %", "100 %"), grid.dates, (spoken, labels)
    )


def _draw_powers(name: str, case: Case, kw: FloatArray, most_kw: float, labels: list[str]) -> str:
    grid = case.flows.grid
    hour = grid.minute_of_day // 60
    into = np.bincount(hour, np.maximum(kw, 0), 24) * grid.step_h
    out = np.bincount(hour, np.maximum(-kw, 0), 24) * grid.step_h
    spoken = (
        f"Battery power by day and hour, {name}: {number(float(into.sum()), 0)} kWh are charged, most"
        f" from {clock(60 * int(into.argmax()))}; {number(float(out.sum()), 0)} kWh discharged, most from"
        f" {clock(60 * int(out.argmax()))}."
    )
    ends = f"gives ≥ {number(most_kw)}", f"takes ≥ {number(most_kw)} kW"
    heading = f"battery, {name}"
    table = by_day(kw, grid)
    return draw_map(heading, table, (-most_kw, most_kw), ends, grid.dates, (spoken, labels))


def draw_map(
    heading: str,
    table: FloatArray,
    ends: tuple[float, float],
    named: tuple[str, str],
    dates: Sequence[date],
    words: tuple[str, list[str]],
) -> str:
    """Return values by clock slot and day, shape (S, D), as a heat map; NaN stays blank.

    ``ends`` are the values of the darkest and the brightest colour, ``named`` their words; ``words`` are
    what is read out, and the 25 labels of the clock's hours.
    """
    spoken, labels = words
    drawing = Drawing(HALF, 196, spoken)
    at = HALF - RIGHT - width_of(named[1])
    key = np.linspace(*ends, LEVELS)[None, :]
    drawing.text(at, 14, named[1])
    drawing.add("image", "cells", href=picture(key, *ends), x=at - 66, y=4, width=60, height=12,
                preserveAspectRatio="none")  # fmt: skip
    drawing.text(at - 72, 14, named[0], anchor="end")
    drawing.text(4, 14, cut(heading, at - 90 - width_of(named[0])), "strong")
    days = table.shape[1]
    panel = Panel.at(drawing, (LEFT, 26, HALF - RIGHT, 172), (0, days), (24, 0))
    drawing.add("image", "cells", href=picture(table, *ends), x=LEFT, y=26,
                width=HALF - RIGHT - LEFT, height=146, preserveAspectRatio="none")  # fmt: skip
    for hour in range(0, 25, 6):
        drawing.text(LEFT - 5, panel.y(hour) + 4, labels[hour], "tick", "end")
    panel.axis_below(day_ticks(dates))
    drawing.add("rect", "chosen", x=LEFT, y=26, width=0, height=146)
    return drawing.svg()


def day_ticks(dates: Sequence[date]) -> dict[float, str]:
    """Return ticks at the months of days in a row, or at some of the days where they are few."""
    if len(dates) > MOST_DAYS_BY_DAY:
        firsts = [place for place, day in enumerate(dates) if day.day == 1]
        return {float(place): MONTH_NAMES[dates[place].month - 1][:3] for place in firsts}
    every = math.ceil(len(dates) / 8)
    return {
        place + 0.5: f"{dates[place].day} {MONTH_NAMES[dates[place].month - 1][:3]}"
        for place in range(0, len(dates), every)
    }


# --- packed days -----------------------------------------------------------------------------------


def packed_days(result: Result, cases: dict[str, Case]) -> str:
    """Return all that the page shows of single days, as JSON text.

    ``packed`` holds whole numbers, T of each series, in the order of ``series``: clock time [min], window
    and limit in force (places in ``windows``, 0 is none), load, then for each case PV, battery, import less
    export [units of ``kw``], and state of charge [0.1 %].
    """
    grid, scenario = result.scenario.forecast.grid, result.scenario
    kw = {name: _kw_of(case) for name, case in cases.items()}
    load = _kw(next(iter(cases.values())).flows.load_kwh, grid)
    largest = max(
        float(np.abs(each).max()) for each in (load, *(x for s in kw.values() for x in s))
    )
    unit = 10.0 ** math.floor(math.log10(max(largest, 0.01) / LEAST_APART))
    window, limit = in_force(result.settings, grid)
    series = [grid.minute_of_day, window, limit, load / unit]
    for name, case in cases.items():
        series += [each / unit for each in kw[name]]
        series.append(10 * level_pct(case, scenario.plant.capacity_kwh))
    writing = scenario.file.writing
    settings = result.settings
    return json.dumps({
        "cases": list(cases),
        "first": grid.dates[0].isoformat(),
        "begins": [*np.searchsorted(grid.day, np.arange(len(grid.dates))).tolist(), grid.count],
        "step": grid.step_minutes,
        "kw": unit,
        "clock": writing.clock,
        "comma": writing.decimal == "comma",
        "windows": [["", ""], *(
            [settings.window(place).action, settings.window(place).words(scenario.whole_kw)]
            for place in settings.places()
        )],
        "elsewhere": settings.elsewhere(),
        "packed": packed(np.stack([np.rint(each) for each in series])),
    }, separators=(",", ":"))  # fmt: skip


def _kw(energy_kwh: FloatArray, grid: TimeGrid) -> FloatArray:
    return np.asarray(energy_kwh / grid.step_h)


def _kw_of(case: Case) -> tuple[FloatArray, FloatArray, FloatArray]:
    flows = case.flows
    net = _kw(flows.import_kwh - flows.export_kwh, flows.grid)
    return _kw(flows.pv_used_kwh, flows.grid), battery_kw(case), net


def packed(numbers: FloatArray) -> str:
    """Return whole numbers of shape (series, T), each below 32,768 in size, as compressed text."""
    whole = numbers.astype(np.int16)
    steps = np.diff(whole, axis=1, prepend=np.int16(0)).astype("<i2")
    planes = steps.reshape(-1, 1).view(np.uint8).T
    return base64.b64encode(zlib.compress(np.ascontiguousarray(planes).tobytes(), 4)).decode()
