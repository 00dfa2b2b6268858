"""The card: what a person types in, entry by entry, in the shape of the equipment's menu.

Each list of the menu stands with its fields in the menu's order, and each field of each entry holds a
value to type: nothing is left to be reckoned or looked up. A menu without settings is an empty card, to
be held beside the screen.

Read next: ``card_text``.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from typing import Literal

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.units import MINUTES_PER_DAY, clock
from optimizer.base.words import later, say
from optimizer.base.writing import PLAIN, Writing
from optimizer.report.card_fields import FULL, NO_CAP, NO_MATTER, Bar, Cell, Column, Fields
from optimizer.report.wrapping import on_one_line
from optimizer.scenario.scenario import Scenario
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS, Menu, MenuList
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, months_text
from optimizer.site.equipment import Plant

BLANK = "......"
"""Stands where something is to be written on an empty card."""

LEAVE_EMPTY = later("leave empty")
"""What an entry without use holds where the menu does not say."""

WORDS = {
    "charge": later("charge: fills the battery, from PV first, then from the grid"),
    "hold": later("hold: what is stored is kept; PV left over may still be stored"),
    "cover": later("cover: the building runs from the battery; PV left over {goes}"),
    "sell": later("sell: the battery gives to building and grid"),
    "limit": later("limit: the import stays below a limit, all else goes on"),
}
"""What each action does; ``PV_GOES`` is filled in."""

OUTSIDE_WORDS = {
    "cover": later("covers the building from the battery, down to the floor; PV left over {goes}"),
    "hold": later("keeps what is stored; PV left over may still be stored"),
    "idle": later("neither fills the battery nor draws from it"),
}
"""What the equipment does outside all entries; ``PV_GOES`` is filled in."""

PV_GOES = {
    "battery": later("is stored"),
    "export": later("is exported first, and stored where it cannot be"),
}
"""Where PV goes beyond the building, by what the equipment does first with it."""

LIMIT_ALONE = later(
    "limit: the import stays below a limit; apart from that the equipment does what it does outside"
    " all entries"
)
"""What a limit does where it holds in place of another entry."""


Change = Literal["", "same", "change", "add", "remove"]


@dataclass(frozen=True)
class CardEntry:
    """An entry by its number; ``unused`` says what it holds if it has no use, and it has no cells then.

    ``change`` tells what is done to it where settings in use are changed, ``was`` what it holds until it
    is emptied; both are empty on any other card.
    """

    number: int
    cells: tuple[Cell, ...] = ()
    unused: str = ""
    change: Change = ""
    was: str = ""

    @property
    def leave(self) -> str:
        """What an entry without use is told in words."""
        if not self.was:
            return self.unused
        return say("{now} (was {before})", now=self.unused, before=self.was)


@dataclass(frozen=True)
class CardDays:
    """The entries of a list for the days that are typed in together."""

    days: str
    entries: tuple[CardEntry, ...]
    bars: tuple[Bar, ...]

    @property
    def has_entries(self) -> bool:
        """Whether any entry is in use."""
        return any(entry.cells for entry in self.entries)

    @cached_property
    def lines(self) -> list[tuple[str, CardEntry]]:
        """The entries with their numbers; those without use in a row are one: ``4–60``."""
        found = []
        for (_, unused, _), run in groupby(
            self.entries, lambda e: (e.number if e.cells else 0, e.leave, e.change)
        ):
            first, *others = run
            last = f"–{others[-1].number}" if unused and others else ""
            found.append((f"{first.number}{last}", first))
        return found


@dataclass(frozen=True)
class CardList:
    """A list of the menu: what its entries do, what stands once, and its entries by days."""

    name: str
    actions: tuple[str, ...]
    once: tuple[tuple[Column, Cell], ...]
    columns: tuple[Column, ...]
    parts: tuple[CardDays, ...]

    @property
    def title(self) -> str:
        """Its name, with what its entries do where they all do the same."""
        (first, *more) = self.actions
        return self.name if more or first == self.name else f"{self.name} ({say(first)})"


@dataclass(frozen=True)
class CardSet:
    """What is typed in for some months; ``when`` says when, ``instead`` what to do if it is nothing.

    ``begins`` are the months with whose first day they begin; empty if they are the whole year.
    ``floor_was`` is the floor before, where it is changed; ``is_typed`` tells that all is typed in already.
    """

    months: str
    when: str
    floor: str
    lists: tuple[CardList, ...]
    instead: str = ""
    begins: tuple[int, ...] = ()
    floor_was: str = ""
    is_typed: bool = False


@dataclass(frozen=True)
class Card:
    """All that is typed in.

    ``floor`` is empty where each set of months has its own, ``floor_was`` where it is not changed;
    ``told`` says once what holds for all entries, ``words`` what the words and signs of the card mean.
    ``is_of_changes`` tells that it says of each entry what is done to it.
    """

    floor: str
    sets: tuple[CardSet, ...]
    told: tuple[str, ...]
    words: tuple[str, ...]
    floor_was: str = ""
    is_of_changes: bool = False


def card_of(
    controls: Controls, plant: Plant, settings: Settings | None, writing: Writing = PLAIN
) -> Card:
    """Return what a person types in, in the shape of the menu.

    Parameters
    ----------
    controls, plant
        What the equipment's menu holds, and the equipment.
    settings : Settings or None
        Settings that the controls accept; None for an empty card of the menu.
    writing : Writing
        How times and numbers are written.
    """
    menu = controls.menu
    if settings is None:
        lists = tuple(
            _empty_list(each, Fields(each, controls, plant, writing)) for each in menu.lists
        )
        own = controls.floor_by_season
        sets: tuple[CardSet, ...] = (CardSet("", "", BLANK if own else "", lists),)
        return Card(
            "" if own else BLANK,
            sets,
            tuple(_told(controls, plant, writing)),
            _action_words(menu, plant, menu.actions),
        )
    stored = settings.as_stored(controls)
    sets = tuple(_sets(_Typist(controls, menu, plant, writing, stored)))
    shown = next((each.lists for each in sets if each.lists), ())
    by_season = any(each.floor for each in sets)
    return Card(
        "" if by_season else f"{writing.number(stored.floor_pct)} %",
        sets,
        tuple(_told(controls, plant, writing)) if shown else (),
        (*_action_words(menu, plant, _actions(sets)), *_sign_words(sets)),
    )


def card_for(scenario: Scenario, settings: Settings | None) -> Card:
    """Return the card of a site, written as its scenario says; an empty one without settings."""
    file = scenario.file
    return card_of(scenario.controls, scenario.plant, settings, file.writing)


def _told(controls: Controls, plant: Plant, writing: Writing) -> Iterator[str]:
    """Yield what holds for all entries together."""
    menu = controls.menu
    if not all(each.fills_day for each in menu.lists):
        does = _with_pv(OUTSIDE_WORDS[menu.outside], plant)
        yield say("Outside all entries the equipment {does}.", does=does)
    beside = [on_one_line(each.name) for each in menu.lists if each.only_limits and each.beside]
    ranked = [name for name in map(on_one_line, menu.precedence) if name not in beside]
    if len(ranked) > 1:
        yield say(
            "Where entries of two lists overlap, the first of these holds alone: {lists}.",
            lists=", ".join(ranked),
        )
    if beside and len(menu.lists) > len(beside):
        yield say(
            "Entries of {lists} hold beside those of other lists, at the same time.",
            lists=say(" and ").join(beside),
        )
    if any("end" not in each.fields for each in menu.lists):
        yield say("An entry lasts until the next one begins, the last one until the first.")
    if not controls.summer_time:
        begin, summer = (writing.time(60 * hour) for hour in (16, 17))
        yield say(
            "Its clock stays on winter time: an entry of {begin} begins at {summer} in summer, by the"
            " clock on the wall.",
            begin=begin,
            summer=summer,
        )


def _actions(sets: Sequence[CardSet]) -> set[str]:
    """Return the actions that stand on a card, in a list's title or in an entry."""
    lists = [each for one in sets for each in one.lists]
    alone = {each.actions[0] for each in lists if len(each.actions) == 1}
    mixed = [each for each in lists if len(each.actions) > 1]
    done = {bar.action for each in mixed for part in each.parts for bar in part.bars}
    return alone | done - {"limit"} | {a for each in mixed for a in each.actions if a == "limit"}


def _with_pv(words: str, plant: Plant) -> str:
    return say(words, goes=say(PV_GOES[plant.behaviour.surplus_first]))


def _action_words(menu: Menu, plant: Plant, actions: Container[str]) -> tuple[str, ...]:
    alone = any(each.only_limits and not each.beside for each in menu.lists)
    words = WORDS | ({"limit": LIMIT_ALONE} if alone else {})
    return tuple(_with_pv(told, plant) for action, told in words.items() if action in actions)


def _sign_words(sets: Sequence[CardSet]) -> tuple[str, ...]:
    """Return what signs in the cells mean, of those that stand there."""
    lists = [each for one in sets for each in one.lists]
    cells = [
        *(cell for each in lists for part in each.parts for e in part.entries for cell in e.cells),
        *(cell for each in lists for _, cell in each.once),
    ]
    values = {cell.value for cell in cells}
    found = []
    if say(NO_MATTER) in values:
        found.append(say("any: what stands there does not matter"))
    if say(NO_CAP) in values:
        found.append(say("none: leave this limit off"))
    if any(say(FULL) in cell.note for cell in cells):
        found.append(say("full: as much as the equipment can, or as the field takes"))
    return tuple(found)


@dataclass(frozen=True)
class _Typist:
    """What is known while settings are written down for a menu."""

    controls: Controls
    menu: Menu
    plant: Plant
    writing: Writing
    settings: Settings


def _sets(at: _Typist) -> Iterator[CardSet]:
    """Yield what is typed in for each set of months, and what is done in months without any."""
    settings = at.settings
    for season in settings.seasons:
        months = sorted(settings.found_for or season.months)
        own = at.controls.floor_by_season or season.floor_pct is not None
        yield _set(season, months, at, own_floor=own)
    rest = [m for m in range(1, 13) if all(m not in s.months for s in settings.seasons)]
    if rest:
        own = any(season.floor_pct is not None for season in settings.seasons)
        nothing = SeasonSet(months=rest, day_sets=[DaySet(days="every day")])
        yield _set(nothing, rest, at, own_floor=own)


def _set(season: SeasonSet, months: list[int], at: _Typist, *, own_floor: bool) -> CardSet:
    """Return what is typed in for a season; a day that must be filled is so without windows as well."""
    floor_pct = max(at.settings.floor_pct, season.floor_pct or 0.0)
    held = any(part.windows for part in season.day_sets) or (
        at.menu.outside == "cover" and any(each.fills_day for each in at.menu.lists)
    )
    return CardSet(
        months_text(months),
        _when(at.controls, months, held=held),
        f"{at.writing.number(floor_pct)} %" if own_floor else "",
        tuple(_list(each, season, floor_pct, at) for each in at.menu.lists) if held else (),
        "" if held else _nothing_typed(at.menu, at.plant),
        first_months(months),
    )


def _nothing_typed(menu: Menu, plant: Plant) -> str:
    """Return what is done in months in which no entry stands."""
    if menu.outside == "cover":
        does = _with_pv(OUTSIDE_WORDS["cover"], plant)
        return say("No entries: leave all of them unused. The equipment then {does}.", does=does)
    return say("Switch the equipment's time control off: it then covers the building as it comes.")


def first_months(months: Sequence[int]) -> tuple[int, ...]:
    """Return the months with whose first day a run of months begins; none if they are the whole year."""
    return tuple(month for month in months if (month - 2) % 12 + 1 not in months)


def _when(controls: Controls, months: list[int], *, held: bool) -> str:
    days = say(" and ").join(
        say("1 {month}", month=say(MONTH_NAMES[month - 1])) for month in first_months(months)
    )
    if not days:
        return say("Type it in now; it holds until something else is typed in.") if held else ""
    if not held:
        return say("From {days}:", days=days)
    told = {"months": months_text(months), "days": days}
    if controls.has_calendar:
        return say("Type in with the months {months}: at work from {days}.", **told)
    return say("Type in on {days}, for {months}.", **told)


def _list(each: MenuList, season: SeasonSet, floor_pct: float, at: _Typist) -> CardList:
    """Return a list as it is typed in for a season."""
    fields = Fields(each, at.controls, at.plant, at.writing, floor_pct)
    of_day = [
        _typed(each, _windows_on(season, days), at.menu) for days in at.menu.day_sets.values()
    ]
    every = [window for windows in of_day for window in windows]
    parts = []
    for name, group in zip(_day_names(each), at.menu.groups(each), strict=True):
        held: dict[Window, list[str]] = {}
        for number in group if "days" in each.fields else group[:1]:
            for window in of_day[number]:
                held.setdefault(window, []).append(list(at.menu.day_sets)[number])
        by_begin = sorted(held.items(), key=lambda item: item[0].begin)
        entries = [
            CardEntry(place, fields.cells(window, days))
            for place, (window, days) in enumerate(by_begin, start=1)
        ]
        unused = on_one_line(at.controls.unused or say(LEAVE_EMPTY))
        entries += [
            CardEntry(place, unused=unused) for place in range(len(entries) + 1, each.entries + 1)
        ]
        bars = [
            bar
            for place, (window, days) in enumerate(by_begin, start=1)
            for bar in fields.bars(place, window, days)
        ]
        parts.append(CardDays(name, tuple(entries), tuple(bars)))
    once = tuple((fields.column(name), fields.once(name, every)) for name in each.once)
    return CardList(on_one_line(each.name), each.actions, once, fields.columns, tuple(parts))


def _day_names(each: MenuList) -> list[str]:
    """Return what the days are called for which a list is typed in together; empty if an entry says it."""
    return [""] if "days" in each.fields else [say(name) for name in DAY_SETS[each.day_types]]


def _windows_on(season: SeasonSet, days: Sequence[int]) -> list[Window]:
    return [w for part in season.day_sets if days[0] in part.weekdays for w in part.windows]


def _typed(each: MenuList, windows: Iterable[Window], menu: Menu) -> list[Window]:
    """Return the entries of a list on a day, with those that fill its holes, by their begin."""
    ours = sorted(menu.entries_of(each, windows), key=lambda window: window.begin)
    if not each.fills_day:
        return ours
    held = [*ours, *_holes(ours, menu)]
    if not menu.whole_day:
        held = [half for window in held for half in _halved(window)]
    return sorted(held, key=lambda window: window.begin)


def _holes(windows: Sequence[Window], menu: Menu) -> Iterator[Window]:
    """Yield what fills a day between windows: what the equipment does outside them."""
    if not windows:
        yield _between(0, MINUTES_PER_DAY, menu.outside)
    for place, window in enumerate(windows):
        begin = (window.begin + window.length) % MINUTES_PER_DAY
        end = windows[(place + 1) % len(windows)].begin
        if begin == end:
            continue
        if begin < end or end == 0 or menu.over_midnight:
            yield _between(begin, end, menu.outside)
        else:
            yield _between(0, end, menu.outside)
            yield _between(begin, MINUTES_PER_DAY, menu.outside)


def _between(begin: int, end: int, action: str) -> Window:
    return Window.model_validate(
        {"start": clock(begin), "end": clock(end or MINUTES_PER_DAY), "action": action}
    )


def _halved(window: Window) -> list[Window]:
    """Return a window of 24 hours in two, any other as it is."""
    if window.length < MINUTES_PER_DAY:
        return [window]
    noon = clock(MINUTES_PER_DAY // 2)
    return [window.model_copy(update={"end": noon}), window.model_copy(update={"start": noon})]


def _empty_list(each: MenuList, fields: Fields) -> CardList:
    entries = tuple(
        CardEntry(place, tuple(Cell("") for _ in fields.columns))
        for place in range(1, each.entries + 1)
    )
    parts = tuple(CardDays(name, entries, ()) for name in _day_names(each))
    once = tuple((fields.column(name), Cell("")) for name in each.once)
    return CardList(on_one_line(each.name), each.actions, once, fields.columns, parts)
