"""The same site by the page, by questions in the terminal, and by hand: the same files, the same plan."""

from __future__ import annotations

from pathlib import Path

import pytest
from ruamel.yaml import YAML
from typer.testing import CliRunner

import optimizer as tw
from optimizer.cli.app import app
from tests.page.filling import fill, text_of
from tests.page.houses import ZONE, portal_csv
from tests.page.serving import asked

BY_HAND = """\
scenario: Our house
zone: America/New_York
forecast:
  load: {meters: [meter.csv]}
  pv: metered
tariff: two_rates
battery: {capacity_kwh: 12, charge_kw: 5, discharge_kw: 5, floor_pct: 10}
inverter: {ac_limit_kw: 6}
pv: {coupling: dc}
connection: {import_limit_kw: 14}
permissions: {charge_from_grid: true, export_stored_energy: false}
reserve_pct: 20
controls:
  lists:
    - {name: filling, actions: [charge], entries: 3, fields: [start, end], once: [level, power], fills_day: false}
  day_types: every_day
  season_sets: 1
  minutes: 30
  outside: cover
  soc_step_pct: 5
  power_step_kw: 0.1
  over_midnight: true
  whole_day: true
  last_minute: "24:00"
  summer_time: true
"""

TYPED = ["Our house", "new york", "METER", "metered", "shipped", "two_rates", "dc", "12", "5", "6", "10", "20",
         "14", "none", "yes", "no", "fills"]  # fmt: skip


def by_terminal(folder: Path, meter: Path) -> None:
    lines = [f"'{meter}'" if line == "METER" else line for line in TYPED]
    done = CliRunner().invoke(app, ["new", str(folder)], input="\n".join(lines) + "\n")
    assert done.exit_code == 0, done.output
    assert "input ends here" not in done.stderr


def by_page(folder: Path, meter: Path) -> None:
    folder.mkdir()
    (folder / "scenario.yaml").write_text("tariff: two_rates\n", encoding="utf-8")
    page = asked(folder)
    sent = page.client.post(
        f"{page.room}/used", data={"zone": ZONE, "way": "meter", "then": "stay"},
        files={"files": (meter.name, meter.read_bytes())}, headers=page.headers(),
    )  # fmt: skip
    assert sent.status_code == 303, sent.text
    for part, answers in (
        ("roof", {"forecast.pv": "metered"}),
        ("equipment", {
            "scenario": "Our house", "pv.coupling": "dc", "battery.capacity_kwh": "12",
            "battery.charge_kw": "5", "inverter.ac_limit_kw": "6", "battery.floor_pct": "10",
            "reserve_pct": "20", "connection.import_limit_kw": "14", "connection.export_limit_kw": "",
            "permissions.charge_from_grid": "yes", "permissions.export_stored_energy": "no",
        }),
        ("menu", {"menu": "fills"}),
    ):  # fmt: skip
        sent = fill(page, part, answers)
        assert sent.status_code == 303, sent.text


def rows_of(folder: Path) -> list[str]:
    text = (folder / "meter.csv").read_text(encoding="utf-8")
    return [line for line in text.splitlines() if not line.startswith("#")]


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    place = tmp_path_factory.mktemp("three")
    meter = place / "from the portal.csv"
    meter.write_text(portal_csv(), encoding="utf-8")
    by_terminal(place / "terminal", meter)
    by_page(place / "page", meter)
    by_hand = place / "hand"
    by_hand.mkdir()
    (by_hand / "scenario.yaml").write_text(BY_HAND, encoding="utf-8")
    (by_hand / "meter.csv").write_bytes((place / "terminal/meter.csv").read_bytes())
    return {way: place / way for way in ("terminal", "page", "hand")}


def test_the_files_are_the_same_but_for_comments(folders: dict[str, Path]) -> None:
    read = {way: YAML(typ="safe").load(text_of(folder)) for way, folder in folders.items()}
    assert read["page"] == read["terminal"] == read["hand"]
    assert rows_of(folders["page"]) == rows_of(folders["terminal"])
    comments = {way: text_of(folder).count("# ") for way, folder in folders.items()}
    assert comments["page"] >= 20
    assert comments["terminal"] >= 20


def test_the_plan_is_the_same(folders: dict[str, Path]) -> None:
    """To the last digit: the same numbers go in, in the same order."""
    plans = [tw.plan(tw.read_scenario(folder), effort="quick") for folder in folders.values()]
    bills = [plan.bills.to_dict("list") for plan in plans]
    assert bills[0] == bills[1] == bills[2]
    settings = [plan.settings for plan in plans]
    assert settings[0] == settings[1] == settings[2]
