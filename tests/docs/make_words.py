"""Collects all texts that are said, and makes the catalogues of other languages of them.

    python -m tests.docs.make_words

Texts stand in calls of ``say`` and ``later`` in Python and of ``_`` in templates. New ones come into
``languages/CODE/LC_MESSAGES/words.po`` without a translation, those no longer said leave it; ``words.mo`` is
the same for the program.
"""

from __future__ import annotations

import io
from pathlib import Path

from babel.messages import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

import optimizer
from optimizer.base.words import LANGUAGES

PACKAGE = Path(optimizer.__file__).parent
FOLDER = PACKAGE / "base" / "languages"
ENGLISH = "en"
TAKEN_FROM = [("**.py", "python"), ("**.html", "jinja2.ext:babel_extract")]


def said() -> set[str]:
    """Return all texts that are said anywhere."""
    keywords = {"say": None, "later": None, "_": None}
    options = {"**.html": {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}}
    found = extract_from_dir(PACKAGE, TAKEN_FROM, options, keywords)
    return {text for _, _, text, _, _ in found if isinstance(text, str) and text}


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
