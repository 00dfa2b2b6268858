"""A tariff as a small page: its week by season, what it is, and a year of an invented meter.

Read next: ``tariff_week``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.base.files import write_all
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.writing import PLAIN
from optimizer.billing.sample import BASE_KW, EVENING_KW
from optimizer.report.tariff_week import PaintedWeek, weeks_painted
from optimizer.report.templates import rendered
from optimizer.workflows.check import TariffCheck

PAGE = "tariff.html"


def write_tariff_page(check: TariffCheck, folder: Path) -> list[Path]:
    """Write the page ``tariff.html``.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    write_all({PAGE: tariff_page(check)}, folder)
    return [folder / PAGE]


def tariff_page(check: TariffCheck) -> str:
    """Return a page that tells of a tariff alone."""
    year, file = check.sample, check.tariff.file
    currency = check.tariff.currency
    weeks = [
        ("One more kWh from the grid costs", _painted("import", year.buy, year.grid, currency))
    ]
    if np.any(np.round(year.sell, 9)):
        sold = _painted("export", year.sell, year.grid, currency)
        weeks.append(("A kWh exported earns", sold))
    return rendered(
        "tariff_page.html",
        name=check.tariff.name,
        file=file,
        version=file.versions[-1],
        currency=currency,
        weeks=weeks,
        year=year,
        charges=year.bill.by_charge(),
        base_kw=BASE_KW,
        evening_kw=EVENING_KW,
        remarks=check.remarks,
    )


def _painted(flow: str, prices: FloatArray, grid: TimeGrid, currency: str) -> list[PaintedWeek]:
    months = [[month] for month in grid.months]
    return weeks_painted(prices, grid, months, currency, PLAIN, flow)
