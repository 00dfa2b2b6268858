"""A copied demonstration with a forecast of one's own is not called invented any more."""

from __future__ import annotations

import shutil
from pathlib import Path

from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.report.advice import invented_words
from optimizer.scenario.brief import read_brief
from optimizer.scenario.scenario import read_scenario
from optimizer.workflows.check import check

DEMO = shipped_folder("scenarios") / "1_two_rates"


def copied(folder: Path, *, own_forecast: bool) -> Path:
    """Copy the demonstration; a forecast of one's own has no head that calls it invented."""
    house = folder / "house"
    shutil.copytree(DEMO, house)
    if own_forecast:
        rows = (house / "forecast.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        text = "".join(row for row in rows if not row.startswith("#"))
        (house / "forecast.csv").write_text(text, encoding="utf-8")
    return house


def test_the_demonstrations_are_invented() -> None:
    for folder in DEMO.parent.iterdir():
        if (folder / "scenario.yaml").is_file():
            assert read_scenario(folder).is_invented, folder


def test_a_copy_with_its_own_forecast_is_not_and_the_left_over_key_is_told(tmp_path: Path) -> None:
    house = copied(tmp_path, own_forecast=True)
    assert not read_scenario(house).is_invented
    assert any("remove invented: true" in note for note in check(read_brief(house)).remarks)
    done = CliRunner().invoke(app, ["outage", str(house)])
    assert "(invented" not in done.stdout


def test_a_copy_that_keeps_the_invented_forecast_still_is(tmp_path: Path) -> None:
    assert read_scenario(copied(tmp_path, own_forecast=False)).is_invented


def test_the_words_tell_what_is_invented() -> None:
    assert invented_words(is_site=True, is_tariff=True) == "invented for demonstration"
    assert invented_words(is_site=False, is_tariff=True) == "the tariff is invented"
    assert invented_words(is_site=False, is_tariff=False) == ""
