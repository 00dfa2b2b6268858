"""Every text that is said has a translation, with the same values in it, and the program reads what people wrote."""

from __future__ import annotations

import string

import pytest

from optimizer.base.units import day_text, money, number, percent
from optimizer.base.words import LANGUAGES, language, say, speaking
from optimizer.base.writing import Writing
from optimizer.report.day_drawing import ENTRY
from optimizer.settings.windows import months_text
from tests.docs.make_words import ENGLISH, catalogue, file_of, written

OTHERS = [code for code in LANGUAGES if code != ENGLISH]


@pytest.fixture(scope="module", params=OTHERS)
def code(request: pytest.FixtureRequest) -> str:
    return request.param


def values_in(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_every_text_has_a_translation_with_the_same_values(code: str) -> None:
    messages = [message for message in catalogue(code) if message.id]
    assert len(messages) > 700
    assert [message.id for message in messages if not message.string] == []
    other = {m.id: m.string for m in messages if values_in(m.id) != values_in(m.string)}
    assert other == {}


def test_the_catalogues_are_as_they_would_be_made(code: str) -> None:
    for kind, data in zip(("po", "mo"), written(catalogue(code)), strict=True):
        assert file_of(code, kind).read_bytes() == data, (
            f"run python -m tests.docs.make_words: {kind}"
        )


def test_a_language_holds_within_and_english_after_it() -> None:
    with speaking("de"):
        assert language() == "de"
        assert say("Handover sheet") == "Übergabeblatt"
        assert months_text([12, 1, 2]) == "Dezember–Februar"
    assert say("Handover sheet") == "Handover sheet"
    with speaking("xx"):
        assert language() == ENGLISH
    assert (
        say(ENTRY, number=1, days="", begin="0:00", end="6:00", label="x")
        == "entry 1 0:00 to 6:00 x"
    )


def test_figures_and_days_are_written_as_the_language_does() -> None:
    """Thousands by a point and decimals by a comma: DIN 1333 and usual practice on German bills."""
    from datetime import date

    with speaking("de"):
        assert money(1234.5, "EUR") == "1.234,50 EUR"
        assert number(0.25, 2) == "0,25"
        assert percent(0.125, 1) == "12,5 %"
        assert day_text(date(2026, 1, 31)) == "31.01.2026"
        assert Writing().number(1.5) == "1.5", "what is typed in follows the equipment"
    assert money(1234.5, "EUR") == "1,234.50 EUR"
    assert day_text(date(2026, 1, 31)) == "2026-01-31"
