"""What the menu can hold: a menu of a usual kind or one that is described, and its empty card."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from optimizer.base.documents import Source, checked
from optimizer.base.errors import InputError, ScenarioError
from optimizer.base.words import later
from optimizer.page.asked import AskedPart, Field, field_of_question
from optimizer.page.part import Finding, Form
from optimizer.report.card import card_of
from optimizer.report.menu import cannot_say, holds
from optimizer.scenario.draft import SITE, Draft, completed, file_of, menu_answers, read_draft
from optimizer.scenario.questions import MENU_PREFIX, OWN_MENU
from optimizer.settings.controls import Controls
from optimizer.site.equipment import Plant

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder


class Menu(AskedPart):
    """The menu of the equipment."""

    name = "menu"
    title = later("What the menu can hold")
    owns = (("controls",), ("writing",))
    needed = (("controls",),)

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return the fields, and the menu as it is described so far."""
        view = super().view(folder, request)
        own = [field for name, field in view["fields"].items() if name != "menu"]
        return view | {"own": own, "shown": self._shown(folder), "draw": lambda *_: ""}

    def fields(self, draft: Draft) -> dict[str, Field]:
        """Return the kind of menu, and what is asked of one that is described: it begins as it is."""
        asked = {MENU_PREFIX + name: value for name, value in menu_answers(draft.answers).items()}
        answers = completed({**draft.answers, **asked, "menu": OWN_MENU})
        own = replace(draft, answers=answers)
        fields = {"menu": field_of_question(SITE.by_name["menu"], draft, draft.answers)}
        return fields | {
            question.name: field_of_question(question, own, answers)
            for question in self.questions()
            if question.name != "menu" and question.is_asked(answers)
        }

    def answers_in(
        self, form: Form, draft: Draft
    ) -> tuple[dict[str, Any], set[str], list[Finding]]:
        """Return what was answered; what only now matters is assumed, and asked next."""
        answers, unknown, findings = super().answers_in(form, draft)
        if answers.get("menu") == OWN_MENU and not findings:
            full = completed({**draft.answers, **answers})
            unknown |= {
                question.name
                for question in self.questions()
                if question.is_asked(full) and question.name not in answers
            }
        return answers, unknown, findings

    def _shown(self, folder: Folder) -> dict[str, Any] | None:
        """Return the menu in sentences and its empty card; None if it is not described yet."""
        section = folder.at(("controls",))
        if not isinstance(section, dict):
            return None
        try:
            source = Source(folder.scenario, {**section})
            controls = checked(source, Controls, ScenarioError)[0]
            file = file_of(read_draft(folder.path).answers)
        except InputError:  # told at its field
            return None
        plant = Plant.of(
            file.battery,
            file.inverter,
            file.pv,
            file.connection,
            file.permissions,
            file.reserve_pct,
        )
        return {
            "holds": list(holds(controls)),
            "cannot": list(cannot_say(controls)),
            "card": card_of(controls, plant, None, file.writing),
        }
