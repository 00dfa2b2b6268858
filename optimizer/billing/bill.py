"""The itemised bill: what flows cost under a compiled tariff.

Roundings and reactive energy are billed, not planned. The plan's objective is held against the
bill *as planned*: without roundings, and without what only a meter can tell.

Read next: ``worked_entries``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

from optimizer.base.flows import Flows
from optimizer.base.timegrid import BillingPeriod
from optimizer.billing.charges.base import Line
from optimizer.billing.explain import Why, because, why
from optimizer.billing.tariff import TariffCost
from optimizer.cost.expression import Evaluation, Node, Sum, evaluate

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class BillLine:
    """One line: quantity × rate = amount, its period, and where the tariff says so.

    ``source`` is the line as an expression, ``reading`` the flows it was read for, ``told`` what the
    amounts of the bill's lines are called.
    """

    charge: str
    name: str
    period: str
    quantity: float
    unit: str
    rate: float
    amount: float
    where: str
    source: Line = field(repr=False, compare=False)
    reading: Evaluation = field(repr=False, compare=False)
    told: Mapping[Node, str] = field(repr=False, compare=False)

    @property
    def because(self) -> str:
        """The intervals that set a demand, in words; empty for other lines."""
        if self.unit == "money" and isinstance(self.source.quantity, Sum):
            return ""
        return because(self.source.quantity, self.reading, self.told)

    @property
    def why(self) -> Why:
        """The tree from the quantity down to the meter."""
        return why(self.source.quantity, self.reading, self.unit, self.told)


@dataclass(frozen=True, repr=False)
class Bill:
    """The bill of some flows.

    ``periods`` are the P billing periods; ``lines`` stand in the tariff's order.
    """

    currency: str
    periods: tuple[BillingPeriod, ...]
    lines: tuple[BillLine, ...]
    total_as_planned: float

    @property
    def total(self) -> float:
        """Sum of all lines. [money]"""
        return sum(line.amount for line in self.lines)

    @property
    def gross(self) -> float:
        """Sum of the absolute amounts, the scale for comparing totals. [money]"""
        return sum(abs(line.amount) for line in self.lines)

    @property
    def frame(self) -> pd.DataFrame:
        """The lines as a frame: charge, name, period, quantity, unit, rate, amount. [money]"""
        import pandas as pd

        columns = ("charge", "name", "period", "quantity", "unit", "rate", "amount")
        return pd.DataFrame(
            [[getattr(line, column) for column in columns] for line in self.lines],
            columns=pd.Index(columns),
        )

    def __repr__(self) -> str:
        return f"<Bill: {self.total:,.2f} {self.currency}, {len(self.lines)} lines>"

    def _repr_html_(self) -> str:
        return f"<p>{escape(repr(self))}</p>{self.frame.to_html(index=False)}"

    def by_charge(self) -> dict[str, float]:
        """Return the amount of each charge, in the tariff's order. [money]"""
        return self._summed("charge")

    def by_period(self) -> dict[str, float]:
        """Return the amount of each billing period. [money]"""
        sums = dict.fromkeys((period.label for period in self.periods), 0.0)
        return sums | self._summed("period")

    def _summed(self, key: str) -> dict[str, float]:
        sums: dict[str, float] = {}
        for line in self.lines:
            sums[getattr(line, key)] = sums.get(getattr(line, key), 0.0) + line.amount
        return sums


def bill_flows(cost: TariffCost, flows: Flows) -> Bill:
    """Return the itemised bill of flows under a tariff compiled for the same grid."""
    periods = cost.periods.periods
    reading = Evaluation(flows)
    labels = [period.label for period in periods]
    told: dict[Node, str] = {
        line.cost: f"{line.name} of {labels[line.period]}" for line in cost.lines
    }
    lines = tuple(_billed(line, reading, labels[line.period], told) for line in cost.lines)
    as_planned = evaluate(cost.total, flows, as_planned=True)
    return Bill(cost.currency, periods, lines, as_planned)


def _billed(line: Line, reading: Evaluation, period: str, told: Mapping[Node, str]) -> BillLine:
    quantity = reading.value(line.quantity)
    amount = reading.value(line.cost)
    rate = line.rate
    if rate is None:
        rate = amount / quantity if quantity > 0 else 0.0
    return BillLine(
        charge=line.charge,
        name=line.name,
        period=period,
        quantity=quantity,
        unit=line.unit,
        rate=rate,
        amount=amount,
        where=line.where,
        source=line,
        reading=reading,
        told=told,
    )
