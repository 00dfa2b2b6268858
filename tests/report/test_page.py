"""The report is one page that opens offline, card first, and says what the other files say."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.base.units import money, percent
from optimizer.billing.tariff import shipped_folder
from optimizer.forecast.ensemble import Spread
from optimizer.report.page import report_html
from optimizer.report.record import plan_json
from optimizer.report.text import bills_text, curve_text, settings_text, summary, sureness_text
from optimizer.report.unseen import rule
from optimizer.settings.windows import DaySet, SeasonSet, Window, no_windows
from optimizer.workflows.plan import plan_scenario
from optimizer.workflows.results import Account, ProofLine

A4_WIDTH_PX, A4_HEIGHT_PX = 794, 1123  # 210 mm × 297 mm at 96 px per inch (CSS)
PHONE_WIDTH_PX = 390
TOO_WIDE = "document.documentElement.scrollWidth > window.innerWidth + 1"
PRINT_MARGIN_PX = 2 * 38  # browsers print with about 1 cm on either side


@pytest.fixture(scope="module", params=["1_two_rates", "2_peak_demand"])
def account(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Account:
    """A plan of ten weeks around the change of season, with a quick search."""
    folder = tmp_path_factory.mktemp("site")
    source = shipped_folder("scenarios") / request.param
    shutil.copy(source / "scenario.yaml", folder)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    spring = [line for line in lines[3:] if "2026-04-01" <= line[:10] < "2026-06-10"]
    (folder / "forecast.csv").write_text("\n".join([*lines[:3], *spring]), encoding="utf-8")
    return plan_scenario(folder, effort="quick", progress=lambda _text: None)


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


def test_text_and_page_say_what_came_of_unseen_weeks(account: Account, page_file: Path) -> None:
    sureness = account.sureness
    assert sureness is not None
    shared = replace(account, sureness=replace(sureness, kept_share=Spread(0.31, 0.42, 0.53)))
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
    for said in (sureness_text(account), page_file.read_text(encoding="utf-8")):
        assert "No kept share" in " ".join(said.split())  # a quick search makes no plan of them


def test_the_middle_of_years_not_seen_is_promised_and_the_forecast_told_as_such(
    account: Account,
) -> None:
    """The promise comes first, with its spread; what was found on comes after it, called so."""
    assert account.sureness is not None
    spread = Spread(50.56, 111.00, 146.81)
    told = replace(account, sureness=replace(account.sureness, saved=spread))
    for said in (bills_text(told), report_html(told)):
        words = " ".join(said.split())
        expected = words.index(
            f"Expect our windows to save 111.00 {account.currency}: half of the stretches"
        )
        here = words.index(
            f"On the forecast itself our windows save {money(account.outcome.saved, account.currency)}"
        )
        assert expected < here
        assert "one in ten at most 50.56, one in ten more than 146.81" in words
        assert "fitted to" not in words
    promise = json.loads(plan_json(told))["promise"]
    assert list(promise.values()) == [111.00, 50.56, 146.81]
    losing = replace(account, sureness=replace(account.sureness, saved=Spread(-9.0, -2.0, 3.0)))
    assert f"Expect our windows to lose 2.00 {account.currency}" in bills_text(losing)
    short = replace(account, sureness=None)
    assert "nothing can be promised" in bills_text(short)
    assert json.loads(plan_json(short))["promise"] is None


def test_a_quick_search_says_that_more_work_may_find_others(account: Account) -> None:
    words = "with more work other windows may come out"
    assert any(words in note for note in account.notes())
    assert not any(words in note for note in replace(account, effort="normal").notes())


def test_a_month_in_which_windows_lose_is_told_as_a_loss(account: Account) -> None:
    assert account.sureness is not None
    worst = replace(account.sureness.worst, saved=-7.25)
    lossy = replace(account, sureness=replace(account.sureness, worst=worst))
    assert f"lose 7.25 {account.currency}" in " ".join(sureness_text(lossy).split())


def test_without_weeks_kept_back_text_and_page_say_so(account: Account) -> None:
    short = replace(account, sureness=None)
    for said in (sureness_text(short), report_html(short)):
        assert "too few whole weeks" in " ".join(said.split())
    replayed = replace(account, sureness=None, found=None)
    for said in (sureness_text(replayed), report_html(replayed)):
        assert "this forecast alone" in " ".join(said.split())


def test_the_curve_stands_in_text_page_and_record_with_one_recommended(account: Account) -> None:
    assert account.found is not None
    assert len(account.found.sizes) > 1
    text, html, record = curve_text(account), report_html(account), json.loads(plan_json(account))
    for size, row in zip(account.found.sizes, record["curve"], strict=True):
        assert f"{size.entries:>9}{money(size.seen):>22}{money(size.unseen or 0.0):>22}" in text
        assert money(size.seen) in html
        assert (row["entries"], row["saved_unseen"]) == (size.entries, size.unseen)
    assert text.count("   recommended") == html.count("<td>recommended</td>") == 1
    for said in (text, html):
        assert rule(account) in " ".join(said.split())
    assert record["rule"] == rule(account)
    assert [row["recommended"] for row in record["curve"]].count(True) == 1


def test_another_size_than_the_recommended_is_marked_as_handed_out(account: Account) -> None:
    assert account.found is not None
    asked = replace(account, found=account.found.at_most(account.found.settings.entries() - 1))
    assert asked.found is not None
    assert asked.found.settings.entries() < account.found.settings.entries()
    assert "handed out" not in curve_text(account)
    assert "handed out" in curve_text(asked)


def test_without_the_curve_nothing_else_changes(account: Account) -> None:
    bare = replace(account, with_curve=False)
    full, less = json.loads(plan_json(account)), json.loads(plan_json(bare))
    assert less.pop("curve") == []
    full.pop("curve")
    assert less == full
    assert summary(bare) == summary(account).replace(curve_text(account) + "\n\n", "")
    assert "How many windows" not in report_html(bare)


def test_that_no_windows_are_best_is_said_with_its_reason(account: Account) -> None:
    assert account.found is not None
    outcome = replace(account.outcome, settings=no_windows(10), reasons=())
    none = replace(account, outcome=outcome, found=replace(account.found, recommended=0, chosen=0))
    words = "Leave the equipment as it comes. No number of windows saves"
    for said in (settings_text(none), report_html(none), json.loads(plan_json(none))["advice"]):
        assert words in " ".join(said.split())
    assert json.loads(plan_json(none))["promise"] is None
    assert "saved over" not in sureness_text(none)
    assert "No windows are entered" in bills_text(none)
    nothing_found = replace(none, found=replace(none.found, sizes=account.found.sizes[:1]))
    assert "Leave the equipment as it comes. None were found" in settings_text(nothing_found)
    asked = replace(none, found=account.found.at_most(0))
    assert "No windows: as given." in settings_text(asked)


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.5, "saves"), (0.005, "Keeping the windows in use is fine"), (-0.2, "Keep the windows")],
)
def test_whether_to_change_settings_in_use_is_said(
    account: Account, share: float, words: str
) -> None:
    """Ours are worth entering from one per cent of the possible saving on."""
    ours = account.outcome.cases["windows"]
    gain = share * account.outcome.can_save
    in_use = replace(ours, key="in_use", wear=ours.wear + gain)
    outcome = replace(account.outcome, cases=account.outcome.cases | {"in_use": in_use})
    changed = replace(account, outcome=outcome)
    assert outcome.is_change_worth_it == (share >= 0.01)
    for said in (bills_text(changed), report_html(changed)):
        assert words in said
        assert money(abs(gain), account.currency) in " ".join(said.split())
    assert json.loads(plan_json(changed))["change_from_in_use"]["saved"] == pytest.approx(gain)
    assert "in use" not in bills_text(account)


def test_a_proof_is_one_sentence_in_text_and_page(account: Account) -> None:
    near = replace(account, proof=ProofLine(gap_money=3.5, gap_share=0.021))
    for said in (bills_text(near), report_html(near)):
        assert f"more than 3.50 {account.currency} beyond these (2.1 %" in " ".join(said.split())
    best = replace(account, proof=ProofLine(gap_money=0.0, gap_share=0.0))
    assert (
        "Proof: on this forecast no settings that the controls accept save more than these."
        in bills_text(best)
    )
    assert "Proof:" not in bills_text(replace(account, proof=None))


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
        wide = page.evaluate(TOO_WIDE)
        page.emulate_media(media="screen")
        page.set_viewport_size({"width": PHONE_WIDTH_PX, "height": 800})
        too_wide_for_a_phone = page.evaluate(TOO_WIDE)
        browser.close()
    assert requests == [page_file.as_uri()]
    assert not errors
    assert first == "card"
    assert height <= A4_HEIGHT_PX - PRINT_MARGIN_PX
    assert not wide
    assert not too_wide_for_a_phone
