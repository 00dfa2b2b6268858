"""``tariffwright stay-off``: what it prints, its data, its file, and what it refuses."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.scenario.scenario import read_scenario
from optimizer.settings.check import read_settings

WITH_CAPS = shipped_folder("scenarios") / "2_peak_demand"
WITHOUT = shipped_folder("scenarios") / "1_two_rates"
WEEKDAYS_OF_SUMMER = ("--hours", "17:00-20:00", "--months", "6-8", "--days", "weekdays")


def stay_off(folder: Path, *more: str) -> Result:
    return CliRunner().invoke(app, ["stay-off", str(folder), *WEEKDAYS_OF_SUMMER, *more])


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    path = tmp_path_factory.mktemp("limited") / "limited.yaml"
    done = stay_off(WITH_CAPS, "--out", str(path))
    assert done.exit_code == 0, done.output
    return path, " ".join(done.output.split())


def test_it_says_how_often_what_it_costs_and_from_which_level(file: tuple[Path, str]) -> None:
    _, said = file
    assert "weekdays 17:00–20:00, June–August: stay off the grid" in said
    for words in ("of 66 days", "a year against the same settings without it",
                  "to keep it on 50 % of the days", "to keep it on all days", "limited.yaml"):  # fmt: skip
        assert words in said  # June to August 2026 hold 66 weekdays, by the calendar


def test_hours_of_a_clock_that_stays_on_winter_time_are_told_by_the_wall_too(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "winter"
    shutil.copytree(WITH_CAPS, folder)
    file = folder / "scenario.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(
        text.replace("controls:\n", "controls:\n  summer_time: false\n"), encoding="utf-8"
    )
    said = " ".join(stay_off(folder).output.split())
    assert (
        "By the equipment's clock, which stays on winter time: in summer these hours are 18:00–21:00 by"
        " the clock on the wall, by which tariffs and rules go. For 17:00–20:00 by the wall in summer ask"
        " for 16:00–19:00."
    ) in said
    assert "HOW FULL THE BATTERY MUST BE AT 17:00 BY THE EQUIPMENT'S CLOCK" in said
    limit = json.loads(stay_off(folder, "--json").stdout)["limit"]
    assert limit["clock"] == "winter time"
    assert limit["hours_in_summer_by_the_wall"] == "18:00-21:00"
    same = json.loads(stay_off(WITH_CAPS, "--json").stdout)["limit"]
    assert (same["clock"], same["hours_in_summer_by_the_wall"]) == ("wall", "17:00-20:00")


def test_its_file_is_taken_by_the_same_equipment(file: tuple[Path, str]) -> None:
    scenario = read_scenario(WITH_CAPS)
    settings = read_settings(file[0], scenario.controls, scenario.plant)
    (place,) = settings.places()
    assert settings.seasons[0].months == [6, 7, 8]
    assert settings.window(place).import_cap_kw == 0


def test_its_data_agree_with_the_limit_added_to_settings_that_have_it(
    file: tuple[Path, str],
) -> None:
    """A limit added once more changes nothing, so it costs nothing, and as many days are kept."""
    once = json.loads(stay_off(WITH_CAPS, "--json").stdout)
    again = json.loads(stay_off(WITH_CAPS, "--settings", str(file[0]), "--json").stdout)
    assert once["days"] == again["days"] == 66
    assert again["days_not_kept"] == once["days_not_kept"]
    assert again["settings"]["seasons"] == once["settings"]["seasons"]
    assert again["costs_a_year"] == 0
    assert set(once["level_needed_pct"]) == {"50", "90", "100"}


def test_a_night_is_called_a_night_and_one_in_part_is_counted(tmp_path: Path) -> None:
    """A year from midnight to midnight holds 364 whole nights, and its first and last in part."""
    done = CliRunner().invoke(app, ["stay-off", str(WITH_CAPS), "--hours", "23:00-02:00"])
    said = " ".join(done.output.split())
    assert re.search(r"(on \d+ of|on all) 366 nights", said)
    assert "to keep it on 90 % of the nights" in said
    assert " days" not in said.replace("days of", "")
    assert "A night of which only a part lies in the forecast" in said


def test_a_folder_of_results_is_taken_for_its_settings(file: tuple[Path, str]) -> None:
    file[0].with_name("settings.yaml").write_bytes(file[0].read_bytes())
    of_file, of_folder = (
        stay_off(WITH_CAPS, "--settings", str(path), "--json") for path in (file[0], file[0].parent)
    )
    assert of_folder.exit_code == 0, of_folder.output
    assert of_folder.stdout == of_file.stdout


def test_equipment_that_cannot_hold_it_refuses_it() -> None:
    done = CliRunner().invoke(app, ["stay-off", str(WITHOUT)])
    assert done.exit_code == 2
    said = " ".join(done.output.split())
    assert "the menu has no limit of the import, so staying off the grid cannot be typed in" in said
    assert re.search(r"scenario\.yaml:\d+:\d+ \(controls\)", said)
    assert "mend: If the screen has one, say import_cap: true in controls, or add 'cap'" in said
    done = CliRunner().invoke(app, ["stay-off", str(WITHOUT), "--import-kw", "2.5"])
    assert "so an import of at most 2.5 kW cannot be typed in" in " ".join(done.output.split())


@pytest.mark.parametrize(("words", "told"), [
    (("--months", "13"), "'13' are no months"),
    (("--hours", "noon"), "'noon' is not a span of time"),
    (("--days", "holidays"), "'holidays' are none of every day"),
])  # fmt: skip
def test_a_slip_is_told(words: tuple[str, str], told: str) -> None:
    done = stay_off(WITH_CAPS, *words)
    assert done.exit_code == 2
    assert told in done.output
