"""Collects all texts that are said, and makes the catalogues of other languages of them.

    python -m tests.docs.make_words

Texts stand in calls of ``say`` and ``later`` in Python and of ``_`` in templates, and in the records and tables
of questions. New ones come into
``languages/CODE/LC_MESSAGES/words.po`` without a translation, those no longer said leave it; ``words.mo`` is
the same for the program.
"""

from __future__ import annotations

import ast
import io
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

from babel.messages import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

import optimizer
from optimizer.base.words import LANGUAGES
from optimizer.settings.menu import DAY_SETS, Action

PACKAGE = Path(optimizer.__file__).parent
FOLDER = PACKAGE / "base" / "languages"
ENGLISH = "en"
QUESTIONS = [PACKAGE / "scenario" / "questions.py", PACKAGE / "settings" / "questions.py"]
ARGUMENTS_SAID = {"Question": (1, 2), "_of_list": (1,)}
KEYWORDS_SAID = {"text", "why", "told", "assumed"}
TAKEN_FROM = [("**.py", "python"), ("**.html", "jinja2.ext:babel_extract")]


def said() -> set[str]:
    """Return all texts that are said anywhere."""
    keywords = {"say": None, "later": None, "_": None}
    options = {"**.html": {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}}
    found = extract_from_dir(PACKAGE, TAKEN_FROM, options, keywords)
    texts = {text for _, _, text, _, _ in found if isinstance(text, str)}
    texts |= {text for path in QUESTIONS for text in asked(ast.parse(path.read_text("utf-8")))}
    texts |= {name for sets in DAY_SETS.values() for name in sets} | {*get_args(Action)}
    return {text for text in texts if any(sign.isalpha() for sign in text)}


def asked(tree: ast.Module) -> Iterator[str]:
    """Yield what questions say: their texts, the words of their choices, and the tables of such words."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            places = ARGUMENTS_SAID.get(node.func.id, ())
            said_in = [node.args[place] for place in places]
            if places:
                said_in += [each.value for each in node.keywords if each.arg in KEYWORDS_SAID]
                tables = [*node.args, *(each.value for each in node.keywords)]
                said_in += [word for table in tables for word in words_of(table)]
            yield from (text for each in said_in for text in constant(each))
    for statement in tree.body:
        if isinstance(statement, ast.Assign | ast.AnnAssign) and statement.value:
            yield from (text for word in words_of(statement.value) for text in constant(word))


def words_of(table: ast.expr) -> list[ast.expr]:
    """Return the words in a table of choices: its values, of pairs the first."""
    if not isinstance(table, ast.Dict):
        return []
    return [each.elts[0] if isinstance(each, ast.Tuple) else each for each in table.values]


def constant(node: ast.expr) -> list[str]:
    """Return a text that stands as it is; none if it is made otherwise."""
    return [node.value] if isinstance(node, ast.Constant) and isinstance(node.value, str) else []


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
