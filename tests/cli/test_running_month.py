"""Within a billing month ``plan`` knows what the meter has counted so far."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

import optimizer as tw
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app

DEMO = shipped_folder("scenarios") / "2_peak_demand"
HEAD, PER_DAY = 3, 48


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The second demo from 11 to 20 January, with a meter from 1 to 10 January beside it."""
    made = tmp_path / "site"
    made.mkdir()
    lines = (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()
    head, rows = lines[:HEAD], lines[HEAD:]
    coming = [*head, *rows[10 * PER_DAY : 20 * PER_DAY]]
    (made / "forecast.csv").write_text("\n".join(coming), encoding="utf-8")
    # The meter counts half of a load of 2 kW, and 9.5 kW in one half-hour of a weekday evening.
    meter = ["time,import_kwh,export_kwh"]
    for row in rows[: 11 * PER_DAY]:
        stamp = row.split(",")[0]
        meter.append(f"{stamp},{4.75 if stamp.startswith('2026-01-07T18:00') else 0.5},0.0")
    (made / "meter.csv").write_text("\n".join(meter), encoding="utf-8")
    shutil.copy(DEMO / "scenario.yaml", made)
    return made


def planned(folder: Path, state: str, out: Path) -> dict:
    text = (DEMO / "scenario.yaml").read_text(encoding="utf-8")
    (folder / "scenario.yaml").write_text(text + state, encoding="utf-8")
    words = ["plan", str(folder), "--out", str(out), "--effort", "quick", "--json"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_the_rest_of_a_month_is_planned_on_top_of_what_was_metered(
    folder: Path, tmp_path: Path
) -> None:
    knowing = planned(folder, "state: {metered: meter.csv}\n", tmp_path / "a")
    lines = knowing["bill_of_plan"]["lines"]
    (demand,) = [line for line in lines if line["unit"] == "kW"]
    assert demand["quantity"] == pytest.approx(9.5)  # by hand: 4.75 kWh in half an hour
    assert "before this series" in demand["because"]
    kwh = sum(line["quantity"] for line in lines if line["charge"] == "Energy")
    cases = {case["case"]: case for case in knowing["cases"]}
    metered = 10 * PER_DAY * 0.5 + 4.25  # by hand
    assert kwh == pytest.approx(metered + cases["plan"]["import_kwh"])
    assert any("metered from 2026-01-01 to 2026-01-10" in note for note in knowing["notes"])
    assert any("were left out" in note for note in knowing["notes"])

    forgetful = planned(folder, "", tmp_path / "b")
    (alone,) = [line for line in forgetful["bill_of_plan"]["lines"] if line["unit"] == "kW"]
    assert alone["quantity"] < 4


def test_the_rest_of_a_month_verifies_where_the_meter_lies_beside(
    folder: Path, tmp_path: Path
) -> None:
    """Bills need what was metered before, which stays in the scenario's folder."""
    out = tmp_path / "out"
    planned(folder, "state: {metered: meter.csv}\n", out)
    alone, beside = tw.verify(out), tw.verify(out, folder)
    left = {check.name for check in alone.unchecked}
    assert "bill of plan" in left
    assert alone.first is None
    assert "meter.csv" in next(c.told for c in alone.checks if c.name == "bill of plan")
    assert beside.first is None
    assert not any(check.name.startswith("bill") for check in beside.unchecked)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("too short", "2026-01-09", "the forecast begins with 2026-01-11T00:00"),
        ("too late", "all", "begin with 2026-01-11T00:00"),
    ],
)
def test_a_meter_that_does_not_reach_the_forecast_is_refused(
    folder: Path, name: str, text: str, words: str
) -> None:
    lines = (folder / "meter.csv").read_text(encoding="utf-8").splitlines()
    rows = [row for row in lines[1:] if row[:10] <= text]
    if text == "all":
        rows = [row for row in lines[1:] if row >= "2026-01-11"]
    (folder / "meter.csv").write_text("\n".join([lines[0], *rows]), encoding="utf-8")
    with (folder / "scenario.yaml").open("a", encoding="utf-8") as scenario:
        scenario.write("state: {metered: meter.csv}\n")
    done = CliRunner().invoke(app, ["check", str(folder)])
    assert done.exit_code == 2
    assert words in done.stderr, name
