"""How the handover sheet is laid out on paper: by what it holds, before it is printed.

Type gets smaller, drawings are left out and the card goes into two columns until all stands on one sheet;
what is still too long is spread over as many sheets as it needs, each with its own foot. Lengths are
reckoned with the widest letters that the page's typefaces have in the mean, so that space is left over
rather than wanting. Paper is as narrow as A4 and as low as Letter, inside margins of 10 mm.

Read next: ``handover``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil
from unicodedata import east_asian_width

from optimizer.report.card import Card, CardDays, CardList, CardSet
from optimizer.report.day_drawing import WIDTH, height_of

PT_PER_MM = 72 / 25.4
SHEET_PT = (190 * PT_PER_MM - 26, 259.4 * PT_PER_MM - 24)
"""Width and height inside the frame of a sheet."""

SIGN = 0.54
"""Mean width of a sign in parts of the size of type: Georgia's; other typefaces are narrower."""

LINE, ROW_PT, GAP = 1.3, 2.6, 0.5
"""Height of a line in parts of the size of type, what a row of a table adds, a gap before a heading."""

DRAWING_PT = 180.0
"""Width of a day's drawing on paper."""


@dataclass(frozen=True)
class Step:
    """A way to lay out a sheet: size of type, [pt] columns of the card, whether days are drawn."""

    name: str
    size_pt: float
    columns: int
    is_drawn: bool


STEPS = (
    Step("roomy", 9.5, 1, is_drawn=True),
    Step("even", 8.5, 1, is_drawn=True),
    Step("close", 8.5, 1, is_drawn=False),
    Step("small", 7.5, 2, is_drawn=False),
)
"""From the roomiest to the smallest that is still read well in poor light."""


@dataclass(frozen=True)
class Frame:
    """What stands around the card: lines of text of the first sheet, and of the others."""

    first: tuple[str, ...]
    others: tuple[str, ...]


@dataclass(frozen=True)
class Sheets:
    """The step at which a card is laid out, and the part of it that stands on each sheet."""

    step: Step
    cards: tuple[Card, ...]


def plan_sheets(card: Card, frame: Frame) -> Sheets:
    """Return how a card is laid out, with what stands around it, on as few sheets as can be."""
    for step in STEPS:
        if _card_pt(card, step) <= _room_pt(frame.first, step):
            return Sheets(step, (card,))
    return Sheets(STEPS[-1], tuple(_spread(card, frame, STEPS[-1])))


def width_of(text: str) -> int:
    """Return how many signs wide a text is; those of East Asia count as two."""
    return sum(2 if east_asian_width(sign) in "WF" else 1 for sign in text)


def _lines(text: str, width_pt: float, size_pt: float) -> int:
    return max(1, ceil(width_of(text) * SIGN * size_pt * 1.04 / width_pt))


def _text_pt(texts: Sequence[str], step: Step, width_pt: float) -> float:
    return sum((_lines(text, width_pt, step.size_pt) * LINE + 0.3) * step.size_pt for text in texts)


def _room_pt(around: Sequence[str], step: Step) -> float:
    """Return the height that is left for a card, over all its columns."""
    left = SHEET_PT[1] - _text_pt(around, step, SHEET_PT[0])
    balance = 4 * LINE * step.size_pt if step.columns > 1 else 0.0
    return max(step.columns * (left - balance), 0.0)


def _column_pt(step: Step) -> float:
    return (SHEET_PT[0] - 14 * (step.columns - 1)) / step.columns


def _card_pt(card: Card, step: Step) -> float:
    return sum(height for _, height in _pieces(card, step)) + _around_pt(card, step)


def _around_pt(card: Card, step: Step) -> float:
    """Return the height of what holds for all of a card: its floor, and what its words mean."""
    words = " ".join([*card.told, *card.words])
    texts = [*([card.floor] if card.floor else []), *([words] if words else [])]
    return step.columns * _text_pt(texts, step, SHEET_PT[0])


Piece = tuple[int, int, int, int]
"""Where a line of a card stands: its set, list, part and line; -1 where there is none."""


def _pieces(card: Card, step: Step) -> Iterator[tuple[Piece, float]]:
    """Yield each line of a card with the height that it needs, heads with the line below them."""
    size, width = step.size_pt, _column_pt(step)
    for s, each in enumerate(card.sets):
        ahead = _set_pt(each, step, width)
        for n, one in enumerate(each.lists):
            ahead += (LINE + GAP) * size
            ahead += _text_pt(
                [f"once for all entries: {c.heading} {v} mm" for c, v in one.once], step, width
            )
            for p, part in enumerate(one.parts):
                ahead += _part_pt(one, part, step, width)
                for line, row in enumerate(_rows_pt(one, part, step, width)):
                    yield (s, n, p, line), ahead + row
                    ahead = 0.0
        if ahead:
            yield (s, -1, -1, -1), ahead


def _set_pt(each: CardSet, step: Step, width: float) -> float:
    """Return the height of what stands above the lists of a set of months."""
    texts = [each.when, each.floor, each.instead]
    head = (1.2 * LINE + GAP) * step.size_pt if each.months else 0.0
    return head + _text_pt([f"{text} mm" for text in texts if text], step, width)


def _part_pt(one: CardList, part: CardDays, step: Step, width: float) -> float:
    """Return the height of a part's heads, and of its drawing as far as it stands below or beside."""
    height = 0.4 * step.size_pt + (LINE * step.size_pt + 1 if part.days else 0)
    if part.has_entries:
        share = (width - 4 * step.size_pt) / len(one.columns)
        lines = max(_lines(f"{c.heading} m", share, step.size_pt) for c in one.columns)
        height += lines * LINE * step.size_pt + ROW_PT
    return height + (height_of(part) * DRAWING_PT / WIDTH + 4 if step.is_drawn else 0.0)


def _rows_pt(one: CardList, part: CardDays, step: Step, width: float) -> list[float]:
    """Return the height of each line: cells share the width by what they hold, and break their words."""
    room, line = width - 5 * step.size_pt, LINE * step.size_pt
    whole = room / (SIGN * step.size_pt)
    cells = [[width_of(str(cell)) + 2 for cell in entry.cells] for _, entry in part.lines]
    heads = [max(map(len, column.heading.split())) + 2 for column in one.columns]
    needs = [max(column) for column in zip(heads, *filter(None, cells), strict=True)]
    is_wide = sum(needs) > whole
    shares = [need * whole / sum(needs) for need in needs]
    rows = []
    for (_, entry), own in zip(part.lines, cells, strict=True):
        count = 1 if own else _lines(entry.leave, room, step.size_pt)
        if own and is_wide:
            count = max(ceil(1.25 * cell / share) for cell, share in zip(own, shares, strict=True))
        rows.append(count * line + ROW_PT)
    return rows


def _spread(card: Card, frame: Frame, step: Step) -> Iterator[Card]:
    """Yield the parts of a card that fill a sheet each; a head goes with the line below it."""
    held: list[Piece] = []
    room = _room_pt(frame.first, step) - _around_pt(card, step)
    for piece, height in _pieces(card, step):
        heads = _again_pt(card, piece, step) if not held else 0.0
        if held and height > room:
            yield _part_of(card, held)
            room = _room_pt(frame.others, step) - _around_pt(card, step)
            held, heads = [], _again_pt(card, piece, step)
        held.append(piece)
        room -= height + heads
    if held:
        yield _part_of(card, held)


def _again_pt(card: Card, piece: Piece, step: Step) -> float:
    """Return the height of heads that are said once more where a sheet begins inside a set or a list."""
    s, n, p, line = piece
    if line <= 0 and p <= 0 and n <= 0:
        return 0.0
    each, width = card.sets[s], _column_pt(step)
    one = each.lists[n]
    return _set_pt(each, step, width) + _part_pt(one, one.parts[p], step, width) + 2 * step.size_pt


def _part_of(card: Card, held: Sequence[Piece]) -> Card:
    """Return a card with some of its lines alone."""
    sets = []
    for s, each in enumerate(card.sets):
        if all(piece[0] != s for piece in held):
            continue
        lists = []
        for n, one in enumerate(each.lists):
            parts = tuple(
                _lines_of(part, [line for a, b, c, line in held if (a, b, c) == (s, n, p)])
                for p, part in enumerate(one.parts)
                if any(piece[:3] == (s, n, p) for piece in held)
            )
            if parts:
                lists.append(replace(one, parts=parts))
        sets.append(replace(each, lists=tuple(lists)))
    return replace(card, sets=tuple(sets))


def _lines_of(part: CardDays, lines: Sequence[int]) -> CardDays:
    """Return a part with some of its lines; its drawing stands with the first of them."""
    runs: list[int] = []
    for number, (_, entry) in enumerate(part.lines):
        first = entry.number
        after = part.lines[number + 1][1].number if number + 1 < len(part.lines) else None
        last = part.entries[-1].number + 1 if after is None else after
        if number in lines:
            runs += range(first, last)
    kept = tuple(entry for entry in part.entries if entry.number in runs)
    return replace(part, entries=kept, bars=part.bars if 0 in lines else ())
