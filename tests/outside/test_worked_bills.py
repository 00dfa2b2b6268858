"""Every shipped tariff makes of its worked bills what is written beside it, to the half cent.

The figures stand in ``tariffs/*.bills.yaml``, each bill with its source: a published bill, or
arithmetic done by hand on published or invented prices.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from optimizer.base.errors import InputError, SeveralInputErrors, TariffError
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import find_tariff, read_tariff, shipped_tariffs
from optimizer.billing.worked import (
    bills_beside,
    check_worked_bill,
    compile_worked_bill,
    read_worked_bills,
)
from optimizer.cost.expression import linear_cost

TARIFFS = shipped_tariffs()
BILLS = [
    pytest.param(name, worked, id=f"{name}-{worked.number + 1}")
    for name, path in TARIFFS.items()
    for worked in read_worked_bills(bills_beside(path))
]


@pytest.mark.parametrize(("name", "worked"), BILLS)
def test_a_shipped_tariff_makes_its_worked_bills(name, worked):
    figures = check_worked_bill(read_tariff(TARIFFS[name]), worked)
    wrong = [figure for figure in figures if not figure.is_right]
    assert figures
    assert not wrong


@pytest.mark.parametrize(("name", "worked"), BILLS)
def test_a_plan_reads_a_worked_bill_as_the_bill_does_but_for_roundings(name, worked):
    cost, flows = compile_worked_bill(read_tariff(TARIFFS[name]), worked)
    planned = linear_cost(cost.total, flows.grid.count).value(flows)
    assert planned == pytest.approx(bill_flows(cost, flows).total_as_planned, rel=1e-9, abs=1e-9)


def test_there_are_worked_bills_beside_every_tariff_and_none_without_one():
    shipped = Path(next(iter(TARIFFS.values()))).parent
    beside = {path.name for path in shipped.glob("*.bills.yaml")}
    assert beside == {f"{name}.bills.yaml" for name in TARIFFS}
    assert len(TARIFFS) >= 14


def test_worked_bills_are_not_offered_as_tariffs(tmp_path):
    with pytest.raises(TariffError) as caught:
        find_tariff("two_rates.bills", tmp_path, "here")
    assert "two_rates" in caught.value.mend
    assert ".bills" not in caught.value.mend


@pytest.mark.parametrize("name", TARIFFS)
def test_an_invented_tariff_bears_the_towns_name_and_a_published_one_its_source(name):
    file = read_tariff(TARIFFS[name]).file
    assert file.invented == (not name.startswith("published_"))
    assert file.invented == file.tariff.startswith("Quillmere ")
    for version in file.versions:
        assert file.invented or "check before use" in version.source


NUMBERS = re.compile(
    r"\b(per_kwh|per_kw|per_kvarh|per_kvar|amount|percent|from|from_kwh|up_to_kwh|up_to_kw|up_to_h|kw|pct"
    r"|from_load_factor|from_power_factor|plus_per_kwh|at_least_per_kwh|at_most_per_kwh"
    r"|at_least_kw|at_least_pct|exceeded_at_pct|times|target|free_share|month_days"
    r"|from_h|given_pct|given_kwh|earlier_days|highest|mean_of_months|months): (-?[\d.]+)(?![\d.-])"
)
BEGINNINGS = {
    "from: 0",
    "from_kwh: 0",
    "from_h: 0",
    "from_load_factor: 0",
    "from_power_factor: 0",
}  # where steps and bands must begin
COUNTS = {"earlier_days", "highest", "mean_of_months", "months"}


@pytest.mark.parametrize("name", TARIFFS)
def test_no_figure_of_a_shipped_tariff_can_change_without_a_worked_bill_noticing(name, tmp_path):
    """Each price, size and share is raised by a tenth (each count by one) in turn."""
    text, bills = TARIFFS[name].read_text(), read_worked_bills(bills_beside(TARIFFS[name]))
    for table in TARIFFS[name].parent.glob("*.csv"):
        shutil.copy(table, tmp_path)
    found = [m for m in NUMBERS.finditer(text, text.index("charges:")) if m[0] not in BEGINNINGS]
    assert found
    assert not [m[0] for m in found if not is_noticed(changed(text, m), bills, tmp_path)]


def changed(text, number):
    key, value = number[1], float(number[2])
    raised = str(int(value) + 1) if key in COUNTS else repr(value * 1.1 if value else 1.0)
    return text[: number.start(2)] + raised + text[number.end(2) :]


def is_noticed(text, bills, folder):
    """Return whether a figure turns wrong, or the tariff or a line's name is refused."""
    (folder / "t.yaml").write_text(text)
    try:
        tariff = read_tariff(folder / "t.yaml")
        return not all(f.is_right for worked in bills for f in check_worked_bill(tariff, worked))
    except InputError:
        return True


# --- what the checking itself must find

TARIFF = """\
tariff: Two prices
currency: EUR
versions:
  - from: 2025-01-01
    source: invented
    seasons: {warm: 04-01 to 09-30, cold: otherwise}
    charges:
      - kind: energy
        name: Energy
        rates:
          - {name: evening, per_kwh: 0.40, hours: ["16:00-21:00"]}
          - {name: rest, per_kwh: 0.20, otherwise: true}
      - {kind: demand, name: Demand, per_kw: 5, interval_minutes: 60}
      - {kind: demand, name: Cold demand, per_kw: 2, interval_minutes: 60, seasons: [cold]}
"""

BILL = """\
zone: Europe/Dublin
bills:
  - shows: energy at two prices, and a peak within it
    source: worked out by hand
    period: [2025-06-01, 2025-06-30]
    meter:
      - {kwh: 150, hours: ["16:00-21:00"]}
      - {kwh: 300, otherwise: true}
      - {kw: 6, dates: [2025-06-11], hours: ["17:00-18:00"]}
    expect:
      lines:
        "Energy: evening": {amount: 60.00, quantity: 150}
        Energy: 120.00
        Demand: {amount: 30.00, quantity: 6}
        Cold demand: 0
      total: 150.00
"""


def checked(folder, bill=BILL, tariff=TARIFF):
    (folder / "t.yaml").write_text(tariff)
    (folder / "t.bills.yaml").write_text(bill)
    (worked,) = read_worked_bills(bills_beside(folder / "t.yaml"))
    return check_worked_bill(read_tariff(folder / "t.yaml"), worked)


def test_a_right_bill_has_no_wrong_figure(tmp_path):
    figures = checked(tmp_path)
    assert len(figures) == 7
    assert all(figure.is_right for figure in figures)


@pytest.mark.parametrize(
    ("right", "wrong", "line", "what"),
    [
        ("amount: 60.00", "amount: 60.02", "Energy: evening", "amount"),
        ("quantity: 150}", "quantity: 151}", "Energy: evening", "quantity"),
        ("Energy: 120.00", "Energy: 119.99", "Energy", "amount"),
        ("quantity: 6}", "quantity: 6.001}", "Demand", "quantity"),
        ("Cold demand: 0", "Cold demand: 1", "Cold demand", "amount"),
        ("total: 150.00", "total: 150.01", "total", "amount"),
    ],
)
def test_a_wrong_figure_is_found_and_only_it(tmp_path, right, wrong, line, what):
    found = [f for f in checked(tmp_path, BILL.replace(right, wrong)) if not f.is_right]
    assert [(figure.line, figure.what) for figure in found] == [(line, what)]
    line_number = BILL.replace(right, wrong)[: BILL.index(right)].count("\n") + 1
    assert f"t.bills.yaml:{line_number}:" in found[0].where


@pytest.mark.parametrize("price", ["0.40", "0.20", "per_kw: 5"])
def test_a_wrong_price_in_the_tariff_is_found(tmp_path, price):
    raised = price[:-1] + str(int(price[-1]) + 1)
    assert not all(f.is_right for f in checked(tmp_path, tariff=TARIFF.replace(price, raised, 1)))


def test_what_a_register_counted_holds_the_powers_at_its_hours(tmp_path):
    (tmp_path / "t.yaml").write_text(TARIFF)
    (tmp_path / "t.bills.yaml").write_text(BILL)
    (worked,) = read_worked_bills(tmp_path / "t.bills.yaml")
    _, flows = compile_worked_bill(read_tariff(tmp_path / "t.yaml"), worked)
    evening = (flows.grid.minute_of_day >= 960) & (flows.grid.minute_of_day < 1260)
    assert flows.import_kwh[evening].sum() == pytest.approx(150)
    assert flows.import_kwh[~evening].sum() == pytest.approx(300)
    in_the_peak = evening & (flows.import_kwh > 1.4)
    assert flows.import_kwh[in_the_peak] == pytest.approx([1.5] * 4)  # 6 kW in each quarter-hour
    # 149 other hours of evening hold the 144 kWh that are left
    assert flows.import_kwh[evening & ~in_the_peak] == pytest.approx(144 / 149 / 4)


TWO_PERIODS = """\
zone: Europe/Dublin
bills:
  - shows: a peak of 1 kW in ten days, and of 6 kW in the twenty after them
    source: worked out by hand
    read_dates: [2025-06-01, 2025-06-11, 2025-07-01]
    meter:
      - {kw: 1, last: 2025-06-10}
      - {kwh: 120, first: 2025-06-11}
      - {kw: 6, dates: [2025-06-11], hours: ["17:00-18:00"]}
    expect:
      lines:
        Demand: [5.00, 30.00]
        Cold demand: 0
"""


def test_several_periods_have_a_figure_each(tmp_path):
    figures = checked(tmp_path, TWO_PERIODS)
    assert [(f.line, f.period, f.expected, f.got) for f in figures] == [
        ("Demand", "2025-06-01 to 2025-06-10", 5.0, pytest.approx(5.0)),
        ("Demand", "2025-06-11 to 2025-06-30", 30.0, pytest.approx(30.0)),
        ("Cold demand", "", 0, 0),
    ]
    wrong = checked(tmp_path, TWO_PERIODS.replace("5.00, 30.00", "5.00, 30.02"))
    assert [figure.is_right for figure in wrong] == [True, False, True]


MISTAKES = {
    "an unknown key": ("kwh: 150", "kWh: 150", "kWh", ":7:"),
    "no amount": ("kwh: 150, ", "", "a meter entry holds no amount", ":7:"),
    "two amounts": ("kwh: 150", "kwh: 150, kvarh: 3", "a meter entry holds kwh and kvarh", ":7:"),
    "no time": ("    period: [2025-06-01, 2025-06-30]\n", "", "the bill needs its time", ":3:"),
    "a period that ends first": ("2025-06-30]", "2025-05-30]", "ends on 2025-05-30", ":5:"),
    "a period of centuries": ("[2025-06-01", "[1525-06-01", "the bill spans 182,652 days", ":5:"),
    "the end of time": ("2025-06-30]", "9999-12-31]", "the bill ends in 9999", ":5:"),
    "an unknown zone": ("Europe/Dublin", "Tarn/Hollow", "Tarn/Hollow", ":1:"),
    "otherwise with hours": ("kwh: 300, ", 'kwh: 300, hours: ["01:00-02:00"], ', "'otherwise'", ":8:"),
    "two entries of one time": (
        "otherwise: true}", 'hours: ["20:00-24:00"]}', "two entries tell the kwh of 2025-06-01T20:00", ":8:",
    ),
    "a peak above the energy": ("kwh: 150", "kwh: 5", "kwh is 5, but kw at these hours makes 6", ":7:"),
    "a day outside the bill": ("[2025-06-11]", "[2025-07-11]", "holds no time of the bill", ":9:"),
    "hours inside a step": ('"17:00-18:00"', '"17:05-18:00"', "begin or end at 17:05", ":9:"),
    "an unknown season": ("otherwise: true}", "seasons: [hot]}", "the season 'hot'", ":8:"),
    "an unknown line": ("Cold demand: 0", "Frost demand: 0", "no line 'Frost demand'", ":15:"),
    "a line without a figure": ("Cold demand: 0", "Cold demand: {}", "the line 'Cold demand' has no figure", ":12:"),
    "figures of too many periods": ("total: 150.00", "total: [75, 75]", "2 figures are expected of 1", ":16:"),
    "history of no charge": (
        "    meter:", "    past_peaks_kw: {Frost: {2025-05: 3}}\n    meter:", "'Frost'", ":6:",
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_a_worked_bill_is_told_with_its_line(tmp_path, mistake):
    right, wrong, words, place = MISTAKES[mistake]
    assert right in BILL
    with pytest.raises(InputError) as caught:
        checked(tmp_path, BILL.replace(right, wrong, 1))
    failure = caught.value
    findings = failure.findings if isinstance(failure, SeveralInputErrors) else (failure,)
    told = [f for f in findings if words in f.what and f"t.bills.yaml{place}" in f.where and f.mend]
    assert told, str(failure)


@pytest.mark.parametrize("value", ["[]", "[1, x]", "'", "{a: 1}", "-3", "2025-06-02", ".inf"])
def test_any_value_in_place_of_another_is_read_or_told(tmp_path, value):
    told = []
    lines = BILL.splitlines()
    for place, line in enumerate(lines):
        key = line.partition(":")[0]
        changed_lines = [*lines[:place], f"{key}: {value}", *lines[place + 1 :]]
        try:
            checked(tmp_path, "\n".join(changed_lines) + "\n")
        except InputError as failure:
            told.append(failure.where)
    assert len(told) > len(lines) / 2
    assert all("t.bills.yaml" in where for where in told)


def test_a_file_that_ends_after_any_line_is_read_or_told(tmp_path):
    lines = BILL.splitlines(keepends=True)
    whole_from = next(n for n, line in enumerate(lines) if "Energy: evening" in line) + 1
    for count in range(len(lines)):
        if count < whole_from:  # before that nothing is expected
            with pytest.raises(InputError):
                checked(tmp_path, "".join(lines[:count]))
        else:
            assert checked(tmp_path, "".join(lines[:count]))
