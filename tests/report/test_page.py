"""The report is one page that opens offline, card first, and says what the other files say."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.billing.tariff import shipped_folder
from optimizer.report.account import Account
from optimizer.report.page import report_html
from optimizer.report.record import plan_json
from optimizer.report.text import bills_text
from optimizer.settings import search
from optimizer.settings.windows import DaySet, SeasonSet, Window
from optimizer.study import plan_scenario
from optimizer.units import money

A4_WIDTH_PX, A4_HEIGHT_PX = 794, 1123  # 210 mm × 297 mm at 96 px per inch (CSS)
PRINT_MARGIN_PX = 2 * 38  # browsers print with about 1 cm on either side


@pytest.fixture(scope="module", params=["1_two_rates", "2_peak_demand"])
def account(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Account:
    """A plan of eight weeks around the change of season, with a quick search."""
    folder = tmp_path_factory.mktemp("site")
    source = shipped_folder("scenarios") / request.param
    shutil.copy(source / "scenario.yaml", folder)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    spring = [line for line in lines[3:] if "2026-04-01" <= line[:10] < "2026-05-27"]
    (folder / "forecast.csv").write_text("\n".join([*lines[:3], *spring]), encoding="utf-8")
    before = search.STEP_BUDGET
    search.STEP_BUDGET = 3_000_000
    try:
        return plan_scenario(folder, progress=lambda _text: None)
    finally:
        search.STEP_BUDGET = before


@pytest.fixture(scope="module")
def page_file(account: Account, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(report_html(account), encoding="utf-8")
    return file


def test_the_page_names_nothing_outside_itself(page_file: Path) -> None:
    html = page_file.read_text(encoding="utf-8")
    fetched = re.findall(r"(?:src|href)=\"(?!#)([^\"]+)\"|url\((?!#)([^)]+)\)", html)
    assert not fetched
    assert "<script" not in html


def test_a_plan_that_time_cut_short_is_not_called_the_cheapest(account: Account) -> None:
    assert account.cheaper_than_plan == ""
    dear = replace(account.outcome.cases["plan"], wear=1e6)
    outcome = replace(account.outcome, cases=account.outcome.cases | {"plan": dear})
    proof = replace(account.plan.proof, gap=8.0)
    short = replace(account, outcome=outcome, plan=replace(account.plan, proof=proof))
    assert short.cheaper_than_plan in short.notes()
    assert "none can be told" in bills_text(short)
    assert "Kept share" not in report_html(short)
    assert json.loads(plan_json(short))["kept_share_frac"] is None


def test_the_page_shows_every_bill_and_every_window(account: Account, page_file: Path) -> None:
    html = page_file.read_text(encoding="utf-8")
    for case in account.outcome.cases.values():
        assert money(case.bill.total) in html
    for reason in account.outcome.reasons:
        assert reason.sentence in html


def test_the_card_says_per_cent_where_the_equipment_takes_them(account: Account) -> None:
    limit_kw = account.scenario.plant.ac_limit_kw
    window = Window(start="01:00", end="05:00", action="charge", grid_kw=0.4 * limit_kw)
    day_set = DaySet(days="every day", windows=[window])
    settings = account.outcome.settings.model_copy(
        update={"seasons": [SeasonSet(months=[4, 5], day_sets=[day_set])]}
    )
    controls = account.scenario.controls.model_copy(update={"power_step_pct": 10.0})
    file = account.scenario.file.model_copy(update={"controls": controls})
    scenario = replace(account.scenario, file=file)
    outcome = replace(account.outcome, settings=settings)
    assert "<td>40 % (" in report_html(replace(account, scenario=scenario, outcome=outcome))
    assert "<td>40 % (" not in report_html(replace(account, outcome=outcome))


def test_the_page_has_a_figure_and_a_table_for_each_season(
    account: Account, page_file: Path
) -> None:
    html = page_file.read_text(encoding="utf-8")
    months = set(account.scenario.forecast.grid.months)
    seasons = [s for s in account.outcome.settings.seasons if months & set(s.months)]
    assert html.count('aria-label="Average day in') == max(len(seasons), 1)
    assert html.count("the same numbers as a table") == max(len(seasons), 1)


def test_the_same_account_gives_the_same_bytes(account: Account, page_file: Path) -> None:
    assert report_html(account) == page_file.read_text(encoding="utf-8")
    assert plan_json(account) == plan_json(account)


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
        first = page.evaluate("document.body.firstElementChild.className")
        height = page.evaluate("document.querySelector('.card').getBoundingClientRect().height")
        wide = page.evaluate("document.documentElement.scrollWidth > window.innerWidth + 1")
        browser.close()
    assert requests == [page_file.as_uri()]
    assert not errors
    assert first == "card"
    assert height <= A4_HEIGHT_PX - PRINT_MARGIN_PX
    assert not wide
