"""Hold what people read of a plan against its record: the sheet to type in, the table of cases, other sizes.

The page is read as text by plain patterns, apart from what writes it. Read next: ``verify``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

from optimizer.base.documents import is_file, read_document
from optimizer.base.errors import SettingsError
from optimizer.plain.bill import Words
from optimizer.settings.windows import Settings
from optimizer.workflows.checked import Check
from optimizer.workflows.in_use import PLAN
from optimizer.workflows.tomorrow import BRIGHT, DARK, RULE

PAGE, BY_SIZE = "report.html", "settings_by_size"

COLUMNS = ("bill", "wear", "left_worth", "cost", "import_kwh", "export_kwh", "peak_import_kw")
"""The columns of the table of cases, in order."""

ROW = re.compile(r'<th scope="row">([^<]*)</th>((?:\s*<td class="n">[^<]*</td>){7})')
CELL = re.compile(r'<td class="n">([^<]*)</td>')
CLOCK = re.compile(r'<td class="(?:start|end)"[^>]*><strong>(\d\d:\d\d)</strong>')
CUTS = {"00:00", "24:00", "23:59", "12:00"}
"""Where a menu may cut a window, or end a day, at a time that is none of the window's."""


def checks_of_shown(folder: Path, record: Words) -> Iterator[Check]:
    """Yield what page and settings of other sizes come to, and what nothing is held against."""
    has_cards = is_file(folder / RULE)
    if is_file(folder / PAGE):
        page = (folder / PAGE).read_text(encoding="utf-8")
        yield _cases(page, record)
        if not has_cards:
            yield _clocks(page, record)
    sizes = sorted((folder / BY_SIZE).glob("*_windows.yaml"))
    if sizes and record.get("curve"):
        yield _sizes(sizes, record)
    told = f"other text and drawings of {PAGE}, powers and levels on its sheet: {PLAN} has them"
    yield Check("rest of the page", "not checked", told)
    told = (
        "what other years save, each window by itself, quantity, rate and reason of a bill's line,"
        " whether loads fit, outages, worth of more equipment, advice, seeds and versions"
    )
    if has_cards:
        told += f"; {BRIGHT}, {DARK} and {RULE}"
    yield Check("other figures", "not checked", f"{told}; days in reminders.ics")


def _cases(page: str, record: Words) -> Check:
    """Hold each figure of the table of cases against the record, to the digits shown."""
    name, rows = "table of the page", {unescape(label): cells for label, cells in ROW.findall(page)}
    for case in record["cases"]:
        cells = CELL.findall(rows.get(case["label"], ""))
        if not cells:
            where = f"{PAGE}: there is no row {case['label']!r}"
            return Check(name, "differs", "a case is missing", where=where)
        for column, cell in zip(COLUMNS, cells, strict=True):
            shown, decimals = _number(cell)
            if not abs(shown - case[column]) <= 0.5001 * 10.0**-decimals:
                where = f"{PAGE}, {column} of {case['label']!r}"
                told = "the page shows another figure than the record"
                return Check(name, "differs", told, None, shown, case[column], where)
    return Check(name, "agrees", f"{len(record['cases'])} cases of {PAGE}, to the digits shown")


def _number(cell: str) -> tuple[float, int]:
    """Return what a cell shows, and its digits after the point; NaN if it is no number."""
    text = unescape(cell).replace(",", "").replace("\u2212", "-").strip()
    try:
        return float(text), len(text.partition(".")[2])
    except ValueError:
        return float("nan"), 0


def _clocks(page: str, record: Words) -> Check:
    """Hold the clock times on the sheet against those of the windows; a menu may cut one at midnight."""
    name, shown = "times on the sheet", set(CLOCK.findall(page))
    asked = set(_times(record["settings"]))
    if not shown and asked:
        return Check(name, "not checked", "no times of a 24-hour clock stand there in a table")
    odd = sorted(shown - asked - CUTS) or sorted(asked - shown - CUTS)
    if odd:
        there, lacks = ("on the sheet", f"in no window of {PLAN}") if odd[0] in shown else (
            f"in a window of {PLAN}", "not on the sheet")  # fmt: skip
        where = f"{PAGE}: {odd[0]} is {there}, but {lacks}"
        return Check(name, "differs", "another time is to be typed in", where=where)
    return Check(name, "agrees", "the times to type in are those of the windows")


def _times(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        for key, value in node.items():
            if key in ("start", "end"):
                yield value
            yield from _times(value)
    elif isinstance(node, list):
        for each in node:
            yield from _times(each)


def _sizes(paths: list[Path], record: Words) -> Check:
    """Hold the settings of each size against the curve, and what is handed out against the settings."""
    name, told = "settings by size", f"{len(paths)} files as {PLAN} tells of them"
    by_entries = {size["entries"]: size for size in record["curve"]}
    for path in paths:
        size = by_entries.get(int(path.name.split("_")[0]))
        mine = read_document(path, Settings, SettingsError)[0].model_dump(
            mode="json", exclude_none=True
        )
        if size is None or size["settings"] != mine:
            where = f"{BY_SIZE}/{path.name}"
            return Check(name, "differs", f"other windows than in {PLAN}", where=where)
    for size in record["curve"]:
        if size["handed_out"] and size["settings"].get("seasons") != record["settings"].get(
            "seasons"
        ):
            where = f"{PLAN}, curve of {size['entries']} entries: handed out"
            return Check(name, "differs", "not the settings that are handed out", where=where)
    return Check(name, "agrees", told)
