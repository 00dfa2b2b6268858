"""The whole way from a portal's file with PV to the card, at a desk."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.page.houses import ZONE, parts_of_others, portal_csv
from tests.page.looking import DESK, assert_no_barrier, hold, opened
from tests.page.serving import served
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as browser:
        yield browser


def test_from_a_portals_file_with_pv_to_the_card_at_a_desk(
    browser: Browser, tmp_path: Path
) -> None:
    folder = parts_of_others(tmp_path / "house")
    file = hold(tmp_path, portal_csv())
    with served(folder) as page, opened(browser, page, DESK) as tab:
        assert_no_barrier(tab, "list of parts")
        tab.get_by_role("link", name="Go on: What was used").click()
        assert_no_barrier(tab, "what was used")
        tab.get_by_label("Zone of the clock").fill(ZONE)
        tab.get_by_label("Files of the meter").set_input_files(file)
        tab.get_by_role("button", name="Save", exact=True).click()
        told = tab.locator("section.read").inner_text()
        # The sums by hand over the rows of the file: see houses.portal_csv.
        rows = [line.split(";") for line in portal_csv().splitlines()[1:]]
        sums = {at: sum(float(row[at]) for row in rows) for at in (1, 2, 3, 4)}
        assert "2026-04-01 to 2026-06-09, every hour" in told
        assert f"import {sums[1]:,.0f} kWh, export {sums[2]:,.0f} kWh" in told
        assert f"PV {sums[3]:,.0f} kWh, load {sums[4]:,.0f} kWh, no gaps" in told
        assert_no_barrier(tab, "what was read")

        tab.get_by_role("link", name="Go on: The answer").click()
        tab.get_by_label("How long to look").select_option("quick")
        tab.get_by_role("button", name="Work out the answer").click()
        assert_no_barrier(tab, "while it is worked out")
        tab.locator(".verdict").first.wait_for()
        assert "USD" in tab.locator("section.answer").inner_text()
        assert tab.locator("table.key").count() >= 1
        assert_no_barrier(tab, "the answer")
        with tab.expect_download() as loaded:
            tab.get_by_role("link", name="Settings as a file").click()
        assert loaded.value.path().read_bytes() == (folder / "results/settings.yaml").read_bytes()
        tab.get_by_role("link", name="Handover sheet, to print").click()
        assert tab.locator("section.sheet").count() == 1
        assert "Loads fit" in tab.content()
        tab.go_back()
        tab.get_by_role("link", name="The whole report").click()
        tab.get_by_label("Day", exact=False).first.wait_for()
        assert tab.evaluate("window.origin") == "null"  # shut off from the page
