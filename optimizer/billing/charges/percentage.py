"""Taxes, riders and discounts that are a percentage of other charges.

A percentage may stand on percentages above it: a tax on a tax. It may depend on the period's
energy (a discount for those who use little), on its load factor (a rebate for those who use evenly)
or on its power factor; the last two are billed, and planned as the notes say.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Literal, get_args

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import IntArray
from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.charges.blocks import refuse_wrong_starts
from optimizer.billing.charges.reactive import note_reactive, power_factor
from optimizer.cost.expression import (
    EDGE_SLACK,
    Choice,
    FlowSum,
    Metered,
    Node,
    Scale,
    Sum,
    evaluate,
    minus,
)

Percent = Annotated[float, Field(ge=-100, le=1000)]


BandKey = Literal["from_kwh", "from_load_factor", "from_power_factor"]
Factor = Annotated[float, Field(ge=0, le=1)]


class PercentBand(Document):
    """A percentage that holds from an amount of imported energy, or a factor, of the period on."""

    from_kwh: float | None = Field(default=None, ge=0)
    from_load_factor: Factor | None = None
    from_power_factor: Factor | None = None
    percent: Percent

    @model_validator(mode="after")
    def _begins_in_one_way(self) -> PercentBand:
        if len(self.begins) != 1:
            found = " and ".join(self.begins) or "nothing"
            raise Mistake(
                f"a band begins at {found}", f"Give one of {', '.join(get_args(BandKey))}."
            )
        return self

    @property
    def begins(self) -> dict[BandKey, float]:
        """Where it begins, by the key that says it."""
        keys: tuple[BandKey, ...] = get_args(BandKey)
        told = {key: getattr(self, key) for key in keys}
        return {key: value for key, value in told.items() if value is not None}


class PercentageCharge(ChargeBase):
    """A percentage of the named charges, or of ``all above`` it; the same for all, or in bands."""

    kind: Literal["percentage"]
    percent: Percent | None = None
    bands: Annotated[list[PercentBand], Field(min_length=2)] | None = None
    of: Annotated[list[str], Field(min_length=1)] | Literal["all above"]
    demand: str | None = None

    @model_validator(mode="after")
    def _said_once(self) -> PercentageCharge:
        if (self.percent is None) == (self.bands is None):
            found = "no percentage" if self.bands is None else "two percentages"
            raise Mistake(f"{self.name!r} has {found}", "Give one of percent and bands.")
        if self.bands is not None:
            self._check_bands(self.bands)
        elif self.demand is not None:
            raise Mistake("demand is for bands by load factor", "Remove it.", "demand")
        if self.of != "all above" and len(set(self.of)) < len(self.of):
            raise Mistake(
                f"{self.name!r} names a charge twice in {self.of}", "Name each charge once.", "of"
            )
        return self

    def _check_bands(self, bands: list[PercentBand]) -> None:
        keys = dict.fromkeys(key for band in bands for key in band.begins)
        if len(keys) > 1:
            raise Mistake(
                f"the bands of {self.name!r} begin at {' and '.join(keys)}",
                "Let all go by one of them.",
                "bands",
            )
        (key,) = keys
        unit = " kWh" if key == "from_kwh" else ""
        refuse_wrong_starts([band.begins[key] for band in bands], "band", unit, "bands")
        if (self.demand is None) == (key == "from_load_factor"):
            raise Mistake(
                "a load factor is energy ÷ (demand × hours)"
                if self.demand is None
                else f"demand is {self.demand!r}, but the bands do not go by load factor",
                "Name the demand charge above as demand."
                if self.demand is None
                else "Remove demand.",
                "bands" if self.demand is None else "demand",
            )

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period in which a named charge has a line."""
        if self.of != "all above":
            self._check_names(context)
        if self.demand is not None and context.declared.get(self.demand) != "demand":
            raise context.no_demand(
                self.name, "the load factor", self.demand, "is no demand charge above"
            )
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
        where, cost = context.where("bands"), self._in_bands(context, period, quantity)
        return self.line(period, quantity, "money", None, where, cost=cost)

    def _in_bands(self, context: Context, period: int, quantity: Node) -> Node:
        assert self.bands is not None
        steps = context.steps_of_period(np.ones(context.grid.count, dtype=bool), period)
        starts = tuple(next(iter(band.begins.values())) for band in self.bands[1:])
        (key,) = self.bands[0].begins
        if key == "from_kwh":
            energy = FlowSum("import_kwh", steps, np.ones(len(steps)))
            # The whole with its percentage less the whole: so a discount leaves every charge positive.
            whole = tuple(Scale(1 + band.percent / 100, quantity) for band in self.bands)
            return Sum((Choice(energy, starts, whole), minus(quantity)))
        factor: Callable[[Flows], float]
        if key == "from_power_factor":
            note_reactive(context, self.name)
            factor, planned = partial(_power_factor, steps), self.bands[-1]
        else:
            context.notes.append(
                f"{self.name}: the load factor is known when the period is over; a plan is made as if the"
                " lowest band held, and the bill has the one that was reached."
            )
            demand = self._demand(context, period)
            factor, planned = partial(_load_factor, steps, demand), self.bands[0]
        shares = [band.percent / 100 for band in self.bands]

        def formula(flows: Flows) -> float:
            band = int(np.searchsorted(starts, factor(flows) + EDGE_SLACK, side="right"))
            return shares[band] * evaluate(quantity, flows)

        return Metered(formula, Scale(planned.percent / 100, quantity))

    def _demand(self, context: Context, period: int) -> Node:
        assert self.demand is not None
        demands = [line.quantity for line in context.lines_of([self.demand], period)]
        if not demands:
            raise context.no_demand(
                self.name, "the load factor", self.demand, "has no kW in a period"
            )
        return Sum(tuple(demands))

    def _check_names(self, context: Context) -> None:
        for position, name in enumerate(self.of):
            if name not in context.declared:
                raise TariffError(
                    f"{self.name!r} is a percentage of {name!r}, which is no charge above it;"
                    f" above are {', '.join(context.declared) or 'none'}",
                    where=context.where("of", position),
                    mend="Name charges that stand above this one, or write of: all above.",
                )


def _power_factor(steps: IntArray, flows: Flows) -> float:
    """Return the power factor of some steps; 1 where reactive energy is not metered."""
    if flows.reactive_kvarh is None:
        return 1.0
    active = float(flows.import_kwh[steps].sum())
    return power_factor(active, float(flows.reactive_kvarh[steps].sum()))


def _load_factor(steps: IntArray, demand: Node, flows: Flows) -> float:
    """Return energy ÷ (demand × hours) of some steps; 1 where there is no demand."""
    kw_h = evaluate(demand, flows) * len(steps) * flows.grid.step_h
    return float(flows.import_kwh[steps].sum()) / kw_h if kw_h else 1.0
