"""Asks questions in the terminal, one after the other, and takes what is typed.

Questions go to standard error, so that what comes out of them can be sent into a file.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from typing import Any

from optimizer.base.errors import InputError
from optimizer.base.questions import (
    MANY_CHOICES,
    Answers,
    Nonsense,
    Question,
    Questionnaire,
)
from optimizer.base.words import say

UNKNOWN, BACK = "?", "<"
"""What is typed by who does not know, and by who wants to go back to the question before."""


def ask(
    form: Questionnaire,
    read: Callable[[], str | None],
    tell: Callable[[str], None],
    *,
    known: Answers | None = None,
    learn: Callable[[Question, Any, Answers], Answers] = lambda *_: {},
    with_rare: bool = True,
) -> tuple[dict[str, Any], list[str]]:
    """Ask all questions that matter.

    Parameters
    ----------
    form : Questionnaire
        The questions.
    read : callable
        Returns the next line typed, None once there is no more.
    tell : callable
        Shows a line.
    known : mapping
        What is answered already, and not asked.
    learn : callable
        Returns what else is known by an answer, given those before; raises ``InputError`` if it cannot be.
    with_rare : bool
        Whether rare questions are asked too; else their defaults are assumed.

    Returns
    -------
    answers, unknown
        The answers by the names of their questions; and the questions that were not known or not asked.
    """
    tell(f"Enter takes what is usual, {UNKNOWN} is for 'I don't know', {BACK} goes back.")
    talk = _Talk(form, read, tell, known or {}, learn, with_rare)
    while open_ones := [one for one in form.asked(talk.answers) if one.name not in talk.answers]:
        talk.settle(open_ones[0])
    return talk.answers, talk.unknown


class _Talk:
    """What was said so far."""

    def __init__(
        self,
        form: Questionnaire,
        read: Callable[[], str | None],
        tell: Callable[[str], None],
        known: Answers,
        learn: Callable[[Question, Any, Answers], Answers],
        with_rare: bool,
    ) -> None:
        self.form, self.read, self.tell = form, read, tell
        self.known, self.learn, self.with_rare = known, learn, with_rare
        self.has_ended = False
        self.answers: dict[str, Any] = dict(known)
        self.unknown: list[str] = []

    def settle(self, question: Question) -> None:
        """Ask a question, or assume its default; an answer that cannot be leaves it open."""
        if self.has_ended or self._is_assumed(question):
            self._keep(question, question.default_after(self.answers), known=False)
            return
        line = self._asked(question)
        if line is None:
            self.tell("The input ends here: all other questions are taken as not known.")
            self.has_ended = True
        elif line == BACK:
            self._go_back()
        else:
            self._take(line, question)

    def _is_assumed(self, question: Question) -> bool:
        return not self.with_rare and question.is_rare(self.answers)

    def _keep(self, question: Question, value: Any, *, known: bool) -> None:
        self.answers[question.name] = value
        if not known:
            self.unknown.append(question.name)

    def _take(self, line: str, question: Question) -> None:
        try:
            value = answer_in(line, question, self.answers)
        except Nonsense as nonsense:
            self.tell(f"  {nonsense}")
            return
        learned: Answers = {}
        wrong = self.form.refuses(self.answers | {question.name: value})
        try:
            learned = self.learn(question, value, self.answers)
        except InputError as error:
            wrong = wrong or error
        if wrong is not None:
            self.tell(f"  That cannot be: {wrong.what}. {wrong.mend}")
            return
        self._keep(question, value, known=line != UNKNOWN)
        self.answers |= learned
        if line == UNKNOWN:
            told = say(question.assumed) or say("{value} is assumed", value=shown(value)) + "."
            self.tell(f"  Not known: {told}")
        elif remark := question.remark(value):
            self.tell(f"  {remark}")

    def _asked(self, question: Question) -> str | None:
        unit = f" [{question.unit}]" if question.unit else ""
        self.tell("")
        self.tell(f"{question.asks}{unit}")
        self.tell(f"  {say(question.why)}")
        choices = question.choices_after(self.answers)
        for label, key in _listed(question, choices).items():
            self.tell(f"  {label}  {say(choices[key])}")
        self.tell(f"  [{_how(question, choices)}; usual: {_usual(question, self.answers)}]")
        line = self.read()
        return None if line is None else line.strip()

    def _go_back(self) -> None:
        """Forget the last answer that was typed, and what was assumed since."""
        by_name = self.form.by_name
        names = [name for name in self.answers if name not in self.known]
        asked = [name for name in names if name in by_name]
        typed = [name for name in asked if not self._is_assumed(by_name[name])]
        if not typed:
            self.tell("  This is the first question.")
            return
        for name in names[names.index(typed[-1]) :]:
            del self.answers[name]
        self.unknown = [name for name in self.unknown if name in self.answers]


def _listed(question: Question, choices: dict[Any, str]) -> dict[str, Any]:
    """Return what is listed below a question: not so many that nobody reads them, and no words."""
    if question.kind in {"number", "count"} or len(choices) > MANY_CHOICES:
        return {}
    return labels_of(choices)


def _usual(question: Question, answers: dict[str, Any]) -> str:
    """Return the default as it would be typed."""
    default, choices = question.default_after(answers), question.choices_after(answers)
    if question.kind == "order":
        return "as listed"
    typed = {key: label for label, key in _listed(question, choices).items()}
    if question.kind == "several":
        return " ".join(typed[key] for key in default) or "none"
    if question.kind == "number" and default in choices:
        return say(choices[default])
    return typed.get(default, shown(default)) if question.kind == "choice" else shown(default)


def _how(question: Question, choices: dict[Any, str]) -> str:
    low, high = question.usual or (question.low, question.high)
    mostly = "mostly " if question.usual else ""
    number = f"number, {mostly}from {low:g} to {high:g}"
    words = (
        f", or {', '.join(map(say, choices.values()))}"
        if question.kind == "number" and choices
        else ""
    )
    return {
        "choice": "one number" if _listed(question, choices) else "a part of its name",
        "several": "numbers, as 1 2" if question.at_least_one else "numbers, as 1 2, or 'none'",
        "order": "numbers in their order, as 2 1",
        "count": f"a whole {number}",
        "number": f"a {number}{words}",
        "yes_no": "yes or no",
        "text": "text, or 'none'",
        "names": "paths of files, quotes around those with blanks, or 'none'",
        "day": "a day, as 2027-01-31",
    }[question.kind]


def told(question: Question, answers: Answers) -> str:
    """Return a question with its answer, on one line."""
    value = answers[question.name]
    words = question.choices_after(answers)
    unit = f" {question.unit}" if question.unit else ""
    is_word = question.kind == "choice" and value in words
    return f"{question.asks} {say(words[value]) if is_word else shown(value)}{unit}"


def shown(value: Any) -> str:
    """Return an answer as a person reads it."""
    if value is None or value == []:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def answer_in(line: str, question: Question, answers: Answers) -> Any:
    """Return the answer that a line holds.

    Raises
    ------
    Nonsense
        If it is none.
    """
    if line in {"", UNKNOWN}:
        return question.default_after(answers)
    labels = _listed(question, question.choices_after(answers))
    return question.read(line, answers, labels)


def labels_of(choices: Iterable[Any]) -> dict[str, Any]:
    """Return what is typed for each choice: its number in the row; a choice that is a number itself."""
    return {
        str(key if isinstance(key, int) else number): key
        for number, key in enumerate(choices, start=1)
    }


def read_line() -> str | None:
    """Return the next line typed, None once there is no more; what is no text is nonsense."""
    print("> ", end="", file=sys.stderr, flush=True)
    return sys.stdin.buffer.readline().decode("utf-8", errors="replace") or None
