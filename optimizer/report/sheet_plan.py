"""How the handover sheet is laid out on paper: by what it holds, before it is printed.

Type gets smaller, drawings are left out and the card goes into columns until all stands on one sheet;
what is still too long is spread over as many sheets as it needs, each with its own foot. Lengths are
reckoned on the long side, so that space is left over rather than wanting. Paper is as narrow as A4 and as
low as Letter, inside margins of 10 mm.

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

SIGN = 0.465
"""Mean width of a sign in parts of the size of type, for the typefaces of the widths of Times."""

LINE, ROW_PT, GAP, AFTER = 1.3, 2.2, 0.5, 0.1
"""Height of a line in parts of the size of type, what a row of a table adds, gaps before a heading and
behind a paragraph."""

PADDING, BREAKING = 2, 1.15
"""Signs between cells, and how much longer a text gets that is broken into lines."""

FIRST_EM, OTHERS_EM = 11.5, 7.6
"""Heights of headings and of the line to sign, on the first sheet and on each other."""

DRAWING_PT = 180.0
"""Width of a day's drawing on paper."""


@dataclass(frozen=True)
class Step:
    """A way to lay out a sheet: size of type, [pt] columns of the card, whether days are drawn."""

    size_pt: float
    columns: int
    is_drawn: bool


STEPS = (
    Step(11.0, 1, is_drawn=True),
    Step(10.2, 1, is_drawn=True),
    Step(9.5, 1, is_drawn=True),
    Step(8.5, 1, is_drawn=True),
    Step(8.5, 1, is_drawn=False),
    Step(7.5, 2, is_drawn=False),
    Step(7.5, 3, is_drawn=False),
    Step(6.8, 2, is_drawn=False),
    Step(6.8, 3, is_drawn=False),
)
"""From the roomiest to the smallest that is still read."""

SPREAD = Step(7.5, 2, is_drawn=False)
"""The step of what needs several sheets anyway."""


@dataclass(frozen=True)
class Frame:
    """What stands around the card: lines of text of the first sheet, its cautions, lines of the others.

    Cautions stand on lines of their own where the card is one column, else behind each other.
    """

    first: tuple[str, ...]
    cautions: tuple[str, ...]
    others: tuple[str, ...]

    def room_pt(self, step: Step, *, is_first: bool) -> float:
        """Return the height that is left for a card on a sheet, over all its columns."""
        told = self.cautions if step.columns == 1 else (" ".join(self.cautions),)
        texts = (*self.first, *told) if is_first else self.others
        left = SHEET_PT[1] - _text_pt(texts, step, SHEET_PT[0])
        left -= (FIRST_EM if is_first else OTHERS_EM) * step.size_pt
        balance = LINE * step.size_pt if step.columns > 1 else 0.0
        return max(step.columns * (left - balance), 0.0)


@dataclass(frozen=True)
class Sheets:
    """The step at which a card is laid out, and the part of it that stands on each sheet."""

    step: Step
    cards: tuple[Card, ...]


def plan_sheets(card: Card, frame: Frame) -> Sheets:
    """Return how a card is laid out, with what stands around it, on as few sheets as can be."""
    for step in STEPS:
        if _card_pt(card, step) <= frame.room_pt(step, is_first=True):
            return Sheets(step, (card,))
    return Sheets(SPREAD, tuple(_spread(card, frame, SPREAD)))


def width_of(text: str) -> int:
    """Return how many signs of a mean width a text is as wide as."""
    return ceil(sum(_sign_width(sign) for sign in text))


def _sign_width(sign: str) -> float:
    if sign in "WMmw@%—" or east_asian_width(sign) in "WF":
        return 2.0
    return 1.45 if sign.isupper() else 1.0


def _lines(text: str, width_pt: float, size_pt: float) -> int:
    return max(1, ceil(width_of(text) * SIGN * size_pt * 1.04 / width_pt))


def _text_pt(texts: Sequence[str], step: Step, width_pt: float) -> float:
    return sum(
        (_lines(text, width_pt, step.size_pt) * LINE + AFTER) * step.size_pt for text in texts
    )


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
            ahead += (_lines(one.title, 0.9 * width, size) * LINE + GAP) * size
            ahead += _text_pt(
                [f"once for all entries: {c.heading} {v} mm" for c, v in one.once], step, width
            )
            for p, part in enumerate(one.parts):
                beside = _is_beside(one, part, step, width)
                room = width - DRAWING_PT - size if beside else width
                rows = _rows_pt(one, part, step, room)
                ahead += _heads_pt(one, part, step, room)
                ahead += _drawing_pt(part, step, sum(rows) if beside else 0.0)
                for line, row in enumerate(rows):
                    yield (s, n, p, line), ahead + row
                    ahead = 0.0
        if ahead:
            yield (s, -1, -1, -1), ahead


def _set_pt(each: CardSet, step: Step, width: float) -> float:
    """Return the height of what stands above the lists of a set of months."""
    texts = [each.when, each.floor, each.instead]
    head = (1.2 * LINE + GAP) * step.size_pt if each.months else 0.0
    return head + _text_pt([f"{text} mm" for text in texts if text], step, width)


def _is_beside(one: CardList, part: CardDays, step: Step, width: float) -> bool:
    """Tell whether a drawing stands beside the table of its entries."""
    table = (4.9 * len(one.columns) + 2) * step.size_pt
    return step.is_drawn and bool(part.bars) and table + DRAWING_PT < width


def _drawing_pt(part: CardDays, step: Step, beside_pt: float) -> float:
    """Return by how much a drawing adds to the height of what it stands beside."""
    if not step.is_drawn or not part.bars:
        return 0.0
    return max(height_of(part) * DRAWING_PT / WIDTH + 4 - beside_pt, 0.0)


def _heads_pt(one: CardList, part: CardDays, step: Step, width: float) -> float:
    """Return the height of what stands above the lines of a part."""
    height = 0.4 * step.size_pt + (LINE * step.size_pt + 1 if part.days else 0)
    if part.has_entries:
        heads = [width_of(column.heading) + PADDING for column in one.columns]
        height += _row_pt(heads, _shares(one, part, step, width), step)
    return height


def _rows_pt(one: CardList, part: CardDays, step: Step, width: float) -> list[float]:
    """Return the height of each line."""
    shares = _shares(one, part, step, width)
    rows = []
    for _, entry in part.lines:
        cells = [width_of(str(cell)) + PADDING for cell in entry.cells]
        unused = _lines(entry.leave, width - 5 * step.size_pt, step.size_pt)
        rows.append(_row_pt(cells, shares, step) if cells else _tall(unused, step))
    return rows


def _row_pt(cells: Sequence[float], shares: Sequence[float], step: Step) -> float:
    """Return the height of a row whose cells break their words where they are wider than their column."""
    pairs = zip(cells, shares, strict=True)
    return _tall(max(1 if a <= b else ceil(BREAKING * a / b) for a, b in pairs), step)


def _tall(lines: int, step: Step) -> float:
    return lines * LINE * step.size_pt + ROW_PT


def _shares(one: CardList, part: CardDays, step: Step, width: float) -> list[float]:
    """Return how many signs wide each column is: what cannot be broken, and a share of what is left.

    That is how browsers lay out tables (CSS 2.2, 17.5.2.2, automatic layout).
    """
    whole = (width - 5 * step.size_pt) / (SIGN * step.size_pt)
    least, most = [], []
    for n, column in enumerate(one.columns):
        cells = [entry.cells[n] for _, entry in part.lines if entry.cells]
        words = [*column.heading.split(), *(c.value for c in cells)]
        words += [word for c in cells for word in f"{c.says} {c.note} {c.was}".split()]
        least.append(max(map(width_of, words)) + PADDING)
        texts = [column.heading, *map(str, cells)]
        most.append(max(least[-1], max(map(width_of, texts)) + PADDING))
    left, wanted = max(whole - sum(least), 0.0), sum(most) - sum(least)
    share = min(left / wanted, 1.0) if wanted else 1.0
    return [low + share * (high - low) for low, high in zip(least, most, strict=True)]


def _spread(card: Card, frame: Frame, step: Step) -> Iterator[Card]:
    """Yield the parts of a card that fill a sheet each; a head goes with the line below it."""
    held: list[Piece] = []
    room = frame.room_pt(step, is_first=True) - _around_pt(card, step)
    for piece, height in _pieces(card, step):
        heads = _again_pt(card, piece, step) if not held else 0.0
        if held and height > room:
            yield _part_of(card, held)
            room = frame.room_pt(step, is_first=False) - _around_pt(card, step)
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
    return _set_pt(each, step, width) + _heads_pt(one, one.parts[p], step, width) + 2 * step.size_pt


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
