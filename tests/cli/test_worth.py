"""What a window must save to be recommended: asked in the scenario or on the command line."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.scenario.scenario import ENTRY_SHARE, read_scenario


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Ten days of the first demo: too few weeks to keep some back."""
    source = shipped_folder("scenarios") / "1_two_rates"
    shutil.copy(source / "scenario.yaml", tmp_path)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    some = [line for line in lines[3:] if "2026-01-05" <= line[:10] < "2026-01-15"]
    (tmp_path / "forecast.csv").write_text("\n".join([*lines[:3], *some]), encoding="utf-8")
    return tmp_path


def planned(folder: Path, *more: str) -> tuple[dict, str]:
    out = folder / "out"
    words = ["plan", str(folder), "--out", str(out), "--effort", "quick", *more]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    return json.loads((out / "plan.json").read_text(encoding="utf-8")), " ".join(
        done.output.split()
    )


def test_a_sum_that_no_window_saves_leaves_the_equipment_as_it_comes(folder: Path) -> None:
    record, said = planned(folder, "--worth", "100000")
    assert record["settings"].get("seasons", []) == []
    assert "Leave the equipment as it comes." in said
    assert record["advice"].startswith("Leave the equipment as it comes.")
    assert record["curve"][0]["recommended"]


def test_where_no_weeks_are_kept_back_it_says_by_what_was_decided(folder: Path) -> None:
    record, said = planned(folder, "--worth", "36.5")  # of 10 days in 365: 1.00
    assert "There are too few whole weeks to keep some back, so weeks seen decide" in said
    assert record["rule"] in said
    most = max(row["saved_seen"] for row in record["curve"])
    asked = max(1.0, ENTRY_SHARE * most)
    assert f"once {asked:.2f} USD is taken off for each window" in said
    left = {row["entries"]: row["saved_seen"] - asked * row["entries"] for row in record["curve"]}
    (recommended,) = [row["entries"] for row in record["curve"] if row["recommended"]]
    assert left[recommended] == max(left.values())
    assert re.fullmatch(r"Enter \d windows?\.", record["advice"])
    assert record["promise"] is None


def test_the_scenario_says_what_a_window_must_save(folder: Path) -> None:
    file = folder / "scenario.yaml"
    assert read_scenario(folder).worth_typing == pytest.approx(5 * 10 / 365)
    file.write_text(file.read_text(encoding="utf-8") + "\nworth_typing: 73\n", encoding="utf-8")
    assert read_scenario(folder).worth_typing == pytest.approx(2.0)


def test_an_endless_sum_is_refused(folder: Path) -> None:
    done = CliRunner().invoke(app, ["plan", str(folder), "--worth", "inf"])
    assert done.exit_code == 64
    assert "--worth is no finite sum" in done.output
