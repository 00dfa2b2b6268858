"""First and last day from the command line: a plan of tomorrow or of a week, out of a longer forecast."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from optimizer.base.calendar import Days
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.cli.options import day_of
from optimizer.scenario.scenario import read_scenario

DEMOS = shipped_folder("scenarios")
QUICK = ["--effort", "quick", "--no-curve"]


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def test_one_day_of_a_csv_is_planned_with_the_load_of_that_day(tmp_path: Path) -> None:
    done = run("plan", str(DEMOS / "1_two_rates"), "--first", "2026-01-15", "--last", "2026-01-15",
               "--out", str(tmp_path), "--json", *QUICK)  # fmt: skip
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    table = pd.read_csv(DEMOS / "1_two_rates" / "forecast.csv", comment="#")
    table["load_kwh"] = table["load_kw"]  # a step is an hour
    of_day = table[table["time"].str.startswith("2026-01-15")]
    flows = pd.read_csv(tmp_path / "flows.csv")
    assert len(flows) == len(of_day) == 24
    assert flows["load_kwh"].sum() == pytest.approx(of_day["load_kwh"].sum())
    assert any("2026-01-15 to 2026-01-15" in note for note in record["notes"])
    # the whole year stays what plausible days are drawn from, so some weeks can be kept back
    assert record["unseen"] is not None


def test_days_of_a_recipe_stand_in_place_of_its_own() -> None:
    site = read_scenario(DEMOS / "4_next_year", Days(date(2027, 6, 1), count=7))
    dates = site.forecast.grid.dates
    assert (dates[0], dates[-1], len(dates)) == (date(2027, 6, 1), date(2027, 6, 7), 7)


def test_a_last_day_alone_begins_where_the_forecast_does() -> None:
    site = read_scenario(DEMOS / "1_two_rates", Days(last=date(2026, 1, 3)))
    assert [str(day) for day in site.forecast.grid.dates] == [
        "2026-01-01", "2026-01-02", "2026-01-03"]  # fmt: skip


def test_days_that_a_csv_does_not_hold_are_refused_with_those_it_holds(tmp_path: Path) -> None:
    done = run("plan", str(DEMOS / "1_two_rates"), "--first", "2026-12-31", "--days", "2",
               "--out", str(tmp_path / "out"))  # fmt: skip
    assert done.exit_code == 2
    assert "2026-12-31 to 2027-01-01" in " ".join(done.stderr.split())
    assert "2026-01-01 to 2026-12-31" in " ".join(done.stderr.split())
    assert not (tmp_path / "out").exists()


def test_days_are_written_as_dates_or_as_today_and_tomorrow() -> None:
    today = datetime.now().astimezone().date()
    assert day_of("tomorrow", "--first") - day_of("today", "--first") == timedelta(days=1)
    assert day_of("today", "--first") == today
    for words, code in (
        (["--first", "31.1.2026"], 2),
        (["--last", "2026-01-05", "--days", "3"], 64),
    ):
        assert run("forecast", str(DEMOS / "1_two_rates"), *words).exit_code == code
