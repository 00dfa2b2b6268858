"""The handover sheet stands on one printed page, A4 and Letter, or says on how many: printed by a browser."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from optimizer.base.documents import Source
from optimizer.report.handover import TOO_LONG, handover, shortened
from optimizer.report.page import report_html
from optimizer.report.sheet_plan import STEPS, width_of
from optimizer.scenario.brief import read_brief
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.menu import MenuList
from optimizer.settings.short_text import short_content
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.workflows.plan import PlanResult, plan
from tests.menus import MENUS
from tests.report.browsing import started_browser, ten_weeks_of_spring

if TYPE_CHECKING:
    from playwright.sync_api import Browser

TODAY = date(2026, 3, 4)
PAPERS = ("A4", "Letter")
MARGINS = dict.fromkeys(("top", "right", "bottom", "left"), "10mm")
LONG = {
    "letters": "W" * 3000,
    "words": "the long name of a site with a wing " * 60,
    "wide signs": "電力料金単価表" * 200,
}
LONGEST_OF_LIST = "WWWWWWWWWW" * 4
"""The longest name that a list may have."""


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> PlanResult:
    """A plan of ten weeks, with a quick search."""
    folder = tmp_path_factory.mktemp("site")
    ten_weeks_of_spring(folder)
    return plan(read_brief(folder), effort="quick")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as started:
        yield started


def under(result: PlanResult, controls: Controls, settings: Settings, name: str = "") -> PlanResult:
    """Return the result of other controls and settings; a name stands for site and tariff."""
    told = {"controls": controls} | ({"scenario": name} if name else {})
    file = result.scenario.file.model_copy(update=told)
    scenario = replace(result.scenario, file=file, name=name or result.scenario.name)
    outcome = replace(result.outcome, settings=settings, reasons=())
    return replace(result, brief=replace(result.brief, scenario=scenario), outcome=outcome)


def full(controls: Controls, result: PlanResult, seasons: int, most: int = 60) -> Settings:
    """Return settings with as many entries as each list of a menu takes, in two sets of months or more."""
    menu, plant = controls.menu, result.scenario.plant
    months = [
        list(range(1, 13))[n * 12 // seasons : (n + 1) * 12 // seasons] for n in range(seasons)
    ]
    luck = random.Random(1)

    def windows(each: MenuList) -> list[Window]:
        slots = 1440 // each.minutes
        held = (
            (each.entries - 1) // 2 if each.fills_day else each.entries
        )  # half of them are between
        count = min(held, most, slots // 2)
        step = slots // count
        found = []
        for number in range(count):
            begin = number * step * each.minutes
            end = begin + max(step - 1, 1) * each.minutes
            action = luck.choice(each.actions)
            limits: dict[str, Any] = {}
            if each.has("level") and action != "hold" and action != "limit":
                key = "until_pct" if action == "charge" else "down_to_pct"
                limits[key] = 50.0 if "level" in each.once else float(luck.choice([50, 75]))
            if action == "limit":
                limits["import_cap_kw"] = 4.5
            found.append(Window.model_validate({
                "start": f"{begin // 60:02d}:{begin % 60:02d}", "end": f"{end // 60:02d}:{end % 60:02d}",
                "action": action, **limits,
            }))  # fmt: skip
        return found

    shared = [windows(each) for each in menu.lists]
    if not menu.precedence:  # entries of two lists may not overlap: those of the first list alone
        shared = [
            part for each, part in zip(menu.lists, shared, strict=True)
            if each.only_limits or each is menu.lists[0]
        ]  # fmt: skip
    day_sets = [
        DaySet.model_validate({"days": name, "windows": [w for part in shared for w in part]})
        for name in menu.day_sets
    ]
    floor = plant.soc_pct(plant.low_kwh)
    made = Settings(
        settings="full", floor_pct=floor,
        seasons=[SeasonSet(months=part, day_sets=day_sets) for part in months],
    )  # fmt: skip
    assert not refusals(made, controls, plant, Source(Path("full"), {}))
    return made


def printed(result: PlanResult, browser: Browser, folder: Path) -> dict[str, tuple[int, int]]:
    """Return for each paper how many pages the sheets alone take, and what stands on the first of all pages.

    The page is printed whole and without what follows the sheets; pages of a PDF are counted in its text.
    """
    file = folder / "report.html"
    file.write_text(report_html(result, TODAY), encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    sheets = page.locator(".sheet").count()
    page.evaluate(
        "for (const each of [...document.querySelector('main').children])"
        " if (!each.classList.contains('sheet')) each.remove()"
    )
    page.add_style_tag(content=".sheet:last-of-type { break-after: auto !important }")
    found = {}
    for paper in PAPERS:
        pdf = page.pdf(format=paper, margin=MARGINS)
        found[paper] = (len(re.findall(rb"/Type\s*/Page\b", pdf)), sheets)
    page.close()
    return found


def test_a_sheet_of_a_few_entries_is_one_page_and_the_roomy_one(
    result: PlanResult, browser: Browser, tmp_path: Path
) -> None:
    assert printed(result, browser, tmp_path) == dict.fromkeys(PAPERS, (1, 1))
    assert handover(result, TODAY).sheets.step in STEPS[:2]


@pytest.mark.parametrize("number", MENUS)
def test_each_menu_full_of_entries_in_two_seasons_is_one_page(
    number: int, result: PlanResult, browser: Browser, tmp_path: Path
) -> None:
    told = MENUS[number]
    lists = [each | {"name": LONGEST_OF_LIST[:39] + str(n)} for n, each in enumerate(told["lists"])]
    named = dict(zip((each["name"] for each in told["lists"]), lists, strict=True))
    more = {"lists": lists, "unused": "w" * 60}
    if "precedence" in told:
        more["precedence"] = [named[name]["name"] for name in told["precedence"]]
    controls = Controls.model_validate(told | more)
    settings = full(controls, result, min(2, controls.season_sets))
    for name in LONG.values():
        shown = under(result, controls, settings, name)
        assert printed(shown, browser, tmp_path) == dict.fromkeys(PAPERS, (1, 1)), name[:9]


@pytest.mark.parametrize(("entries", "seasons"), [(20, 2), (60, 1), (60, 4)])
def test_more_than_a_page_holds_stands_on_as_many_sheets_as_are_told(
    entries: int, seasons: int, result: PlanResult, browser: Browser, tmp_path: Path
) -> None:
    lists = [{"name": "all", "actions": ["charge", "hold", "cover", "sell"], "entries": entries,
              "fields": ["start", "end", "action", "level", "power", "cap"]}]  # fmt: skip
    controls = Controls.model_validate({"lists": lists, "season_sets": 12, "minutes": 5})
    shown = under(result, controls, full(controls, result, seasons))
    sheet = handover(shown, TODAY)
    assert sheet.count > 1
    found = printed(shown, browser, tmp_path)
    assert found == dict.fromkeys(PAPERS, (sheet.count, sheet.count))
    html = report_html(shown, TODAY)
    assert f"Handover sheet {sheet.count} of {sheet.count}" in html
    assert (sheet.short == TOO_LONG) == (entries * seasons > 60)


def test_each_entry_stands_on_one_of_the_sheets(result: PlanResult) -> None:
    lists = [{"name": "all", "actions": ["charge", "hold"], "entries": 60}]
    controls = Controls.model_validate({"lists": lists, "season_sets": 12, "minutes": 5})
    shown = under(result, controls, full(controls, result, 3, most=50))
    cards = handover(shown, TODAY).sheets.cards
    assert len(cards) > 2
    found = [
        (each.months, part.days, entry.number)
        for card in cards for each in card.sets for one in each.lists for part in one.parts
        for entry in part.entries
    ]  # fmt: skip
    assert len(found) == len({*found}) == 3 * 2 * 60
    assert found == sorted(found, key=found.index)


def test_what_stands_on_the_sheet(result: PlanResult) -> None:
    sheet = handover(result, TODAY)
    told = dict((*sheet.facts, *sheet.told))
    assert told["Site"] == "Two rates (invented for demonstration)"
    assert told["Date"].startswith("2026-03-04; found on the forecast from 2026-04-01")
    assert told["Equipment"].startswith("battery of 10 kWh, 10 to 100 %, takes 5 kW, gives 5 kW;")
    assert told["Menu"] == "windows (3 entries); every day; 2 sets of months"
    assert told["Saves"].startswith("Expect our windows to save ")
    assert told["Loads fit"].startswith("yes, because none of ")
    assert re.search(r"carried for [\d.]+ h|goes dark at once", told["If the grid fails"])
    read = Settings.model_validate(short_content(sheet.short))
    assert read.model_copy(update={"settings": "x"}) == result.settings.model_copy(
        update={"settings": "x"}
    )


def test_a_serious_finding_is_told_with_its_reason(result: PlanResult) -> None:
    grave = replace(result.fits[0], severity="serious", what="all loads at once", value="9 kW",
                    limit="5 kW")  # fmt: skip
    words = dict(handover(replace(result, fits=(grave, grave)), TODAY).told)["Loads fit"]
    assert words == "no, because all loads at once: 9 kW against 5 kW; and 1 more"


@pytest.mark.parametrize("name", LONG.values())
def test_long_names_are_cut_to_what_a_line_holds(name: str) -> None:
    assert width_of(shortened(name)) <= 110
    assert shortened("Elm Road") == "Elm Road"
