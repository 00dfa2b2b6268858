"""Export that is credited on other meters, and what other meters give to this one.

One meter is billed at a time: of what it gives, nothing is credited here; what it receives is a known
amount, from the statement or a file, that no plan changes. Read next: ``energy``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.billing.charges.base import Context
from optimizer.billing.history import PastMonth
from optimizer.cost.expression import Constant, Node, Scale, Sum, above

Weighing = Callable[[IntArray, FloatArray], Node]
"""Counts a flow in some steps, by the weight of each. [kWh or money]"""

AtLeastZero = Annotated[float, Field(ge=0, le=1e9)]

RECEIVED = "received from other meters"


class EnergySeries(Document):
    """Energies from a CSV with ``time``: ``column`` ends in ``kwh``."""

    file: str
    column: str


class Shared(Document):
    """What of this meter's export other meters get, and what this one gets of theirs.

    ``given_pct`` is a share of the export, ``given_kwh`` the first kWh of a billing period;
    ``received_kwh`` are twelve amounts, January first, or one for each month by its name, each spread
    evenly over its days; ``received`` is a file.
    """

    given_pct: float = Field(default=0.0, ge=0, le=100)
    given_kwh: float | None = Field(default=None, gt=0)
    received_kwh: list[AtLeastZero] | dict[PastMonth, AtLeastZero] | None = None
    received: EnergySeries | None = None

    @model_validator(mode="after")
    def _said_once(self) -> Shared:
        if self.given_pct and self.given_kwh is not None:
            raise Mistake(
                "given_pct and given_kwh both say what is given", "Keep one.", "given_kwh"
            )
        if self.received_kwh is not None and self.received is not None:
            raise Mistake(
                "received_kwh and received both say what is received", "Keep one.", "received"
            )
        if isinstance(self.received_kwh, list) and len(self.received_kwh) != 12:
            raise Mistake(
                f"received_kwh has {len(self.received_kwh)} amounts, not one for each month",
                "Give twelve, January first, or one by month as 2026-03: 120.",
                "received_kwh",
            )
        return self

    def weighing(self, context: Context, name: str, own: Weighing) -> Weighing:
        """Return what counts here, given what counts this meter's own export."""
        received = self._received(context, name)
        self._note(context, name, float(received.sum()))

        def counted(steps: IntArray, weights: FloatArray) -> Node:
            kept: Node = Scale(1 - self.given_pct / 100, own(steps, weights))
            if self.given_kwh is not None:
                period = int(context.periods.of_step[steps[0]])
                share = context.days_in_force(period) / context.periods.periods[period].days
                kept = above(own(steps, weights), self.given_kwh * share)
            return Sum((kept, Constant(float(received[steps] @ weights), RECEIVED)))

        return counted

    def _note(self, context: Context, name: str, received_kwh: float) -> None:
        """Tell that other meters' bills are not part of this one."""
        given = f"{self.given_pct:g} % of this meter's export is"
        if self.given_kwh is not None:
            given = f"the first {self.given_kwh:g} kWh of this meter's export in a period are"
        if self.given_pct or self.given_kwh is not None:
            context.notes.append(
                f"{name}: {given} credited on other meters and not here; their bills are not part of this"
                " one, and a plan does not weigh them."
            )
        if self.received_kwh is not None or self.received is not None:
            spread = "" if self.received_kwh is None else ", each month's evenly over its days"
            context.notes.append(
                f"{name}: {received_kwh:,.1f} kWh that other meters gave are credited here{spread}; a plan"
                " does not change them."
            )

    def _received(self, context: Context, name: str) -> FloatArray:
        grid = context.grid
        if self.received is not None:
            return context.read_prices(self.received, context.where("shared", "received"))
        if self.received_kwh is None:
            return np.zeros(grid.count)
        days = np.array(grid.dates, dtype="datetime64[D]").astype("datetime64[M]")
        of_month = {}
        for month in np.unique(days):
            key = str(month)
            if isinstance(self.received_kwh, list):
                kwh = self.received_kwh[int(key[5:]) - 1]
            else:
                kwh = self.received_kwh.get(key, 0.0)
                if key not in self.received_kwh:
                    context.notes.append(f"{name}: no received_kwh for {key}; nothing is counted.")
            length = (month + 1).astype("datetime64[D]") - month.astype("datetime64[D]")
            of_month[key] = kwh / float(length / np.timedelta64(1, "D"))
        per_day = np.array([of_month[str(month)] for month in days])
        return np.asarray(per_day[grid.day] * grid.day_share)
