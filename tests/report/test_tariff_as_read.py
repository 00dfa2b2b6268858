"""What is kept with a result is the tariff that was billed, also if files are edited meanwhile."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree  # reads what the program itself made

import pytest

from optimizer.base.documents import read_document
from optimizer.base.errors import SettingsError
from optimizer.billing.tariff import read_tariff
from optimizer.report.figures import draw_bills, draw_curve, draw_floors
from optimizer.report.files import write_result
from optimizer.scenario.brief import read_brief
from optimizer.settings.windows import Settings, no_windows
from optimizer.workflows.in_use import SERIES, tariff_of_promise
from optimizer.workflows.results import Result, outcome_of
from optimizer.workflows.solve import cheapest_plan
from tests.builders import billed, local_grid

DAY = local_grid("2026-07-01T00:00", "Europe/Berlin", 24)
TARIFF = (
    "tariff: mine\ncurrency: CURRENCY\nversions:\n  - from: 2020-01-01\n    source: invented\n"
    "    charges:\n"
    "      - {kind: energy, name: Spot, series: {file: ../prices/spot.csv, column: per_kwh}}\n"
)


def written(folder: Path, currency: str = "EUR") -> Path:
    """Write a scenario of one day with a tariff of its own; return its folder."""
    site = folder / "site"
    site.mkdir()
    (site / "tariff.yaml").write_text(TARIFF.replace("CURRENCY", currency))
    (folder / "prices").mkdir()
    prices(folder, 0.2)
    rows = "\n".join(f"{DAY.label(step)},1.0,0.5" for step in range(24))
    (site / "forecast.csv").write_text(f"time,load_kwh,pv_kwh\n{rows}\n")
    (site / "scenario.yaml").write_text(
        "scenario: mine\nzone: Europe/Berlin\ntariff: tariff.yaml\nforecast: forecast.csv\n"
        "battery: {capacity_kwh: 9, charge_kw: 4, discharge_kw: 4}\n"
        "inverter: {ac_limit_kw: 5}\npv: {coupling: ac}\n"
    )
    return site


def prices(folder: Path, price: float) -> None:
    rows = "\n".join(f"{DAY.label(step)},{price}" for step in range(24))
    (folder / "prices" / "spot.csv").write_text(f"time,per_kwh\n{rows}\n")


def results_of(site: Path, out: Path, meanwhile) -> Path:
    brief = read_brief(site)
    plan = cheapest_plan(brief, 60, lambda _told: None)
    meanwhile()
    settings = no_windows(brief.scenario.plant.soc_pct(brief.scenario.plant.low_kwh))
    write_result(Result(brief, plan, outcome_of(brief, plan, settings)), out)
    return out


def test_the_tariff_kept_with_a_result_is_the_one_that_was_read(tmp_path):
    site = written(tmp_path)
    asked = (site / "tariff.yaml").read_text()

    def edit() -> None:
        (site / "tariff.yaml").write_text(asked.replace("mine", "another"))
        prices(tmp_path, 0.9)

    out = results_of(site, tmp_path / "out", edit)
    assert (out / "tariff.yaml").read_text() == asked
    then = tariff_of_promise(out, read_tariff(site / "tariff.yaml"))
    assert then.name == "mine"
    assert billed(then, DAY, 1.0).total == pytest.approx(24 * 0.2)
    assert [path.name for path in (out / SERIES).iterdir()] == [".._prices_spot.csv"]


def test_a_series_that_is_edited_during_a_run_is_billed_as_it_was_read(tmp_path):
    site = written(tmp_path)
    tariff = read_tariff(site / "tariff.yaml")
    before = billed(tariff, DAY, 1.0).total
    prices(tmp_path, 0.9)
    assert billed(tariff, DAY, 1.0).total == before == pytest.approx(4.8)
    (tmp_path / "prices" / "spot.csv").unlink()
    assert billed(tariff, DAY, 1.0).total == before


HOSTILE = ["$$", "$\\frac", "$x$", "$_{", "_EUR", "%s{0}", "<b>&", "a\\nb", "€$"]


@pytest.mark.parametrize("currency", HOSTILE)
def test_a_currency_of_any_signs_is_drawn(currency):
    drawn = [
        draw_bills({"our bill": 3.0, "$another$ $": 2.0}, currency),
        draw_curve([0, 1, 2], [0.0, 1.0, 2.0], [0.0, 1.0, 1.5], 1, currency),
        draw_floors([10, 20], {"July $": [1.0, 2.0]}, {"July $": [0.5, 0.6]}, currency, 8)[0],
    ]
    for svg in drawn:
        figure = ElementTree.fromstring(svg)
        assert any(currency in (part.text or "") for part in figure.iter())
        assert currency in figure.get("aria-label", "")


def test_a_currency_of_dollar_signs_reaches_the_report(tmp_path):
    site = written(tmp_path, '"$$"')
    out = results_of(site, tmp_path / "out", lambda: None)
    assert "$$" in re.sub(r"<style.+?</style>", "", (out / "report.html").read_text(), flags=re.S)


@pytest.mark.parametrize(
    "name", ["two\\nfloor_pct: 3", "a\\r\\u2028b: [", "\\u0085x\\0", "$x_{", "#: &a *b"]
)
def test_a_tariff_of_any_name_leaves_settings_that_can_be_read(name, tmp_path):
    site = written(tmp_path)
    text = (site / "tariff.yaml").read_text().replace("mine", f'"{name}"')
    (site / "tariff.yaml").write_text(text)
    out = results_of(site, tmp_path / "out", lambda: None)
    settings, _ = read_document(out / "settings.yaml", Settings, SettingsError)
    assert settings.floor_pct != 3
    assert (out / "tariff.yaml").read_text() == text
