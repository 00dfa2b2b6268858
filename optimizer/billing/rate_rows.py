"""Rates as a person types them from a rate sheet, and the tariff file that they make.

A sheet holds texts as they were typed, so that a form can show them again with what is wrong in each.
Rows of one name that differ in their hours alone are one rate. Months become the seasons of the file. What
rows cannot hold is said, never dropped: ``rows_of`` then returns no sheet but the reasons.

Read next: ``rate_week``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from optimizer.base.calendar import (
    LEAP_YEAR,
    WHEN_KEYS,
    Holidays,
    Seasons,
    minutes_in_spans,
    read_span,
    span_text,
)
from optimizer.base.documents import Source, checked
from optimizer.base.errors import InputError, Mistake, Place, SeveralInputErrors, TariffError
from optimizer.base.typed_numbers import typed_number
from optimizer.base.words import later, say
from optimizer.base.yaml_text import typed_yaml
from optimizer.billing.charges.demand import DemandCharge
from optimizer.billing.charges.energy import EnergyCharge, EnergyRate, ExportCredit, PricedEnergy
from optimizer.billing.charges.fixed import FixedCharge
from optimizer.billing.charges.percentage import PercentageCharge
from optimizer.billing.odd import odd_places
from optimizer.billing.rate_words import (
    ALL_MONTHS,
    holidays_text,
    hours_text,
    months_words,
    number_text,
    read_days,
    read_holidays,
    read_hours,
    read_months,
)
from optimizer.billing.tariff import Tariff, TariffFile, TariffVersion, refuse_twins

ALWAYS = date(2010, 1, 1)
"""First day of a tariff whose sheet names none: last year's meter can be billed with it."""

PER_KWH = "kWh"
OTHER_UNITS = {
    "day": later("a day"), "month": later("a month"), "year": later("a year"), PER_KWH: later("a kWh"),
    "30 days": later("30 days"),
}  # fmt: skip
"""For what a charge that is the same at all times is paid."""

OTHER_TIMES = later("other times")


@dataclass(frozen=True)
class RateRow:
    """When something holds and what it costs; every field is a text as typed.

    ``night`` says that hours over midnight are the night that *begins* on the days named. ``price`` is
    per kWh, or per kW in a row of demand, where ``interval`` are the minutes over which it is measured.
    """

    name: str = ""
    months: str = ""
    days: str = "all"
    begin: str = ""
    end: str = ""
    price: str = ""
    night: bool = False
    interval: str = ""

    @property
    def is_empty(self) -> bool:
        """Whether nothing was typed; days and minutes are chosen, not typed."""
        return not any(map(str.strip, (self.name, self.months, self.begin, self.end, self.price)))


@dataclass(frozen=True)
class OtherRow:
    """A charge that is the same at all times: an amount a day, a month, a year or a kWh."""

    name: str = ""
    amount: str = ""
    per: str = "month"

    @property
    def is_empty(self) -> bool:
        """Whether nothing was typed."""
        return not (self.name.strip() or self.amount.strip())


@dataclass(frozen=True)
class RateTable:
    """Rows of which one holds at a time, and the price of all times that no row has."""

    charge: str
    rows: tuple[RateRow, ...] = ()
    rest_name: str = ""
    rest_price: str = ""


@dataclass(frozen=True)
class RateSheet:
    """A rate sheet as typed: names, prices by the clock, charges of all times, demand, tax."""

    tariff: str = ""
    currency: str = ""
    source: str = ""
    begins: str = ""
    holidays: str = ""
    energy: RateTable = field(default_factory=lambda: RateTable("Energy"))
    export: RateTable = field(default_factory=lambda: RateTable("Export credit"))
    others: tuple[OtherRow, ...] = ()
    demand: tuple[RateRow, ...] = ()
    tax_name: str = ""
    tax: str = ""
    about: str = ""
    is_invented: bool = False


@dataclass(frozen=True)
class ReadRow:
    """A row as read: months, words for days, minutes of the day (None: all of it), its price if readable."""

    number: int
    name: str
    months: frozenset[int]
    days: tuple[str, ...]
    span: tuple[int, int] | None
    price: float | None
    night: bool
    interval: int | None = None

    @property
    def when(self) -> dict[str, Any]:
        """The words of a tariff for its days and hours."""
        when: dict[str, Any] = {} if self.days == ("all",) else {"days": list(self.days)}
        if self.span is not None:
            when["hours"] = [span_text(*self.span).replace("–", "-")]
            if self.span[1] <= self.span[0] and "days" in when:
                when["after_midnight"] = "next day" if self.night else "same day"
        return when


@dataclass
class ReadSheet:
    """What could be read of a sheet, what is wrong at which field, and what was taken as something else.

    Rows whose times cannot be read are left out; a price that cannot be read is None. A finding's place is
    the path of fields, as ``("energy", "rows", 2, "begin")``.
    """

    sheet: RateSheet
    energy: list[ReadRow] = field(default_factory=list)
    export: list[ReadRow] = field(default_factory=list)
    demand: list[ReadRow] = field(default_factory=list)
    holidays: Holidays = field(default_factory=Holidays)
    findings: list[Mistake] = field(default_factory=list)
    remarks: list[Mistake] = field(default_factory=list)

    def cell(self, read: Any, text: str, *place: int | str) -> Any:
        """Return what a reader makes of a cell; None if it refuses, which is then a finding."""
        try:
            return read(text)
        except Mistake as mistake:
            self.findings.append(Mistake(mistake.what, mistake.mend, place))
            return None

    def needed(self, text: str, words: str, *place: int | str) -> str:
        """Return a text that may not be empty; else that is a finding."""
        if not text.strip():
            self.findings.append(Mistake(words, say("Type it as the rate sheet has it."), place))
        return text.strip()


def read_sheet(sheet: RateSheet) -> ReadSheet:
    """Read every field of a sheet; nothing is raised, all is told in the result."""
    read = ReadSheet(sheet)
    read.holidays = read.cell(read_holidays, sheet.holidays, "holidays") or Holidays()
    for table in ("energy", "export"):
        rows = getattr(sheet, table).rows
        getattr(read, table).extend(_read_rows(read, rows, table, "rows"))
    read.demand.extend(_read_rows(read, sheet.demand, "demand"))
    return read


def _read_rows(read: ReadSheet, rows: Sequence[RateRow], *place: int | str) -> Iterator[ReadRow]:
    for number, row in enumerate(rows):
        if row.is_empty:
            continue
        at = (*place, number)
        months = read.cell(read_months, row.months, *at, "months")
        days = read.cell(read_days, row.days, *at, "days")
        price = read.cell(typed_number, row.price, *at, "price") if row.price.strip() else None
        if not row.price.strip():
            read.needed("", say("the price is missing"), *at, "price")
        try:
            span, remark = read_hours(row.begin, row.end)
        except Mistake as mistake:
            read.findings.append(Mistake(mistake.what, mistake.mend, (*at, *mistake.place)))
            continue
        if remark:
            read.remarks.append(Mistake(remark, "", (*at, "end")))
        if months is None or days is None:
            continue
        if "holidays" in days and not read.holidays.any():
            what = say("the row names holidays, but none are listed")
            read.findings.append(
                Mistake(what, say("List them below, or choose other days."), (*at, "days"))
            )
        yield ReadRow(
            number, row.name.strip(), months, tuple(days), span, price, row.night,
            int(row.interval) if row.interval.isdecimal() else None,
        )  # fmt: skip


# --- rows → tariff ---------------------------------------------------------------------------------


def tariff_of(read: ReadSheet, path: Path = Path("tariff.yaml")) -> Tariff | None:
    """Return the tariff of a sheet, as its file would be read; None if a finding stands in the way.

    What the tariff's own reader refuses, such as a price beyond all currencies, is a finding at its row.
    What looks like a slip of unit is a remark.
    """
    making = _Making(read)
    content = making.content()
    if read.findings:
        return None
    try:
        file, source = checked(Source(path, content), TariffFile, TariffError)
        refuse_twins(file.versions[0], 0, source)
    except InputError as failure:
        several = failure.findings if isinstance(failure, SeveralInputErrors) else [failure]
        read.findings += [Mistake(f.what, f.mend, making.place_of(f.place)) for f in several]
        return None
    tariff = Tariff(file, source)
    read.remarks += [Mistake(told, "", making.place_of(at)) for at, told in odd_places(tariff)]
    return tariff


def tariff_yaml(tariff: Tariff) -> str:
    """Return the file of a tariff that was made of rows, with comments."""
    text = typed_yaml(tariff.source.content)
    lines = []
    comments = {begin: say(words) for begin, words in COMMENTS.items()}
    for line in text.splitlines():
        begin = next((begin for begin in comments if line.lstrip().startswith(begin)), None)
        if begin is not None:
            indent = " " * (len(line) - len(line.lstrip()))
            lines.append(f"{indent}# {comments.pop(begin)}")
        lines.append(line)
    return "\n".join(lines) + "\n"


COMMENTS = {
    "tariff:": later("Typed row by row from a rate sheet. All money is in the currency below."),
    "- from:": later(
        "Holds from this day until the next version; 2010 where the sheet names no day."
    ),
    "seasons:": later("Each day of the year lies in one of these."),
    "holidays:": later("Holidays are no weekdays and no weekends here."),
    "- {kind: fixed": later("The same whatever is used."),
    "- {kind: energy": later("A price of every kWh, whenever."),
    "- kind: energy": later("What a kWh from the grid costs; each moment has one rate."),
    "- kind: demand": later("A price per kW of the month's highest mean power over the interval."),
    "- {kind: percentage": later(
        "Stands on all lines above it; what is paid for export stands below."
    ),
    "- kind: export_credit": later("What a kWh sent to the grid earns."),
}
"""What stands above the first line that begins so."""


@dataclass
class _Making:
    """Makes the content of a tariff file, and keeps which field each of its places came from."""

    read: ReadSheet
    places: dict[Place, Place] = field(default_factory=dict)
    charges: list[dict[str, Any]] = field(default_factory=list)

    def content(self) -> dict[str, Any]:
        """Return the content; what is missing becomes a finding of the sheet."""
        read, sheet = self.read, self.read.sheet
        head: dict[str, Any] = {
            "tariff": read.needed(sheet.tariff, say("the name of the rates is missing"), "tariff"),
            "currency": read.needed(sheet.currency, say("the currency is missing"), "currency"),
        }
        if sheet.is_invented:
            head["invented"] = True
        if sheet.about.strip():
            head["about"] = sheet.about
        first = read.cell(_first_day, sheet.begins, "begins")
        source = sheet.source.strip() or say("typed from a rate sheet that is not named")
        version: dict[str, Any] = {"from": first, "source": source}
        parts = parts_of_year([*read.energy, *read.export, *read.demand])
        if len(parts) > 1:
            version["seasons"] = {
                months_words(part): _ranges(part) for part in parts
            }  # fmt: skip
        if read.holidays.any():
            version["holidays"] = read.holidays.model_dump(exclude_none=True, exclude_defaults=True)
        self._all_charges(parts)
        if not self.charges:
            what = say("no price was typed yet")
            read.findings.append(
                Mistake(what, say("Type at least one price of a kWh."), ("energy",))
            )
        version["charges"] = self.charges
        for key, place in (("tariff", "tariff"), ("currency", "currency")):
            self.places[(key,)] = (place,)
        self.places[("versions", 0, "holidays")] = ("holidays",)
        return head | {"versions": [version]}

    def place_of(self, place: Place) -> Place:
        """Return the field of the sheet that a place of the file came from."""
        for size in range(len(place), 0, -1):
            if place[:size] in self.places:
                return self.places[place[:size]]
        return ()

    def _all_charges(self, parts: Sequence[frozenset[int]]) -> None:
        sheet = self.read.sheet
        # Energy stands first: of several flat prices per kWh the first one is read as the price of energy.
        self._table("energy", "energy", sheet.energy, self.read.energy, parts)
        for number, row in enumerate(sheet.others):
            if not row.is_empty:
                self._other(number, row)
        for group in _groups(self.read.demand):
            self._demand(group, parts)
        if sheet.tax.strip():
            percent = self.read.cell(typed_number, sheet.tax.replace("%", ""), "tax")
            name = sheet.tax_name.strip() or say("Tax")
            self._charge(
                {"kind": "percentage", "name": name, "percent": percent, "of": "all above"},
                ("tax",),
            )
        self._table("export", "export_credit", sheet.export, self.read.export, parts)

    def _charge(self, charge: dict[str, Any], *places: Place) -> Place:
        at: Place = ("versions", 0, "charges", len(self.charges))
        self.charges.append(charge)
        self.places[at] = places[0]
        return at

    def _other(self, number: int, row: OtherRow) -> None:
        place = ("others", number)
        name = self.read.needed(row.name, say("the name is missing"), *place, "name")
        amount = self.read.cell(typed_number, row.amount, *place, "amount")
        charge = (
            {"kind": "energy", "name": name, "per_kwh": amount}
            if row.per == PER_KWH
            else {"kind": "fixed", "name": name, "amount": amount, "per": row.per}
        )
        at = self._charge(charge, (*place, "amount"))
        self.places[*at, "name"] = (*place, "name")
        self.places[*at, "per"] = (*place, "per")

    def _table(
        self, field_: str, kind: str, table: RateTable, rows: list[ReadRow], parts: Sequence[frozenset[int]]
    ) -> None:  # fmt: skip
        rest = None
        if table.rest_price.strip():
            rest = self.read.cell(typed_number, table.rest_price, field_, "rest_price")
        if not rows and rest is None:
            return
        charge: dict[str, Any] = {"kind": kind, "name": table.charge}
        at = self._charge(charge, (field_,))
        if not rows:
            charge["per_kwh"] = rest
            self.places[*at, "per_kwh"] = (field_, "rest_price")
            return
        rates: list[dict[str, Any]] = []
        charge["rates"] = rates
        for group in _groups(rows):
            self.places[*at, "rates", len(rates)] = (field_, "rows", group[0].number, "price")
            rates.append(_rate(group) | _when(group, parts))
        if table.rest_price.strip():
            self.places[*at, "rates", len(rates)] = (field_, "rest_price")
            name = table.rest_name.strip() or say(OTHER_TIMES)
            rates.append({"name": name, "per_kwh": rest, "otherwise": True})

    def _demand(self, group: list[ReadRow], parts: Sequence[frozenset[int]]) -> None:
        row = group[0]
        place = ("demand", row.number)
        self.read.needed(row.name, say("the name is missing"), *place, "name")
        charge = {
            "kind": "demand",
            "name": row.name,
            "per_kw": row.price,
            "interval_minutes": row.interval or 15,
        }
        at = self._charge(charge | _when(group, parts), (*place, "price"))
        self.places[*at, "name"] = (*place, "name")
        self.places[*at, "hours"] = (*place, "begin")


def _first_day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip()) if text.strip() else ALWAYS
    except ValueError:
        what = say("{found} is no date", found=repr(text))
        raise Mistake(what, say("Write it as 2026-01-01, or leave it empty.")) from None


def _rate(group: Sequence[ReadRow]) -> dict[str, Any]:
    row = group[0]
    return {"name": row.name or say("row {number}", number=row.number + 1), "per_kwh": row.price}


def _groups(rows: Sequence[ReadRow]) -> list[list[ReadRow]]:
    """Return rows that follow each other and differ in their hours alone, each group as one rate."""
    groups: list[list[ReadRow]] = []
    for row in rows:
        if groups and _is_one_rate([*groups[-1], row]):
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _is_one_rate(rows: Sequence[ReadRow]) -> bool:
    first, last = rows[0], rows[-1]
    if not last.name or replace(last, number=first.number, span=first.span) != first:
        return False
    if any(row.span is None for row in rows):
        return False
    try:
        minutes_in_spans([hour for row in rows for hour in row.when["hours"]])
    except Mistake:  # they overlap: told as such, of two rows
        return False
    return True


def _when(group: Sequence[ReadRow], parts: Sequence[frozenset[int]]) -> dict[str, Any]:
    when = {key: value for row in group for key, value in row.when.items()}
    if group[0].span is not None:
        when["hours"] = [hour for row in group for hour in row.when["hours"]]
    if group[0].months != ALL_MONTHS:
        inside = [months_words(part) for part in parts if part <= group[0].months]
        return {"seasons": inside} | when
    return when


def parts_of_year(rows: Sequence[ReadRow]) -> list[frozenset[int]]:
    """Return the months in groups that no row tells apart, by their first month."""
    groups: dict[tuple[bool, ...], set[int]] = {}
    for month in sorted(ALL_MONTHS):
        groups.setdefault(tuple(month in row.months for row in rows), set()).add(month)
    return [frozenset(group) for group in groups.values()]


def _ranges(months: frozenset[int]) -> str | list[str]:
    """Return months as ranges of dates, which may run over the new year."""
    ranges = []
    for month in sorted(months):
        if (month - 2) % 12 + 1 in months:
            continue
        last = month
        while last % 12 + 1 in months:
            last = last % 12 + 1
        ranges.append(f"{month:02d}-01 to {last:02d}-{_last_day(last):02d}")
    return ranges[0] if len(ranges) == 1 else ranges


def _last_day(month: int) -> int:
    return (date(LEAP_YEAR + month // 12, month % 12 + 1, 1) - date(LEAP_YEAR, month, 1)).days


# --- tariff → rows ---------------------------------------------------------------------------------

HELD: Mapping[type[BaseModel], frozenset[str]] = {
    FixedCharge: frozenset({"kind", "name", "amount", "per"}),
    EnergyCharge: frozenset({"kind", "name", "per_kwh", "rates"}),
    ExportCredit: frozenset({"kind", "name", "per_kwh", "rates"}),
    EnergyRate: frozenset(
        {"name", "per_kwh", "otherwise", "seasons", "days", "hours", "after_midnight"}
    ),
    DemandCharge: frozenset(
        {"kind", "name", "per_kw", "interval_minutes", "seasons", "days", "hours", "after_midnight"}
    ),
    PercentageCharge: frozenset({"kind", "name", "percent", "of"}),
    TariffVersion: frozenset({"from_date", "source", "seasons", "holidays", "charges"}),
}
"""What rows have a field for; anything else that a tariff says they cannot hold."""

KIND_WORDS = {
    "step_fee": later("an amount by the range of demand or use"),
    "net_energy": later("import less export (net metering)"),
    "credit_bank": later("credits that wait for other charges"),
    "minimum": later("a minimum bill"),
    "reactive": later("reactive power or energy"),
    "branches": later("the lower or higher of several bills, or a price by hours of use"),
    "baseline_rebate": later("a rebate against earlier days"),
}

KEY_WORDS = {
    "blocks": later("prices by blocks of use"),
    "series": later("prices from a file"),
    "table": later("prices from a file"),
    "any_of": later("hours with days of their own"),
    "dates": later("prices on single days"),
    "ratchet": later("a share of earlier months' demand"),
    "mean_of_months": later("a mean of several months' demand"),
    "highest": later("a mean of several peaks"),
    "contract": later("contracted power"),
    "power_factor": later("a rule for the power factor"),
    "rolling_minutes": later("a rolling demand interval"),
    "at_least_kw": later("a least billed demand"),
    "per": later("a price of a kW for other than a month"),
    "billed_in": later("months of billing apart from those of measuring"),
    "origin": later("a price of its own for PV or stored energy"),
    "bands": later("a percentage by use"),
    "shared": later("export that is shared with other meters"),
    "month_days": later("months of a fixed length"),
    "round_amount": later("rounded lines"),
    "round_total": later("a rounded total"),
    "round_kwh": later("rounded kWh"),
    "round_kw": later("rounded kW"),
    "source": later("a source of its own"),
}
"""What a key stands for, in words; others are named as they are."""


def rows_of(file: TariffFile) -> tuple[RateSheet | None, list[str]]:
    """Return a tariff as rows; or None and what it has that rows cannot hold, in words."""
    version = file.versions[0]
    reasons = [] if len(file.versions) == 1 else [say("prices that change on a day")]
    months = _months_of_seasons(version)
    if months is None:
        reasons.append(say("seasons that begin or end within a month"))
    reasons += _left_over(version, "")
    by_kind: dict[str, list[Any]] = {}
    for charge in version.charges:
        if type(charge) not in HELD:
            reasons.append(f"{charge.name}: {say(KIND_WORDS.get(charge.kind, charge.kind))}")
            continue
        by_kind.setdefault(charge.kind, []).append(charge)
        reasons += _left_over(charge, charge.name)
        for rate in (charge.rates or ()) if isinstance(charge, PricedEnergy) else ():
            name = f"{charge.name}: {rate.name}"
            reasons += _left_over(rate, name)
            if rate.otherwise and {"seasons", "days"} & rate.model_fields_set:
                reasons.append(say("{name}: what remains of some seasons or days", name=name))
    reasons += _of_which_there_is_one(version, by_kind)
    if reasons or months is None:
        return None, list(dict.fromkeys(reasons))
    return _sheet(file, by_kind, months), []


def _left_over(model: BaseModel, name: str) -> Iterator[str]:
    for key in type(model).model_fields:
        if key in HELD[type(model)] or _is_left_out(model, key):
            continue
        if key in WHEN_KEYS and isinstance(model, PricedEnergy):
            continue  # told as one thing
        words = say(KEY_WORDS[key]) if key in KEY_WORDS else key
        yield f"{name}: {words}" if name else words


def _is_left_out(model: BaseModel, key: str) -> bool:
    default = type(model).model_fields[key].get_default(call_default_factory=True)
    return getattr(model, key) in (default, None)


def _of_which_there_is_one(
    version: TariffVersion, by_kind: Mapping[str, list[Any]]
) -> Iterator[str]:
    by_clock = [charge for charge in by_kind.get("energy", ()) if charge.rates]
    priced = [*by_kind.get("energy", ()), *by_kind.get("export_credit", ())]
    for charges in (by_clock, by_kind.get("export_credit", []), by_kind.get("percentage", [])):
        if len(charges) > 1:
            names = ", ".join(charge.name for charge in charges)
            yield say("several charges of one kind: {names}", names=names)
    for charge in priced:
        if not all(_is_left_out(charge, key) for key in WHEN_KEYS):
            yield say("{name}: an addition that holds at some hours only", name=charge.name)
    taxed = {charge.name for charge in version.charges
             if charge.kind not in ("percentage", "export_credit")}  # fmt: skip
    for place, charge in enumerate(version.charges):
        if isinstance(charge, PercentageCharge) and len(by_kind["percentage"]) == 1:
            above = {c.name for c in version.charges[:place]}
            if taxed != (above if charge.of == "all above" else set(charge.of)):
                yield say("{name}: a percentage of some of the charges only", name=charge.name)


def _months_of_seasons(version: TariffVersion) -> dict[str, frozenset[int]] | None:
    """Return the months of each season; None if one holds a month in part."""
    seasons, months = Seasons(version.seasons), dict[str, set[int]]()
    for month in ALL_MONTHS:
        names = {
            seasons.of_day(date(LEAP_YEAR, month, day)) for day in range(1, _last_day(month) + 1)
        }
        if len(names) > 1:
            return None
        months.setdefault(names.pop(), set()).add(month)
    return {name: frozenset(inside) for name, inside in months.items()}


def _sheet(
    file: TariffFile, by_kind: Mapping[str, list[Any]], months: Mapping[str, frozenset[int]]
) -> RateSheet:
    version, sheet = file.versions[0], RateSheet()
    energy = by_kind.get("energy", [])
    main = next((charge for charge in energy if charge.rates), energy[0] if energy else None)
    others = [
        OtherRow(c.name, number_text(c.amount), c.per)
        if isinstance(c, FixedCharge) else OtherRow(c.name, number_text(c.per_kwh or 0.0), PER_KWH)
        for c in version.charges
        if isinstance(c, FixedCharge | EnergyCharge) and c is not main
    ]  # fmt: skip
    tax = by_kind.get("percentage", [None])[0]
    return RateSheet(
        tariff=file.tariff,
        currency=file.currency,
        source=version.source,
        begins="" if version.from_date == ALWAYS else str(version.from_date),
        holidays=holidays_text(version.holidays),
        energy=_table(main, months) if main else sheet.energy,
        export=_table(by_kind["export_credit"][0], months) if "export_credit" in by_kind else sheet.export,
        others=tuple(others),
        demand=tuple(row for c in by_kind.get("demand", []) for row in
                     _rows(c, c.per_kw or 0.0, months, interval=str(c.interval_minutes))),
        tax_name=tax.name if tax else "",
        tax=number_text(tax.percent) if tax else "",
        about=file.about,
        is_invented=file.invented,
    )  # fmt: skip


def _table(charge: PricedEnergy, months: Mapping[str, frozenset[int]]) -> RateTable:
    if charge.rates is None:
        assert charge.per_kwh is not None
        return RateTable(charge.name, rest_price=number_text(charge.per_kwh))
    rest = next((rate for rate in charge.rates if rate.otherwise), None)
    rows = [row for rate in charge.rates if not rate.otherwise
            for row in _rows(rate, rate.per_kwh or 0.0, months)]  # fmt: skip
    if rest is None:
        return RateTable(charge.name, tuple(rows))
    assert rest.per_kwh is not None
    return RateTable(charge.name, tuple(rows), rest.name, number_text(rest.per_kwh))


def _rows(
    when: Any, price: float, months: Mapping[str, frozenset[int]], interval: str = ""
) -> Iterator[RateRow]:
    inside = (
        ALL_MONTHS
        if when.seasons is None
        else frozenset().union(*map(months.__getitem__, when.seasons))
    )
    for hours in when.hours:
        begin, end = read_span(hours)
        whole = (begin, end) == (0, 1440)
        first, last = hours_text(None if whole else (begin, end))
        yield RateRow(
            when.name, months_words(inside), ", ".join(when.days), first, last,
            number_text(price), night=end <= begin and when.after_midnight == "next day",
            interval=interval,
        )  # fmt: skip
