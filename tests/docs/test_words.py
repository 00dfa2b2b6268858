"""Every text that is said has a translation, with the same values in it, and the program reads what people wrote."""

from __future__ import annotations

import ast
import html
import re
import string
from pathlib import Path

import pytest

from optimizer.base.units import day_text, money, number, percent
from optimizer.base.words import LANGUAGES, language, say, speaking
from optimizer.base.writing import Writing
from optimizer.page.registry import PARTS
from optimizer.report.day_drawing import ENTRY
from optimizer.scenario.questions import QUESTIONS
from optimizer.settings.windows import months_text
from tests.docs.make_words import ENGLISH, catalogue, file_of, said, said_in, written
from tests.page.serving import asked

OTHERS = [code for code in LANGUAGES if code != ENGLISH]


ENGLISH_SAID = [
    "What was used", "The roof", "What it costs", "Save and go on", "I don't know", "is assumed",
    "Mostly", "Zone of the clock", "How many", "How much", "Which ", "Where do", "May the",
    "south", "the battery", "Empty:", "still open", "not asked yet", "the menu",
]  # fmt: skip
"""Pieces of sentences of the page, each of which has a German one."""


@pytest.fixture(scope="module", params=OTHERS)
def code(request: pytest.FixtureRequest) -> str:
    return request.param


def values_in(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_every_text_has_a_translation_with_the_same_values(code: str) -> None:
    messages = [message for message in catalogue(code) if message.id]
    assert len(messages) > 700
    assert [message.id for message in messages if not message.string or message.fuzzy] == []
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


def test_questions_and_what_stands_inside_longer_texts_are_collected() -> None:
    told = {question.text for question in QUESTIONS} | {question.why for question in QUESTIONS}
    told |= {question.assumed for question in QUESTIONS if question.assumed}
    told |= {words for q in QUESTIONS if isinstance(q.choices, dict) for words in q.choices.values()}  # fmt: skip
    assert {text for text in told if any(map(str.isalpha, text))} <= said()
    assert {"weekdays", "charge", "south-east"} <= said()
    assert list(said_in(ast.parse("told = f\"{name}: {say('inside ' 'it')}\""))) == ["inside it"]


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_a_part_is_german_for_who_reads_german(part, tmp_path: Path) -> None:
    page = asked(tmp_path)
    told = page.client.get(f"{page.room}/{part.name}", headers=page.headers(accept_language="de"))
    assert '<html lang="de">' in told.text
    with speaking("de"):
        assert f"<h1>{say(part.title)}</h1>" in told.text
    seen = html.unescape(re.sub(r"<[^>]*>", "\n", told.text))
    assert [piece for piece in ENGLISH_SAID if piece in seen] == []


def test_a_word_for_a_number_is_read_in_the_language_of_the_page_and_in_english() -> None:
    faces = next(question for question in QUESTIONS if question.name.endswith("0.azimuth_deg"))
    with speaking("de"):
        assert faces.read("Südosten", {}) == 135
        assert faces.read("south-east", {}) == 135
    assert faces.read("south-east", {}) == 135


def test_what_was_assumed_in_one_language_is_known_as_assumed_in_the_other(tmp_path: Path) -> None:
    page = asked(tmp_path)
    form = {
        "battery.floor_pct.shown": "1", "battery.floor_pct.unknown": "1",
        "scenario.shown": "1", "scenario": "Haus",
    }  # fmt: skip
    page.client.post(
        f"{page.room}/equipment", data=form, headers=page.headers(accept_language="de")
    )
    assert "Nicht bekannt: angenommen." in (tmp_path / "scenario.yaml").read_text("utf-8")
    told = page.client.get(f"{page.room}/equipment", headers=page.headers()).text
    ticked = re.search(r'<input[^>]*name="battery\.floor_pct\.unknown"[^>]*>', told)
    assert ticked
    assert "checked" in ticked[0]
