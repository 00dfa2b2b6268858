"""Settings as a short text that can be printed on paper, typed or copied, and read in again.

Words stand apart by blanks, so that lines may be broken between any two of them::

    S1 F10 outside=idle M6-9 f20 weekdays charge0100-0500u90g2.5 sell1700-2000d20p5 weekends =K7QM

``S1`` says the form, ``F`` the floor, ``M`` begins a set of months with its own floor ``f`` where it has
one, the name of days begins a day set, and a window is its action, its hours and its limits (``u`` until,
``d`` down to, ``g`` from the grid, ``p`` power, ``i`` import at most); ``same`` are the windows of the day
set before. The last word is a check of the
others: a slip is told, not read. The name of the settings is left out.
"""

from __future__ import annotations

import hashlib
import re
from base64 import b32encode
from collections.abc import Iterator
from itertools import groupby
from typing import Any, get_args

from optimizer.base.errors import Mistake
from optimizer.base.units import clock
from optimizer.settings.windows import DaySetName, SeasonSet, Settings, Window

FORM, SAME = "S1", "same"
NAME = "read from a short text"
"""What settings are called that were read from one."""

LIMITS = {
    "until_pct": "u", "down_to_pct": "d", "grid_kw": "g", "power_kw": "p", "import_cap_kw": "i",
}  # fmt: skip
DAYS = {name.replace(" ", "-"): name for name in get_args(DaySetName)}

_NUMBER = r"\d+(?:\.\d+)?(?:e-?\d+)?"
_WINDOW = re.compile(rf"([a-z]+?)(\d{{4}})-(\d{{4}})((?:[{''.join(LIMITS.values())}]{_NUMBER})*)")
_LIMIT = re.compile(rf"([{''.join(LIMITS.values())}])({_NUMBER})")
_SPAN = re.compile(r"(\d{1,2})(?:-(\d{1,2}))?")
_AGAIN = "Compare it with the paper, word by word, or use the settings file."


def short_text(settings: Settings) -> str:
    """Return settings as a short text; all but their name stands in it."""
    words = list(_words(settings))
    return " ".join([*words, _check(words)])


def is_short_text(text: str) -> bool:
    """Tell whether a text begins as a short text does."""
    return text.split(maxsplit=1)[:1] == [FORM]


def short_content(text: str) -> dict[str, Any]:
    """Return what a short text holds, by the keys of a settings file.

    Raises
    ------
    Mistake
        If a word is not known, or the check does not fit the others.
    """
    form, *words = text.split() or [""]
    if form != FORM:
        raise Mistake(f"the short text begins with {form!r}, not with {FORM}", _AGAIN)
    if not words or words[-1].upper() != _check([form, *words[:-1]]):
        raise Mistake("the check at the end of the short text does not fit its words", _AGAIN)
    told: dict[str, Any] = {"settings": NAME, "seasons": []}
    for word in words[:-1]:
        if not _take(word, told):
            raise Mistake(f"the short text holds {word!r}, which is no word of it here", _AGAIN)
    return told


def _words(settings: Settings) -> Iterator[str]:
    yield from (FORM, f"F{_number(settings.floor_pct)}")
    if settings.found_for is not None:
        yield f"found={_months(settings.found_for)}"
    if settings.after_midnight is not None:
        yield f"after={settings.after_midnight.replace(' ', '-')}"
    if settings.outside is not None:
        yield f"outside={settings.outside}"
    if settings.precedence is not None:
        yield f"first={','.join(settings.precedence)}"
    if settings.summer_time is not None:
        yield f"clock={'summer' if settings.summer_time else 'winter'}"
    for season in settings.seasons:
        yield from _season_words(season)


def _season_words(season: SeasonSet) -> Iterator[str]:
    yield f"M{_months(season.months)}"
    if season.floor_pct is not None:
        yield f"f{_number(season.floor_pct)}"
    before: list[Window] = []
    for part in season.day_sets:
        yield part.days.replace(" ", "-")
        if part.windows and part.windows == before:
            yield SAME
            continue
        before = part.windows
        for window in part.windows:
            limits = ((sign, getattr(window, key)) for key, sign in LIMITS.items())
            told = "".join(f"{sign}{_number(value)}" for sign, value in limits if value is not None)
            hours = f"{clock(window.begin)}-{clock(window.finish)}".replace(":", "")
            yield f"{window.action}{hours}{told}"


def _months(months: list[int]) -> str:
    """Return months in their order, those on end as one: ``1-3,10``."""
    runs = groupby(enumerate(months), lambda item: item[1] - item[0])
    spans = [[month for _, month in run] for _, run in runs]
    return ",".join(f"{s[0]}-{s[-1]}" if len(s) > 1 else f"{s[0]}" for s in spans)


def _months_read(text: str) -> list[int]:
    spans = [_SPAN.fullmatch(span) for span in text.split(",")] if text else []
    if not all(spans):
        raise Mistake(f"the short text holds the months {text!r}", _AGAIN)
    ends = [(int(span[1]), int(span[2] or span[1])) for span in spans if span]
    return [month for first, last in ends for month in range(first, last + 1)]


def _number(value: float) -> str:
    return repr(float(value)).removesuffix(".0").replace("e+", "e")


def _check(words: list[str]) -> str:
    """Return a check of words: four signs, none of which looks like another."""
    digest = hashlib.sha256(" ".join(words).encode("utf-8", "surrogatepass")).digest()
    return f"={b32encode(digest).decode()[:4]}"


def _take(word: str, told: dict[str, Any]) -> bool:
    """Put a word where it belongs; tell whether it belongs anywhere."""
    name, is_key, value = word.partition("=")
    seasons: list[dict[str, Any]] = told["seasons"]
    if is_key:
        return _take_key(name, value, told)
    if (found := re.fullmatch(rf"F({_NUMBER})", word)) and not seasons:
        told["floor_pct"] = float(found[1])
    elif found := re.fullmatch(r"M([\d,-]+)", word):
        seasons.append({"months": _months_read(found[1]), "day_sets": []})
    elif (found := re.fullmatch(rf"f({_NUMBER})", word)) and seasons:
        seasons[-1]["floor_pct"] = float(found[1])
    elif word == SAME and seasons and len(seasons[-1]["day_sets"]) > 1:
        seasons[-1]["day_sets"][-1]["windows"] = [*seasons[-1]["day_sets"][-2]["windows"]]
    elif word in DAYS and seasons:
        seasons[-1]["day_sets"].append({"days": DAYS[word], "windows": []})
    elif (found := _WINDOW.fullmatch(word)) and seasons and seasons[-1]["day_sets"]:
        seasons[-1]["day_sets"][-1]["windows"].append(_window(found))
    else:
        return False
    return True


def _take_key(name: str, value: str, told: dict[str, Any]) -> bool:
    ways: dict[str, tuple[str, Any]] = {
        "found": ("found_for", _months_read),
        "after": ("after_midnight", lambda text: text.replace("-", " ")),
        "outside": ("outside", str),
        "first": ("precedence", lambda text: text.split(",")),
        "clock": ("summer_time", lambda text: text == "summer"),
    }
    if name not in ways:
        return False
    key, read = ways[name]
    told[key] = read(value)
    return True


def _window(found: re.Match[str]) -> dict[str, Any]:
    action, begin, end, limits = found.groups()
    keys = {sign: key for key, sign in LIMITS.items()}
    return {
        "action": action, "start": f"{begin[:2]}:{begin[2:]}", "end": f"{end[:2]}:{end[2:]}",
        **{keys[sign]: float(value) for sign, value in _LIMIT.findall(limits)},
    }  # fmt: skip
