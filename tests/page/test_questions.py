"""The roof, what stands there and the menu: asked on the page, saved in ``scenario.yaml``."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from optimizer.billing.tariff import shipped_folder
from optimizer.page.folder import Folder
from optimizer.page.registry import part_named
from optimizer.scenario.draft import read_draft
from tests.page.filling import fields, fill, shown, text_of
from tests.page.serving import asked

DEMOS = sorted(path.parent for path in shipped_folder("scenarios").glob("*/scenario.yaml"))
ROOF = "forecast.pv.roofs.{}.{}"

HOUSE = {
    "scenario": "Our house", "pv.coupling": "dc", "battery.capacity_kwh": "12", "battery.charge_kw": "5",
    "inverter.ac_limit_kw": "5", "battery.floor_pct.unknown": "1", "reserve_pct": "20",
    "connection.import_limit_kw": "14", "permissions.charge_from_grid": "yes",
    "permissions.export_stored_energy": "?",
}  # fmt: skip


def content_of(folder: Path) -> dict:
    return YAML(typ="safe").load(text_of(folder))


def state_of(folder: Path, part: str) -> tuple[str, str]:
    found = part_named(part)
    assert found is not None
    state = found.state(Folder(folder))
    return state.kind, state.words


def roof(number: int, kw: str, way: str, tilt: str) -> dict:
    return {
        ROOF.format(number, "peak_kw"): kw,
        ROOF.format(number, "azimuth_deg"): way,
        ROOF.format(number, "tilt_deg"): tilt,
    }


# --- the roof ---------------------------------------------------------------------------------


def test_two_roofs_one_after_the_other_and_one_taken_away(tmp_path: Path) -> None:
    page = asked(tmp_path)
    first = {"forecast.pv": "roofs", **roof(0, "3", "south-east", "30")}
    assert fill(page, "roof", first | {"more": "1"}).status_code == 303
    assert state_of(tmp_path, "roof") == ("open", "still open")
    assert fill(page, "roof", roof(1, "2,5", "270", "35")).status_code == 303
    assert content_of(tmp_path)["forecast"]["pv"]["roofs"] == [
        {"peak_kw": 3, "azimuth_deg": 135, "tilt_deg": 30},
        {"peak_kw": 2.5, "azimuth_deg": 270, "tilt_deg": 35},
    ]
    assert "place" in content_of(tmp_path)["forecast"]
    assert state_of(tmp_path, "roof")[0] == "done"
    assert fill(page, "roof", {"less": "0"}).status_code == 303
    assert [each["peak_kw"] for each in content_of(tmp_path)["forecast"]["pv"]["roofs"]] == [2.5]
    assert 'value="west"' in shown(page, "roof")


def test_a_roof_of_which_little_is_known(tmp_path: Path) -> None:
    page = asked(tmp_path)
    unknown = {ROOF.format(0, "azimuth_deg.unknown"): "1", ROOF.format(0, "tilt_deg.unknown"): "1"}
    fill(page, "roof", {"forecast.pv": "roofs", ROOF.format(0, "peak_kw"): "6", **unknown})
    assert content_of(tmp_path)["forecast"]["pv"]["roofs"] == [
        {"peak_kw": 6, "azimuth_deg": 180, "tilt_deg": 35}
    ]
    assert state_of(tmp_path, "roof") == ("done", "filled in, 2 assumed")
    assert "# How steep is roof 1? [°] Not known: assumed.\n" in text_of(tmp_path)


def test_no_pv_leaves_nothing_of_roofs(tmp_path: Path) -> None:
    page = asked(tmp_path)
    fill(page, "roof", {"forecast.pv": "roofs", **roof(0, "3", "90", "30")})
    fill(page, "roof", {"forecast.pv": "none"})
    assert content_of(tmp_path)["forecast"] == {"pv": "none"}


# --- what stands there ------------------------------------------------------------------------


def test_equipment_is_saved_under_its_questions(tmp_path: Path) -> None:
    page = asked(tmp_path)
    assert state_of(tmp_path, "equipment")[0] == "open"
    assert fill(page, "equipment", HOUSE).status_code == 303
    content = content_of(tmp_path)
    assert content["battery"] == {
        "capacity_kwh": 12,
        "charge_kw": 5,
        "discharge_kw": 5,
        "floor_pct": 10,
    }
    assert content["permissions"] == {"charge_from_grid": True, "export_stored_energy": False}
    assert content["connection"] == {"import_limit_kw": 14}
    text = text_of(tmp_path)
    assert (
        "  # Down to which level is the battery used? [%] Not known: assumed.\n  floor_pct: 10"
        in text
    )
    assert "  # How much does the battery hold? [kWh]\n  capacity_kwh: 12" in text
    assert state_of(tmp_path, "equipment") == ("done", "filled in, 2 assumed")


def test_a_number_typed_beside_an_old_tick_counts_and_so_does_a_new_tick(tmp_path: Path) -> None:
    page = asked(tmp_path)
    fill(page, "equipment", HOUSE)
    fill(page, "equipment", {"battery.floor_pct": "15"})
    assert content_of(tmp_path)["battery"]["floor_pct"] == 15
    assert "assumed.\n  floor_pct" not in text_of(tmp_path)
    fill(page, "equipment", {"battery.floor_pct.unknown": "1"})
    assert content_of(tmp_path)["battery"]["floor_pct"] == 10


def test_what_is_left_open_or_nonsense_is_told_at_its_field_and_nothing_is_saved(
    tmp_path: Path,
) -> None:
    page = asked(tmp_path)
    told = fill(page, "equipment", HOUSE | {"battery.capacity_kwh": "ten", "reserve_pct": ""})
    assert told.status_code == 422
    assert not (tmp_path / "scenario.yaml").exists()
    for name, asks, words in (
        ("battery.capacity_kwh", "How much does the battery hold?", "&#39;ten&#39; is no number."),
        (
            "reserve_pct",
            "Which level is to stay for when the grid fails?",
            "Nothing is given here.",
        ),
    ):
        assert f'<a href="#{name}">{asks}</a> {words}' in told.text  # several may read alike
        assert f'id="{name}-wrong">{words}' in told.text
        assert re.search(
            rf'<input id="{name}"[^>]*aria-invalid="true" aria-describedby="{name}-wrong', told.text
        )
    assert 'value="ten"' in told.text  # as it was typed
    assert 'value="14"' in told.text


def test_the_scenarios_own_checks_refuse_what_cannot_be(tmp_path: Path) -> None:
    page = asked(tmp_path)
    told = fill(page, "equipment", HOUSE | {"battery.capacity_kwh": "5000"})
    assert told.status_code == 422
    assert "would need 1,000 hours" in told.text
    (tmp_path / "scenario.yaml").write_text("battery: {ceiling_pct: 50}\n", encoding="utf-8")
    told = fill(page, "equipment", HOUSE | {"reserve_pct": "60"})
    assert "is not below the battery&#39;s ceiling of 50" in told.text
    assert 'id="reserve_pct-wrong"' in told.text


def test_an_odd_number_is_saved_and_remarked_upon(tmp_path: Path) -> None:
    page = asked(tmp_path)
    assert fill(page, "equipment", HOUSE | {"battery.capacity_kwh": "1.2"}).status_code == 303
    assert "1.2 kWh is outside what is usual, 2 to 1000 kWh" in shown(page, "equipment")


def test_what_may_be_empty_can_be_emptied_again(tmp_path: Path) -> None:
    page = asked(tmp_path)
    fill(page, "equipment", HOUSE | {"efficiency": "90"})
    assert content_of(tmp_path)["battery"]["charge_efficiency_pct"] == pytest.approx(94.87)  # √0.9
    fill(page, "equipment", {"connection.import_limit_kw": "", "efficiency": ""})
    assert "connection" not in content_of(tmp_path)
    assert "charge_efficiency_pct" not in content_of(tmp_path)["battery"]


# --- the menu ---------------------------------------------------------------------------------


def test_a_usual_menu_shows_its_empty_card(tmp_path: Path) -> None:
    page = asked(tmp_path)
    fill(page, "menu", {"menu": "fills"})
    (filling,) = content_of(tmp_path)["controls"]["lists"]
    assert (filling["actions"], filling["once"]) == (["charge"], ["level", "power"])
    text = shown(page, "menu")
    assert "once for all entries: fill to" in text
    assert "Months: what is typed in holds until it is changed." in text


def test_a_menu_that_is_described_asks_on(tmp_path: Path) -> None:
    page = asked(tmp_path)
    fill(page, "menu", {"menu": "own", "menu.shape": "own", "menu.minutes": "15"})
    assert content_of(tmp_path)["controls"]["minutes"] == 15
    assert "menu.overlap" in fields(page, "menu").offered  # asked only now
    fill(page, "menu", {"menu.filling.entries": "2", "menu.overlap": "yes"})
    fill(page, "menu", {"menu.precedence": "giving filling"})
    controls = content_of(tmp_path)["controls"]
    assert [each["name"] for each in controls["lists"]] == ["filling", "giving"]
    assert controls["precedence"] == ["giving", "filling"]
    assert controls["lists"][0]["entries"] == 2


def test_a_menu_that_cannot_be_is_told(tmp_path: Path) -> None:
    page = asked(tmp_path)
    told = fill(page, "menu", {"menu": "own", "menu.level_step": "3"})
    assert told.status_code == 422
    assert "does not divide 100 %" in told.text


# --- what a person wrote ----------------------------------------------------------------------


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.name)
def test_a_demo_opens_and_forms_sent_back_as_they_stand_change_nothing(
    demo: Path, tmp_path: Path
) -> None:
    folder = tmp_path / demo.name
    shutil.copytree(demo, folder)
    page = asked(folder)
    before = text_of(folder)
    for part in ("roof", "equipment", "menu"):
        assert state_of(folder, part)[0] == "done"
        sent = fill(page, part, {})
        if (
            part == "equipment"
        ):  # what the file leaves out is asked; said not to be known it is written
            continue
        assert sent.status_code == 303, sent.text
    assert text_of(folder) == before
    assert read_draft(folder).answers["menu"] == "own"
