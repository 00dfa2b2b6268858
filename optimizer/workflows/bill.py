"""Bill meter data, and hold a paid bill against ours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from optimizer.base.documents import read_document
from optimizer.base.errors import ScenarioError, TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import calendar_months, meter_read_periods
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.history import NO_HISTORY, History
from optimizer.billing.odd import odd_values
from optimizer.billing.reconcile import Reconciled, read_paid_bill, reconcile
from optimizer.billing.tariff import (
    Tariff,
    compile_cost,
    find_tariff,
    read_tariff,
    refuse_unknown_history,
)
from optimizer.metering.meter_csv import read_meter


@dataclass(frozen=True)
class BillResult:
    """A bill of meter data, and what was noticed."""

    bill: Bill
    notes: tuple[str, ...]


@dataclass(frozen=True)
class TwoBills:
    """The same meter data billed on two tariffs, and what was noticed."""

    names: tuple[str, str]
    bills: tuple[Bill, Bill]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ReconcileResult:
    """A paid bill beside ours, and what was noticed."""

    compared: Reconciled
    notes: tuple[str, ...]


def bill(
    meter: Path,
    tariff: str,
    zone: str,
    history: Path | None = None,
    read_dates: Sequence[date] = (),
) -> BillResult:
    """Bill meter data alone, by calendar months, or from each read date to the next.

    The meter is read at the midnight with which a read date begins; what was metered before the first
    or after the last one is left out, with a note.

    Raises
    ------
    InputError
        If the meter, the tariff or what went before cannot be read, or do not go together.
    """
    flows, notes = read_meter(meter, zone)
    if read_dates:
        flows, left_out = _between(flows, read_dates)
        notes = [*notes, *left_out]
    rates, before = _tariff_named(tariff), NO_HISTORY
    if history is not None:
        before, source = read_document(history, History, TariffError)
        refuse_unknown_history(rates, before, lambda key: source.where((key,)))
    periods = (
        meter_read_periods(flows.grid, read_dates, READ_DATES)
        if read_dates
        else calendar_months(flows.grid)
    )
    cost = compile_cost(rates, flows.grid, periods, before)
    return BillResult(bill_flows(cost, flows), (*notes, *cost.notes, *odd_values(rates)))


def two_bills(
    meter: Path,
    tariffs: tuple[str, str],
    zone: str,
    history: Path | None = None,
    read_dates: Sequence[date] = (),
) -> TwoBills:
    """Bill meter data on two tariffs, each as ``bill`` does.

    Raises
    ------
    InputError
        As of ``bill``, or if the tariffs are in two currencies.
    """
    one, other = (bill(meter, tariff, zone, history, read_dates) for tariff in tariffs)
    if one.bill.currency != other.bill.currency:
        raise TariffError(
            f"one tariff is in {one.bill.currency}, the other in {other.bill.currency}",
            where="--beside",
            mend="Compare tariffs of one currency.",
        )
    notes = tuple(dict.fromkeys((*one.notes, *other.notes)))
    return TwoBills(tariffs, (one.bill, other.bill), notes)


READ_DATES = "--read-dates"


def _between(flows: Flows, reads: Sequence[date]) -> tuple[Flows, list[str]]:
    """Return what was metered from the first read date to the last, and a note on what was not."""
    grid = flows.grid
    days = np.array(grid.dates, dtype="datetime64[D]")[grid.day]
    inside = np.flatnonzero((days >= np.datetime64(reads[0])) & (days < np.datetime64(reads[-1])))
    if not len(inside):
        raise ScenarioError(
            f"nothing is metered from {reads[0]} to {reads[-1]}; the meter data run from"
            f" {grid.dates[0]} to {grid.dates[-1]}",
            where=READ_DATES,
            mend="Give dates at which this meter was read.",
        )
    first, count = int(inside[0]), len(inside)
    if count == grid.count:
        return flows, []
    part = slice(first, first + count)
    reactive = None if flows.reactive_kvarh is None else flows.reactive_kvarh[part]
    kept = Flows.of_meter(
        grid.part(first, count), flows.import_kwh[part], flows.export_kwh[part], reactive,
        flows.stored_export_kwh[part],
    )  # fmt: skip
    days_in_all = grid.count * grid.step_h / 24
    return kept, [
        f"{days_in_all * (1 - count / grid.count):,.4g} of {days_in_all:,.4g} days are metered before the"
        " first read date or after the last one, and left out. Demand and credits of earlier periods can be"
        " given with --history."
    ]


def reconciled(meter: Path, tariff: str, zone: str, paid: Path) -> ReconcileResult:
    """Compare a bill that was paid with ours from meter data alone.

    Raises
    ------
    InputError
        If the meter, the tariff or the paid bill cannot be read, or do not go together.
    """
    flows, notes = read_meter(meter, zone)
    rates = _tariff_named(tariff)
    was_paid, source = read_paid_bill(paid)
    refuse_unknown_history(rates, was_paid, lambda key: source.where((key,)))
    compared = reconcile(rates, flows, was_paid, str(source.path))
    return ReconcileResult(compared, (*notes, *compared.notes, *odd_values(rates)))


def _tariff_named(name: str) -> Tariff:
    return read_tariff(find_tariff(name, Path(), "--tariff"))
