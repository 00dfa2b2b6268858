"""What stands in a file of worked bills: how a meter ran, and the figures that a tariff must make.

Read next: ``worked``, which checks them.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from optimizer.base.calendar import When
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import zone_named
from optimizer.billing.history import History

AtLeastZero = Annotated[float, Field(ge=0)]
Amounts = float | list[float]
"""One figure for all billing periods together, or a list with one for each."""

MAX_DAYS = 1100
"""Three years and a little: a longer bill is a slip in a date."""

LAST_YEAR = 2200
"""No clock's rules are known so far ahead."""

REGISTERS = {"import": ("kwh", "kw"), "export": ("export_kwh", "export_kw"),
             "stored export": ("stored_export_kwh", "stored_export_kw"),
             "reactive": ("kvarh", "kvar")}  # fmt: skip
"""Each register's key for what it counted, and its key for a power that it showed."""


class MeterEntry(When):
    """What one register of the meter did in a part of the calendar.

    ``kwh``, ``export_kwh`` and ``kvarh`` are all that the register counted in these hours, in equal
    parts; ``kw``, ``export_kw`` and ``kvar`` the power that it showed throughout them. A power lies
    within what is counted at its hours: it is taken off first, and the rest is spread over the other
    hours. ``stored_export_kwh`` and ``stored_export_kw`` tell what of the export came out of the
    battery. ``first`` and ``last`` are days of the period, both included; ``otherwise`` is all the
    time for which no other entry tells what this register counted.
    """

    kwh: AtLeastZero | None = None
    kw: AtLeastZero | None = None
    export_kwh: AtLeastZero | None = None
    export_kw: AtLeastZero | None = None
    stored_export_kwh: AtLeastZero | None = None
    stored_export_kw: AtLeastZero | None = None
    kvarh: AtLeastZero | None = None
    kvar: AtLeastZero | None = None
    first: date | None = None
    last: date | None = None
    otherwise: bool = False

    @model_validator(mode="after")
    def _says_one_thing(self) -> MeterEntry:
        given = [key for keys in REGISTERS.values() for key in keys if key in self.model_fields_set]
        if len(given) != 1:
            raise Mistake(
                f"a meter entry holds {' and '.join(given) or 'no amount'}",
                f"Give one of {', '.join(key for keys in REGISTERS.values() for key in keys)}.",
            )
        when = {"seasons", "days", "dates", "hours", "first", "last"}
        if self.otherwise and (self.is_power or when & self.model_fields_set):
            raise Mistake(
                "'otherwise' is for energy in all the time that no other entry names",
                "Remove it, or the words that say when.",
                "otherwise",
            )
        return self

    @property
    def key(self) -> str:
        """The key that holds the amount."""
        return next(k for keys in REGISTERS.values() for k in keys if getattr(self, k) is not None)

    @property
    def amount(self) -> float:
        """The amount, by its key. [kWh, kvarh, kW or kvar]"""
        return float(getattr(self, self.key))

    @property
    def is_power(self) -> bool:
        """Whether the entry is a power."""
        return self.key in {power for _, power in REGISTERS.values()}


class ExpectedLine(Document):
    """What a line must come to: money, and kWh, kW or whatever it counts."""

    amount: Amounts | None = None
    quantity: Amounts | None = None


class Expected(Document):
    """The figures a bill must come to; lines go by their name, or by that of their charge.

    Of a charge with several lines (rates, blocks) its name stands for the sum of them.
    """

    lines: dict[str, float | list[float] | ExpectedLine] = {}
    total: Amounts | None = None

    @model_validator(mode="after")
    def _expects_something(self) -> Expected:
        if not self.lines and self.total is None:
            raise Mistake("the bill expects nothing", "Give lines, total or both.")
        for name, line in self.lines.items():
            if isinstance(line, ExpectedLine) and line.amount is None and line.quantity is None:
                raise Mistake(
                    f"the line {name!r} has no figure", "Give amount, quantity or both.", "lines"
                )
        return self


class BillEntry(History):
    """One worked bill, as it stands in the file.

    ``period`` is its first and last day; several billing periods are told by ``read_dates``, the
    days at whose midnight the meter is read. What went before and still counts is told as in a
    scenario's ``state``. Tolerances are absolute, in money and in the line's unit.
    """

    shows: str = Field(min_length=1)
    source: str = Field(min_length=1)
    period: Annotated[list[date], Field(min_length=2, max_length=2)] | None = None
    read_dates: Annotated[list[date], Field(min_length=2)] | None = None
    step_minutes: Literal[5, 15, 30, 60] = 15
    meter: list[MeterEntry] = Field(min_length=1)
    expect: Expected
    tolerance: AtLeastZero = 0.005
    quantity_tolerance: AtLeastZero = 0.0005

    @model_validator(mode="after")
    def _one_way_of_telling_the_time(self) -> BillEntry:
        if (self.period is None) == (self.read_dates is None):
            raise Mistake(
                "the bill needs its time", "Give one of period (first and last day) and read_dates."
            )
        if self.period and self.period[1] < self.period[0]:
            raise Mistake(
                f"the period ends on {self.period[1]}, before it begins",
                "Give the first day, then the last.",
                "period",
            )
        key, days = ("period", self.period) if self.period else ("read_dates", self.read_dates)
        assert days
        if days[-1].year > LAST_YEAR:
            raise Mistake(
                f"the bill ends in {days[-1].year}, after {LAST_YEAR}", "Check the year.", key
            )
        if (span := (days[-1] - days[0]).days + 1) > MAX_DAYS:
            raise Mistake(
                f"the bill spans {span:,} days, more than {MAX_DAYS:,}", "Check the years.", key
            )
        return self

    @property
    def reads(self) -> list[date]:
        """The days at whose midnight the meter is read, at least two."""
        if self.read_dates is not None:
            return self.read_dates
        assert self.period is not None
        return [self.period[0], self.period[1] + timedelta(days=1)]


class BillsFile(Document):
    """What stands in a file of worked bills; all are of one zone (IANA name)."""

    zone: str
    bills: list[BillEntry] = Field(min_length=1)

    @field_validator("zone", mode="after")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        zone_named(zone)
        return zone
