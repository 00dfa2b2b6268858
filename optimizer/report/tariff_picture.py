"""A tariff's week by season as a picture in the terminal, and what a year of an invented meter costs.

Each row is days whose prices are the same, each sign half an hour; a letter stands for a price, or where
there are many, the height of a block for where it lies between the lowest and the highest.
"""

from __future__ import annotations

import string
from collections.abc import Iterator

import numpy as np

from optimizer.base.calendar import DAY_NAMES
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import money, price
from optimizer.billing.sample import BASE_KW, EVENING_KW, SampleYear
from optimizer.report.weeks import parts_of_year, week_of
from optimizer.report.wrapping import LEVELS, cut, filled, padded
from optimizer.settings.windows import months_text

MOST_LETTERS = 8
SIGNS_PER_DAY = 48
HOURS = "".join(f"{hour:02d}".ljust(SIGNS_PER_DAY // 8) for hour in range(0, 24, 3))


def tariff_picture(year: SampleYear) -> str:
    """Return the weeks of import, and of export where it is worth something, and the sample bill."""
    currency = year.bill.currency
    lines = list(_weeks(f"WEEK, {currency} for one more kWh", year.buy, year.grid))
    if np.any(np.round(year.sell, 9)):
        lines += _weeks(f"WEEK, {currency} earned by a kWh exported", year.sell, year.grid)
    if year.left_out:
        names = ", ".join(year.left_out)
        lines.append(filled(f"Left out, for they follow a series of prices: {names}.", "  "))
    kwh = float(year.bill.lines[0].reading.flows.import_kwh.sum()) if year.bill.lines else 0.0
    lines += [
        f"SAMPLE YEAR {year.grid.dates[0].year}, {kwh:,.0f} kWh",
        f"  invented meter: {BASE_KW:g} kW day and night, {EVENING_KW:g} kW from 17:00 to 21:00",
    ]
    charges = year.bill.by_charge()
    lines += [
        f"    {padded(cut(name, 40), 40)}{money(amount):>14}" for name, amount in charges.items()
    ]
    lines.append(f"    {'':40}{money(year.bill.total, currency):>14}")
    return "\n".join(lines)


def _weeks(heading: str, prices: FloatArray, grid: TimeGrid) -> Iterator[str]:
    yield heading
    parts = parts_of_year(prices, grid)
    weeks = [_halves(week_of(prices, grid, months)) for months in parts]
    levels = np.unique(np.concatenate([week.ravel() for week in weeks]))
    for months, week in zip(parts, weeks, strict=True):
        yield f"  {months_text(months)}"
        yield f"  {'':8}{HOURS.rstrip()}"
        for days, row in _rows(week):
            yield f"  {days:8}{''.join(_sign(value, levels) for value in row)}"
    if len(levels) <= MOST_LETTERS:
        named = [f"{string.ascii_lowercase[n]} {price(float(v))}" for n, v in enumerate(levels)]
        key = ["   ".join(named[n : n + 4]) for n in range(0, len(named), 4)]
    else:
        low, high = float(levels[0]), float(levels[-1])
        key = [f"{LEVELS[0]} {price(low)} to {LEVELS[-1]} {price(high)}, {len(levels)} prices"]
    yield from (f"  {line}" for line in key)


def _halves(week: FloatArray) -> FloatArray:
    """Return the price at the beginning of each half hour, shape (7, 48)."""
    return week[:, :: week.shape[1] // SIGNS_PER_DAY]


def _rows(week: FloatArray) -> Iterator[tuple[str, FloatArray]]:
    """Yield days in a row whose prices are the same, and these prices."""
    first = 0
    for day in range(1, 8):
        if day == 7 or (week[day] != week[first]).any():
            names = [DAY_NAMES[n][:3].capitalize() for n in (first, day - 1)]
            yield "–".join(dict.fromkeys(names)), week[first]
            first = day


def _sign(value: float, levels: FloatArray) -> str:
    if len(levels) <= MOST_LETTERS:
        return string.ascii_lowercase[int(np.searchsorted(levels, value))]
    share = (value - levels[0]) / (levels[-1] - levels[0])
    return LEVELS[round(share * (len(LEVELS) - 1))]
