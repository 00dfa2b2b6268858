"""Equipment that stores one set of months has no calendar: what is typed in holds until it is changed.

Settings found for a part of the year say for which, and are at work in all other months too.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.cli.season_commands import SOMETHING_TO_CHANGE
from optimizer.evaluation.renewal import renewal_of
from optimizer.scenario.brief import read_brief
from optimizer.search.drafts import Draft
from optimizer.search.fit import settings_of
from optimizer.search.renewing import find_changes, renewed
from optimizer.settings.check import read_settings
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.workflows.in_use import in_use_of
from tests.builders import run_through
from tests.laws.cases import AC_PLANT, grid_of, weather
from tests.laws.sites import (
    LITTLE,
    cost_of_settings,
    found_for,
    site,
    task_of,
    weather_of,
    years_for,
)

ONE_SET = Controls(windows_per_day=3, day_types="every_day", season_sets=1, minutes=60)
SUMMER, YEAR = [7, 8, 9], list(range(1, 13))
JULY, OCTOBER = grid_of(24 * 21, 60, "2025-07-01"), grid_of(24 * 21, 60, "2025-10-01")
NIGHT = Window(start="22:00", end="06:00", action="charge", until_pct=80, grid_kw=2)
DRAFT = Draft(22 * 60, 8 * 60, "charge", 80.0, 2.0)


def typed(months: list[int], *windows: Window, **more: object) -> Settings:
    day_set = DaySet(days="every day", windows=[*windows])
    seasons = [SeasonSet(months=months, day_sets=[day_set])]
    return Settings(settings="typed", floor_pct=10, seasons=seasons, **more)  # type: ignore[arg-type]


def test_what_was_found_for_summer_is_at_work_in_october() -> None:
    """The same windows, written by hand for every month, must run October in the same way."""
    task = task_of(AC_PLANT, JULY, "two rates", ONE_SET)
    found = settings_of("summer", (tuple(SUMMER),), [((DRAFT,),)], task)
    assert found.found_for == SUMMER
    assert found.sentence(found.places()[0]).startswith(
        "every day 22:00–06:00, all year (found for July–September): charge to 80 %"
    )
    load, pv = weather(OCTOBER, 5)
    ran, by_hand, without = (
        run_through(AC_PLANT, OCTOBER, load, pv, settings, 1.0).flows
        for settings in (found, typed(YEAR, NIGHT), typed(YEAR))
    )
    assert np.array_equal(ran.import_kwh, by_hand.import_kwh)
    assert not np.allclose(ran.import_kwh, without.import_kwh)


def test_a_whole_year_needs_no_word_and_a_calendar_keeps_months_apart() -> None:
    task = task_of(AC_PLANT, JULY, "two rates", ONE_SET)
    assert settings_of("year", (tuple(YEAR),), [((DRAFT,),)], task).found_for is None
    two = task_of(AC_PLANT, JULY, "two rates", ONE_SET.model_copy(update={"season_sets": 2}))
    summer = settings_of("summer", (tuple(SUMMER),), [((DRAFT,),)], two)
    assert (summer.seasons[0].months, summer.found_for) == (SUMMER, None)


def test_settings_of_some_months_are_read_as_such_equipment_stores_them(tmp_path: Path) -> None:
    path = tmp_path / "settings.yaml"
    path.write_text(
        "settings: old\nfloor_pct: 10\nseasons:\n- months: [7, 8, 9]\n  day_sets:\n"
        '  - days: every day\n    windows:\n    - {start: "22:00", end: "06:00", action: hold}\n',
        encoding="utf-8",
    )
    read = read_settings(path, ONE_SET, AC_PLANT)
    assert (read.seasons[0].months, read.found_for) == (YEAR, SUMMER)
    two_sets = read_settings(path, ONE_SET.model_copy(update={"season_sets": 2}), AC_PLANT)
    assert (two_sets.seasons[0].months, two_sets.found_for) == (SUMMER, None)


def test_a_change_is_found_for_the_new_months_and_no_change_for_the_old() -> None:
    before = typed(YEAR, NIGHT, found_for=SUMMER)
    other = NIGHT.model_copy(update={"until_pct": 90.0})
    groups = ((10,),)
    same = renewed(before, groups, typed(YEAR, NIGHT, found_for=[10]), AC_PLANT, ONE_SET)
    new = renewed(before, groups, typed(YEAR, other, found_for=[10]), AC_PLANT, ONE_SET)
    assert same == before
    assert (new.found_for, new.seasons[0].months) == ([10], YEAR)


def test_the_gain_told_in_october_is_the_real_one() -> None:
    """Found in July, renewed in October: the gain is over windows that went on working."""
    in_use = found_for(AC_PLANT, JULY, "two rates", ONE_SET, [((7,),)]).settings
    assert in_use.entries()
    plan, cost = site(AC_PLANT, OCTOBER, "two rates")
    task = task_of(AC_PLANT, OCTOBER, "two rates", ONE_SET)
    weeks = weather_of(plan)
    found = find_changes(task, weeks, in_use, LITTLE, 0.01 * task.can_save)
    years = years_for(weeks, None)
    weights = np.array([year.weight for year in years])
    renewal = renewal_of(
        in_use, found, found, lambda each: [cost_of_settings(plan, cost, each, y) for y in years],
        weights.tolist(), AC_PLANT, task.controls.menu, OCTOBER.days, 0.01 * task.can_save,
    )  # fmt: skip
    really = in_use.seasons[0].day_sets[0].windows  # what the equipment holds, whatever the month

    def costs(settings: Settings) -> float:
        return float(weights @ np.array([cost_of_settings(plan, cost, settings, y) for y in years]))

    gain = costs(typed([10], *really)) - costs(renewal.after)
    assert renewal.saving.seen == pytest.approx(gain, abs=1e-6)


def test_the_history_and_outages_take_settings_as_the_equipment_holds_them(
    october: Path, tmp_path: Path
) -> None:
    """Accepted as a file that names July alone: in October they are in use all the same."""
    home = Path(shutil.copytree(october, tmp_path / "home"))
    (tmp_path / "used.yaml").write_text(USED, encoding="utf-8")
    (tmp_path / "by_hand.yaml").write_text(USED.replace("[7]", str(YEAR)), encoding="utf-8")
    run("renew", str(home), "--accept", str(tmp_path / "used.yaml"))
    in_use = in_use_of(read_brief(home).scenario, None)
    assert (in_use.found_for, in_use.seasons[0].months) == ([7], YEAR)
    told = [
        json.loads(run("outage", str(home), "--json", *words))
        for words in ([], ["--settings", str(tmp_path / "by_hand.yaml")])
    ]
    made_of = [each.pop("made_of") for each in told]
    assert told[0] == told[1]
    assert made_of[0]["settings"].pop("found_for") == [7], (
        "which files that are typed in do not say"
    )
    assert made_of[0] == made_of[1]


# --- the commands ----------------------------------------------------------------------------

DEMO = shipped_folder("scenarios") / "1_two_rates"


def run(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, list(words))
    assert done.exit_code == code, done.output
    return done.stdout


@pytest.fixture(scope="module")
def october(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three weeks of October of the first demo, whose controls have no calendar here."""
    folder = tmp_path_factory.mktemp("october")
    text = (DEMO / "scenario.yaml").read_text(encoding="utf-8")
    assert "season_sets: 2" in text
    text = text.replace("season_sets: 2", "season_sets: 1")
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    lines = (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()
    head = next(number for number, line in enumerate(lines) if line.startswith("time")) + 1
    first = next(n for n, line in enumerate(lines) if line.startswith("2026-10-01"))
    rows = [*lines[:head], *lines[first : first + 24 * 21]]
    (folder / "forecast.csv").write_text("\n".join(rows), encoding="utf-8")
    return folder


USED = """settings: july
floor_pct: 10
seasons:
- months: [7]
  day_sets:
  - days: every day
    windows:
    - {start: "12:00", end: "18:00", action: charge, until_pct: 100}
"""


def bill_of(record: dict[str, Any], case: str) -> float:
    return float(next(each["bill"] for each in record["cases"] if each["case"] == case))


def test_renew_in_october_tells_what_the_equipment_does_since_july(
    october: Path, tmp_path: Path
) -> None:
    used, by_hand = tmp_path / "used.yaml", tmp_path / "by_hand.yaml"
    used.write_text(USED, encoding="utf-8")
    by_hand.write_text(USED.replace("[7]", str(YEAR)), encoding="utf-8")
    replayed = run("replay", str(october), "--settings", str(by_hand), "--json")
    run("renew", str(october), "--previous", str(used), "--out", str(tmp_path / "next"),
        "--effort", "quick", "--least", "0", code=SOMETHING_TO_CHANGE)  # fmt: skip
    record = json.loads((tmp_path / "next" / "plan.json").read_text(encoding="utf-8"))
    assert bill_of(record, "in_use") == pytest.approx(bill_of(json.loads(replayed), "windows"))
    assert record["renewal"]["settings_in_use"]["found_for"] == [7]
    assert any("found for October" in note and "no calendar" in note for note in record["notes"])
    after = (tmp_path / "next" / "settings.yaml").read_text(encoding="utf-8")
    assert "found_for: [10]" in after
    assert "# These settings were found for October." in after
