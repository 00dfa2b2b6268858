"""The fields in which settings are tried, and the settings that they hold.

A field is called by its path of keys: ``seasons.0.day_sets.1.windows.0.start``. Read next:
``workflows.trying``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.base.errors import InputError, Mistake, Place
from optimizer.base.typed_numbers import typed_number
from optimizer.base.units import MINUTES_PER_DAY, clock
from optimizer.base.words import later, say
from optimizer.page.part import Finding, Form
from optimizer.settings.check import BY_CONTROLS, CHANGE
from optimizer.settings.menu import Menu, MenuList
from optimizer.settings.windows import KEY_OF, Settings, Window
from optimizer.workflows.trying import field_of, fields_of, window_of

MOST_SEASONS, MOST_WINDOWS = 12, 60
TYPED = re.compile(
    r"seasons\.(\d{1,2})(?:\.day_sets\.([0-6])(?:\.windows\.(\d{1,2}))?)?\.(?!day_sets|windows)(\w+)"
)
FIELDS = ("start", "end", "action", "level", "power", "grid", "cap")
NUMBERS = ("level", "power", "cap")
LABELS = {
    ("level", "charge"): later("up to, %"),
    ("level", "cover"): later("down to, %"),
    ("level", "sell"): later("down to, %"),
    ("power", "charge"): later("grid at most, kW"),
    ("power", "sell"): later("power, kW"),
}

LABEL_OF_KEY = {
    "until_pct": later("the level"),
    "down_to_pct": later("the level"),
    "grid_kw": later("the power from the grid"),
    "import_cap_kw": later("the highest import"),
    "power_kw": later("the power"),
}
"""What fields are called where a finding names the key of a settings file."""


@dataclass(frozen=True)
class Row:
    """A window in its fields: texts by field, as they were typed; ``shown`` are those its action has."""

    name: str
    number: int
    texts: Mapping[str, str]
    shown: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class DayRows:
    """The windows of some days of a season; ``name`` is the path of the day set."""

    name: str
    months: list[int]
    days: str
    rows: list[Row]
    takes_more: bool


@dataclass
class Sheet:
    """All that is typed: texts by path of keys, and what is wrong with them before anything is checked."""

    floor: str
    seasons: list[dict[str, Any]]
    found_for: str = ""
    findings: list[Finding] = field(default_factory=list)

    @classmethod
    def of(cls, settings: Settings) -> Sheet:
        """Return settings in their fields."""
        seasons = [
            {
                "months": ",".join(map(str, season.months)),
                "floor_pct": "" if season.floor_pct is None else f"{season.floor_pct:g}",
                "day_sets": [
                    {"days": part.days, "windows": [_texts(window) for window in part.windows]}
                    for part in season.day_sets
                ],
            }
            for season in settings.seasons
        ]
        found_for = ",".join(map(str, settings.found_for or []))
        return cls(f"{settings.floor_pct:g}", seasons, found_for)

    @classmethod
    def typed(cls, form: Form) -> Sheet:
        """Return what stands in the fields of a form; other fields and large numbers are left alone."""
        found: dict[int, dict[str, Any]] = {}
        for name in form.values:
            match = TYPED.fullmatch(name)
            if match is None:
                continue
            s, d, w = (None if part is None else int(part) for part in match.groups()[:3])
            if s is None or s >= MOST_SEASONS or (w or 0) >= MOST_WINDOWS:
                continue
            season = found.setdefault(s, {"months": "", "floor_pct": "", "day_sets": {}})
            into = season
            if d is not None:
                into = season["day_sets"].setdefault(d, {"days": "", "windows": {}})
            if w is not None:
                into = into["windows"].setdefault(w, {})
            into[match[4]] = form.get(name)
        seasons = [
            {**season, "day_sets": [
                {**part, "windows": [_same_action(part["windows"][w]) for w in sorted(part["windows"])]}
                for _, part in sorted(season["day_sets"].items())
            ]}
            for _, season in sorted(found.items())
        ]  # fmt: skip
        sheet = cls(form.get("floor_pct"), seasons, form.get("found_for"))
        sheet.do(form.get("do"))
        return sheet

    def do(self, what: str) -> None:
        """Add a window to a day set, or remove one: ``add PATH``, ``remove PATH``."""
        verb, _, path = what.partition(" ")
        numbers = [int(part) for part in re.findall(r"\d{1,2}", path)]
        try:
            windows = self.seasons[numbers[0]]["day_sets"][numbers[1]]["windows"]
            if verb == "add" and len(windows) < MOST_WINDOWS:
                windows.append(_free(windows))
            elif verb == "remove":
                del windows[numbers[2]]
        except IndexError:  # no such window: an old page
            return

    def content(self) -> dict[str, Any]:
        """Return what a settings file would hold; what is no number is a finding."""
        self.findings = []
        found: dict[str, Any] = {
            "settings": "yours",
            "floor_pct": self._number("floor_pct", self.floor),
            "seasons": [self._season(s, season) for s, season in enumerate(self.seasons)],
        }
        if months := _months(self.found_for):
            found["found_for"] = months
        return found

    def _season(self, s: int, season: Mapping[str, Any]) -> dict[str, Any]:
        parts = []
        for d, part in enumerate(season["day_sets"]):
            name = f"seasons.{s}.day_sets.{d}.windows"
            windows = [
                window_of(self._fields(f"{name}.{w}", texts))
                for w, texts in enumerate(part["windows"])
            ]
            parts.append({"days": part["days"], "windows": windows})
        found: dict[str, Any] = {"months": _months(season["months"]), "day_sets": parts}
        if season["floor_pct"]:
            found["floor_pct"] = self._number(f"seasons.{s}.floor_pct", season["floor_pct"])
        return found

    def _fields(self, name: str, texts: Mapping[str, str]) -> dict[str, Any]:
        action = texts.get("action", "")
        fields: dict[str, Any] = {"action": action}
        for edge in ("start", "end"):
            text = texts.get(edge, "")
            fields[edge] = f"0{text}" if re.fullmatch(r"\d:\d\d", text) else text
        for key in NUMBERS:
            text = texts.get(key, "")
            fields[key] = self._number(f"{name}.{key}", text) if text else None
        fields["grid"] = texts.get("grid") != "pv"
        return fields

    def _number(self, name: str, text: str) -> float:
        try:
            return typed_number(text)
        except Mistake as mistake:
            self.findings.append(Finding(name, f"{mistake.what}.", mistake.mend))
            return 0.0

    def place_of(self, place: Place) -> str:
        """Return the name of the field at which a finding of the settings stands."""
        path = ".".join(map(str, place[:6]))
        if place[:1] == ("seasons",) and len(place) >= 7:
            texts = self.seasons[int(place[1])]["day_sets"][int(place[3])]["windows"][int(place[5])]
            fields = {"action": texts.get("action"), "grid": texts.get("grid") != "pv"}
            key = field_of(str(place[6]), fields)
            return f"{path}.{key}" if key else path
        return path if place[:1] == ("seasons",) or path == "floor_pct" else ""

    def day_rows(self, menu: Menu) -> list[DayRows]:
        """Return the windows by season and day set, to be shown in fields."""
        found, number = [], 0
        for s, season in enumerate(self.seasons):
            for d, part in enumerate(season["day_sets"]):
                path = f"seasons.{s}.day_sets.{d}"
                rows = []
                for w, texts in enumerate(part["windows"]):
                    number += 1
                    shown = _fields_shown(menu, texts)
                    rows.append(Row(f"{path}.windows.{w}", number, texts, shown))
                most = sum(each.entries for each in menu.lists)
                found.append(
                    DayRows(path, _months(season["months"]), part["days"], rows, len(rows) < most)
                )
        return found


def on_the_page(error: InputError, field: str) -> Finding:
    """Return a finding at its field, in the words of the page."""
    what, mend = error.what.removeprefix(f"{BY_CONTROLS}: "), error.mend
    if mend == CHANGE:
        mend = say("Change it, or say what the menu can hold if the equipment takes it.")
    for key, label in LABEL_OF_KEY.items():
        what, mend = (re.sub(rf"\b{key}\b", say(label), text) for text in (what, mend))
    return Finding(field, f"{what[:1].upper()}{what[1:]}.", mend)


def _same_action(texts: Mapping[str, str]) -> dict[str, str]:
    """Return the texts of a window; those that meant another thing under the action before are left out."""
    if texts.get("was", texts.get("action")) == texts.get("action"):
        return dict(texts)
    return {key: texts[key] for key in ("start", "end", "action", "cap") if key in texts}


def _texts(window: Window) -> dict[str, str]:
    fields = fields_of(window.model_dump())
    texts = {key: "" if fields[key] is None else f"{fields[key]:g}" for key in NUMBERS}
    grid = "" if fields["grid"] is None else ("grid" if fields["grid"] else "pv")
    times = {key: str(fields[key]) for key in ("start", "end", "action")}
    return {**times, **texts, "grid": grid}


def _months(text: str) -> list[int]:
    return [int(part) for part in text.split(",") if re.fullmatch(r"[1-9]|1[0-2]", part)]


def _free(windows: Sequence[Mapping[str, str]]) -> dict[str, str]:
    """Return a window of at most two hours in the longest part of the day that none holds."""
    taken = [False] * 24
    for texts in windows:
        try:
            window = Window(start=texts["start"], end=texts["end"], action="hold")
        except (KeyError, ValueError):
            continue
        minutes = window.minutes()
        taken = [taken[h] or bool(minutes[60 * h : 60 * h + 60].any()) for h in range(24)]
    runs, begin = [], 0
    for hour in range(25):
        if hour == 24 or taken[hour]:
            runs.append((hour - begin, begin))
            begin = hour + 1
    length, begin = max(runs)
    if length < 1:
        length, begin = 1, 0
    middle = begin + max(length - 2, 0) // 2
    end = min(60 * (middle + min(length, 2)), MINUTES_PER_DAY)
    return {"start": clock(60 * middle), "end": clock(end), "action": ""}


def _fields_shown(menu: Menu, texts: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """Return the fields beside times and action that a window has, each with its label."""
    action = texts.get("action", "")
    if action not in menu.actions:
        return ()
    each: MenuList = menu.list_of(action)
    found = []
    for key in NUMBERS:
        is_kept = bool(texts.get(key))
        if (key, action) in KEY_OF and (each.has(key) or is_kept):  # type: ignore[arg-type]
            label = LABELS.get((key, action), later("import at most, kW"))
            found.append((key, say(label)))
    if action == "charge" and (each.takes_no_grid or each.has("grid")):
        found.append(("grid", say("from")))
    return tuple(found)
