"""Roof, equipment and menu in a browser: on a phone and at a desk, mistakes, no barrier."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from ruamel.yaml import YAML

from tests.page.filling import text_of
from tests.page.looking import DESK, PHONE, assert_no_barrier, opened
from tests.page.serving import served
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as browser:
        yield browser


def test_a_house_is_described_on_a_phone(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path) as page, opened(browser, page, PHONE) as tab:
        tab.get_by_role("link", name="The roof").first.click()
        tab.get_by_role("heading", name="The roof").wait_for()
        tab.get_by_label("How many kW").wait_for(state="hidden")
        tab.get_by_label("from what the roof is like").check()
        tab.get_by_label("How many kW of modules does roof 1 carry?").fill("6.5")
        tab.get_by_label("Which way does roof 1 face?").fill("south-west")
        tab.get_by_label("How steep is roof 1?").fill("thirty")
        tab.get_by_role("button", name="Save", exact=True).click()
        told = tab.get_by_role("alert")
        assert "'thirty' is no number." in told.inner_text()
        assert_no_barrier(tab, "roof with a mistake")
        told.get_by_role("link").click()
        tab.get_by_label("How steep is roof 1?").fill("30")
        tab.get_by_role("button", name="Save and go on").click()

        tab.get_by_role("heading", name="What it costs", level=1).wait_for()
        tab.get_by_role("link", name="What stands there").first.click()
        tab.get_by_role("heading", name="What stands there", level=1).wait_for()
        assert_no_barrier(tab, "equipment")
        tab.get_by_role("img", name="Modules and battery both lead to one").wait_for()
        tab.get_by_label("What is the place called?").fill("Our house")
        tab.get_by_label("yes, modules and battery share").check()
        for question, answer in (("How much does the battery hold?", "12"), ("With how much power is it filled?", "5"),
                                 ("What is the greatest AC power", "6"), ("Which level is to stay", "20")):  # fmt: skip
            tab.get_by_label(question).fill(answer)
        tab.get_by_label("I don't know: 10 % is assumed.").check()
        for question in ("May the battery be filled", "May stored energy be sold"):
            tab.get_by_role("radiogroup", name=question).get_by_label("no", exact=True).check()
        tab.get_by_role("button", name="Save and go on").click()

        tab.get_by_role("heading", name="What the menu can hold", level=1).wait_for()
        tab.get_by_label("times at which it is filled, to one").check()
        tab.get_by_role("button", name="Save", exact=True).click()
        tab.get_by_text("once for all entries").first.wait_for()
        assert_no_barrier(tab, "menu")
    content = YAML(typ="safe").load(text_of(tmp_path))
    assert content["forecast"]["pv"]["roofs"] == [
        {"peak_kw": 6.5, "azimuth_deg": 225, "tilt_deg": 30}
    ]
    assert content["battery"]["floor_pct"] == 10
    assert content["permissions"] == {"charge_from_grid": False, "export_stored_energy": False}


def test_a_menu_of_its_own_is_described_at_a_desk(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path) as page, opened(browser, page, DESK) as tab:
        tab.get_by_role("link", name="What the menu can hold").first.click()
        tab.get_by_role("button", name="Save and go on").wait_for()
        tab.get_by_label("none of these: I describe it").check()
        tab.get_by_role("button", name="Save and go on").wait_for(state="hidden")
        tab.get_by_label("lists of their own").check()
        tab.get_by_role("button", name="Save", exact=True).click()
        tab.get_by_label("How many entries for filling?").wait_for()
        assert_no_barrier(tab, "a menu that is described")
    assert len(YAML(typ="safe").load(text_of(tmp_path))["controls"]["lists"]) == 2
