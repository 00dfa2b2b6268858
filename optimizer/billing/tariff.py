"""The tariff file, and how it becomes a cost expression on a time grid.

A tariff is one YAML file with dated versions; each version has its seasons, holidays and charges.
Read next: ``bill``.
"""

from __future__ import annotations

import gzip
import re
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import partial
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any, TypeVar

import numpy as np
import pandas as pd
from pydantic import Field, field_validator

from optimizer.base.calendar import DayCalendar, Holidays, Seasons
from optimizer.base.documents import Document, Source, is_file, read_document
from optimizer.base.errors import ScenarioError, TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import BillingPeriods, BoolArray, FloatArray, TimeGrid, calendar_months
from optimizer.billing.charges.base import ChargeBase, Context, Line, Rounding
from optimizer.billing.charges.credit_bank import CreditBank
from optimizer.billing.charges.demand import DemandCharge
from optimizer.billing.charges.energy import (
    EnergyCharge,
    ExportCredit,
    PricedEnergy,
    PriceFile,
    PriceTable,
)
from optimizer.billing.charges.fixed import FixedCharge
from optimizer.billing.charges.minimum import MinimumCharge
from optimizer.billing.charges.net_energy import NetEnergyCharge
from optimizer.billing.charges.percentage import PercentageCharge
from optimizer.billing.charges.reactive import ReactiveCharge
from optimizer.billing.charges.step_fee import StepFee
from optimizer.billing.history import NO_HISTORY, History
from optimizer.cost.expression import Evaluation, Node, Rounded, Sum, minus
from optimizer.metering.price_csv import read_prices
from optimizer.metering.price_table import alike_months, read_price_table
from optimizer.metering.series import TIME_COLUMNS, needed_column, read_stamps, read_table

Charge = Annotated[
    FixedCharge | EnergyCharge | ExportCredit | DemandCharge | PercentageCharge
    | StepFee | NetEnergyCharge | CreditBank | MinimumCharge | ReactiveCharge,
    Field(discriminator="kind"),
]  # fmt: skip

ReadT = TypeVar("ReadT")

PriceReader = Callable[[PriceFile, str], FloatArray]
"""Reads the prices of a file for each step of a grid, given the words that name it and their place."""

BILLS_SUFFIX = ".bills.yaml"
"""How the name of a file of worked bills ends, which stands beside its tariff."""

ROUNDING = "Rounding"
"""The line that brings a period's sum to what the utility rounds it to."""


class TariffVersion(Document):
    """The tariff as it holds from a day on, until the next version."""

    from_date: date = Field(alias="from")
    source: str
    seasons: dict[str, str | list[str]] = {}
    holidays: Holidays = Holidays()
    round_total: Rounding | None = None
    charges: list[Charge] = Field(min_length=1)

    @field_validator("seasons", mode="after")
    @classmethod
    def _tile_the_year(cls, seasons: dict[str, str | list[str]]) -> dict[str, str | list[str]]:
        Seasons(seasons)
        return seasons

    def calendar(self) -> DayCalendar:
        """Return the seasons and holidays of this version."""
        return DayCalendar(Seasons(self.seasons), self.holidays)


class TariffFile(Document):
    """What stands in a tariff file."""

    tariff: str
    currency: str = Field(min_length=1, max_length=8)
    invented: bool = False
    about: str = ""
    versions: list[TariffVersion] = Field(min_length=1)


@dataclass(frozen=True)
class Tariff:
    """A tariff, read and checked, with the lines of the file it came from.

    ``series`` are the texts of the price series it names, as they were when it was read.
    """

    file: TariffFile
    source: Source
    series: Mapping[Path, str] = field(default_factory=dict)

    def series_by_name(self) -> dict[str, str]:
        """Return the text of each price series by the name under which it is kept."""
        place = self.source.path.parent
        return {
            kept_name(file): self.series[place / file]
            for file in series_files(self.file)
            if place / file in self.series
        }

    @property
    def name(self) -> str:
        """Name of the tariff, on one line."""
        return _on_one_line(self.file.tariff)

    @property
    def currency(self) -> str:
        """Currency of all its prices, on one line."""
        return _on_one_line(self.file.currency)

    def season_of_months(self, grid: TimeGrid) -> list[str]:
        """Return the season of the middle of each month, January first, shape (12,).

        Seasons are those of the version in force on the grid's last day; seasons in which any flows
        cost the same are one, called by the first of them. Months in which a table has other prices
        are seasons of their own.
        """
        last = grid.dates[-1]
        past = [n for n, version in enumerate(self.file.versions) if version.from_date <= last]
        number = past[-1] if past else 0
        seasons = self.file.versions[number].calendar().seasons
        alike = seasons_alike(self, number, grid)
        named = [alike[seasons.of_day(date(last.year, month, 15))] for month in range(1, 13)]
        for months in _months_of_tables(self, number):
            named = [f"{name} {first}" for name, first in zip(named, months, strict=True)]
        return named


def _on_one_line(text: str) -> str:
    """Return a text with a space for each sign that is not printed: it heads files and figures."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


@dataclass(frozen=True)
class TariffCost:
    """A tariff compiled for one grid: its lines, each with its cost as an expression."""

    currency: str
    periods: BillingPeriods
    lines: tuple[Line, ...]
    notes: tuple[str, ...]

    @property
    def total(self) -> Node:
        """The whole bill as one expression. [money]"""
        return Sum(tuple(line.cost for line in self.lines))


def shipped_folder(name: str) -> Path:
    """Return the folder of shipped data, ``tariffs`` or ``scenarios``."""
    package = Path(str(resources.files("optimizer")))
    inside = package / "shipped" / name
    return inside if inside.is_dir() else package.parent / name


def find_tariff(reference: str, folder: Path, where: str) -> Path:
    """Return the file of a tariff given as a path from a folder, or as a shipped name.

    Raises
    ------
    TariffError
        If there is neither.
    """
    beside, shipped = folder / reference, shipped_tariffs()
    if is_file(beside):
        return beside
    if reference in shipped:
        return shipped[reference]
    raise TariffError(
        f"the tariff {reference[:80]!r} is neither a file in {folder} nor a shipped tariff",
        where=where,
        mend=f"Give a path from the scenario's folder, or one of: {', '.join(shipped)}.",
    )


def shipped_tariffs() -> dict[str, Path]:
    """Return the file of each shipped tariff by its name; worked bills beside them are none."""
    files = sorted(shipped_folder("tariffs").glob("*.yaml"))
    return {path.stem: path for path in files if not path.name.endswith(BILLS_SUFFIX)}


def is_tariff_text(text: str) -> bool:
    """Tell whether a YAML text is meant as a tariff: it has versions at its top."""
    return any(line.startswith("versions:") for line in text.splitlines())


def read_tariff(path: Path) -> Tariff:
    """Read a tariff file.

    Raises
    ------
    TariffError
        What is wrong in it, all findings together.
    """
    file, source = read_document(path, TariffFile, TariffError)
    for number, (earlier, later) in enumerate(
        zip(file.versions, file.versions[1:], strict=False), start=1
    ):
        if later.from_date <= earlier.from_date:
            raise TariffError(
                f"version {number + 1} begins on {later.from_date}, not after {earlier.from_date}",
                where=source.where(("versions", number, "from")),
                mend="List versions in rising order of their first day.",
            )
    for number, version in enumerate(file.versions):
        refuse_twins(version, number, source)
    texts = {path.parent / name: _series_text(path.parent / name) for name in series_files(file)}
    return Tariff(file, source, {place: text for place, text in texts.items() if text is not None})


def refuse_twins(version: TariffVersion, number: int, source: Source) -> None:
    """Refuse two charges of one name in a version of a tariff.

    Raises
    ------
    TariffError
        At the second of them.
    """
    seen: set[str] = set()
    for position, charge in enumerate(version.charges):
        if charge.name in seen:
            raise TariffError(
                f"two charges are called {charge.name!r}",
                where=source.where(("versions", number, "charges", position, "name")),
                mend="Give each charge a name of its own.",
            )
        seen.add(charge.name)


def compile_cost(
    tariff: Tariff,
    grid: TimeGrid,
    periods: BillingPeriods,
    history: History = NO_HISTORY,
) -> TariffCost:
    """Compile a tariff for a grid into priced lines.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    grid, periods : TimeGrid, BillingPeriods
        The T steps and the P billing periods.
    history : History
        What happened before the series and still counts.

    Returns
    -------
    TariffCost
        The lines of all charges in all periods.

    Raises
    ------
    TariffError
        If the tariff has no version for a day of the grid, a hole or an overlap, a word it does
        not define, or a price series that does not cover the grid.
    """
    lines: list[Line] = []
    notes: list[str] = []
    memory: dict[str, Any] = {}
    for number, in_force in _versions_in_force(tariff, grid):
        context = _version_read(
            tariff, number, in_force, grid, periods, history=history, memory=memory
        )
        lines += context.lines
        notes += [*context.notes, *context.remarks]
    return TariffCost(tariff.currency, periods, tuple(lines), tuple(dict.fromkeys(notes)))


def _version_read(  # noqa: PLR0913 - a version, its time, and what differs from it
    tariff: Tariff,
    number: int,
    in_force: BoolArray,
    grid: TimeGrid,
    periods: BillingPeriods,
    *,
    calendar: DayCalendar | None = None,
    history: History = NO_HISTORY,
    memory: dict[str, Any] | None = None,
    read: PriceReader | None = None,
) -> Context:
    """Return the context of a version with the lines of all its charges, and its notes."""
    version, notes = tariff.file.versions[number], list[str]()
    calendar = calendar or version.calendar()
    context = Context(
        grid,
        periods,
        calendar,
        in_force,
        tariff.source,
        location=("versions", number, "charges"),
        read_prices=read or _price_reader(tariff, grid, calendar, notes),
        history=history,
        notes=notes,
        memory={} if memory is None else memory,
    )
    for position, charge in enumerate(version.charges):
        context.location = ("versions", number, "charges", position)
        context.lines.extend(_rounded(line, charge) for line in charge.lines(context))
        context.declared[charge.name] = charge.declared_as
    if version.round_total is not None:
        where = tariff.source.where(("versions", number, "round_total"))
        context.lines.extend(_rounding_lines(context, version.round_total, where))
    return context


def remarks_over_a_year(tariff: Tariff) -> list[str]:
    """Compile each version over the calendar year in which it begins; return what is odd in it.

    Of price series only is asked that they can be read: which time they hold is for a bill to ask.

    Raises
    ------
    TariffError, SeriesError
        As a bill of that year would: undefined names, holes and overlaps, files that are missing.
    """
    versions = range(len(tariff.file.versions))
    found = [remark for number in versions for remark in over_a_year(tariff, number).remarks]
    return list(dict.fromkeys(found))


def over_a_year(tariff: Tariff, number: int) -> Context:
    """Compile a version over the calendar year in which it begins; prices of a series are zero.

    Raises
    ------
    TariffError, SeriesError
        As a bill of that year would: undefined names, holes and overlaps, files that are missing.
    """
    version = tariff.file.versions[number]
    year = version.from_date.year
    days = (date(year + 1, 1, 1) - date(year, 1, 1)).days
    minutes = 5 if any(_is_rolling_fast(charge) for charge in version.charges) else 15
    count = days * 24 * 60 // minutes
    grid = TimeGrid(datetime(year, 1, 1, tzinfo=UTC), minutes, count, "UTC")
    return _version_read(
        tariff, number, np.ones(count, dtype=bool), grid, calendar_months(grid),
        read=partial(_readable_prices, tariff, grid, version.calendar()),
    )  # fmt: skip


def _is_rolling_fast(charge: ChargeBase) -> bool:
    return isinstance(charge, DemandCharge) and (charge.rolling_minutes or 15) < 15


def _readable_prices(
    tariff: Tariff, grid: TimeGrid, calendar: DayCalendar, named: PriceFile, where: str
) -> FloatArray:
    """Read a table by its own clock, and of a series the first price, which shows that it can be read."""
    path, notes = tariff.source.path.parent / named.file, list[str]()
    _refuse_missing(path, where)
    if isinstance(named, PriceTable):
        own = named.model_copy(update={"zone": None})
        return prices_in(path, own, grid, calendar, where, notes)
    table = read_table(path)
    stamps = read_stamps(table, needed_column(table, TIME_COLUMNS), "UTC", notes)
    first = min(stamp for stamp in stamps if not pd.isna(stamp))
    read_prices(path, named.column, TimeGrid(first, 60, 1, "UTC"), where, notes)
    return np.zeros(grid.count)


PROBES_KW = (0.5, 20.0, 1000.0)
"""Mean powers of the flows that compare seasons: a home, a shop, a factory. [kW]"""

ALIKE = 1e-9
"""Bills that differ by less than this share are the same."""


def seasons_alike(tariff: Tariff, number: int, grid: TimeGrid) -> dict[str, str]:
    """Return for each season of a version the first one in which any flows cost the same.

    Each season is held through the whole grid in turn, and the same random flows are billed: what a
    season is called, or that a charge names it, makes no difference by itself.
    """
    calendar = tariff.file.versions[number].calendar()
    names = calendar.seasons.names
    if len(names) == 1:
        return {names[0]: names[0]}
    try:
        bills = {
            name: _probed(
                tariff, number, replace(calendar, seasons=calendar.seasons.held(name)), grid
            )
            for name in names
        }
    except TariffError:  # a charge that needs another one's months cannot stand in all of them
        return {name: name for name in names}
    return {
        name: next(first for first in names if np.allclose(bills[first], bills[name], ALIKE, ALIKE))
        for name in names
    }


def _probed(tariff: Tariff, number: int, calendar: DayCalendar, grid: TimeGrid) -> FloatArray:
    """Return what random flows cost in each billing period, shape (probes × P,)."""
    periods, always = calendar_months(grid), np.ones(grid.count, dtype=bool)
    lines = _version_read(tariff, number, always, grid, periods, calendar=calendar).lines
    luck = np.random.default_rng(0)
    costs = []
    for power_kw in PROBES_KW:
        bought, sold = luck.exponential(power_kw * grid.step_h, (2, grid.count))
        reading = Evaluation(Flows.of_meter(grid, bought, sold, 0.5 * bought, 0.5 * sold))
        of_period = np.zeros(len(periods.periods))
        for line in lines:
            of_period[line.period] += reading.value(line.cost)
        costs.append(of_period)
    return np.concatenate(costs)


def _rounded(line: Line, charge: ChargeBase) -> Line:
    if charge.round_amount is None:
        return line
    return replace(line, cost=charge.round_amount.of(line.cost))


def _rounding_lines(context: Context, rule: Rounding, where: str) -> list[Line]:
    lines = []
    for period in sorted({line.period for line in context.lines}):
        whole = Sum(tuple(line.cost for line in context.lines_of("all above", period)))
        added = Sum((Rounded(whole, rule.to, rule.how), minus(whole)))
        lines.append(Line.of_money(ROUNDING, period, added, where))
    return lines


def _versions_in_force(tariff: Tariff, grid: TimeGrid) -> list[tuple[int, BoolArray]]:
    starts = np.array([v.from_date for v in tariff.file.versions], dtype="datetime64[D]")
    days = np.array(grid.dates, dtype="datetime64[D]")
    version = np.searchsorted(starts, days, side="right") - 1
    if (version < 0).any():
        raise TariffError(
            f"the tariff begins on {starts[0]}, but the series on {days[0]}",
            where=tariff.source.where(("versions", 0, "from")),
            mend="Add a version that holds on the series' first day.",
        )
    return [(int(v), (version == v)[grid.day]) for v in np.unique(version)]


def _price_reader(
    tariff: Tariff, grid: TimeGrid, calendar: DayCalendar, notes: list[str]
) -> PriceReader:
    """Return what reads prices: of a file that has changed since the tariff was read, as it was."""

    def read(named: PriceFile, where: str) -> FloatArray:
        def read_in(path: Path) -> FloatArray:
            return prices_in(path, named, grid, calendar, where, notes)

        return _from_file(tariff, named.file, where, read_in)

    return read


def _from_file(tariff: Tariff, file: str, where: str, read: Callable[[Path], ReadT]) -> ReadT:
    """Return what is read of a file, as it was when the tariff was read."""
    path = tariff.source.path.parent / file
    kept = tariff.series.get(path)
    if kept is None:
        _refuse_missing(path, where)
    if kept is None or kept == _series_text(path):
        return read(path)
    with TemporaryDirectory() as folder:
        copy = Path(folder) / kept_name(path.name)
        copy.write_text(kept, encoding="utf-8", newline="")
        return read(copy)


def _months_of_tables(tariff: Tariff, number: int) -> list[list[int]]:
    """Return for each table of a version the first month with the same prices as each month."""
    tables = {
        (charge.table.file, charge.table.column): None
        for charge in tariff.file.versions[number].charges
        if isinstance(charge, PricedEnergy) and charge.table is not None
    }
    return [
        _from_file(tariff, file, str(tariff.source.path), partial(alike_months, column=column))
        for file, column in tables
    ]


def prices_in(
    path: Path,
    named: PriceFile,
    grid: TimeGrid,
    calendar: DayCalendar,
    where: str,
    notes: list[str],
) -> FloatArray:
    """Read what is priced by a series or a table at each step, shape (T,). [money per kWh]

    Raises
    ------
    SeriesError
        If they cannot be read, or a step has none.
    """
    if not isinstance(named, PriceTable):
        return read_prices(
            path, named.column, grid, where, notes, partial(named.priced, notes=notes)
        )
    clock = grid if named.zone is None else replace(grid, zone=named.zone)
    prices = read_price_table(path, named.column, clock, calendar, where, notes)
    return named.priced(prices, grid.step_h, notes)


def _refuse_missing(path: Path, where: str) -> None:
    if not is_file(path):
        raise TariffError(
            f"there is no such file of prices: {path}",
            where=where,
            mend="Write its path from the folder of the tariff.",
        )


def series_files(file: TariffFile) -> list[str]:
    """Return the files of prices that a tariff names, each once."""
    found = [
        charge.prices_from.file
        for version in file.versions
        for charge in version.charges
        if isinstance(charge, PricedEnergy) and charge.prices_from is not None
    ]
    return list(dict.fromkeys(found))


def kept_name(file: str) -> str:
    """Return the name by which a price series is kept, whatever folder it lies in."""
    return re.sub(r"[^\w.-]", "_", file.removesuffix(".gz"))


def _series_text(path: Path) -> str | None:
    """Return the text of a series; None if it cannot be read; its own reader reports why."""
    try:
        content = path.read_bytes()
        content = gzip.decompress(content) if path.suffix == ".gz" else content
        return content.decode("utf-8-sig")
    except (OSError, EOFError, zlib.error, UnicodeDecodeError):
        return None


def refuse_unknown_history(tariff: Tariff, history: History, where: Callable[[str], str]) -> None:
    """Refuse history of charges that the tariff lacks or that keep none.

    Raises
    ------
    ScenarioError
        With the names that the tariff has.
    """
    charges = [charge for version in tariff.file.versions for charge in version.charges]
    demand = {charge.name for charge in charges if isinstance(charge, DemandCharge)}
    banks = {name for charge in charges for name in _banks(charge)}
    for key, names, allowed, kind in (
        ("peak_so_far_kw", history.peak_so_far_kw, demand, "demand charge"),
        ("past_peaks_kw", history.past_peaks_kw, demand, "demand charge"),
        ("banked", history.banked, banks, "charge with a bank"),
    ):
        for name in names:
            if name not in allowed:
                raise ScenarioError(
                    f"{key} is given for {name!r}, which is no {kind} of the tariff",
                    where=where(key),
                    mend=f"Name one of: {', '.join(sorted(allowed)) or f'none (remove {key})'}.",
                )


def _banks(charge: ChargeBase) -> list[str]:
    """Return the names of the banks of a charge: of net energy one for each rate."""
    if isinstance(charge, CreditBank):
        return [charge.name] if charge.left_over == "carried" else []
    if not isinstance(charge, NetEnergyCharge) or not charge.carries:
        return []
    return [f"{charge.name}: {rate.name}" for rate in charge.rates or ()] or [charge.name]
