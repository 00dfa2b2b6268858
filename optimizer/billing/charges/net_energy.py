"""Net metering: import less export, in kWh, at one price; what is left over is carried on.

Read next: ``credit_bank``, the same in money.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from optimizer.base.calendar import month_and_day
from optimizer.base.errors import Mistake
from optimizer.billing.charges.banks import Settled, settled_alone, settled_in_turn
from optimizer.billing.charges.base import Context, Line
from optimizer.billing.charges.energy import EnergyBlocks, PerKwh, PricedEnergy, PricedPart
from optimizer.cost.expression import ZERO, FlowSum, Node, Sum, Tally, minus


def _readable(text: str) -> str:
    if month_and_day(text) == (2, 29):
        raise Mistake(f"{text!r} is no day of every year", "Write 02-28 or 03-01.")
    return text


MonthDay = Annotated[str, AfterValidator(_readable)]


class NetEnergyCharge(PricedEnergy):
    """Import less export of each part of the calendar, at its price.

    ``left_over: carried`` keeps kWh that were not offset for later periods of the same part, until
    ``reset`` (a month and a day) or ``expire_after_periods``; ``lost`` keeps nothing; ``paid`` pays
    ``surplus_per_kwh`` each period. What is lost at a reset is paid ``surplus_per_kwh`` as well.
    ``netted_over: year`` nets the whole calendar year, so that later export offsets earlier import.
    """

    kind: Literal["net_energy"]
    netted_over: Literal["period", "year"] = "period"
    left_over: Literal["carried", "lost", "paid"] = "carried"
    surplus_per_kwh: PerKwh = 0.0
    reset: MonthDay | None = None
    expire_after_periods: int | None = Field(default=None, ge=1, le=120)

    @model_validator(mode="after")
    def _words_fit_together(self) -> NetEnergyCharge:
        if self.prices_from is not None:
            key = "series" if self.table is None else "table"
            raise Mistake("net energy has fixed prices", "Use per_kwh or rates.", key)
        in_rates = [
            number for number, rate in enumerate(self.rates or ()) if rate.blocks is not None
        ]
        if self.blocks is not None or in_rates:
            where = ("rates", in_rates[0], "blocks") if in_rates else "blocks"
            raise Mistake(
                f"{self.name!r} prices net energy by blocks, which is not supported",
                "Use one price for each part of the calendar.",
                where,
            )
        if self.left_over == "lost" and self.netted_over == "period" and self.surplus_per_kwh:
            raise Mistake(
                "what is lost earns no surplus_per_kwh",
                "Remove it, or write left_over: paid.",
                "surplus_per_kwh",
            )
        if not self.carries and (self.reset is not None or self.expire_after_periods is not None):
            raise Mistake(
                "reset and expire_after_periods are for credits that are carried from period to"
                " period",
                "Remove them, or write left_over: carried.",
                "left_over",
            )
        return self

    @property
    def carries(self) -> bool:
        """Whether credits go on from period to period."""
        return self.left_over == "carried" and self.netted_over == "period"

    def lines(self, context: Context) -> list[Line]:
        """Return the lines of each part of the calendar and each billing period."""
        lines: list[Line] = []
        for part in self.priced_parts(context):
            assert not isinstance(part.price, EnergyBlocks)
            lines += self._part_lines(context, part, part.price)
        return sorted(lines, key=lambda line: line.period)

    def _part_lines(self, context: Context, part: PricedPart, price: float) -> list[Line]:
        sums: dict[int, Node] = {}
        for period in range(context.period_count()):
            steps = context.steps_of_period(part.mask, period)
            if len(steps):
                every = np.ones(len(steps))
                bought = FlowSum("import_kwh", steps, every)
                sums[period] = Sum((bought, FlowSum("export_kwh", steps, -every)))
        lines = []
        for period, result in self._settled(context, part, sums).items():
            if period in sums:
                due = self._rounded(result.due)
                lines.append(self.line(period, due, "kWh", price, part.where, name=part.name))
            if self.surplus_per_kwh:
                rate, where = -self.surplus_per_kwh, context.where("surplus_per_kwh")
                name = f"{part.name}: surplus"
                lines.append(self.line(period, result.lost, "kWh", rate, where, name=name))
        return lines

    def _settled(
        self, context: Context, part: PricedPart, sums: dict[int, Node]
    ) -> dict[int, Settled]:
        if self.netted_over == "year":
            return _netted_over_years(context, part.name, sums)
        if self.left_over != "carried":
            return {period: settled_alone(node) for period, node in sums.items()}
        return settled_in_turn(context, part.name, self.expire_after_periods, self.reset, sums)


def _netted_over_years(context: Context, name: str, sums: dict[int, Node]) -> dict[int, Settled]:
    """Settle each period with all of the year before it: what is due may also be given back.

    A period takes back the very nodes that the one before it was due; at one price they cancel, and
    the year is convex.
    """
    so_far: dict[int, tuple[list[Node], Settled]] = context.remembered(f"year of {name}", dict)
    results = {}
    for period, node in sums.items():
        year = context.periods.periods[period].middle.year
        tallies, before = so_far.get(year, ([], Settled(ZERO, ZERO, ZERO)))
        tallies = [*tallies, Tally(node)]
        now = settled_alone(Sum(tuple(tallies)))
        so_far[year] = tallies, now
        due = Sum((now.due, minus(before.due)))
        results[period] = Settled(due, Sum((now.lost, minus(before.lost))), now.bank)
    return results
