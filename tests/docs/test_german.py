"""What a German-speaking person reads is German throughout: the card, the parts of the page, the windows in words.

What a program reads stays as it is, in whatever language it was written.
"""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path

import pytest

from optimizer.base.words import speaking
from optimizer.page.registry import PARTS
from optimizer.report.card import card_of
from optimizer.report.card_text import card_text
from optimizer.report.record import commented_settings
from optimizer.scenario.scenario import read_scenario
from optimizer.settings.windows import Window, no_windows
from tests.builders import simple_plant
from tests.docs.make_words import ENGLISH
from tests.menus import MENUS, controls_of
from tests.page.serving import asked

DEMO = Path(__file__).parents[2] / "scenarios" / "1_two_rates"
ENGLISH_WORDS = re.compile(r"\b(the|with|from|which|are|is|each|not|what|until)\b", re.IGNORECASE)
TAGS = re.compile(r"<(script|style|code|textarea|select|datalist)\b.*?</\1>|<[^>]*>", re.DOTALL)


def english_in(text: str) -> list[str]:
    """Return the English words of a text with what stands around them."""
    found = ENGLISH_WORDS.finditer(text)
    return [text[max(0, each.start() - 30) : each.end() + 30] for each in found]


def read_aloud(page: str) -> str:
    """Return what is read of a page but for choices, which are names, and what errors of files say."""
    text = re.sub(r"\s+", " ", unescape(TAGS.sub(" ", page)))
    return text.replace("there is no such file Check the path.", "")


@pytest.mark.parametrize("number", range(1, len(MENUS) + 1))
@pytest.mark.parametrize("is_empty", [True, False])
def test_a_card_has_no_english_word(number: int, *, is_empty: bool) -> None:
    plant = simple_plant(10, 5)
    with speaking("de"):
        card = card_of(controls_of(number), plant, None if is_empty else no_windows(10))
        text = card_text(card)
        for name in ("the day", "as the entry before"):  # what the owner of menu 4 calls things
            text = text.replace(name, "")
        assert english_in(text) == []


@pytest.mark.parametrize("part", [part.name for part in PARTS])
@pytest.mark.parametrize("is_filled", [False, True])
def test_a_part_has_no_english_word(part: str, tmp_path: Path, *, is_filled: bool) -> None:
    if is_filled:
        shutil.copytree(DEMO, tmp_path / "home")
    page = asked(tmp_path / "home" if is_filled else tmp_path)
    answer = page.client.get(
        f"{page.room}/{part}", headers=page.headers(accept_language="de-AT,en;q=0.5")
    )
    assert '<html lang="de">' in answer.text
    assert english_in(read_aloud(answer.text)) == []


def test_windows_in_words() -> None:
    filled = Window.model_validate(
        {"start": "01:00", "end": "05:00", "action": "charge", "until_pct": 80, "grid_kw": 2.5}
    )
    sold = Window.model_validate(
        {"start": "18:00", "end": "20:00", "action": "sell", "down_to_pct": 20, "power_kw": 3}
    )
    with speaking("de"):
        assert filled.words() == "laden auf 80 %, höchstens 2,5 kW aus dem Netz"
        assert sold.words() == "verkaufen mit 3 kW, bis hinab auf 20 %"


def test_settings_are_the_same_file_in_each_language() -> None:
    scenario, settings, texts = read_scenario(DEMO), no_windows(10), set()
    for code in (ENGLISH, "de"):
        with speaking(code):
            texts.add(commented_settings(["# By hand."], scenario, settings))
    assert len(texts) == 1
