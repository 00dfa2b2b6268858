"""Asks questions in the terminal, one after the other, and takes what is typed.

Questions go to standard error, so that what comes out of them can be sent into a file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.settings.questions import Question

UNKNOWN, BACK = "?", "<"
"""What is typed by who does not know, and by who wants to go back to the question before."""

YES_NO = {"y": True, "yes": True, "true": True, "n": False, "no": False, "false": False}


class Nonsense(ValueError):
    """What was typed is no answer; the text says what would be."""


def ask(
    read: Callable[[], str | None], tell: Callable[[str], None]
) -> tuple[dict[str, Any], list[str]]:
    """Ask all questions that matter.

    Parameters
    ----------
    read : callable
        Returns the next line typed, None once there is no more.
    tell : callable
        Shows a line.

    Returns
    -------
    answers, unknown
        The answers by the names of their questions; and the questions that were not known.
    """
    from optimizer.settings.questions import asked, refused

    answers, unknown, ended = dict[str, Any](), list[str](), False
    tell(f"Enter takes what is usual, {UNKNOWN} is for 'I don't know', {BACK} goes back.")
    while open_ones := [question for question in asked(answers) if question.name not in answers]:
        question = open_ones[0]
        line = None if ended else _asked(question, answers, read, tell)
        if line is None:
            if not ended:
                tell("The input ends here: all other questions are taken as not known.")
            ended, line = True, UNKNOWN
        if line == BACK:
            _go_back(answers, unknown, tell)
            continue
        try:
            value = answer_in(line, question, answers)
        except Nonsense as nonsense:
            tell(f"  {nonsense}")
            continue
        wrong = refused(answers | {question.name: value})
        if wrong is not None and not ended:
            tell(f"  That cannot be: {wrong.what}. {wrong.mend}")
            continue
        answers[question.name] = value
        if line == UNKNOWN:
            unknown.append(question.name)
            if not ended:
                tell(f"  Not known: {shown(value)} is assumed.")
    return answers, unknown


def _asked(
    question: Question,
    answers: dict[str, Any],
    read: Callable[[], str | None],
    tell: Callable[[str], None],
) -> str | None:
    tell("")
    tell(question.text)
    tell(f"  {question.why}")
    choices = question.choices_after(answers)
    for label, key in labels_of(choices).items():
        tell(
            f"  {label}  {choices[key]}"
            if str(key) in choices[key]
            else f"  {label}  {key}: {choices[key]}"
        )
    tell(f"  [{_how(question)}; usual: {_usual(question, answers)}]")
    line = read()
    return None if line is None else line.strip()


def _usual(question: Question, answers: dict[str, Any]) -> str:
    """Return the default as it would be typed."""
    default, choices = question.default_after(answers), question.choices_after(answers)
    typed = {key: label for label, key in labels_of(choices).items()}
    if question.kind == "order":
        return "as listed"
    if question.kind == "several":
        return " ".join(typed[key] for key in default) or "none"
    return typed[default] if question.kind == "choice" else shown(default)


def _how(question: Question) -> str:
    return {
        "choice": "one number",
        "several": "numbers, as 1 2" if question.at_least_one else "numbers, as 1 2, or 'none'",
        "order": "numbers in their order, as 2 1",
        "count": f"a whole number from {question.low:g} to {question.high:g}",
        "number": f"a number from {question.low:g} to {question.high:g}",
        "yes_no": "yes or no",
        "text": "text, or 'none'",
    }[question.kind]


def shown(value: Any) -> str:
    """Return an answer as a person reads it."""
    if value is None or value == []:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _go_back(answers: dict[str, Any], unknown: list[str], tell: Callable[[str], None]) -> None:
    if not answers:
        tell("  This is the first question.")
        return
    name = list(answers)[-1]
    del answers[name]
    unknown[:] = [other for other in unknown if other != name]


def answer_in(line: str, question: Question, answers: dict[str, Any]) -> Any:
    """Return the answer that a line holds.

    Raises
    ------
    Nonsense
        If it is none.
    """
    if line in {"", UNKNOWN}:
        return question.default_after(answers)
    choices = list(question.choices_after(answers))
    readers: dict[str, Callable[[], Any]] = {
        "choice": lambda: _chosen(line, choices),
        "several": lambda: _several(line, choices, at_least_one=question.at_least_one),
        "order": lambda: _ordered(line, choices),
        "count": lambda: _count(line, question),
        "number": lambda: _number(line, question),
        "yes_no": lambda: _yes_no(line),
        "text": lambda: _text(line),
    }
    return readers[question.kind]()


def labels_of(choices: Iterable[Any]) -> dict[str, Any]:
    """Return what is typed for each choice: its number in the row; a choice that is a number itself."""
    return {
        str(key if isinstance(key, int) else number): key
        for number, key in enumerate(choices, start=1)
    }


def _chosen(word: str, choices: list[Any]) -> Any:
    known = labels_of(choices) | {str(key).lower(): key for key in choices}
    if word.lower() not in known:
        raise Nonsense(f"{_cut(word)!r} is none of {', '.join(labels_of(choices))}.")
    return known[word.lower()]


def _several(line: str, choices: list[Any], *, at_least_one: bool = False) -> list[Any]:
    words = [] if line.lower() == "none" else line.replace(",", " ").split()
    if at_least_one and not words:
        raise Nonsense("Choose at least one.")
    return list(dict.fromkeys(_chosen(word, choices) for word in words))


def _ordered(line: str, choices: list[Any]) -> list[Any]:
    found = _several(line, choices)
    if len(found) < len(choices):
        raise Nonsense(f"Name each of the {len(choices)} once.")
    return found


def _number(line: str, question: Question) -> float:
    try:
        value = float(line.replace(",", ".").removesuffix("%"))
    except ValueError:
        raise Nonsense(f"{_cut(line)!r} is no number.") from None
    if not question.low <= value <= question.high:
        raise Nonsense(f"{_cut(line)} is not from {question.low:g} to {question.high:g}.")
    return value


def _count(line: str, question: Question) -> int:
    value = _number(line, question)
    if value != int(value):
        raise Nonsense(f"{_cut(line)} is no whole number.")
    return int(value)


def _yes_no(line: str) -> bool:
    if line.lower() not in YES_NO:
        raise Nonsense(f"{_cut(line)!r} is neither yes nor no.")
    return YES_NO[line.lower()]


def _text(line: str) -> str | None:
    if len(line) > 60 or not line.isprintable():
        raise Nonsense("Write at most 60 signs on one line.")
    return None if line.lower() == "none" else line


def _cut(line: str) -> str:
    return line if len(line) <= 40 else f"{line[:40]}…"
