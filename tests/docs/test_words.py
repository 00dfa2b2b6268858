"""All that is said has a German text, and the page is German for who reads German."""

from __future__ import annotations

import html
import re
import string
from pathlib import Path

import pytest
from babel.messages.pofile import read_po

from optimizer.base.words import LANGUAGES, say, speaking
from optimizer.page.registry import PARTS
from optimizer.scenario.questions import QUESTIONS
from tests.docs.make_words import ENGLISH, catalogue, file_of, said, written
from tests.page.serving import asked

CODES = [code for code in LANGUAGES if code != ENGLISH]

ENGLISH_SAID = [
    "What was used", "The roof", "What it costs", "Save and go on", "I don't know", "is assumed",
    "Mostly", "Zone of the clock", "How many", "How much", "Which ", "Where do", "May the",
    "south", "the battery", "Empty:", "still open", "not asked yet", "the menu",
]  # fmt: skip
"""Pieces of sentences of the page, each of which has a German one."""


@pytest.fixture(scope="module")
def texts() -> frozenset[str]:
    return said()


def placeholders(text: str) -> list[str]:
    return sorted(name for _, name, _, _ in string.Formatter().parse(text) if name is not None)


@pytest.mark.parametrize("code", CODES)
def test_every_text_is_translated_with_the_same_placeholders(
    code: str, texts: frozenset[str]
) -> None:
    with file_of(code, "po").open("rb") as file:
        known = read_po(file, locale=code)
    translated = {message.id: message for message in known if message.id}
    assert set(translated) == texts
    assert [text for text, message in translated.items() if not message.string] == []
    assert [text for text, message in translated.items() if message.fuzzy] == []
    assert [
        text
        for text, message in translated.items()
        if placeholders(str(message.string)) != placeholders(text)
    ] == []
    assert [
        text
        for text, message in translated.items()
        if str(message.string)[:1].isspace() != text[:1].isspace()
    ] == []


@pytest.mark.parametrize("code", CODES)
def test_the_catalogue_is_as_it_would_be_written(code: str) -> None:
    text, machine = written(catalogue(code))
    assert file_of(code, "po").read_bytes() == text
    assert file_of(code, "mo").read_bytes() == machine


def test_questions_and_what_stands_inside_longer_texts_are_collected(texts: frozenset[str]) -> None:
    told = {question.text for question in QUESTIONS} | {question.why for question in QUESTIONS}
    told |= {question.assumed for question in QUESTIONS if question.assumed}
    told |= {words for q in QUESTIONS if isinstance(q.choices, dict) for words in q.choices.values()}  # fmt: skip
    assert {text for text in told if any(map(str.isalpha, text))} <= texts
    assert {"because {cause}", "weekdays", "charge", "south-east"} <= texts


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
