"""The small drawing of a day on the card: its entries as bars over 24 hours, limits on a strip below.

Entries that name their days have strips of their own for each set of days, with its name above.

Actions differ by hatching and carry their numbers, so that paper without colour shows them too.

Read next: ``page``.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from optimizer.base.units import MINUTES_PER_DAY
from optimizer.base.words import later, say
from optimizer.base.writing import Writing
from optimizer.report.card import CardDays
from optimizer.report.card_fields import Bar

WIDTH, MARGIN, TALL, THIN, NAME, AXIS = 340, 20, 26, 20, 17, 22
"""Sizes of the drawing, its edge, a bar, a limit, the name of days and the axis. [px]"""

SIGN_PX = 7.5
"""About how wide a sign is."""

HATCH = {
    "charge": "M0 8 L8 0",
    "hold": "M2 3 h2 M6 7 h2",
    "cover": "M0 2 H8 M0 6 H8",
    "sell": "M0 8 L8 0 M0 0 L8 8",
    "limit": "",
}
"""Lines on a tile of 8 by 8 for each action; a limit is a plain frame."""


def draw_day(part: CardDays, name: str, writing: Writing) -> str:
    """Return the day as SVG text with a spoken title; empty if no entry is in use.

    ``name`` is a word of its own on the page, for what the drawing refers to inside itself.
    """
    if not part.bars:
        return ""
    drawn, height = [], 2
    for days, lanes in _lanes(part):
        if days:
            height += NAME
            drawn.append(f'<text x="{MARGIN}" y="{height - 4}">{escape(days)}</text>')
        for size, lane in lanes:
            drawn += [_bar(bar, height, size, name) for bar in lane]
            height += size + 4
    title = escape(_spoken(part, writing))
    used = dict.fromkeys(bar.action for bar in part.bars)
    tiles = "".join(
        f'<pattern id="{name}-{action}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<path d="{HATCH[action]}" stroke="#5c686b" fill="none"/></pattern>'
        for action in used
        if HATCH[action]
    )
    return (
        f'<svg class="day" role="img" viewBox="0 0 {WIDTH} {height_of(part)}"'
        ' xmlns="http://www.w3.org/2000/svg" font-family="sans-serif" font-size="13">'
        f"<title>{title}</title><defs>{tiles}</defs>{''.join(drawn)}"
        f"{''.join(_axis(height, writing))}</svg>"
    )


def height_of(part: CardDays) -> int:
    """Return how tall the drawing is, where it is ``WIDTH`` wide; 0 if no entry is in use. [px]"""
    if not part.bars:
        return 0
    return AXIS + sum(
        (NAME if days else 0) + sum(size + 4 for size, _ in lanes) for days, lanes in _lanes(part)
    )


def _lanes(part: CardDays) -> Iterator[tuple[str, list[tuple[int, list[Bar]]]]]:
    """Yield days with their strips: the height of each, [px] and its bars."""
    for days in dict.fromkeys(bar.days for bar in part.bars):
        of_days = [bar for bar in part.bars if bar.days == days]
        lanes = [
            (size, [bar for bar in of_days if (bar.action == "limit") == is_limit])
            for is_limit, size in ((False, TALL), (True, THIN))
        ]
        yield days, [(size, lane) for size, lane in lanes if lane]


ENTRY = later("entry {number} {days}{begin} to {end} {label}")
LIMIT = later("entry {number} {days}{begin} to {end} import {label}")


def _spoken(part: CardDays, writing: Writing) -> str:
    told = [
        say(
            LIMIT if bar.action == "limit" else ENTRY,
            number=bar.number,
            days=bar.days + " " * bool(bar.days),
            begin=writing.time(bar.begin),
            end=writing.time(bar.end),
            label=bar.label,
        )
        for bar in part.bars
    ]
    days = part.days or say("the day")
    return f"{days}: {'; '.join(told)}"


def _x(minute: int) -> float:
    return MARGIN + (WIDTH - 2 * MARGIN) * minute / MINUTES_PER_DAY


def _bar(bar: Bar, top: int, size: int, name: str) -> str:
    left, right = _x(bar.begin), _x(bar.end)
    fill = f"url(#{name}-{bar.action})" if HATCH[bar.action] else "none"
    whole = f"{bar.number} {bar.label}"
    label = whole if len(whole) * SIGN_PX <= right - left else f"{bar.number}"
    return (
        f'<rect x="{left:.1f}" y="{top}" width="{right - left:.1f}" height="{size}" fill="{fill}"'
        ' stroke="#1d2426"/>'
        f'<text x="{(left + right) / 2:.1f}" y="{top + size / 2 + 4.5:g}" text-anchor="middle"'
        f' stroke="#fff" stroke-width="4" paint-order="stroke">{escape(label)}</text>'
    )


def _axis(top: int, writing: Writing) -> Iterator[str]:
    """Yield the line of the day with its hours."""
    yield f'<path d="M{MARGIN} {top} H{WIDTH - MARGIN}" stroke="#1d2426"/>'
    for hour in range(0, 25, 6):
        x = _x(60 * hour)
        yield f'<path d="M{x:.1f} {top} v4" stroke="#1d2426"/>'
        yield f'<text x="{x:.1f}" y="{top + 16}" text-anchor="middle">{_hour(hour, writing)}</text>'


def _hour(hour: int, writing: Writing) -> str:
    """Return an hour in few signs: ``18``, or ``6 pm``."""
    return f"{hour}" if writing.clock == 24 else writing.time(60 * hour).replace(":00", "")
