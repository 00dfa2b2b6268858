"""Demand response: a rebate for each kWh that lies below a baseline of earlier days in called hours.

The baseline of an event is the mean power of the same hours of some earlier days that were no events, or of
the highest of them; what the event used less than that is paid, never less than nothing. Averages of ten
earlier weekdays, and of the five highest of ten, are common in demand-response programs (from memory, no
source at hand). A plan that knew the baseline would raise it by wasting energy on the days before; it reads
the rebate as a price of the called hours instead. Read next: ``reactive``.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.calendar import DayWord, Times, When
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BoolArray, IntArray
from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.charges.energy import PerKwh
from optimizer.cost.expression import FlowSum, Metered, Node, Peak, Scale, Sum, above, evaluate


class Baseline(Document):
    """How many earlier days count, of which kind, and how many of them, the highest, are averaged."""

    earlier_days: int = Field(ge=1, le=60)
    of: Annotated[list[DayWord], Field(min_length=1)] = ["weekdays"]
    highest: int | None = Field(default=None, ge=1)

    @model_validator(mode="after")
    def _not_more_than_there_are(self) -> Baseline:
        if self.highest is not None and self.highest > self.earlier_days:
            raise Mistake(
                f"highest is {self.highest}, of {self.earlier_days} earlier_days",
                "Count no more days than are looked at.",
                "highest",
            )
        return self


class BaselineRebate(Times, ChargeBase):
    """``per_kwh`` for what a called event's import lies below its baseline.

    Each of the ``dates`` is an event, in all ``hours`` that are named for it.
    """

    kind: Literal["baseline_rebate"]
    per_kwh: Annotated[PerKwh, Field(ge=0)]
    baseline: Baseline

    @model_validator(mode="after")
    def _called_by_date(self) -> BaselineRebate:
        for place, part in self.parts():
            if part.dates is None:
                raise Mistake(
                    f"{self.name!r} does not say on which days it is called",
                    "Give dates, one for each event.",
                    place,
                )
            if part.is_over_midnight:
                raise Mistake(
                    f"the hours {part.hours} run over midnight, and days are compared one by one",
                    "Name the hours before midnight alone, or two charges.",
                    (*place, "hours"),
                )
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period with an event that has a baseline."""
        context.check_words(When(days=self.baseline.of), "baseline", "of")
        mask = context.mask(self)
        called: set[date] = context.remembered(f"events of {self.name}", set)
        called |= {day for _, part in self.parts() for day in part.dates or ()}
        lines = []
        for period in range(context.period_count()):
            steps = context.steps_of_period(mask, period)
            below, used = self._of_events(context, steps, called)
            if below:
                kwh, where = Sum(tuple(below)), context.where("per_kwh")
                cost = self._planned_as_a_price(kwh, Sum(tuple(used)))
                lines.append(self.line(period, kwh, "kWh", -self.per_kwh, where, cost=cost))
        if lines:
            context.notes.append(
                f"{self.name}: billed against the baseline of earlier days; a plan reads it as a price of"
                f" {self.per_kwh:g} a kWh on import in the called hours, so that it raises no baseline."
            )
        return lines

    def _planned_as_a_price(self, below: Node, used: Node) -> Node:
        paid = Scale(-self.per_kwh, below)
        return Metered(lambda flows: evaluate(paid, flows), Scale(self.per_kwh, used), (paid,))

    def _of_events(
        self, context: Context, steps: IntArray, called: set[date]
    ) -> tuple[list[Node], list[Node]]:
        """Return for each event what lies below its baseline, and what it used. [kWh]"""
        grid = context.grid
        below: list[Node] = []
        used: list[Node] = []
        for day in np.unique(grid.day[steps]):
            inside = steps[grid.day[steps] == day]
            earlier = self._earlier_days(context, int(day), grid.minute_of_day[inside], called)
            self._note_missing(context, grid.dates[day], len(earlier))
            if not earlier:
                continue
            number = np.repeat(np.arange(len(earlier)), [len(e) for e in earlier]).astype(np.int64)
            highest = self.baseline.highest or self.baseline.earlier_days
            mean_kw = Peak(
                "import_kwh", np.concatenate(earlier), number, grid.step_h,
                highest=highest, group=np.arange(len(earlier), dtype=np.int64),
            )  # fmt: skip
            own = FlowSum("import_kwh", inside, np.ones(len(inside)))
            below.append(above(Scale(len(inside) * grid.step_h, mean_kw), own))
            used.append(own)
        return below, used

    def _earlier_days(
        self, context: Context, event: int, minutes: IntArray, called: set[date]
    ) -> list[IntArray]:
        """Return the steps of the same hours on each of the days that count, the latest first."""
        grid, found = context.grid, list[IntArray]()
        same = np.isin(grid.minute_of_day, minutes)
        counted = self._counted_days(context)
        for day in range(event - 1, -1, -1):
            if len(found) == self.baseline.earlier_days:
                break
            if not counted[day] or grid.dates[day] in called:
                continue
            steps = np.flatnonzero(same & (grid.day == day)).astype(np.int64)
            if len(np.unique(grid.minute_of_day[steps])) == len(np.unique(minutes)):
                found.append(steps)
        return found

    def _counted_days(self, context: Context) -> BoolArray:
        kinds, _ = context.calendar.kinds_and_seasons(context.grid)
        return np.asarray(When(days=self.baseline.of).day_kind_mask()[kinds])

    def _note_missing(self, context: Context, event: date, found: int) -> None:
        if found < self.baseline.earlier_days:
            context.notes.append(
                f"{self.name}: the event of {event} has {found} of {self.baseline.earlier_days} earlier days"
                " in the series"
                + (", whose mean is taken." if found else ": no baseline, and no rebate.")
            )
