"""The contract of a charge: from the tariff's words and a grid to priced lines.

A charge is a pydantic model with a ``kind`` and one method, ``lines(context)``. To add one, write
its file here, name it in ``tariff.Charge``, add a row to the twin test and a bill it reproduces.
Read next: ``fixed``, ``energy``, ``demand``, ``percentage``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from pydantic import Field

from optimizer.billing.cost import Node
from optimizer.calendar import DayCalendar, When
from optimizer.documents import Document, Location, Source
from optimizer.errors import TariffError
from optimizer.timegrid import BillingPeriods, BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.units import clock


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


@dataclass
class Context:
    """What a charge needs to know to become lines.

    ``in_force`` tells the steps, shape (T,), on which this version of the tariff holds;
    ``lines`` the lines of the charges above this one in the file, ``declared`` their names (a
    seasonal charge may have no line on a short grid).
    """

    grid: TimeGrid
    periods: BillingPeriods
    calendar: DayCalendar
    in_force: BoolArray
    source: Source
    location: Location
    read_prices: Callable[[Path, str, str], FloatArray]
    peak_so_far_kw: Mapping[str, float]
    declared: list[str] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def where(self, *inner: int | str) -> str:
        """Return the place in the tariff file of this charge, or of a value in it."""
        return self.source.where((*self.location, *inner))

    def period_count(self) -> int:
        """Return the number of billing periods P."""
        return len(self.periods.periods)

    def steps_of_period(self, mask: BoolArray, period: int) -> IntArray:
        """Return the masked steps in force that lie in a period."""
        inside = mask & self.in_force & (self.periods.of_step == period)
        return np.flatnonzero(inside).astype(np.int64)

    def mask(self, when: When, *inner: int | str) -> BoolArray:
        """Return the steps that a part of the calendar names, shape (T,).

        Raises
        ------
        TariffError
            If it names a season or holidays that the tariff does not have.
        """
        self.check_words(when, *inner)
        self._note_cut_steps(when)
        kinds, seasons = self.calendar.kinds_and_seasons(self.grid)
        return when.mask(self.grid, kinds, seasons)

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


class ChargeBase(Document):
    """What all charges have."""

    name: str = Field(min_length=1)
    source: str | None = None

    def lines(self, context: Context) -> list[Line]:
        """Return the lines of this charge in every billing period it touches."""
        raise NotImplementedError
