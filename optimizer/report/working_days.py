"""The days on which each entry works: what the battery takes and gives in its hours, day by day.

Read next: ``year_figure``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import number
from optimizer.evaluation.reasons import steps_of_window
from optimizer.report.drawing import HALF, Drawing, Panel
from optimizer.report.drawing_png import picture
from optimizer.report.figures import LEFT, RIGHT
from optimizer.report.year_figure import day_ticks
from optimizer.workflows.results import Result

LEAST_KWH = 0.05
"""A day on which the battery takes or gives less in an entry's hours is none on which it works."""


@dataclass(frozen=True)
class WorkingDays:
    """The figure of an entry's days, and how many they are in words."""

    figure: Markup
    words: str


def working_days(result: Result) -> list[WorkingDays]:
    """Return the days of each entry of the menu, in reading order, as the reasons stand."""
    settings, case = result.settings, result.outcome.cases["windows"]
    grid, flows = case.flows.grid, case.flows
    found = []
    for number_of, places in enumerate(
        settings.places_of_entries(result.scenario.controls.menu), start=1
    ):
        inside = np.any([steps_of_window(settings, place, grid) for place in places], axis=0)
        found.append(
            _days_of_entry(
                number_of, grid, np.bincount(grid.day, inside, len(grid.dates)) > 0,
                *(by_day(each * inside, grid) for each in (flows.charge_kwh, flows.discharge_kwh)),
            )
        )  # fmt: skip
    return found


def by_day(energy_kwh: FloatArray, grid: TimeGrid) -> FloatArray:
    """Return the energy of each of D days, shape (D,). [kWh]"""
    return np.asarray(np.bincount(grid.day, energy_kwh, len(grid.dates)), dtype=np.float64)


def _days_of_entry(
    number_of: int, grid: TimeGrid, held: np.ndarray, taken: FloatArray, given: FloatArray
) -> WorkingDays:
    told = [
        f"the battery {verb} {number(float(kwh.sum()), 0)} kWh on {int((kwh >= LEAST_KWH).sum())} of them"
        for verb, kwh in (("takes", taken), ("gives", given))
        if (kwh >= LEAST_KWH).any()
    ]
    days = int(held.sum())
    in_force = f"In force on {days} day{'' if days == 1 else 's'}"
    words = "; ".join([in_force, *(told or ["the battery neither takes nor gives there"])]) + "."
    moved = np.where(held, taken + given, np.nan)
    most = max(float(np.nanmax(moved, initial=0.0)), LEAST_KWH)
    drawing = Drawing(HALF, 46, f"Entry {number_of} by day: {words}")
    panel = Panel.at(drawing, (LEFT, 8, HALF - RIGHT, 22), (0, len(held)), (0, 1))
    drawing.add("rect", "rule", x=LEFT, y=8, width=HALF - RIGHT - LEFT, height=14)
    drawing.add("image", "cells", href=picture(moved[None, :], 0, most), x=LEFT, y=8,
                width=HALF - RIGHT - LEFT, height=14, preserveAspectRatio="none")  # fmt: skip
    panel.axis_below(day_ticks(grid.dates))
    return WorkingDays(Markup(drawing.svg()), words)
