"""A published standard load profile, scaled to the kWh of a year.

Values, seasons and day types are those of VDEW (1999; today BDEW): summer from 15 May to 14
September, winter from 1 November to 20 March, transition between; holidays go like Sundays, 24 and
31 December like Saturdays unless they are Sundays. South of the equator the year is turned by six
months (our own reading, no published source). A profile is the mean of many customers: a single
building has sharper peaks. Read next: ``sun``.
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from functools import lru_cache
from importlib import resources

import numpy as np

from optimizer.base.calendar import Holidays
from optimizer.base.timegrid import FloatArray, TimeGrid

SUMMER, WINTER, TRANSITION = "summer", "winter", "transition"
KWH_OF_TABLE = 1000.0
HALF_A_YEAR = timedelta(days=182)


@lru_cache(maxsize=1)
def _table() -> dict[str, FloatArray]:
    """Return mean powers of the 96 quarter-hours, a column for profile, season and day type. [W]"""
    file = resources.files("optimizer.forecasting") / "published" / "load_profiles.csv"
    with file.open(encoding="utf-8") as text:
        rows = csv.DictReader(line for line in text if not line.startswith("#"))
        columns: dict[str, list[float]] = {
            name: [] for name in rows.fieldnames or () if name != "time"
        }
        for row in rows:
            for name, watts in columns.items():
                watts.append(float(row[name]))
    return {name: np.array(watts) for name, watts in columns.items()}


def profile_kwh(
    profile: str, kwh_per_year: float, grid: TimeGrid, holidays: Holidays, *, southern: bool = False
) -> FloatArray:
    """Return the load of a standard profile on T steps, shape (T,). [kWh per step]

    Parameters
    ----------
    profile : str
        H0 (households, with the factor of the day of the year), G0 to G6, L0 to L2.
    kwh_per_year : float
        What a year comes to, but for some 3 in 1,000 by how its days fall. [kWh]
    grid : TimeGrid
        The T steps.
    holidays : Holidays
        Days that go like Sundays.
    southern : bool
        Whether winter is in July.
    """
    kept = holidays.among(grid.dates)
    slots = 96
    of_day = np.empty((len(grid.dates), slots))
    for number, day in enumerate(grid.dates):
        shifted = day + HALF_A_YEAR if southern else day
        column = f"{profile} {season_of(shifted)} {day_type_of(day, is_holiday=day in kept)}"
        of_day[number] = _table()[column]
        if profile == "H0":
            of_day[number] *= day_factor(shifted)
    quarter = grid.minute_of_day // 15
    per_step = max(grid.step_minutes // 15, 1)
    watts = np.mean(
        [of_day[grid.day, np.minimum(quarter + n, slots - 1)] for n in range(per_step)], axis=0
    )
    return np.asarray(watts / 1000 * grid.step_h * kwh_per_year / KWH_OF_TABLE)


def season_of(day: date) -> str:
    """Return the season of a day."""
    month_day = (day.month, day.day)
    if (5, 15) <= month_day <= (9, 14):
        return SUMMER
    return WINTER if month_day >= (11, 1) or month_day <= (3, 20) else TRANSITION


def day_type_of(day: date, *, is_holiday: bool) -> str:
    """Return the day type of a day."""
    if is_holiday or day.weekday() == 6:
        return "sunday"
    is_eve = (day.month, day.day) in {(12, 24), (12, 31)}
    return "saturday" if is_eve or day.weekday() == 5 else "workday"


def day_factor(day: date) -> float:
    """Return what household values are multiplied by on a day of the year. [1]

    References
    ----------
    The polynomial of the household profile H0: VDEW, Repräsentative VDEW-Lastprofile, M-32/99 (1999),
    and its guide of application, M-05/2000 (numbers of the reports from memory).
    """
    d = day.timetuple().tm_yday
    return float(-3.92e-10 * d**4 + 3.20e-7 * d**3 - 7.02e-5 * d**2 + 2.10e-3 * d + 1.24)
