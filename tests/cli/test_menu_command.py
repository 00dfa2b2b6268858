"""``tariffwright menu``: the menu of a scenario, before anything is planned."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app

DEMO = shipped_folder("scenarios") / "1_two_rates"


def test_the_menu_of_the_first_demo_is_an_empty_card_of_a_floor_and_three_lines() -> None:
    """Three windows a day, every day; charge, hold or cover; two sets of months; no caps."""
    done = CliRunner().invoke(app, ["menu", str(DEMO)])
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "3 entries for every day, to fill the battery, keep what is stored or cover" in said
    assert done.stdout.count("☐") == 4
    assert "☐ floor: ......" in done.stdout
    assert "Days of the week: entries hold every day." in said
    assert "A limit of the import" in said
    assert "Months:" not in said


def test_the_same_as_data() -> None:
    record = json.loads(CliRunner().invoke(app, ["menu", str(DEMO), "--json"]).stdout)
    (only,) = record["lists"]
    assert (only["entries"], only["actions"]) == (3, ["charge", "hold", "cover"])
    assert record["season_sets"] == 2
    assert record["worth"] is None


def test_two_weeks_tell_nothing_about_richer_menus(tmp_path: Path) -> None:
    shutil.copy(DEMO / "scenario.yaml", tmp_path)
    lines = (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "forecast.csv").write_text("\n".join(lines[: 3 + 14 * 24]), encoding="utf-8")
    done = CliRunner().invoke(app, ["menu", str(tmp_path), "--worth"])
    assert done.exit_code == 2
    assert "too few whole weeks" in done.output
