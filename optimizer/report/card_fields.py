"""The fields of one list on the card: their headings, what they take, and the value of each entry.

Read next: ``card``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from math import ceil, floor, inf

from optimizer.base.calendar import DAY_NAMES
from optimizer.base.units import MINUTES_PER_DAY, read_clock
from optimizer.base.words import later, say
from optimizer.base.writing import Writing
from optimizer.settings.controls import Controls
from optimizer.settings.menu import (
    DAY_SETS,
    STEP_TOLERANCE,
    USES,
    EntryField,
    MenuList,
    OnceField,
    Steps,
)
from optimizer.settings.windows import Window
from optimizer.site.equipment import Plant

NO_MATTER = later("any")
"""What a field holds that the entry's action has no use for."""

NO_CAP = later("none")
"""What a limit of the import holds where the entry has none."""

FULL = later("full")
"""Said beside a power that limits nothing."""

LEVEL_WORDS = {"charge": later("fill to"), "cover": later("down to"), "sell": later("down to")}
POWER_WORDS = {"charge": later("filling from the grid at most"), "sell": later("selling at")}
HEADINGS = {
    "start": later("start"), "end": later("end"), "days": later("days"), "action": later("action"),
    "level": later("level"), "power": later("power"), "grid": later("from the grid"),
    "cap": later("import at most"),
}  # fmt: skip
"""What stands above a field, unless its entries all say the same before its values."""


@dataclass(frozen=True)
class Cell:
    """What one field holds: the ``value`` to type, a word before it, and a remark behind.

    ``was`` is what stands there before, where settings in use are changed; empty if it stays.
    """

    value: str
    says: str = ""
    note: str = ""
    was: str = ""

    def __str__(self) -> str:
        told = f"{self.says} {self.value}".strip()
        notes = [
            *filter(None, [self.note]),
            *([say("was {before}", before=self.was)] if self.was else []),
        ]
        return f"{told} ({'; '.join(notes)})" if notes else told


@dataclass(frozen=True)
class Column:
    """A field: its name in the menu's description, its words on the card, and what it takes."""

    field: str
    heading: str
    takes: str


@dataclass(frozen=True)
class Bar:
    """A part of the day on the drawing; ``end`` is at most 1440. [min]

    ``action`` is ``limit`` for a limit of the import; ``days`` are those that the entry itself names.
    """

    begin: int
    end: int
    number: int
    action: str
    label: str
    days: str = ""


@dataclass(frozen=True)
class Fields:
    """How the fields of a list are filled in, where the battery is not drawn below a floor. [%]"""

    each: MenuList
    controls: Controls
    plant: Plant
    writing: Writing
    floor_pct: float = 0.0

    @cached_property
    def columns(self) -> tuple[Column, ...]:
        """The fields of an entry, in the menu's order."""
        return tuple(map(self.column, self.each.fields))

    def column(self, name: EntryField) -> Column:
        """Return a field with its words and what it takes."""
        return Column(name, self._heading(name), self._takes(name))

    def cells(self, window: Window, days: Sequence[str]) -> tuple[Cell, ...]:
        """Return what is typed in for a window, in the order of ``columns``; it holds on ``days``."""
        return tuple(self._cell(name, window, days) for name in self.each.fields)

    def once(self, name: OnceField, windows: Sequence[Window]) -> Cell:
        """Return what stands once for all windows, of which those with a use for it agree."""
        used = [self._cell(name, window, ()) for window in windows]
        return next((cell for cell in used if cell.value != say(NO_MATTER)), Cell(say(NO_MATTER)))

    def bars(self, number: int, window: Window, days: Sequence[str]) -> list[Bar]:
        """Return the parts of a day in which an entry holds, with its limit of the import."""
        named = self._days(days) if "days" in self.each.fields else ""
        begin, end = window.begin, window.begin + window.length
        spans = [(begin, min(end, MINUTES_PER_DAY)), (0, end - MINUTES_PER_DAY)]
        labels: list[tuple[str, str]] = (
            [] if window.action == "limit" else [(window.action, say(window.action))]
        )
        if window.import_cap_kw is not None:
            labels.append(("limit", say("at most {kw}", kw=self._kw(window.import_cap_kw))))
        return [
            Bar(left, right, number, action, label, named)
            for action, label in labels
            for left, right in spans
            if left < right
        ]

    def _heading(self, name: EntryField) -> str:
        words = {"level": LEVEL_WORDS, "power": POWER_WORDS}.get(name, {})
        said = {words[action] for action in self.each.actions if action in words}
        return say(said.pop() if len(said) == 1 else HEADINGS[name])

    def _takes(self, name: EntryField) -> str:
        if name in {"start", "end"}:
            return say("times in steps of {minutes} min", minutes=self.each.minutes)
        if name == "days":
            return ", ".join(map(say, self.controls.day_sets()))
        if name == "action":
            return ", ".join(map(say, self.each.actions))
        if name == "grid":
            return say("yes, no")
        if name == "level":
            return self._range(self.each.level, "%")
        if name == "power":
            return self._range(self.each.power, "%" if self.each.power_in_pct else "kW")
        return self._range(self.each.cap, "kW")

    def _range(self, steps: Steps, unit: str) -> str:
        low, step = self.writing.number(steps.low), self.writing.number(steps.step)
        if steps.high == inf:
            return say("{low} {unit} and more, in steps of {step}", low=low, unit=unit, step=step)
        high = self.writing.number(steps.high)
        told = {"low": low, "high": high, "unit": unit, "step": step}
        return say("{low} to {high} {unit}, in steps of {step}", **told)

    def _cell(self, name: EntryField, window: Window, days: Sequence[str]) -> Cell:
        if name == "days":
            return Cell(self._days(days))
        if name == "start":
            return Cell(self.writing.time(window.begin))
        if name == "end":
            return self._end(window)
        if name == "action":
            return Cell(say(window.action))
        if name == "grid" and self.each.grid_tells:
            return Cell(say("yes") if window.action == "charge" else say("no"))
        return self._value(name, window) if window.action in USES[name] else Cell(say(NO_MATTER))

    def _value(self, name: OnceField, window: Window) -> Cell:
        """Return the value of a field that a window has a use for."""
        if name == "level":
            return self._level(window)
        if name == "cap":
            cap = window.import_cap_kw
            return Cell(say(NO_CAP)) if cap is None else Cell(self._kw(cap))
        from_pv = self._only_pv(window)
        if name == "grid":
            return Cell(say("no") if from_pv else say("yes"))
        return (
            Cell(say(NO_MATTER))
            if from_pv and self.each.has("grid")
            else self._power(window, from_pv)
        )

    def _days(self, names: Sequence[str]) -> str:
        """Return day sets in few words: ``weekdays``, or ``Monday–Thursday, Saturday``."""
        sets = self.controls.day_sets()
        if len(names) == len(sets):
            return say("every day")
        held = sorted(day for name in names for day in sets[name])
        known = {days: name for named in DAY_SETS.values() for name, days in named.items()}
        if len(sets) < len(DAY_NAMES) or tuple(held) in known:
            return say(known[tuple(held)]) if tuple(held) in known else ", ".join(map(say, names))
        return ", ".join(_runs(held))

    def _end(self, window: Window) -> Cell:
        if window.finish % MINUTES_PER_DAY == 0:
            last = self.controls.last_minute
            return Cell(last if self.writing.clock == 24 else self.writing.time(read_clock(last)))
        next_day = self.controls.goes_on_next_day and window.is_over_midnight
        return Cell(
            self.writing.time(window.finish), note=say("of the next day") if next_day else ""
        )

    def _level(self, window: Window) -> Cell:
        """Return the level to type: without one that of the ceiling, or of the floor."""
        steps, note = self.each.level, ""
        if window.action == "charge":
            value, ceiling_pct = window.until_pct, self.plant.soc_pct(self.plant.high_kwh)
            if value is None:
                value = _at_least(ceiling_pct, steps)
                note = (
                    say("the field takes no more") if value < ceiling_pct - STEP_TOLERANCE else ""
                )
        else:
            value = window.down_to_pct
            if value is None:
                value = _at_most(self.floor_pct, steps)
                note = (
                    say("the field takes no less")
                    if value > self.floor_pct + STEP_TOLERANCE
                    else ""
                )
        says = self._says("level", LEVEL_WORDS, window)
        return Cell(f"{self.writing.number(value)} %", says, note)

    def _power(self, window: Window, from_pv: bool) -> Cell:
        says = self._says("power", POWER_WORDS, window)
        if from_pv:
            unit = "%" if self.each.power_in_pct else "kW"
            return Cell(f"0 {unit}", says, say("from PV only"))
        value = window.grid_kw if window.action == "charge" else window.power_kw
        whole_kw = self.plant.ac_limit_kw
        notes = []
        if value is None:
            steps = self.each.power_kw(whole_kw)
            most = steps.high
            value = (
                most if most < inf else _at_least(self.plant.full_power_kw(window.action), steps)
            )
            notes = [say(FULL)]
        if not self.each.power_in_pct:
            return Cell(self._kw(value), says, ", ".join(notes))
        pct = self.writing.number(100 * value / whole_kw)
        return Cell(f"{pct} %", says, ", ".join([self._kw(value), *notes]))

    def _says(self, name: EntryField, words: dict[str, str], window: Window) -> str:
        """Return the word before a value, where the column's heading does not say it."""
        said = say(words[window.action])
        return "" if self._heading(name) == said else said

    def _only_pv(self, window: Window) -> bool:
        return window.action == "charge" and (
            window.grid_kw == 0 or not self.plant.may_charge_from_grid
        )

    def _kw(self, value: float) -> str:
        return f"{self.writing.number(value)} kW"


def _runs(days: Sequence[int]) -> Iterator[str]:
    """Yield the weekdays by name, three and more on end as one: ``Monday–Thursday``."""
    for _, run in groupby(enumerate(days), lambda item: item[1] - item[0]):
        names = [say(DAY_NAMES[day].capitalize()) for _, day in run]
        yield from names if len(names) < 3 else [f"{names[0]}–{names[-1]}"]


def _at_least(value: float, steps: Steps) -> float:
    """Return the least value that a field takes and that is not below another; else its highest."""
    typed = ceil(value / steps.step - STEP_TOLERANCE) * steps.step
    return min(max(typed, steps.low), steps.high)


def _at_most(value: float, steps: Steps) -> float:
    """Return the highest value that a field takes and that is not above another; else its least."""
    typed = floor(value / steps.step + STEP_TOLERANCE) * steps.step
    return min(max(typed, steps.low), steps.high)
