"""``verify`` of a study: its money follows from its own files, and each planted fault is found and named."""

from __future__ import annotations

import copy
import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from optimizer.plain.money import back_after, financing, flow_of, worth_now
from optimizer.report.verified import standing
from tests.studies.small import study_of, write_sites

LOAN = """\
study: With a loan
sites: [elm]
vary: {battery_kwh: [4, 10]}
effort: quick
money:
  discount_pct: 5
  inflation_pct: 2
  years: 8
  prices_rise_pct_per_year: 2
  rises: {demand_pct: 5, export_pct: -3}
  battery: {fixed: 200, per_kwh: 60}
  inverter: {per_kw: 10}
  incentive: {share_pct: 10, at_most: 50, amount: 5}
  operating: {per_year: 4, per_kwh_per_year: 0.2, rises_pct_per_year: 3}
  taxes_per_year: [1, 2, 3, 4, 5, 6, 7, 8]
  loan: {share_pct: 80, rate_pct: 4, years: 10}
  replacement: {after_years: 5, price_changes_pct_per_year: -4}
  residual: {share_pct: 50, worthless_pct: 60}
ageing: {calendar_pct_per_year: 2, pv_loses_pct_per_year: 0.5, replan_every_years: 3}
ranges: {discount_pct: [3, 8], battery_price_pct: [-20, 20], prices_rise_pct: [0, 4], operating_pct: [-50, 50]}
"""
LEASE = """\
study: With a lease
sites: [elm]
vary: {battery_kwh: [4, 10]}
effort: quick
reference: {tariff: steep.yaml, battery: none}
money:
  rates_are: real
  discount_pct: 3
  inflation_pct: 2
  years: 6
  lease: {per_year: 10, per_kwh_per_year: 2, rises_pct_per_year: 1}
"""


def studied(text: str, folder: Path) -> Path:
    write_sites(folder, ("elm",), days=364)
    out = folder / "out"
    words = ["study", str(study_of(folder, text)), "--out", str(out), "--processes", "0"]
    done = CliRunner().invoke(app, [*words, "--table", "csv"])
    assert done.exit_code == 0, done.output
    return out


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return studied(LOAN, tmp_path_factory.mktemp("study"))


def verified(folder: Path) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(app, ["verify", str(folder), "--json"])
    return done.exit_code, json.loads(done.stdout)


def test_a_study_verifies_and_its_report_says_so(results: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    page = (folder / "study.html").read_text(encoding="utf-8")
    assert '<p id="verified">Not verified yet' in page
    code, record = verified(folder)
    assert code == 0, record["first"]
    agree = [check["name"] for check in record["checks"] if check["outcome"] == "agrees"]
    kinds = {name.partition(" of case")[0] for name in agree}
    assert kinds == {
        "terms",
        "years",
        "cash flow",
        "worth",
        "row",
        "swings",
        "rows",
        "order",
        "table",
    }
    page = (folder / "study.html").read_text(encoding="utf-8")
    assert '<p id="verified">Verified on ' in page
    assert standing(folder).startswith("Verified on")
    (folder / "cases.csv").write_text("", encoding="utf-8")
    assert "changed since" in standing(folder)


def test_a_lease_beside_a_reference_in_real_money_verifies(tmp_path: Path) -> None:
    code, record = verified(studied(LEASE, tmp_path))
    assert code == 0, record["first"]
    assert record["verified"]


Change = Callable[[dict[str, Any]], None]


def plus(*place: Any, by: float) -> Change:
    def change(record: dict[str, Any]) -> None:
        *inner, last = place
        node: Any = record
        for part in inner:
            node = node[part]
        node[last] += by

    return change


def stated(*place: Any, by: float) -> Change:
    """Change what the study states and what the verdict was worked out with."""

    def change(record: dict[str, Any]) -> None:
        plus("money", *place, by=by)(record)
        plus("verdicts", 0, "terms", *place, by=by)(record)

    return change


def turned(record: dict[str, Any]) -> None:
    record["ranked_cases"].reverse()


def twice(record: dict[str, Any]) -> None:
    record["ranked_cases"][1] = record["ranked_cases"][0]


V = ("verdicts", 0)
FAULTS: dict[str, tuple[Change, str, str]] = {
    "an investment": (plus(*V, "flow", 0, "investment", by=1.0), "cash flow", "investment of year 0"),
    "an incentive": (plus(*V, "flow", 0, "incentive", by=1.0), "cash flow", "incentive of year 0"),
    "a rate of the loan": (stated("loan", "rate_pct", by=0.1), "cash flow", "financing of year 1"),
    "what is owed in the end": (plus(*V, "flow", 8, "financing", by=1.0), "cash flow", "financing of year 8"),
    "a tax": (stated("taxes_per_year", 3, by=0.5), "cash flow", "taxes of year 4"),
    "a rise of demand": (stated("rises", "demand_pct", by=0.5), "cash flow", "saving of year 2"),
    "a replacement": (plus(*V, "flow", 5, "replacement", by=1.0), "cash flow", "replacement of year 5"),
    "a residual": (stated("residual", "worthless_pct", by=1), "cash flow", "residual of year 8"),
    "operation": (stated("operating", "rises_pct_per_year", by=1), "cash flow", "operating of year 2"),
    "a sum": (plus(*V, "flow", 3, "net", by=0.01), "cash flow", "net of year 3"),
    "a year between": (plus(*V, "life", "saved", 1, by=1.0), "years", "saved of year 2"),
    "a year of health": (plus(*V, "life", "health_frac", 2, by=-0.1), "years", "health_frac of year 3"),
    "a present value": (plus(*V, "worth", "npv", by=0.5), "worth", "worth.npv"),
    "a payback": (plus(*V, "worth", "payback_years", by=0.1), "worth", "worth.payback_years"),
    "a rate of return": (plus(*V, "worth", "rates", 0, by=0.001), "worth", "worth.rates"),
    "of the plan": (plus(*V, "worth_of_plan", "npv", by=0.5), "worth", "worth_of_plan.npv"),
    "a swing": (plus(*V, "swings", 0, "npv_low", by=1.0), "swings", " at "),
    "a row": (plus("rows", 0, "investment_eur", by=1.0), "rows", "investment_eur"),
    "a term of the study": (plus("money", "discount_pct", by=0.05), "terms", "terms.discount_pct"),
    "a case twice": (twice, "order", "ranked_cases"),
    "the order": (turned, "order", "ranked_cases"),
    "a cell": (plus("rows", 0, "import_windows_kwh", by=1.0), "table", "import_windows_kwh"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found_and_named(fault: str, results: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    change, check, place = FAULTS[fault]
    record = json.loads((folder / "study.json").read_text(encoding="utf-8"))
    before = copy.deepcopy(record)
    change(record)
    assert record != before
    (folder / "study.json").write_text(json.dumps(record), encoding="utf-8")
    code, told = verified(folder)
    assert code == 11
    assert told["first"].startswith(check), told["first"]
    assert place in told["first"], told["first"]


def test_a_changed_cell_of_the_table_is_named(results: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    path = folder / "cases.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    rows[1]["npv_eur"] = "1e6"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    _, told = verified(folder)
    assert "cases.csv, case 2, npv_eur: '1e6'" in told["first"]


@pytest.mark.parametrize(("text", "words"), [
    ("{", "no JSON"), ("[]", "not the record"), ('{"format": "tariffwright study"}', "study: Field required"),
])  # fmt: skip
def test_a_damaged_record_is_told(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "study.json").write_text(text, encoding="utf-8")
    code, told = verified(tmp_path)
    assert code == 2
    assert words in told["what"]


# By hand --------------------------------------------------------------------------------------------

NOTHING = {"fixed": 0.0, "per_kwh": 0.0, "per_kw": 0.0}
BY_HAND: dict[str, Any] = {
    "years": 2, "rates_are": "nominal", "discount_pct": 10.0, "inflation_pct": 0.0,
    "prices_rise_pct_per_year": 0.0, "rises": {"import_pct": 10.0, "export_pct": None, "demand_pct": None},
    "loan": {"share_pct": 50.0, "rate_pct": 10.0, "years": 2}, "lease": None,
    "battery": {"fixed": 100.0, "per_kwh": 10.0, "per_kw": 0.0}, "inverter": NOTHING, "pv": 0.0,
    "incentive": {"share_pct": 0.0, "at_most": None, "amount": 0.0},
    "operating": {"per_year": 10.0, "per_kwh_per_year": 0.0, "rises_pct_per_year": 10.0},
    "replacement": None, "residual": {"share_pct": 50.0, "worthless_pct": 60.0}, "taxes_per_year": 3.0,
}  # fmt: skip


def test_a_cash_flow_by_hand() -> None:
    """10 kWh cost 200, half of it lent: 100 × 0.1 ÷ (1 − 1.1⁻²) = 57.619 a year; 110 of import rise by 10 %."""
    parts = {"import": [110.0, 110.0], "export": [0.0, 0.0], "demand": [0.0, 0.0]}
    life = {
        "saved": [120.0, 120.0],
        "parts": {"saved": parts},
        "is_new": [False, False],
        "health_after": 0.8,
    }
    bought = {
        "battery_kwh": 10.0,
        "battery_kw": 5.0,
        "inverter_kw": 0.0,
        "pv": False,
        "stands": False,
    }
    flow = flow_of(BY_HAND, life, bought)
    net = [sum(row.values()) for row in flow]
    assert net[0] == pytest.approx(-100)
    assert net[1] == pytest.approx(120 - 10 - 3 - 57.6190476)
    # half of the 200, of which half of what lies above 60 % is left: 50
    assert net[2] == pytest.approx(121 + 10 - 11 - 3 - 57.6190476 + 50)


def test_a_loan_longer_than_the_study_is_paid_back_at_its_end() -> None:
    """100 at 10 % over 2 years, looked at for 1: 57.619 are paid, and 110 − 57.619 are still owed."""
    terms = BY_HAND | {"years": 1}
    assert financing(terms, 200.0, 0.0) == pytest.approx([100, -110])


def test_worth_and_payback_by_hand() -> None:
    assert worth_now(0.1, [-100, 55, 60.5]) == pytest.approx(0)
    assert back_after(0.0, [-100, 40, 120]) == pytest.approx(1.5)
    assert back_after(0.1, [-100, 55, 60.5]) == pytest.approx(2)
    assert back_after(0.0, [-100, 40]) is None
    assert back_after(0.0, [0, 1]) == 0
