"""Settings that a person wrote: what they ask for and the equipment does not do is said, and by name."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app

DEMO = shipped_folder("scenarios") / "1_two_rates"
HEAD = "settings: edited\nfloor_pct: {floor}\nseasons:\n- months: {months}\n  day_sets:\n  - days: every day\n    windows:\n"
WINDOW = '    - {{start: "{start}", end: "{end}", action: {rest}}}\n'


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two weeks of January of the first demo behind a connection of 14 kW and an inverter of 5 kW."""
    folder = tmp_path_factory.mktemp("site")
    text = (DEMO / "scenario.yaml").read_text(encoding="utf-8")
    assert "ac_limit_kw: 5" in text
    assert "import_limit_kw: 14" in text
    text = text.replace("actions: [charge, hold, cover]", "actions: [charge, hold, cover, sell]")
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    lines = (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()
    (folder / "forecast.csv").write_text("\n".join(lines[: 3 + 14 * 24]), encoding="utf-8")
    return folder


def replayed(site: Path, folder: Path, text: str) -> tuple[str, list[str]]:
    """Return the text, and the notes of the data, of a replay."""
    path = folder / "edited.yaml"
    path.write_text(text, encoding="utf-8")
    words = ["replay", str(site), "--settings", str(path), "--out", str(folder / "out")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    record = json.loads((folder / "out" / "plan.json").read_text(encoding="utf-8"))
    told = " ".join(done.stdout.split())
    assert all(" ".join(note.split()) in told for note in record["notes"])
    return told, record["notes"]


def test_each_thing_that_the_equipment_does_not_do_gets_a_word(site: Path, tmp_path: Path) -> None:
    """The battery's maker asks for 10 %; its inverter lets 5 kW through; January is not named."""
    text = HEAD.format(floor=5, months="[2]") + "".join(
        WINDOW.format(start=start, end=end, rest=rest)
        for start, end, rest in (
            ("00:00", "06:00", "charge, until_pct: 100, grid_kw: 25"),
            ("17:00", "19:00", "sell, power_kw: 12, down_to_pct: 20"),
        )
    )
    told, notes = replayed(site, tmp_path, text)
    charging = next(note for note in notes if "00:00–06:00" in note)
    assert "25 kW" in charging
    assert "no more than 5 kW can flow, the inverter's limit" in charging
    selling = next(note for note in notes if "17:00–19:00" in note)
    assert "no more than 5 kW" in selling
    assert any("floor of 5 % is below the 10 %" in note for note in notes)
    assert any("no window holds" in note for note in notes)
    assert "these settings" in told
    assert "ur windows" not in told
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "battery, these settings" in page
    assert "ur windows" not in page


def test_settings_that_can_be_done_as_they_stand_get_no_word(site: Path, tmp_path: Path) -> None:
    text = HEAD.format(floor=10, months="[1]") + WINDOW.format(
        start="00:00", end="06:00", rest="charge, until_pct: 80, grid_kw: 2"
    )
    _, notes = replayed(site, tmp_path, text)
    assert not [
        note for note in notes if "can flow" in note or "floor of" in note or "no window" in note
    ]
    assert any(
        note.startswith("In February–December, which the forecast does not hold") for note in notes
    )
