"""What was read of a meter as pictures: each column by day and hour, its gaps left blank.

A person sees at a glance what no sum tells: noon of the PV, the week away, a clock that is an hour off, and
what is missing. Read next: ``drawing_png``.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np

from optimizer.base.files import write_all
from optimizer.base.timegrid import FloatArray, clock_slots
from optimizer.base.units import number
from optimizer.base.writing import PLAIN, Writing
from optimizer.metering.found import Point
from optimizer.report.drawing import standing_alone
from optimizer.report.figures import hour_labels
from optimizer.report.reading import UNIT_NAMES, looks_like
from optimizer.report.year_figure import draw_map, most_often

DAY_S = 86400


def reading_figures(point: Point, writing: Writing = PLAIN) -> dict[str, str]:
    """Return for each column of a point a heat map of days and hours, as SVG that can stand in a page.

    Colours go from 0 to the mean power that nineteen in twenty steps with any stay below; prices from the
    lowest to the highest. Of an hour that the clock shows twice the second is drawn.
    """
    even = point.even
    wall_s = even.clock.wall_s(even.instants_s)
    day = wall_s // DAY_S - wall_s[0] // DAY_S
    slot = wall_s % DAY_S // (60 * even.step_minutes)
    dates = [date.fromordinal(date(1970, 1, 1).toordinal() + int(wall_s[0] // DAY_S) + n)
             for n in range(int(day[-1]) + 1)]  # fmt: skip
    labels = hour_labels(writing)
    found = {}
    for name, values in even.columns.items():
        table = np.full((clock_slots(even.step_minutes), len(dates)), np.nan)
        heading, scaled, ends, named = _scaled(name, values, even.step_minutes)
        table[slot, day] = scaled
        missing = int(np.isnan(values).sum())
        blank = f", {missing:,} of {even.count:,} steps are missing" if missing else ""
        spoken = f"{heading[0].upper()}{heading[1:]} by day and hour{blank}: {looks_like(point)}."
        found[name] = draw_map(heading, table, ends, named, dates, (spoken, labels))
    return found


def write_reading(point: Point, folder: Path) -> list[Path]:
    """Write the pictures of a point, one file a column.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {f"{name}.svg": standing_alone(svg) for name, svg in reading_figures(point).items()}
    write_all(texts, folder)
    return [folder / name for name in texts]


def _scaled(
    name: str, values: FloatArray, step_minutes: int
) -> tuple[str, FloatArray, tuple[float, float], tuple[str, str]]:
    """Return heading, values to draw, and the ends of their colours with words."""
    if name.startswith("price"):
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        named = f"{low:.4g}", f"{high:.4g} per {name.rpartition('_')[2][0].upper()}Wh"
        return "price", values, (low, high if high > low else low + 1.0), named
    word, _, unit = name.rpartition("_")
    power = values * 60 / step_minutes
    most = most_often(np.nan_to_num(power))
    return (
        "PV" if word == "pv" else word,
        power,
        (0.0, most),
        ("0", f"\u2265 {number(most)} {UNIT_NAMES[unit][1]}"),
    )
