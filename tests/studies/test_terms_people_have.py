"""Packages at list prices, parts of the bill, replacements only if they pay: against plain arithmetic."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import pyxirr

from optimizer.base.errors import InputError
from optimizer.billing.bill import bill_flows
from optimizer.economics.cash_flow import Money
from optimizer.report.study_text import study_record, study_text
from optimizer.scenario.brief import read_brief
from optimizer.simulation.replay import replay
from optimizer.studies.cases import read_study
from optimizer.studies.run import run_study
from optimizer.studies.verdict import StudyResult
from optimizer.studies.worker import _parts_of
from optimizer.workflows.inputs import horizon_of
from tests.studies.small import study_of, write_sites

PACKAGES = """\
study: Packages
sites: [elm]
vary: {package: [small, large]}
packages:
  small: {battery_kwh: 5, battery_kw: 2.5, inverter_kw: 5, price: 1900, of_which_inverter: 600}
  large: {battery_kwh: 12, battery_kw: 5, inverter_kw: 8, price: 4200, of_which_inverter: 900}
also: [{battery_kwh: 8}]
money:
  discount_pct: 5
  years: 6
  battery: {per_kwh: 100}
  inverter: {per_kw: 50}
  loan: {share_pct: 40, rate_pct: 3, years: 4}
"""


def run(folder: Path, text: str, name: str = "study.yaml") -> StudyResult:
    path = study_of(folder, text, name)
    return run_study(path, folder / "out", processes=0, progress=lambda _told: None)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("terms")
    write_sites(found, ["elm"], days=364)
    return found


@pytest.fixture(scope="module")
def told(folder: Path) -> StudyResult:
    return run(folder, PACKAGES)


def test_packages_are_cases_at_their_list_prices(told: StudyResult) -> None:
    rows = {row["package"]: row for row in told.rows}
    assert list(rows) == ["small", "large", None]
    for name, kwh, kw, inverter_kw, price in (
        ("small", 5, 2.5, 5, 1900), ("large", 12, 5, 8, 4200), (None, 8, 4, 6, 800 + 300),
    ):  # fmt: skip
        row = rows[name]
        sizes = row["battery_kwh"], row["charge_kw"], row["discharge_kw"], row["inverter_kw"]
        assert sizes == (kwh, kw, kw, inverter_kw)
        assert row["investment_eur"] == price
        saved, paid_back = row["saves_eur"], pyxirr.pmt(0.03, 4, 0.4 * price)
        flows = [-0.6 * price, *[saved + paid_back] * 4, *[saved] * 2]
        assert row["npv_eur"] == pytest.approx(pyxirr.npv(0.05, flows))


def test_a_packages_break_even_price_is_its_batterys_alone(told: StudyResult, folder: Path) -> None:
    """Confirmed by a second study at that price: there it is worth nothing."""
    row = next(row for row in told.rows if row["package"] == "small")
    assert row["price_eur_per_kwh"] == (1900 - 600) / 5
    price = 600 + 5 * row["break_even_price_eur_per_kwh"]
    again = run(folder, PACKAGES.replace("price: 1900", f"price: {price!r}"), "even.yaml")
    even = next(row for row in again.rows if row["package"] == "small")
    assert even["npv_eur"] == pytest.approx(0.0, abs=1e-6)


def test_words_name_the_package_and_what_is_lent(told: StudyResult) -> None:
    text = " ".join(study_text(told).split())
    assert "package small" in text
    best = told.ranked[0]
    assert f"{0.4 * best['investment_eur']:,.2f} of it lent" in text
    assert study_record(told)["rows"][0]["package"] == "small"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("package: [small, large]", "package: [small, huge]"), "no package called 'huge'"),
        (("vary: {", "vary: {battery_kwh: [4], "), "packages and battery_kwh"),
        (("price: 1900, of_which_inverter: 600", "price: 500, of_which_inverter: 600"), "above the price"),
        (("  battery: {per_kwh: 100}\n  inverter: {per_kw: 50}\n  loan: {share_pct: 40, rate_pct: 3, years: 4}",
          "  lease: {per_year: 5}"), "is leased"),
        (("also: [{battery_kwh: 8}]", "also: [{battery_kwh: 8, package: small}]"), "sizes of its own"),
    ],
)  # fmt: skip
def test_packages_that_contradict_themselves_are_refused(
    folder: Path, change: tuple[str, str], words: str
) -> None:
    assert change[0] in PACKAGES
    with pytest.raises(InputError, match=words):
        read_study(study_of(folder, PACKAGES.replace(*change), "wrong.yaml"))


def test_parts_of_a_bill_are_the_sums_of_their_lines(folder: Path) -> None:
    brief = read_brief(folder / "elm")
    horizon = horizon_of(brief)
    bill = bill_flows(brief.cost, replay(horizon, horizon.plain()).flows)
    by_name = dict.fromkeys(("Energy", "Export", "Demand"), 0.0)
    for line in bill.lines:
        by_name[line.charge] += line.amount
    assert _parts_of(bill, brief.tariff) == pytest.approx(tuple(by_name.values()))
    assert all(by_name.values())


def test_rises_of_parts_move_the_worth_by_what_these_parts_save(folder: Path) -> None:
    """With all prices as they are but demand, whose share of the saving is told apart."""
    money = "money: {{discount_pct: 4, years: 10, battery: {{per_kwh: 50}}{}}}\n"
    text = "study: R\nsites: [elm]\n" + money
    plain = run(folder, text.format(""), "plain.yaml").moneys[1]
    rises = run(folder, text.format(", rises: {demand_pct: 6}"), "rises.yaml").moneys[1]
    saved = plain.life.parts[0][2]
    assert abs(saved[0]) > 0.01
    more = sum(saved[0] * (1.06**year - 1) / 1.04 ** (year + 1) for year in range(10))
    assert rises.worth.npv - plain.worth.npv == pytest.approx(more)


LATE = """\
study: Late
sites: [elm]
money:
  discount_pct: 5
  years: 12
  battery: {fixed: 100, per_kwh: 150}
  replacement: {after_years: 10%s}
  prices_rise_pct_per_year: 2
ageing: {calendar_pct_per_year: 2, replan_every_years: 4}
"""


def test_a_late_replacement_is_told_and_done_only_where_it_pays(folder: Path) -> None:
    """Two years of a new battery for 10 kWh earn no 1,600; not replaced, the old one goes on."""
    always = run(folder, LATE % "", "late.yaml")
    text = " ".join(study_text(always).split())
    assert "replaced for the last time after year 10" in text
    assert "only_if_it_pays" in text
    chosen = run(folder, LATE % ", only_if_it_pays: true", "chosen.yaml")
    never = run(folder, LATE % ", at_most: 0", "never.yaml")
    assert always.rows[0]["replacements"] == 1
    for result in (chosen, never):
        assert result.rows[0]["replacements"] == 0
        assert "replaced for the last time" not in study_text(result)
    assert chosen.rows[0]["npv_eur"] == never.rows[0]["npv_eur"] > always.rows[0]["npv_eur"]
    money = always.moneys[1]
    assert isinstance(money, Money)
    life = money.life
    assert life.health[9] == pytest.approx(0.82)
    assert life.health[10] == 1.0
    by_hand = (
        -1600
        - 1600 / 1.05**10
        + sum(saved * 1.02**year / 1.05 ** (year + 1) for year, saved in enumerate(life.saved))
    )
    assert money.worth.npv == pytest.approx(by_hand)
    assert np.flatnonzero(chosen.moneys[1].life.is_new).size == 0


def test_the_break_even_price_of_a_choice_is_confirmed_by_a_second_study(folder: Path) -> None:
    text = LATE % ", only_if_it_pays: true"
    price = run(folder, text, "even_1.yaml").rows[0]["break_even_price_eur_per_kwh"]
    again = run(
        folder, text.replace("{fixed: 100, per_kwh: 150}", f"{{per_kwh: {price!r}}}"), "even_2.yaml"
    )
    assert again.rows[0]["npv_eur"] == pytest.approx(0.0, abs=1e-6)


def test_floors_for_an_endurance_are_cases_and_cost_what_these_differ_by(folder: Path) -> None:
    text = """\
study: E
sites: [elm]
vary: {endurance_hours: [3, 0]}
money: {discount_pct: 5, years: 6, battery: {per_kwh: 50}}
"""
    result = run(folder, text, "endurance.yaml")
    lasting, free = result.rows
    assert (lasting["endurance_hours"], free["endurance_hours"]) == (3, 0)
    kept, plain = (json.loads(row["settings_json"]) for row in (lasting, free))
    assert kept["floor_pct"] > plain["floor_pct"] == 10
    assert result.verdicts[0].floors_cost is None, "the best case has no floors"
    alone = run(folder, text.replace("[3, 0]", "[3]"), "endurance_alone.yaml")
    (verdict,) = alone.verdicts
    assert verdict.floors_cost == pytest.approx(free["npv_eur"] - lasting["npv_eur"])
    assert verdict.floors_cost > 0
    assert "last 3 h when the grid fails take" in " ".join(study_text(alone).split())
    assert study_record(alone)["verdicts"][0]["floors_cost"] == verdict.floors_cost
