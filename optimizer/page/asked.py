"""Parts of the page that are questions: their fields, what was typed into them, where it is saved.

What is not known is said, not left out: a field is empty until it is answered, and "I don't know" tells what
is then assumed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from optimizer.base.errors import InputError, Place
from optimizer.base.questions import MANY_CHOICES, Answers, Nonsense, Question
from optimizer.base.words import later, say
from optimizer.page.part import DONE, OPEN, WRONG, Finding, Form, Part, State, errors_in
from optimizer.scenario.draft import (
    SITE,
    Draft,
    draft_of,
    holding,
    place_of,
    question_at,
    read_draft,
    rewritten,
    source_of,
    value_at,
    whole_file,
)

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder

UNKNOWN = "?"
"""What is sent of a choice by who does not know; of other fields it stands behind their name."""

YES_NO = {"yes": later("yes"), "no": later("no")}


@dataclass(frozen=True)
class Field:
    """A question as a field: ``value`` as it would be typed, ``chosen`` of choices; both empty if open."""

    question: Question
    choices: Mapping[str, str]
    value: str
    chosen: Sequence[str]
    is_unknown: bool
    usual: str
    default: str
    remark: str

    @property
    def name(self) -> str:
        """Its name in the form."""
        return self.question.name

    @property
    def unknown_name(self) -> str:
        """The name of "I don't know" beside a field that is typed."""
        return f"{self.name}.unknown"

    @property
    def is_chosen(self) -> bool:
        """Whether it is answered by choosing one of a few."""
        return self.question.kind in {"choice", "yes_no"} and not self.is_long

    @property
    def has_tick(self) -> bool:
        """Whether "I don't know" stands beside what is typed."""
        return not self.may_be_empty and self.question.kind not in {"order", "text"}

    @property
    def is_long(self) -> bool:
        """Whether there are too many choices to list."""
        return len(self.choices) > MANY_CHOICES

    @property
    def may_be_empty(self) -> bool:
        """Whether nothing is an answer."""
        return self.default == ""

    @property
    def assumed(self) -> str:
        """What is assumed by who does not know."""
        told = say(self.question.assumed) or say("{value} is assumed", value=self._with_unit())
        return say("I don't know: {assumed}.", assumed=told)

    def _with_unit(self) -> str:
        is_word = not self.default or self.default[0].isalpha()
        unit = "" if is_word or not self.question.unit else f" {self.question.unit}"
        return f"{say(self.choices.get(self.default, self.default))}{unit}"


def field_of_question(question: Question, draft: Draft, answers: Answers) -> Field:
    """Return a question as a field, given what the folder answers and all answers before it."""
    choices = {str(key): words for key, words in question.choices_after(answers).items()}
    if question.kind == "yes_no":
        choices = dict(YES_NO)
    known = answers.get(question.name)
    is_unknown = question.name in draft.unknown
    low, high = question.usual or (0, 0)
    usual = say(
        "Mostly {low} to {high} {unit}.", low=f"{low:g}", high=f"{high:g}", unit=question.unit
    )
    default = question.default_after(answers)
    shown = None if is_unknown and question.kind != "several" else known
    if question.kind == "text" and shown is None:
        shown = default
    return Field(
        question,
        choices,
        typed(question, shown),
        [str(each) for each in shown or []]
        if question.kind == "several"
        else [typed(question, shown)],
        is_unknown,
        usual if question.usual else "",
        typed(question, default),
        "" if isinstance(known, str) else question.remark(known),
    )


def typed(question: Question, value: Any) -> str:
    """Return an answer as it would be typed or chosen; empty if there is none."""
    if value is None or value == []:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if question.kind == "number" and value in question.choices_after({}):
        return say(question.choices_after({})[value])
    if isinstance(value, int | float):
        return f"{value:.10g}"
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)


class AskedPart(Part):
    """A part that is questions of ``scenario.questions``; its name is that of their part."""

    rare: ClassVar[str] = later("More, if you know it")

    def questions(self) -> list[Question]:
        """Return its questions."""
        return [question for question in SITE.questions if question.of == self.name]

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return the fields by name."""
        draft = read_draft(folder.path)
        return {"fields": self.fields(draft), "answers": holding(draft)}

    def fields(self, draft: Draft) -> dict[str, Field]:
        """Return its questions as fields, by name."""
        return {
            question.name: field_of_question(question, draft, holding(draft))
            for question in self.questions()
        }

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Save what was answered, if no site is refused for it."""
        draft = read_draft(folder.path)
        answers, unknown, findings = self.answers_in(form, draft)
        if findings:
            return findings
        text = rewritten(draft, answers, unknown)
        findings = self._wrong_in(text, folder)
        if not findings:
            folder.rewrite(lambda: rewritten(read_draft(folder.path), answers, unknown))
        return findings

    def answers_in(
        self, form: Form, draft: Draft
    ) -> tuple[dict[str, Any], set[str], list[Finding]]:
        """Return what was answered, what was said not to be known, and what is no answer."""
        answers, unknown, findings = dict[str, Any](), set[str](), list[Finding]()
        mine = {question.name for question in self.questions()}
        others = {name: value for name, value in holding(draft).items() if name not in mine}
        for question in self.questions():
            before = others | self.known_by(form) | answers
            if not question.is_asked(before) or not self.is_sent(question, form):
                continue
            try:
                answers[question.name], is_known = _answer_in(
                    form, question, before, was_unknown=question.name in draft.unknown
                )
            except Nonsense as nonsense:
                findings.append(Finding(question.name, str(nonsense), asks=question.asks))
                continue
            if not is_known:
                unknown.add(question.name)
        return answers, unknown, findings

    def known_by(self, form: Form) -> dict[str, Any]:
        """Return what a form tells without asking."""
        return {}

    def is_sent(self, question: Question, form: Form) -> bool:
        """Tell whether a question was on the form that was sent: a hidden field says so."""
        return f"{question.name}.shown" in form

    def _wrong_in(self, text: str, folder: Folder) -> list[Finding]:
        """Return what the scenario's own checks refuse in this part; what is still missing is as usual."""
        draft = draft_of(source_of(text, folder.scenario))
        try:
            whole_file(draft)
        except InputError as error:
            return [self._told(each) for each in self._mine(errors_in(error), draft.source.content)]
        return []

    def _mine(self, errors: Sequence[InputError], content: Any) -> list[InputError]:
        from optimizer.page.registry import owner_of  # parts are listed there

        return [
            error
            for error in errors
            if owner_of(error.place) is self and value_at(content, error.place) is not None
        ]

    def _told(self, error: InputError) -> Finding:
        return Finding(self._field_at(error.place), error.what, error.mend)

    def _field_at(self, place: Place) -> str:
        """Return the name of the field at a place, or of the first one below it."""
        found = question_at(place, {})
        if found is not None:
            return found.name
        below = [each for each in self.questions() if place_of(each)[: len(place)] == place]
        return below[0].name if below else ""

    def findings(self, folder: Folder) -> list[Finding]:
        """Return what is wrong with this part of the folder, but not what is still missing."""
        return [self._told(each) for each in self._mine(folder.findings(), folder.content())]

    def state(self, folder: Folder) -> State:
        """Return how far the part is, and how much of it is assumed."""
        draft = read_draft(folder.path)
        answers = holding(draft)
        asked = [
            question
            for question in self.questions()
            if question.is_asked(answers) and not question.is_rare(answers)
        ]
        is_open = [
            question
            for question in asked
            if question.name not in answers and question.default_after(answers) not in (None, [])
        ]
        if is_open:
            return State("open", say(OPEN))
        if self.findings(folder):
            return State("wrong", say(WRONG))
        count = len([question for question in asked if question.name in draft.unknown])
        told = say("filled in, {count} assumed", count=count) if count else say(DONE)
        return State("done", told)


def _answer_in(
    form: Form, question: Question, before: Answers, *, was_unknown: bool
) -> tuple[Any, bool]:
    """Return what a form answers, and whether it is known; of a field and its tick the one that changed.

    Raises
    ------
    Nonsense
        If it is no answer.
    """
    default = question.default_after(before)
    text = form.get(question.name)
    is_ticked = f"{question.name}.unknown" in form
    if text == UNKNOWN or (is_ticked and not (text and was_unknown)):
        return default, False
    if question.kind == "several":
        text = " ".join(form.all(question.name)) or "none"
    if question.kind == "order" and not text:
        return default, True
    if text:
        return question.read(text, before), True
    if default is None or question.kind == "text" or question.is_rare(before):
        return default, default is None or question.kind == "text"
    raise Nonsense(say("Nothing is given here. Answer, or say that you don't know."))
