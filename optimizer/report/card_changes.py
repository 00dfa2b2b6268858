"""The card of a renewal: beside each value that changes stands what is typed in today.

Two cards are held against each other list by list. An entry stands at the number at which it is typed in
today, or at that where most of its fields stay; entries that have no end follow on each other, and keep
their order. Read next: ``handover``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import zip_longest

from optimizer.base.words import later, say
from optimizer.report.card import Card, CardDays, CardEntry, CardList, CardSet, card_for
from optimizer.report.card_fields import Cell
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result

TYPED_ALREADY = later("Already typed in: nothing is to be done here.")
NONE = CardSet("", "", "", ())


def card_of_result(result: Result) -> Card:
    """Return the card of a result; that of a renewal says what changes."""
    card = card_for(result.scenario, result.settings)
    if not isinstance(result, RenewResult):
        return card
    return changed(card, card_for(result.scenario, result.renewal.before))


def changed(card: Card, before: Card) -> Card:
    """Return a card that says of each entry and floor whether it is typed in already."""
    sets = tuple(_set(each, _like(each, before), before.floor) for each in card.sets)
    was = before.floor if before.floor and before.floor != card.floor else ""
    return replace(card, sets=sets, floor_was=was if card.floor else "", is_of_changes=True)


def is_typed(card: Card) -> bool:
    """Tell whether all of a card is typed in already."""
    return card.is_of_changes and not card.floor_was and all(each.is_typed for each in card.sets)


def _like(each: CardSet, before: Card) -> CardSet:
    """Return the set of months before that begins like this one, or is the only one."""
    same = [other for other in before.sets if other.months == each.months]
    return next(iter(same), before.sets[0] if len(before.sets) == 1 else NONE)


def _set(each: CardSet, before: CardSet, whole_floor: str) -> CardSet:
    lists = tuple(
        _list(one, next((old for old in before.lists if old.name == one.name), None))
        for one in each.lists
    )
    floor = before.floor or whole_floor
    was = floor if each.floor and floor != each.floor else ""
    told = [entry.change for one in lists for part in one.parts for entry in part.entries]
    once = [cell for one in lists for _, cell in one.once if cell.was]
    same = (each.months, each.instead) == (before.months, before.instead)
    typed = same and not was and not once and {*told} <= {"same"}
    return replace(
        each,
        lists=lists,
        floor_was=was,
        is_typed=typed,
        when=say(TYPED_ALREADY) if typed else each.when,
    )


def _list(each: CardList, before: CardList | None) -> CardList:
    old_once = {column.field: cell for column, cell in before.once} if before else {}
    once = tuple((c, _beside(cell, old_once.get(c.field, Cell("")))) for c, cell in each.once)
    old_parts = {part.days: part for part in before.parts} if before else {}
    in_order = all(column.field != "end" for column in each.columns)
    parts = tuple(_part(part, old_parts.get(part.days), in_order=in_order) for part in each.parts)
    return replace(each, once=once, parts=parts)


def _part(part: CardDays, before: CardDays | None, *, in_order: bool) -> CardDays:
    """Return the entries at the numbers under which they are typed in, each beside what stands there."""
    if before is None:
        return replace(part, entries=tuple(replace(entry, change="add") for entry in part.entries))
    old = {entry.number: entry for entry in before.entries}
    used = [entry for entry in part.entries if entry.cells]
    place_of = {e.number: e.number for e in used} if in_order else _places(used, old)
    by_place = {place_of[entry.number]: entry for entry in used}
    unused = iter([entry for entry in part.entries if not entry.cells])
    entries = [
        _entry(replace(by_place.get(place) or next(unused), number=place), old.get(place))
        for place in sorted(entry.number for entry in part.entries)
    ]
    bars = tuple(replace(bar, number=place_of[bar.number]) for bar in part.bars)
    return replace(part, entries=tuple(entries), bars=bars)


def _places(used: Sequence[CardEntry], old: dict[int, CardEntry]) -> dict[int, int]:
    """Return for numbers of entries those under which they are least to type: where most fields stay."""
    likeness = sorted(
        (-_shared(entry, other), entry.number, place)
        for entry in used
        for place, other in old.items()
    )
    found: dict[int, int] = {}
    for _, number, place in likeness:
        if number not in found and place not in found.values():
            found[number] = place
    return found


def _shared(entry: CardEntry, old: CardEntry) -> float:
    """Return how many fields two entries share; a place without use comes before one that shares nothing."""
    shared = sum(a == b for a, b in zip(entry.cells, old.cells, strict=False))
    return shared or (0 if old.cells else 0.5)


def _entry(entry: CardEntry, old: CardEntry | None) -> CardEntry:
    if old is None or (not old.cells and entry.cells):
        return replace(entry, change="add")
    if entry.cells == old.cells:
        return replace(entry, change="same")
    if not entry.cells:
        return replace(entry, change="remove", was=", ".join(map(str, old.cells)))
    pairs = zip_longest(entry.cells, old.cells, fillvalue=Cell(""))
    return replace(entry, cells=tuple(_beside(*pair) for pair in pairs), change="change")


def _beside(cell: Cell, old: Cell) -> Cell:
    """Return a cell with what stood there before, if that is another."""
    return replace(cell, was=str(old)) if str(old) != str(cell) and old.value else cell
