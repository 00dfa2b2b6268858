"""The client's report of a study is one page that opens offline and says what the rows say."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.units import money
from optimizer.billing.tariff import shipped_folder
from optimizer.economics.cash_flow import SIGNED
from optimizer.economics.monte_carlo import Chances
from optimizer.report.study_assumptions import NO_SOURCE, assumptions
from optimizer.report.study_figures import draw_sizes, panels_of
from optimizer.report.study_page import study_page
from optimizer.report.study_text import study_text
from optimizer.report.study_words import Names
from optimizer.studies.run import run_study
from optimizer.studies.verdict import StudyResult, Swing
from tests.report.small_study import SETTINGS, TERMS, failed, result, row, sized, without_money

PHONE_WIDTH_PX = 390


@pytest.fixture(scope="module")
def study() -> StudyResult:
    rows = [row(1, 5), row(2, 20), failed(3, "out of time"), row(4, 10, tariff="peak")]
    return result(rows, sized=(sized(2),))


@pytest.fixture(scope="module")
def html(study: StudyResult) -> str:
    return study_page(study)


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", "", html, flags=re.S)).split())


def test_figures_of_the_page_are_those_of_the_rows(study: StudyResult, html: str) -> None:
    for each in study.done:
        for name in ("npv_usd", "windows_save_over_no_battery_usd", "investment_usd"):
            assert f">{money(each[name])}</td>" in html
    (closely,) = study.verdicts
    for part in SIGNED:
        for amount in getattr(closely.money.flow, part):
            assert not amount or f">{money(amount)}</td>" in html
    for value in closely.chances.quantiles()["npv"]:
        assert money(value) in html
    assert "420.00" in html
    assert ">failed</td>" in html  # the end of a range that could not be planned


def test_the_page_says_what_to_enter_and_where_the_saving_comes_from(html: str) -> None:
    assert SETTINGS.sentence(SETTINGS.places()[0]) in html
    text = words(html)
    assert "PV used in the building instead of sold 140.50" in text
    assert f"all that windows save {money(row(2, 20)['windows_save_over_no_battery_usd'])}" in text
    assert "wear, what is left in the battery, and what was not told apart" in text
    assert "Savings here are of bills alone; those of the ranked table" in text
    assert "case failed: out of time" in text
    assert "invented for demonstration" in text


def test_the_page_names_nothing_outside_itself_nor_any_folder(html: str) -> None:
    assert not re.findall(r"(?:src|href)=\"(?!#)([^\"]+)\"|url\((?!#)([^)]+)\)", html)
    assert "<script" not in html
    assert "/home/" not in html
    assert "oak/scenario.yaml" in html
    assert html.count("<svg") == html.count('<svg class="figure" role="img" aria-label="')


def test_names_are_escaped() -> None:
    evil = result([row(1, 5, site="<b>", tariff_name="$<i>$"), row(2, 9, site="<b>")], name="<u>")
    html = study_page(evil)
    assert not re.search(r"<(b|i|u)>", html)
    assert "&lt;b&gt;" in html
    assert "$&lt;i&gt;$" in html


def test_every_assumption_has_a_source_or_says_that_there_is_none(study: StudyResult) -> None:
    found = assumptions(study)
    sourced = {each.what: each.source for each in found if not each.source.startswith(NO_SOURCE)}
    assert sourced == {"price of the battery": "offer of 3 May", "discount rate": "the bank"}
    assert len(found) >= len(type(TERMS).model_fields) - 1 + 4 + 4
    html = unescape(study_page(study))
    for each in found:
        assert f"<td>{each.what}</td><td>{each.value}</td><td>{each.source}</td>" in html


def test_rates_are_told_in_both_kinds(study: StudyResult) -> None:
    rates = {each.what: each.value for each in assumptions(study)}
    assert rates["discount rate"] == "5.00 % nominal a year, which is 2.94 % real"  # 1.05/1.02
    real = replace(study, terms=TERMS.model_copy(update={"rates_are": "real"}))
    rates = {each.what: each.value for each in assumptions(real)}
    assert rates["discount rate"] == "5.00 % real a year, which is 7.10 % nominal"  # 1.05·1.02


def test_a_big_study_shows_the_best_of_each_site_and_where_all_stand() -> None:
    rows = [row(n, 1.0 + n, site=f"site {n % 2}") for n in range(1, 501)]
    html = study_page(result(rows))
    assert html.count("The best 30 of 250") == 2
    assert "cases.parquet" in html
    assert html.count("<tr>") < 150


def test_several_rates_no_money_one_case_and_failures_all_make_a_page() -> None:
    several = study_page(result([row(1, internal_rate_pct=None, internal_rates_found=2)]))
    assert "none of them may be used" in words(several)
    assert "Which size" not in several
    bare = study_page(without_money([row(1, 5, with_money=False), row(2, with_money=False)]))
    assert "No prices are stated" in bare
    assert "present value" not in words(bare)
    assert "Which size" in bare
    nothing = study_page(result([failed(1, "out of time")]))
    assert "No case came to a result" in nothing


def test_panels_hold_all_else_equal() -> None:
    loads = [row(n, kwh, load_times=load)
             for n, (kwh, load) in enumerate([(5, 1), (9, 1), (5, 1.2), (9, 1.2), (5, 2)], 1)]  # fmt: skip
    study = result(loads)
    panels = panels_of(study, Names.of(study))
    assert [panel.sizes for panel in panels] == [[5, 9], [5, 9]]
    assert all(panel.sizes[panel.best] == 9 for panel in panels)
    assert sorted(panel.place.split("load")[1] for panel in panels) == [" × 1", " × 1.2"]
    assert len(draw_sizes(panels, "worth")) == 2


def test_tariffs_stand_side_by_side_in_one_picture_and_on_one_scale() -> None:
    rows = [
        row(1, 5), row(2, 9), row(3, 5, tariff="peak", tariff_name="Peak", npv_usd=-900.0),
        row(4, 9, tariff="peak", tariff_name="Peak", npv_usd=-1700.0),
        row(5, 0.0, way="no battery", role="today", npv_usd=0.0),
        row(6, 0.0, way="no battery", role="nothing bought", tariff="peak", tariff_name="Peak",
            npv_usd=-123.0),
        row(7, 5, way="no windows", role="as it comes", npv_usd=77.0),
    ]  # fmt: skip
    study = result(rows)
    panels = panels_of(study, Names.of(study))
    assert [(panel.tariff, panel.nothing) for panel in panels] == [
        ("Two rates", 0.0),
        ("Peak", -123.0),
    ]
    assert panels[0].as_it_comes[0] == 77.0
    assert np.isnan(panels[0].as_it_comes[1])
    together, two_rates, peak = draw_sizes(panels, "worth")
    assert "Two rates: 0 kWh 0.00, 5 kWh 150.00, 9 kWh 270.00" in together
    assert "Peak: 0 kWh -123.00, 5 kWh -900.00, 9 kWh -1,700.00" in together
    for words in ("Two rates", "Peak"):
        assert f">{words}</text>" in together, "the legend stands inside"
    ticks = [re.findall(r'class="end tick"[^>]*>([^<]+)<', svg) for svg in (two_rates, peak)]
    assert ticks[0] == ticks[1], "one scale"
    assert ">no battery</text>" in two_rates
    assert ">no windows</text>" in two_rates
    assert ">no windows</text>" not in peak


def test_figures_of_odd_verdicts_are_drawn(study: StudyResult) -> None:
    (closely,) = study.verdicts
    lost = replace(closely, swings=(Swing("load_times", 0.9, 1.1, None, None),), chances=None)
    same = replace(closely, chances=Chances(np.ones(10), np.ones(10)), swings=())
    for odd in (lost, same):
        assert "<svg" in study_page(replace(study, verdicts=(odd,)))


def test_the_same_result_gives_the_same_bytes(study: StudyResult, html: str) -> None:
    assert study_page(study) == html


def test_the_page_fits_paper_and_phone(html: str, tmp_path: Path) -> None:
    browser_path = shutil.which("chromium")
    if browser_path is None:
        assert not os.environ.get("CI"), "CI has to install chromium"
        pytest.skip("no chromium on this machine: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    file = tmp_path / "study.html"
    file.write_text(html, encoding="utf-8")
    too_wide = "document.documentElement.scrollWidth > window.innerWidth + 1"
    requests: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 718, "height": 900})
        page.on("request", lambda request: requests.append(request.url))
        page.emulate_media(media="print")
        page.goto(file.as_uri())
        height = page.evaluate("document.querySelector('.card').getBoundingClientRect().height")
        wide = page.evaluate(too_wide)
        page.emulate_media(media="screen")
        page.set_viewport_size({"width": PHONE_WIDTH_PX, "height": 800})
        too_wide_for_a_phone = page.evaluate(too_wide)
        browser.close()
    assert requests == [file.as_uri()]
    assert height <= 1123 - 76  # A4 at 96 px per inch, less 1 cm of margin on either side
    assert not wide
    assert not too_wide_for_a_phone


def test_a_real_study_has_the_columns_that_are_shown(tmp_path: Path) -> None:
    """Three weeks, two sizes, no money: the table's own columns, not those made by hand."""
    site = tmp_path / "house"
    site.mkdir()
    source = shipped_folder("scenarios") / "1_two_rates"
    shutil.copy(source / "scenario.yaml", site)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    weeks = [line for line in lines[3:] if "2026-04-01" <= line[:10] < "2026-04-22"]
    (site / "forecast.csv").write_text("\n".join([*lines[:3], *weeks]), encoding="utf-8")
    path = tmp_path / "study.yaml"
    path.write_text(
        "study: Small\nsites: [house]\nvary: {battery_kwh: [5, 10]}\n", encoding="utf-8"
    )
    real = run_study(path, None, processes=0, progress=lambda _text: None)
    html, text = study_page(real), study_text(real)
    assert str(tmp_path) not in html
    for each in real.done:
        saved = money(each[f"windows_save_over_no_battery_{real.money}"])
        assert f">{saved}</td>" in html
        assert saved in text
