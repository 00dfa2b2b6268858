"""A fee by steps: an amount of money for a month, by the range in which demand or energy lies.

The lower end of a step belongs to it: exactly 5 kW lies in the step from 5 kW. A plan takes
integers for steps. Read next: ``net_energy``.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, TariffError
from optimizer.billing.charges.base import PAST_PEAKS, ChargeBase, Context, Line
from optimizer.billing.charges.blocks import refuse_wrong_starts
from optimizer.billing.charges.demand import billed_demand
from optimizer.cost.expression import Choice, Constant, FlowSum, Node, Sum


class Step(Document):
    """A step: the amount from a value on, until the next step."""

    start: float = Field(alias="from", ge=0)
    amount: float = Field(ge=-1e7, le=1e7)


class StepFee(ChargeBase):
    """An amount for each billing period, by the step in which its demand or energy lies.

    ``by: import_kwh`` goes by the period's imported energy, any other word by the demand charge of
    that name above. ``of_period: previous`` goes by the period before.
    """

    kind: Literal["step_fee"]
    by: str
    steps: Annotated[list[Step], Field(min_length=2)]
    of_period: Literal["this", "previous"] = "this"

    @model_validator(mode="after")
    def _steps_rise(self) -> StepFee:
        refuse_wrong_starts([step.start for step in self.steps], "step", "", "steps")
        if self.of_period == "previous" and self.by == "import_kwh":
            raise Mistake(
                "only demand is looked up in the previous period",
                "Name a demand charge, or remove of_period.",
                "of_period",
            )
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period."""
        demand = [name for name, kind in context.declared.items() if kind == "demand"]
        if self.by != "import_kwh" and self.by not in demand:
            raise TariffError(
                f"{self.name!r} goes by {self.by!r}, which is no demand charge above it;"
                f" above are {', '.join(demand) or 'none'}",
                where=context.where("by"),
                mend="Write import_kwh, or the name of a demand charge above.",
            )
        lines = []
        for period in range(context.period_count()):
            measure = self._measure(context, period)
            if measure is None or not context.days_in_force(period):
                continue
            days, whole = context.days_in_force(period), context.periods.periods[period]
            share = days / whole.days
            if share < 1:
                context.notes.append(
                    f"{self.name}: {days:.4g} of the {whole.days} days of {whole.label} are billed, so it"
                    " pays that share of the fee, in the range of what was metered on them."
                )
            edges = tuple(step.start for step in self.steps[1:])
            options: tuple[Node, ...] = tuple(Constant(step.amount * share) for step in self.steps)
            fee = Choice(measure, edges, options)
            where = context.where("steps")
            lines.append(Line.of_money(self.name, period, fee, where))
        return lines

    def _measure(self, context: Context, period: int) -> Node | None:
        if self.by == "import_kwh":
            steps = context.steps_of_period(np.ones(context.grid.count, dtype=bool), period)
            return FlowSum("import_kwh", steps, np.ones(len(steps)))
        if self.of_period == "this":
            return self._demand(context, period)
        before = self._demand_before(context, period)
        return self._demand(context, period) if before is None else before

    def _demand_before(self, context: Context, period: int) -> Node | None:
        """Return the demand of the period before, in the series or known from before it."""
        if period and (billed := billed_demand(context, self.by, period - 1)) is not None:
            return billed
        this = context.periods.periods[period]
        middle = this.middle
        month = f"{middle.year - (middle.month == 1)}-{(middle.month - 2) % 12 + 1:02d}"
        past = context.history.past_peaks_kw.get(self.by, {})
        if not period and month in past:
            return Constant(past[month])
        context.notes.append(
            f"{self.name}: the fee of {this.label} goes by the demand of {month}, which is not known;"
            f" it goes by its own demand here. Give it as {PAST_PEAKS}."
        )
        return None

    def _demand(self, context: Context, period: int) -> Node | None:
        parts = [line.quantity for line in context.lines_of([self.by], period)]
        return Sum(tuple(parts)) if parts else None  # of a price by blocks there are several
