"""The whole way on a phone: from a bill alone by the keyboard, from a portal's file without script."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.page.houses import ZONE, parts_of_others, portal_csv, roof
from tests.page.looking import PHONE, assert_no_barrier, hold, opened, press_to
from tests.page.serving import served
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as browser:
        yield browser


def test_from_a_bill_and_a_roof_to_the_card_by_keyboard_on_a_phone(
    browser: Browser, tmp_path: Path
) -> None:
    folder = parts_of_others(tmp_path / "house", pv=roof())
    with served(folder) as page, opened(browser, page, PHONE) as tab:
        press_to(tab, "Go on: What was used", "link")
        tab.keyboard.press("Enter")
        press_to(tab, "A file of the meter", "radio")
        tab.keyboard.press("ArrowDown")
        press_to(tab, "Used, in kWh", "textbox")
        tab.keyboard.type("much")
        tab.keyboard.press("Enter")
        tab.get_by_role("alert").wait_for()
        assert_no_barrier(tab, "a mistake")
        press_to(tab, "This is no number of kWh.", "link")
        tab.keyboard.press("Enter")
        field = tab.get_by_role("textbox", name="Used, in kWh")
        assert field.evaluate("element => element === document.activeElement")
        tab.keyboard.press("Control+a")
        tab.keyboard.type("4,500")
        press_to(tab, "Save and go on", "button")
        tab.keyboard.press("Enter")
        tab.get_by_role("heading", name="The answer").wait_for()
        assert "kwh_per_year: 4500" in (folder / "scenario.yaml").read_text(encoding="utf-8")
        press_to(tab, "How long to look", "combobox")
        tab.keyboard.press("q")
        press_to(tab, "Work out the answer", "button")
        tab.keyboard.press("Enter")
        tab.locator(".verdict, section.wrong").first.wait_for()
        assert tab.locator("section.wrong").count() == 0, tab.locator("main").inner_text()
        assert_no_barrier(tab, "the answer on a phone")


def test_from_a_portals_file_to_the_card_without_script(browser: Browser, tmp_path: Path) -> None:
    folder = parts_of_others(tmp_path / "house")
    file = hold(tmp_path, portal_csv())
    without = {"java_script_enabled": False}
    with served(folder) as page, opened(browser, page, PHONE, **without) as tab:
        tab.get_by_role("link", name="Go on: What was used").click()
        tab.get_by_label("Zone of the clock").fill("Nowhere")
        tab.get_by_role("button", name="Save", exact=True).click()
        tab.get_by_role("alert").wait_for()
        tab.get_by_label("Zone of the clock").fill(ZONE)
        tab.get_by_label("Files of the meter").set_input_files(file)
        tab.get_by_role("button", name="Save and go on").click()
        tab.get_by_label("How long to look").select_option("quick")
        tab.get_by_role("button", name="Work out the answer").click()
        tab.locator(".verdict").first.wait_for()  # the page refreshes itself
        assert tab.locator("table.key").count() >= 1
