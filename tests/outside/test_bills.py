"""Bills, demands and calendars come out as utilities and regulators have published them.

Every tariff is written as YAML and read from its file, so the way from words to money is tested.
"Published" is what stands in the named source, "derived" is arithmetic on it; where a source gives
prices but no clock hours, the hours are invented and do not enter the sum.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from optimizer.base.timegrid import hours_of_day, meter_read_periods
from tests.builders import billed, hourly_grid, local_grid, read_tariff_text, tariff_of

CENT = 0.005


def flat_energy(per_kwh):
    return f"- {{kind: energy, name: Energy, per_kwh: {per_kwh}}}\n"


def demand(per_kw, minutes, more=""):
    return (
        f"- {{kind: demand, name: Demand, per_kw: {per_kw}, interval_minutes: {minutes}{more}}}\n"
    )


def spread(mask, kwh):
    """Return the energy in equal parts over the chosen steps, none in the others."""
    return mask * (kwh / mask.sum())


# --- Energy and fixed charges


@pytest.mark.parametrize(("kwh", "dollars"), [(10_000, 3508), (6138, 2346), (5137, 2045)])
def test_a_supply_charge_per_day_and_flat_energy_make_the_published_year(tmp_path, kwh, dollars):
    """B11, published to the dollar: Momentum Energy (Victoria), 0.3009/kWh and 1.3684/day, 365 d."""
    supply = "- {kind: fixed, name: Supply, amount: 1.3684, per: day}\n"
    tariff = tariff_of(tmp_path, flat_energy(0.3009) + supply)
    grid = local_grid("2025-01-01T00:00", "Australia/Melbourne", 8760)
    bill = billed(tariff, grid, kwh / 8760)
    assert bill.total == pytest.approx(dollars, abs=0.5)
    assert bill.by_charge()["Supply"] == pytest.approx(1.3684 * 365, abs=CENT)


def test_a_monthly_charge_is_prorated_over_a_29_day_bill(tmp_path):
    """B10, published: Otter Tail Power, 9.75 a month of 30.416667 days, 29 days: 9.30."""
    tariff = tariff_of(
        tmp_path,
        "- {kind: fixed, name: Customer, amount: 9.75, per: month, month_days: 30.416667}",
    )
    grid = local_grid("2025-06-03T00:00", "America/Chicago", 29 * 24)
    periods = meter_read_periods(grid, [date(2025, 6, 3), date(2025, 7, 2)], "test")
    assert billed(tariff, grid, 0, periods=periods).total == pytest.approx(9.30, abs=CENT)


def test_a_price_change_inside_a_bill_splits_the_energy_by_days(tmp_path):
    """B10, published: 600 kWh in 29 days, 20 d / 9 d: 413.793103 and 186.206897 kWh."""
    text = "tariff: two prices\ncurrency: USD\nversions:\n"
    for day, price in (("2025-01-01", 0.10), ("2025-06-23", 0.11)):
        text += f"  - from: {day}\n    source: invented prices\n    charges:\n"
        text += f"      {flat_energy(price)}"
    grid = local_grid("2025-06-03T00:00", "America/Chicago", 29 * 24)
    periods = meter_read_periods(grid, [date(2025, 6, 3), date(2025, 7, 2)], "test")
    bill = billed(read_tariff_text(tmp_path, text), grid, 600 / grid.count, periods=periods)
    assert [line.quantity for line in bill.lines] == pytest.approx(
        [413.793103, 186.206897], abs=1e-6
    )


def test_a_signed_rider_lowers_the_bill_as_published(tmp_path):
    """B01, published: Turner, Energy Management Handbook, ch. 18: 1,661.01 − 302.37, 1,624.72 in all.

    The demand line of 262.34 for 30 kW is given there as an amount; here as 262.34/30 per kW.
    """
    charges = (
        flat_energy(0.09444)
        + demand(262.34 / 30, 60)
        + """
- {kind: fixed, name: Customer, amount: 3.74, per: month}
- {kind: energy, name: Adjustment, per_kwh: -0.017192}
"""
    )
    used = np.full(720, (17_588 - 30) / 719)
    used[300] = 30
    bill = billed(tariff_of(tmp_path, charges), local_grid("2025-06-01T00:00", "UTC", 720), used)
    assert bill.by_charge()["Energy"] == pytest.approx(1661.01, abs=CENT)
    assert bill.by_charge()["Adjustment"] == pytest.approx(-302.37, abs=CENT)
    assert bill.total == pytest.approx(1624.72, abs=CENT)


RIVER_FALLS_TOD = """
- {kind: fixed, name: Customer, amount: 14.00, per: month}
- kind: energy
  name: Energy
  rates:
    - {name: on-peak, per_kwh: 0.1910, days: [weekdays], hours: ["08:00-20:00"]}
    - {name: off-peak, per_kwh: 0.0660, otherwise: true}
"""


def test_the_flat_bill_of_the_time_of_day_comparison_is_the_published_one(tmp_path):
    """B12, published: River Falls Municipal Utilities, 675.54 kWh at 0.1110: 88.98.

    The fixed 14.00 is derived: the published totals imply it.
    """
    fixed = "- {kind: fixed, name: Customer, amount: 14.00, per: month}\n"
    grid = local_grid("2025-06-01T00:00", "America/Chicago", 30 * 24)
    bill = billed(tariff_of(tmp_path, flat_energy(0.1110) + fixed), grid, 675.54 / 720)
    assert bill.total == pytest.approx(88.98, abs=CENT)


@pytest.mark.parametrize(
    ("moved_points", "total"), [(0, 96.58), (10, 88.14), (15, 83.92), (20, 79.70)]
)
def test_moving_use_off_peak_gives_the_published_time_of_day_bills(tmp_path, moved_points, total):
    """B12, published; the points are of the total use, of which 45 % stood on peak."""
    grid = local_grid("2025-06-01T00:00", "America/Chicago", 30 * 24)
    on = (grid.weekday < 5) & (grid.minute_of_day >= 8 * 60) & (grid.minute_of_day < 20 * 60)
    share = 0.45 - moved_points / 100
    used = spread(on, share * 675.54) + spread(~on, (1 - share) * 675.54)
    assert billed(tariff_of(tmp_path, RIVER_FALLS_TOD), grid, used).total == pytest.approx(
        total, abs=CENT
    )


def test_the_regulators_sample_household_pays_80_35_for_its_energy(tmp_path):
    """B13: 135 + 127 + 488 kWh (Ontario Energy Board), prices (EPCOR 2021) published; sum derived."""
    charges = """
    - kind: energy
      name: Energy
      rates:
        - {name: on, per_kwh: 0.176, days: [weekdays], hours: ["11:00-17:00"]}
        - {name: mid, per_kwh: 0.119, days: [weekdays], hours: ["07:00-11:00", "17:00-19:00"]}
        - {name: off, per_kwh: 0.085, otherwise: true}
    """
    grid = local_grid("2021-06-01T00:00", "America/Toronto", 30 * 24)
    hour, weekday = grid.minute_of_day // 60, grid.weekday < 5
    on = weekday & (hour >= 11) & (hour < 17)
    mid = weekday & (hour >= 7) & (hour < 19) & ~on
    used = spread(on, 135) + spread(mid, 127) + spread(~on & ~mid, 488)
    bill = billed(tariff_of(tmp_path, charges), grid, used)
    assert [line.quantity for line in bill.lines] == pytest.approx([135, 127, 488], abs=1e-6)
    assert [line.amount for line in bill.lines] == pytest.approx([23.76, 15.113, 41.48], abs=1e-6)
    assert bill.total == pytest.approx(80.35, abs=CENT)


def test_a_night_window_runs_over_midnight(tmp_path):
    """B15, published: KSEB, night 22–06 h 75 %, evening peak 18–22 h 150 %. Derived: sums."""
    charges = """
    - kind: energy
      name: Energy
      rates:
        - {name: night, per_kwh: 0.75, hours: ["22:00-06:00"]}
        - {name: evening, per_kwh: 1.50, hours: ["18:00-22:00"]}
        - {name: normal, per_kwh: 1.00, hours: ["06:00-18:00"]}
    """
    tariff = tariff_of(tmp_path, charges)
    grid = local_grid("2025-05-02T00:00", "Asia/Kolkata", 24)
    prices = [billed(tariff, grid, np.eye(24)[hour]).total for hour in range(24)]
    expected = [0.75] * 6 + [1.0] * 12 + [1.5] * 4 + [0.75] * 2
    assert prices == pytest.approx(expected, abs=1e-12)


# --- Demand


def test_the_load_factor_is_mean_over_highest_power(tmp_path):
    """B17, by hand: 65,000 kWh ÷ (125 kW × 720 h) = 72.2 %."""
    grid = local_grid("2025-06-01T00:00", "UTC", 720)
    used = np.full(720, (65_000 - 125) / 719)
    used[400] = 125
    energy, highest = billed(
        tariff_of(tmp_path, flat_energy(0.07) + demand(1, 60)), grid, used
    ).lines
    assert energy.quantity / (highest.quantity * 720) == pytest.approx(0.722, abs=0.0005)


@pytest.mark.parametrize(("kw", "hours", "total"), [(20, 1, 241.40), (2, 10, 25.40)])
def test_the_same_energy_costs_ten_times_as_much_at_ten_times_the_peak(tmp_path, kw, hours, total):
    """B18, published: homeworks.org, 20 kWh either way, 12 per kW and 0.07 per kWh."""
    used = np.where(np.arange(24) < hours, kw, 0)
    bill = billed(tariff_of(tmp_path, flat_energy(0.07) + demand(12, 60)), hourly_grid(24), used)
    assert bill.total == pytest.approx(total, abs=CENT)


@pytest.mark.parametrize(
    ("half_hours", "dollars"), [((8, 9), 5.00), ((8, 8), 5.00), ((8, 10), 2.50)]
)
def test_a_60_minute_demand_averages_inside_the_clock_hour(tmp_path, half_hours, dollars):
    """B19, published: Columbia River PUD, two 5-kW appliances for 30 min each, 1 per kW.

    One after the other or together in one hour make 5 kW; in different hours 2.5 kW.
    """
    used = np.zeros(48)
    np.add.at(used, list(half_hours), 5 * 0.5)
    bill = billed(tariff_of(tmp_path, demand(1, 60)), hourly_grid(48, 30), used)
    assert bill.total == pytest.approx(dollars, abs=CENT)


@pytest.mark.parametrize(("starts", "dollars"), [((17, 17), 24.00), ((17, 18), 12.00)])
def test_an_on_peak_demand_looks_at_its_own_hours_only(tmp_path, starts, dollars):
    """B20, published: CORE Electric Cooperative, 3 per kW, 16–20 h, two 4-kW loads of an hour.

    Derived: 50 kW at 15 h and at 20 h, outside the window, change nothing.
    """
    used = np.zeros(24)
    np.add.at(used, list(starts), 4.0)
    used[[15, 20]] = 50.0
    tariff = tariff_of(tmp_path, demand(3, 60, ', hours: ["16:00-20:00"]'))
    assert billed(tariff, hourly_grid(24), used).total == pytest.approx(dollars, abs=CENT)


def test_kw_is_half_hour_kwh_times_two(tmp_path):
    """B21, published: OVO Energy Australia, 0.676 kWh in 30 min is 1.352 kW."""
    used = np.where(np.arange(48) == 30, 0.676, 0.1)
    (line,) = billed(tariff_of(tmp_path, demand(1, 30)), hourly_grid(48, 30), used).lines
    assert line.quantity == pytest.approx(1.352, abs=1e-9)
    assert line.because == "1.352 kW Wed 1 Jan 2025, 15:00–15:30"


def test_demand_priced_per_day_is_charged_for_every_day_of_the_bill(tmp_path):
    """B21, by hand: 9.6 kW × 90 d × 0.15 = 129.60."""
    grid = local_grid("2025-05-01T00:00", "Australia/Brisbane", 90 * 48, 30)
    periods = meter_read_periods(grid, [date(2025, 5, 1), date(2025, 7, 30)], "test")
    used = np.where(np.arange(grid.count) == 2000, 4.8, 0.2)
    tariff = tariff_of(tmp_path, demand(0.15, 30, ", per: day"))
    bill = billed(tariff, grid, used, periods=periods)
    assert bill.total == pytest.approx(129.60, abs=CENT)


@pytest.mark.parametrize(("more", "highest"), [("", 20), (", rolling_minutes: 5", 30)])
def test_a_rolling_demand_sees_what_a_block_demand_cuts_in_two(tmp_path, more, highest):
    """B22: rule published (CIM14 IEC 61968 Metering, DynamicDemand), numbers derived.

    5-min kW 0,0,30 | 30,30,0 | 0,0,0: blocks of 15 min mean 10, 20 and 0 kW; rolling by 5 min, the
    three steps of 30 kW lie in one interval.
    """
    kw = np.array([0, 0, 30, 30, 30, 0, 0, 0, 0])
    (line,) = billed(tariff_of(tmp_path, demand(1, 15, more)), hourly_grid(9, 5), kw / 12).lines
    assert line.quantity == pytest.approx(highest, abs=1e-9)


@pytest.mark.parametrize(
    ("kw", "minutes", "hour_value"), [(5, 30, 2.5), (10, 10, 1.67), (10, 60, 10)]
)
def test_part_of_an_hour_counts_as_the_mean_of_the_hour(tmp_path, kw, minutes, hour_value):
    """C05, published: Norgesnett, what an hour value is."""
    used = np.where(np.arange(24) < minutes // 5, kw / 12, 0)
    (line,) = billed(tariff_of(tmp_path, demand(1, 60)), hourly_grid(24, 5), used).lines
    assert line.quantity == pytest.approx(hour_value, abs=CENT)


# --- Calendars

EVENING_PEAK = """
- kind: energy
  name: Energy
  rates:
    - {name: peak, per_kwh: 0.50, days: [weekdays], hours: ["16:00-21:00"]}
    - {name: off-peak, per_kwh: 0.20, otherwise: true}
"""

INDEPENDENCE_DAY = """
holidays:
  rules:
    - {name: Independence Day, month: 7, day: 4, if_sunday: monday}
"""


@pytest.mark.parametrize(
    ("day", "price"),
    [
        ("2026-07-02", 0.50),  # a Thursday
        ("2026-07-03", 0.50),  # the Friday before a Saturday holiday: a normal weekday
        ("2026-07-06", 0.50),  # the Monday after it: nothing moves
        ("2027-07-05", 0.20),  # the Monday after a Sunday holiday: kept instead
        ("2027-07-06", 0.50),
        ("2025-07-04", 0.20),  # the holiday itself on a Friday
    ],
)
def test_a_sunday_holiday_moves_to_monday_and_a_saturday_one_does_not(tmp_path, day, price):
    """B16, published: PG&E non-residential TOU holidays; the days: Electric Rule 1. Prices invented."""
    tariff = tariff_of(tmp_path, EVENING_PEAK, INDEPENDENCE_DAY)
    grid = local_grid(f"{day}T00:00", "America/Los_Angeles", 24)
    assert billed(tariff, grid, np.eye(24)[18]).total == pytest.approx(price, abs=1e-12)


CLOCK_CHANGES = [
    ("2024-03-10", "America/New_York", 23),
    ("2024-11-03", "America/New_York", 25),
    ("2024-03-31", "Europe/Brussels", 23),
    ("2024-10-27", "Europe/Brussels", 25),
    ("2024-06-01", "Europe/Brussels", 24),
]


@pytest.mark.parametrize(("day", "zone", "hours"), CLOCK_CHANGES)
def test_a_day_of_clock_change_has_23_or_25_hours(day, zone, hours):
    """S07: recomputed from the rules of the zones; 92 and 100 quarter-hours follow."""
    day_itself = date.fromisoformat(day)
    assert hours_of_day(day_itself, zone) == hours
    for step_minutes, steps_an_hour in ((60, 1), (15, 4)):
        grid = local_grid(f"{day}T00:00", zone, 30 * steps_an_hour, step_minutes)
        steps_of_day = (grid.day == grid.dates.index(day_itself)).sum()
        assert steps_of_day == hours * steps_an_hour


@pytest.mark.parametrize(("day", "zone", "hours"), CLOCK_CHANGES)
def test_on_a_day_of_clock_change_windows_follow_the_clock_and_a_day_is_one_day(
    tmp_path, day, zone, hours
):
    """B16, published: periods follow the daylight-saving clock. Derived: 5 h of window in any day."""
    charges = """
    - kind: energy
      name: Energy
      rates:
        - {name: peak, per_kwh: 0.50, hours: ["16:00-21:00"]}
        - {name: off-peak, per_kwh: 0.20, otherwise: true}
    - {kind: fixed, name: Supply, amount: 1.00, per: day}
    """
    bill = billed(tariff_of(tmp_path, charges), local_grid(f"{day}T00:00", zone, hours), 1.0)
    assert [line.quantity for line in bill.lines] == pytest.approx([5, hours - 5, 1], abs=1e-9)
