"""Words for people, in the language they read.

The English text is the key; ``languages/de/LC_MESSAGES/words.po`` holds the German one, ``words.mo`` the same
for machines (``python -m tests.docs.make_words`` collects the texts and makes both). What has no translation
stays English. A language holds for the thread or task in which it was chosen.

Read next: ``units``.
"""

from __future__ import annotations

import gettext
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date
from functools import cache
from pathlib import Path

LANGUAGES = {"en": "English", "de": "Deutsch"}
"""The languages there are, each by its own name."""

_FOLDER = Path(__file__).with_name("languages")

_language: ContextVar[str] = ContextVar("language", default="en")


def language() -> str:
    """Return the code of the language that is spoken now."""
    return _language.get()


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Speak a language; one that is not known is English."""
    before = _language.set(code if code in LANGUAGES else "en")
    try:
        yield
    finally:
        _language.reset(before)


def say(text: str, /, **values: object) -> str:
    """Return a text in the language that is spoken, with values put in by name: ``{kwh}``.

    The text stands in the call as it is, so that it can be collected.
    """
    told = _texts(language()).gettext(text) if text else ""
    return told.format(**values) if values else told


def later(text: str) -> str:
    """Return a text unchanged: it stands in a table and is said later, by ``say``."""
    return text


def day_said(day: date) -> str:
    """Return a day as the language writes it: ``2026-01-31``, ``31.01.2026``."""
    return day.strftime(say("%Y-%m-%d"))


def number_said(text: str) -> str:
    """Return a number's text, thousands by comma and decimals by point, as the language writes it."""
    said = say("1,234.5")
    return text.translate({ord(","): said[1], ord("."): said[5]})


@cache
def _texts(code: str) -> gettext.NullTranslations:
    return gettext.translation("words", _FOLDER, [code], fallback=True)
