"""Demand charges: a price per kW of the highest mean power in a billing period.

Demand is the mean power over a demand interval of 15, 30 or 60 minutes that begins on the clock.
A charge may look at a part of the calendar only (its on-peak hours).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.cost import Peak, Scale
from optimizer.calendar import When
from optimizer.errors import TariffError
from optimizer.timegrid import BoolArray, IntArray, interval_of_step
from optimizer.units import clock


class DemandCharge(When, ChargeBase):
    """A price per kW of the period's highest demand.

    Where two versions of a tariff share a period, each is charged for its share of the days, on the
    highest demand of its own days.
    """

    kind: Literal["demand"]
    per_kw: float = Field(ge=0, le=10_000)
    interval_minutes: Literal[15, 30, 60]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period that has a step in the charge's hours."""
        mask = context.mask(self)
        self._check_interval(context)
        interval = interval_of_step(context.grid, self.interval_minutes)
        return [
            self._line(context, period, steps, interval)
            for period in range(context.period_count())
            if len(steps := context.steps_of_period(mask, period))
        ]

    def _line(self, context: Context, period: int, steps: IntArray, interval: IntArray) -> Line:
        numbered = np.cumsum(np.diff(interval[steps], prepend=interval[steps[0]]) != 0)
        reached = context.peak_so_far_kw.get(self.name, 0.0) if period == 0 else 0.0
        before = (reached,) if reached else ()
        peak = Peak("import_kwh", steps, numbered, context.grid.step_h, before)
        share = self._share_in_force(context, period)
        if share < 1:
            context.notes.append(
                f"{self.name}: the tariff changes inside a billing period; each version is charged"
                " for its share of the days, on the highest demand of its own days."
            )
        rate = self.per_kw * share
        where = context.where("per_kw")
        return Line(self.name, self.name, period, peak, "kW", rate, Scale(rate, peak), where)

    def _share_in_force(self, context: Context, period: int) -> float:
        inside: BoolArray = context.periods.of_step == period
        days = context.grid.day_share
        share = days[inside & context.in_force].sum() / days[inside].sum()
        return round(float(share), 9)

    def _check_interval(self, context: Context) -> None:
        cut = [edge for edge in sorted(self.edges()) if edge % self.interval_minutes]
        if cut:
            raise TariffError(
                f"the hours of {self.name!r} begin or end at {clock(cut[0])}, inside a demand"
                f" interval of {self.interval_minutes} min",
                where=context.where("hours"),
                mend="Let the hours begin and end on multiples of the demand interval.",
            )
        if context.grid.step_minutes > self.interval_minutes:
            context.notes.append(
                f"{self.name}: demand is measured over {self.interval_minutes} min, but the series"
                f" has steps of {context.grid.step_minutes} min; peaks inside a step are not seen"
                " and the real charge is higher."
            )
