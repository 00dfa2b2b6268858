"""Collects all texts that are said, and makes the catalogues of other languages of them.

    python -m tests.docs.make_words

Texts stand in calls of ``say`` and ``later`` in Python, of ``_`` in templates, and in questions. New ones come into
``languages/CODE/LC_MESSAGES/words.po`` without a translation, those no longer said leave it; ``words.mo`` is
the same for the program.
"""

from __future__ import annotations

import ast
import io
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from babel.messages import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

import optimizer
from optimizer.base.questions import MANY_CHOICES
from optimizer.base.words import LANGUAGES
from optimizer.scenario.questions import QUESTIONS

PACKAGE = Path(optimizer.__file__).parent
FOLDER = PACKAGE / "base" / "languages"
ENGLISH = "en"
MANY_ANSWERS = ({}, {"forecast.load.meters": ["meter.csv"]})
"""Answers after which questions have all their choices."""


def said() -> set[str]:
    """Return all texts that are said anywhere."""
    in_code = chain.from_iterable(map(_said_in, PACKAGE.rglob("*.py")))
    return {text for text in {*in_code, *_said_in_templates(), *_asked()} if text}


def _said_in(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            first = node.args[0] if node.args else None
            if node.func.id in {"say", "later"} and isinstance(first, ast.Constant):
                yield first.value


def _said_in_templates() -> Iterator[str]:
    options = {"**.html": {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}}
    taken_from = [("**.html", "jinja2.ext:babel_extract")]
    for _, _, text, _, _ in extract_from_dir(PACKAGE, taken_from, options, {"_": None}):
        yield text if isinstance(text, str) else ""


def _asked() -> Iterator[str]:
    """Yield what questions say; names of cities and of tariffs are no words."""
    for question in QUESTIONS:
        yield from (question.text, question.why, question.assumed)
        yield "" if question.told.isdecimal() else question.told
        for answers in MANY_ANSWERS:
            choices = question.choices_after(answers)
            is_name = question.name == "tariff" or question.kind == "order"
            if len(choices) <= MANY_CHOICES and not is_name:
                yield from choices.values()


def file_of(code: str, kind: str) -> Path:
    return FOLDER / code / "LC_MESSAGES" / f"words.{kind}"


def catalogue(code: str) -> Catalog:
    """Return the texts that are said now, with the translations there are."""
    known = Catalog(locale=code)
    if file_of(code, "po").exists():
        with file_of(code, "po").open("rb") as file:
            known = read_po(file, locale=code)
    made = Catalog(
        locale=code, fuzzy=False, header_comment="# Texts of the page, the card and the report."
    )
    made.mime_headers = [("Content-Type", "text/plain; charset=utf-8")]
    for text in sorted(said()):
        message = known.get(text)
        made.add(text, message.string if message else "")
    return made


def written(made: Catalog) -> tuple[bytes, bytes]:
    """Return a catalogue as text for people and as what the program reads."""
    text, machine = io.BytesIO(), io.BytesIO()
    write_po(text, made, width=100, omit_header=True)
    write_mo(machine, made)
    return text.getvalue(), machine.getvalue()


def main() -> None:
    for code in LANGUAGES:
        if code == ENGLISH:
            continue
        made = catalogue(code)
        for kind, data in zip(("po", "mo"), written(made), strict=True):
            file_of(code, kind).parent.mkdir(parents=True, exist_ok=True)
            file_of(code, kind).write_bytes(data)


if __name__ == "__main__":
    main()
