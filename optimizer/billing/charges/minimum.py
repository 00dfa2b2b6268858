"""A minimum bill: what named charges come to at least.

The line is what is missing: the larger of the sum and the minimum, less the sum.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.charges.fixed import units_of
from optimizer.cost.expression import Constant, Largest, Sum, minus


class MinimumCharge(ChargeBase):
    """An amount per day, month or 30 days that charges above must come to."""

    kind: Literal["minimum"]
    amount: float = Field(ge=-1e7, le=1e7)
    per: Literal["day", "month", "year", "30 days"]
    of: Annotated[list[str], Field(min_length=1)] | Literal["all above"]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period."""
        if self.of != "all above":
            context.refuse_unknown(self.of, self.name, "of")
        lines = []
        for period in range(context.period_count()):
            days = context.days_in_force(period)
            if not days:
                continue
            costs = tuple(line.cost for line in context.lines_of(self.of, period))
            least = Constant(
                self.amount * units_of(self.per, days, context.periods.periods[period])
            )
            charged = Sum(costs)
            missing = Sum((Largest((charged, least)), minus(charged)))
            where = context.where("amount")
            lines.append(Line.of_money(self.name, period, missing, where))
        return lines
