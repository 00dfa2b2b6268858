"""Taxes, riders and discounts that are a percentage of other charges.

A percentage may stand on percentages above it: a tax on a tax.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.cost import Scale, Sum
from optimizer.errors import TariffError


class PercentageCharge(ChargeBase):
    """A percentage of the named charges, or of ``all above`` it."""

    kind: Literal["percentage"]
    percent: float = Field(ge=-100, le=1000)
    of: list[str] | Literal["all above"]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period in which a named charge has a line."""
        known = {line.charge for line in context.lines}
        if self.of != "all above":
            self._check_names(context, known)
        base = [line for line in context.lines if self.of == "all above" or line.charge in self.of]
        lines = []
        for period in sorted({line.period for line in base}):
            quantity = Sum(tuple(line.cost for line in base if line.period == period))
            rate = self.percent / 100
            cost = Scale(rate, quantity)
            where = context.where("percent")
            lines.append(Line(self.name, self.name, period, quantity, "money", rate, cost, where))
        return lines

    def _check_names(self, context: Context, known: set[str]) -> None:
        for position, name in enumerate(self.of):
            if name not in known:
                raise TariffError(
                    f"{self.name!r} is a percentage of {name!r}, which is no charge above it;"
                    f" above are {', '.join(sorted(known)) or 'none'}",
                    where=context.where("of", position),
                    mend="Name charges that stand above this one, or write of: all above.",
                )
