"""The roof: whether there is PV, how it is known, and what each roof with modules is like."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from optimizer.base.words import later
from optimizer.page.asked import AskedPart
from optimizer.page.part import Finding, Form
from optimizer.scenario.draft import Draft
from optimizer.scenario.questions import DIRECTIONS, MOST_ROOFS

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder

ROOF_KEY = re.compile(r"forecast\.pv\.roofs\.(\d+)\.(.+)")


class Roof(AskedPart):
    """The PV, as far as no meter counted it."""

    name = "roof"
    title = later("The roof")
    owns = (("forecast", "pv"), ("forecast", "place"))
    needed = (("forecast", "pv"),)

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return the fields, those of each roof together."""
        view = super().view(folder, request)
        count = max(1, _count(view["answers"]))
        return view | {
            "roofs": [
                [field for name, field in view["fields"].items() if roof_of(name) == number]
                for number in range(count)
            ],
            "most": MOST_ROOFS,
            "directions": DIRECTIONS,
        }

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Save the roofs; one more, or one less, where that was asked for."""
        return super().save(folder, without_roof(form, form.get("less")))

    def known_by(self, form: Form) -> dict[str, Any]:
        """Return of how many roofs fields were sent."""
        return {"roofs": _sent(form)}

    def answers_in(
        self, form: Form, draft: Draft
    ) -> tuple[dict[str, Any], set[str], list[Finding]]:
        """Return what was answered, with the number of roofs."""
        answers, unknown, findings = super().answers_in(form, draft)
        if answers.get("forecast.pv") == "roofs":
            answers["roofs"] = min(MOST_ROOFS, _sent(form) + ("more" in form))
        return answers, unknown, findings


def roof_of(name: str) -> int | None:
    """Return which roof a question is about, from 0 on."""
    found = ROOF_KEY.fullmatch(name)
    return int(found[1]) if found else None


def _count(answers: Any) -> int:
    return int(answers.get("roofs") or 0)


def _sent(form: Form) -> int:
    """Return of how many roofs fields were sent."""
    numbers = [number for name in form.values if (number := roof_of(name)) is not None]
    return max(numbers, default=-1) + 1


def without_roof(form: Form, number: str) -> Form:
    """Return a form without the fields of one roof, those after it moved up."""
    if not number.isdecimal() or _sent(form) < 2:
        return form
    gone, values = int(number), dict[str, Sequence[str]]()
    for name, value in form.values.items():
        found = ROOF_KEY.fullmatch(name)
        place = int(found[1]) if found else -1
        if found and place == gone:
            continue
        moved = f"forecast.pv.roofs.{place - 1}.{found[2]}" if found and place > gone else name
        values[moved] = value
    return Form(values, form.files)
