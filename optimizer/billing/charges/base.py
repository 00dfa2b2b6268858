"""The contract of a charge: from the tariff's words and a grid to priced lines.

A charge is a pydantic model with a ``kind`` and one method, ``lines(context)``. To add one, write
its file here, name it in ``tariff.Charge``, add a row to the twin test and a bill it reproduces.
Read next: ``fixed``, ``energy``, ``demand``, ``percentage``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, Literal, TypeVar

import numpy as np
from pydantic import Field

from optimizer.base.calendar import DayCalendar, When, read_span
from optimizer.base.documents import Document, Source
from optimizer.base.errors import Place, TariffError
from optimizer.base.timegrid import BillingPeriods, BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.base.units import clock
from optimizer.billing.history import History
from optimizer.cost.expression import Node, Rounded, Scale, rounded

MemoryT = TypeVar("MemoryT")


@dataclass(frozen=True, eq=False)
class Line:
    """One line of a bill in one period: quantity × rate = amount.

    ``rate`` is None where the price changes from step to step; the bill then shows the mean.
    ``cost`` is the amount as an expression, ``where`` the line of the tariff file it came from.
    """

    charge: str
    name: str
    period: int
    quantity: Node
    unit: str
    rate: float | None
    cost: Node
    where: str

    @classmethod
    def of_money(cls, charge: str, period: int, cost: Node, where: str) -> Line:
        """Return a line that is an amount in itself, without quantity and rate. [money]"""
        return cls(charge, charge, period, cost, unit="money", rate=1.0, cost=cost, where=where)


PAST_PEAKS = "past_peaks_kw (in the state of a scenario, or in a file given with bill --history)"
"""The key for demand from before the series."""


@dataclass
class Context:
    """What a charge needs to know to become lines.

    ``in_force`` tells the steps, shape (T,), on which this version of the tariff holds;
    ``lines`` the lines of the charges above this one in the file, ``declared`` their names and
    kinds (a seasonal charge may have no line on a short grid). ``notes`` tell what was not known or
    left out, ``remarks`` what in the tariff can be read in two ways. ``read_prices`` reads those of a
    file for each step, given the words that name it and their place. ``memory`` is shared by all versions.
    """

    grid: TimeGrid
    periods: BillingPeriods
    calendar: DayCalendar
    in_force: BoolArray
    source: Source
    location: Place
    read_prices: Callable[[Any, str], FloatArray]
    history: History
    declared: dict[str, str] = field(default_factory=dict)
    lines: list[Line] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    memory: dict[str, Any] = field(default_factory=dict)

    def remembered(self, key: str, begin: Callable[[], MemoryT]) -> MemoryT:
        """Return what charges keep under a key through all versions of the tariff."""
        found: MemoryT = self.memory.setdefault(key, begin())
        return found

    def where(self, *inner: int | str) -> str:
        """Return the place in the tariff file of this charge, or of a value in it."""
        return self.source.where((*self.location, *inner))

    def period_count(self) -> int:
        """Return the number of billing periods P."""
        return len(self.periods.periods)

    def steps_of_period(self, mask: BoolArray, period: int) -> IntArray:
        """Return the masked steps in force that lie in a period, as numbers, shape (N,)."""
        inside = mask & self.in_force & (self.periods.of_step == period)
        return np.flatnonzero(inside).astype(np.int64)

    def steps_by_period(self, mask: BoolArray) -> list[IntArray]:
        """Return the masked steps in force of each of the P periods, as numbers."""
        steps = np.flatnonzero(mask & self.in_force).astype(np.int64)
        edges = np.searchsorted(self.periods.of_step[steps], np.arange(self.period_count() + 1))
        return [steps[first:end] for first, end in pairwise(edges.tolist())]

    def days_in_force(self, period: int, seasons: list[str] | None = None) -> float:
        """Return the days of a period covered by the grid, this version and the seasons. [days]"""
        inside = self.in_force & (self.periods.of_step == period)
        if seasons is not None:
            _, of_day = self.calendar.kinds_and_seasons(self.grid)
            inside &= np.isin(np.array(of_day, dtype=str), seasons)[self.grid.day]
        return round(float(self.grid.day_share[inside].sum()), 9)

    def has_day_of(self, seasons: list[str] | None, period: int) -> bool:
        """Return whether a period has a day of some seasons, while this version is in force.

        Days of the period that lie before or after the series count like its first or last one.
        """
        if seasons is None or self.days_in_force(period, seasons) > 0:
            return True
        whole, dates = self.periods.periods[period], self.grid.dates
        outside = [
            *_days(whole.first, dates[0] if self.in_force[0] else whole.first),
            *_days(dates[-1] + timedelta(days=1) if self.in_force[-1] else whole.end, whole.end),
        ]
        return any(self.calendar.seasons.of_day(day) in seasons for day in outside)

    def holds_at_end(self, period: int) -> bool:
        """Return whether this version holds on the last step that the grid has of a period."""
        inside = np.flatnonzero(self.periods.of_step == period)
        return bool(self.in_force[inside[-1]])

    def share_in_force(self, period: int) -> float:
        """Return the share of a period's covered days on which this version holds. [1]"""
        inside = self.periods.of_step == period
        covered = float(self.grid.day_share[inside].sum())
        return round(self.days_in_force(period) / covered, 9)

    def lines_of(self, names: list[str] | Literal["all above"], period: int) -> list[Line]:
        """Return the lines of named charges above this one in a period."""
        return [
            line for line in self.lines
            if line.period == period and (names == "all above" or line.charge in names)
        ]  # fmt: skip

    def no_demand(self, user: str, goes_by: str, demand: str | None, why: str) -> TariffError:
        """Return the refusal of a demand that a charge goes by, with those that stand above."""
        names = [name for name, kind in self.declared.items() if kind == "demand"]
        return TariffError(
            f"{user!r} goes by {goes_by} of {demand!r}, which {why};"
            f" above are {', '.join(names) or 'none'}",
            where=self.where("demand"),
            mend="Name a demand charge above that holds in the same periods.",
        )

    def refuse_unknown(self, names: list[str], user: str, *key: int | str) -> None:
        """Refuse names of charges that do not stand above this one.

        Raises
        ------
        TariffError
            With the names that there are.
        """
        for position, name in enumerate(names):
            if name not in self.declared:
                raise TariffError(
                    f"{user!r} refers to {name!r}, which is no charge above it;"
                    f" above are {', '.join(self.declared) or 'none'}",
                    where=self.where(*key, position),
                    mend="Name charges that stand above this one.",
                )

    def mask(self, when: When, *inner: int | str) -> BoolArray:
        """Return the steps that a part of the calendar names, shape (T,).

        Raises
        ------
        TariffError
            If it names a season or holidays that the tariff does not have.
        """
        masks = [self._mask_of(part, *inner, *place) for place, part in when.parts()]
        return np.asarray(np.any(masks, axis=0))

    def _mask_of(self, part: When, *inner: int | str) -> BoolArray:
        self.check_words(part, *inner)
        self._note_cut_steps(part)
        mask = part.mask(self.grid, self.calendar)
        self._note_open_night(part, mask, *inner)
        return mask

    def _note_open_night(self, when: When, mask: BoolArray, *inner: int | str) -> None:
        """Remark a night of named days of which is not said on which day it ends, if that matters."""
        if "after_midnight" in when.model_fields_set or not when.is_over_midnight:
            return
        other = when.model_copy(update={"after_midnight": "next day"})
        if (other.mask(self.grid, self.calendar) != mask).any():
            span = next(span for span in when.hours if read_span(span)[1] <= read_span(span)[0])
            begin, end = (clock(minute) for minute in read_span(span))
            named = "dates" if when.dates is not None else f"days: [{', '.join(when.days)}]"
            self.remarks.append(
                f"{self.where(*inner)}: {span} on {named} is taken as 00:00-{end} and {begin}-24:00 of"
                " the same day. If the night is meant that begins on it, write after_midnight: next"
                " day; if not, after_midnight: same day."
            )

    def _note_cut_steps(self, when: When) -> None:
        step = self.grid.step_minutes
        cut = [edge for edge in sorted(when.edges()) if edge % step]
        if cut:
            self.notes.append(
                f"Hours that begin or end at {clock(cut[0])} cut steps of {step} min; such a step is"
                " priced by the rate at its beginning."
            )

    def check_words(self, when: When, *inner: int | str) -> None:
        """Refuse seasons that the tariff does not define, and holidays where it has none.

        Raises
        ------
        TariffError
            With the line of the word.
        """
        known = self.calendar.seasons.names
        for position, name in enumerate(when.seasons or ()):
            if name not in known:
                raise TariffError(
                    f"the season {name!r} is not defined; defined are {', '.join(known) or 'none'}",
                    where=self.where(*inner, "seasons", position),
                    mend="Use a defined season, or define it under 'seasons'.",
                )
        if "holidays" in when.days and not self.calendar.holidays.any():
            raise TariffError(
                "the days name 'holidays', but the tariff lists none",
                where=self.where(*inner, "days"),
                mend="List them under 'holidays', or leave the word out.",
            )


def _days(first: date, end: date) -> list[date]:
    """Return the days from the first one to before the end."""
    return [first + timedelta(days=number) for number in range((end - first).days)]


class Rounding(Document):
    """Rounding to a multiple of ``to``: to the nearest (halves away from zero), down or up."""

    to: float = Field(gt=0, le=1e6)
    how: Literal["nearest", "down", "up"] = "nearest"

    def of(self, node: Node) -> Node:
        """Return a node, rounded."""
        return Rounded(node, self.to, self.how)

    def value(self, number: float) -> float:
        """Return a number, rounded."""
        return rounded(number, self.to, self.how)


class ChargeBase(Document):
    """What all charges have; ``round_amount`` is how the utility rounds each of its lines."""

    name: str = Field(min_length=1)
    source: str | None = None
    round_amount: Rounding | None = None

    @property
    def declared_as(self) -> str:
        """What charges below see in this one: its kind, as a rule."""
        return str(getattr(self, "kind", ""))

    def lines(self, context: Context) -> list[Line]:
        """Return the lines of this charge in every billing period it touches."""
        raise NotImplementedError

    def line(
        self,
        period: int,
        quantity: Node,
        unit: str,
        rate: float | None,
        where: str,
        *,
        name: str = "",
        cost: Node | None = None,
    ) -> Line:
        """Return a line of this charge, under its own name unless another is given. [money]

        Its amount is quantity × rate, unless ``cost`` says it.
        """
        if cost is None:
            assert rate is not None
            cost = Scale(rate, quantity)
        return Line(
            self.name, name or self.name, period, quantity, unit, rate=rate, cost=cost, where=where
        )
