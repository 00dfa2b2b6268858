"""Pages that people with a keyboard, a screen reader or weak eyes can use: axe looks for barriers in each.

Widths are those of a phone, a tablet and a desk; colours those of day and night. All that is folded away is
unfolded first.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_tariffs
from optimizer.cli.app import app
from optimizer.report.page import report_html
from optimizer.report.review_page import review_page
from optimizer.report.study_page import study_page
from optimizer.report.tariff_page import tariff_page
from optimizer.scenario.brief import read_brief
from optimizer.workflows.check import check_tariff
from optimizer.workflows.plan import plan
from optimizer.workflows.renew import renew
from tests.report.browsing import started_browser, ten_weeks_of_spring
from tests.report.small_study import failed, result, row, sized
from tests.report.test_review_page import REVIEW

if TYPE_CHECKING:
    from playwright.sync_api import Browser

WIDTHS = (390, 820, 1280)
SCHEMES = ("light", "dark")
TOLD = {"minor", "moderate"}
"""What axe finds of these weights is no barrier."""

KINDS = ("plan", "renewal", "outage", "floors", "study", "forecast", "review", "tariff")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A page of each kind, of ten weeks of the first demo."""
    folder = tmp_path_factory.mktemp("pages")
    ten_weeks_of_spring(folder)
    brief = read_brief(folder)
    planned = plan(brief, effort="quick")
    renewed = renew(brief, planned.curve[0].settings, effort="quick")
    assert renewed.renewal.changes  # the card of a renewal shows what changes
    rows = [row(1, 5.0), row(2, 10.0), row(3, 20.0), failed(4, "no plan was found")]
    texts = {
        "plan": report_html(planned),
        "renewal": report_html(renewed),
        "study": study_page(result(rows, sized=(sized(3),))),
        "review": review_page(REVIEW, brief.scenario),
        "tariff": tariff_page(check_tariff(shipped_tariffs()["price_table"])),
    }
    found = {name: folder / f"{name}.html" for name in texts}
    for name, text in texts.items():
        found[name].write_text(text, encoding="utf-8")
    for name, page, asked in (
        ("outage", "outages.html", []),
        ("floors", "floors.html", ["--floors"]),
    ):
        out = folder / name
        told = CliRunner().invoke(app, ["outage", str(folder), *asked, "--out", str(out)])
        assert told.exit_code == 0, told.output
        found[name] = out / page
    made = CliRunner().invoke(app, ["forecast", str(folder), "--out", str(folder / "expected")])
    assert made.exit_code == 0, made.output
    found["forecast"] = folder / "expected" / "forecast.html"
    return found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as started:
        yield started


@pytest.mark.sweep(every=2)
@pytest.mark.parametrize("kind", KINDS)
def test_axe_finds_no_barrier_at_any_width_by_day_and_night(
    kind: str, pages: dict[str, Path], browser: Browser
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    found = []
    for scheme in SCHEMES:
        for width in WIDTHS:
            page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
            page.goto(pages[kind].as_uri())
            page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
            page.evaluate(
                "document.querySelectorAll('tr:nth-child(n+20)').forEach(each => each.remove())"
            )  # rows of long tables are alike
            for each in Axe().run(page).response["violations"]:
                where = each["nodes"][0]["html"][:200]
                found.append((scheme, width, each["impact"], each["id"], where))
            page.close()
    assert not [each for each in found if each[2] not in TOLD], found


@pytest.mark.parametrize("kind", KINDS)
def test_heads_are_in_order_and_tables_have_captions_and_scopes(
    kind: str, pages: dict[str, Path], browser: Browser
) -> None:
    page = browser.new_page()
    page.goto(pages[kind].as_uri())
    levels = page.evaluate(
        "[...document.querySelectorAll('h1, h2, h3, h4, h5')].map(each => Number(each.tagName[1]))"
    )
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert page.locator("main").count() == 1
    assert page.locator("th:not([scope])").count() == 0
    assert page.locator("table:not(.key):not(:has(caption))").count() == 0
    loose = page.evaluate(
        "[...document.querySelectorAll('table')].filter(each => !each.closest('[tabindex]')).length"
    )
    assert loose == 0  # each table scrolls in a box that keys reach
    targets = page.evaluate(
        "[...document.querySelectorAll('a[href^=\"#\"]')]"
        ".filter(each => !document.getElementById(each.getAttribute('href').slice(1))).length"
    )
    assert targets == 0
    page.close()
