"""Bill meter data, and hold a paid bill against ours."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from optimizer.base.documents import read_document
from optimizer.base.errors import TariffError
from optimizer.base.timegrid import calendar_months
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
class ReconcileResult:
    """A paid bill beside ours, and what was noticed."""

    compared: Reconciled
    notes: tuple[str, ...]


def bill(meter: Path, tariff: str, zone: str, history: Path | None = None) -> BillResult:
    """Bill meter data alone, by calendar months.

    Raises
    ------
    InputError
        If the meter, the tariff or what went before cannot be read, or do not go together.
    """
    flows, notes = read_meter(meter, zone)
    rates, before = _tariff_named(tariff), NO_HISTORY
    if history is not None:
        before, source = read_document(history, History, TariffError)
        refuse_unknown_history(rates, before, lambda key: source.where((key,)))
    cost = compile_cost(rates, flows.grid, calendar_months(flows.grid), before)
    return BillResult(bill_flows(cost, flows), (*notes, *cost.notes, *odd_values(rates)))


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
