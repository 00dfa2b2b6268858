"""Bills worked by hand: runs of negative prices, shared blocks, years of net energy, bookings, system peaks.

Rules said to be *from memory* were not looked up for this test; their figures are simple ones, and
the arithmetic stands beside each.
"""

from __future__ import annotations

import pytest

from optimizer.base.timegrid import calendar_months
from optimizer.billing.tariff import compile_cost, read_tariff
from tests.builders import billed, local_grid, tariff_of

CENT = 0.005


# --- no pay in runs of negative prices

BELOW_ZERO = {
    "2025-05-10": [10, 11, 12, 22, 23],  # three hours, then two that go on over midnight
    "2025-05-11": [0, 1, 11, 12, 13, 14],
}
"""Hours with a market price of -5 EUR/MWh; it is 40 in all others."""


def feed_in(folder, rule, minutes=60):
    """Return a fixed 8 ct a kWh that is not paid in runs of negative market prices (times: 0)."""
    rows = [
        f"{day}T{hour:02d}:{minute:02d}+02:00,{-5 if hour in hours else 40}"
        for day, hours in BELOW_ZERO.items()
        for hour in range(24)
        for minute in range(0, 60, minutes)
    ]
    (folder / "market.csv").write_text("time,eur_per_mwh\n" + "\n".join(rows) + "\n")
    return tariff_of(folder, f"""
    - kind: export_credit
      name: Feed-in
      series: {{file: market.csv, column: eur_per_mwh, times: 0, plus_per_kwh: 0.08,
               zero_in_run: {rule}}}
    """)  # fmt: skip


@pytest.mark.parametrize(
    ("rule", "unpaid_h"),
    [
        ("{hours: 6}", 0),
        ("{hours: 4}", 8),
        ("{hours: 3}", 11),
        ("{hours: 4, counted_from: hours reached}", 2),
        ("{hours: 3, counted_from: hours reached}", 5),
        ("{hours: 1}", 11),
        ("{hours: 0.25}", 11),
        ("{hours: 1, below_per_kwh: -0.005}", 0),
        ("{hours: 30, below_per_kwh: 0.041}", 48),
    ],
)
@pytest.mark.parametrize("minutes", [60, 15])
def test_a_run_of_negative_prices_is_not_paid(tmp_path, rule, unpaid_h, minutes):
    """Germany: six hours in a row by EEG 2017 § 51, four by EEG 2021 § 51 (from memory), from the first.

    1 kWh an hour over two days. Runs of 3, 4 (over midnight) and 4 hours; of a run of 4 that counts
    only from its fourth hour on, one hour is left.
    """
    grid = local_grid("2025-05-10T00:00", "Europe/Berlin", 48 * 60 // minutes, minutes)
    bill = billed(feed_in(tmp_path, rule), grid, 0.0, export_kwh=minutes / 60)
    assert bill.total == pytest.approx(-0.08 * (48 - unpaid_h))


def test_prices_of_quarter_hours_count_their_own_runs(tmp_path):
    """Derived: four-hour runs of sixteen quarter-hour prices, of which the last quarter is the first to fill it."""
    grid = local_grid("2025-05-10T00:00", "Europe/Berlin", 48, 60)
    whole = billed(feed_in(tmp_path, "{hours: 4}", 15), grid, 0.0, export_kwh=1.0)
    late = billed(
        feed_in(tmp_path, "{hours: 4, counted_from: hours reached}", 15), grid, 0.0, export_kwh=1.0
    )
    assert whole.total == pytest.approx(-0.08 * 40)
    assert late.total == pytest.approx(-0.08 * (48 - 2 * 0.25))


def test_a_run_that_began_before_the_bill_counts_with_its_hours_before(tmp_path):
    """Derived: of 11 May alone hours 0, 1 and 11 to 14 are unpaid, though two hours of one run lie before."""
    grid = local_grid("2025-05-11T00:00", "Europe/Berlin", 24, 60)
    bill = billed(feed_in(tmp_path, "{hours: 4}"), grid, 0.0, export_kwh=1.0)
    assert bill.total == pytest.approx(-0.08 * 18)


def test_a_run_that_the_file_cuts_is_told(tmp_path):
    feed_in(tmp_path, "{hours: 4}")
    text = (tmp_path / "market.csv").read_text().splitlines()
    (tmp_path / "market.csv").write_text("\n".join([text[0], *text[25:]]) + "\n")  # the 11th alone
    tariff = read_tariff(tmp_path / "tariff.yaml")
    grid = local_grid("2025-05-11T00:00", "Europe/Berlin", 24, 60)
    cost = compile_cost(tariff, grid, calendar_months(grid))
    assert any("begins or ends in a run of prices below 0" in note for note in cost.notes)
