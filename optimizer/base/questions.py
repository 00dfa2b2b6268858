"""What a question is: asked in the terminal and on a page from the same record.

Answers stand under the names of their questions; what is not answered is its default.

Read next: ``words``.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any, Literal

from optimizer.base.errors import InputError, Mistake
from optimizer.base.typed_numbers import typed_number
from optimizer.base.words import later, say

Answers = Mapping[str, Any]
Kind = Literal[
    "choice", "several", "order", "count", "number", "yes_no", "text", "names", "day"
]  # fmt: skip

YES_NO = {"y": True, "yes": True, "true": True, "n": False, "no": False, "false": False}

MANY_CHOICES = 20
"""More choices than so many are found by typing, not by reading a list."""

TOLD_MATCHES = 8
TOLD_LETTERS = 40


class Nonsense(ValueError):
    """What was written is no answer; the text says what would be."""


class Ambiguous(Nonsense):
    """What was written names several; the text tells them."""


def always(_answers: Answers) -> bool:
    """Return that it is so, whatever was answered."""
    return True


def never(_answers: Answers) -> bool:
    """Return that it is not so, whatever was answered."""
    return False


@dataclass(frozen=True)
class Question:
    """One question.

    Parameters
    ----------
    name : str
        Where its answer stands.
    text : str
        What is asked; ``{told}`` stands for ``told``, as all texts said in the language of the reader.
    why : str
        One line of explanation.
    kind : str
        What is answered: one of ``choices``, several of them, an order of them, a whole number from ``low``
        to ``high``, a number (or a word that stands for one in ``choices``), yes or no, text of at most
        ``high`` signs, names of files, or a day.
    default : object, or callable of the answers before
        The answer of who does not know, or takes what is usual; None where nothing is an answer too.
    sets : str
        The key that it sets; empty if it only decides what else is asked.
    choices : mapping, or callable of the answers before
        Answers and what they mean.
    unit : str
        Of a number.
    usual : pair of float
        The range beyond which a number is remarked upon.
    at_least_one : bool
        Whether one of several choices must be taken.
    of : str
        The part or the list that it is about; empty if it is about all.
    assumed : str
        What is assumed where the answer is not known, if the default does not tell it by itself.
    is_rare : callable
        Whether, given the answers before, it is asked only of who wants to tell all; else its default is
        assumed.
    is_asked : callable
        Whether it matters, given the answers to the questions before it.
    """

    name: str
    text: str
    why: str
    kind: Kind
    default: Any
    sets: str = ""
    choices: Mapping[Any, str] | Callable[[Answers], Mapping[Any, str]] = field(
        default_factory=dict
    )
    low: float = 0
    high: float = 60
    unit: str = ""
    usual: tuple[float, float] | None = None
    at_least_one: bool = False
    of: str = ""
    told: str = ""
    assumed: str = ""
    is_rare: Callable[[Answers], bool] = never
    is_asked: Callable[[Answers], bool] = always

    @property
    def asks(self) -> str:
        """The text as it is asked."""
        return say(self.text, told=say(self.told)) if self.told else say(self.text)

    def choices_after(self, answers: Answers) -> dict[Any, str]:
        """Return what can be chosen, given the answers before."""
        return dict(self.choices(answers) if callable(self.choices) else self.choices)

    def default_after(self, answers: Answers) -> Any:
        """Return the default, given the answers before."""
        default = self.default(answers) if callable(self.default) else self.default
        if self.kind != "several":
            return default
        return [key for key in default if key in self.choices_after(answers)]

    def read(self, text: str, answers: Answers, labels: Mapping[str, Any] | None = None) -> Any:
        """Return the answer that a text holds, given the answers before.

        ``labels`` are what may be written for choices beside their own names.

        Raises
        ------
        Nonsense
            If it is none.
        """
        readers: dict[Kind, Callable[[], Any]] = {
            "choice": lambda: self._chosen(text, answers, labels or {}),
            "several": lambda: self._several(text, answers, labels or {}),
            "order": lambda: self._ordered(text, answers, labels or {}),
            "count": lambda: self._count(text, answers),
            "number": lambda: self._number(text, answers),
            "yes_no": lambda: _yes_no(text),
            "text": lambda: self._text(text),
            "names": lambda: _names(text),
            "day": lambda: _day(text),
        }
        text = text.strip()
        return readers[self.kind]()

    def remark(self, value: Any) -> str:
        """Return what is odd about an answer that can be; empty if nothing is."""
        if self.usual is None or value is None or self.usual[0] <= value <= self.usual[1]:
            return ""
        return say(
            "{value} {unit} is outside what is usual, {low} to {high} {unit}: check the unit, or leave it.",
            value=f"{value:g}", unit=self.unit, low=f"{self.usual[0]:g}", high=f"{self.usual[1]:g}",
        )  # fmt: skip

    def _chosen(self, text: str, answers: Answers, labels: Mapping[str, Any]) -> Any:
        choices = self.choices_after(answers)
        known = {**labels, **{str(key).lower(): key for key in choices}}
        if text.lower() in known:
            return known[text.lower()]
        if len(choices) > MANY_CHOICES:
            return _called(text, choices)
        told = ", ".join(labels or map(str, choices))
        raise Nonsense(say("{typed} is none of {names}.", typed=repr(_cut(text)), names=told))

    def _several(self, text: str, answers: Answers, labels: Mapping[str, Any]) -> list[Any]:
        words = [] if text.lower() == "none" else text.replace(",", " ").split()
        if self.at_least_one and not words:
            raise Nonsense(say("Choose at least one."))
        return list(dict.fromkeys(self._chosen(word, answers, labels) for word in words))

    def _ordered(self, text: str, answers: Answers, labels: Mapping[str, Any]) -> list[Any]:
        found = self._several(text, answers, labels)
        count = len(self.choices_after(answers))
        if len(found) < count:
            raise Nonsense(say("Name each of the {count} once.", count=count))
        return found

    def _number(self, text: str, answers: Answers) -> float | None:
        choices = self.choices_after(answers)
        words = {each.lower(): key for key, word in choices.items() for each in (word, say(word))}
        if text.lower() in words:
            return float(words[text.lower()])
        if text.lower() == "none" and self.default_after(answers) is None:
            return None
        try:
            value = typed_number(text.removesuffix(self.unit or "%").strip(), self.usual)
        except Mistake as mistake:
            raise Nonsense(f"{mistake.what}. {mistake.mend}") from None
        if not self.low <= value <= self.high:
            raise Nonsense(
                say(
                    "{typed} is not from {low} to {high}.",
                    typed=_cut(text), low=f"{self.low:g}", high=f"{self.high:g}",
                )
            )  # fmt: skip
        return value

    def _count(self, text: str, answers: Answers) -> int | None:
        value = self._number(text, answers)
        if value is not None and value != int(value):
            raise Nonsense(say("{typed} is no whole number.", typed=_cut(text)))
        return None if value is None else int(value)

    def _text(self, text: str) -> str | None:
        if len(text) > self.high or not text.isprintable():
            raise Nonsense(say("Write at most {count} signs on one line.", count=f"{self.high:g}"))
        return None if text.lower() == "none" else text


def _called(text: str, choices: Mapping[Any, str]) -> Any:
    """Return the one choice in whose name or words a text stands."""
    found = [key for key, words in choices.items() if text.lower() in f"{key} {words}".lower()]
    if not found:
        raise Nonsense(say("Nothing is called {typed}.", typed=repr(_cut(text))))
    if len(found) > 1:
        told = "; ".join(map(str, found[:TOLD_MATCHES]))
        more = "; …" if len(found) > TOLD_MATCHES else ""
        raise Ambiguous(say("Several are: {names}. Write one.", names=told + more))
    return found[0]


def _yes_no(text: str) -> bool:
    if text.lower() not in YES_NO:
        raise Nonsense(say("{typed} is neither yes nor no.", typed=repr(_cut(text))))
    return YES_NO[text.lower()]


def _names(text: str) -> list[str]:
    try:
        names = shlex.split(text)
    except ValueError:
        raise Nonsense(say("A quote is open: close it, or leave it out.")) from None
    return [] if [name.lower() for name in names] == ["none"] else names


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        told = later("{typed} is no day: write it as 2027-01-31.")
        raise Nonsense(say(told, typed=repr(_cut(text)))) from None


def _cut(text: str) -> str:
    return text if len(text) <= TOLD_LETTERS else f"{text[:TOLD_LETTERS]}…"


@dataclass(frozen=True)
class Questionnaire:
    """Questions in the order in which they are asked, and what refuses answers to them.

    ``refuses`` returns why nothing can be as answers say, None if it can.
    """

    questions: tuple[Question, ...]
    refuses: Callable[[Answers], InputError | None]

    @cached_property
    def by_name(self) -> dict[str, Question]:
        """The questions by their names."""
        return {question.name: question for question in self.questions}

    def answer_to(self, name: str, answers: Answers) -> Any:
        """Return the answer to a question, its default if there is none."""
        return answers[name] if name in answers else self.by_name[name].default_after(answers)

    def asked(self, answers: Answers) -> list[Question]:
        """Return the questions that matter, given the answers so far."""
        return [question for question in self.questions if question.is_asked(answers)]


def below(question: Question, prefix: str, *, when: Callable[[Answers], bool], of: str) -> Question:
    """Return a question of a questionnaire that has become part of another one, below a prefix.

    ``when`` tells, of the answers to the other one, whether the part matters.
    """

    def own(answers: Answers) -> Answers:
        return {
            name.removeprefix(prefix): value
            for name, value in answers.items()
            if name.startswith(prefix)
        }

    return replace(
        question,
        name=prefix + question.name,
        default=lambda answers: question.default_after(own(answers)),
        choices=lambda answers: question.choices_after(own(answers)),
        is_asked=lambda answers: when(answers) and question.is_asked(own(answers)),
        of=of,
        sets="",
    )
