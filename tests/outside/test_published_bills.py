"""What utilities, regulators and textbooks print, reproduced: energy, demand, capacity, export.

``PLACES`` names for each entry of the list of published bills (B01–B36, C01–C08) the tests and the
worked bills that hold it. Entries, or parts of them, that state no result to compare with:

=====  ==============================================================================================
entry  why it is not, or not wholly, checked
=====  ==============================================================================================
B03    thresholds only, no prices: they stand in an invented tariff
B14    prices and the words of a floor, no use and no bill; the minimum itself is checked by B32
B33    the reset's date only; the figures beside it are derived
B35    the year (13.30 − 6.70 = 6.60) gives no energy, the month does
B36    the order of lines only: taxes on a subtotal, checked by B30
C03    2 kW → 80.80 disregards the floor of 2.5 kW: an illustration; the floor's 101.00 is derived
C06    Høland og Setskog, Hemsil, lede.no: amounts without the edges of their steps
C08    Kristinehamn: two highest hours, no price
=====  ==============================================================================================

Of B31 the prices below 2,500 hours of use are not in the source; the test takes invented ones.
"""

from __future__ import annotations

import math
import re
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.calendar import Holidays
from optimizer.base.timegrid import calendar_months, meter_read_periods
from optimizer.billing.history import History
from optimizer.billing.tariff import compile_cost, shipped_folder
from tests.builders import billed, hourly_grid, local_grid, read_tariff_text, tariff_of

CENT = 0.005

PLACES = {
    "B01": "test_a_signed_rider_lowers_the_bill_as_published",
    "B02": "published_ca_two_steps_by_days",
    "B03": "seasonal_thresholds",
    "B04": "published_lk_daily_blocks",
    "B05": "test_blocks_are_scaled_by_days_only_outside_a_normal_length",
    "B06": "test_blocks_duty_rent_and_surcharge_make_the_published_bill",
    "B07": "published_my_blocks_and_discount",
    "B08": "rounded_bill, test_the_older_bill_with_cut_lines_is_the_published_one",
    "B09": "hours_of_demand, test_hours_of_demand_at_a_discount",
    "B10": "price_change, test_a_monthly_charge_is_prorated_over_a_29_day_bill,"
           " test_a_price_change_inside_a_bill_splits_the_energy_by_days",
    "B11": "test_a_supply_charge_per_day_and_flat_energy_make_the_published_year",
    "B12": "test_moving_use_off_peak_gives_the_published_time_of_day_bills",
    "B13": "test_the_regulators_sample_household_pays_80_35_for_its_energy",
    "B14": "",
    "B15": "test_a_night_window_runs_over_midnight",
    "B16": "critical_events, test_a_sunday_holiday_moves_to_monday_and_a_saturday_one_does_not,"
           " test_the_published_off_peak_days_of_2017_follow_from_rules",
    "B17": "test_the_load_factor_is_mean_over_highest_power",
    "B18": "test_the_same_energy_costs_ten_times_as_much_at_ten_times_the_peak",
    "B19": "test_a_60_minute_demand_averages_inside_the_clock_hour",
    "B20": "test_an_on_peak_demand_looks_at_its_own_hours_only",
    "B21": "test_kw_is_half_hour_kwh_times_two,"
           " test_demand_priced_per_day_is_charged_for_every_day_of_the_bill",
    "B22": "test_a_rolling_demand_sees_what_a_block_demand_cuts_in_two",
    "B23": "ratchet, test_a_ratchet_of_half_the_years_highest,"
           " test_the_highest_of_seven_months_with_a_least_demand,"
           " test_a_ratchet_on_billed_demand_decays_and_one_on_actual_demand_does_not",
    "B24": "test_a_ratcheted_peak_is_worth_its_eleven_months",
    "B25": "test_the_load_factor_decides_the_bill",
    "B26": "power_factor",
    "B27": "power_factor",
    "B28": "test_an_additive_power_factor_adjustment, test_excess_off_peak_demand_is_two_charges",
    "B29": "test_falling_blocks_of_a_large_power_rate, test_billing_demand_by_kva_and_winter",
    "B30": "contracted_power",
    "B31": "test_an_annual_demand_and_its_energy_make_the_published_year,"
           " test_the_published_year_is_that_of_its_hours_of_use",
    "B32": "minimum_and_reserve",
    "B33": "net_metering",
    "B34": "net_billing, test_monthly_netting_at_retail_makes_less_than_half_of_net_billing",
    "B35": "two_way_export",
    "B36": "",
    "C01": "published_be_mean_of_twelve_months,"
           " test_a_floor_on_each_month_or_on_the_mean_of_the_year",
    "C02": "test_a_floor_on_each_month_or_on_the_mean_of_the_year",
    "C03": "published_be_mean_of_twelve_months",
    "C04": "test_three_hours_of_different_days_set_a_lower_step_than_one,"
           " published_no_steps_of_last_month",
    "C05": "test_part_of_an_hour_counts_as_the_mean_of_the_hour",
    "C06": "published_no_steps_of_last_month, test_a_mean_of_10_7_kw_lies_in_the_step_from_10_to_15",
    "C07": "published_no_weighted_weekly_peaks",
    "C08": "published_se_three_weekday_hours, test_a_single_highest_hour_in_partille",
}  # fmt: skip


def test_every_entry_has_a_test_a_worked_bill_or_a_reason() -> None:
    wanted = [f"B{n:02d}" for n in range(1, 37)] + [f"C{n:02d}" for n in range(1, 9)]
    texts = [path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_*.py")]
    tests = set(re.findall(r"def (test_\w+)\(", "".join(texts)))
    bills = {path.name.removesuffix(".bills.yaml") for path in shipped_folder("tariffs").iterdir()}
    assert list(PLACES) == wanted
    for entry, places in PLACES.items():
        named = [place.strip() for place in places.split(",") if place]
        assert set(named) <= tests | bills, entry
        assert named or f"\n{entry}    " in (__doc__ or ""), entry


def with_peaks(grid, peaks, rest=0.0, hour=12):
    """Return kWh of each step: kW for the hour of a day, ``rest`` kW in all other steps."""
    energy = np.full(grid.count, rest * grid.step_h)
    for day, kw in peaks.items():
        index = grid.dates.index(date.fromisoformat(day))
        first = np.flatnonzero((grid.day == index) & (grid.minute_of_day == hour * 60))[0]
        energy[first] = kw * grid.step_h
    return energy


def lines_named(bill, charge):
    return [line for line in bill.lines if line.charge == charge]


def month(begin, days, zone="UTC", step_minutes=60):
    """Return a grid of some days and the one billing period that they are."""
    grid = local_grid(f"{begin}T00:00", zone, days * 24 * 60 // step_minutes, step_minutes)
    first = date.fromisoformat(begin)
    return grid, meter_read_periods(grid, [first, first + timedelta(days=days)], "test")


# --- Energy


@pytest.mark.parametrize(("days", "first_block"), [(24, 320), (25, 400), (35, 400), (36, 480)])
def test_blocks_are_scaled_by_days_only_outside_a_normal_length(tmp_path, days, first_block):
    """B05, published rule: CLP Power Hong Kong, blocks × N/30 only below 25 or above 35 days.

    Derived: the sizes for an invented block of 400 kWh at 1.00, the rest at 2.00.
    """
    charges = """
    - kind: energy
      name: Energy
      blocks:
        per_days: 30
        unless_days: [25, 35]
        blocks: [{up_to_kwh: 400, per_kwh: 1.00}, {per_kwh: 2.00}]
    - {kind: minimum, name: Minimum, amount: 40.00, per: month, of: all above}
    """
    grid, periods = month("2025-05-05", days)
    tariff = tariff_of(tmp_path, charges)
    bill = billed(tariff, grid, 900 / grid.count, periods=periods)
    assert bill.lines[0].quantity == pytest.approx(first_block, abs=1e-6)
    assert bill.total == pytest.approx(first_block + 2 * (900 - first_block), abs=CENT)
    # published: at least HK$40 a bill, however many days it has
    assert billed(tariff, grid, 1 / grid.count, periods=periods).total == pytest.approx(40.00)


KSEB = """
- kind: energy
  name: Energy
  blocks:
    blocks:
      - {up_to_kwh: 50, per_kwh: 3.15}
      - {up_to_kwh: 100, per_kwh: 3.70}
      - {up_to_kwh: 150, per_kwh: 4.80}
      - {per_kwh: 6.40}
- {kind: percentage, name: Duty, percent: 10, of: [Energy]}
- {kind: fixed, name: Meter rent, amount: 6.00, per: month}
- {kind: percentage, name: GST, percent: 18, of: [Meter rent]}
- {kind: percentage, name: Cess, percent: 1, of: [Meter rent]}
- {kind: energy, name: Fuel, per_kwh: 0.10}
- {kind: fixed, name: Fixed charge, amount: 55.00, per: month}
"""


def test_blocks_duty_rent_and_surcharge_make_the_published_bill(tmp_path):
    """B06, published: KSEB (Kerala), 117 kWh: 424.10, duty 42.41, 540.35 in all.

    Derived: 489.10 after a subsidy of 51.25, given as an amount.
    """
    grid, periods = month("2025-06-01", 30, "Asia/Kolkata")
    bill = billed(tariff_of(tmp_path, KSEB), grid, 117 / 720, periods=periods)
    energy = [line.amount for line in lines_named(bill, "Energy")]
    assert energy == pytest.approx([157.50, 185.00, 81.60, 0], abs=CENT)
    by_charge = bill.by_charge()
    assert [by_charge[name] for name in ("Energy", "Duty", "GST", "Cess", "Fuel")] == pytest.approx(
        [424.10, 42.41, 1.08, 0.06, 11.70], abs=CENT
    )
    assert bill.total == pytest.approx(540.35, abs=CENT)
    subsidy = "- {kind: fixed, name: Subsidy, amount: -51.25, per: month}\n"
    with_subsidy = billed(tariff_of(tmp_path, KSEB + subsidy), grid, 117 / 720, periods=periods)
    assert with_subsidy.total == pytest.approx(489.10, abs=CENT)


def test_blocks_of_two_months_make_the_published_energy(tmp_path):
    """B06, published: KSEB, 396 kWh in two months: 315 + 370 + 480 + 614.40 = 1,779.40.

    The published widths are those of a month, doubled: 100 kWh each.
    """
    doubled = re.sub(
        r"up_to_kwh: (\d+)",
        lambda found: f"up_to_kwh: {2 * int(found[1])}",
        KSEB.split("- {kind")[0],
    )
    grid, periods = month("2025-06-01", 61, "Asia/Kolkata")
    bill = billed(tariff_of(tmp_path, doubled), grid, 396 / grid.count, periods=periods)
    amounts = [line.amount for line in bill.lines]
    assert amounts == pytest.approx([315.00, 370.00, 480.00, 614.40], abs=CENT)
    assert bill.total == pytest.approx(1779.40, abs=CENT)


def test_the_older_bill_with_cut_lines_is_the_published_one(tmp_path):
    """B08, published (a Daum café post on a KEPCO bill): 229 kWh: 4,880 cut, 21,770; 26,370 in all."""
    charges = """
    - {kind: fixed, name: Base, amount: 1430, per: month}
    - kind: energy
      name: Energy
      round_amount: {to: 1, how: down}
      blocks:
        blocks:
          - {up_to_kwh: 100, per_kwh: 55.1}
          - {up_to_kwh: 200, per_kwh: 113.8}
          - {per_kwh: 168.3}
    - {kind: percentage, name: VAT, percent: 10, of: all above, round_amount: {to: 1}}
    - kind: percentage
      name: Fund
      percent: 3.7
      of: [Base, Energy]
      round_amount: {to: 10, how: down}
    """
    tariff = tariff_of(tmp_path, charges, "round_total: {to: 10, how: down}")
    grid, periods = month("2025-06-01", 30, "Asia/Seoul")
    bill = billed(tariff, grid, 229 / 720, periods=periods)
    assert lines_named(bill, "Energy")[-1].amount == 4880
    assert bill.by_charge() == pytest.approx(
        {"Base": 1430, "Energy": 21_770, "VAT": 2320, "Fund": 850, "Rounding": 0}
    )
    assert bill.total == 26_370


def test_hours_of_demand_at_a_discount(tmp_path):
    """B09, published (vias.org, ee_26_07): 6,400 kWh at 3.75 ct less 12 %: 240.00, 211.20.

    Published: 6,400 kWh / 50.6 kW = 126.5 h. Derived: they lie within the first 250 h, so that the
    second price (invented) does not enter.
    """
    charges = """
    - {kind: demand, name: Demand, per_kw: 0, interval_minutes: 60}
    - kind: energy
      name: Energy
      blocks: {demand: Demand, blocks: [{up_to_h: 250, per_kwh: 0.0375}, {per_kwh: 0.01}]}
    - {kind: percentage, name: Discount, percent: -12, of: [Energy]}
    """
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-11": 50.6}, (6400 - 50.6) / 719)
    bill = billed(tariff_of(tmp_path, charges), grid, used, periods=periods)
    demand, energy, rest, _ = bill.lines
    assert energy.quantity / demand.quantity == pytest.approx(126.5, abs=0.05)
    assert (energy.amount, rest.amount) == pytest.approx((240.00, 0.0), abs=CENT)
    assert bill.total == pytest.approx(211.20, abs=CENT)


ONTARIO_2017 = [
    (1, 2), (2, 20), (4, 14), (5, 22), (7, 3), (8, 7), (9, 4), (10, 9), (12, 25), (12, 26),
]  # fmt: skip


def test_the_published_off_peak_days_of_2017_follow_from_rules():
    """B16, published: Bluewater Power, Ontario's off-peak holidays of 2017.

    1 January was a Sunday and 1 July a Saturday, both kept on Monday; Victoria Day is the Monday
    before 25 May.
    """
    said = [
        {"name": "New Year", "month": 1, "day": 1, "if_sunday": "monday", "if_saturday": "monday"},
        {"name": "Family Day", "month": 2, "nth": 3, "weekday": "monday"},
        {"name": "Good Friday", "days_from_easter": -2},
        {"name": "Victoria Day", "month": 5, "day": 18, "weekday": "monday"},
        {
            "name": "Canada Day",
            "month": 7,
            "day": 1,
            "if_sunday": "monday",
            "if_saturday": "monday",
        },
        {"name": "Civic Holiday", "month": 8, "nth": 1, "weekday": "monday"},
        {"name": "Labour Day", "month": 9, "nth": 1, "weekday": "monday"},
        {"name": "Thanksgiving", "month": 10, "nth": 2, "weekday": "monday"},
        {"name": "Christmas", "month": 12, "day": 25},
        {"name": "Boxing Day", "month": 12, "day": 26},
    ]
    days = [date(2017, 1, 1) + timedelta(days=n) for n in range(365)]
    kept = Holidays.model_validate({"rules": said}).among(days)
    assert sorted(kept) == [date(2017, *day) for day in ONTARIO_2017]


# --- Demand


def demand(text, per_kw=1.0, minutes=60):
    return (
        f"- {{kind: demand, name: Demand, per_kw: {per_kw}, interval_minutes: {minutes}{text}}}\n"
    )


@pytest.mark.parametrize(("actual", "kw"), [(80, 100), (105, 105)])
def test_a_ratchet_of_half_the_years_highest(tmp_path, actual, kw):
    """B23, published variant: 50 % of the annual maximum of 200 kW; 80 → 100, 105 → 105 kW."""
    tariff = tariff_of(tmp_path, demand(", ratchet: {pct: 50, months: 12}"))
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-11": actual}, 10)
    history = History(past_peaks_kw={"Demand": {"2024-08": 200, "2025-05": 90}})
    (line,) = billed(tariff, grid, used, periods=periods, history=history).lines
    assert line.quantity == pytest.approx(kw, abs=1e-9)


@pytest.mark.parametrize(("past", "kw"), [({"2024-12": 50}, 50), ({"2024-11": 50}, 20), ({}, 20)])
def test_the_highest_of_seven_months_with_a_least_demand(tmp_path, past, kw):
    """B23, published rule: CEB Mauritius, the highest of this and six months before, at least 20.

    Derived: December is six months before June, November seven.
    """
    tariff = tariff_of(tmp_path, demand(", at_least_kw: 20, ratchet: {pct: 100, months: 6}"))
    grid, periods = month("2025-06-01", 30)
    history = History(past_peaks_kw={"Demand": past})
    (line,) = billed(tariff, grid, 10.0, periods=periods, history=history).lines
    assert line.quantity == pytest.approx(kw, abs=1e-9)


@pytest.mark.parametrize(
    ("of", "kw"), [("actual", [1000, 800, 800, 800]), ("billed", [1000, 800, 800, 800])]
)
def test_a_ratchet_stands_at_its_share_of_the_highest(tmp_path, of, kw):
    """B23, derived: 80 % of 1,000 kW while that month is among those looked at, either way."""
    tariff = tariff_of(tmp_path, demand(f", ratchet: {{pct: 80, of: {of}}}"))
    grid = local_grid("2025-01-01T00:00", "UTC", 120 * 24)
    used = with_peaks(grid, {"2025-01-15": 1000}, 10)
    bill = billed(tariff, grid, used)
    assert [line.quantity for line in bill.lines] == pytest.approx(kw, abs=1e-9)


@pytest.mark.parametrize(
    ("of", "kw"), [("actual", [1000, 800, 10, 10]), ("billed", [1000, 800, 640, 512])]
)
def test_a_ratchet_on_billed_demand_decays_and_one_on_actual_demand_does_not(tmp_path, of, kw):
    """B23, derived: a look back of one month; billed demand falls by 0.8ⁿ and never resets."""
    tariff = tariff_of(tmp_path, demand(f", ratchet: {{pct: 80, months: 1, of: {of}}}"))
    grid = local_grid("2025-01-01T00:00", "UTC", 120 * 24)
    used = with_peaks(grid, {"2025-01-15": 1000}, 10)
    bill = billed(tariff, grid, used)
    assert [line.quantity for line in bill.lines] == pytest.approx(kw, abs=1e-9)


def test_a_ratcheted_peak_is_worth_its_eleven_months(tmp_path):
    """B24, from memory of Masters, Renewable and Efficient Electric Power Systems, ch. 5; recomputed.

    80 % ratchet at 9: a highest month of 100 kW costs 9 × (100 + 11 × 80) = 8,820 a year, one of
    90 kW 7,938; with 10 kW × 3 h × 22 d at 0.08 it saves 934.80, 1.42 for each of 660 kWh.
    """
    tariff = tariff_of(tmp_path, demand(", ratchet: {pct: 80}", per_kw=9))
    grid = local_grid("2024-08-01T00:00", "UTC", 365 * 24)
    august = {
        kw: billed(tariff, grid, with_peaks(grid, {"2024-08-14": kw}, 60)).total for kw in (100, 90)
    }
    assert august == pytest.approx({100: 8820, 90: 7938}, abs=CENT)
    saved = august[100] - august[90] + 10 * 3 * 22 * 0.08
    assert saved == pytest.approx(934.80, abs=CENT)
    assert saved / (10 * 3 * 22) == pytest.approx(1.42, abs=CENT)


@pytest.mark.parametrize(
    ("load_factor", "kw", "dollars"), [(0.15, 925.9, 15_259), (0.60, 231.5, 8315)]
)
def test_the_load_factor_decides_the_bill(tmp_path, load_factor, kw, dollars):
    """B25, from memory of Masters, ch. 5; recomputed: 100,000 kWh, 0.06 per kWh and 10 per kW, 720 h."""
    energy = "- {kind: energy, name: Energy, per_kwh: 0.06}\n"
    highest = 100_000 / (load_factor * 720)
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-11": highest}, (100_000 - highest) / 719)
    bill = billed(tariff_of(tmp_path, energy + demand("", 10)), grid, used, periods=periods)
    assert bill.lines[1].quantity == pytest.approx(kw, abs=0.05)
    assert bill.total == pytest.approx(dollars, abs=0.5)


def reactive_at(power_factor, active):
    """Return kvarh that energy of a power factor has."""
    return active * math.sqrt(1 / power_factor**2 - 1)


@pytest.mark.parametrize(("rule", "kw"), [("difference", 110.0), ("ratio", 111.76)])
def test_an_additive_power_factor_adjustment(tmp_path, rule, kw):
    """B28, published rule (White Paper #22, 2009): kW × (1 + (0.95 − PF)). Derived: 100 kW at 0.85."""
    tariff = tariff_of(tmp_path, demand(f", power_factor: {{rule: {rule}, target: 0.95}}"))
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-11": 100}, 40)
    reactive = reactive_at(0.85, used)
    (line,) = billed(tariff, grid, used, reactive_kvarh=reactive, periods=periods).lines
    assert line.quantity == pytest.approx(kw, abs=CENT)


@pytest.mark.parametrize(("off_peak_kw", "money"), [(100, 600 + 120), (40, 600)])
def test_excess_off_peak_demand_is_two_charges(tmp_path, off_peak_kw, money):
    """B28, published rule: excess off-peak kW = max(0, off-peak − on-peak). Derived: 10 and 3 per kW.

    10 × on + 3 × max(0, off − on) = 7 × on + 3 × max(on, off), and the highest of all hours is the
    larger of the two.
    """
    on_peak = demand(', hours: ["12:00-18:00"]', 7).replace("Demand", "On-peak demand")
    tariff = tariff_of(tmp_path, on_peak + demand("", 3))
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-11": 60}, 5, hour=14)
    used += with_peaks(grid, {"2025-06-12": off_peak_kw}, 0, hour=3)
    used[np.flatnonzero(used == off_peak_kw + 5)] = off_peak_kw
    bill = billed(tariff, grid, used, periods=periods)
    assert bill.total == pytest.approx(money, abs=1e-9)


def test_falling_blocks_of_a_large_power_rate(tmp_path):
    """B29, from memory of Hydro-Québec's rate M of April 2012; recomputed: 300,000 kWh, 11,481.00."""
    charges = """
    - kind: energy
      name: Energy
      blocks: {blocks: [{up_to_kwh: 210000, per_kwh: 0.041}, {per_kwh: 0.0319}]}
    """
    grid, periods = month("2012-06-01", 30)
    bill = billed(tariff_of(tmp_path, charges), grid, 300_000 / 720, periods=periods)
    assert bill.total == pytest.approx(11_481.00, abs=CENT)


@pytest.mark.parametrize(
    ("past", "kw"),
    [({"2012-01": 800}, 520), ({"2012-01": 600}, 450), ({"2011-08": 800}, 450), ({}, 450)],
)
def test_billing_demand_by_kva_and_winter(tmp_path, past, kw):
    """B29, rule from memory of rate M: the larger of kW and 0.9 × kVA, at least 65 % of the winter's.

    Derived: 400 kW and 300 kvar are 500 kVA, 450 kW; 65 % of January's 800 are 520; August is no
    winter month.
    """
    more = ", power_factor: {rule: kva, target: 0.9}, ratchet: {pct: 65, in_months: [12, 1, 2, 3]}"
    grid, periods = month("2012-06-01", 30)
    used = with_peaks(grid, {"2012-06-13": 400}, 40)
    reactive = with_peaks(grid, {"2012-06-13": 300}, 30)
    (line,) = billed(
        tariff_of(tmp_path, demand(more)), grid, used, reactive_kvarh=reactive, periods=periods,
        history=History(past_peaks_kw={"Demand": past}),
    ).lines  # fmt: skip
    assert line.quantity == pytest.approx(kw, abs=1e-9)


def test_an_annual_demand_and_its_energy_make_the_published_year(tmp_path):
    """B31, published: Stadtwerke Magdeburg 2024, 5,000 kW × 147.35 + 25 GWh × 0.49 ct = 859,250.

    The branch from 2,500 hours of use on; twelve monthly bills, each with a twelfth of the demand.
    """
    energy = "- {kind: energy, name: Energy, per_kwh: 0.0049}\n"
    yearly = demand(", per: year, counted_over: year", 147.35, 15)
    grid = local_grid("2024-01-01T00:00", "Europe/Berlin", 366 * 96, 15)
    used = np.full(grid.count, (25e6 - 1250) / (grid.count - 1))
    used[20_000] = 5000 / 4
    bill = billed(tariff_of(tmp_path, energy + yearly), grid, used)
    demands = [line.amount for line in lines_named(bill, "Demand")]
    assert demands == pytest.approx([736_750 / 12] * 12, abs=CENT)
    assert bill.by_charge() == pytest.approx({"Energy": 122_500, "Demand": 736_750}, abs=CENT)
    assert bill.total == pytest.approx(859_250, abs=CENT)


@pytest.mark.parametrize(("from_h", "total"), [(2500, 859_250), (5001, 25e6 * 0.04 + 5000 * 30)])
def test_the_published_year_is_that_of_its_hours_of_use(tmp_path, from_h, total):
    """B31 again: 25 GWh ÷ 5,000 kW = 5,000 h, so the branch from 2,500 h on; below it prices are invented."""
    charges = f"""
    - {{kind: energy, name: Energy, per_kwh: 0.0049}}
    {demand(", per: year, counted_over: year", 147.35, 15).strip()}
    - {{kind: energy, name: Energy below, per_kwh: 0.04}}
    {demand(", per: year, counted_over: year", 30, 15).strip().replace("Demand", "Demand below")}
    - kind: branches
      name: Hours of use
      demand: Demand
      counted_over: year
      branches:
        - {{from_h: 0, of: [Energy below, Demand below]}}
        - {{from_h: {from_h}, of: [Energy, Demand]}}
    """
    grid = local_grid("2024-01-01T00:00", "Europe/Berlin", 366 * 96, 15)
    used = np.full(grid.count, (25e6 - 1250) / (grid.count - 1))
    used[20_000] = 5000 / 4
    assert billed(tariff_of(tmp_path, charges), grid, used).total == pytest.approx(total, abs=CENT)


@pytest.mark.parametrize(
    ("begin", "days", "past", "is_told"),
    [
        ("2025-01-01", 365, {}, False),
        ("2025-01-01", 90, {}, True),
        ("2025-03-01", 306, {}, True),
        ("2025-03-01", 306, {"2025-01": 9, "2025-02": 8}, False),
    ],
)
def test_a_years_demand_on_part_of_a_year_is_told(tmp_path, begin, days, past, is_told):
    tariff = tariff_of(tmp_path, demand(", per: year, counted_over: year"))
    grid = local_grid(f"{begin}T00:00", "UTC", days * 24)
    history = History(past_peaks_kw={"Demand": past})
    cost = compile_cost(tariff, grid, calendar_months(grid), history)
    assert any("only part of 2025" in note for note in cost.notes) == is_told


# --- Export


def test_monthly_netting_at_retail_makes_less_than_half_of_net_billing(tmp_path):
    """B34, derived: 400 kWh in, 250 kWh out at 0.20: netted 30.00; at 0.05 for export 67.50."""
    netted = "- {kind: net_energy, name: Energy, per_kwh: 0.20}\n"
    priced = (
        "- {kind: energy, name: Energy, per_kwh: 0.20}\n"
        "- {kind: export_credit, name: Export, per_kwh: 0.05}\n"
    )
    grid, periods = month("2025-06-01", 30)
    noon = (grid.minute_of_day >= 600) & (grid.minute_of_day < 900)
    bought, sold = ~noon * 400 / (~noon).sum(), noon * 250 / noon.sum()
    totals = [
        billed(tariff_of(tmp_path, text), grid, bought, export_kwh=sold, periods=periods).total
        for text in (netted, priced)
    ]
    assert totals == pytest.approx([30.00, 67.50], abs=CENT)


# --- Capacity

FLANDERS = [0.632, 4.600, 0.000, 1.028, 3.444, 4.164, 4.564, 6.000, 9.200, 5.000, 4.120, 4.880]


@pytest.mark.parametrize(
    ("floor", "peaks", "kw"),
    [
        ("at_least_kw: 2.5", FLANDERS, 4.456),
        ("at_least_mean_kw: 2.5", FLANDERS, 3.969),
        ("at_least_mean_kw: 2.5", [1.2] * 12, 2.5),
    ],
)
def test_a_floor_on_each_month_or_on_the_mean_of_the_year(tmp_path, floor, peaks, kw):
    """C01, published (nl.wikibooks.org quoting VREG): May to April, mean 4.456 kW with 2.5 kW a month.

    The page prints 4,546, digits swapped: its own ratio of 1.782 to 2.5 fits 4.456 alone. C02,
    derived: floored on the mean, the same months make 3.969 kW.
    """
    tariff = tariff_of(tmp_path, demand(f", per: year, mean_of_months: 12, {floor}", 40.4, 15))
    grid = local_grid("2023-05-01T00:00", "Europe/Brussels", 366 * 96, 15)
    months = [*range(5, 13), *range(1, 5)]
    days = [f"{2023 + (m < 5)}-{m:02d}-17" for m in months]
    bill = billed(tariff, grid, with_peaks(grid, dict(zip(days, peaks, strict=True))))
    april = bill.lines[-1]
    assert (april.period, april.quantity) == ("2024-04", pytest.approx(kw, abs=0.0005))
    assert april.amount == pytest.approx(kw * 40.4 / 12, abs=CENT)


CABIN_STEPS = """
- kind: step_fee
  name: Step
  by: Demand
  steps: [{from: 0, amount: 260}, {from: 4, amount: 450}, {from: 6, amount: 570}]
"""


@pytest.mark.parametrize(
    ("rule", "peaks", "kw", "kroner"),
    [
        (", highest: 3, one_per: day", (9, 3, 2), 4.667, 450),
        ("", (9, 3, 2), 9, 570),
        (", highest: 3, one_per: day", (1, 1, 1), 1, 260),
    ],
)
def test_three_hours_of_different_days_set_a_lower_step_than_one(tmp_path, rule, peaks, kw, kroner):
    """C04, published (hlk.no): a cabin with 9, 3 and 2 kW pays 450 kr, by one hour 570; idle 260.

    The page cuts 4.67 kW to 4.66. Of its steps only these three are stated; those between 2 and
    4 kW and above 6 kW are not here. Derived: two more hours of 9 kW on the same day change nothing.
    """
    tariff = tariff_of(tmp_path, demand(rule, per_kw=0) + CABIN_STEPS)
    grid, periods = month("2025-02-01", 28, "Europe/Oslo")
    days = dict(zip(("2025-02-08", "2025-02-15", "2025-02-16"), peaks, strict=True))
    used = with_peaks(grid, days, 0.5)
    used += with_peaks(grid, {"2025-02-08": peaks[0] - 0.5}, hour=20)
    bill = billed(tariff, grid, used, periods=periods)
    assert bill.lines[0].quantity == pytest.approx(kw, abs=0.0005)
    assert bill.total == kroner


def test_a_mean_of_10_7_kw_lies_in_the_step_from_10_to_15(tmp_path):
    """C06, published: klive.no, 10.7 kW is in the step 10–15 kW; Griug 2024 asks 635 for that."""
    steps = "steps: [{from: 0, amount: 220}, {from: 10, amount: 635}, {from: 15, amount: 800}]"
    fee = f"- {{kind: step_fee, name: Step, by: Demand, {steps}}}\n"
    tariff = tariff_of(tmp_path, demand(", highest: 3, one_per: day", per_kw=0) + fee)
    grid, periods = month("2025-02-01", 28, "Europe/Oslo")
    used = with_peaks(grid, {"2025-02-03": 12.0, "2025-02-04": 10.1, "2025-02-05": 10.0}, 1)
    bill = billed(tariff, grid, used, periods=periods)
    assert bill.lines[0].quantity == pytest.approx(10.7, abs=1e-9)
    assert bill.total == 635


TWO_VERSIONS = """
tariff: prices that rise on the first of February
currency: NOK
versions:
  - from: 2024-01-01
    source: see the test
    charges: &charges
      - kind: demand
        name: Demand
        interval_minutes: 60
        blocks: [{up_to_kw: 3, per_kw: 0}, {per_kw: 1}]
      - kind: step_fee
        name: Step
        by: Demand
        of_period: previous
        steps: [{from: 0, amount: 330}, {from: 5, amount: 495}]
      - {kind: demand, name: Ratcheted, interval_minutes: 60, per_kw: 1, ratchet: {pct: 80}}
  - from: 2024-FROM
    source: see the test
    charges: *charges
"""


@pytest.mark.parametrize(
    ("begins", "steps", "ratcheted"),
    [
        ("02-01", {"2024-01": 495, "2024-02": 495, "2024-03": 330}, [7, 5.6, 5.6]),
        # Derived: from 21 January on the highest is 1 kW, a third (11/31) of the month; then January's
        # 7 kW still set February's step and ratchet.
        ("01-21", {"2024-01": 495 * 20 / 31 + 330 * 11 / 31, "2024-02": 495, "2024-03": 330},
         [7 * 20 / 31 + 1 * 11 / 31, 5.6, 5.6]),
    ],
)  # fmt: skip
def test_a_look_back_reaches_over_a_change_of_the_tariff(tmp_path, begins, steps, ratcheted):
    """C06, published: Griug, the previous month sets the step: 495 from 5 kW, 330 below. Kilowatts derived.

    The demand is that of all its blocks: 7 kW on 5 January, 1 kW in all other hours.
    """
    tariff = read_tariff_text(tmp_path, TWO_VERSIONS.replace("FROM", begins))
    grid = local_grid("2024-01-01T00:00", "Europe/Oslo", 91 * 24 - 1)
    bill = billed(tariff, grid, with_peaks(grid, {"2024-01-05": 7}, 1.0))
    fees = dict.fromkeys(steps, 0.0)
    for line in lines_named(bill, "Step"):
        fees[line.period] += line.amount
    assert fees == pytest.approx(steps)
    kilowatts = dict.fromkeys(steps, 0.0)
    for line in lines_named(bill, "Ratcheted"):
        kilowatts[line.period] += line.amount  # at 1 per kW
    assert list(kilowatts.values()) == pytest.approx(ratcheted)


@pytest.mark.parametrize(("kw", "kronor"), [(4, 118), (8, 236)])
def test_a_single_highest_hour_in_partille(tmp_path, kw, kronor):
    """C08, published: Partille, one highest hour at 29.50 per kW."""
    used = np.where(np.arange(24) == 18, kw, 0.3)
    bill = billed(tariff_of(tmp_path, demand("", 29.50)), hourly_grid(24), used)
    assert bill.total == pytest.approx(kronor, abs=CENT)
