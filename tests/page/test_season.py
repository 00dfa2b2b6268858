"""Next season on the page: the new meter file is dropped, changes are ticked, the history keeps them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from optimizer.page.folder import Folder
from tests.page.houses import ZONE, parts_of_others, portal_csv
from tests.page.looking import PHONE, assert_no_barrier, hold, opened
from tests.page.serving import asked, served
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser

BEFORE, SINCE = ("2026-01-05", "2026-06-15"), ("2026-06-15", "2026-09-07")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as browser:
        yield browser


@pytest.mark.long
def test_a_new_file_becomes_a_review_and_changes_to_tick(browser: Browser, tmp_path: Path) -> None:
    folder = parts_of_others(tmp_path / "house")
    page = asked(folder)
    sent = page.client.post(
        f"{page.room}/used", data={"zone": ZONE, "way": "meter"}, headers=page.headers(),
        files={"files": ("a.csv", portal_csv(*BEFORE).encode())},
    )  # fmt: skip
    assert sent.status_code == 303
    since = hold(tmp_path, portal_csv(*SINCE))
    with served(folder) as serving, opened(browser, serving, PHONE) as tab:
        tab.get_by_role("link", name="Go on: The answer").click()
        tab.get_by_label("How long to look").select_option("quick")
        tab.get_by_role("button", name="Work out the answer").click()
        tab.locator(".verdict").first.wait_for()
        _change_the_tariff(folder)  # so that there is something to change
        tab.get_by_role("link", name="Next season").first.click()
        assert_no_barrier(tab, "next season")
        tab.get_by_label("New file of the meter").set_input_files(since)
        tab.get_by_role("button", name="What should be changed?").click()
        tab.locator(".verdict, section.wrong").first.wait_for()
        told = tab.locator("main").inner_text()
        assert tab.locator("section.wrong").count() == 0, told
        assert "2026-06-15 – 2026-09-06" in told
        assert_no_barrier(tab, "what to change")
        assert Folder(folder).at(("forecast", "load", "meters")) == ["meter.csv", "meter_2.csv"]
        found = json.loads((folder / "renewed/plan.json").read_text(encoding="utf-8"))["renewal"]
        boxes = tab.get_by_role("checkbox")
        assert boxes.count() == len(found["changes"])
        assert found["changes"]
        keep = tab.get_by_role("button", name="All of this is typed in: keep it")
        keep.click()
        assert "Not ticked" in tab.get_by_role("alert").inner_text()
        assert not (folder / "renewals").exists()
        for box in boxes.all():
            box.check()
        keep.click()
        tab.get_by_role("heading", name="Ask for the coming season").wait_for()
    assert len(list((folder / "renewals").glob("*.yaml"))) == 1
    assert len(list(folder.glob("results_before_*"))) == 1
    assert not (folder / "renewed").exists()
    after = json.loads((folder / "results/plan.json").read_text(encoding="utf-8"))
    assert after["renewal"]["changes"] == found["changes"]


def _change_the_tariff(folder: Path) -> None:
    path = folder / "scenario.yaml"
    text = path.read_text(encoding="utf-8")
    assert "tariff: two_rates" in text
    path.write_text(text.replace("tariff: two_rates", "tariff: evening_export"), encoding="utf-8")


def _renewed(folder: Path, changes: int) -> None:
    (folder / "results").mkdir(parents=True)
    (folder / "results/flows.csv").write_text("time\n", encoding="utf-8")
    (folder / "renewed").mkdir()
    listed = [{"what": f"window {at} goes", "saves_per_month": 1.5} for at in range(changes)]
    record = {
        "renewal": {"advice": "Make some changes.", "changes": listed},
        "review": None, "currency": "EUR",
    }  # fmt: skip
    (folder / "renewed/plan.json").write_text(json.dumps(record), encoding="utf-8")


def test_nothing_is_kept_until_each_change_is_ticked(tmp_path: Path) -> None:
    _renewed(tmp_path, changes=3)
    page = asked(tmp_path)
    sent = page.client.post(
        f"{page.room}/season", data={"do": "accept", "change": ["0", "2"]}, headers=page.headers()
    )
    assert sent.status_code == 422
    assert "Not ticked: 1." in sent.text
    assert sent.text.count(" checked>") == 2
    assert not (tmp_path / "renewals").exists()


def test_a_file_of_the_new_season_joins_those_before(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    folder.change({("zone",): ZONE, ("forecast", "load", "meters"): ["meter.csv"],
                   ("forecast", "last"): "2026-05-01"})  # fmt: skip
    (tmp_path / "meter_2.csv").write_text("mine", encoding="utf-8")  # a person's own
    page = asked(tmp_path)
    content = portal_csv("2026-06-15", "2026-06-17").encode()
    sent = page.client.post(
        f"{page.room}/season", data={"do": "renew"}, headers=page.headers(),
        files={"files": ("since.csv", content)},
    )  # fmt: skip
    assert sent.status_code == 303
    assert folder.at(("forecast", "load", "meters")) == ["meter.csv", "meter_3.csv"]
    assert folder.at(("forecast", "last")) is None
    assert (tmp_path / "meter_2.csv").read_text(encoding="utf-8") == "mine"


def test_a_new_file_that_cannot_be_read_changes_nothing(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    folder.change({("zone",): ZONE, ("forecast", "load", "meters"): ["meter.csv"]})
    (tmp_path / "results").mkdir()
    (tmp_path / "results/flows.csv").write_text("time\n", encoding="utf-8")
    page = asked(tmp_path)
    sent = page.client.post(
        f"{page.room}/season", data={"do": "renew"}, headers=page.headers(),
        files={"files": ("since.csv", b"no,meter\n1,2\n")},
    )  # fmt: skip
    assert sent.status_code == 422
    assert 'id="files-wrong"' in sent.text
    assert folder.at(("forecast", "load", "meters")) == ["meter.csv"]
