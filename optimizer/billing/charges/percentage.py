"""Taxes, riders and discounts that are a percentage of other charges.

A percentage may stand on percentages above it: a tax on a tax. It may depend on the period's
energy: a discount for those who use little.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, TariffError
from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.charges.blocks import refuse_wrong_starts
from optimizer.cost.expression import Choice, FlowSum, Node, Scale, Sum, minus

Percent = Annotated[float, Field(ge=-100, le=1000)]


class PercentBand(Document):
    """A percentage that holds from an amount of imported energy in the period on."""

    from_kwh: float = Field(ge=0)
    percent: Percent


class PercentageCharge(ChargeBase):
    """A percentage of the named charges, or of ``all above`` it; the same for all, or in bands."""

    kind: Literal["percentage"]
    percent: Percent | None = None
    bands: Annotated[list[PercentBand], Field(min_length=2)] | None = None
    of: Annotated[list[str], Field(min_length=1)] | Literal["all above"]

    @model_validator(mode="after")
    def _said_once(self) -> PercentageCharge:
        if (self.percent is None) == (self.bands is None):
            found = "no percentage" if self.bands is None else "two percentages"
            raise Mistake(f"{self.name!r} has {found}", "Give one of percent and bands.")
        if self.bands is not None:
            refuse_wrong_starts([band.from_kwh for band in self.bands], "band", " kWh", "bands")
        if self.of != "all above" and len(set(self.of)) < len(self.of):
            raise Mistake(
                f"{self.name!r} names a charge twice in {self.of}", "Name each charge once.", "of"
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
            lines.append(self._line(context, period, quantity))
        return lines

    def _line(self, context: Context, period: int, quantity: Node) -> Line:
        if self.percent is not None:
            rate = self.percent / 100
            where = context.where("percent")
            return self.line(period, quantity, "money", rate, where)
        assert self.bands is not None
        steps = context.steps_of_period(np.ones(context.grid.count, dtype=bool), period)
        energy = FlowSum("import_kwh", steps, np.ones(len(steps)))
        # The whole with its percentage less the whole: so a discount leaves every charge positive.
        with_percentage = tuple(Scale(1 + band.percent / 100, quantity) for band in self.bands)
        edges = tuple(band.from_kwh for band in self.bands[1:])
        cost = Sum((Choice(energy, edges, with_percentage), minus(quantity)))
        where = context.where("bands")
        return self.line(period, quantity, "money", None, where, cost=cost)

    def _check_names(self, context: Context) -> None:
        for position, name in enumerate(self.of):
            if name not in context.declared:
                raise TariffError(
                    f"{self.name!r} is a percentage of {name!r}, which is no charge above it;"
                    f" above are {', '.join(context.declared) or 'none'}",
                    where=context.where("of", position),
                    mend="Name charges that stand above this one, or write of: all above.",
                )
