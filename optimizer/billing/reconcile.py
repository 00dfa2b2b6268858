"""Compares our bill with the one that was paid, line by line, and looks for the likely cause.

Each cause is tried out: the bill is made again as if it were so, and the cause is named if the paid
figures then fit. So a cause is never guessed from a pattern alone. Read next: ``worked``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import combinations
from pathlib import Path

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.documents import Document, Source, read_document
from optimizer.base.errors import Mistake, OptimizerError, TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import BillingPeriods, TimeGrid, meter_read_periods, zone_named
from optimizer.base.units import money, number, price
from optimizer.billing.bill import Bill, BillLine, bill_flows
from optimizer.billing.charges.demand import DemandCharge
from optimizer.billing.charges.percentage import PercentageCharge
from optimizer.billing.history import History
from optimizer.billing.tariff import Tariff, TariffCost, TariffVersion, compile_cost

MOST_DAYS_OFF = 4
"""How far the period's first and last day are moved when a wrong period is tried out."""

FITS_BETTER = 0.02
"""Largest share of the difference that a named cause may leave. [1]"""


class PaidLine(Document):
    """A line as it is printed; ``charge`` names ours where the printed name is another."""

    name: str = Field(min_length=1)
    amount: float
    quantity: float | None = None
    charge: str | None = None


class PaidBill(History):
    """A bill that was paid: its days, its lines and its total, or its total alone.

    ``tolerance`` is how far a line may differ by rounding.
    """

    bill: str
    first: date
    last: date
    lines: list[PaidLine] = []
    total: float | None = None
    tolerance: float = Field(default=0.01, ge=0, le=1000)

    @model_validator(mode="after")
    def _days_in_order(self) -> PaidBill:
        if self.last < self.first:
            raise Mistake(
                f"the last day {self.last} lies before the first {self.first}", "Swap them.", "last"
            )
        return self

    @model_validator(mode="after")
    def _says_an_amount(self) -> PaidBill:
        if not self.lines and self.total is None:
            raise Mistake("the paid bill has no amount", "Give its lines, or its total.", "lines")
        return self

    @property
    def sum(self) -> float:
        """The total, or the sum of the lines where none is given. [money]"""
        return sum(line.amount for line in self.lines) if self.total is None else self.total


@dataclass(frozen=True)
class Compared:
    """A line of the paid bill beside ours; one of the two is None where the other has none.

    ``printed`` is how many lines of the paper, each rounded, it stands for.
    """

    name: str
    paid: float | None
    ours: float | None
    paid_quantity: float | None = None
    our_quantity: float | None = None
    printed: int = 1

    @property
    def difference(self) -> float:
        """Paid less computed amount. [money]"""
        return (self.paid or 0.0) - (self.ours or 0.0)


@dataclass(frozen=True)
class Reconciled:
    """Our bill against the paid one: lines, totals, and the causes that would explain it.

    ``notes`` are the remarks on our bill, such as earlier peaks that are not known.
    """

    paid: PaidBill
    bill: Bill
    lines: tuple[Compared, ...]
    causes: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def difference(self) -> float:
        """Paid less computed total. [money]"""
        return self.paid.sum - sum(line.ours or 0.0 for line in self.lines)

    @property
    def fits(self) -> bool:
        """Whether all lines agree within the tolerance, and the total with that of each line."""
        return _misfit(self.lines, self.paid) <= 0


def read_paid_bill(path: Path) -> tuple[PaidBill, Source]:
    """Read a paid bill.

    Raises
    ------
    TariffError
        What is wrong in it, all findings together.
    """
    return read_document(path, PaidBill, TariffError)


def reconcile(tariff: Tariff, flows: Flows, paid: PaidBill, where: str) -> Reconciled:
    """Compare the paid bill with ours.

    Parameters
    ----------
    tariff : Tariff
        The tariff as it was typed.
    flows : Flows
        What the meter counted; it must cover the paid days, and may begin earlier.
    paid : PaidBill
        The bill that was paid.
    where : str
        File of the paid bill, for messages.

    Raises
    ------
    TariffError
        If the meter does not cover the paid days, or a line names a charge that there is not.
    """
    case, cost = _of_days(tariff, flows, paid, where)
    bill = bill_flows(cost, flows)
    ours = _of_period(bill, case.label)
    _refuse_unknown_charges(tariff, paid, ours, where)
    lines = _compared(paid, ours)
    misfit = _misfit(lines, paid)
    causes = tuple(_causes(case, paid, lines, ours, misfit)) if misfit > 0 else ()
    return Reconciled(paid, bill, lines, causes, tuple(cost.notes))


def bill_of_days(
    tariff: Tariff, flows: Flows, first: date, last: date, where: str
) -> tuple[list[BillLine], list[str]]:
    """Return the lines of our bill from a day to another, both included, and the remarks on it.

    Earlier flows count where the tariff looks back.

    Raises
    ------
    TariffError
        If the meter does not cover the days.
    """
    days = PaidBill(bill="", first=first, last=last, total=0.0)
    case, cost = _of_days(tariff, flows, days, where)
    return _of_period(bill_flows(cost, flows), case.label), list(cost.notes)


def _of_days(tariff: Tariff, flows: Flows, paid: PaidBill, where: str) -> tuple[_Case, TariffCost]:
    first, last = flows.grid.dates[0], flows.grid.dates[-1]
    if paid.first < first or paid.last > last:
        raise TariffError(
            f"the paid bill runs from {paid.first} to {paid.last}, the meter data from {first} to"
            f" {last}",
            where=where,
            mend="Give meter data that cover the whole bill.",
        )
    case = _Case(tariff, flows, paid.first, paid.last)
    return case, case.compiled(paid)


def _refuse_unknown_charges(
    tariff: Tariff, paid: PaidBill, ours: Sequence[BillLine], where: str
) -> None:
    """Refuse a printed line that is said to be what neither the tariff nor our bill has."""
    names = dict.fromkeys(c.name for version in tariff.file.versions for c in version.charges)
    for line in paid.lines:
        if (
            line.charge is None
            or line.charge in names
            or _called(line.charge, ours, is_charge=True)
        ):
            continue
        known = dict.fromkeys([*names, *(own.name for own in ours)])
        raise TariffError(
            f"the line {line.name!r} is said to be {line.charge!r}, which is no charge of the"
            f" tariff and no line of our bill; there are {', '.join(known)}",
            where=where,
            mend="Name one of them, or leave 'charge' out.",
        )


# --- the bill as if something were otherwise ---------------------------------------------------


@dataclass(frozen=True)
class _Case:
    """What a bill is made from; causes are tried by replacing a part of it."""

    tariff: Tariff
    flows: Flows
    first: date
    last: date

    @property
    def label(self) -> str:
        """The label of the paid period."""
        return next(p.label for p in self.periods().periods if p.first == self.first)

    def periods(self) -> BillingPeriods:
        """Return the paid period and, before and after it, periods that begin on the same day."""
        grid, end = self.flows.grid, self.last + timedelta(days=1)
        edges = [self.first, end]
        while edges[0] > grid.dates[0]:
            edges.insert(0, _month_earlier(edges[0], self.first.day))
        while edges[-1] <= grid.dates[-1]:
            edges.append(edges[-1] + timedelta(days=(end - self.first).days))
        return meter_read_periods(grid, edges, "the paid bill")

    def compiled(self, paid: PaidBill) -> TariffCost:
        """Return the cost of all periods."""
        return compile_cost(self.tariff, self.flows.grid, self.periods(), paid)

    def bill(self, paid: PaidBill) -> Bill:
        """Return the bill of all periods."""
        return bill_flows(self.compiled(paid), self.flows)

    def with_charges(self, change: Callable[[object], object]) -> _Case:
        """Return the case with every charge changed."""
        versions = [
            version.model_copy(update={"charges": [change(c) for c in version.charges]})
            for version in self.tariff.file.versions
        ]
        file = self.tariff.file.model_copy(update={"versions": versions})
        return replace(self, tariff=replace(self.tariff, file=file))


def _month_earlier(day: date, day_of_month: int) -> date:
    before = day.replace(day=1) - timedelta(days=1)
    last = before.day
    return before.replace(day=min(day_of_month, last))


def _of_period(bill: Bill, label: str) -> list[BillLine]:
    return [line for line in bill.lines if line.period == label]


def _compared(paid: PaidBill, ours: Sequence[BillLine]) -> tuple[Compared, ...]:
    """Match what is printed with our lines; what is printed for one thing is added up.

    So a charge that the paper splits, as where its price changed, is compared as a whole. Of a total alone
    the sum of our lines is compared.
    """
    if not paid.lines:
        return (Compared("total", paid.sum, sum(own.amount for own in ours)),)
    printed: dict[str, list[PaidLine]] = {}
    for line in paid.lines:
        printed.setdefault((line.charge or line.name).casefold(), []).append(line)
    left = list(ours)
    result = []
    for wanted, lines in printed.items():
        is_charge = any(line.charge is not None for line in lines)
        found = _called(wanted, left, is_charge=is_charge)
        left = [o for o in left if o not in found]
        amount = sum(o.amount for o in found) if found else None
        quantity = sum(o.quantity for o in found) if len({o.unit for o in found}) == 1 else None
        result.append(
            Compared(
                " + ".join(dict.fromkeys(line.name for line in lines)),
                sum(line.amount for line in lines), amount, _sum_if_all(lines), quantity,
                printed=len(lines)
            )
        )  # fmt: skip
    sums: dict[str, float] = {}
    for own in left:
        sums[own.name] = sums.get(own.name, 0.0) + own.amount
    result += [Compared(name, None, amount) for name, amount in sums.items() if abs(amount) > 0.005]
    return tuple(result)


def _called(wanted: str, ours: Sequence[BillLine], *, is_charge: bool) -> list[BillLine]:
    """Return our lines of a name: of one line, of a charge, or of a rate with its blocks.

    A charge that is named as such comes before a line of the same name.
    """
    wanted = wanted.casefold()
    of_line = [own for own in ours if own.name.casefold() == wanted]
    of_charge = [own for own in ours if own.charge.casefold() == wanted]
    of_rate = [own for own in ours if own.name.casefold().startswith(f"{wanted}: ")]
    return (of_charge or of_line if is_charge else of_line or of_charge) or of_rate


def _sum_if_all(lines: Sequence[PaidLine]) -> float | None:
    quantities = [line.quantity for line in lines if line.quantity is not None]
    return sum(quantities) if len(quantities) == len(lines) else None


def _misfit(lines: Sequence[Compared], paid: PaidBill) -> float:
    """Return by how much money lines and total differ beyond the tolerance."""
    beyond = [
        max(abs(line.difference) - line.printed * paid.tolerance - 1e-9, 0.0) for line in lines
    ]
    total = abs(paid.sum - sum(line.ours or 0.0 for line in lines))
    printed = sum(line.printed for line in lines)
    return sum(beyond) + max(total - paid.tolerance * (printed + 1), 0.0)


# --- causes --------------------------------------------------------------------------------------


def _causes(
    case: _Case, paid: PaidBill, lines: Sequence[Compared], ours: Sequence[BillLine], misfit: float
) -> Iterator[str]:
    """Yield each cause that leaves next to nothing of the difference."""
    tried = [
        *_other_periods(case), *_other_clocks(case), *_other_units(case),
        *_other_intervals(case), *_other_tax_bases(case, ours),
    ]  # fmt: skip
    for text, other in tried:
        try:
            bill = other.bill(paid)
            compared = _compared(paid, _of_period(bill, other.label))
        except OptimizerError:
            continue  # a case that cannot be is no cause
        if _misfit(compared, paid) <= FITS_BETTER * misfit:
            yield text
    yield from _missing_lines(case, paid, lines)
    printed = sum(line.amount for line in paid.lines)
    if paid.lines and abs(paid.sum - printed) > paid.tolerance * (len(paid.lines) + 1):
        yield (
            f"the paid bill itself: its lines add up to {money(printed)}, but its total is"
            f" {money(paid.sum)}"
        )


def _other_periods(case: _Case) -> Iterator[tuple[str, _Case]]:
    days = range(-MOST_DAYS_OFF, MOST_DAYS_OFF + 1)
    moves = sorted(
        ((a, b) for a in days for b in days if a or b), key=lambda m: abs(m[0]) + abs(m[1])
    )
    dates = case.flows.grid.dates
    for begin, end in moves:
        first, last = case.first + timedelta(days=begin), case.last + timedelta(days=end)
        if dates[0] <= first <= last <= dates[-1]:
            text = f"wrong dates: the figures fit a period from {first} to {last}"
            yield text, replace(case, first=first, last=last)


def _other_clocks(case: _Case) -> Iterator[tuple[str, _Case]]:
    flows, grid = case.flows, case.flows.grid
    standard = _standard_time(grid)
    if standard is not None:
        text = (
            "daylight saving: the figures fit a meter or tariff clock that stays on standard time"
        )
        yield text, replace(case, flows=_on_grid(flows, standard))
    for steps, words in (
        (-1, "stamps mark the end of an interval"),
        (1, "stamps are an interval late"),
    ):
        moved = _moved(grid, steps)
        yield (
            f"time stamps: the figures fit if the meter's {words}",
            replace(case, flows=_on_grid(flows, moved)),
        )


def _standard_time(grid: TimeGrid) -> TimeGrid | None:
    """Return the grid on a clock that never changes; None if it never does."""
    info = zone_named(grid.zone)
    offsets = {
        datetime(grid.dates[0].year, month, 1, tzinfo=UTC).astimezone(info).utcoffset()
        for month in (1, 7)
    }
    least = min(offset for offset in offsets if offset is not None)
    hours = least / timedelta(hours=1)
    if len(offsets) < 2 or not float(hours).is_integer():
        return None
    return TimeGrid(grid.start, grid.step_minutes, grid.count, f"Etc/GMT{-int(hours):+d}")


def _moved(grid: TimeGrid, steps: int) -> TimeGrid:
    """Return the grid moved by some steps."""
    return TimeGrid(grid.instant(0) + steps * grid.step, grid.step_minutes, grid.count, grid.zone)


def _on_grid(flows: Flows, grid: TimeGrid) -> Flows:
    return Flows.of_meter(grid, flows.import_kwh, flows.export_kwh, flows.reactive_kvarh)


def _other_units(case: _Case) -> Iterator[tuple[str, _Case]]:
    flows, h = case.flows, case.flows.grid.step_h
    if h != 1:
        for factor, words in ((h, "kW, not kWh"), (1 / h, "kWh, not kW")):
            scaled = Flows.of_meter(
                flows.grid, flows.import_kwh * factor, flows.export_kwh * factor
            )
            yield (
                f"unit: the figures fit if the meter file's values are {words}",
                replace(case, flows=scaled),
            )


def _other_intervals(case: _Case) -> Iterator[tuple[str, _Case]]:
    charges = [c for version in case.tariff.file.versions for c in version.charges]
    used = {c.interval_minutes for c in charges if isinstance(c, DemandCharge)}
    for minutes in (15, 30, 60) if used else ():
        if used == {minutes}:
            continue

        def changed(charge: object, minutes: int = minutes) -> object:
            if isinstance(charge, DemandCharge):
                return charge.model_copy(update={"interval_minutes": minutes})
            return charge

        text = f"demand interval: the figures fit a demand measured over {minutes} min"
        yield text, case.with_charges(changed)


def _other_tax_bases(case: _Case, ours: Sequence[BillLine]) -> Iterator[tuple[str, _Case]]:
    """Yield each other base of a percentage; charges of nothing make no other base."""
    counts = {line.charge for line in ours if abs(line.amount) > 0.005}
    version: TariffVersion = case.tariff.file.versions[-1]
    for position, tax in enumerate(version.charges):
        if not isinstance(tax, PercentageCharge):
            continue
        above = [c.name for c in version.charges[:position] if c.name in counts]
        bases = [list(b) for n in range(1, len(above) + 1) for b in combinations(above, n)]
        for base in bases[:512]:
            if base == tax.of or (tax.of == "all above" and base == above):
                continue

            def changed(charge: object, base: list[str] = base, name: str = tax.name) -> object:
                if isinstance(charge, PercentageCharge) and charge.name == name:
                    return charge.model_copy(update={"of": base})
                return charge

            text = f"tax base: the figures fit if {tax.name!r} is a percentage of {', '.join(base)}"
            yield text, case.with_charges(changed)


def _missing_lines(case: _Case, paid: PaidBill, lines: Sequence[Compared]) -> Iterator[str]:
    """Yield what stands on one of the two bills only, as a price per kWh, per day or per kW."""
    days = (case.last - case.first).days + 1
    inside = np.array([case.first <= d <= case.last for d in case.flows.grid.dates])
    energy = float(case.flows.import_kwh[inside[case.flows.grid.day]].sum())
    for line in lines:
        amount = line.difference
        if line.paid is not None and line.ours is None:
            per_kwh = (
                f"{price(amount / energy)} per kWh of {number(energy)} kWh, or " if energy else ""
            )
            yield (
                f"missing rider: the tariff has no charge for {line.name!r}; {number(amount, 2)} is"
                f" {per_kwh}{price(amount / days)} a day of {days} days"
            )
        elif line.paid is None:
            yield f"the paid bill has no line {line.name!r}, which the tariff has"
