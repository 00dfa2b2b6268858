"""``tariffwright new``: a scenario out of answers typed in, beside what stands in the folder already."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from ruamel.yaml import YAML
from typer.testing import CliRunner, Result

from optimizer.base.documents import read_document
from optimizer.base.errors import ScenarioError
from optimizer.billing.tariff import read_tariff, shipped_folder
from optimizer.cli.app import app
from optimizer.scenario.draft import read_draft
from optimizer.scenario.scenario import read_scenario
from optimizer.scenario.scenario_file import ScenarioFile

METER = shipped_folder("scenarios") / "4_next_year" / "meter_2026.csv"

HOME = ["Our house", "new york", str(METER), "", "shipped", "two_rates", "dc", "12", "5", "5", "", "20",
        "14", "", "", "", "fills"]  # fmt: skip
"""Meter with PV, a shipped tariff, one inverter, a menu that fills."""


def asked_of(folder: Path, *lines: str, options: tuple[str, ...] = ()) -> Result:
    return CliRunner().invoke(
        app, ["new", str(folder), *options], input="".join(f"{line}\n" for line in lines)
    )


def content_of(folder: Path) -> dict:
    return YAML(typ="safe").load((folder / "scenario.yaml").read_text(encoding="utf-8"))


def questions_in(done: Result) -> int:
    return done.stderr.count("\n  [")


def test_a_usual_home_takes_seventeen_questions_and_no_file_edited(tmp_path: Path) -> None:
    done = asked_of(tmp_path / "home", *HOME)
    assert done.exit_code == 0, done.output
    assert questions_in(done) == len(HOME) == 17
    scenario = read_scenario(tmp_path / "home")
    plant = scenario.plant
    assert (plant.capacity_kwh, plant.charge_kw, plant.ac_limit_kw) == (12, 5, 5)
    assert plant.low_kwh == pytest.approx(0.20 * 12)
    assert (plant.pv_on_dc_side, plant.import_limit_kw, plant.may_export_stored) == (
        True,
        14,
        False,
    )
    assert scenario.file.controls.menu.lists[0].once == ("level", "power")
    assert scenario.file.forecast.load.meters == ["meter.csv"]
    assert "This looks like 2026, every hour, import" in done.stderr
    assert done.stdout.rstrip().endswith(f"tariffwright check {tmp_path / 'home'}")


def test_what_was_not_asked_is_told_with_its_value(tmp_path: Path) -> None:
    done = asked_of(tmp_path, *HOME)
    told = done.stdout.split("Written")[0]
    assert "With how much power does it give? 5 kW" in told
    assert "# With how much power does it give? [kW] Not known: assumed.\n" in (tmp_path / "scenario.yaml").read_text()  # fmt: skip


def test_all_asks_more(tmp_path: Path) -> None:
    few, all_ = asked_of(tmp_path / "a"), asked_of(tmp_path / "b", *[""] * 80, options=("--all",))
    assert questions_in(few) == 1  # the input ended there
    assert questions_in(all_) >= 25


def test_the_same_by_words_typed_after_going_back(tmp_path: Path) -> None:
    asked_of(tmp_path / "straight", *HOME)
    asked_of(tmp_path / "back", *HOME[:8], "7", "<", "<", *HOME[7:])
    assert content_of(tmp_path / "straight") == content_of(tmp_path / "back")


def test_going_back_over_what_was_assumed(tmp_path: Path) -> None:
    """The power of giving is assumed as that of filling; it follows when that one is changed."""
    asked_of(tmp_path, *HOME[:9], "<", "4", *HOME[9:])
    battery = content_of(tmp_path)["battery"]
    assert (battery["charge_kw"], battery["discharge_kw"]) == (4, 4)


def test_a_bill_and_a_roof(tmp_path: Path) -> None:
    done = asked_of(
        tmp_path, "", "dublin", "none", "4200", "roofs", "2", "3", "south-east", "30", "2.5", "270", "?",
        "typed", "EUR", "0.31", "23:00-08:00", "0.16", "0.2", "18",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    forecast = content_of(tmp_path)["forecast"]
    assert forecast["load"] == {"kwh_per_year": 4200, "profile": "H0"}
    assert forecast["pv"]["roofs"] == [
        {"peak_kw": 3, "azimuth_deg": 135, "tilt_deg": 30},
        {"peak_kw": 2.5, "azimuth_deg": 270, "tilt_deg": 35},
    ]
    assert forecast["place"] == {"latitude_deg": 53.33, "longitude_deg": -6.25}
    assert forecast["first"].day == 1
    tariff = YAML(typ="safe").load((tmp_path / "tariff.yaml").read_text(encoding="utf-8"))
    (version,) = tariff["versions"]
    energy, fixed, export = version["charges"]
    assert (fixed["amount"], fixed["per"], export["per_kwh"]) == (18, "month", 0.2)
    assert [(rate["per_kwh"], rate.get("hours")) for rate in energy["rates"]] == [
        (0.16, ["23:00-08:00"]), (0.31, None),
    ]  # fmt: skip
    assert read_tariff(tmp_path / "tariff.yaml").currency == "EUR"
    assert version["source"] == "typed from a bill"


def test_prices_that_nobody_told_are_called_assumed(tmp_path: Path) -> None:
    asked_of(tmp_path)
    text = (tmp_path / "tariff.yaml").read_text(encoding="utf-8")
    assert "prices were not known, and are assumed" in text


@pytest.mark.parametrize(("lines", "told"), [
    (["", "dublin", str(METER)], "no stamp fits the zone"),
    (["", "new york", "nowhere.csv"], "there is no such file"),
    (["", "new york", "'open"], "A quote is open"),
    (["", "new york", "", "4000", "none", "file", "nowhere.yaml"], "there is no such file"),
    (["", "new york", "", "4000", "none", "typed", "EUR", "0.3", "25-6"], "'25' is no time of the day"),
    (["", "new york", "", "4000", "none", "shipped", "", "9999999"], "not from"),
    (["", "new york", "", "4000", "none", "shipped", "", "5000"], "would need 1,000 hours"),
    (["", "atlantis"], "Nothing is called 'atlantis'"),
])  # fmt: skip
def test_what_cannot_be_is_told_and_asked_again(
    lines: list[str], told: str, tmp_path: Path
) -> None:
    done = asked_of(tmp_path, *lines)
    assert done.exit_code == 0, done.output
    assert told in done.stderr


def test_a_file_without_pv_is_no_metered_pv(tmp_path: Path) -> None:
    lines = METER.read_text(encoding="utf-8").splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("time"))
    names = lines[start].split(",")
    kept = [names.index(name) for name in ("time", "import_kwh", "export_kwh")]
    bare = tmp_path / "bare meter.csv"
    rows = [",".join(line.split(",")[n] for n in kept) for line in lines[start:]]
    bare.write_text("\n".join(rows), encoding="utf-8")
    done = asked_of(tmp_path / "new", "", "new york", f"'{bare}'", "metered", "none")
    assert "the meter's files hold no column of PV" in done.stderr
    assert "usual: 2]" in done.stderr  # from the roof
    assert content_of(tmp_path / "new")["forecast"]["pv"] == "none"


def test_gaps_are_filled_as_is_said(tmp_path: Path) -> None:
    lines = METER.read_text(encoding="utf-8").splitlines()
    del lines[2000:2003]
    gappy = tmp_path / "gappy.csv"
    gappy.write_text("\n".join(lines), encoding="utf-8")
    done = asked_of(tmp_path / "new", "", "new york", str(gappy), "linear", *HOME[3:])
    assert "The files lack some steps" in done.stderr
    assert read_scenario(tmp_path / "new").forecast.grid.count == 8760


# --- what stands there already ----------------------------------------------------------------


def test_what_a_folder_holds_stays(tmp_path: Path) -> None:
    by_hand = (
        "# ours\nscenario:   'By hand'\nbattery: {capacity_kwh: 9,  charge_kw: 3}\nloads: []\n"
    )
    (tmp_path / "scenario.yaml").write_text(by_hand, encoding="utf-8")
    (tmp_path / "meter.csv").write_text("mine", encoding="utf-8")
    done = asked_of(tmp_path, *HOME[1:7], *HOME[9:])
    assert done.exit_code == 0, done.output
    assert "what it says stays" in done.stderr
    assert questions_in(done) == 14
    text = (tmp_path / "scenario.yaml").read_text(encoding="utf-8")
    assert text.startswith("# ours\nscenario:   'By hand'\n")
    assert (tmp_path / "meter.csv").read_text(encoding="utf-8") == "mine"
    assert content_of(tmp_path)["forecast"]["load"]["meters"] == ["meter_2.csv"]
    assert read_scenario(tmp_path).plant.capacity_kwh == 9


def test_a_whole_scenario_is_asked_nothing_and_stays(tmp_path: Path) -> None:
    asked_of(tmp_path, *HOME)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    again = asked_of(tmp_path)
    assert again.exit_code == 0
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_prices_typed_before_stay(tmp_path: Path) -> None:
    asked_of(tmp_path, "", "dublin", "", "", "none", "typed", "EUR", "0.42")
    before = (tmp_path / "tariff.yaml").read_bytes()
    done = asked_of(tmp_path)
    assert done.exit_code == 0, done.output
    assert (tmp_path / "tariff.yaml").read_bytes() == before
    assert content_of(tmp_path)["tariff"] == "tariff.yaml"


def test_a_tariff_file_is_copied_beside(tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_bytes((shipped_folder("tariffs") / "two_rates.yaml").read_bytes())
    asked_of(tmp_path / "new", "", "dublin", "", "", "none", "file", str(mine))
    assert (tmp_path / "new" / "mine.yaml").read_bytes() == mine.read_bytes()
    assert content_of(tmp_path / "new")["tariff"] == "mine.yaml"


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    done = asked_of(tmp_path / "file")
    assert done.exit_code == 2
    assert "this is a file" in done.stderr


@pytest.mark.parametrize("seed", range(5))
def test_whatever_is_typed_ends_in_a_scenario_that_can_be_read(seed: int, tmp_path: Path) -> None:
    luck = random.Random(seed)
    pool = ["", "", "", "", "1", "2", "3", "yes", "no", "none", "?", "<", "5", "0.1", "x: [", "90", "south",
            "roofs", "own", "dublin", "typed", "{a", "23:00-06:00", "EUR"]  # fmt: skip
    done = asked_of(tmp_path, *luck.choices(pool, k=80))
    assert done.exit_code == 0, done.output
    read_document(tmp_path / "scenario.yaml", ScenarioFile, ScenarioError)
    assert read_draft(tmp_path).answers["zone"]
