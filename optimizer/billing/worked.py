"""Worked bills: what a tariff must make of a meter's readings, written down beside the tariff.

Beside ``tariffs/NAME.yaml`` stands ``tariffs/NAME.bills.yaml``: for each bill how the meter ran, and
the lines and the total that a utility printed or a person worked out on paper.
Read next: ``planning.model``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np

from optimizer.base.documents import Source, read_document
from optimizer.base.errors import TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import (
    BillingPeriods,
    BoolArray,
    FloatArray,
    TimeGrid,
    meter_read_periods,
    zone_named,
)
from optimizer.base.units import ENERGY_TOLERANCE_KWH, clock
from optimizer.billing.bill import Bill, BillLine, bill_flows
from optimizer.billing.tariff import (
    BILLS_SUFFIX,
    Tariff,
    TariffCost,
    TariffVersion,
    compile_cost,
    refuse_unknown_history,
)
from optimizer.billing.worked_entries import (
    REGISTERS,
    Amounts,
    BillEntry,
    BillsFile,
    ExpectedLine,
    MeterEntry,
)


@dataclass(frozen=True)
class WorkedBill:
    """A worked bill, read and checked, with its place in the file."""

    entry: BillEntry
    zone: str
    source: Source
    number: int

    def where(self, *inner: int | str) -> str:
        """Return the place in the file of a value of this bill."""
        return self.source.where(("bills", self.number, *inner))


@dataclass(frozen=True)
class CheckedFigure:
    """One figure of a worked bill beside what the tariff makes of it.

    ``line`` is the name of a line or a charge, or ``total``; ``period`` the label of the billing
    period, empty for all together; ``where`` the place of the expected figure.
    """

    line: str
    what: Literal["amount", "quantity"]
    period: str
    expected: float
    got: float
    tolerance: float
    where: str

    @property
    def is_right(self) -> bool:
        """Whether the figure lies within its tolerance (and 1e-9, for arithmetic in binary)."""
        return abs(self.expected - self.got) <= self.tolerance + 1e-9


@dataclass(frozen=True)
class WorkedResult:
    """A worked bill by its name, and each of its figures beside what the tariff gives."""

    bill: str
    figures: tuple[CheckedFigure, ...]


def bills_beside(tariff: Path) -> Path:
    """Return where the worked bills of a tariff file stand."""
    return tariff.with_name(tariff.stem + BILLS_SUFFIX)


def read_worked_bills(path: Path) -> list[WorkedBill]:
    """Read a file of worked bills.

    Raises
    ------
    TariffError
        What is wrong in it, all findings together.
    """
    file, source = read_document(path, BillsFile, TariffError)
    return [WorkedBill(entry, file.zone, source, n) for n, entry in enumerate(file.bills)]


def check_worked_bill(tariff: Tariff, worked: WorkedBill) -> list[CheckedFigure]:
    """Return each figure that a worked bill expects beside the one the tariff gives.

    Raises
    ------
    TariffError
        If the meter's entries cannot all be true, a line is expected that the tariff does not have,
        or the tariff does not hold on these days.
    """
    cost, flows = compile_worked_bill(tariff, worked)
    return _Comparison(tariff, worked, bill_flows(cost, flows)).figures()


def compile_worked_bill(tariff: Tariff, worked: WorkedBill) -> tuple[TariffCost, Flows]:
    """Return the tariff compiled for a worked bill's periods, and what the meter counted.

    Raises
    ------
    TariffError
        If the meter's entries cannot all be true, or the tariff does not hold on these days.
    """
    entry = worked.entry
    grid, periods = _time_of(worked)
    refuse_unknown_history(tariff, entry, worked.where)
    meter = _Meter(worked, grid, _version_at(tariff, grid.dates[0]))
    reactive = meter.energy("reactive") if meter.has("reactive") else None
    bought, sold, stored = (meter.energy(name) for name in ("import", "export", "stored export"))
    if (stored > sold + ENERGY_TOLERANCE_KWH).any():
        step = int(np.argmax(stored - sold))
        raise TariffError(
            f"{stored[step]:g} kWh of stored energy are exported at {grid.label(step)}, but"
            f" {sold[step]:g} kWh in all",
            where=worked.where("meter"),
            mend="Count what comes out of the battery in export_kwh of the same hours too.",
        )
    flows = Flows.of_meter(grid, bought, sold, reactive, np.minimum(stored, sold))
    return compile_cost(tariff, grid, periods, entry), flows


def _time_of(worked: WorkedBill) -> tuple[TimeGrid, BillingPeriods]:
    """Return the steps between the first and the last meter read, and the periods between reads."""
    reads, step = worked.entry.reads, worked.entry.step_minutes
    zone = zone_named(worked.zone)
    begin, end = (
        datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
        for day in (reads[0], reads[-1])
    )
    count = max((end - begin) // timedelta(minutes=step), 1)
    grid = TimeGrid(begin, step, count, worked.zone)
    return grid, meter_read_periods(grid, reads, worked.where("read_dates"))


def _version_at(tariff: Tariff, day: date) -> TariffVersion:
    """Return the version whose seasons and holidays the meter's words mean."""
    past = [version for version in tariff.file.versions if version.from_date <= day]
    return past[-1] if past else tariff.file.versions[0]


class _Meter:
    """Turns the entries of a worked bill into energy of each step."""

    def __init__(self, worked: WorkedBill, grid: TimeGrid, version: TariffVersion) -> None:
        self._worked = worked
        self._grid = grid
        self._calendar = version.calendar()

    def has(self, register: str) -> bool:
        """Return whether any entry is of a register."""
        return bool(self._entries(REGISTERS[register]))

    def energy(self, register: str) -> FloatArray:
        """Return what a register counted at each step, shape (T,). [kWh or kvarh]"""
        energy_key, power_key = REGISTERS[register]
        energy = np.zeros(self._grid.count)
        powered = np.zeros(self._grid.count, dtype=bool)
        for _, entry, mask in self._apart(power_key):
            energy[mask] = entry.amount * self._grid.step_h
            powered |= mask
        for number, entry, mask in self._apart(energy_key):
            rest = entry.amount - float(energy[mask].sum())
            free = mask & ~powered
            if rest < -ENERGY_TOLERANCE_KWH or (rest > ENERGY_TOLERANCE_KWH and not free.any()):
                raise TariffError(
                    f"{energy_key} is {entry.amount:g}, but {power_key} at these hours makes"
                    f" {entry.amount - rest:g}",
                    where=self._worked.where("meter", number, energy_key),
                    mend="Powers lie within what is counted at their hours: correct one of the two.",
                )
            if free.any():
                energy[free] = max(rest, 0.0) / int(free.sum())
        return energy

    def _entries(self, keys: Sequence[str]) -> list[tuple[int, MeterEntry]]:
        return [
            (number, entry)
            for number, entry in enumerate(self._worked.entry.meter)
            if entry.key in keys
        ]

    def _apart(self, key: str) -> list[tuple[int, MeterEntry, BoolArray]]:
        """Return the entries with a key and their steps, none of which lies in two."""
        found: list[tuple[int, MeterEntry, BoolArray]] = []
        taken = np.zeros(self._grid.count, dtype=bool)
        entries = self._entries((key,))
        for number, entry in sorted(entries, key=lambda pair: pair[1].otherwise):
            mask = ~taken if entry.otherwise else self._mask(number, entry)
            if not mask.any():
                raise self._wrong("the entry holds no time of the bill", number)
            if (mask & taken).any():
                step = int(np.flatnonzero(mask & taken)[0])
                raise self._wrong(f"two entries tell the {key} of {self._grid.label(step)}", number)
            taken |= mask
            found.append((number, entry, mask))
        return found

    def _wrong(self, what: str, number: int) -> TariffError:
        return TariffError(
            what,
            where=self._worked.where("meter", number),
            mend="Let each moment of the bill stand in one entry of a kind.",
        )

    def _mask(self, number: int, entry: MeterEntry) -> BoolArray:
        self._check_words(number, entry)
        grid = self._grid
        mask = entry.mask(grid, self._calendar)
        days = np.array(grid.dates, dtype="datetime64[D]")[grid.day]
        if entry.first is not None:
            mask &= days >= np.datetime64(entry.first)
        if entry.last is not None:
            mask &= days <= np.datetime64(entry.last)
        return mask

    def _check_words(self, number: int, entry: MeterEntry) -> None:
        known = self._calendar.seasons.names
        unknown = [name for name in entry.seasons or () if name not in known]
        if unknown:
            raise TariffError(
                f"the season {unknown[0]!r} is not defined by the tariff; it has"
                f" {', '.join(known) or 'none'}",
                where=self._worked.where("meter", number, "seasons"),
                mend="Use a season of the tariff, or first and last.",
            )
        cut = [edge for edge in sorted(entry.edges()) if edge % self._grid.step_minutes]
        if cut:
            raise TariffError(
                f"the hours begin or end at {clock(cut[0])}, inside a step of"
                f" {self._grid.step_minutes} min",
                where=self._worked.where("meter", number, "hours"),
                mend="Give hours on multiples of the step, or a smaller step_minutes.",
            )


class _Comparison:
    """Puts the figures that a worked bill expects beside those of the bill."""

    def __init__(self, tariff: Tariff, worked: WorkedBill, bill: Bill) -> None:
        self._tariff = tariff
        self._worked = worked
        self._bill = bill

    def figures(self) -> list[CheckedFigure]:
        """Return all figures, in the order of the file."""
        expect = self._worked.entry.expect
        figures: list[CheckedFigure] = []
        for name, said in expect.lines.items():
            line = said if isinstance(said, ExpectedLine) else ExpectedLine(amount=said)
            lines = self._lines_called(name)
            inner = ("lines", name, *(("amount",) if said is line else ()))
            figures += self._compared(name, "amount", line.amount, lines, inner)
            inner = ("lines", name, "quantity")
            figures += self._compared(name, "quantity", line.quantity, lines, inner)
        lines = list(self._bill.lines)
        return figures + self._compared("total", "amount", expect.total, lines, ("total",))

    def _lines_called(self, name: str) -> list[BillLine]:
        lines = self._bill.lines
        found = [line for line in lines if line.name == name]
        found = found or [line for line in lines if line.charge == name]
        charges = {
            charge.name for version in self._tariff.file.versions for charge in version.charges
        }
        if not found and name not in charges:  # a charge of another season has no line, and is zero
            names = dict.fromkeys(line.name for line in lines)
            raise TariffError(
                f"the bill has no line {name!r}; it has {', '.join(names) or 'none'}",
                where=self._worked.where("expect", "lines", name),
                mend="Name one of its lines, or a charge of the tariff.",
            )
        return found

    def _compared(
        self,
        name: str,
        what: Literal["amount", "quantity"],
        expected: Amounts | None,
        lines: list[BillLine],
        inner: tuple[str, ...],
    ) -> list[CheckedFigure]:
        if expected is None:
            return []
        entry, where = self._worked.entry, self._worked.where("expect", *inner)
        tolerance = entry.tolerance if what == "amount" else entry.quantity_tolerance
        labels = [period.label for period in self._bill.periods]
        if not isinstance(expected, list):
            got = sum(getattr(line, what) for line in lines)
            return [CheckedFigure(name, what, "", expected, got, tolerance=tolerance, where=where)]
        if len(expected) != len(labels):
            raise TariffError(
                f"{len(expected)} figures are expected of {len(labels)} billing periods",
                where=where,
                mend="Give one for each period, or one number for all together.",
            )
        return [
            CheckedFigure(
                name,
                what,
                label,
                figure,
                sum(getattr(line, what) for line in lines if line.period == label),
                tolerance=tolerance,
                where=where,
            )
            for label, figure in zip(labels, expected, strict=True)
        ]
