"""A rate sheet of an energy price for every hour of the year's day kinds: billed right, and not slowly."""

from __future__ import annotations

from calendar import monthrange
from collections import Counter
from datetime import datetime, timedelta
from itertools import product
from pathlib import Path

import pytest

from optimizer.base.calendar import When
from optimizer.base.documents import Source
from optimizer.billing.tariff import Tariff
from tests.builders import billed, hourly_grid, read_tariff_text


def price(month: int, is_weekend: bool, hour: int) -> float:
    return round(0.1 + 0.01 * month + 0.02 * is_weekend + 0.001 * hour, 3)


def rate_sheet(folder: Path, hours: int) -> Tariff:
    """Return a tariff with a rate for each month, kind of day and span of so many hours."""
    seasons = [
        f"      m{month}: {month:02d}-01 to {month:02d}-{monthrange(2024, month)[1]}"
        for month in range(1, 13)
    ]
    rates = [
        f"          - {{name: m{month} {days} {hour}, seasons: [m{month}], days: [{days}],"
        f" hours: ['{hour:02d}:00-{hour + hours:02d}:00'], per_kwh: {price(month, days == 'weekends', hour)}}}"
        for month, days, hour in product(
            range(1, 13), ("weekdays", "weekends"), range(0, 24, hours)
        )
    ]
    head = "tariff: Sheet\ncurrency: USD\ninvented: true\nversions:\n  - from: 2025-01-01\n    source: invented"
    charge = "    charges:\n      - kind: energy\n        name: Energy\n        rates:"
    return read_tariff_text(
        folder, "\n".join([head, "    seasons:", *seasons, charge, *rates]) + "\n"
    )


def test_a_price_for_each_hour_of_the_month_and_kind_of_day_adds_up_to_their_plain_sum(
    tmp_path: Path,
):
    moments = (datetime(2025, 1, 1) + timedelta(hours=n) for n in range(8760))  # noqa: DTZ001
    total = sum(price(at.month, at.weekday() >= 5, at.hour) for at in moments)
    bill = billed(rate_sheet(tmp_path, 1), hourly_grid(8760), 1.0)
    assert bill.total == pytest.approx(total, abs=1e-6)


def test_each_rate_is_looked_at_a_few_times_however_many_seasons_and_kinds_of_day_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """In twelve seasons of seven days in a row, every rate was looked at 84 times."""
    asked = Counter[str]()
    for owner, name in ((When, "minutes_on_and_after"), (Source, "where")):
        plain = getattr(owner, name)

        def counted(*args, plain=plain, name=name, **more):
            asked[name] += 1
            return plain(*args, **more)

        monkeypatch.setattr(owner, name, counted)
    tariff = rate_sheet(tmp_path, 4)
    asked.clear()
    billed(tariff, hourly_grid(8760), 1.0)
    rates = 12 * 2 * 6
    assert asked["minutes_on_and_after"] <= 4 * rates
    assert asked["where"] <= 4 * rates
