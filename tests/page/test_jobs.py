"""A plan that runs beside the page: stopped, asked for twice, stopped by a mistake, ended with the page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.page.houses import ZONE, parts_of_others, portal_csv
from tests.page.looking import DESK, PHONE, assert_no_barrier, hold, opened
from tests.page.serving import served
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as browser:
        yield browser


def test_a_plan_can_be_stopped_and_is_only_made_once_at_a_time(
    browser: Browser, tmp_path: Path
) -> None:
    folder = parts_of_others(tmp_path / "house")
    (folder / "meter.csv").write_text(_tidy(), encoding="utf-8")
    _name(folder, f"zone: {ZONE}\nforecast: {{load: {{meters: [meter.csv]}}, pv: metered}}\n")
    with served(folder) as page, opened(browser, page, DESK) as tab:
        tab.locator("nav.parts a[href$='/answer']").click()
        tab.get_by_label("How long to look").select_option("thorough")
        second = tab.context.new_page()
        second.goto(tab.url)
        tab.get_by_role("button", name="Work out the answer").click()
        tab.get_by_role("heading", name="Being worked out").wait_for()
        second.get_by_role("button", name="Work out the answer").click()
        assert "A plan is being made already." in second.locator("main").inner_text()
        second.close()
        tab.get_by_role("button", name="Stop").click()
        tab.get_by_text("Stopped. Nothing was written.").wait_for()
    assert not (folder / "results").exists()


def test_a_table_without_heads_is_shown_and_asked_about(browser: Browser, tmp_path: Path) -> None:
    rows = [line.replace(";", ",") for line in portal_csv().splitlines()[1:]]
    file = hold(tmp_path, "\n".join(rows))
    with served(tmp_path / "house") as page, opened(browser, page, PHONE) as tab:
        tab.get_by_role("link", name="Go on: What was used").click()
        tab.get_by_label("Zone of the clock").fill(ZONE)
        tab.get_by_label("Files of the meter").set_input_files(file)
        tab.get_by_role("button", name="Save", exact=True).click()
        assert_no_barrier(tab, "a table without heads")
        holds = [
            "date and time",
            "import, kWh",
            "export, kWh",
            "PV, kWh",
            "used in the building, kWh",
        ]
        for number, words in enumerate(holds, start=1):
            tab.get_by_label(f"Column {number}").select_option(label=words)
        tab.get_by_role("button", name="Save", exact=True).click()
        tab.get_by_role("heading", name="What was read").wait_for()


def test_what_stops_a_plan_is_told_at_its_part(browser: Browser, tmp_path: Path) -> None:
    folder = parts_of_others(tmp_path / "house")
    _name(folder, f"zone: {ZONE}\nforecast: {{load: {{meters: [lost.csv]}}, pv: metered}}\n")
    with served(folder) as page, opened(browser, page, PHONE) as tab:
        tab.locator("nav.parts a[href$='/answer']").click()
        tab.get_by_role("button", name="Work out the answer").click()
        tab.get_by_role("heading", name="No answer could be worked out").wait_for()
        assert_no_barrier(tab, "a plan that was stopped by a mistake")
        tab.get_by_role("link", name="Mend it: What was used").click()
        assert "lost.csv" in tab.locator("section.wrong").inner_text()
        assert_no_barrier(tab, "a mistake that the plan found")


def _name(folder: Path, more: str) -> None:
    path = folder / "scenario.yaml"
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")


def _tidy() -> str:
    lines = [line.replace(" ", "T", 1).split(";") for line in portal_csv().splitlines()[1:]]
    rows = [f"{stamp}:00-04:00,{load},{pv}" for stamp, _, _, pv, load in lines]
    return "\n".join(["time,load_kwh,pv_kwh", *rows]) + "\n"
