"""Bills worked by hand for what tariffs of 2026 ask, each with where the rule is from.

Rules said to be *from memory* were not looked up for this test; their figures are simple ones, and
the arithmetic stands beside each.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from optimizer.base.timegrid import calendar_months, meter_read_periods
from optimizer.billing.tariff import compile_cost
from optimizer.cost.expression import linear_cost
from tests.builders import billed, local_grid, read_tariff_text, tariff_of
from tests.outside.test_published_bills import month, with_peaks

CENT = 0.005


def amounts(bill):
    """Return the amount of each charge. [money]"""
    return bill.by_charge()


@pytest.mark.parametrize(
    ("kwh", "price"), [(340, 7.25), (350, 7.25), (351, 7.60), (400, 7.60), (401, 7.90), (501, 8.80)]
)
def test_one_price_of_all_units_jumps_at_a_slab(tmp_path, kwh, price):
    """Kerala, households above 250 units a month (from memory): all units at the price of their slab."""
    charges = """
    - kind: energy
      name: Energy
      blocks:
        price_of_all: true
        blocks:
          - {up_to_kwh: 300, per_kwh: 6.40}
          - {up_to_kwh: 350, per_kwh: 7.25}
          - {up_to_kwh: 400, per_kwh: 7.60}
          - {up_to_kwh: 500, per_kwh: 7.90}
          - {per_kwh: 8.80}
    """
    grid, periods = month("2025-06-01", 30)
    bill = billed(tariff_of(tmp_path, charges), grid, kwh / grid.count, periods=periods)
    assert bill.total == pytest.approx(kwh * price, abs=CENT)


@pytest.mark.parametrize(
    ("market", "hour", "price"),
    [(0.10, 12, 0.22), (0.10, 17, 0.34), (0.16, 17, 0.35), (0.20, 12, 0.35), (-0.05, 3, -0.11)],
)
def test_a_market_price_times_a_factor_with_an_evening_addition_and_a_cap(
    tmp_path, market, hour, price
):
    """A British half-hourly formula (from memory): 2.2 × market, + 12 p from 16 to 19, at most 35 p."""
    stamps = [f"2025-06-02T{h:02d}:00+00:00,{market}" for h in range(24)]
    (tmp_path / "market.csv").write_text("time,price_per_kwh\n" + "\n".join(stamps) + "\n")
    charges = """
    - kind: energy
      name: Day
      any_of: [{hours: ["00:00-16:00"]}, {hours: ["19:00-24:00"]}]
      series: {file: market.csv, column: price_per_kwh, times: 2.2, at_most_per_kwh: 0.35}
    - kind: energy
      name: Evening
      hours: ["16:00-19:00"]
      series: {file: market.csv, column: price_per_kwh, times: 2.2, plus_per_kwh: 0.12,
               at_most_per_kwh: 0.35}
    """
    grid = local_grid("2025-06-02T00:00", "UTC", 24, 60)
    bill = billed(tariff_of(tmp_path, charges), grid, np.where(np.arange(24) == hour, 10.0, 0.0))
    assert bill.total == pytest.approx(10 * price, abs=CENT)


def test_an_hourly_table_of_export_has_576_prices_and_one_line(tmp_path):
    """California's export table (from memory): each month, weekday or weekend, hour. Values invented.

    The price of an hour is month ÷ 100 + hour ÷ 1000, and half of that on weekends: 1 kWh in each
    hour of 4 to 10 July 2025 (five weekdays; the 4th is a Friday) earns
    (5 + 2 × 0.5) × (24 × 0.07 + 276 ÷ 1000) = 6 × 1.956.
    """
    rows = [
        f"{h:02d}:00,{h + 1:02d}:00,{m},{days},{share * (m / 100 + h / 1000):.6f}"
        for m in range(1, 13)
        for days, share in (("weekdays", 1.0), ("weekends", 0.5))
        for h in range(24)
    ]
    assert len(rows) == 576
    (tmp_path / "values.csv").write_text("from,to,months,days,per_kwh\n" + "\n".join(rows) + "\n")
    charges = "- {kind: export_credit, name: Export, table: {file: values.csv, column: per_kwh}}"
    grid = local_grid("2025-07-04T00:00", "America/Los_Angeles", 7 * 24, 60)
    bill = billed(tariff_of(tmp_path, charges), grid, 0.0, export_kwh=1.0)
    assert len(bill.lines) == 1
    assert bill.total == pytest.approx(-6 * 1.956, abs=1e-9)


def test_a_table_by_a_clock_without_daylight_saving_lies_an_hour_later_in_summer(tmp_path):
    """Common practice, no published source: sheets in standard time. Noon of the table is 13 h in July."""
    (tmp_path / "t.csv").write_text(
        "from,to,per_kwh\n00:00,12:00,0.1\n12:00,13:00,0.9\n13:00,24:00,0.2\n"
    )
    charges = """
    - {kind: energy, name: Energy, table: {file: t.csv, column: per_kwh, zone: Etc/GMT-1}}
    """
    grid = local_grid("2025-07-01T00:00", "Europe/Berlin", 24, 60)
    tariff = tariff_of(tmp_path, charges)
    for hour, price in ((12, 0.1), (13, 0.9), (14, 0.2)):
        bill = billed(tariff, grid, np.where(np.arange(24) == hour, 10.0, 0.0))
        assert bill.total == pytest.approx(10 * price)


def test_the_demand_of_each_weekday_is_billed_by_itself(tmp_path):
    """New York's standby rates (from memory): kW of each weekday from 8 to 22 h, prices invented.

    Two days of 12 and 7 kW and a rest of 1 kW: 12 + 7 + 19 × 1 = 38 kW days at 0.50 in September 2025,
    which has 22 weekdays of which Labor Day is a holiday.
    """
    charges = """
    - {kind: demand, name: Daily, interval_minutes: 60, counted_over: day, per: day, per_kw: 0.50,
       days: [weekdays], hours: ["08:00-22:00"]}
    """
    holidays = "holidays: {dates: [2025-09-01]}"
    grid, periods = month("2025-09-01", 30)
    peaks = {"2025-09-01": 50, "2025-09-03": 12, "2025-09-10": 7, "2025-09-13": 40}
    bill = billed(
        tariff_of(tmp_path, charges, holidays), grid, with_peaks(grid, peaks, 1.0), periods=periods
    )
    assert bill.lines[0].quantity == pytest.approx(38)
    assert bill.total == pytest.approx(19.00, abs=CENT)


CHANGE = """
tariff: a change on 11 June
currency: EUR
versions:
  - from: 2025-01-01
    source: see the test
    charges:
      - {kind: demand, name: Own, interval_minutes: 60, per_kw: 9}
      - {kind: demand, name: Shared, interval_minutes: 60, per_kw: 9, at_change: whole period}
  - from: 2025-06-11
    source: see the test
    charges:
      - {kind: demand, name: Own, interval_minutes: 60, per_kw: 12}
      - {kind: demand, name: Shared, interval_minutes: 60, per_kw: 12, at_change: whole period}
"""


def test_the_peak_of_a_whole_month_is_paid_at_the_shared_price(tmp_path):
    """Common practice, no published source. June: 8 kW on the 5th, 6 kW on the 20th.

    Own days: 8 × 9 × 10/30 + 6 × 12 × 20/30 = 24 + 48. Whole period: 8 × (9 × 10/30 + 12 × 20/30) = 88.
    """
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-05": 8, "2025-06-20": 6}, 1.0)
    bill = billed(read_tariff_text(tmp_path, CHANGE), grid, used, periods=periods)
    assert amounts(bill) == pytest.approx({"Own": 72.0, "Shared": 88.0})


@pytest.mark.parametrize(("peak", "percent"), [(10.0, 0.0), (6.25, -3.0), (5.5, -7.0)])
def test_even_use_earns_a_rebate_by_load_factor(tmp_path, peak, percent):
    """Maharashtra, large users (from memory): a rebate above a load factor of 75 %, more above 85 %.

    5 kW for 720 h with one hour of the peak: 5 × 719 + peak kWh over peak × 720 h; bands invented.
    """
    charges = """
    - {kind: demand, name: Demand, interval_minutes: 60, per_kw: 0}
    - {kind: energy, name: Energy, per_kwh: 0.10}
    - kind: percentage
      name: Rebate
      of: [Energy]
      demand: Demand
      bands:
        - {from_load_factor: 0, percent: 0}
        - {from_load_factor: 0.75, percent: -3}
        - {from_load_factor: 0.85, percent: -7}
    """
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-05": peak}, 5.0)
    bill = billed(tariff_of(tmp_path, charges), grid, used, periods=periods)
    assert amounts(bill)["Rebate"] == pytest.approx(percent / 100 * 0.10 * (5 * 719 + peak))


def test_a_power_factor_table_adds_a_percentage(tmp_path):
    """Tables of power factors (common practice, no published source). 300 kWh, 400 kvarh: 0.6."""
    charges = """
    - {kind: energy, name: Energy, per_kwh: 0.10}
    - kind: percentage
      name: Addition
      of: [Energy]
      bands:
        - {from_power_factor: 0, percent: 20}
        - {from_power_factor: 0.6, percent: 12}
        - {from_power_factor: 0.9, percent: 0}
    """
    grid = local_grid("2025-06-01T00:00", "UTC", 100, 60)
    tariff = tariff_of(tmp_path, charges)
    bill = billed(tariff, grid, 3.0, reactive_kvarh=np.full(100, 4.0))
    assert amounts(bill)["Addition"] == pytest.approx(0.12 * 30)
    assert amounts(billed(tariff, grid, 3.0))["Addition"] == 0


def test_a_fee_for_export_beyond_a_yearly_band_begins_anew_in_april(tmp_path):
    """Common practice, no published source: 1,000 kWh a year from April free, then 0.02.

    600 kWh in February and 600 in March: 200 beyond; April's 600 are free again.
    """
    charges = """
    - kind: export_credit
      name: Fee
      blocks:
        counted_over: year
        year_begins: 04-01
        blocks: [{up_to_kwh: 1000, per_kwh: 0}, {per_kwh: -0.02}]
    """
    grid = local_grid("2025-02-01T00:00", "UTC", 24 * (28 + 31 + 30), 60)
    out = np.array([600 / hours for hours in (28 * 24, 31 * 24, 30 * 24)])
    bill = billed(tariff_of(tmp_path, charges), grid, 0.0, export_kwh=out[grid.month - 2])
    assert bill.by_period() == pytest.approx({"2025-02": 0.0, "2025-03": 4.0, "2025-04": 0.0})


@pytest.mark.parametrize(("net", "credit"), [(100, 10.0), (300, 24.8), (-50, 0.0)])
def test_a_baseline_credit_on_net_energy_stays_convex(tmp_path, net, credit):
    """California before 2023 (from memory): a credit for net use up to a baseline of 8 kWh a day."""
    charges = """
    - {kind: net_energy, name: Net, per_kwh: 0.30, left_over: lost}
    - kind: net_energy
      name: Baseline
      left_over: lost
      blocks: {per_days: 1, blocks: [{up_to_kwh: 8, per_kwh: -0.10}, {per_kwh: 0}]}
    """
    grid, periods = month("2025-07-01", 31)
    tariff = tariff_of(tmp_path, charges)
    bought, sold = 400 / grid.count, (400 - net) / grid.count
    bill = billed(tariff, grid, bought, export_kwh=sold, periods=periods)
    assert amounts(bill) == pytest.approx({"Net": 0.30 * max(net, 0), "Baseline": -credit})
    cost = compile_cost(tariff, grid, periods)
    assert linear_cost(cost.total, grid.count).is_convex


@pytest.mark.parametrize(
    ("stamp", "price"),
    [("14T05", 0.13), ("14T06", 0.70), ("14T21", 0.70), ("14T23", 0.16), ("15T05", 0.16),
     ("15T06", 0.16), ("15T22", 0.13)],
)  # fmt: skip
def test_the_day_of_a_colour_runs_from_six_to_six(tmp_path, stamp, price):
    """France, days by colour (from memory): 14 January is red from 06:00 to 06:00 of the 15th, others blue.

    Prices invented: red 0.70 and 0.16, blue 0.16 and 0.13, nights from 22 to 06.
    """
    charges = """
    - kind: energy
      name: Energy
      rates:
        - {name: red day, per_kwh: 0.70, dates: [2026-01-14], hours: ["06:00-22:00"]}
        - {name: red night, per_kwh: 0.16, dates: [2026-01-14], hours: ["22:00-06:00"],
           after_midnight: next day}
        - {name: blue day, per_kwh: 0.16, hours: ["06:00-22:00"]}
        - {name: blue night, per_kwh: 0.13, otherwise: true}
    """
    grid = local_grid("2026-01-13T00:00", "Europe/Paris", 24 * 3, 60)
    used = (
        np.array([grid.label(n).startswith(f"2026-01-{stamp}") for n in range(grid.count)]) * 10.0
    )
    assert billed(tariff_of(tmp_path, charges), grid, used).total == pytest.approx(10 * price)


def test_a_fee_by_steps_of_a_broken_month_says_that_it_is_a_share(tmp_path):
    """Derived: 20 of 30 days of June, 2 kW: 20/30 of the step from 2 kW."""
    charges = """
    - {kind: demand, name: D, interval_minutes: 60, per_kw: 0}
    - {kind: step_fee, name: Step, by: D, steps: [{from: 0, amount: 30}, {from: 2, amount: 60}]}
    """
    grid = local_grid("2025-06-11T00:00", "UTC", 24 * 20, 60)
    tariff = tariff_of(tmp_path, charges)
    assert billed(tariff, grid, 2.0).total == pytest.approx(40.0)
    (note,) = compile_cost(tariff, grid, calendar_months(grid)).notes
    assert note.startswith("Step: 20 of the 30 days of 2025-06 are billed, so it pays that share")


@pytest.mark.parametrize(("counted", "kw"), [("each interval", 7.0), ("root of squares", 5.0)])
def test_excess_power_is_added_up_or_taken_as_the_root_of_squares(tmp_path, counted, kw):
    """Spain, meters of a quarter hour (from memory): price × √Σ(kW − agreed)². 3 and 4 kW above 10: 5.

    A plan counts the highest excess alone, 4 kW.
    """
    charges = f"""
    - kind: demand
      name: Excess
      interval_minutes: 15
      per_kw: 2.00
      excess: {{above_kw: 10, counted: {counted}}}
    """
    grid = local_grid("2025-06-01T00:00", "UTC", 96, 15)
    power = np.full(96, 6.0)
    power[[40, 70]] = 13.0, 14.0
    bill = billed(tariff_of(tmp_path, charges), grid, power / 4)
    assert bill.total == pytest.approx(2 * kw)
    assert bill.total_as_planned == pytest.approx(2 * 4)


def test_demand_of_hours_told_later_is_billed_in_them_and_planned_in_likely_ones(tmp_path):
    """Charges by the system's highest hour (common practice, no published source). 1 kW all day.

    Billed: 5 kW in the hour that was told. Planned: 9 kW, the highest of the likely hours, at 60 %.
    """
    charges = """
    - kind: demand
      name: System peak
      interval_minutes: 60
      per_kw: 3.00
      dates: [2025-07-15]
      hours: ["17:00-18:00"]
      planned_in: {days: [weekdays], hours: ["15:00-19:00"], pct: 60}
    """
    grid, periods = month("2025-07-01", 31)
    used = with_peaks(grid, {"2025-07-15": 5}, 1.0, hour=17)
    used += with_peaks(grid, {"2025-07-22": 8}, hour=16) + with_peaks(
        grid, {"2025-07-20": 40}, hour=16
    )
    bill = billed(tariff_of(tmp_path, charges), grid, used, periods=periods)
    assert bill.total == pytest.approx(15.00, abs=CENT)
    assert bill.total_as_planned == pytest.approx(3 * 0.6 * 9)
    assert bill.lines[0].because == "5 kW Tue 15 Jul 2025, 17:00–18:00"


CONVEX = {
    "hours by weight": ("demand", "interval_minutes: 60, per_kw: 1, any_of: [{hours: ['06:00-22:00']},"
                        " {hours: ['22:00-06:00'], pct: 50}]", True),
    "each day": ("demand", "interval_minutes: 60, per_kw: 1, counted_over: day, per: day", True),
    "above what was agreed": ("demand", "interval_minutes: 60, counted_over: day, per: day,"
                              " blocks: [{up_to_kw: 5, per_kw: 0}, {per_kw: 1}]", True),
    "excess": ("demand", "interval_minutes: 60, per_kw: 1,"
               " excess: {above_kw: 5, counted: root of squares}", True),
    "falling": ("demand", "interval_minutes: 60, counted_over: day, per: day,"
                " blocks: [{up_to_kw: 5, per_kw: 2}, {per_kw: 1}]", False),
    "export": ("demand", "interval_minutes: 60, per_kw: 1, direction: export", True),
    "one price of all": ("energy", "blocks: {price_of_all: true, blocks: [{up_to_kwh: 5, per_kwh: 1},"
                         " {per_kwh: 2}]}", False),
    "net blocks": ("net_energy", "left_over: lost, blocks: {blocks: [{up_to_kwh: 5, per_kwh: 1},"
                   " {per_kwh: 2}]}", True),
}  # fmt: skip


@pytest.mark.parametrize("name", CONVEX)
def test_what_is_convex_needs_no_integers(tmp_path, name):
    kind, words, is_convex = CONVEX[name]
    grid, periods = month("2025-06-02", 7)
    tariff = tariff_of(tmp_path, f"- {{kind: {kind}, name: Case, {words}}}")
    cost = compile_cost(tariff, grid, periods)
    assert linear_cost(cost.total, grid.count).is_convex == is_convex


def test_read_dates_begin_at_midnight(tmp_path):
    """Derived: 1 kWh an hour from 5 January to 4 February is 30 × 24 kWh."""
    grid = local_grid("2025-01-05T00:00", "Europe/Dublin", 24 * 58, 60)
    reads = [date(2025, 1, 5), date(2025, 2, 4), date(2025, 3, 4)]
    periods = meter_read_periods(grid, reads, "test")
    bill = billed(
        tariff_of(tmp_path, "- {kind: energy, name: E, per_kwh: 1}"), grid, 1.0, periods=periods
    )
    assert list(bill.by_period().values()) == [720, 672]
