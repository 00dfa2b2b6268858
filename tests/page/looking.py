"""Looks at the page with a browser: what it asks for, what its console says, barriers, the keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.page.serving import Served

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PHONE, DESK = 390, 1280
WAIT_MS = 60_000
TOLD = {"minor", "moderate"}
"""What axe finds of these weights is no barrier."""

REFUSED = "422 (Unprocessable Entity)"
"""What a console says of a form with mistakes, which is no error of the page."""


@contextmanager
def opened(browser: Browser, page: Served, width: int, **how: Any) -> Iterator[Page]:
    """Open the page by its link; afterwards nothing was asked of another host, and nothing failed."""
    context = browser.new_context(viewport={"width": width, "height": 900}, locale="en-GB", **how)
    tab, told, asked = context.new_page(), [], []
    tab.set_default_timeout(WAIT_MS)
    tab.on(
        "console", lambda message: told.append(message.text) if message.type == "error" else None
    )
    tab.on("pageerror", lambda error: told.append(str(error)))
    context.on("request", lambda request: asked.append(request.url))
    tab.goto(page.link)
    tab.get_by_role("heading", level=1).wait_for()
    assert "key=" not in tab.url
    try:
        yield tab
        ours = (f"http://127.0.0.1:{page.port}/", "data:,")
        assert [url for url in asked if not url.startswith(ours)] == []
        assert [text for text in told if REFUSED not in text] == []
    finally:
        context.close()


def assert_no_barrier(tab: Page, where: str) -> None:
    """Look for barriers with axe in light and dark, and for what is wider than the screen."""
    from axe_playwright_python.sync_playwright import Axe

    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        found = Axe().run(tab).response["violations"]
        grave = [
            f"{where}, {scheme}: {each['id']} {each['nodes'][0]['html'][:200]}"
            for each in found
            if each["impact"] not in TOLD
        ]
        assert grave == [], "\n".join(grave)
    width = tab.evaluate("document.documentElement.scrollWidth")
    assert width <= tab.viewport_size["width"], f"{where}: {width} px wide"


def hold(folder: Path, content: str) -> Path:
    """Write a file as a person has it, outside the scenario's folder."""
    path = folder / "My meter, all year.csv"
    path.write_text(content, encoding="utf-8")
    return path


def press_to(tab: Page, name: str, role: str) -> None:
    """Press Tab until what has the focus is of a name and a role, as a person without a mouse does."""
    wanted = tab.get_by_role(role, name=name).first  # type: ignore[arg-type]
    wanted.wait_for()
    for _ in range(80):
        if wanted.evaluate("element => element === document.activeElement"):
            return
        tab.keyboard.press("Tab")
    raise AssertionError(f"{role} {name!r} is not reached by the key Tab")
