"""``check`` of a tariff works out the bills beside it, and a wrong figure is told and fails."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder, shipped_tariffs
from optimizer.billing.worked import bills_beside
from optimizer.cli.app import app

RATCHET = shipped_tariffs()["ratchet"]


def test_a_shipped_tariff_is_checked_by_its_name() -> None:
    told = CliRunner().invoke(app, ["check", "ratchet"])
    assert told.exit_code == 0, told.output
    assert told.output.count("agrees") >= 5
    assert "DIFFERS" not in told.output
    assert " 0 differ" in told.output


def test_a_wrong_price_is_told_with_the_place_of_the_figure(tmp_path: Path) -> None:
    wrong = tmp_path / "mine.yaml"
    wrong.write_text(RATCHET.read_text().replace("per_kw: 18", "per_kw: 19"))
    assert wrong.read_text() != RATCHET.read_text()
    shutil.copy(bills_beside(RATCHET), tmp_path / "mine.bills.yaml")
    told = CliRunner().invoke(app, ["check", str(wrong)])
    assert told.exit_code == 2
    assert "DIFFERS" in told.output
    assert "mine.bills.yaml:" in "".join(told.output.split())  # a long path is folded
    record = json.loads(CliRunner().invoke(app, ["check", str(wrong), "--json"]).output)
    figures = [figure for bill in record["bills"] for figure in bill["figures"]]
    demand = [f for f in figures if f["line"] == "Demand" and f["what"] == "amount"]
    assert not any(f["is_right"] for f in demand)
    # 300 kW × 18 are 5,400; at 19 they are 5,700
    assert demand[0]["expected"] == 5400
    assert abs(demand[0]["got"] - 5700) < 0.01


def test_a_tariff_without_worked_bills_is_read(tmp_path: Path) -> None:
    shutil.copy(RATCHET, tmp_path / "alone.yaml")
    told = CliRunner().invoke(app, ["check", str(tmp_path / "alone.yaml")])
    assert told.exit_code == 0
    assert "no worked bills" in told.output


def test_a_scenario_file_is_still_checked_as_a_scenario() -> None:
    told = CliRunner().invoke(app, ["check"])
    assert told.exit_code == 0, told.output
    assert "worked" not in told.output


def test_a_page_is_written_of_a_tariff_and_of_nothing_else(tmp_path):
    out = tmp_path / "page"
    told = CliRunner().invoke(app, ["check", "two_rates", "--out", str(out)])
    assert told.exit_code == 0, told.output
    assert "WEEK, USD for one more kWh" in told.output
    assert (out / "tariff.html").read_text(encoding="utf-8").count("<svg") == 2
    demo = str(shipped_folder("scenarios") / "1_two_rates")
    refused = CliRunner().invoke(app, ["check", demo, "--out", str(out)])
    assert refused.exit_code == 64
    assert "only of a tariff a page is written" in " ".join(refused.output.split())
