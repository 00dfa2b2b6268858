"""A bill to hold a tariff against: of the meter's last month, or of a made-up year where there is no meter.

Also the price of a kWh by the hour of the week, of tariffs that rows cannot hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from optimizer.base.calendar import Holidays
from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, TimeGrid, calendar_months
from optimizer.billing.bill import BillLine, bill_flows
from optimizer.billing.reconcile import PaidBill, Reconciled, bill_of_days, reconcile
from optimizer.billing.tariff import Tariff, compile_cost
from optimizer.forecasting.profiles import profile_kwh

A_HOME_KWH = 3500.0
"""What the made-up home uses in a year. [kWh]"""

HOURS_OF_YEAR = 365 * 24


@dataclass(frozen=True)
class SummedLine:
    """Lines of one name added up. ``rate`` is the mean price. [money per unit]"""

    name: str
    quantity: float
    unit: str
    rate: float
    amount: float
    because: str = ""


@dataclass(frozen=True)
class DaysBill:
    """Our bill from a day to another, both included, and a paid one beside it if there is one."""

    first: date
    last: date
    currency: str
    lines: Sequence[SummedLine]
    notes: Sequence[str]
    compared: Reconciled | None = None

    @property
    def total(self) -> float:
        """Sum of the lines. [money]"""
        return sum(line.amount for line in self.lines)


def last_month(flows: Flows) -> tuple[date, date]:
    """Return first and last day of the last whole month of a meter; of all its days if none is whole."""
    whole = _whole_days(flows.grid)
    months = sorted({day.replace(day=1) for day in whole}, reverse=True)
    for first in months:
        last = (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
        if first >= whole[0] and last <= whole[-1]:
            return first, last
    return whole[0], whole[-1]


def _whole_days(grid: TimeGrid) -> list[date]:
    """Return the days of a grid that it covers whole; all if none is."""
    covered = np.bincount(grid.day, weights=grid.day_share, minlength=len(grid.dates))
    whole = [day for day, share in zip(grid.dates, covered, strict=True) if share > 1 - 1e-6]
    return whole or list(grid.dates)


def bill_of_meter(
    tariff: Tariff, flows: Flows, paid: PaidBill | None, where: str = "paid.yaml"
) -> DaysBill:
    """Return the bill of the days of a paid bill, or of the meter's last month.

    A paid bill of which only some lines were typed is compared by its total.

    Raises
    ------
    InputError
        If tariff, meter and paid bill do not go together.
    """
    first, last = (paid.first, paid.last) if paid else last_month(flows)
    found, notes = bill_of_days(tariff, flows, first, last, where)
    lines = summed(found)
    compared = None
    if paid is not None and (comparable := _comparable(paid, lines)) is not None:
        compared = reconcile(tariff, flows, comparable, where)
    return DaysBill(first, last, tariff.currency, lines, notes, compared)


def _comparable(paid: PaidBill, lines: Sequence[SummedLine]) -> PaidBill | None:
    """Return a paid bill as a whole: with all lines, or its total alone; None where neither was typed."""
    if {line.name for line in lines} <= {line.charge or line.name for line in paid.lines}:
        return paid
    return None if paid.total is None else paid.model_copy(update={"lines": []})


def bill_of_made_up_year(
    tariff: Tariff, year: int, profile: str = "H0", kwh_per_year: float = A_HOME_KWH
) -> DaysBill:
    """Return what a year costs that nobody metered: a published load profile, no PV, by months.

    Raises
    ------
    InputError
        If the tariff cannot be billed.
    """
    grid = _year(year)
    load = profile_kwh(profile, kwh_per_year, grid, Holidays())
    cost = compile_cost(tariff, grid, calendar_months(grid))
    bill = bill_flows(cost, Flows.of_meter(grid, load, np.zeros(grid.count)))
    return DaysBill(
        grid.dates[0], grid.dates[-1], tariff.currency, summed(bill.lines), list(cost.notes)
    )


def _year(year: int) -> TimeGrid:
    return TimeGrid(datetime(year, 1, 1, tzinfo=UTC), 60, HOURS_OF_YEAR, "UTC")


def summed(lines: Sequence[BillLine]) -> list[SummedLine]:
    """Return lines of one name as one, in the order of the bill."""
    groups: dict[str, list[BillLine]] = {}
    for line in lines:
        groups.setdefault(line.name, []).append(line)
    return [_sum(name, group) for name, group in groups.items()]


def _sum(name: str, group: Sequence[BillLine]) -> SummedLine:
    quantity = sum(line.quantity for line in group)
    amount = sum(line.amount for line in group)
    rate = group[0].rate if len(group) == 1 or not quantity else amount / quantity
    because = group[0].because if len(group) == 1 else ""
    return SummedLine(name, quantity, group[0].unit, rate, amount, because)


def price_by_hour(tariff: Tariff, year: int) -> tuple[TimeGrid, FloatArray]:
    """Return the price of one more kWh of energy at each hour of a year, shape (T,). [money per kWh]

    Demand, taxes and fixed charges are left out. Of blocks it is the price of the first one: the home
    that is billed uses little.

    Raises
    ------
    InputError
        If the tariff cannot be billed.
    """
    grid, tiny = _year(year), 1e-3
    nothing = np.zeros(grid.count)
    cost = compile_cost(tariff, grid, calendar_months(grid))
    priced = {
        charge.name
        for version in tariff.file.versions
        for charge in version.charges
        if charge.kind in ("energy", "net_energy")
    }
    prices = np.zeros(grid.count)
    month = calendar_months(grid).of_step
    in_month = (
        np.array([day.day - 1 for day in grid.dates])[grid.day] * 24 + grid.minute_of_day // 60
    )
    for hour in range(int(in_month.max()) + 1):  # one step of each month at a time
        steps = np.flatnonzero(in_month == hour)
        used = np.zeros(grid.count)
        used[steps] = tiny
        amounts = np.zeros(int(month.max()) + 1)
        for line in bill_flows(cost, Flows.of_meter(grid, used, nothing)).lines:
            if line.charge in priced:
                amounts[line.source.period] += line.amount
        prices[steps] = amounts[month[steps]] / tiny
    return grid, prices
