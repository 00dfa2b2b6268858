"""Bills worked by hand: runs of negative prices, shared blocks, years of net energy, bookings, system peaks.

Rules said to be *from memory* were not looked up for this test; their figures are simple ones, and
the arithmetic stands beside each.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.base.timegrid import calendar_months
from optimizer.billing.history import History
from optimizer.billing.tariff import compile_cost, read_tariff
from optimizer.cost.expression import linear_cost
from tests.builders import billed, local_grid, read_tariff_text, tariff_of
from tests.outside.test_published_bills import month, with_peaks

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


def test_each_price_of_a_file_is_cut_before_those_of_an_hour_are_averaged(tmp_path):
    """Derived: 0.00, 0.10, 0.10 and 0.20 with a ceiling of 0.12 are paid (0.10 + 0.10 + 0.12) / 4 = 0.08."""
    rows = [f"2025-05-10T00:{15 * n:02d}Z,{price}" for n, price in enumerate([0.0, 0.1, 0.1, 0.2])]
    (tmp_path / "m.csv").write_text("time,per_kwh\n" + "\n".join(rows) + "\n")
    charges = """
    - {kind: energy, name: E, series: {file: m.csv, column: per_kwh, at_most_per_kwh: 0.12}}
    """
    grid = local_grid("2025-05-10T00:00", "UTC", 1, 60)
    assert billed(tariff_of(tmp_path, charges), grid, 10.0).total == pytest.approx(0.80)


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


# --- booked power that changes

BOOKED = """
- kind: demand
  name: Power
  interval_minutes: 60
  per_kw: 6
  booked: [{from: 2025-01-01, kw: 40}, {from: 2025-06-15, kw: 60}]
  contract: {exceeded_at_pct: 100, times: 0.5}
"""


def test_what_is_booked_from_a_day_on_bills_its_own_days(tmp_path):
    """Common practice, no published source: unused booking is paid, excess at half the price on top.

    40 kW are booked to 14 June, 60 kW from the 15th; 50 kW are used on the 5th and on the 20th.
    14 of 30 days: 50 + 0.5 × 10 = 55 kW; 16 days: 60 kW; 6 × (55 × 14 + 60 × 16) / 30 = 154 + 192.
    """
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-05": 50, "2025-06-20": 50}, 1.0)
    tariff = tariff_of(tmp_path, BOOKED)
    bill = billed(tariff, grid, used, periods=periods)
    assert [line.amount for line in bill.lines] == pytest.approx([154, 192])
    assert sum(line.quantity for line in bill.lines) == pytest.approx(55 * 14 / 30 + 32)
    cost = compile_cost(tariff, grid, periods)
    assert linear_cost(cost.total, grid.count).is_convex
    assert any("what is booked changes inside a billing period" in note for note in cost.notes)


def test_a_booking_bills_as_a_version_of_the_tariff_would(tmp_path):
    """Derived: the same charge in two dated versions, each with its contract, over three months."""
    charge = "{kind: demand, name: Power, interval_minutes: 60, per_kw: 6, contract: {exceeded_at_pct: 100"
    versions = "".join(
        f"  - from: {day}\n    source: test\n    charges: [{charge}, times: 0.5, kw: {kw}}}}}]\n"
        for day, kw in (("2010-01-01", 40), ("2025-06-15", 60))
    )
    grid = local_grid("2025-05-01T00:00", "UTC", 24 * 92, 60)
    used = np.random.default_rng(3).gamma(4.0, 10.0, grid.count)
    twice = billed(
        read_tariff_text(tmp_path, f"tariff: t\ncurrency: EUR\nversions:\n{versions}"), grid, used
    )
    assert billed(tariff_of(tmp_path, BOOKED), grid, used).by_period() == pytest.approx(
        twice.by_period()
    )


def test_what_is_booked_by_months_holds_each_year(tmp_path):
    """Derived: 60 kW from October to March, 40 kW in the other months, unused: 6 a kW."""
    charges = BOOKED.replace(
        "[{from: 2025-01-01, kw: 40}, {from: 2025-06-15, kw: 60}]",
        "[{months: [10, 11, 12, 1, 2, 3], kw: 60}, {months: [4, 5, 6, 7, 8, 9], kw: 40}]",
    )
    grid = local_grid("2025-03-01T00:00", "UTC", 24 * (365 + 31), 60)
    bill = billed(tariff_of(tmp_path, charges), grid, 1.0)
    kw = [60, *[40] * 6, *[60] * 6]
    assert list(bill.by_period().values()) == pytest.approx([6 * power for power in kw])


def test_excess_is_counted_above_what_is_booked_on_its_day(tmp_path):
    """Spain, contracted power that the customer changes (from memory): √Σ(kW − agreed)².

    10 kW to 14 June: 13 and 14 kW are 5 above; 12 kW from the 15th: 14 kW are 2 above.
    At 3.00, each for its days: 3 × (5 × 14 + 2 × 16) / 30 = 10.20.
    """
    charges = """
    - kind: demand
      name: Excess
      interval_minutes: 60
      per_kw: 3
      booked: [{from: 2025-01-01, kw: 10}, {from: 2025-06-15, kw: 12}]
      excess: {counted: root of squares}
    """
    grid, periods = month("2025-06-01", 30)
    used = with_peaks(grid, {"2025-06-05": 13, "2025-06-06": 14, "2025-06-20": 14}, 1.0)
    assert billed(tariff_of(tmp_path, charges), grid, used, periods=periods).total == pytest.approx(
        10.20
    )


def test_a_day_before_the_first_booking_is_told(tmp_path):
    grid, periods = month("2024-12-01", 31)
    cost = compile_cost(tariff_of(tmp_path, BOOKED), grid, periods)
    assert any(
        "the first booking is of 2025-01-01; 40 kW are taken before it" in n for n in cost.notes
    )


# --- coincident hours

FIVE = """
- kind: demand
  name: Capacity
  interval_minutes: 60
  per_kw: 60
  per: year
  counted_over: year
  year_begins: 06-01
  of_year: previous
  coincident: ["2025-06-24T17:00", "2025-07-08T17:00", "2025-07-15T16:00", "2025-07-16T17:00",
               "2025-08-13T18:00"]
  planned_in: {seasons: [summer], days: [weekdays], hours: ["15:00-19:00"], pct: 80}
"""
SUMMER = "seasons: {summer: 06-01 to 09-30, other: otherwise}"


def five_hours(folder):
    """Return 13 months whose five named hours have 10, 12, 8, 15 and 5 kW; 20 kW in a likely hour."""
    grid = local_grid("2025-06-01T00:00", "America/New_York", 24 * (365 + 30), 60)
    used = np.full(grid.count, 1.0)
    for label, kw in {
        "2025-06-24T17": 10, "2025-07-08T17": 12, "2025-07-15T16": 8, "2025-07-16T17": 15,
        "2025-08-13T18": 5, "2025-08-14T17": 20, "2025-08-16T17": 50,
    }.items():  # fmt: skip
        day, hour = label.split("T")
        index = [str(d) for d in grid.dates].index(day)
        used[(grid.day == index) & (grid.minute_of_day == 60 * int(hour))] = kw
    return tariff_of(folder, FIVE, SUMMER), grid, used


def test_five_system_hours_are_billed_in_the_year_after(tmp_path):
    """PJM, five hours of a summer, paid from June to May of the next year (from memory); price invented.

    The mean of 10, 12, 8, 15 and 5 kW is 10: 60 × 10 / 12 in June 2026. The months before it go by 6 kW
    of the year before, which is told: 60 × 6 / 12.
    """
    tariff, grid, used = five_hours(tmp_path)
    history = History(past_peaks_kw={"Capacity": {"2024-07": 6.0}})
    bill = billed(tariff, grid, used, history=history)
    assert list(bill.by_period().values()) == pytest.approx([30.0] * 12 + [50.0])


def test_five_system_hours_are_planned_in_the_likely_ones_of_their_own_year(tmp_path):
    """Derived: 20 kW, the highest of weekdays from 15 to 19 h, at 80 %, cost the whole of 60; then 1 kW a month."""
    tariff, grid, used = five_hours(tmp_path)
    history = History(past_peaks_kw={"Capacity": {"2024-07": 6.0}})
    bill = billed(tariff, grid, used, history=history)
    assert bill.total_as_planned == pytest.approx(0.8 * 60 * 20 + 0.8 * 60 * 1 / 12)
    cost = compile_cost(tariff, grid, calendar_months(grid), history)
    assert linear_cost(cost.total, grid.count).is_convex
    assert len(list(linear_cost(cost.total, grid.count).peaks())) == 2
    assert any(
        "a plan counts that of its own year, which the next one pays" in n for n in cost.notes
    )


def test_a_year_before_that_is_not_known_is_told(tmp_path):
    tariff, grid, used = five_hours(tmp_path)
    assert list(billed(tariff, grid, used).by_period().values()) == pytest.approx([50.0] * 13)
    notes = compile_cost(tariff, grid, calendar_months(grid)).notes
    assert any(
        "the demand of 2024 is not known; 2025 goes by its own here" in note for note in notes
    )


def test_three_half_hours_of_a_winter_are_billed_at_its_end(tmp_path):
    """Great Britain before 2023 (from memory): the mean of three half hours, paid once. 30, 36, 24 kW at 50."""
    charges = """
    - kind: demand
      name: System peaks
      interval_minutes: 30
      per_kw: 50
      counted_over: year
      year_begins: 04-01
      billed_in: [3]
      coincident: ["2024-12-03T17:00", "2025-01-08T17:30", "2025-02-11T18:00"]
    """
    grid = local_grid("2024-11-01T00:00", "Europe/London", 48 * (30 + 31 + 31 + 28 + 31) - 2, 30)
    used = np.full(grid.count, 0.5)
    for day, minute, kw in (
        ("2024-12-03", 1020, 30),
        ("2025-01-08", 1050, 36),
        ("2025-02-11", 1080, 24),
    ):
        index = [str(d) for d in grid.dates].index(day)
        used[(grid.day == index) & (grid.minute_of_day == minute)] = kw / 2
    bill = billed(tariff_of(tmp_path, charges), grid, used)
    assert bill.by_period() == pytest.approx(
        {"2024-11": 0, "2024-12": 0, "2025-01": 0, "2025-02": 0, "2025-03": 1500}
    )


@pytest.mark.parametrize(
    ("named", "told"),
    [
        ("[]", "no coincident hour is named in 2025"),
        (
            "['2025-03-03T17:00', '2025-11-03T17:00']",
            "1 of the 2 coincident hours named for 2025 lie",
        ),
    ],
)
def test_coincident_hours_that_are_not_known_are_told(tmp_path, named, told):
    charges = "- {kind: demand, name: D, interval_minutes: 60, per_kw: 1, counted_over: year"
    grid, periods = month("2025-03-01", 31)
    tariff = tariff_of(tmp_path, f"{charges}, coincident: {named}}}")
    assert any(told in note for note in compile_cost(tariff, grid, periods).notes)


def test_one_coincident_hour_of_each_month(tmp_path):
    """Derived: 7 kW in the named hour of March at 3; none is named in April, which is told."""
    charges = """
    - {kind: demand, name: D, interval_minutes: 60, per_kw: 3, coincident: ["2025-03-03T12:00"]}
    """
    grid = local_grid("2025-03-01T00:00", "UTC", 24 * 61, 60)
    tariff = tariff_of(tmp_path, charges)
    bill = billed(tariff, grid, with_peaks(grid, {"2025-03-03": 7, "2025-03-04": 9}, 1.0))
    assert bill.by_period() == pytest.approx({"2025-03": 21, "2025-04": 0})
    notes = compile_cost(tariff, grid, calendar_months(grid)).notes
    assert any("no coincident hour is named in 2025-04" in note for note in notes)


# --- net energy of a year in blocks

NET_YEAR = """
- kind: net_energy
  name: Net energy
  netted_over: year
  surplus_per_kwh: 0.05
  blocks:
    counted_over: year
    blocks: [{up_to_kwh: 100, per_kwh: 0.10}, {up_to_kwh: 150, per_kwh: 0.20}, {per_kwh: 0.30}]
"""


def test_a_year_of_net_energy_in_blocks_gives_back_what_later_export_takes_away(tmp_path):
    """Worked by hand from the words, no published source.

    Net 120 kWh in January, 60 in February, -50 in March, -200 in April, 30 in May. So far due: 120, 180,
    130, 0, 0 kWh, which cost 14, 29, 16, 0, 0; 70 kWh are over in April, 40 in May, at 0.05 each.
    """
    net = np.array([120.0, 60, -50, -200, 30])
    grid = local_grid("2025-01-01T00:00", "UTC", 24 * 151, 60)
    share = 1 / np.bincount(grid.month - 1)
    bought, sold = np.maximum(net, 0) + 10, np.maximum(-net, 0) + 10
    tariff = tariff_of(tmp_path, NET_YEAR)
    bill = billed(
        tariff, grid, (bought * share)[grid.month - 1], export_kwh=(sold * share)[grid.month - 1]
    )
    assert list(bill.by_period().values()) == pytest.approx([14, 15, -13, -16 - 3.5, 1.5])
    cost = compile_cost(tariff, grid, calendar_months(grid))
    assert linear_cost(cost.total, grid.count).is_convex


# --- blocks shared in proportion


def shared(peak, rest):
    """Return peak hours and the rest that share a block of 500 kWh; their prices in it and above."""
    blocks = "blocks: {{blocks: [{{up_to_kwh: 500, per_kwh: {}}}, {{per_kwh: {}}}]}}"
    return f"""
    - kind: energy
      name: Energy
      blocks_shared: true
      rates:
        - {{name: peak, hours: ["16:00-21:00"], {blocks.format(*peak)}}}
        - {{name: rest, otherwise: true, {blocks.format(*rest)}}}
    """


def used_at_both(grid):
    """Return 240 kWh in the peak hours of 30 days and 560 kWh in the others."""
    is_peak = (grid.minute_of_day >= 960) & (grid.minute_of_day < 1260)
    return np.where(is_peak, 240 / 150, 560 / 570)


def test_each_rate_has_its_share_of_each_block(tmp_path):
    """California, tiers by time of use (from memory): use of each time is put into tiers in proportion.

    800 kWh, 500 of them in the first block. Peak, 30 %: 150 at 0.30 and 90 at 0.40; rest: 350 at 0.10 and
    210 at 0.12. 45 + 36 + 35 + 25.20.
    """
    grid, periods = month("2025-06-01", 30)
    tariff = tariff_of(tmp_path, shared((0.30, 0.40), (0.10, 0.12)))
    bill = billed(tariff, grid, used_at_both(grid), periods=periods)
    assert [line.quantity for line in bill.lines] == pytest.approx([150, 90, 350, 210])
    assert [line.amount for line in bill.lines] == pytest.approx([45, 36, 35, 25.2])
    why = bill.lines[0].why
    assert why.text == "the first times the second, divided by the third"
    assert [part.value for part in why.parts] == pytest.approx([500, 240, 800])


def test_a_plan_prices_shared_blocks_at_the_mean_of_the_rates(tmp_path):
    """Derived. Peak is 5 of 24 hours: blocks at 0.10 + 0.20 × 5/24 and 0.12 + 0.28 × 5/24.

    Peak lies above them by 0.1583 and 0.2217, on average 0.19; the rest below by 0.0417 and 0.0583: 0.05.
    """
    grid, periods = month("2025-06-01", 30)
    tariff = tariff_of(tmp_path, shared((0.30, 0.40), (0.10, 0.12)))
    bill = billed(tariff, grid, used_at_both(grid), periods=periods)
    blocks = 500 * (0.10 + 1 / 24) + 300 * (0.12 + 1.4 / 24)
    assert bill.total_as_planned == pytest.approx(blocks + 0.19 * 240 - 0.05 * 560)
    cost = compile_cost(tariff, grid, periods)
    assert linear_cost(cost.total, grid.count).is_convex
    assert any("a plan prices the blocks at the mean of the rates" in note for note in cost.notes)


def test_a_plan_of_rates_that_differ_by_the_same_in_all_blocks_is_exact(tmp_path):
    """Derived: 0.30 and 0.35, 0.10 and 0.15. 150 × 0.30 + 90 × 0.35 + 350 × 0.10 + 210 × 0.15 = 143."""
    grid, periods = month("2025-06-01", 30)
    tariff = tariff_of(tmp_path, shared((0.30, 0.35), (0.10, 0.15)))
    bill = billed(tariff, grid, used_at_both(grid), periods=periods)
    assert bill.total == pytest.approx(143.0)
    assert bill.total_as_planned == pytest.approx(143.0)
    assert not compile_cost(tariff, grid, periods).notes
