"""A net meter whose PV nobody metered: asked for where it matters, estimated, and told as an estimate."""

from __future__ import annotations

from pathlib import Path

import pytest
from ruamel.yaml import YAML
from typer.testing import CliRunner

from optimizer.cli.app import app
from tests.page.filling import fill, shown, text_of
from tests.page.houses import ZONE, net_csv, portal_csv
from tests.page.serving import Asked, asked
from tests.page.test_questions import roof

BEHIND, YIELD = "forecast.pv.behind_meters", "forecast.pv.kwh_per_year"
NEAR = {"forecast.place.latitude_deg": "41.2", "forecast.place.longitude_deg": "-73.9"}
FACTS = {"forecast.pv": "roofs", **roof(0, "6", "south", "30"), **NEAR}


def hand_in(page: Asked, content: str) -> None:
    sent = page.client.post(
        f"{page.room}/used", data={"zone": ZONE, "way": "meter"},
        files={"files": ("meter.csv", content.encode())}, headers=page.headers(),
    )  # fmt: skip
    assert sent.status_code == 303, sent.text


def pv_of(folder: Path) -> dict:
    return YAML(typ="safe").load(text_of(folder))["forecast"].get("pv")


def test_it_is_asked_of_a_net_meter_alone(tmp_path: Path) -> None:
    page = asked(tmp_path)
    assert f'name="{BEHIND}"' not in shown(page, "roof")
    hand_in(page, portal_csv())
    assert f'name="{BEHIND}"' not in shown(page, "roof")
    hand_in(page, net_csv())
    assert f'name="{BEHIND}"' in shown(page, "roof")
    assert "I don&#39;t know: yes is assumed." in shown(page, "roof")
    assert fill(page, "roof", FACTS).status_code == 422  # it must be answered


def test_its_estimate_and_error_are_told(tmp_path: Path) -> None:
    page = asked(tmp_path)
    hand_in(page, net_csv())
    assert fill(page, "roof", FACTS | {BEHIND: "yes"}).status_code == 303
    assert pv_of(tmp_path)["behind_meters"] is True
    told = shown(page, "roof")
    assert "2026-04-01 – 2026-06-09: PV and load are estimated from a net meter" in told
    assert "a year&#39;s PV was off by" in told


def test_a_yield_from_the_display_is_the_sum_of_the_estimate(tmp_path: Path) -> None:
    page = asked(tmp_path)
    hand_in(page, net_csv())
    assert fill(page, "roof", FACTS | {BEHIND: "?", YIELD: "7,500"}).status_code == 303
    assert pv_of(tmp_path)["kwh_per_year"] == 7500
    # 70 days of 365.2425 of it
    assert f"Of {7500 * 70 / 365.2425:,.0f} kWh PV" in shown(page, "roof")
    fill(page, "roof", {BEHIND: "no"})
    assert {k: v for k, v in pv_of(tmp_path).items() if k != "roofs"} == {"behind_meters": False}


def test_roofs_that_cannot_give_the_export_are_told(tmp_path: Path) -> None:
    page = asked(tmp_path)
    hand_in(page, net_csv())
    fill(page, "roof", FACTS | {BEHIND: "yes", **roof(0, "1", "south", "30")})
    assert "kWh exported are more than such roofs give under a clear sky" in shown(page, "roof")


@pytest.mark.parametrize("other", ["portal", "bill"])
def test_another_source_forgets_it(other: str, tmp_path: Path) -> None:
    page = asked(tmp_path)
    hand_in(page, net_csv())
    fill(page, "roof", FACTS | {BEHIND: "yes", YIELD: "7500"})
    if other == "portal":
        hand_in(page, portal_csv())
        assert pv_of(tmp_path) == "metered"
    else:
        fill(page, "used", {"way": "bill", "kwh": "4,000"})
        assert set(pv_of(tmp_path)) == {"roofs"}


def test_the_terminal_asks_the_same(tmp_path: Path) -> None:
    meter = tmp_path / "net.csv"
    meter.write_text(net_csv(), encoding="utf-8")
    lines = ["", "new york", f"'{meter}'", "roofs", "1", "6", "south", "30", ""]
    done = CliRunner().invoke(app, ["new", str(tmp_path / "new")], input="\n".join(lines) + "\n")
    assert done.exit_code == 0, done.output
    assert "Did this PV work while the meter counted" in done.stderr
    assert pv_of(tmp_path / "new")["behind_meters"] is True
