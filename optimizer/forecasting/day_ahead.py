"""What is expected in the evening of tomorrow's PV, with errors as large as those of real forecasts.

A forecast of a day is the day itself, blended with another one near it, drawn by lot: so dark days are
expected too bright and bright ones too dark, as forecasts do that are unsure. The share of the other day
is the one with which daily yields err by ``ERROR``: the root of the mean squared error over the mean.

For a single site the hourly power of the next day is known to some 35 to 40 % (Lorenz, Hurka, Heinemann,
Beyer: Irradiance forecasting for the power prediction of grid-connected photovoltaic systems, IEEE
JSTARS 2009; from memory). Over a day part of that evens out: 30 % is on the cautious side.
"""

from __future__ import annotations

import numpy as np

from optimizer.base.timegrid import BoolArray, FloatArray, TimeGrid

ERROR = 0.3
"""How much a daily yield errs: the root of the mean squared error over the mean. [1]"""

NEAR_DAYS = 10
"""The other day lies at most so many days away."""

SWITCHED_AT = 20 * 60
"""From this time of the evening the card for the next day holds, for a whole day. [min]"""


def day_ahead(of_day: FloatArray, error: float, luck: np.random.Generator) -> FloatArray:
    """Return what is expected of each day the evening before, shape (D,). [kWh]"""
    count = len(of_day)
    away = luck.integers(1, NEAR_DAYS + 1, count) * luck.choice((-1, 1), count)
    place = np.arange(count)
    other = place + np.where((place + away < 0) | (place + away >= count), -away, away)
    apart = of_day[np.clip(other, 0, count - 1)] - of_day
    spread = float(np.sqrt(np.mean(apart**2)))
    share = min(error * float(of_day.mean()) / spread, 1.0) if spread else 0.0
    return np.asarray(of_day + share * apart)


def pv_of_days(pv_kwh: FloatArray, grid: TimeGrid) -> FloatArray:
    """Return the PV of each local day, shape (D,). [kWh]"""
    return np.asarray(np.bincount(grid.day, weights=pv_kwh, minlength=len(grid.dates)), float)


def steps_of_days(days: BoolArray, grid: TimeGrid) -> BoolArray:
    """Return the steps in which a card holds that was chosen for some days, shape (T,).

    It holds from ``SWITCHED_AT`` on the evening before until then on the day itself; that of
    the last day stays for its evening.
    """
    tomorrow = np.minimum(grid.day + 1, len(days) - 1)
    evening = grid.minute_of_day >= SWITCHED_AT
    return np.asarray(days[np.where(evening, tomorrow, grid.day)])
