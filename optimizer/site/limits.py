"""What rules and the connection let over the meter: limits by the hour, and those of single phases.

Each entry of ``connection.limits`` is one rule. It holds in its hours beside all other limits; of
several the lowest binds. A step that a rule's hours cut is held wholly: a rule is never bent by the
length of a step. Limits that hold at all times, such as the greatest power of filling from the grid,
are rules without hours. Read next: ``equipment``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal, get_args

import numpy as np
from pydantic import Field, field_validator, model_validator

from optimizer.base.calendar import DAYS_OF_WORD, DayWord, minutes_in_spans
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BoolArray, FloatArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, number

Way = Literal["import_kw", "export_kw", "fill_kw"]
WAYS: tuple[Way, ...] = get_args(Way)
"""What a rule can limit: import, export, and what fills the battery from the grid."""

WORDS_OF_WAY: dict[Way, str] = {
    "import_kw": "import",
    "export_kw": "export",
    "fill_kw": "filling from the grid",
}

WAYS_OF_ACTION: dict[str, tuple[Way, ...]] = {
    "charge": ("fill_kw", "import_kw"),
    "sell": ("export_kw",),
}
"""What limits the power that a window asks for, by its action."""

ALL_HOURS = "00:00-24:00"
EVERY_WEEKDAY = tuple(range(7))


class TimedLimit(Document):
    """A rule and what it allows in its hours. [kW]

    =============  ==============================================================================
    key            what it tells
    =============  ==============================================================================
    ``rule``       what the rule is called; refusals and ``check`` name it
    ``hours``      spans of wall-clock time, ``16:00-21:00``; all where left out. Of a span over
                   midnight both ends lie on the named days
    ``days``       words for days, such as ``weekdays``; all where left out. Holidays are unknown
    ``months``     months 1 to 12; all where left out
    ``import_kw``  greatest import
    ``export_kw``  greatest export
    ``fill_kw``    greatest power of filling the battery from the grid, PV first
    =============  ==============================================================================
    """

    rule: str = Field(min_length=1, max_length=200)
    hours: Annotated[list[str], Field(min_length=1)] = [ALL_HOURS]
    days: Annotated[list[DayWord], Field(min_length=1)] = ["all"]
    months: Annotated[list[int], Field(min_length=1)] = list(range(1, 13))
    import_kw: float | None = Field(default=None, ge=0)
    export_kw: float | None = Field(default=None, ge=0)
    fill_kw: float | None = Field(default=None, ge=0)

    @field_validator("hours", mode="after")
    @classmethod
    def _readable(cls, hours: list[str]) -> list[str]:
        minutes_in_spans(hours)
        return hours

    @model_validator(mode="after")
    def _limits_something(self) -> TimedLimit:
        if all(getattr(self, way) is None for way in WAYS):
            raise Mistake(
                f"the rule {self.rule!r} limits nothing",
                "Give import_kw, export_kw or fill_kw.",
            )
        if "holidays" in self.days:
            raise Mistake(
                f"the rule {self.rule!r} names 'holidays', which a connection does not know",
                "Name weekdays, or write a rule that holds on all days.",
                "days",
            )
        wrong = [month for month in self.months if not 1 <= month <= 12]
        if wrong or len(set(self.months)) != len(self.months):
            raise Mistake(
                f"the months {self.months} are not each one of 1 to 12, once",
                "List each month once, e.g. [6, 7, 8, 9].",
                "months",
            )
        return self

    def __hash__(self) -> int:
        """Return the same for equal rules; lists have no hash of their own."""
        return hash(repr(self))

    def kw(self, way: Way) -> float:
        """Return what is allowed of something; infinity where the rule does not name it. [kW]"""
        value: float | None = getattr(self, way)
        return math.inf if value is None else value

    def minutes(self, step_minutes: int = 1) -> BoolArray:
        """Return at which minutes a step begins that the rule's hours hold or cut, shape (1440,)."""
        inside = minutes_in_spans(self.hours)
        later = (np.roll(inside, -after) for after in range(step_minutes))
        return np.asarray(np.logical_or.reduce(list(later)))

    def weekdays(self) -> BoolArray:
        """Return on which weekdays it holds, Monday first, shape (7,)."""
        held = np.zeros(len(EVERY_WEEKDAY), dtype=bool)
        for word in self.days:
            held[[day for day in DAYS_OF_WORD[word] if day in EVERY_WEEKDAY]] = True
        return held

    def at_steps(self, grid: TimeGrid) -> BoolArray:
        """Return in which steps it holds, shape (T,)."""
        held = self.minutes(grid.step_minutes)[grid.minute_of_day] & self.weekdays()[grid.weekday]
        return np.asarray(held & np.isin(grid.month, self.months))

    def cuts(self, step_minutes: int) -> bool:
        """Tell whether its hours begin or end inside steps."""
        inside = minutes_in_spans(self.hours)
        edges = np.flatnonzero(inside != np.roll(inside, 1))
        return bool((edges % step_minutes).any())

    def words(self) -> str:
        """Return what it allows and when, to be read in a list."""
        allowed = ", ".join(
            f"{WORDS_OF_WAY[way]} at most {number(self.kw(way), 2)} kW"
            for way in WAYS
            if getattr(self, way) is not None
        )
        when = [
            "" if self.hours == [ALL_HOURS] else ", ".join(self.hours),
            "" if self.weekdays().all() else ", ".join(self.days),
            "" if len(self.months) == 12 else "months " + ", ".join(map(str, self.months)),
        ]
        return f"{allowed}; {'; '.join(filter(None, when)) or 'at all times'}"


class Phases(Document):
    """A limit of the current of each phase, from which a limit of the power of all is reckoned.

    The sum may be so much that the fullest phase stands at its limit: amperes × volts ÷ the share of
    all power that flows over the fullest phase; at power factor 1. An approximation: shares change
    from moment to moment. ``volts`` are those between a phase and neutral.
    """

    count: Literal[1, 2, 3]
    amperes: float = Field(gt=0, le=1e5)
    volts: float = Field(gt=0, le=1e5)
    fullest_pct: float | None = Field(default=None, gt=0, le=100)

    @model_validator(mode="after")
    def _fullest_is_the_fullest(self) -> Phases:
        even = 100 / self.count
        if self.fullest_pct is not None and self.fullest_pct < even - 0.5:
            raise Mistake(
                f"fullest_pct is {self.fullest_pct:g} %, less than an even share of {even:.4g} %",
                "Give the share of the phase that carries the most.",
                "fullest_pct",
            )
        return self

    @property
    def share(self) -> float:
        """Share of all power that flows over the fullest phase; an even one where it is not known. [1]"""
        return (100 / self.count if self.fullest_pct is None else self.fullest_pct) / 100

    @property
    def limit_kw(self) -> float:
        """Power of all phases at which the fullest one stands at its limit. [kW]"""
        return self.amperes * self.volts / 1000 / self.share

    def remark(self) -> str:
        """Return how the limit was reckoned, and that it is an approximation."""
        share = (
            f"{number(100 * self.share, 1)} % of all power, an even share (connection.phases.fullest_pct"
            " is not given; less is allowed where one phase carries more)"
            if self.fullest_pct is None
            else f"{number(100 * self.share, 1)} % of all power"
        )
        return (
            f"Limit of the phases, an approximation: {number(self.amperes, 1)} A × {number(self.volts, 1)} V"
            f" on the fullest of {self.count}, which carries {share}, at power factor 1: import and export"
            f" of at most {number(self.limit_kw, 2)} kW together over all phases."
        )


@dataclass(frozen=True)
class StepLimits:
    """What rules and connection allow in each step: ``kwh`` has shape (3, T), a row for each of ``WAYS``."""

    kwh: FloatArray

    @classmethod
    def of(
        cls, always_kw: Sequence[float], rules: Iterable[TimedLimit], grid: TimeGrid
    ) -> StepLimits:
        """Return the lowest of the limits that hold at all times, one for each way, and of rules."""
        kw = np.repeat(np.array(always_kw, dtype=np.float64)[:, None], grid.count, axis=1)
        for rule in rules:
            held = rule.at_steps(grid)
            for row, way in zip(kw, WAYS, strict=True):
                row[held] = np.minimum(row[held], rule.kw(way))
        return cls(kw * grid.step_h)

    def of_way(self, way: Way) -> FloatArray:
        """Return what is allowed of something in each step, shape (T,). [kWh]"""
        row: FloatArray = self.kwh[WAYS.index(way)]
        return row

    @property
    def import_kwh(self) -> FloatArray:
        """Greatest import of each step, shape (T,). [kWh]"""
        return self.of_way("import_kw")

    @property
    def export_kwh(self) -> FloatArray:
        """Greatest export of each step, shape (T,). [kWh]"""
        return self.of_way("export_kw")

    @property
    def fill_kwh(self) -> FloatArray:
        """Most that fills the battery from the grid in each step, PV first, shape (T,). [kWh]"""
        return self.of_way("fill_kw")


def allowed_kw(
    rules: Iterable[TimedLimit], ways: Iterable[Way], months: Sequence[int]
) -> FloatArray:
    """Return the lowest that rules allow of some ways, shape (months, 7, 1440). [kW]

    By month, weekday (Monday first) and minute of the day; infinity where no rule holds.
    """
    allowed = np.full((len(months), len(EVERY_WEEKDAY), MINUTES_PER_DAY), math.inf)
    for rule in rules:
        here = np.ix_(np.isin(months, rule.months), rule.weekdays(), rule.minutes())
        for way in ways:
            allowed[here] = np.minimum(allowed[here], rule.kw(way))
    return allowed
