"""Taxes, riders and discounts that are a percentage of other charges.

A percentage may stand on percentages above it: a tax on a tax.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.cost import Scale, Sum
from optimizer.errors import TariffError


class PercentageCharge(ChargeBase):
    """A percentage of the named charges, or of ``all above`` it."""

    kind: Literal["percentage"]
    percent: float = Field(ge=-100, le=1000)
    of: Annotated[list[str], Field(min_length=1)] | Literal["all above"]

    @model_validator(mode="after")
    def _names_stand_once(self) -> PercentageCharge:
        if self.of != "all above" and len(set(self.of)) < len(self.of):
            raise ValueError(
                f"{self.name!r} names a charge twice in {self.of} | Name each charge once. | of"
            )
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period in which a named charge has a line."""
        if self.of != "all above":
            self._check_names(context)
        base = [line for line in context.lines if self.of == "all above" or line.charge in self.of]
        lines = []
        for period in sorted({line.period for line in base}):
            quantity = Sum(tuple(line.cost for line in base if line.period == period))
            rate = self.percent / 100
            cost = Scale(rate, quantity)
            where = context.where("percent")
            lines.append(Line(self.name, self.name, period, quantity, "money", rate, cost, where))
        return lines

    def _check_names(self, context: Context) -> None:
        for position, name in enumerate(self.of):
            if name not in context.declared:
                raise TariffError(
                    f"{self.name!r} is a percentage of {name!r}, which is no charge above it;"
                    f" above are {', '.join(context.declared) or 'none'}",
                    where=context.where("of", position),
                    mend="Name charges that stand above this one, or write of: all above.",
                )
