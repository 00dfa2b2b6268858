"""The whole way on a phone: from a bill and a roof by the keyboard alone, from a portal's file without script."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.page.looking import PHONE, assert_no_barrier, opened
from tests.page.serving import served
from tests.page.walking import Hand, Keys, ask, start, take_home, walk_bill, walk_portal
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
    folder = tmp_path / "house"
    with served(folder) as page, opened(browser, page, PHONE) as tab:
        hand = Keys(tab)
        start(hand)
        hand.take(tab.get_by_label("Only a bill"))
        hand.put(hand.at("Zone of the clock"), "Dublin")
        hand.put(hand.at("Used, in kWh"), "much")
        tab.keyboard.press("Enter")
        tab.get_by_role("alert").wait_for()
        tab.locator("section.wrong:focus").wait_for()
        assert_no_barrier(tab, "a mistake")
        hand.go(tab.get_by_role("link", name="'much' is no number."))
        field = tab.get_by_role("textbox", name="Used, in kWh")
        assert field.evaluate("element => element === document.activeElement")
        walk_bill(hand)
        assert "kwh_per_year: 4500" in (folder / "scenario.yaml").read_text(encoding="utf-8")
        ask(hand)
        assert_no_barrier(tab, "the answer on a phone")
        take_home(hand, folder)


def test_from_a_portals_file_to_the_card_without_script(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "house"
    without = {"java_script_enabled": False}
    with served(folder) as page, opened(browser, page, PHONE, **without) as tab:
        hand = Hand(tab)
        start(hand)
        hand.fill("Zone of the clock", "Nowhere")
        hand.press("Save")
        tab.get_by_role("alert").wait_for()
        walk_portal(hand, tmp_path)
        ask(hand)  # the page refreshes itself
        assert tab.locator("table.key").count() >= 1
        take_home(hand, folder)
