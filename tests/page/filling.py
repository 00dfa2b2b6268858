"""Fills in a form of the page as a person would who has no script: by what the page shows."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

from tests.page.serving import Asked


class _Fields(HTMLParser):
    """What the form of a page would send as it stands."""

    def __init__(self) -> None:
        super().__init__()
        self.sent: dict[str, list[str]] = {}
        self.offered: dict[str, list[str]] = {}
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = {name: value or "" for name, value in attrs}
        if tag == "select":
            self._select = at["name"]
        elif tag == "option" and "selected" in at:
            self.sent.setdefault(self._select, []).append(at["value"])
        elif tag == "input" and at.get("name") and at.get("type") != "file":
            chosen = at.get("type") in {"radio", "checkbox"}
            self.offered.setdefault(at["name"], []).append(at.get("value", ""))
            if not chosen or "checked" in at:
                self.sent.setdefault(at["name"], []).append(at.get("value", ""))


def shown(page: Asked, part: str) -> str:
    """Return the page of a part."""
    told = page.client.get(f"{page.room}/{part}", headers=page.headers())
    assert told.status_code == 200, told.text
    return told.text


def fields(page: Asked, part: str) -> _Fields:
    """Return the fields of a part."""
    found = _Fields()
    found.feed(shown(page, part))
    found.sent.pop("back", None)
    return found


def fill(page: Asked, part: str, answers: dict[str, str | list[str] | None], then: str = "stay"):
    """Answer on a part's form, all else as it stands; None takes an answer off; return what comes back."""
    sent = fields(page, part).sent
    for name, value in answers.items():
        sent.pop(name, None)
        if value is not None:
            sent[name] = [value] if isinstance(value, str) else value
    return page.client.post(
        f"{page.room}/{part}", data={**sent, "then": then}, headers=page.headers()
    )


def text_of(folder: Path) -> str:
    """Return the scenario file of a folder."""
    return (folder / "scenario.yaml").read_text(encoding="utf-8")
