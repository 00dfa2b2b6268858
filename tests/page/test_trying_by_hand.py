"""Try it yourself in a browser: by mouse, by finger, by keys; how fast the bill follows."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from optimizer.settings.windows import WindowPlace
from optimizer.workflows.trying import Trying, Version
from tests.page.serving import Served, served
from tests.report.browsing import started_browser

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator, Page

START = "seasons.0.day_sets.0.windows.1.start"
END = "seasons.0.day_sets.0.windows.1.end"
FIRST_END = "seasons.0.day_sets.0.windows.0.end"
MOVES = 30
LONGEST_MS = 100
RESERVE = 12
"""On a slow machine a move may take so many times a plain replay with its bill, if that is longer."""


# --- in a browser ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as started:
        yield started


@pytest.fixture(scope="module")
def running(house: Path) -> Iterator[Served]:
    with served(house) as page:
        yield page


@pytest.fixture
def opened(browser: Browser, running: Served, request: pytest.FixtureRequest) -> Iterator[Page]:
    """The part in a browser of a width; errors on its console fail the test."""
    options: dict[str, Any] = getattr(request, "param", {})
    context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}} | options)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on(
        "request",
        lambda sent: (
            None
            if f":{running.port}/" in sent.url or sent.url.startswith("data:")
            else said.append(sent.url)
        ),
    )
    page.goto(running.link)
    page.wait_for_url("**/*/")
    page.goto(f"{page.url}trying")
    yield page
    context.close()
    assert not said


def handle(page: Page, field: str) -> Locator:
    return page.locator(f'[data-field="{field}"]')


def middle(of: Locator) -> tuple[float, float]:
    box = of.locator(".grip").bounding_box()
    assert box
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def hour_px(page: Page) -> float:
    """Return how wide an hour of the chart is on the screen."""
    return abs(middle(handle(page, END))[0] - middle(handle(page, START))[0]) / 5


def settled(page: Page, field: str, text: str) -> None:
    page.wait_for_function(
        "([name, text]) => document.getElementById(name).value === text"
        " && document.querySelector(`[data-field='${name}']`).getAttribute('aria-valuetext').includes(text)",
        arg=[field, text],
    )


def bill_of(page: Page) -> str:
    return page.locator("#bill .verdict").inner_text()


def test_a_window_is_dragged_by_mouse(opened: Page, session: Trying, found: Version) -> None:
    x, y = middle(handle(opened, START))
    px = hour_px(opened)
    opened.mouse.move(x, y)
    opened.mouse.down()
    opened.mouse.move(x + px, y, steps=3)
    opened.mouse.move(x + 2 * px, y, steps=3)
    opened.mouse.up()
    settled(opened, START, "16:00")
    moved = session.moved(found, WindowPlace(0, 0, 1), start="16:00")
    assert f"{moved.bill.total:,.2f} USD with yours" in bill_of(opened)
    assert opened.evaluate("document.activeElement.dataset.field") == START


@pytest.mark.parametrize(
    "opened", [{"viewport": {"width": 390, "height": 800}, "has_touch": True, "is_mobile": True}], indirect=True
)  # fmt: skip
def test_a_window_is_dragged_by_a_finger_and_the_page_still_scrolls(opened: Page) -> None:
    assert opened.evaluate("document.documentElement.scrollWidth") <= 390
    handle(opened, START).scroll_into_view_if_needed()
    opened.wait_for_timeout(200)
    px, client = hour_px(opened), opened.context.new_cdp_session(opened)
    x, y = middle(handle(opened, START))

    def touch(kind: str, *points: tuple[float, float]) -> None:
        client.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": a, "y": b} for a, b in points]},
        )

    before = opened.evaluate("scrollY")
    touch("touchStart", (x, y))
    for share in (0.3, 0.6, 1.0):
        touch("touchMove", (x + 2 * share * px, y + 20 * share))
    touch("touchEnd")
    settled(opened, START, "16:00")
    assert opened.evaluate("scrollY") == before
    touch("touchStart", (x, y + 150))
    for down in range(0, 120, 20):
        touch("touchMove", (x, y + 150 - down))
    touch("touchEnd")
    opened.wait_for_timeout(300)
    assert opened.evaluate("scrollY") > before


def test_keys_move_a_window_by_a_step_and_by_an_hour_and_around_midnight(opened: Page) -> None:
    one = handle(opened, FIRST_END)
    one.focus()
    assert one.get_attribute("aria-valuetext") == "charge from 23:00 to 06:00"
    opened.keyboard.press("ArrowRight")
    settled(opened, FIRST_END, "06:30")
    opened.keyboard.press("PageUp")
    settled(opened, FIRST_END, "07:30")
    opened.keyboard.press("ArrowLeft")
    settled(opened, FIRST_END, "07:00")
    for hour in (*range(6, 0, -1), 24, 23):  # from 23:00 to 23:00 there is no window
        opened.keyboard.press("PageDown")
        if hour != 23:
            settled(opened, FIRST_END, f"{hour:02d}:00")
    opened.wait_for_function("() => document.querySelector('.finding')")
    assert "holds no time" in opened.locator(".finding").inner_text()
    opened.keyboard.press("PageUp")
    opened.locator(".finding").wait_for(state="detached")
    settled(opened, FIRST_END, "24:00")


def test_windows_are_typed_added_and_removed(opened: Page) -> None:
    before = bill_of(opened)
    opened.locator(f'[id="{START}"]').fill("16:00")
    opened.keyboard.press("Tab")
    settled(opened, START, "16:00")
    assert bill_of(opened) != before
    opened.locator('button[value="add seasons.0.day_sets.0"]').click()
    opened.locator('[id="seasons.0.day_sets.0.windows.2.start"]').wait_for()
    opened.locator('[id="seasons.0.day_sets.0.windows.2.action"]').select_option("hold")
    opened.wait_for_function(
        "() => !document.getElementById('seasons.0.day_sets.0.windows.2.level')"
    )
    assert opened.locator(f'[id="{START}"]').input_value() == "16:00"
    opened.locator('button[value="remove seasons.0.day_sets.0.windows.2"]').click()
    opened.locator('[id="seasons.0.day_sets.0.windows.2"]').wait_for(state="detached")
    opened.locator(f'[id="{START}"]').fill("14:00")
    opened.keyboard.press("Tab")
    opened.wait_for_function(
        "(text) => document.querySelector('#bill .verdict').innerText === text", arg=before
    )


def test_a_day_is_chosen_on_the_year_and_a_step_on_the_day(opened: Page, found: Version) -> None:
    year = opened.locator("#year .cursor")
    year.scroll_into_view_if_needed()
    box = year.bounding_box()
    assert box
    opened.mouse.click(box["x"] + box["width"] * 195.5 / 365, box["y"] + 30)
    opened.locator("#days .cursor").wait_for()
    assert opened.locator("#date").input_value() == "2026-07-15"
    opened.locator("#days .cursor").scroll_into_view_if_needed()
    day = opened.locator("#days .cursor").bounding_box()
    assert day
    opened.mouse.click(day["x"] + day["width"] * (3 + 0.1) / 24, day["y"] + 60)
    opened.wait_for_function("() => document.querySelector('.reasons').innerText.includes('03:00')")
    grid = found.horizon.grid
    step = next(t for t in range(grid.count) if grid.label(t).startswith("2026-07-15T03:00"))
    assert found.why(step).text in opened.locator(".reasons").inner_text()
    opened.locator("#days .cursor").focus()
    opened.keyboard.press("ArrowRight")
    opened.wait_for_function("() => document.querySelector('.reasons').innerText.includes('03:15')")
    assert (
        opened.evaluate("document.activeElement.getAttribute('aria-valuetext')")
        == found.why(step + 1).text
    )
    opened.locator("#year .cursor").focus()
    opened.keyboard.press("ArrowLeft")
    opened.wait_for_function("() => document.getElementById('date').value === '2026-07-14'")


def test_the_bill_of_a_year_of_quarter_hours_follows_a_hand(
    opened: Page, session: Trying, found: Version, record_property: Any
) -> None:
    """Each move as the browser sees it: from the pointer's move until all is drawn anew."""
    plain = []
    for _ in range(5):
        begun = time.perf_counter()
        session.version("plain", found.settings)
        plain.append(1000 * (time.perf_counter() - begun))
    x, y = middle(handle(opened, START))
    px = hour_px(opened) / 2  # a step of half an hour
    opened.mouse.move(x, y)
    opened.mouse.down()
    opened.evaluate("performance.clearMeasures()")
    for move in range(MOVES):
        way = move % 12
        opened.mouse.move(x + px * (way if way <= 6 else 12 - way) - 3 * px, y)
        opened.wait_for_timeout(120)
    opened.mouse.up()
    took = json.loads(
        opened.evaluate(
            "JSON.stringify(performance.getEntriesByName('tried').map((each) => each.duration))"
        )
    )
    assert len(took) >= MOVES - 3
    p95 = float(np.percentile(took, 95))
    record_property("p95_ms", round(p95, 1))
    print(  # noqa: T201 - the figure is wanted in the test's log
        f"re-bill of {found.horizon.grid.count} steps in the browser: {len(took)} moves, median"
        f" {np.median(took):.0f} ms, p95 {p95:.0f} ms; replay and bill alone {np.median(plain):.1f} ms"
    )
    assert p95 < max(LONGEST_MS, RESERVE * float(np.median(plain)))


@pytest.mark.parametrize(
    "opened",
    [{"color_scheme": "light"}, {"color_scheme": "dark"}, {"viewport": {"width": 390, "height": 800}}],
    indirect=True,
)  # fmt: skip
def test_no_barriers_in_light_dark_small_and_with_an_error(opened: Page) -> None:
    from axe_playwright_python.sync_playwright import Axe

    opened.locator("#date").fill("2026-07-15")
    opened.keyboard.press("Tab")
    opened.locator("#days .cursor").wait_for()
    for wrong in ("", "61"):
        if wrong:
            opened.locator('[id="seasons.0.day_sets.0.windows.0.level"]').fill(wrong)
            opened.keyboard.press("Tab")
            opened.locator(".finding").wait_for()
        found = Axe().run(opened).response["violations"]
        told = [
            (each["id"], each["impact"], [node["html"][:200] for node in each["nodes"]])
            for each in found
        ]
        assert not [each for each in told if each[1] in {"serious", "critical"}], told
        assert not told, told


def test_the_card_of_yours_prints_alone(opened: Page) -> None:
    opened.get_by_role("button", name="The card of yours, to print").click()
    opened.locator(".card").wait_for()
    opened.get_by_role("button", name="Print the sheet").wait_for()
    opened.emulate_media(media="print")
    assert opened.locator(".card").is_visible()
    for aside in ("header", "nav.parts", ".buttons"):
        assert not opened.locator(aside).is_visible()


@pytest.mark.parametrize("opened", [{"viewport": {"width": 390, "height": 800}}], indirect=True)
def test_on_a_phone_the_fields_of_a_season_stand_right_below_its_chart(opened: Page) -> None:
    for shown in ("seasons.1.day_sets.0", "seasons.0.day_sets.0"):
        opened.locator("#shown").select_option(shown)
        fields = opened.locator("section.day-windows.now")
        opened.wait_for_function(
            f"() => document.querySelector('.now h2').id === '{shown}.windows'"
        )
        chart, year = opened.locator("#days svg").first, opened.locator("#year")
        foot = chart.bounding_box()["y"] + chart.bounding_box()["height"]
        assert 0 <= fields.bounding_box()["y"] - foot <= 60
        assert year.bounding_box()["y"] > fields.bounding_box()["y"]
