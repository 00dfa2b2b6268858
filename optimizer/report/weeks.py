"""The prices of a week in some months, and the months whose weeks cost the same.

Read next: ``tariff_week`` and ``tariff_picture``, which draw them.
"""

from __future__ import annotations

import numpy as np

from optimizer.base.timegrid import FloatArray, TimeGrid, clock_slots

DECIMALS = 5
"""Prices are told apart to so many decimals."""


def week_of(buy: FloatArray, grid: TimeGrid, months: list[int]) -> FloatArray:
    """Return the middle price by weekday and clock slot in some months, (7, S); NaN where none is known."""
    slots = clock_slots(grid.step_minutes)
    inside = np.isin(grid.month, months)
    place = (grid.weekday * slots + grid.minute_of_day // grid.step_minutes)[inside]
    order = np.lexsort((buy[inside], place))
    values, place = buy[inside][order], place[order]
    cells, first, count = np.unique(place, return_index=True, return_counts=True)
    week = np.full(7 * slots, np.nan)
    week[cells] = np.round(values[first + (count - 1) // 2], DECIMALS)
    return week.reshape(7, slots)


def parts_of_year(buy: FloatArray, grid: TimeGrid) -> list[list[int]]:
    """Return the months of the grid in groups whose weeks cost the same, where both are known."""
    found: list[tuple[FloatArray, list[int]]] = []
    for month in grid.months:
        week = week_of(buy, grid, [month])
        same = next((part for part in found if _agree(part[0], week)), None)
        if same is None:
            found.append((week, [month]))
        else:
            same[1].append(month)
    return [months for _, months in found]


def _agree(one: FloatArray, other: FloatArray) -> bool:
    known = np.isfinite(one) & np.isfinite(other)
    return bool((one[known] == other[known]).all())
