"""Reactive energy and the power factor: billed from meters that count it, not planned.

A plan cannot know reactive energy; it reads a power factor that needs no adjustment, and says so.
Read next: ``fixed``.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.calendar import Times
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.flows import Flows
from optimizer.base.timegrid import IntArray, interval_of_step
from optimizer.billing.charges.base import ChargeBase, Context, Line, Rounding
from optimizer.cost.expression import ZERO, Metered, Node, Peak


class PowerFactor(Document):
    """How a low power factor raises the billed kW.

    ``ratio`` bills kW × target ÷ power factor, ``difference`` kW × (1 + target − power factor),
    each only below the target; ``kva`` bills the larger of kW and target × kVA. The power factor is
    that of the whole period's energy, or ``at: peak`` that of the interval of the peak.
    """

    rule: Literal["ratio", "difference", "kva"]
    target: float = Field(gt=0, le=1)
    at: Literal["period", "peak"] = "period"

    def adjusted(self, peak: Peak, steps: IntArray, context: Context, name: str) -> Node:
        """Return the demand adjusted by reactive energy; without readings the demand itself. [kW]"""
        note_reactive(context, name)

        def formula(flows: Flows) -> float:
            kw = peak.value(flows.import_kwh)
            reactive = flows.reactive_kvarh
            if reactive is None:
                return kw
            if self.rule == "kva":
                power = np.hypot(
                    peak.interval_kw(flows.import_kwh), peak.interval_kw(np.asarray(reactive))
                )
                return max(kw, self.target * float(power.max(initial=0.0)))
            inside = steps
            if self.at == "peak":
                highest = peak.highest_intervals(flows.import_kwh)[:1]
                inside = peak.steps[np.isin(peak.interval, highest)]
            factor = power_factor(
                float(flows.import_kwh[inside].sum()), float(reactive[inside].sum())
            )
            if factor >= self.target:
                return kw
            return kw * (self.target / factor if self.rule == "ratio" else 1 + self.target - factor)

        return Metered(formula, peak)


def power_factor(active: float, reactive: float) -> float:
    """Return active ÷ apparent power; 1 where nothing flows. [1]"""
    apparent = float(np.hypot(active, reactive))
    return active / apparent if apparent else 1.0


class ReactiveCharge(Times, ChargeBase):
    """A price of reactive demand or energy beyond a share of the active one.

    ``per_kvar`` prices the period's highest kvar beyond ``free_share`` × its highest kW,
    ``per_kvarh`` the reactive energy beyond ``free_share`` × the active energy.
    """

    kind: Literal["reactive"]
    per_kvar: float | None = Field(default=None, ge=0, le=1000)
    per_kvarh: float | None = Field(default=None, ge=0, le=1000)
    free_share: float = Field(default=0.0, ge=0, le=10)
    interval_minutes: Literal[15, 30, 60] = 15
    round_quantity: Rounding | None = None

    @model_validator(mode="after")
    def _priced_in_one_way(self) -> ReactiveCharge:
        if (self.per_kvar is None) == (self.per_kvarh is None):
            raise Mistake(
                f"the charge {self.name!r} has {'no price' if self.per_kvar is None else 'two prices'}",
                "Give one of per_kvar and per_kvarh.",
            )
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period that has a step in the charge's hours."""
        note_reactive(context, self.name)
        mask = context.mask(self)
        return [
            self._line(context, period, steps)
            for period in range(context.period_count())
            if len(steps := context.steps_of_period(mask, period))
        ]

    def _line(self, context: Context, period: int, steps: IntArray) -> Line:
        unit, key, rate = (
            ("kvar", "per_kvar", self.per_kvar)
            if self.per_kvar is not None
            else ("kvarh", "per_kvarh", self.per_kvarh)
        )
        assert rate is not None
        interval = interval_of_step(context.grid, self.interval_minutes)[steps]
        numbered = np.cumsum(np.diff(interval, prepend=interval[:1]) != 0)
        peak = Peak("import_kwh", steps, numbered, context.grid.step_h)

        def formula(flows: Flows) -> float:
            if flows.reactive_kvarh is None:
                return 0.0
            reactive = np.asarray(flows.reactive_kvarh)
            if self.per_kvar is not None:
                beyond = peak.value(reactive) - self.free_share * peak.value(flows.import_kwh)
            else:
                free = self.free_share * float(flows.import_kwh[steps].sum())
                beyond = float(reactive[steps].sum()) - free
            return max(beyond, 0.0)

        quantity: Node = Metered(formula, ZERO)
        if self.round_quantity is not None:
            quantity = self.round_quantity.of(quantity)
        share = context.share_in_force(period)
        rate = rate * share if self.per_kvar is not None else rate
        where = context.where(key)
        return self.line(period, quantity, unit, rate, where)


def note_reactive(context: Context, name: str) -> None:
    """Note that what hangs on reactive energy is billed, not planned."""
    context.notes.append(
        f"{name}: reactive energy is billed where the meter counts it (reactive_kvarh); a plan does"
        " not know it and is made as if there were nothing to adjust."
    )
