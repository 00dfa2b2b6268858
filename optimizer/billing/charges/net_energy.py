"""Net metering: import less export, in kWh, at one price; what is left over is carried on.

Read next: ``credit_bank``, the same in money.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.calendar import MonthDay, year_of
from optimizer.base.errors import Mistake, Place
from optimizer.billing.charges.banks import Settled, settled_alone, settled_in_turn
from optimizer.billing.charges.base import Context, Line
from optimizer.billing.charges.energy import (
    BlockLines,
    EnergyBlocks,
    PerKwh,
    PricedEnergy,
    PricedPart,
)
from optimizer.cost.expression import ZERO, FlowSum, Node, Sum, Tally, minus


class NetEnergyCharge(PricedEnergy):
    """Import less export of each part of the calendar, at its price.

    ``left_over: carried`` keeps kWh that were not offset for later periods of the same part, until
    ``reset`` (a month and a day) or ``expire_after_periods``; ``lost`` keeps nothing; ``paid`` pays
    ``surplus_per_kwh`` each period. What is lost at a reset is paid ``surplus_per_kwh`` as well.
    ``netted_over: year`` nets the whole year, so that later export offsets earlier import; it begins
    on ``year_begins``, else in January. Blocks price what is due of each period, or of the year so far
    (``counted_over: year``), of which a period pays what it adds and is given back what it takes away.
    """

    kind: Literal["net_energy"]
    netted_over: Literal["period", "year"] = "period"
    left_over: Literal["carried", "lost", "paid"] = "carried"
    year_begins: MonthDay | None = None
    surplus_per_kwh: PerKwh = 0.0
    reset: MonthDay | None = None
    expire_after_periods: int | None = Field(default=None, ge=1, le=120)

    @model_validator(mode="after")
    def _words_fit_together(self) -> NetEnergyCharge:
        if self.prices_from is not None:
            key = "series" if self.table is None else "table"
            raise Mistake("net energy has fixed prices", "Use per_kwh or rates.", key)
        if self.blocks_shared:
            raise Mistake(
                "each rate of net energy has blocks of its own",
                "Remove blocks_shared, or net all energy at one price.",
                "blocks_shared",
            )
        if self.year_begins is not None and self.netted_over != "year":
            raise Mistake(
                "year_begins is for what is netted over a year",
                "Write netted_over: year, or remove it.",
                "year_begins",
            )
        self._refuse_wrong_blocks()
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

    def _refuse_wrong_blocks(self) -> None:
        """Refuse blocks that are counted over another time than what is netted, or not of kWh alone."""
        priced: list[tuple[Place, EnergyBlocks | None]] = [(("blocks",), self.blocks)]
        priced += [(("rates", n, "blocks"), rate.blocks) for n, rate in enumerate(self.rates or ())]
        for where, blocks in priced:
            if blocks is None:
                continue
            if blocks.counted_over != self.netted_over:
                raise Mistake(
                    f"{self.name!r} nets over the {self.netted_over}, but its blocks are counted over the"
                    f" {blocks.counted_over}",
                    f"Write counted_over: {self.netted_over} in the blocks.",
                    (*where, "counted_over"),
                )
            if blocks.demand is not None or blocks.price_of_all or blocks.year_begins is not None:
                raise Mistake(
                    "blocks of net energy end at kWh, each with its own price, in the year that is netted",
                    "Leave out demand, price_of_all and year_begins of the blocks.",
                    where,
                )
            if self.netted_over == "year" and self.round_kwh is not None:
                raise Mistake(
                    "kWh of a year's blocks are not rounded period by period",
                    "Remove round_kwh, or use round_amount.",
                    "round_kwh",
                )

    @property
    def carries(self) -> bool:
        """Whether credits go on from period to period."""
        return self.left_over == "carried" and self.netted_over == "period"

    def lines(self, context: Context) -> list[Line]:
        """Return the lines of each part of the calendar and each billing period."""
        lines: list[Line] = []
        for part in self.priced_parts(context):
            lines += self._part_lines(context, part)
        return sorted(lines, key=lambda line: line.period)

    def _part_lines(self, context: Context, part: PricedPart) -> list[Line]:
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
                lines += self._priced(context, part, period, result)
            if self.surplus_per_kwh:
                rate, where = -self.surplus_per_kwh, context.where("surplus_per_kwh")
                name = f"{part.name}: surplus"
                lines.append(self.line(period, result.lost, "kWh", rate, where, name=name))
        return lines

    def _priced(self, context: Context, part: PricedPart, period: int, now: Settled) -> list[Line]:
        due = self._rounded(now.due)
        if not isinstance(part.price, EnergyBlocks):
            return [self.line(period, due, "kWh", part.price, part.where, name=part.name)]
        blocks = BlockLines(self, context, part, part.price, 1.0)
        if now.year is None:
            return blocks.of_period(due, period)
        return blocks.of_span(now.year, period)

    def _settled(
        self, context: Context, part: PricedPart, sums: dict[int, Node]
    ) -> dict[int, Settled]:
        if self.netted_over == "year":
            return _netted_over_years(context, part.name, sums, self.year_begins)
        if self.left_over != "carried":
            return _settled_alone(context, part, sums)
        return settled_in_turn(context, part.name, self.expire_after_periods, self.reset, sums)


def _settled_alone(context: Context, part: PricedPart, sums: dict[int, Node]) -> dict[int, Settled]:
    """Settle each period by itself; two charges of the same hours share the very nodes.

    So a credit on net energy beside its price cancels against it, and the two stay convex.
    """
    known: dict[tuple[int, bytes], Settled] = context.remembered("net energy of a period", dict)
    return {
        period: known.setdefault(
            (period, context.steps_of_period(part.mask, period).tobytes()), settled_alone(node)
        )
        for period, node in sums.items()
    }


def _netted_over_years(
    context: Context, name: str, sums: dict[int, Node], begins: str | None
) -> dict[int, Settled]:
    """Settle each period with all of the year before it: what is due may also be given back.

    A period takes back the very nodes that the one before it was due; at one price they cancel, and
    the year is convex.
    """
    so_far: dict[int, tuple[list[Node], Settled]] = context.remembered(f"year of {name}", dict)
    results = {}
    for period, node in sums.items():
        year = year_of(context.periods.periods[period].middle, begins)
        tallies, before = so_far.get(year, ([], Settled(ZERO, ZERO, ZERO)))
        tallies = [*tallies, Tally(node)]
        now = settled_alone(Sum(tuple(tallies)))
        so_far[year] = tallies, now
        due = Sum((now.due, minus(before.due)))
        lost = Sum((now.lost, minus(before.lost)))
        results[period] = Settled(due, lost, now.bank, (before.due, now.due))
    return results
