"""The card as plain text: for the terminal and for the comments of a settings file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from optimizer.report.card import BLANK, Card, CardDays, CardList, CardSet
from optimizer.report.card_fields import Column
from optimizer.report.wrapping import WIDEST as WIDEST_LINE
from optimizer.report.wrapping import cells as cells_of
from optimizer.report.wrapping import padded, wrapped

TICK = "☐"
"""Stands before each entry, to be ticked once it is typed in."""

TICKED = "☑"
"""Stands before an entry that is typed in already."""

NARROWEST = 8
"""Headings are broken into lines of at least so many signs."""


WIDEST = 22
"""Cells are broken into lines of at most so many signs where the table is too wide."""

GAP = "  "


def card_text(card: Card, width: int = WIDEST_LINE) -> str:
    """Return the card on lines of at most ``width`` cells."""
    return "\n".join(_lines(card, width))


def _lines(card: Card, width: int) -> Iterator[str]:
    if card.floor:
        yield _floor(card.floor, card.floor_was, is_typed=card.is_of_changes)
    for each in card.sets:
        yield from _set(each, width, is_of_changes=card.is_of_changes)
    notes = [*card.told, *(f"{words}." for words in card.words)]
    if notes:
        yield ""
    for note in notes:
        yield from _wrapped(note, width)


def _floor(floor: str, was: str, *, is_typed: bool) -> str:
    told = f" (was {was})" if was else ""
    return f"{TICKED if is_typed and not was else TICK} floor: {floor}{told}"


def _set(each: CardSet, width: int, *, is_of_changes: bool) -> Iterator[str]:
    if each.months:
        yield ""
        yield each.months.upper()
    if each.when:
        yield from _wrapped(each.when, width)
    if each.floor:
        yield _floor(each.floor, each.floor_was, is_typed=is_of_changes)
    if each.instead:
        yield from _wrapped(each.instead, width, f"{TICKED if each.is_typed else TICK} ")
    for one in each.lists:
        yield from _list(one, width, is_of_changes=is_of_changes)


def _list(each: CardList, width: int, *, is_of_changes: bool) -> Iterator[str]:
    yield ""
    yield each.title
    for column, cell in each.once:
        value = str(cell) if cell.value else f"{BLANK} ({column.takes})"
        box = TICKED if is_of_changes and not cell.was else TICK
        yield from _wrapped(f"once for all entries: {column.heading} {value}", width, f"  {box} ")
    for part in each.parts:
        if part.days:
            yield f"  {part.days}"
        yield from _part(each, part, width)
    if any(not cell.value for part in each.parts for e in part.entries for cell in e.cells):
        for takes in dict.fromkeys(column.takes for column in each.columns):
            named = ", ".join(c.heading for c in each.columns if c.takes == takes)
            yield from _wrapped(f"{named}: {takes}", width, "    ")


def _part(each: CardList, part: CardDays, width: int) -> Iterator[str]:
    rows = [[str(cell) or BLANK for cell in entry.cells] for _, entry in part.lines]
    digits = max(len(number) for number, _ in part.lines)
    before = [
        f"  {TICKED if entry.change == 'same' else TICK} {number:>{digits}}  "
        for number, entry in part.lines
    ]
    widths = _widths(each.columns, rows, width - len(before[0]))
    if any(rows) and widths:
        empty = " " * len(before[0])
        yield from _row([column.heading for column in each.columns], widths, empty, at_foot=True)
    for start, (_, entry), row in zip(before, part.lines, rows, strict=True):
        if row and widths:
            yield from _row(row, widths, start)
        else:
            named = [f"{c.heading} {v}" for c, v in zip(each.columns, row, strict=False)]
            yield from _wrapped(", ".join(named) or entry.leave, width, start)


def _widths(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], room: int
) -> list[int] | None:
    """Return how wide columns are, cells broken into lines if need be; None if there is no room."""
    for widest, lines in ((room, 2), (room, 9), (WIDEST, 9)):
        widths = [
            max(
                NARROWEST,
                _narrowest(column.heading, lines),
                min(max((cells_of(row[n]) for row in rows if row), default=0), widest),
            )
            for n, column in enumerate(columns)
        ]
        if sum(widths) + len(GAP) * (len(widths) - 1) <= room:
            return widths
    return None


def _narrowest(heading: str, lines: int) -> int:
    """Return the least width at which a heading needs no more than so many lines."""
    least = max(map(cells_of, heading.split()))
    widths = range(least, cells_of(heading) + 1)
    return next(w for w in widths if len(wrapped(heading, w)) <= lines)


def _row(
    cells: Sequence[str], widths: Sequence[int], start: str, *, at_foot: bool = False
) -> Iterator[str]:
    """Yield the lines of a row; ``start`` stands before the first of them."""
    broken = [wrapped(c, w) or [""] for c, w in zip(cells, widths, strict=True)]
    tall = max(map(len, broken))
    full = [
        [""] * (tall - len(cell)) + cell if at_foot else cell + [""] * (tall - len(cell))
        for cell in broken
    ]
    for place, line in enumerate(zip(*full, strict=True)):
        told = GAP.join(padded(cell, w) for cell, w in zip(line, widths, strict=True))
        yield f"{start if place == 0 else ' ' * len(start)}{told}".rstrip()


def _wrapped(text: str, width: int, before: str = "") -> list[str]:
    return wrapped(text, max(width, len(before) + NARROWEST), before, " " * len(before))
