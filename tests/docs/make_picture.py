"""Draws the pictures of the README from the first demo: its average winter day, and the page on which it is tried.

python -m tests.docs.make_picture
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from optimizer.report.average_day import average_days
from optimizer.report.drawing import standing_alone
from optimizer.report.record import commented_settings
from optimizer.scenario.brief import read_brief
from optimizer.workflows.plan import PlanResult, plan
from tests.page.looking import opened
from tests.page.serving import served
from tests.report.browsing import started_browser

ROOT = Path(__file__).parents[2]
WIDTH = 1000
"""Of the part of the page that is shown. [px]"""


def main() -> None:
    """Plan the demo, and write both pictures."""
    result = plan(read_brief(ROOT / "scenarios" / "1_two_rates"))
    winter = average_days(result)[0]
    path = ROOT / "scenarios" / "average_day.svg"
    path.write_text(standing_alone(str(winter.figures[-1])) + "\n", encoding="utf-8")
    show_page(result, ROOT / "scenarios" / "page.png")


def show_page(result: PlanResult, picture: Path) -> None:
    """Write a picture of the page with a plan's settings, to be tried."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "my_house"
        shutil.copytree(ROOT / "scenarios" / "1_two_rates", folder)
        (folder / "results").mkdir()
        settings = commented_settings([], result.scenario, result.found.settings)
        (folder / "results" / "settings.yaml").write_text(settings, encoding="utf-8")
        with (
            started_browser() as browser,
            served(folder) as page,
            opened(browser, page, WIDTH) as tab,
        ):
            tab.locator("nav.parts a[href$='/trying']").click()
            tab.locator("html.scripted").wait_for()
            tab.locator("#beside").select_option("plain")
            tab.get_by_text("less than “as it comes, no windows”").first.wait_for(timeout=20_000)
            tab.locator("#bill summary").click()
            chart = tab.locator("#days")
            top = tab.locator("h1").bounding_box()["y"] - 10
            foot = chart.bounding_box()["y"] + chart.bounding_box()["height"] + 10
            clip = {"x": 0, "y": top, "width": WIDTH, "height": foot - top}
            tab.screenshot(path=picture, full_page=True, clip=clip)


if __name__ == "__main__":
    main()
