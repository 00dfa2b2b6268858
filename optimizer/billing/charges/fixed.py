"""Charges that no flow changes: an amount per day, month, year or 30 days.

A month is a billing period, and a year the calendar year of the period's first day; a period that
the series covers in part is charged in part, by days (common practice, no published source). Where
a utility prorates by a month of so many days, ``month_days`` says so.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BillingPeriod
from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.cost.expression import Constant

UNITS = {"day": "days", "month": "months", "year": "years", "30 days": "30 days"}

Per = Literal["day", "month", "year", "30 days"]


class FixedCharge(ChargeBase):
    """An amount of money per day, month, year or 30 days."""

    kind: Literal["fixed"]
    amount: float = Field(ge=-1e7, le=1e7)
    per: Per
    month_days: float | None = Field(default=None, ge=28, le=31)

    @model_validator(mode="after")
    def _month_days_of_months(self) -> FixedCharge:
        if self.month_days is not None and self.per != "month":
            raise Mistake("month_days prorates months", "Write per: month.", "month_days")
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period."""
        return [
            self._line(context, number, days)
            for number in range(context.period_count())
            if (days := context.days_in_force(number)) > 0
        ]

    def _line(self, context: Context, number: int, days: float) -> Line:
        period = context.periods.periods[number]
        units = days / self.month_days if self.month_days else units_of(self.per, days, period)
        quantity = Constant(round(units, 9))
        return self.line(
            number,
            quantity,
            UNITS[self.per],
            self.amount,
            context.where("amount"),
            cost=Constant(quantity.amount * self.amount),
        )


def units_of(per: Per, days: float, period: BillingPeriod) -> float:
    """Return how many units (day, month, year, 30 days) some days of a period are. [1]"""
    length = {"day": 1.0, "month": period.days, "year": period.days_of_year, "30 days": 30.0}
    return days / length[per]
