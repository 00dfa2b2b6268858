"""The equipment's menu as lists of entries: what a person finds there, told by what it holds.

A menu is one or several *lists*. Each takes some actions and so many entries; an entry has fields, other
fields stand once for the whole list. The short keys of ``controls`` say the common case, one list of all
actions; both are read as the same ``Menu``, which is all that refusals, search, replay and card know.

Entries of one list never overlap. Entries of two lists may where the menu allows it; then the list that
comes first in ``precedence`` holds. An entry that only limits the import stands *beside* the others,
unless its list says otherwise: both hold.

Read next: ``controls``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import inf
from typing import Annotated, Literal, NamedTuple, Protocol, TypeVar

from pydantic import Field, model_validator

from optimizer.base.calendar import DAY_NAMES
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.units import MINUTES_PER_DAY

BatteryAction = Literal["charge", "hold", "cover", "sell"]
Action = Literal["charge", "hold", "cover", "sell", "limit"]
Outside = Literal["cover", "hold", "idle"]
Minutes = Literal[1, 5, 10, 15, 30, 60]
DayTypes = Literal["every_day", "weekday_weekend", "weekday_saturday_sunday", "each_day"]
EntryField = Literal["days", "start", "end", "action", "level", "power", "grid", "cap"]
OnceField = Literal["level", "power", "grid", "cap"]

DAY_SETS: dict[DayTypes, dict[str, tuple[int, ...]]] = {
    "every_day": {"every day": tuple(range(7))},
    "weekday_weekend": {"weekdays": tuple(range(5)), "weekends": (5, 6)},
    "weekday_saturday_sunday": {"weekdays": tuple(range(5)), "Saturdays": (5,), "Sundays": (6,)},
    "each_day": {f"{name.capitalize()}s": (number,) for number, name in enumerate(DAY_NAMES)},
}
"""Names of the day sets and the weekdays (Monday is 0) in each. Equipment knows no holidays.

A name means the same days wherever it stands. Each kind divides the sets of the one before.
"""

USES: dict[OnceField, tuple[Action, ...]] = {
    "level": ("charge", "cover", "sell"),
    "power": ("charge", "sell"),
    "grid": ("charge",),
    "cap": ("charge", "hold", "cover", "sell", "limit"),
}
"""Which actions have a use for a field."""

STEP_TOLERANCE = 1e-6
"""A value this near to a multiple of a step is one."""


class Steps(NamedTuple):
    """What a field takes: multiples of a step, from a lowest to a highest value."""

    step: float
    low: float = 0.0
    high: float = inf

    def is_multiple(self, value: float) -> bool:
        """Tell whether a value is a multiple of the step."""
        return abs(value / self.step - round(value / self.step)) <= STEP_TOLERANCE

    def is_within(self, value: float) -> bool:
        """Tell whether a value is neither too low nor too high."""
        slack = STEP_TOLERANCE * self.step
        return self.low - slack <= value <= self.high + slack

    def times(self, factor: float) -> Steps:
        """Return the same in another unit."""
        return Steps(self.step * factor, self.low * factor, self.high * factor)


class LevelSteps(Document):
    """The states of charge that a field takes. [%]"""

    from_pct: float = Field(default=0, ge=0, le=100)
    to_pct: float = Field(default=100, gt=0, le=100)
    step_pct: float | None = Field(default=None, gt=0, le=50)


class PowerSteps(Document):
    """The powers that a field takes: in kW, or in per cent of the inverter's AC limit."""

    from_kw: float | None = Field(default=None, ge=0)
    to_kw: float | None = Field(default=None, gt=0)
    step_kw: float | None = Field(default=None, gt=0)
    from_pct: float | None = Field(default=None, ge=0, le=100)
    to_pct: float | None = Field(default=None, gt=0, le=100)
    step_pct: float | None = Field(default=None, ge=0.1, le=100)

    @model_validator(mode="after")
    def _one_unit(self) -> PowerSteps:
        if self.in_pct and any(v is not None for v in (self.from_kw, self.to_kw, self.step_kw)):
            raise Mistake(
                "the powers of a list stand in kW and in per cent", "Give the keys of one unit."
            )
        return self

    @property
    def in_pct(self) -> bool:
        """Whether the field takes per cent."""
        return any(v is not None for v in (self.from_pct, self.to_pct, self.step_pct))


class CapSteps(Document):
    """The limits of import that a field takes. [kW]"""

    from_kw: float = Field(default=0, ge=0)
    to_kw: float | None = Field(default=None, gt=0)
    step_kw: float | None = Field(default=None, gt=0)


class EntryList(Document):
    """One list of the menu.

    =============  ============================================================================
    key            what it tells
    =============  ============================================================================
    ``name``       a word of your own for it, such as the one you find it under
    ``actions``    what its entries do; ``limit`` limits the import and leaves all else as it is
    ``entries``    how many it holds: for each day set of ``day_types``, or for all days together if
                   an entry has ``days`` of its own
    ``fields``     what an entry has, in the menu's order; without ``end`` it lasts until the next.
                   Entries that charge or cover and have ``grid``, but no ``action``: those with the
                   grid charge, those without cover
    ``once``       fields that stand once for all its entries, in all day sets of a set of months
    ``day_types``  which days can have entries of their own
    ``minutes``    granularity of starts and ends [min]
    ``level``      states of charge that can be typed in
    ``power``      powers of filling from the grid, or of selling
    ``cap``        limits of the import
    ``fills_day``  whether its entries must fill the day without a hole; what is left between
                   windows is then an entry that does what the equipment does outside
    ``beside``     of a list of limits: whether they hold beside other entries, or one of the two
    =============  ============================================================================

    What is left out is as ``controls`` says for all lists.
    """

    name: str = Field(min_length=1, max_length=40)
    actions: Annotated[list[Action], Field(min_length=1)]
    entries: int = Field(ge=1, le=60)
    fields: list[EntryField] = ["start", "end", "level", "power"]
    once: list[OnceField] = []
    day_types: DayTypes | None = None
    minutes: Minutes | None = None
    level: LevelSteps = LevelSteps()
    power: PowerSteps = PowerSteps()
    cap: CapSteps = CapSteps()
    fills_day: bool = False
    beside: bool = True

    @model_validator(mode="after")
    def _fields_have_a_use(self) -> EntryList:
        here = f"the list {self.name!r}"
        if len(set(self.actions)) < len(self.actions) or len(set(self.fields)) < len(self.fields):
            raise Mistake(f"{here} names an action or a field twice", "Name each once.")
        if "start" not in self.fields or ("end" not in self.fields and not self.fills_day):
            raise Mistake(
                f"the entries of {here} have no start or no end",
                "Add both to 'fields'; only where fills_day is true may the end be left out.",
                "fields",
            )
        double = [name for name in self.once if name in self.fields]
        if double:
            raise Mistake(
                f"{double[0]!r} stands in 'fields' and in 'once' of {here}",
                "Leave it out of 'fields' if it stands once for all entries.",
                "once",
            )
        for name in ("level", "power"):
            if (
                name in self.once
                and "charge" in self.actions
                and {"cover", "sell"} & set(self.actions)
            ):
                raise Mistake(
                    f"{here} has one {name} for filling and for giving",
                    "Describe filling and giving as two lists.",
                    "once",
                )
        if "limit" in self.actions and "cap" not in [*self.fields, *self.once]:
            raise Mistake(
                f"{here} limits the import, but has no 'cap'",
                "Add it to 'fields' or 'once'.",
                "fields",
            )
        if self.fills_day and "limit" in self.actions:
            raise Mistake(
                f"{here} of limits is to fill the day", "Leave fills_day out, or limit out of it."
            )
        return self


@dataclass(frozen=True)
class MenuList:
    """A list of the menu with all that its description leaves to ``controls`` filled in.

    ``fields`` of an entry stand in the menu's order. ``power`` is in kW, or in per cent of the
    inverter's AC limit if ``power_in_pct``.
    """

    name: str
    actions: tuple[Action, ...]
    entries: int
    fields: tuple[EntryField, ...]
    once: tuple[OnceField, ...]
    day_types: DayTypes
    minutes: int
    level: Steps
    power: Steps
    power_in_pct: bool
    cap: Steps
    fills_day: bool = False
    beside: bool = True

    def has(self, field: OnceField) -> bool:
        """Tell whether a field can be typed in, for an entry or once for the list."""
        return field in self.fields or field in self.once

    def power_kw(self, ac_limit_kw: float) -> Steps:
        """Return the powers that can be typed in, where the inverter's AC limit is 100 %. [kW]"""
        return self.power.times(ac_limit_kw / 100) if self.power_in_pct else self.power

    @property
    def grid_tells(self) -> bool:
        """Whether an entry has no field for its action: it fills from the grid, or else covers."""
        return (
            "grid" in self.fields
            and "action" not in self.fields
            and set(self.actions) == {"charge", "cover"}
        )

    @property
    def takes_no_grid(self) -> bool:
        """Whether a charge entry can be told to fill from PV alone."""
        if self.grid_tells:
            return False
        return self.has("grid") or (self.has("power") and self.power.low == 0)

    @property
    def only_limits(self) -> bool:
        """Whether its entries do nothing but limit the import."""
        return self.actions == ("limit",)


class Entry(Protocol):
    """What a window and a draft have in common; times in minutes of the day."""

    @property
    def begin(self) -> int:
        """Time at which it begins. [min]"""

    @property
    def length(self) -> int:
        """How long it lasts. [min]"""

    @property
    def action(self) -> str:
        """What it does."""


EntryT = TypeVar("EntryT", bound=Entry)


@dataclass(frozen=True)
class Menu:
    """All lists of a menu, and what holds for them together.

    ``day_sets`` are the smallest sets of weekdays that any list can have entries for. ``precedence``
    names the lists, the one that holds first; it is empty where entries of two lists may not overlap.
    """

    lists: tuple[MenuList, ...]
    day_sets: dict[str, tuple[int, ...]]
    over_midnight: bool
    whole_day: bool
    outside: Outside
    precedence: tuple[str, ...]

    @cached_property
    def actions(self) -> tuple[Action, ...]:
        """All actions, in the order of the lists."""
        return tuple(action for each in self.lists for action in each.actions)

    @cached_property
    def _list_of(self) -> dict[str, MenuList]:
        return {action: each for each in self.lists for action in each.actions}

    def list_of(self, action: str) -> MenuList:
        """Return the list in which entries of an action stand."""
        return self._list_of[action]

    def entries_of(self, each: MenuList, part: Iterable[EntryT]) -> list[EntryT]:
        """Return those entries of a day set that stand in a list."""
        return [entry for entry in part if entry.action in each.actions]

    @cached_property
    def layers(self) -> tuple[frozenset[str], ...]:
        """Sets of actions: entries of one set never overlap."""
        lists = [each for each in self.lists if not (each.only_limits and each.beside)]
        sides = [frozenset(each.actions) for each in self.lists if each not in lists]
        if self.precedence:
            return (*(frozenset(each.actions) for each in lists), *sides)
        return (frozenset(a for each in lists for a in each.actions), *sides)

    @cached_property
    def ranks(self) -> tuple[Action, ...] | None:
        """Actions in the order in which they hold where entries overlap; None if they may not.

        A limit that holds beside other entries is not among them.
        """
        if not self.precedence:
            return None
        by_name = {each.name: each for each in self.lists}
        ranked = [by_name[name] for name in self.precedence]
        return tuple(
            a for each in ranked if not (each.only_limits and each.beside) for a in each.actions
        )

    @cached_property
    def whole(self) -> tuple[int, ...]:
        """Numbers of all day sets."""
        return tuple(range(len(self.day_sets)))

    @cached_property
    def _groups(self) -> dict[str, tuple[tuple[int, ...], ...]]:
        found = {}
        for each in self.lists:
            coarse = [set(days) for days in DAY_SETS[each.day_types].values()]
            groups = tuple(
                tuple(n for n, days in enumerate(self.day_sets.values()) if set(days) <= wide)
                for wide in coarse
            )
            found[each.name] = (self.whole,) if "days" in each.fields else groups
        return found

    def groups(self, each: MenuList) -> tuple[tuple[int, ...], ...]:
        """Return the day sets for which a list is typed in together, as numbers of day sets."""
        return self._groups[each.name]

    def is_alike(self, each: MenuList) -> bool:
        """Tell whether a list holds the same entries in all day sets of a group."""
        return "days" not in each.fields and len(self.groups(each)) < len(self.day_sets)

    @cached_property
    def is_plain(self) -> bool:
        """Whether each day set stands for itself: nothing is shared between entries or days."""
        return all(
            not each.once and not each.fills_day
            and ("days" not in each.fields or len(self.day_sets) == 1)
            and not self.is_alike(each)
            for each in self.lists
        )  # fmt: skip

    def pieces(self, each: MenuList, entries: Sequence[Entry]) -> int:
        """Return how many entries a list needs for a day that has some, sorted by their begin.

        Where the day must be filled, what lies between them is an entry too.
        """
        if not each.fills_day or not entries:
            return len(entries)
        needed = len(entries) + len(self.holes(each, entries))
        return max(needed, 1 if self.whole_day else 2)

    def holes(self, each: MenuList, entries: Sequence[Entry]) -> list[tuple[int, int]]:
        """Return begin and length of what lies between the entries of a list that fills the day. [min]"""
        if not each.fills_day or not entries:
            return []
        found = []
        for one, other in pairwise([*entries, entries[0]]):
            end = one.begin + one.length
            found.append((end % MINUTES_PER_DAY, (other.begin - end) % MINUTES_PER_DAY))
        if entries[0].length == MINUTES_PER_DAY:
            return []
        return [
            part
            for begin, length in found
            if length
            for part in self._cut_at_midnight(begin, length)
        ]

    def _cut_at_midnight(self, begin: int, length: int) -> list[tuple[int, int]]:
        beyond = begin + length - MINUTES_PER_DAY
        if self.over_midnight or beyond <= 0:
            return [(begin, length)]
        return [(begin, length - beyond), (0, beyond)]

    def takes_part(self, part: Sequence[Entry]) -> bool:
        """Tell whether the entries of a day set, sorted by their begin, can be typed in for it."""
        for entry in part:
            if entry.length == MINUTES_PER_DAY and not self.takes_whole_day(
                self.list_of(entry.action)
            ):
                return False
            if entry.begin + entry.length > MINUTES_PER_DAY and not self.over_midnight:
                return False
        if len(self.lists) == 1:
            (only,) = self.lists
            return self.pieces(only, part) <= only.entries and not overlap(part)
        return all(
            self.pieces(each, self.entries_of(each, part)) <= each.entries for each in self.lists
        ) and not any(
            overlap([entry for entry in part if entry.action in layer]) for layer in self.layers
        )

    def takes_whole_day(self, each: MenuList) -> bool:
        """Tell whether an entry may last 24 hours; one that fills the day can be told in two."""
        return self.whole_day or each.fills_day

    def typed(self, each: MenuList, parts: Sequence[Sequence[EntryT]]) -> int:
        """Return how many entries of a list a person types in for all day sets.

        ``parts`` are the entries of that list in each day set. What is equal in day sets that are typed
        in together is typed in once; what fills the day between them is typed in too.
        """
        if each.fills_day:
            first = [parts[group[0]] for group in self.groups(each)]
            return sum(
                self.pieces(each, sorted(part, key=lambda entry: entry.begin)) for part in first
            )
        return sum(
            len(dict.fromkeys(entry for number in group for entry in parts[number]))
            for group in self.groups(each)
        )


def overlap(part: Sequence[Entry]) -> bool:
    """Tell whether entries, sorted by their begin, overlap around the clock."""
    for entry, following in pairwise(part):
        if entry.begin + entry.length > following.begin:
            return True
    if len(part) < 2:
        return False
    return part[-1].begin + part[-1].length - MINUTES_PER_DAY > part[0].begin
