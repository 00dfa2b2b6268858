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


@cache
def _texts(code: str) -> gettext.NullTranslations:
    return gettext.translation("words", _FOLDER, [code], fallback=True)
