"""``check`` of a tariff without bills finds what a bill of a year would, and remarks slips of unit."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.billing.odd import odd_values
from optimizer.billing.tariff import read_tariff, shipped_tariffs
from optimizer.cli.app import app

HEAD = "tariff: mine\ncurrency: EUR\nversions:\n  - from: 2026-01-01\n    source: invented\n"
ENERGY = "      - {kind: energy, name: Energy, per_kwh: 0.3}\n"


def checked(folder: Path, charges: str, rest: str = "", currency: str = "EUR"):
    path = folder / "mine.yaml"
    path.write_text(f"{HEAD}{rest}    charges:\n{charges}".replace("EUR", currency))
    return CliRunner().invoke(app, ["check", str(path)])


WRONG = {
    "an undefined season": (
        "      - {kind: energy, name: Energy, per_kwh: 0.3, seasons: [sumer]}\n", "'sumer'"),
    "a hole": (
        "      - kind: energy\n        name: Energy\n        rates:\n"
        '          - {name: day, per_kwh: 0.3, hours: ["06:00-22:00"]}\n', "no rate of 'Energy'"),
    "an overlap": (
        "      - kind: energy\n        name: Energy\n        rates:\n"
        "          - {name: all, per_kwh: 0.3}\n"
        '          - {name: day, per_kwh: 0.3, hours: ["06:00-22:00"]}\n', "both hold"),
    "a percentage of nothing": (
        f"{ENERGY}      - {{kind: percentage, name: Tax, percent: 6, of: [Enrgy]}}\n", "'Enrgy'"),
    "a step fee by nothing": (
        f"{ENERGY}      - {{kind: step_fee, name: Fee, by: Peak,"
        " steps: [{from: 0, amount: 1}, {from: 2, amount: 2}]}\n", "'Peak'"),
    "a bank of nothing": (
        f"{ENERGY}      - {{kind: credit_bank, name: Bank, credits: [Solar], offset: [Energy]}}\n",
        "'Solar'"),
    "hours of no demand": (
        "      - {kind: energy, name: Energy, blocks: {demand: Peak,"
        " blocks: [{up_to_h: 100, per_kwh: 0.2}, {per_kwh: 0.1}]}}\n", "'Peak'"),
    "a missing series": (
        "      - {kind: energy, name: Spot, series: {file: no.csv, column: per_kwh}}\n", "no such file of prices"),
    "holidays without a list": (
        "      - {kind: energy, name: Energy, per_kwh: 0.3, days: [holidays]}\n", "lists none"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_a_bill_would_refuse_is_refused(name, tmp_path):
    charges, word = WRONG[name]
    told = checked(tmp_path, charges)
    assert told.exit_code == 2, told.output
    assert word in told.output
    assert "mine.yaml:" in told.output


def test_a_fault_of_the_second_version_is_found(tmp_path):
    second = "  - from: 2026-07-01\n    source: invented\n    charges:\n"
    charges = f"{ENERGY}{second}{WRONG['an undefined season'][0]}"
    assert checked(tmp_path, charges).exit_code == 2


def test_a_series_of_a_few_days_is_enough_for_a_check(tmp_path):
    rows = "\n".join(f"2019-03-05T{hour:02d}:00:00Z,0.2" for hour in range(24))
    (tmp_path / "spot.csv").write_text(f"time,per_kwh\n{rows}\n")
    charge = "      - {kind: energy, name: Spot, series: {file: spot.csv, column: per_kwh}}\n"
    told = checked(tmp_path, charge)
    assert told.exit_code == 0, told.output


def test_an_open_night_is_remarked(tmp_path):
    charge = '      - {kind: energy, name: N, per_kwh: 1, days: [friday], hours: ["22:00-06:00"]}\n'
    told = checked(tmp_path, charge)
    assert told.exit_code == 0
    assert "after_midnight" in told.output


REMARKS = [
    ("{kind: energy, name: Energy, per_kwh: 34}", "EUR", "write 0.34"),
    ("{kind: energy, name: Energy, per_kwh: 34}", "JPY", ""),
    ("{kind: energy, name: Energy, per_kwh: 1.2}", "EUR", ""),
    ("{kind: energy, name: Energy, per_kwh: 34}", "crowns", ""),
    ("{kind: percentage, name: Tax, percent: 0.06, of: all above}", "EUR", "write 6."),
    ("{kind: demand, name: D, per_kw: 5, interval_minutes: 60, ratchet: {pct: 0.8}}", "EUR", "write 80"),
    ("{kind: demand, name: D, per_kw: 5, interval_minutes: 60, ratchet: {pct: 80}}", "EUR", ""),
    ("{kind: demand, name: D, per_kw: 5, interval_minutes: 60, contract: {kw: 9, at_least_pct: 0.85}}",
     "EUR", "write 85"),
]  # fmt: skip


@pytest.mark.parametrize(("charge", "currency", "word"), REMARKS)
def test_a_slip_of_unit_is_remarked_and_never_refused(charge, currency, word, tmp_path):
    told = checked(tmp_path, f"{ENERGY.replace('0.3', '0')}      - {charge.replace('Energy', 'E2')}\n",
                   currency=currency)  # fmt: skip
    assert told.exit_code == 0, told.output
    assert (word in " ".join(told.output.split())) if word else ("  - " not in told.output)


@pytest.mark.parametrize("name", shipped_tariffs())
def test_no_shipped_tariff_is_odd(name):
    assert odd_values(read_tariff(shipped_tariffs()[name])) == []


def test_a_zone_that_never_changes_its_clock_is_remarked(tmp_path):
    (tmp_path / "mine.bills.yaml").write_text(
        "zone: EST\nbills:\n  - shows: a day\n    source: invented\n    period: [2026-07-01, 2026-07-31]\n"
        "    meter: [{kwh: 100}]\n    expect: {total: 30}\n"
    )
    told = checked(tmp_path, ENERGY)
    assert told.exit_code == 0, told.output
    assert "zone EST has no daylight saving" in " ".join(told.output.split())


MENDS = [
    ("per_kwh: 13,5", "per_kwh: 13.5"),
    ("per_kwh: 10%", "per_kwh: 10, without the per cent sign"),
    (
        "per_kwh: 10,5 %",
        "per_kwh: 10.5, with a decimal point and no comma, without the per cent sign",
    ),
    ("per_kwh: 1, hours: 23:00-06:00", 'hours: ["23:00-06:00"]'),
]


@pytest.mark.parametrize(("words", "mend"), MENDS)
def test_a_slip_of_writing_is_told_with_the_text_to_write(words, mend, tmp_path):
    charge = "- kind: energy\n  name: Energy\n" + "".join(
        f"  {line}\n" for line in words.split(", hours")[0:1]
    )
    charge += "".join(f"  hours{rest}\n" for rest in words.split(", hours")[1:])
    told = checked(tmp_path, "".join(f"      {line}\n" for line in charge.splitlines()))
    assert told.exit_code == 2
    assert mend in told.output
