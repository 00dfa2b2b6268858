"""Which window of settings holds at each step, as people see it: what replays obey stands in their orders.

Read next: ``windows``.
"""

from __future__ import annotations

import numpy as np

from optimizer.base.timegrid import IntArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.settings.windows import Settings


def in_force(settings: Settings, grid: TimeGrid) -> tuple[IntArray, IntArray]:
    """Return which window holds at each step, and which that only limits, 1 the first, (T,); 0 is none."""
    minute, weekday = settings.clock_of(grid)
    found = np.zeros((2, grid.count), dtype=np.int64)
    every = np.arange(MINUTES_PER_DAY)
    held = {place: settings.weekdays_of(place, every) for place in settings.places()}
    for went_on in (
        True,
        False,
    ):  # what begins on a day comes before what goes on from the day before
        for number_of, place in enumerate(held, start=1):
            window = settings.window(place)
            part = held[place] & (window.small_hours() == went_on)[:, None]
            at = part[minute, weekday] & np.isin(grid.month, settings.seasons[place.season].months)
            found[int(window.action == "limit"), at] = number_of
    return found[0], found[1]
