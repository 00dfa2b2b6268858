"""A study measured from today: its sums by arithmetic of its own, from bills of plain replays alone."""

from __future__ import annotations

from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.units import money
from optimizer.billing.bill import bill_flows
from optimizer.report.study_list import list_text
from optimizer.report.study_page import study_page
from optimizer.report.study_text import study_text
from optimizer.report.study_words import Names, advice, answer
from optimizer.scenario.brief import read_brief
from optimizer.settings.windows import no_windows
from optimizer.simulation.replay import replay
from optimizer.studies.cases import read_study
from optimizer.studies.run import list_study, run_study
from optimizer.studies.verdict import Row, StudyResult
from optimizer.workflows.inputs import horizon_of
from tests.studies.small import MONEY, study_of, write_sites

TODAY = """\
study: Today
sites: [elm]
reference: {}
vary:
  battery_kwh: [4, 10]
  tariff: [its own, steep.yaml]
money:
  discount_pct: 5
  years: 4
  prices_rise_pct_per_year: 2
  battery: {fixed: 200, per_kwh: 300}
  incentive: {share_pct: 10}
  operating: {per_year: 10}
"""
BARE = "reference: {tariff: steep.yaml, pv: none}\n"
OWN = "reference: {battery: its own}\n"


def silent(_text: str) -> None:
    """Tell nothing."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("today")
    write_sites(folder, ["elm"], days=365)
    return folder


def run(folder: Path, text: str, name: str = "study.yaml") -> StudyResult:
    path = study_of(folder, text, name)
    return run_study(path, folder / "out", processes=0, progress=silent)


@pytest.fixture(scope="module")
def told(folder: Path) -> StudyResult:
    return run(folder, TODAY)


def bill_of(folder: Path, tariff: str, *, with_pv: bool = True) -> float:
    """Return a year's bill without a battery: load less PV, as the meter has it, priced."""
    site = folder / f"of {tariff}"
    site.mkdir(exist_ok=True)
    for name in ("scenario.yaml", "forecast.csv"):
        text = (folder / "elm" / name).read_text().replace("calm.yaml", tariff)
        (site / name).write_text(text)
    brief = read_brief(site)
    horizon = horizon_of(brief)
    plant = horizon.plant.without_battery()
    pv_kwh = horizon.pv_kwh * with_pv
    flows = replay(
        replace(horizon, plant=plant, pv_kwh=pv_kwh, start_kwh=0.0), no_windows(0.0)
    ).flows
    return bill_flows(brief.cost, flows).total


def worth_of_annuity(first: float, rise: float, rate: float, years: int) -> float:
    """Return what a sum that rises each year is worth today: a geometric row, in closed form."""
    ratio = (1 + rise) / (1 + rate)
    return first / (1 + rate) * (1 - ratio**years) / (1 - ratio)


def row_of(result: StudyResult, tariff: str, way: str, kwh: float = 0.0) -> Row:
    (row,) = (
        row for row in result.rows
        if (row["tariff"], row["way"], row["battery_kwh"]) == (tariff, way, kwh)
    )  # fmt: skip
    return row


def test_no_battery_and_no_windows_are_ranked_on_every_tariff(told: StudyResult) -> None:
    ways = sorted((row["tariff"], row["way"], row["battery_kwh"]) for row in told.ranked)
    assert ways == sorted(
        (tariff, way, kwh)
        for tariff in ("its own", "steep.yaml")
        for way, kwh in [("no battery", 0), *((way, kwh) for way in ("no windows", "with windows") for kwh in (4, 10))]
    )  # fmt: skip
    (today,) = (row for row in told.rows if row["role"] == "today")
    assert (today["tariff"], today["npv_eur"], today["saves_eur"]) == ("its own", 0, 0)


def test_changing_the_tariff_alone_is_worth_what_two_bills_say(
    folder: Path, told: StudyResult
) -> None:
    calm, steep = bill_of(folder, "calm.yaml"), bill_of(folder, "steep.yaml")
    row = row_of(told, "steep.yaml", "no battery")
    assert row["saves_eur"] == pytest.approx(calm - steep, abs=1e-9)
    assert row["npv_eur"] == pytest.approx(worth_of_annuity(calm - steep, 0.02, 0.05, 4), abs=1e-8)
    assert row["cost_present_value_eur"] == pytest.approx(
        worth_of_annuity(steep, 0.02, 0.05, 4), abs=1e-8
    )
    assert row["investment_eur"] == 0
    today = row_of(told, "its own", "no battery")
    assert today["cost_present_value_eur"] == pytest.approx(
        worth_of_annuity(calm, 0.02, 0.05, 4), abs=1e-8
    )


@pytest.mark.parametrize("way", ["no windows", "with windows"])
def test_a_battery_on_another_tariff_is_measured_from_todays_bill(
    folder: Path, told: StudyResult, way: str
) -> None:
    """Nothing ages here, so each year's bill is the first one risen by 2 %; 10 % of the price is given."""
    row = row_of(told, "steep.yaml", way, 10)
    paid = 0.9 * (200 + 300 * 10) + worth_of_annuity(10, 0.0, 0.05, 4)
    calm = bill_of(folder, "calm.yaml")
    # what is left in the battery beyond the plan counts, so the year costs what is saved less than today
    cost = paid + worth_of_annuity(calm - row["saves_eur"], 0.02, 0.05, 4)
    assert row["saves_eur"] == pytest.approx(calm - row["bill_eur"], abs=0.5)
    assert row["cost_present_value_eur"] == pytest.approx(cost, abs=1e-8)
    today = worth_of_annuity(calm, 0.02, 0.05, 4)
    assert row["npv_eur"] == pytest.approx(today - cost, abs=1e-8)


def test_at_the_price_that_breaks_even_a_second_study_finds_it_worth_as_much_as_none(
    folder: Path, told: StudyResult
) -> None:
    row = row_of(told, "steep.yaml", "with windows", 10)
    just = row["break_even_price_eur_per_kwh"]
    again = run(
        folder, TODAY.replace("{fixed: 200, per_kwh: 300}", f"{{per_kwh: {just}}}"), "again.yaml"
    )
    battery = row_of(again, "steep.yaml", "with windows", 10)
    none = row_of(again, "steep.yaml", "no battery")
    assert battery["npv_eur"] == pytest.approx(none["npv_eur"], abs=1e-6)


def test_without_a_reference_a_study_has_its_cases_and_its_measure_as_before(folder: Path) -> None:
    old = run(folder, TODAY.replace("reference: {}\n", ""), "old.yaml")
    assert len(old.rows) == 4
    for row in old.rows:
        assert row["saves_eur"] == row["windows_save_over_no_battery_eur"]
        assert row["against"] == "no_battery"
    text = " ".join(study_text(old).split())
    assert "Savings are over the same site on the same tariff without a battery." in text
    assert "what a change of tariff brings by itself does not count" in text
    row = row_of(old, "steep.yaml", "with windows", 10)
    steep = bill_of(folder, "steep.yaml")
    assert row["npv_eur"] + row["cost_present_value_eur"] == pytest.approx(
        worth_of_annuity(steep, 0.02, 0.05, 4), abs=1e-8
    )


def test_a_battery_that_pays_is_told_with_the_price_up_to_which_it_does(told: StudyResult) -> None:
    """At 300 a kWh and 200 fixed, 320 a kWh of 10, one pays on the calm tariff over four years."""
    names = Names.of(told)
    best = told.ranked[0]
    assert (best["tariff"], best["way"], best["battery_kwh"]) == ("its own", "with windows", 10)
    calm = advice(told, names)[0]
    assert calm.startswith(
        "On today's Calm: a battery of 10 kWh and 5 kW, with windows (net present"
    )
    just = money(best["break_even_price_eur_per_kwh"], "EUR")
    assert f"It pays up to {just} a kWh, all of it counted (stated: 320.00)." in calm
    assert f"worth {money(best['npv_eur'], 'EUR')} more than it costs" in answer(told, names)[0]


def test_the_verdict_is_told_in_words(folder: Path) -> None:
    """At 900 a kWh no battery pays; from the steep tariff the calm one alone is the gain."""
    dear = TODAY.replace("per_kwh: 300", "per_kwh: 900")
    result = run(folder, dear, "dear.yaml")
    names = Names.of(result)
    assert answer(result, names)[0].startswith("Leave it as it is (elm, tariff Calm, no battery)")
    calm, steep = advice(result, names)
    assert calm.startswith("On today's Calm: change nothing")
    short_of_paying = {
        900 + 200 / row["battery_kwh"] - row["break_even_price_eur_per_kwh"]: row
        for row in result.rows
        if row["tariff"] == "its own" and row["battery_kwh"]
    }
    nearest = short_of_paying[min(short_of_paying)]
    just, kwh = nearest["break_even_price_eur_per_kwh"], nearest["battery_kwh"]
    assert f"must cost {money(just, 'EUR')} a kWh or less to pay" in calm
    assert f"({kwh:g} kWh and" in calm
    assert f"stated: {900 + 200 / kwh:.2f})" in calm
    assert steep.startswith("On Steep: buy nothing (net present value -")
    text = " ".join(study_text(result).split())
    assert calm in text
    assert calm in unescape(study_page(result))
    assert "Savings are over today: Calm, no battery." in text
    text = dear.replace("reference: {}", "reference: {tariff: steep.yaml}")
    changing = run(folder, text, "changing.yaml")
    told = answer(changing, Names.of(changing))[0]
    assert told.startswith("Change the tariff and buy nothing (elm, tariff Calm, no battery)")
    gain = worth_of_annuity(
        bill_of(folder, "steep.yaml") - bill_of(folder, "calm.yaml"), 0.02, 0.05, 4
    )
    assert f"worth {money(gain, 'EUR')} more than it costs" in told


def test_a_pv_that_is_bought_too_is_paid_in_every_case_but_todays(folder: Path) -> None:
    text = TODAY.replace("reference: {}\n", BARE).replace("money:\n", "money:\n  pv: 1000\n")
    result = run(folder, text, "bare.yaml")
    dark = bill_of(folder, "steep.yaml", with_pv=False)
    alone = row_of(result, "its own", "no battery")
    saved = dark - bill_of(folder, "calm.yaml")
    assert alone["npv_eur"] == pytest.approx(
        worth_of_annuity(saved, 0.02, 0.05, 4) - 0.9 * 1000, abs=1e-8
    )
    (today,) = (row for row in result.rows if row["role"] == "today")
    assert (today["tariff"], today["way"]) == ("steep.yaml", "neither PV nor battery")
    assert row_of(result, "its own", "with windows", 4)["investment_eur"] == 1000 + 200 + 300 * 4
    assert {row["way"] for row in result.rows if row["tariff"] == "its own"} == {
        "neither PV nor battery", "no battery", "no windows", "with windows",
    }  # fmt: skip


def test_a_battery_that_stands_today_is_not_bought_again(folder: Path) -> None:
    """Windows on it cost nothing; another size is paid for, and the old one's running cost is saved."""
    result = run(folder, TODAY.replace("reference: {}\n", OWN), "own.yaml")
    (today,) = (row for row in result.rows if row["role"] == "today")
    assert (today["battery_kwh"], today["way"], today["npv_eur"]) == (10, "no windows", 0)
    typed = row_of(result, "its own", "with windows", 10)
    assert typed["investment_eur"] == 0
    saved = typed["saves_eur"]
    assert typed["npv_eur"] == pytest.approx(worth_of_annuity(saved, 0.02, 0.05, 4), abs=1e-8)
    assert typed["break_even_price_eur_per_kwh"] is None
    other = row_of(result, "its own", "with windows", 4)
    assert other["investment_eur"] == 200 + 300 * 4
    assert other["npv_eur"] == pytest.approx(
        worth_of_annuity(other["saves_eur"], 0.02, 0.05, 4) - 0.9 * 1400, abs=1e-8
    )


def test_windows_are_typed_into_what_stands_where_no_other_size_is_worth_it(folder: Path) -> None:
    """The site's own 10 kWh are not among the sizes listed, and are cases all the same."""
    text = TODAY.replace("reference: {}\n", OWN).replace("[4, 10]", "[4]")
    result = run(folder, text, "stands.yaml")
    own = [row for row in result.rows if row["battery_kwh"] == 10]
    assert [(row["tariff"], row["way"], row["role"]) for row in own] == [
        ("its own", "no windows", "today"),
        ("steep.yaml", "no windows", "nothing bought"),
        ("its own", "with windows", "what stands"),
        ("steep.yaml", "with windows", "what stands"),
    ]
    assert {row["investment_eur"] for row in own} == {0}
    told = answer(result, Names.of(result))[0]
    assert told.startswith("Best is the battery that stands there, with windows (elm, tariff Calm)")


def test_a_reference_on_a_tariff_that_no_case_has_is_a_case(folder: Path) -> None:
    text = TODAY.replace("[its own, steep.yaml]", "[steep.yaml]")
    cases = read_study(study_of(folder, text, "other.yaml")).cases
    assert [(case.family.tariff, case.way, case.role) for case in cases if case.way == "no_battery"] == [
        ("its own", "no_battery", "today"), ("steep.yaml", "no_battery", "nothing bought"),
    ]  # fmt: skip


def test_todays_tariff_that_is_listed_by_its_file_stands_once(folder: Path) -> None:
    """Else it were advised on twice: to buy a battery, and on "its own" to change nothing."""
    text = TODAY.replace("[its own, steep.yaml]", "[calm.yaml]")
    study = read_study(study_of(folder, text, "twice.yaml"))
    assert [family.tariff for family in study.families] == ["calm.yaml"]
    assert {case.family.tariff for case in study.cases} == {"calm.yaml"}
    roles = [case.role for case in study.cases]
    assert roles == ["listed", "listed", "today", "as it comes", "as it comes"]


def test_without_money_what_the_first_year_saves_over_today_ranks(folder: Path) -> None:
    text = TODAY.split("money:")[0]
    result = run(folder, text, "year.yaml")
    calm, steep = bill_of(folder, "calm.yaml"), bill_of(folder, "steep.yaml")
    row = row_of(result, "steep.yaml", "no battery")
    assert row["saves_eur"] == pytest.approx(calm - steep, abs=1e-9)
    saves = np.array([row["saves_eur"] for row in result.ranked])
    assert np.all(np.diff(saves) <= 0)
    assert "over today: Calm, no battery" in " ".join(study_text(result).split())


def test_measured_from_no_battery_on_the_same_tariff_all_is_as_without_a_reference(
    folder: Path,
) -> None:
    """The two ways of asking are one sum: values, swings, drawn lives and best sizes agree."""
    text = MONEY + "leave_out_hopeless: true\n"
    text = text.replace("[4, 10]", "[4, 10, 400]")
    old = run(folder, text, "plain.yaml")
    new = run(folder, text + "reference: {}\n", "measured.yaml")
    typed = [row for row in new.rows if row["way"] == "with windows"]
    assert len(typed) == len(old.rows)
    assert [row["status"] for row in typed] == [row["status"] for row in old.rows]
    assert "left out" in {row["status"] for row in typed}
    for row, same in zip(typed, old.rows, strict=True):
        for name in ("npv_eur", "npv_of_plan_eur", "saves_eur", "cost_present_value_eur",
                     "break_even_price_eur_per_kwh", "internal_rate_pct"):  # fmt: skip
            assert row[name] == (same[name] and pytest.approx(same[name], abs=1e-7))
    (verdict,), (before,) = new.verdicts, old.verdicts
    assert verdict.row["battery_kwh"] == before.row["battery_kwh"]
    for swing, other in zip(verdict.swings, before.swings, strict=True):
        assert (swing.name, swing.npv_low, swing.npv_high) == (
            other.name, pytest.approx(other.npv_low), pytest.approx(other.npv_high),
        )  # fmt: skip
    np.testing.assert_allclose(verdict.chances.npv, before.chances.npv)
    (sized,), (guess,) = new.sized, old.sized
    assert sized.best.size_kwh == guess.best.size_kwh
    assert sized.best.value == pytest.approx(guess.best.value)
    assert sized.valued == pytest.approx(guess.valued)


def test_drawn_lives_of_a_battery_that_stands_today_differ_in_what_is_drawn_alone(
    folder: Path,
) -> None:
    """One level of load, one weather, one rise of prices: every drawn life is the same."""
    text = MONEY.replace("[4, 10]", "[10]").split("best_size")[0]
    text += "draws: {members: 50, weather_years: 1, load_levels: 1, prices_rise_sd_pct: 0}\n"
    result = run(folder, text + "reference: {battery: its own}\n", "drawn.yaml")
    (verdict,) = result.verdicts
    assert verdict.row["investment_eur"] == 0
    assert np.ptp(verdict.chances.npv) == pytest.approx(0, abs=1e-9)
    assert np.all(np.isfinite(verdict.chances.npv))


def test_two_sites_have_a_today_and_an_advice_each(folder: Path, tmp_path: Path) -> None:
    write_sites(tmp_path, ["elm", "oak"], days=360)
    text = TODAY.replace("[elm]", "[elm, oak]").replace("[4, 10]", "[10]")
    path = study_of(tmp_path, text)
    result = run_study(path, None, processes=0, progress=silent)
    todays = [row for row in result.rows if row["role"] == "today"]
    assert [(row["site"], row["tariff"]) for row in todays] == [
        ("elm", "its own"),
        ("oak", "its own"),
    ]
    names = Names.of(result)
    told = advice(result, names)
    assert [words.split(":")[0] for words in sorted(told)] == [
        "On Steep at elm", "On Steep at oak", "On today's Calm at elm", "On today's Calm at oak",
    ]  # fmt: skip
    lines = study_text(result).splitlines()
    assert max(map(len, lines)) <= 96
    for site in ("elm", "oak"):
        assert f"BEST BATTERY WITH WINDOWS OF {site}" in study_text(result) or (
            f"THE BEST CASE OF {site}" in study_text(result)
        )
    extent, cases = list_study(path, 1)
    assert "no battery" in list_text(extent, cases)
    old = study_of(tmp_path, text.replace("reference: {}\n", ""), "old.yaml")
    assert extent["pieces"] == list_study(old, 1)[0]["pieces"], (
        "what is ranked beside needs no plan"
    )
