"""A wished endurance: the lowest floors that give it, their price, and that unseen days keep it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from optimizer.base.errors import ScenarioError
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.forecasting.weeks import Material
from optimizer.metering.forecast import Forecast
from optimizer.outages.reserve import Wish, least_level, traded
from optimizer.outages.reserve_price import ReserveCurve, reserve_curve
from optimizer.planning.linear import LinearSolver
from optimizer.scenario.brief import read_brief
from optimizer.scenario.horizon import Horizon
from optimizer.search.renewing import changes_of
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from optimizer.simulation.replay import replay
from optimizer.site.equipment import Plant
from optimizer.site.floors import Floors
from optimizer.workflows.inputs import groupings_of, horizon_of
from optimizer.workflows.reserve import wish_of, with_endurance
from optimizer.workflows.solve import Solved, solve
from tests.laws.cases import AC_PLANT, DC_PLANT, law
from tests.laws.sites import HOURS, TEN_WEEKS, half_of, site, wishing

TWO_RATES = shipped_folder("scenarios") / "1_two_rates"
MENU = Controls().menu


# --- the lowest levels ------------------------------------------------------------------------


@given(st.integers(0, 9), st.integers(1, 9))
@law(100)
def test_the_lowest_level_that_meets_is_found_with_few_tries(wanted: int, count: int) -> None:
    tried: list[int] = []

    def meets(level: int) -> bool:
        tried.append(level)
        return level >= wanted

    assert least_level(count, meets) == (wanted if wanted < count else None)
    assert len(tried) <= 2 + np.ceil(np.log2(count))


@given(
    st.lists(st.tuples(st.floats(0.1, 9), st.floats(0.1, 9)), min_size=1, max_size=3),
    st.integers(0, 12),
)
@law(100)
def test_trading_floors_keeps_the_wish_and_costs_no_more(
    gains_and_prices: list[tuple[float, float]], level: int
) -> None:
    """What a level brings and costs is a straight line here, in each group another."""
    gains, prices = (np.array(each) for each in zip(*gains_and_prices, strict=True))
    start = (level,) * len(gains)
    wanted = float(gains @ start)

    def judged(places: Sequence[int]) -> tuple[bool, float]:
        return bool(gains @ places >= wanted - 1e-9), float(prices @ places)

    found = traded(start, 13, judged, most=1000)
    meets, cost = judged(found)
    assert meets
    assert cost <= prices @ start + 1e-9
    for lowered in range(len(start)):
        for raised in range(len(start)):
            step = np.array(found)
            step[lowered] -= 1
            step[raised] += 1
            if lowered != raised and step.min() >= 0 and step.max() < 13 and judged(step)[0]:
                assert judged(step)[1] >= cost - 1e-9


def test_a_battery_at_the_floor_lasts_as_its_energy_does() -> None:
    """5 kWh above the maker's floor carry 1 kW for 5 h where nothing is lost: by hand."""
    plant = replace(
        AC_PLANT, discharge_efficiency=1.0, to_ac_efficiency=1.0, low_kwh=1.0,
        standing_loss_per_day=0.0,
    )  # fmt: skip
    one = np.ones(HOURS.count)
    horizon = Horizon(plant, HOURS, one, 0 * one, 6.0)
    for hours, expected in ((4.0, 1.0), (5.0, 1.0), (5.5, 0.0), (6.0, 0.0)):
        wish = Wish(hours, 0.9, None, True, 1.0)
        lasting = wish.lasting_from(horizon, 6.0 * one)
        assert lasting.tolist() == [expected] * HOURS.count
    critical = Wish(10.0, 0.9, 0.5, False, 1.0)
    assert critical.lasting_from(horizon, 6.0 * one).all()
    assert not critical.lasting_from(horizon, 5.9 * one).any()
    held = replay(horizon, no_windows(plant.soc_pct(6.0)))
    assert (held.stored_kwh == 6.0).all()


# --- the bill against the floor ---------------------------------------------------------------


def curve_of(plant: Plant, tariff: str, levels: Sequence[float]) -> ReserveCurve:
    plan, cost = site(plant, TEN_WEEKS, tariff)
    problem = plan.problem
    horizon = Horizon(plant, TEN_WEEKS, problem.load_kwh, problem.pv_kwh, plan.start_kwh)
    months = tuple(TEN_WEEKS.months)
    wish = Wish(4.0, 0.9, None, True, plant.low_kwh)
    groups = (months, months[:1], months[1:])
    return reserve_curve(problem, cost, horizon, wish, groups, levels, 60.0, LinearSolver())


@pytest.mark.parametrize("tariff", ["two rates", "demand", "flat"])
@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.sweep(every=5)
def test_the_bill_rises_with_the_floor_and_no_slower_the_higher_it_is(
    plant: Plant, tariff: str
) -> None:
    """Monotone and convex, in each season and over all; no two seasons cost more apart than together."""
    levels = np.linspace(plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh), 8)
    curve = curve_of(plant, tariff, levels.tolist())
    whole, first, second = (np.array(prices) for prices in curve.price)
    for prices in (whole, first, second):
        assert prices[0] == pytest.approx(0.0, abs=1e-6)
        assert (np.diff(prices) >= -1e-6).all()
        assert (np.diff(prices, 2) >= -1e-6).all()
    assert whole[-1] > 0.1
    assert (whole >= np.maximum(first, second) - 1e-6).all()
    assert curve.lasting[0][-1] is not None
    assert curve.lasting[0][-1] > curve.lasting[0][0]


def test_floors_that_the_sun_cannot_keep_have_no_price() -> None:
    """The sun alone fills this battery, which loses a tenth a day by standing; the house is dark by night."""
    plant = replace(AC_PLANT, may_charge_from_grid=False, standing_loss_per_day=0.1)
    curve = curve_of(plant, "two rates", [plant.soc_pct(plant.low_kwh), 95.0])
    assert curve.price[0] == (pytest.approx(0.0, abs=1e-6), None)
    assert curve.lasting[0][1] is None


# --- settings under a wished endurance --------------------------------------------------------


quickly = partial(solve, effort="quick", time_limit_s=60.0, progress=lambda _told: None)


def lasting_unseen(case: Solved, unseen: Horizon, wish: Wish) -> float:
    there = replace(horizon_of(case.brief), load_kwh=unseen.load_kwh, pv_kwh=unseen.pv_kwh)
    return float(wish.lasting(there, case.found.settings).mean())


@pytest.mark.parametrize("by_season", [False, True], ids=["one floor", "by season"])
@pytest.mark.sweep(every=2)
def test_settings_give_the_wished_endurance_on_weeks_that_neither_they_nor_floors_have_seen(
    by_season: bool,
) -> None:
    brief = read_brief(TWO_RATES)
    seen, unseen = (half_of(brief, turn) for turn in (0, 1))
    wished = wishing(seen, 4.0, by_season=by_season)
    first = quickly(wished)
    case, reserve = with_endurance(first, quickly, lambda _told: None)
    wish = wish_of(wished.scenario)
    assert reserve.before < 0.9
    assert reserve.after >= 0.9
    assert lasting_unseen(case, horizon_of(unseen), wish) >= 0.9
    assert reserve.price > 0
    assert reserve.price_of_plan > 0
    step = wished.scenario.controls.soc_step_pct
    lower = Floors.of_groups(
        tuple(months for months, _ in reserve.floors_pct),
        [case.task.plant.level_kwh(pct - 2 * step) for _, pct in reserve.floors_pct],
    )
    cheaper = quickly(replace(wished, floors=lower))
    assert wish.lasting(horizon_of(cheaper.brief), cheaper.found.settings).mean() < 0.9


def test_a_wish_that_is_met_already_costs_nothing() -> None:
    wished = wishing(read_brief(TWO_RATES), 4.0, by_season=False, share_pct=60.0)
    first = quickly(wished)
    case, reserve = with_endurance(first, quickly, lambda _told: None)
    assert case is first
    assert (reserve.floors_pct, reserve.price, reserve.price_of_plan) == ((), 0.0, 0.0)


def test_a_wish_that_no_floor_gives_is_refused_with_what_can_be_done() -> None:
    wished = wishing(read_brief(TWO_RATES), 24.0, by_season=True)
    with pytest.raises(ScenarioError, match="no floor gives 24 h in 90 %") as refused:
        with_endurance(quickly(wished), quickly, lambda _told: None)
    assert "critical loads" in str(refused.value)


@pytest.mark.parametrize("by_season", [False, True], ids=["one floor", "by season"])
@pytest.mark.parametrize("end", ["same", "free", 12.0])
@pytest.mark.sweep(every=5)
def test_under_floors_plan_and_windows_are_not_given_energy(
    end: str | float, by_season: bool
) -> None:
    """A floor only forbids, so it can save the cheapest plan nothing; a start above it must be paid for."""
    brief = read_brief(TWO_RATES)
    whole = brief.scenario.forecast
    count = 24 * 7 * 4
    short = Forecast(replace(whole.grid, count=count), whole.load_kwh[:count], whole.pv_kwh[:count])
    brief = brief.on(short, Material((short,), holds_forecast=True))
    wished = wishing(brief, 3.0, by_season=by_season, share_pct=80.0)
    state = wished.scenario.file.state.model_copy(
        update={"end_pct": end, "leftover_per_kwh": 0.1 if end == "free" else 0.0}
    )
    file = wished.scenario.file.model_copy(update={"state": state})
    wished = replace(wished, scenario=replace(wished.scenario, file=file))
    first = quickly(wished)
    case, reserve = with_endurance(first, quickly, lambda _told: None)
    assert reserve.is_raised
    assert reserve.price_of_plan is not None
    assert reserve.price_of_plan >= -1e-6
    assert case.plan.problem.horizon.floors
    assert horizon_of(case.brief).start_kwh == case.plan.start_kwh


def test_months_of_unlike_floors_are_not_grouped() -> None:
    brief = read_brief(TWO_RATES)
    controls = brief.scenario.controls
    december = replace(brief, floors=Floors({12: 9.0}))
    assert groupings_of(december, controls) == [(tuple(range(1, 12)), (12,))]
    alike = replace(brief, floors=Floors(dict.fromkeys(range(1, 13), 5.0)))
    assert groupings_of(alike, controls) == groupings_of(brief, controls)


def test_a_window_that_means_the_same_above_a_floor_is_no_change() -> None:
    def settings(down_to_pct: float | None, floor_pct: float) -> Settings:
        window = Window(start="17:00", end="21:00", action="cover", down_to_pct=down_to_pct)
        day_set = DaySet(days="every day", windows=[window])
        season = SeasonSet(months=[1, 2], floor_pct=floor_pct, day_sets=[day_set])
        return Settings(settings="any", floor_pct=10.0, seasons=[season])

    assert changes_of(settings(None, 60.0), settings(60.0, 60.0), AC_PLANT, MENU) == ()
    assert len(changes_of(settings(None, 60.0), settings(70.0, 60.0), AC_PLANT, MENU)) == 1


def test_no_windows_keep_the_floors_of_each_month() -> None:
    seasons = [SeasonSet(months=[6], floor_pct=60.0, day_sets=[DaySet(days="every day")])]
    plain = Settings(settings="any", floor_pct=20.0, seasons=seasons).without_windows()
    assert [plain.floor_in(month) for month in (5, 6, 7)] == [20.0, 60.0, 20.0]
    assert plain.entries() == 0


def told(folder: Path, *words: str) -> str:
    result = CliRunner().invoke(app, [*words])
    assert result.exit_code == 0, result.output
    return result.stdout


def wishing_folder(tmp_path: Path, more: str) -> Path:
    folder = tmp_path / "site"
    shutil.copytree(TWO_RATES, folder)
    scenario = folder / "scenario.yaml"
    scenario.write_text(scenario.read_text(encoding="utf-8") + more, encoding="utf-8")
    return folder


@pytest.mark.long
def test_plan_hands_out_floors_and_tells_their_price_and_renew_keeps_them(tmp_path: Path) -> None:
    folder = wishing_folder(tmp_path, "outage: {hours: 4, share_pct: 90}\n")
    text = (folder / "scenario.yaml").read_text(encoding="utf-8")
    (folder / "scenario.yaml").write_text(
        text.replace("  season_sets: 2", "  season_sets: 2\n  floor_by_season: true"),
        encoding="utf-8",
    )
    out = tmp_path / "out"
    text = told(folder, "plan", str(folder), "--effort", "quick", "--out", str(out))
    assert "Wished for: 4 h for the building in 90 % of outages." in text
    reserve = json.loads((out / "plan.json").read_text(encoding="utf-8"))["reserve"]
    floors = {tuple(part["months"]): part["floor_pct"] for part in reserve["floors"]}
    assert reserve["lasting_frac"]["with"] >= 0.9 > reserve["lasting_frac"]["without"]
    assert reserve["lasting_frac"]["unseen"] >= 0.9
    again = json.loads(
        told(folder, "replay", str(folder), "--settings", str(out / "settings.yaml"), "--json")
    )
    planned = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    for before, after in zip(planned["cases"], again["cases"], strict=True):
        assert after["cost"] == pytest.approx(before["cost"], abs=1e-6)
    settings = json.loads((out / "plan.json").read_text(encoding="utf-8"))["settings"]
    assert {tuple(s["months"]): s["floor_pct"] for s in settings["seasons"]} == floors
    card = text.split("SETTINGS TO ENTER")[1].split("WHY EACH WINDOW")[0]
    assert all(f"floor: {floor:g} %" in card for floor in floors.values())
    assert "Wished for: 4 h" in (out / "report.html").read_text(encoding="utf-8")
    after = tmp_path / "after"
    CliRunner().invoke(
        app,
        ["renew", str(folder), "--previous", str(out), "--effort", "quick", "--out", str(after)],
    )
    renewed = json.loads((after / "plan.json").read_text(encoding="utf-8"))["settings"]
    assert {tuple(s["months"]): s["floor_pct"] for s in renewed["seasons"]} == floors


def test_outage_tells_what_floors_cost(tmp_path: Path) -> None:
    out = tmp_path / "out"
    text = told(tmp_path, "outage", str(TWO_RATES), "--floors", "--out", str(out))
    assert "FLOORS AND THEIR PRICE" in text
    record = json.loads(told(tmp_path, "outage", str(TWO_RATES), "--floors", "--json"))
    for group in record["groups"]:
        assert (np.diff(group["costs_more"], 1) >= -1e-6).all()
        assert (np.diff(group["lasting_frac"]) >= -1e-6).all()
    assert record["floors_pct"][0] == 10
    assert json.loads((out / "floors.json").read_text(encoding="utf-8")) == record
    page = (out / "floors.html").read_text(encoding="utf-8")
    assert page.count("<tr>") == 1 + len(record["floors_pct"])
    assert 'src="' not in page
    assert "data:image" not in page


@pytest.mark.long
def test_renew_raises_floors_in_use_that_do_not_give_what_is_wished_for(tmp_path: Path) -> None:
    folder = wishing_folder(tmp_path, "")
    out = tmp_path / "out"
    told(folder, "plan", str(folder), "--effort", "quick", "--out", str(out))
    scenario = folder / "scenario.yaml"
    scenario.write_text(
        scenario.read_text(encoding="utf-8") + "outage: {hours: 4}\n", encoding="utf-8"
    )
    result = CliRunner().invoke(
        app, ["renew", str(folder), "--previous", str(out), "--effort", "quick",
              "--out", str(tmp_path / "after")],
    )  # fmt: skip
    text = " ".join(result.stdout.split())
    assert "all year: raise the floor from 10 to" in text
    assert "Floors that give it:" in text
    assert "No reserve is set here" not in text
    reserve = json.loads((tmp_path / "after" / "plan.json").read_text(encoding="utf-8"))["reserve"]
    assert reserve["lasting_frac"]["with"] >= 0.9 > reserve["lasting_frac"]["without"]


def test_a_month_of_which_the_forecast_holds_some_hours_is_told_as_data(tmp_path: Path) -> None:
    folder = wishing_folder(tmp_path, "")
    rows = (folder / "forecast.csv").read_text(encoding="utf-8").splitlines()
    (folder / "forecast.csv").write_text("\n".join(rows[:2163]) + "\n", encoding="utf-8")
    out = tmp_path / "out"
    told(folder, "outage", str(folder), "--out", str(out))
    record = json.loads((out / "outages.json").read_text(encoding="utf-8"))
    april = record["p10_h_by_month_and_hour"][3]
    assert april is not None
    assert None in april
    assert "nan" not in (out / "outages.html").read_text(encoding="utf-8")


def test_floors_are_not_priced_under_settings(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["outage", str(TWO_RATES), "--floors", "--critical"])
    assert result.exit_code == 64
    assert "leave out --settings and --critical" in " ".join(result.output.split())
