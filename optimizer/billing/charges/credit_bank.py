"""Credits in money that offset only named charges, and are carried on where they do not fit.

Net billing: export earns a credit at a price of its own; the credit may bring the charges it
offsets down to zero, not further. The line takes back what does not fit, and gives it later.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from optimizer.base.calendar import MonthDay
from optimizer.base.errors import Mistake
from optimizer.billing.charges.banks import Settled, settled_alone, settled_in_turn
from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.cost.expression import ZERO, Node, Scale, Sum, minus


class CreditBank(ChargeBase):
    """A bank for the credits named in ``credits``, which offset only the charges in ``offset``.

    ``left_over: carried`` keeps what does not fit for later periods, until ``reset`` or
    ``expire_after_periods``; ``lost`` keeps nothing. What is lost is paid out at ``paid_pct``.
    """

    kind: Literal["credit_bank"]
    credits: Annotated[list[str], Field(min_length=1)]
    offset: Annotated[list[str], Field(min_length=1)]
    left_over: Literal["carried", "lost"] = "carried"
    reset: MonthDay | None = None
    expire_after_periods: int | None = Field(default=None, ge=1, le=120)
    paid_pct: float = Field(default=0.0, ge=0, le=100)

    @model_validator(mode="after")
    def _words_fit_together(self) -> CreditBank:
        twice = set(self.credits) & set(self.offset)
        if twice:
            raise Mistake(
                f"{sorted(twice)} stand under credits and under offset",
                "Keep each in one.",
                "offset",
            )
        if self.left_over == "lost" and (self.reset or self.expire_after_periods):
            raise Mistake(
                "credits that are lost at once have no reset",
                "Remove it, or write left_over: carried.",
                "left_over",
            )
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each period: what is taken back (positive) or given (negative)."""
        context.refuse_unknown(self.credits, self.name, "credits")
        context.refuse_unknown(self.offset, self.name, "offset")
        sums: dict[int, Node] = {}
        for period in range(context.period_count()):
            costs = [line.cost for line in context.lines_of([*self.credits, *self.offset], period)]
            if costs:
                sums[period] = Sum(tuple(costs))
        lines = []
        for period, result in self._settled(context, sums).items():
            moved: Node = Sum((result.due, minus(sums.get(period, ZERO))))
            if self.paid_pct:
                moved = Sum((moved, Scale(-self.paid_pct / 100, result.lost)))
            where = context.where("credits")
            lines.append(Line.of_money(self.name, period, moved, where))
        return lines

    def _settled(self, context: Context, sums: dict[int, Node]) -> dict[int, Settled]:
        if self.left_over == "lost":
            return {period: settled_alone(node) for period, node in sums.items()}
        return settled_in_turn(context, self.name, self.expire_after_periods, self.reset, sums)
