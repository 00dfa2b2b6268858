"""The roof: whether there is PV, how it is known, and what each roof with modules is like."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimizer.base.errors import InputError
from optimizer.base.words import later, say
from optimizer.forecasting.build import read_meters
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.page.asked import AskedPart
from optimizer.page.part import Finding, Form
from optimizer.scenario.draft import Draft, holding, read_draft, whole_file
from optimizer.scenario.questions import ARE_NET, BEHIND, DIRECTIONS, MOST_ROOFS
from optimizer.site.equipment import Plant

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder


@dataclass(frozen=True)
class Behind:
    """How far estimates of PV can be trusted, each with the days of its meter; or why there are none."""

    told: Sequence[tuple[str, str]]
    trouble: str = ""


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
            "may_be_behind": view["answers"].get(ARE_NET) or BEHIND in view["answers"],
            "behind": self._behind(folder) if view["answers"].get(BEHIND) else None,
        }

    def _behind(self, folder: Folder) -> Behind | None:
        """Return what is estimated of the PV behind net meters, once the roofs are known."""
        meters = folder.names_at(("forecast", "load", "meters"))
        if self.state(folder).kind != "done" or not meters:
            return None
        of = folder.fingerprint("scenario.yaml", *meters)
        return folder.remembered("behind", of, lambda: _behind_meters(folder))

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
        if answers.get("forecast.pv") == "metered" and holding(draft).get(ARE_NET):
            mend = say("Say what the roof is like, or that there is none.")
            told = say("The meter's file holds no column of PV.")
            findings.append(Finding("forecast.pv", told, mend))
        if answers.get("forecast.pv") == "roofs":
            answers["roofs"] = min(MOST_ROOFS, _sent(form) + ("more" in form))
        return answers, unknown, findings


def _behind_meters(folder: Folder) -> Behind:
    try:
        file, _ = whole_file(read_draft(folder.path))
        plant = Plant.of(
            file.battery, file.inverter, file.pv, file.connection, file.permissions, file.reserve_pct
        )  # fmt: skip
        assert isinstance(file.forecast, ForecastRecipe)
        series = read_meters(file.forecast, folder.path, file.zone, plant)
    except InputError as error:
        return Behind((), f"{error.what}. {error.mend}")
    days = [each.grid.dates for each in series]
    return Behind(
        [(f"{at[0]} – {at[-1]}", each.estimate) for at, each in zip(days, series, strict=True)]
    )


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
