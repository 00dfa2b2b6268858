"""Rates typed in a browser: the week follows, mistakes stand at their fields, rows come and go without script."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from tests.page.looking import DESK, PHONE, assert_no_barrier, opened
from tests.page.serving import Served, served
from tests.report.browsing import started_browser

FOLLOWS_S = 2.0
"""How long the painted week may take to follow on a busy machine; the server's part is held in test_costs."""


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    with started_browser() as found:
        yield found


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("rates")) as running:
        yield running


def _type(tab, **fields: str) -> None:
    for name, text in fields.items():
        tab.fill(f"[id='{name.replace('__', '.')}']", text)


def test_the_week_follows_typing_and_a_mistake_stands_at_its_field(browser, page: Served) -> None:
    with opened(browser, page, PHONE) as tab:
        tab.get_by_role("link", name="What it costs").click()
        _type(tab, tariff="House rate", currency="EUR", energy__rows__0__name="day")
        _type(tab, energy__rows__0__begin="6", energy__rows__0__end="22")
        _type(tab, energy__rows__0__price="0.30")
        begun = time.perf_counter()
        tab.get_by_role(
            "img", name="no row: no price: every day 00:00–06:00, 22:00–24:00"
        ).wait_for()
        assert time.perf_counter() - begun < FOLLOWS_S
        _type(tab, energy__rest_price="0.15")
        tab.get_by_text("Every hour of the year has one price.").wait_for()
        _type(tab, energy__rows__1__begin="26")
        told = tab.locator("[id='energy.rows.1.begin-typed']")
        told.wait_for()
        assert "no time of the day" in told.inner_text()
        field = tab.locator("[id='energy.rows.1.begin']")
        assert field.get_attribute("aria-describedby") == "energy.rows.1.begin-typed"
        _type(tab, energy__rows__1__begin="")
        told.wait_for(state="detached")
        assert field.get_attribute("aria-invalid") is None
        assert_no_barrier(tab, "rates as typed")
        tab.get_by_role("button", name="Save", exact=True).click()
        tab.get_by_text("Saved.").wait_for()
        assert_no_barrier(tab, "rates saved")


def test_rows_come_and_go_without_script(browser, page: Served) -> None:
    with opened(browser, page, DESK, java_script_enabled=False) as tab:
        tab.get_by_role("link", name="What it costs").click()
        before = tab.locator("[id^='energy.rows.'][id$='.price']").count()
        tab.get_by_role("button", name="Add a row").first.click()
        assert tab.locator("[id^='energy.rows.'][id$='.price']").count() == before + 1
        _type(tab, tariff="Kept")
        tab.get_by_role("button", name="Remove row 1").first.click()
        assert tab.locator("[id^='energy.rows.'][id$='.price']").count() == before
        assert tab.locator("#tariff").input_value() == "Kept"


def test_enter_in_a_field_saves_and_wrong_rows_have_no_barrier(browser, page: Served) -> None:
    with opened(browser, page, DESK) as tab:
        tab.get_by_role("link", name="What it costs").click()
        _type(tab, tariff="House rate", currency="", energy__rest_price="20 ct")
        tab.locator("#tariff").press("Enter")
        tab.locator("section.wrong").wait_for()
        assert tab.locator("[id='energy.rest_price']").get_attribute("aria-invalid") == "true"
        tab.get_by_role("link", name="'20 ct' is no number.").click()
        assert_no_barrier(tab, "rates with mistakes")
