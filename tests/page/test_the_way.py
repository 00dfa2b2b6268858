"""The whole way from an empty folder to the printed card: a home with a net meter and no meter of its PV."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.page.houses import net_csv
from tests.page.looking import DESK, PHONE, assert_no_barrier, opened
from tests.page.serving import served
from tests.page.walking import Hand, ask, start, take_home, walk_bill, walk_net, walk_portal
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as browser:
        yield browser


def test_from_a_net_meter_and_roof_facts_to_the_card_at_a_desk(
    browser: Browser, tmp_path: Path
) -> None:
    folder = tmp_path / "house"
    with served(folder) as page, opened(browser, page, DESK) as tab:
        assert_no_barrier(tab, "list of parts")
        hand = Hand(tab)
        start(hand)
        walk_net(hand, tmp_path)
        ask(hand)
        told = tab.locator("section.answer").inner_text()
        assert "USD" in told
        assert "PV and load are estimated from a net meter and the roofs, not metered." in told
        assert_no_barrier(tab, "the answer")
        take_home(hand, folder)
        tab.get_by_role("link", name="The whole report").click()
        tab.get_by_label("Day", exact=False).first.wait_for()
        assert tab.evaluate("window.origin") == "null"  # shut off from the page
        tab.go_back()

        tab.locator("nav.parts a[href$='/used']").click()
        told = tab.locator("section.read").inner_text()
        # The sums by hand over the rows of the file: see houses.portal_csv.
        rows = [line.split(";") for line in net_csv().splitlines()[1:]]
        bought, sold = (sum(float(row[at]) for row in rows) for at in (1, 2))
        assert "2026-04-01 to 2026-06-09, every hour" in told
        assert f"import {bought:,.0f} kWh, export {sold:,.0f} kWh" in told
        pictures = tab.locator("section.read").get_by_role("img")
        names = [each.get_attribute("aria-label") for each in pictures.all()]
        assert [name.partition(" by day and hour")[0] for name in names] == ["Import", "Export"]
        assert_no_barrier(tab, "what was read")
        tab.locator("nav.parts a[href$='/roof']").click()
        assert "a year's PV was off by" in tab.locator("section.behind").inner_text()
        assert_no_barrier(tab, "what is estimated")


@pytest.mark.long
@pytest.mark.parametrize(("case", "width"), [("net", PHONE), ("portal", DESK), ("bill", DESK)])
def test_the_other_widths(browser: Browser, tmp_path: Path, case: str, width: int) -> None:
    folder = tmp_path / "house"
    with served(folder) as page, opened(browser, page, width) as tab:
        hand = Hand(tab, look=assert_no_barrier)
        start(hand)
        if case == "bill":
            walk_bill(hand)
        else:
            (walk_net if case == "net" else walk_portal)(hand, tmp_path)
        ask(hand)
        assert_no_barrier(tab, "the answer")
        take_home(hand, folder)
