"""The report is one page that opens offline, card first, and says what the other files say."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from optimizer.base.units import money, percent
from optimizer.base.writing import Writing
from optimizer.billing.tariff import shipped_folder
from optimizer.evaluation.without_foresight import WithoutForesight
from optimizer.forecasting.ensemble import Spread
from optimizer.report.advice import cheaper_than_plan
from optimizer.report.notes import notes
from optimizer.report.page import report_html
from optimizer.report.record import plan_json, settings_yaml
from optimizer.report.text import bills_text, curve_text, settings_text, summary, sureness_text
from optimizer.report.unseen import promise, rule
from optimizer.scenario.brief import read_brief
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Window, no_windows
from optimizer.workflows.plan import PlanResult, plan
from optimizer.workflows.replay import ReplayResult
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.sweep(every=2)  # of two demos the first is short

A4_WIDTH_PX, A4_HEIGHT_PX = 794, 1123  # 210 mm × 297 mm at 96 px per inch (CSS)
PHONE_WIDTH_PX = 390
TOO_WIDE = "document.documentElement.scrollWidth > window.innerWidth + 1"
PRINT_MARGIN_PX = 2 * 38  # browsers print with about 1 cm on either side


@pytest.fixture(scope="module", params=["1_two_rates", "2_peak_demand"])
def result(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> PlanResult:
    """A plan of ten weeks around the change of season, with a quick search."""
    folder = tmp_path_factory.mktemp("site")
    source = shipped_folder("scenarios") / request.param
    shutil.copy(source / "scenario.yaml", folder)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    spring = [line for line in lines[3:] if "2026-04-01" <= line[:10] < "2026-06-10"]
    (folder / "forecast.csv").write_text("\n".join([*lines[:3], *spring]), encoding="utf-8")
    return plan(read_brief(folder), effort="quick")


@pytest.fixture(scope="module")
def page_file(result: PlanResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(report_html(result), encoding="utf-8")
    return file


def test_the_page_names_nothing_outside_itself(page_file: Path) -> None:
    html = page_file.read_text(encoding="utf-8")
    fetched = re.findall(r"(?:src|href)=\"(?!#|data:)([^\"]+)\"|url\((?!#)([^)]+)\)", html)
    assert not fetched
    assert "fetch(" not in html
    assert "XMLHttpRequest" not in html


def test_a_plan_that_time_cut_short_is_not_called_the_cheapest(result: PlanResult) -> None:
    assert cheaper_than_plan(result) == ""
    dear = replace(result.outcome.cases["plan"], wear=1e6)
    outcome = replace(result.outcome, cases=result.outcome.cases | {"plan": dear})
    proof = replace(result.plan.proof, gap=8.0)
    short = replace(result, outcome=outcome, plan=replace(result.plan, proof=proof))
    assert cheaper_than_plan(short) in notes(short)
    assert "none can be told" in bills_text(short)
    assert "Kept share" not in report_html(short)
    assert json.loads(plan_json(short))["kept_share_frac"] is None


@pytest.mark.parametrize("told", [bills_text, report_html])
def test_a_saving_that_is_no_difference_of_bills_says_so(
    told: Callable[[PlanResult], str], result: PlanResult
) -> None:
    """Wear of 100 with our windows: they save 100 less than the bills beside them tell."""
    words = "Savings are differences of the cost, with wear and what is left in the battery."
    as_bills = {
        key: replace(case, wear=0.0, left_worth=0.0) for key, case in result.outcome.cases.items()
    }
    worn = as_bills | {"windows": replace(as_bills["windows"], wear=100.0)}
    for cases, is_said in ((as_bills, False), (worn, True)):
        outcome = replace(result.outcome, cases=cases)
        text = " ".join(told(replace(result, outcome=outcome)).split())
        assert (words in text) == is_said


def test_only_a_proven_plan_is_called_the_cheapest_anywhere(result: PlanResult) -> None:
    found = replace(result.outcome.cases["plan"], is_proven=False)
    outcome = replace(result.outcome, cases=result.outcome.cases | {"plan": found})
    proof = replace(result.plan.proof, gap=2e-3)
    short = replace(result, outcome=outcome, plan=replace(result.plan, proof=proof))
    proven = re.compile(r"cheapest(?: possible)?\s+plan(?! found)")
    for told in (report_html, bills_text, lambda each: " ".join(promise(each))):
        assert proven.search(told(result))
        assert [
            told(short)[at.start() - 60 : at.end() + 30] for at in proven.finditer(told(short))
        ] == []


def test_the_page_shows_every_bill_and_every_window(result: PlanResult, page_file: Path) -> None:
    html = page_file.read_text(encoding="utf-8")
    for case in result.outcome.cases.values():
        assert money(case.bill.total) in html
    for reason in result.outcome.reasons:
        assert reason.sentence in html


def test_the_card_says_per_cent_where_the_equipment_takes_them(result: PlanResult) -> None:
    limit_kw = result.scenario.plant.ac_limit_kw
    window = Window(start="01:00", end="05:00", action="charge", grid_kw=0.4 * limit_kw)
    day_set = DaySet(days="every day", windows=[window])
    settings = result.outcome.settings.model_copy(
        update={"seasons": [SeasonSet(months=[4, 5], day_sets=[day_set])]}
    )
    controls = result.scenario.controls.model_copy(update={"power_step_pct": 10.0})
    file = result.scenario.file.model_copy(update={"controls": controls})
    brief = replace(result.brief, scenario=replace(result.scenario, file=file))
    outcome = replace(result.outcome, settings=settings, reasons=())
    typed = f"<strong>40 %</strong> ({0.4 * limit_kw:g} kW)"
    assert typed in report_html(replace(result, brief=brief, outcome=outcome))
    assert typed not in report_html(replace(result, outcome=outcome))


def test_the_card_is_written_as_the_person_says_in_text_page_and_file(result: PlanResult) -> None:
    """A limit of 1.5 kW from 13:30, by a clock of 12 hours and with a comma; money has the sign."""
    windows = [Window(start="13:30", end="24:00", action="limit", import_cap_kw=1.5)]
    season = SeasonSet(months=[4, 5], day_sets=[DaySet(days="every day", windows=windows)])
    settings = result.outcome.settings.model_copy(update={"seasons": [season]})
    lists = [
        {"name": "limits", "actions": ["limit"], "entries": 2, "fields": ["start", "end", "cap"]}
    ]
    controls = Controls.model_validate({"lists": lists, "day_types": "every_day"})
    writing = Writing(clock=12, decimal="comma", currency_sign="$")
    file = result.scenario.file.model_copy(update={"controls": controls, "writing": writing})
    brief = replace(result.brief, scenario=replace(result.scenario, file=file))
    told = replace(
        result, brief=brief, outcome=replace(result.outcome, settings=settings, reasons=())
    )
    page = report_html(told)
    for text in ("1:30 pm", "12:00 am", "1,5 kW"):
        assert text in settings_text(told)
        assert text in settings_yaml(told, settings)
        assert f"<strong>{text}</strong>" in page
    assert 'start: "13:30"' in settings_yaml(told, settings)
    assert f"save {money(abs(result.outcome.saved), '$')} over" in " ".join(
        bills_text(told).split()
    )
    assert "<title>every day: entry 1 1:30 pm to 12:00 am import at most 1,5 kW</title>" in page
    assert json.loads(plan_json(told))["currency"] == result.tariff.currency


def test_text_page_and_data_say_what_the_best_control_without_foresight_saves(
    result: PlanResult,
) -> None:
    normal = replace(result, effort="normal")
    for best, sentence in (
        (WithoutForesight(80.0, 60.0), "saves 80.00 USD"),
        (WithoutForesight(80.0, 60.0), "save 60.00 there, 75 % of that"),
        (WithoutForesight(80.0, 90.0), "saves more than windows do: 90.00 USD"),
        (WithoutForesight(-2.0, 0.0), "No control without foresight was found that saves anything"),
    ):
        told = replace(normal, without_foresight=best)
        for said in (sureness_text(told), report_html(told)):
            assert sentence in " ".join(said.split())
        record = json.loads(plan_json(told))["without_foresight"]
        assert record["best_found_saves"] == max(best.control, best.windows)
    assert "without foresight" not in sureness_text(result)  # quick: nothing was asked


def test_text_and_page_say_what_came_of_unseen_weeks(result: PlanResult, page_file: Path) -> None:
    sureness = result.sureness
    assert sureness is not None
    shared = replace(result, sureness=replace(sureness, kept_share=Spread(0.31, 0.42, 0.53)))
    for said in (sureness_text(shared), report_html(shared)):
        for spread in (sureness.bill, sureness.saved):
            for value in (spread.p10, spread.p50, spread.p90):
                assert money(value) in said
        for share in (0.31, 0.42, 0.53):
            assert percent(share) in said
        words = " ".join(said.split())
        assert f"{sureness.worst.highest_kw:.2f} kW" in words
        assert f"{sureness.worst.highest:%Y-%m-%d from %H:%M}" in words
        assert "No kept share" not in words
    for said in (sureness_text(result), page_file.read_text(encoding="utf-8")):
        assert "No kept share" in " ".join(said.split())  # a quick search makes no plan of them


def test_the_middle_of_years_not_seen_is_promised_and_the_forecast_told_as_such(
    result: PlanResult,
) -> None:
    """The promise comes first, with its spread; what was found on comes after it, called so."""
    assert result.sureness is not None
    spread = Spread(50.56, 111.00, 146.81)
    told = replace(result, sureness=replace(result.sureness, saved=spread))
    for said in (bills_text(told), report_html(told)):
        words = " ".join(said.split())
        expected = words.index(
            f"Expect our windows to save 111.00 {result.currency}: half of the stretches"
        )
        here = words.index(
            f"On the forecast itself our windows save {money(result.outcome.saved, result.currency)}"
        )
        assert expected < here
        assert "one in ten at most 50.56, one in ten more than 146.81" in words
        assert "fitted to" not in words
    promise = json.loads(plan_json(told))["promise"]
    assert list(promise.values()) == [111.00, 50.56, 146.81]
    losing = replace(result, sureness=replace(result.sureness, saved=Spread(-9.0, -2.0, 3.0)))
    assert f"Expect our windows to lose 2.00 {result.currency}" in bills_text(losing)
    short = replace(result, sureness=None)
    assert "nothing can be promised" in bills_text(short)
    assert json.loads(plan_json(short))["promise"] is None


def test_a_quick_search_says_that_more_work_may_find_others(result: PlanResult) -> None:
    words = "with more work other windows may come out"
    assert any(words in note for note in notes(result))
    assert not any(words in note for note in notes(replace(result, effort="normal")))


def test_a_month_in_which_windows_lose_is_told_as_a_loss(result: PlanResult) -> None:
    assert result.sureness is not None
    worst = replace(result.sureness.worst, saved=-7.25)
    lossy = replace(result, sureness=replace(result.sureness, worst=worst))
    assert f"lose 7.25 {result.currency}" in " ".join(sureness_text(lossy).split())


def test_without_weeks_kept_back_text_and_page_say_so(result: PlanResult) -> None:
    short = replace(result, sureness=None)
    for said in (sureness_text(short), report_html(short)):
        assert "too few whole weeks" in " ".join(said.split())
    replayed = ReplayResult(result.brief, result.plan, result.outcome, remarks=())
    for said in (sureness_text(replayed), report_html(replayed)):
        assert "this forecast alone" in " ".join(said.split())


def test_the_curve_stands_in_text_page_and_record_with_one_recommended(result: PlanResult) -> None:
    assert len(result.found.sizes) > 1
    text, html, record = curve_text(result), report_html(result), json.loads(plan_json(result))
    for size, row in zip(result.found.sizes, record["curve"], strict=True):
        row_of_text = rf"^ +{size.entries} +{money(size.seen)} +{money(size.unseen or 0.0)}\b"
        assert re.search(row_of_text, text, re.M)
        assert money(size.seen) in html
        assert (row["entries"], row["saved_unseen"]) == (size.entries, size.unseen)
    assert text.count("   recommended") == html.count("<td>recommended</td>") == 1
    for said in (text, html):
        assert rule(result) in " ".join(said.split())
    assert record["rule"] == rule(result)
    assert [row["recommended"] for row in record["curve"]].count(True) == 1


def test_another_size_than_the_recommended_is_marked_as_handed_out(result: PlanResult) -> None:
    asked = replace(result, found=result.found.at_most(result.found.settings.entries() - 1))
    assert asked.found.settings.entries() < result.found.settings.entries()
    assert "handed out" not in curve_text(result)
    assert "handed out" in curve_text(asked)


def test_without_the_curve_nothing_else_changes(result: PlanResult) -> None:
    bare = replace(result, curve=())
    full, less = json.loads(plan_json(result)), json.loads(plan_json(bare))
    assert less.pop("curve") == []
    full.pop("curve")
    assert less == full
    assert summary(bare) == summary(result).replace(curve_text(result) + "\n\n", "")
    assert "How many windows" not in report_html(bare)


def test_that_no_windows_are_best_is_said_with_its_reason(result: PlanResult) -> None:
    outcome = replace(result.outcome, settings=no_windows(10), reasons=())
    none = replace(result, outcome=outcome, found=replace(result.found, recommended=0, chosen=0))
    words = "Leave the equipment as it comes. No number of windows saves"
    for said in (settings_text(none), report_html(none), json.loads(plan_json(none))["advice"]):
        assert words in " ".join(said.split())
    assert json.loads(plan_json(none))["promise"] is None
    assert "saved over" not in sureness_text(none)
    assert "No windows are entered" in bills_text(none)
    nothing_found = replace(none, found=replace(none.found, sizes=result.found.sizes[:1]))
    assert "Leave the equipment as it comes. None were found" in settings_text(nothing_found)
    asked = replace(none, found=result.found.at_most(0))
    assert "No windows: as given." in settings_text(asked)


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.5, "saves"), (0.005, "Keeping the windows in use is fine"), (-0.2, "Keep the windows")],
)
def test_whether_to_change_settings_in_use_is_said(
    result: PlanResult, share: float, words: str
) -> None:
    """Ours are worth entering from one per cent of the possible saving on."""
    ours = result.outcome.cases["windows"]
    gain = share * result.outcome.can_save
    in_use = replace(ours, key="in_use", wear=ours.wear + gain)
    outcome = replace(result.outcome, cases=result.outcome.cases | {"in_use": in_use})
    changed = replace(result, outcome=outcome)
    assert outcome.is_change_worth_it == (share >= 0.01)
    for said in (bills_text(changed), report_html(changed)):
        assert words in said
        assert money(abs(gain), result.currency) in " ".join(said.split())
    assert json.loads(plan_json(changed))["change_from_in_use"]["saved"] == pytest.approx(gain)
    assert "in use" not in bills_text(result)


def test_the_page_has_a_figure_and_a_table_for_each_season(
    result: PlanResult, page_file: Path
) -> None:
    html = page_file.read_text(encoding="utf-8")
    months = set(result.scenario.forecast.grid.months)
    seasons = [s for s in result.outcome.settings.seasons if months & set(s.months)]
    different = [windows for s in seasons for windows in _distinct(s)]
    assert html.count('aria-label="Average day, ') == 2 * max(len(different), 1)  # plan and windows
    assert html.count("the same numbers as a table") == max(len(different), 1)


def _distinct(season: SeasonSet) -> list[list[Window]]:
    """Return the lists of windows of a season that differ."""
    found: list[list[Window]] = []
    for day_set in season.day_sets:
        found += [] if day_set.windows in found else [day_set.windows]
    return found


def test_every_figure_speaks_and_no_two_say_the_same(page_file: Path) -> None:
    html = page_file.read_text(encoding="utf-8")
    spoken = re.findall(r'<svg class="figure" role="img" aria-label="([^"]+)"', html)
    assert len(spoken) == html.count('<svg class="figure"')
    assert len(set(spoken)) == len(spoken)


def test_the_same_result_gives_the_same_bytes(result: PlanResult, page_file: Path) -> None:
    assert report_html(result) == page_file.read_text(encoding="utf-8")
    assert plan_json(result) == plan_json(result)


def test_the_page_opens_offline_and_its_card_fits_one_printed_page(page_file: Path) -> None:
    """In a real browser: no request but the page itself, no error, card first and on one sheet."""
    browser_path = shutil.which("chromium")
    if browser_path is None:
        assert not os.environ.get("CI"), "CI has to install chromium"
        pytest.skip("no chromium on this machine: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    requests: list[str] = []
    errors: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=browser_path,
            args=["--no-sandbox", "--disable-background-networking", "--disable-gpu"],
        )
        page = browser.new_page(viewport={"width": A4_WIDTH_PX - PRINT_MARGIN_PX, "height": 900})
        page.on("request", lambda request: requests.append(request.url))
        page.on("console", lambda message: errors.append(message.text))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.emulate_media(media="print")
        page.goto(page_file.as_uri())
        first = page.evaluate("document.querySelector('main').firstElementChild.className")
        height = page.evaluate("document.querySelector('.card').getBoundingClientRect().height")
        wide = page.evaluate(TOO_WIDE)
        page.emulate_media(media="screen")
        page.set_viewport_size({"width": PHONE_WIDTH_PX, "height": 800})
        too_wide_for_a_phone = page.evaluate(TOO_WIDE)
        browser.close()
    assert requests == [page_file.as_uri()]
    assert not errors
    assert first.split()[:2] == ["card", "sheet"]
    assert height <= A4_HEIGHT_PX - PRINT_MARGIN_PX
    assert not wide
    assert not too_wide_for_a_phone


@pytest.fixture
def in_browser(page_file: Path) -> Iterator[Browser]:
    """A browser that is closed after the test."""
    with started_browser() as browser:
        yield browser


def test_any_day_is_shown_by_date_key_and_click(page_file: Path, in_browser: Browser) -> None:
    page = in_browser.new_page(viewport={"width": 1280, "height": 900})
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(page_file.as_uri())
    days = page.get_by_label("through the year")
    days.wait_for(state="visible")
    page.get_by_label("Day", exact=True).fill("2026-05-20")
    assert re.match("Wednesday,? 20 May 2026", days.get_attribute("aria-valuetext") or "")
    days.press("ArrowRight")
    assert "21 May 2026" in (days.get_attribute("aria-valuetext") or "")
    page.locator("#year svg").first.click(position={"x": 60, "y": 80})
    assert "April 2026" in (days.get_attribute("aria-valuetext") or "")
    times = page.get_by_label("time of day")
    times.press("Home")
    first = times.get_attribute("aria-valuetext") or ""
    times.press("ArrowRight")
    assert first.startswith("00:00: load ")
    assert times.get_attribute("aria-valuetext") != first
    assert not errors


def test_a_chosen_day_is_told_as_its_flows_are(
    result: PlanResult, page_file: Path, in_browser: Browser
) -> None:
    flows = result.outcome.cases["windows"].flows
    grid = flows.grid
    page = in_browser.new_page()
    page.goto(page_file.as_uri())
    days = page.get_by_label("through the year")
    days.wait_for(state="visible")
    for day in (date(2026, 4, 2), date(2026, 5, 20)):
        page.get_by_label("Day", exact=True).fill(day.isoformat())
        spoken = days.get_attribute("aria-valuetext") or ""
        on_day = grid.day == grid.dates.index(day)
        imported = flows.import_kwh[on_day]
        told = re.search(r"import ([\d.]+) kWh, highest ([\d.]+) kW at (\d\d):(\d\d)", spoken)
        assert told
        assert float(told[1]) == pytest.approx(imported.sum(), abs=0.1)
        assert float(told[2]) == pytest.approx(imported.max() / grid.step_h, abs=0.02)
        step = grid.minute_of_day[on_day].tolist().index(int(told[3]) * 60 + int(told[4]))
        assert imported[step] == pytest.approx(imported.max(), abs=0.01)
    page.get_by_text("this day as a table").click()
    page.locator(".pick table").wait_for(state="visible")
    assert page.locator(".pick table tr").count() == 1 + 24 * 60 // grid.step_minutes


def test_without_script_the_year_and_the_average_days_stand_there(
    page_file: Path, in_browser: Browser
) -> None:
    plain = in_browser.new_context(java_script_enabled=False).new_page()
    plain.goto(page_file.as_uri())
    assert not plain.locator(".pick").is_visible()
    assert plain.get_by_text("The average days stand below").is_visible()
    assert plain.locator("#year svg").count() == 4
