"""Charges that no flow changes: an amount per day, month or year.

A month is a billing period, and a year the calendar year of the period's first day; a period that
the series covers in part is charged in part, by days (common practice, no published source).
"""

from __future__ import annotations

from datetime import date
from typing import Literal

import numpy as np
from pydantic import Field

from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.cost import Constant
from optimizer.timegrid import BillingPeriod

UNITS = {"day": "days", "month": "months", "year": "years"}


class FixedCharge(ChargeBase):
    """An amount of money per day, month or year."""

    kind: Literal["fixed"]
    amount: float = Field(ge=-1e7, le=1e7)
    per: Literal["day", "month", "year"]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period."""
        days = np.bincount(
            context.periods.of_step,
            weights=context.grid.day_share * context.in_force,
            minlength=context.period_count(),
        )
        return [
            self._line(context, number, float(days[number]))
            for number in range(context.period_count())
            if days[number] > 0
        ]

    def _line(self, context: Context, number: int, days: float) -> Line:
        units = days / self._days_per_unit(context.periods.periods[number])
        quantity = Constant(round(units, 9))
        return Line(
            charge=self.name,
            name=self.name,
            period=number,
            quantity=quantity,
            unit=UNITS[self.per],
            rate=self.amount,
            cost=Constant(quantity.amount * self.amount),
            where=context.where("amount"),
        )

    def _days_per_unit(self, period: BillingPeriod) -> float:
        if self.per == "day":
            return 1.0
        if self.per == "month":
            return period.days
        year = period.first.year
        return (date(year + 1, 1, 1) - date(year, 1, 1)).days
