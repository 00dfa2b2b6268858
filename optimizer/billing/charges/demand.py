"""Demand charges: a price per kW of the demand that the tariff bills.

Demand is the mean power over a demand interval of 15, 30 or 60 minutes that begins on the clock, or
rolls on in subintervals. From the intervals to the billed kW, each where the tariff has it::

    measured   the highest, or the mean of the highest of different days, weeks or months
    adjusted   for the power factor, as metered; or what exceeds an agreed power, interval by interval
    floored    at least so many kW
    contract   between a share of the contracted power and more than what exceeds it
    ratchet    at least a share of the highest of the months before
    averaged   the mean of this and the months before

Read next: ``step_fee``, which prices a demand by steps.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Annotated, Literal

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from optimizer.base.calendar import WHEN_KEYS, MonthDay, Times, When, month_and_day, year_of
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, TariffError
from optimizer.base.flows import FlowName, Flows
from optimizer.base.timegrid import BillingPeriod, BoolArray, FloatArray, IntArray, interval_of_step
from optimizer.base.units import clock
from optimizer.billing.charges.base import PAST_PEAKS, ChargeBase, Context, Line, Rounding
from optimizer.billing.charges.blocks import block_names, refuse_wrong_ends, within_blocks
from optimizer.billing.charges.reactive import PowerFactor
from optimizer.cost.expression import (
    Constant,
    Largest,
    Metered,
    Node,
    Peak,
    Scale,
    Sum,
    above,
    evaluate,
)

UNCOUNTED = "no hour of this period counts"
"""What the demand of a period is called in which none of the charge's hours lie."""

OF_CHANGE = {"own days": "its own days", "whole period": "the whole period"}
"""In words: the days whose demand counts where the tariff changes inside a period."""

Month = Annotated[int, Field(ge=1, le=12)]
Share = Annotated[float, Field(gt=0, le=100)]


def _local_moment(text: str) -> str:
    try:
        is_local = datetime.fromisoformat(text).tzinfo is None
    except ValueError:
        is_local = False
    if is_local and len(text) == len("2026-07-14T17:00"):
        return text
    raise Mistake(f"{text!r} is no day with a clock time", "Write it as 2026-07-14T17:00.")


LocalMoment = Annotated[str, AfterValidator(_local_moment)]
"""A day and a time by the wall clock, such as ``2026-07-14T17:00``."""


class DemandBlock(Document):
    """A block of kW with one price; the last block of a list has no upper end."""

    per_kw: float = Field(ge=0, le=1_000_000)
    up_to_kw: float | None = Field(default=None, gt=0)


class Contract(Document):
    """Contracted power: less is billed as a share of it, what exceeds it several times.

    Below ``at_least_pct`` of ``kw`` that share is billed; above ``exceeded_at_pct`` the demand plus
    ``times`` what lies above that. Without ``kw`` it is what the charge has ``booked``.
    """

    kw: float | None = Field(default=None, gt=0)
    at_least_pct: Share = 100.0
    exceeded_at_pct: float | None = Field(default=None, ge=1, le=1000)
    times: float = Field(default=0.0, ge=0, le=100)

    @model_validator(mode="after")
    def _words_fit_together(self) -> Contract:
        if (self.exceeded_at_pct is None) != (self.times == 0):
            given = "times" if self.exceeded_at_pct is None else "exceeded_at_pct"
            raise Mistake(
                f"exceeded_at_pct and times belong together, but only {given} is given",
                "Give both or none.",
                given,
            )
        if self.exceeded_at_pct is not None and self.exceeded_at_pct < self.at_least_pct:
            raise Mistake(
                f"exceeded_at_pct is {self.exceeded_at_pct:g}, below at_least_pct of"
                f" {self.at_least_pct:g}",
                "Let what is exceeded lie above.",
                "exceeded_at_pct",
            )
        return self

    def billed(self, demand: Node) -> Node:
        """Return the billed demand of a measured one. [kW]"""
        assert self.kw is not None
        terms = [Constant(self.at_least_pct / 100 * self.kw), demand]
        if self.exceeded_at_pct is not None:
            limit = Constant(-self.times * self.exceeded_at_pct / 100 * self.kw)
            terms.append(Sum((Scale(1 + self.times, demand), limit)))
        return Largest(tuple(terms))


class Booking(Document):
    """An agreed power: from a day on, until the next booking, or in some months of each year."""

    kw: float = Field(gt=0)
    from_date: date | None = Field(default=None, alias="from")
    months: Annotated[list[Month], Field(min_length=1)] | None = None


class Ratchet(Document):
    """At least a share of the highest demand of the ``months`` before, or of some of them.

    ``of: actual`` looks at measured demand, ``billed`` at what was billed then. ``in_months`` are
    the calendar months whose demand counts, all if left out.
    """

    pct: Share
    months: int = Field(default=11, ge=1, le=60)
    of: Literal["actual", "billed"] = "actual"
    in_months: Annotated[list[Month], Field(min_length=1)] | None = None


class WeighedHours(When):
    """Hours of a demand charge, and the share of their power that counts."""

    pct: float = Field(default=100.0, ge=0, le=1000)


class Excess(Document):
    """Power above an agreed one, in each interval: added up, or as the root of the sum of squares.

    It is billed from the meter; a plan counts the highest excess alone, which is never more. Without
    ``above_kw`` it is what the charge has ``booked``.
    """

    above_kw: float | None = Field(default=None, ge=0)
    counted: Literal["each interval", "root of squares"]

    def of(self, peak: Peak) -> Node:
        """Return the excess of the intervals that a peak looks at. [kW]"""
        agreed = self.above_kw
        assert agreed is not None

        def formula(flows: Flows) -> float:
            beyond = np.maximum(peak.interval_kw(getattr(flows, peak.flow)) - agreed, 0.0)
            return float(
                beyond.sum() if self.counted == "each interval" else np.hypot.reduce(beyond)
            )

        return Metered(formula, above(peak, agreed))


class DemandCharge(Times, ChargeBase):
    """A price per kW of the period's demand, or of the year's, billed month by month, or of each day's.

    ``days``, ``hours`` and ``seasons`` say when demand is measured, ``billed_in`` in which months it
    is billed; without it in every period that has a day of the seasons, also one without a counted
    hour. Where two versions of a tariff share a period, each is charged for its share of the days, on
    the demand of its own days, or ``at_change: whole period`` on that of the whole period.

    ``coincident`` are the beginnings of intervals, by the local clock, whose mean is the demand of
    their period or year. ``of_year: previous`` bills the demand of the year before. ``booked`` are
    agreed powers that change; each bills its own days, as a version of the tariff would.
    """

    kind: Literal["demand"]
    any_of: Annotated[list[WeighedHours], Field(min_length=2)] | None = None
    direction: Literal["import", "export"] = "import"
    interval_minutes: Literal[15, 30, 60]
    rolling_minutes: Literal[5, 10, 15, 30] | None = None
    per_kw: float | None = Field(default=None, ge=0, le=1_000_000)
    blocks: Annotated[list[DemandBlock], Field(min_length=2)] | None = None
    per: Literal["month", "year", "day"] = "month"
    counted_over: Literal["day", "period", "year"] = "period"
    year_begins: MonthDay | None = None
    of_year: Literal["this", "previous"] = "this"
    coincident: list[LocalMoment] | None = None
    at_change: Literal["own days", "whole period"] = "own days"
    highest: int = Field(default=1, ge=1, le=366)
    one_per: Literal["interval", "day", "week", "month"] = "interval"
    month_pct: Annotated[list[Annotated[float, Field(ge=0, le=1000)]],
                         Field(min_length=12, max_length=12)] | None = None  # fmt: skip
    power_factor: PowerFactor | None = None
    excess: Excess | None = None
    planned_in: WeighedHours | None = None
    at_least_kw: float = Field(default=0.0, ge=0)
    contract: Contract | None = None
    booked: Annotated[list[Booking], Field(min_length=2)] | None = None
    ratchet: Ratchet | None = None
    mean_of_months: int | None = Field(default=None, ge=2, le=60)
    at_least_mean_kw: float = Field(default=0.0, ge=0)
    billed_in: Annotated[list[Month], Field(min_length=1)] | Literal["every month"] | None = None
    round_kw: Rounding | None = None

    @model_validator(mode="after")
    def _priced_in_one_way(self) -> DemandCharge:
        if (self.per_kw is None) == (self.blocks is None):
            raise Mistake(
                f"the charge {self.name!r} has {'no price' if self.blocks is None else 'two prices'}",
                "Give one of per_kw and blocks.",
            )
        ends = [block.up_to_kw for block in self.blocks or ()]
        refuse_wrong_ends([[] if end is None else [(end, "kW")] for end in ends], "up_to_kw")
        if self.rolling_minutes and self.interval_minutes % self.rolling_minutes:
            raise Mistake(
                f"{self.interval_minutes} min is no multiple of the subinterval of"
                f" {self.rolling_minutes} min",
                "Correct one of them.",
                "rolling_minutes",
            )
        if self.highest == 1 and self.one_per != "interval":
            raise Mistake(
                "one_per matters only where several peaks are averaged",
                "Give highest, or remove one_per.",
                "one_per",
            )
        if self.at_least_mean_kw and self.mean_of_months is None:
            raise Mistake(
                "at_least_mean_kw needs mean_of_months", "Use at_least_kw.", "at_least_mean_kw"
            )
        if self.year_begins is not None and self.counted_over != "year":
            raise Mistake(
                "year_begins is for demand that is counted over the year",
                "Write counted_over: year, or remove it.",
                "year_begins",
            )
        if self.of_year == "previous" and self.counted_over != "year":
            raise Mistake(
                "of_year is for demand that is counted over the year",
                "Write counted_over: year, or remove it.",
                "of_year",
            )
        if self.direction == "export" and self.power_factor is not None:
            raise Mistake(
                "a power factor is that of import", "Remove power_factor.", "power_factor"
            )
        if self.excess is not None and (self.power_factor or self.highest > 1 or self.planned_in):
            raise Mistake(
                "excess counts all intervals as they are metered",
                "Remove power_factor, highest and planned_in.",
                "excess",
            )
        self._refuse_open_months()
        self._refuse_more_than_a_day()
        self._refuse_wrong_hours()
        self._refuse_wrong_bookings()
        return self

    def _refuse_wrong_hours(self) -> None:
        """Refuse coincident hours beside other words for hours, or inside an interval."""
        if self.coincident is None:
            return
        other = {*WHEN_KEYS, "any_of", "highest", "one_per", "rolling_minutes", "excess"}
        for key in sorted(other & self.model_fields_set):
            raise Mistake(
                f"coincident names the hours that count, each once, but {key} is given as well",
                f"Remove {key}, or coincident.",
                key,
            )
        for number, text in enumerate(self.coincident):
            if int(text[-2:]) % self.interval_minutes:
                raise Mistake(
                    f"{text} begins inside a demand interval of {self.interval_minutes} min",
                    "Name the beginning of the interval.",
                    ("coincident", number),
                )
            if text in self.coincident[:number]:
                raise Mistake(f"{text} is named twice", "Name it once.", ("coincident", number))

    def _refuse_wrong_bookings(self) -> None:
        """Refuse an agreed power that is given twice or not at all, and bookings with holes."""
        kw, above_kw = self.contract and self.contract.kw, self.excess and self.excess.above_kw
        agreed = {"contract, kw": (self.contract, kw), "excess, above_kw": (self.excess, above_kw)}
        is_open = [key for key, (part, power) in agreed.items() if part and power is None]
        if self.booked is None:
            for key in is_open:
                part, word = key.split(", ")
                raise Mistake(f"{part} has no power", f"Give {word}, or booked.", part)
            return
        if not is_open:
            raise Mistake(
                "booked is the power of a contract or an excess, but none is without its own",
                "Give a contract without kw, or an excess without above_kw.",
                "booked",
            )
        days = [booking.from_date for booking in self.booked if booking.from_date is not None]
        months = [month for booking in self.booked for month in booking.months or ()]
        if days and (months or len(days) < len(self.booked) or sorted(set(days)) != days):
            raise Mistake(
                "bookings by day need a day each, one later than the other",
                "Give each its from, in rising order, and no months.",
                "booked",
            )
        for month in range(1, 13) if not days else ():
            if months.count(month) != 1:
                raise Mistake(
                    f"month {month} lies in {'two bookings' if month in months else 'no booking'}",
                    "Let each month of the year stand in one.",
                    "booked",
                )

    def _refuse_more_than_a_day(self) -> None:
        """Refuse what looks beyond a day where each day is billed by itself."""
        if self.counted_over != "day":
            return
        if self.per != "day":
            raise Mistake(
                f"{self.name!r} counts the demand of each day, but its price is one of a {self.per}",
                "Write per: day, and the price of a kW on one day.",
                "per",
            )
        given = {
            "highest": self.highest > 1,
            "power_factor": self.power_factor is not None,
            "excess": self.excess is not None,
            "planned_in": self.planned_in is not None,
            "ratchet": self.ratchet is not None,
            "mean_of_months": self.mean_of_months is not None,
            "billed_in": self.billed_in is not None,
            "coincident": self.coincident is not None,
            "at_change": self.at_change != "own days",
        }
        for key in (key for key, is_so in given.items() if is_so):
            raise Mistake(
                f"{self.name!r} bills each day by itself, so {key} has no meaning",
                f"Remove {key}, or count demand over the period.",
                key,
            )

    def _refuse_open_months(self) -> None:
        """Refuse demand of a season that goes on to other months, if it is not said where it is billed."""
        told = {
            "per: year": self.per == "year",
            "counted_over: year": self.counted_over == "year",
            "ratchet": self.ratchet is not None,
            "mean_of_months": self.mean_of_months is not None,
        }
        longer = [words for words, is_so in told.items() if is_so]
        if self.all_seasons is not None and longer and self.billed_in is None:
            raise Mistake(
                f"{self.name!r} measures demand in {', '.join(self.all_seasons)} and has {longer[0]}, so it"
                " is open whether other months are billed too",
                "Write billed_in: every month, or billed_in: with the numbers of the months that"
                " pay.",
                "seasons" if self.seasons else "any_of",
            )

    @property
    def declared_as(self) -> str:
        """What charges below see in it: the demand of each day is no demand of the period."""
        return "demand of days" if self.counted_over == "day" else self.kind

    def lines(self, context: Context) -> list[Line]:
        """Return the lines of each billing period in which the charge is billed."""
        self._check_interval(context)
        lines: list[Line] = []
        of_year: dict[tuple[str, int], Peak] = {}
        for charge, days in self._by_booking(context):
            inside = replace(context, in_force=context.in_force & days[context.grid.day])
            if inside.in_force.any():
                lines += _DemandLines(charge, inside, context, of_year).lines()
        return lines

    def _by_booking(self, context: Context) -> Iterator[tuple[DemandCharge, BoolArray]]:
        """Yield the charge with each agreed power in turn, and the days on which it holds, shape (D,)."""
        dates = context.grid.dates
        if self.booked is None:
            yield self, np.ones(len(dates), dtype=bool)
            return
        first = self.booked[0]
        if first.from_date is not None and dates[0] < first.from_date:
            context.notes.append(
                f"{self.name}: the first booking is of {first.from_date}; {first.kw:g} kW are taken"
                " before it as well."
            )
        kw = np.array([self._booked_on(day) for day in dates])
        stretch = np.cumsum(np.diff(kw, prepend=kw[:1]) != 0)
        for number in np.unique(stretch):
            days = stretch == number
            yield self._with_agreed(float(kw[days][0])), days

    def _booked_on(self, day: date) -> float:
        assert self.booked is not None
        holding = [
            booking for booking in self.booked
            if day.month in (booking.months or ()) or (booking.from_date or date.max) <= day
        ]  # fmt: skip
        return (holding or self.booked)[-1 if holding else 0].kw

    def _with_agreed(self, kw: float) -> DemandCharge:
        told: dict[str, Document] = {}
        if self.contract is not None and self.contract.kw is None:
            told["contract"] = self.contract.model_copy(update={"kw": kw})
        if self.excess is not None and self.excess.above_kw is None:
            told["excess"] = self.excess.model_copy(update={"above_kw": kw})
        return self.model_copy(update=told)

    def counted_steps(self, context: Context) -> BoolArray:
        """Return the steps whose demand counts, shape (T,)."""
        if self.coincident is None:
            return context.mask(self)
        grid = context.grid
        days = np.array(grid.dates, dtype="datetime64[m]")[grid.day]
        finest = max(self.interval_minutes, grid.step_minutes)
        moments = days.astype(np.int64) + grid.minute_of_day
        named = np.array(self.coincident, dtype="datetime64[m]").astype(np.int64)
        return np.asarray(np.isin(moments // finest, named // finest))

    def _check_interval(self, context: Context) -> None:
        for place, part in self.parts():
            cut = [edge for edge in sorted(part.edges()) if edge % self.interval_minutes]
            if cut:
                raise TariffError(
                    f"the hours of {self.name!r} begin or end at {clock(cut[0])}, inside a demand"
                    f" interval of {self.interval_minutes} min",
                    where=context.where(*place, "hours"),
                    mend="Let the hours begin and end on multiples of the demand interval.",
                )
        finest = self.rolling_minutes or self.interval_minutes
        if context.grid.step_minutes > finest:
            rolling = f" in subintervals of {finest} min" if self.rolling_minutes else ""
            context.notes.append(
                f"{self.name}: demand is measured over {self.interval_minutes} min{rolling}, but the"
                f" series has steps of {context.grid.step_minutes} min; peaks inside a step are not"
                " seen and the real charge is higher."
            )


@dataclass(frozen=True)
class _Kept:
    """The demand of each period, which later periods look back on, also of another version."""

    actual: dict[int, Node] = field(default_factory=dict)
    alone: dict[int, Node] = field(default_factory=dict)  # before averaging
    billed: dict[int, Node] = field(default_factory=dict)

    def keep(self, period: int, *, actual: Node, alone: Node | None, billed: Node) -> None:
        """Keep a period; of two versions that share it, the higher demand counts later on."""
        for table, node in ((self.actual, actual), (self.alone, alone), (self.billed, billed)):
            if node is not None:
                table[period] = Largest((table[period], node)) if period in table else node


def _key(name: str) -> str:
    return f"demand of {name}"


def billed_demand(context: Context, name: str, period: int) -> Node | None:
    """Return the demand billed by a charge in a period, whatever the tariff version. [kW]"""
    return context.remembered(_key(name), _Kept).billed.get(period)


class _DemandLines:
    """Works from the intervals to the billed kW, period after period."""

    def __init__(
        self,
        charge: DemandCharge,
        context: Context,
        version: Context,
        of_year: dict[tuple[str, int], Peak],
    ) -> None:
        self.charge = charge
        self.context = context
        self.version = version
        self.mask = charge.counted_steps(context)
        self.weight = self._weights()
        planned = charge.planned_in
        self.likely = None if planned is None else context.mask(planned, "planned_in")
        self.flow: FlowName = "import_kwh" if charge.direction == "import" else "export_kwh"
        self.kept = context.remembered(_key(charge.name), _Kept)
        self.of_year = of_year

    def _weights(self) -> FloatArray | None:
        """Return the share of each step's power that counts, shape (T,); None where all of it does."""
        parts = self.charge.any_of or ()
        if all(part.pct == 100 for part in parts):
            return None
        weight = np.full(self.context.grid.count, np.nan)
        for number, part in enumerate(parts):
            mask = part.mask(self.context.grid, self.context.calendar)
            other = np.flatnonzero(mask & np.isfinite(weight) & (weight != part.pct / 100))
            if len(other):
                raise TariffError(
                    f"{self.charge.name!r} counts {self.context.grid.label(int(other[0]))} at"
                    f" {100 * weight[other[0]]:g} % and at {part.pct:g} %",
                    where=self.context.where("any_of", number),
                    mend="Let parts with another pct not overlap.",
                )
            weight[mask] = part.pct / 100
        return weight

    def lines(self) -> list[Line]:
        lines: list[Line] = []
        for period in range(self.context.period_count()):
            steps = self._steps(period)
            if self.charge.counted_over == "day":
                lines += self._of_days(period, steps)
                continue
            is_billed = self._is_billed(period)
            if not (len(steps) or is_billed):
                continue
            billed = self._billed(period, steps)
            if is_billed:
                lines += self._priced(period, billed)
        return lines

    def _steps(self, period: int) -> IntArray:
        """Return the steps of a period whose demand counts for this version."""
        return self._within(self.mask, period)

    def _within(self, mask: BoolArray, period: int) -> IntArray:
        if self.charge.at_change == "own days":
            return self.context.steps_of_period(mask, period)
        inside = mask & (self.context.periods.of_step == period)
        return np.flatnonzero(inside & bool(self.context.days_in_force(period))).astype(np.int64)

    def _of_days(self, period: int, steps: IntArray) -> list[Line]:
        """Return the lines of a period in which the demand of each day is priced by itself."""
        if not len(steps):
            return []
        day = self.context.grid.day[steps]
        demands = [self._floored(self._peak(steps[day == one], ())) for one in np.unique(day)]
        if self.charge.round_kw is not None:
            demands = [self.charge.round_kw.of(demand) for demand in demands]
        names, prices, splits = self._split(demands)
        where = "per_kw" if self.charge.blocks is None else "blocks"
        return [
            self.charge.line(
                period, Sum(parts), "kW days", price, self.context.where(where), name=name
            )
            for name, price, parts in zip(names, prices, zip(*splits, strict=True), strict=True)
        ]

    def _split(self, demands: list[Node]) -> tuple[list[str], list[float], list[list[Node]]]:
        """Return names and prices of the charge's blocks, and the part of each demand in each."""
        charge = self.charge
        if charge.blocks is None:
            assert charge.per_kw is not None
            return [charge.name], [charge.per_kw], [[demand] for demand in demands]
        edges = [block.up_to_kw for block in charge.blocks[:-1] if block.up_to_kw is not None]
        prices = [block.per_kw for block in charge.blocks]
        names = [f"{charge.name}: {name}" for name in block_names(edges, "kW")]
        return names, prices, [within_blocks(demand, edges, prices) for demand in demands]

    def _is_billed(self, period: int) -> bool:
        charge, context = self.charge, self.context
        if not context.days_in_force(period):
            return False
        if charge.billed_in is None:
            return context.has_day_of(charge.all_seasons, period)
        middle = context.periods.periods[period].middle
        return charge.billed_in == "every month" or middle.month in charge.billed_in

    def _billed(self, period: int, steps: IntArray) -> Node:
        """Return the billed kW of a period, and keep its demand for later ones."""
        measured = self._measured(period, steps)
        actual: Node = Constant(0.0, UNCOUNTED) if measured is None else measured
        if isinstance(measured, Peak) and len(steps):
            actual = self._adjusted(steps, measured)
        if self.likely is not None or self.charge.of_year == "previous":
            actual = self._planned_apart(period, actual)
        alone = self._ratcheted(period, self._floored(actual))
        has_own = measured is not None or isinstance(actual, Metered) or alone is not actual
        billed = self._averaged(period, alone if has_own else None)
        if self.charge.round_kw is not None:
            billed = self.charge.round_kw.of(billed)
        self.kept.keep(period, actual=actual, alone=alone if has_own else None, billed=billed)
        return billed

    # --- from intervals to kW ----------------------------------------------------------------

    def _measured(self, period: int, steps: IntArray) -> Peak | Constant | None:
        """Return the measured demand; None of a period in which no hour counts."""
        reached = self.context.history.peak_so_far_kw.get(self.charge.name, 0.0)
        if self.charge.counted_over == "period":
            is_first = period == 0 and bool(self.context.in_force[0])
            shared = self.charge.at_change == "whole period" and period == 0
            counts = bool(reached) and (is_first or shared)
            if not len(steps):
                if self.charge.coincident is not None:
                    self._note_no_hours(self.context.periods.periods[period].label)
                return Constant(reached, "reached before this series") if counts else None
            return self._peak_that_counts(steps, (reached,) if counts else ())
        year = self._year(self.context.periods.periods[period].first)
        if self.charge.of_year == "previous":
            before = self._peak_of(year - 1)
            if len(before.steps) or before.reached_kw:
                year -= 1
            else:
                self.context.notes.append(
                    f"{self.charge.name}: the demand of {year - 1} is not known; {year} goes by its own here."
                    f" Give it as {PAST_PEAKS}."
                )
        self._note_part_of_year(year, self._peak_of(year))
        return self._peak_of(year)

    def _peak_of(self, year: int) -> Peak:
        """Return the demand of a year, with what is known of it from before the series."""
        if ("measured", year) not in self.of_year:
            inside = self._steps_of_year(self.mask, year)
            first = self.context.periods.periods[0]
            past = self._past_months(first, 24)
            known = {month: date(int(month[:4]), int(month[5:]), 15) for month, _ in past}
            before = tuple(kw for month, kw in past if self._year(known[month]) == year)
            reached = self.context.history.peak_so_far_kw.get(self.charge.name, 0.0)
            if reached and self._year(first.first) == year:
                before = (*before, reached)
            self.of_year["measured", year] = self._peak_that_counts(inside, before)
        return self.of_year["measured", year]

    def _steps_of_year(self, mask: BoolArray, year: int) -> IntArray:
        grid = self.context.grid
        in_year = np.array([self._year(day) == year for day in grid.dates], dtype=bool)
        return np.flatnonzero(mask & in_year[grid.day]).astype(np.int64)

    def _year(self, day: date) -> int:
        return year_of(day, self.charge.year_begins)

    def _note_part_of_year(self, year: int, peak: Peak) -> None:
        known_before = len(peak.reached_kw)
        if self.charge.coincident is not None:
            days = [date.fromisoformat(text[:10]) for text in self.charge.coincident]
            named, found = sum(self._year(day) == year for day in days), len(peak.hours)
            if not known_before and not found:
                self._note_no_hours(str(year))
            elif not known_before and found < named:
                self.context.notes.append(
                    f"{self.charge.name}: {found} of the {named} coincident hours named for {year} lie in the"
                    " series; the demand is the mean of these."
                )
            return
        first, last = (self.context.grid.dates[i] for i in (0, -1))
        month, day = month_and_day(self.charge.year_begins or "01-01")
        begin, end = date(year, month, day), date(year + 1, month, day)
        missing = min((first.year - begin.year) * 12 + first.month - begin.month, 12)
        if (first > begin and known_before < missing) or last + timedelta(days=1) < end:
            self.context.notes.append(
                f"{self.charge.name}: demand is counted over the whole year, but the series has only"
                f" part of {year}; higher demand in the rest of it makes the real charge higher."
                f" Months before the series are told as {PAST_PEAKS}."
            )

    def _note_no_hours(self, span: str) -> None:
        self.context.notes.append(
            f"{self.charge.name}: no coincident hour is named in {span}, so none of its demand is billed."
        )

    def _peak_that_counts(self, steps: IntArray, reached: tuple[float, ...]) -> Peak:
        """Return the demand of the steps that count; of coincident hours the mean of all. [kW]"""
        peak = self._peak(steps, reached)
        if self.charge.coincident is None:
            return peak
        every = len(peak.hours) + len(reached)
        group = np.arange(len(peak.hours), dtype=np.int64)
        return replace(peak, highest=max(every, 1), group=group)

    def _peak(self, steps: IntArray, reached: tuple[float, ...]) -> Peak:
        charge, grid = self.charge, self.context.grid
        interval = interval_of_step(grid, charge.interval_minutes)[steps]
        numbered = np.cumsum(np.diff(interval, prepend=interval[:1]) != 0)
        if charge.rolling_minutes and grid.step_minutes < charge.interval_minutes:
            steps, numbered = self._rolling(steps)
        first = steps[np.flatnonzero(np.diff(numbered, prepend=-1))]
        group = factor = None
        if charge.highest > 1:
            group = self._groups(first)
        if charge.month_pct is not None:
            factor = np.array(charge.month_pct)[grid.month[first] - 1] / 100
        if self.weight is not None:
            factor = self.weight[first] * (1.0 if factor is None else factor)
        return Peak(
            self.flow,
            steps,
            numbered,
            grid.step_h,
            reached,
            highest=charge.highest,
            group=group,
            factor=factor,
        )

    def _rolling(self, steps: IntArray) -> tuple[IntArray, IntArray]:
        """Return every run of steps that is as long as the interval, begun at each subinterval."""
        grid = self.context.grid
        assert self.charge.rolling_minutes is not None
        long = self.charge.interval_minutes // grid.step_minutes
        stride = max(self.charge.rolling_minutes // grid.step_minutes, 1)
        first = np.flatnonzero(grid.minute_of_day[steps] % (stride * grid.step_minutes) == 0)
        last = first + long - 1
        fits = last < len(steps)
        first, last = first[fits], last[fits]
        whole = steps[last] - steps[first] == long - 1
        runs = steps[first[whole][:, None] + np.arange(long)]
        return runs.ravel(), np.repeat(np.arange(len(runs)), long)

    def _groups(self, first: IntArray) -> IntArray:
        """Return the number of the day, week or month of intervals, given their first steps."""
        grid = self.context.grid
        days = np.array(grid.dates, dtype="datetime64[D]")[grid.day[first]]
        number = days.astype(np.int64)
        key = {
            "interval": np.arange(len(first)),
            "day": number,
            "week": (number + 3) // 7,  # weeks begin on Monday (ISO 8601)
            "month": days.astype("datetime64[M]").astype(np.int64),
        }[self.charge.one_per]
        _, group = np.unique(key, return_inverse=True)
        return np.asarray(group, dtype=np.int64)

    def _adjusted(self, steps: IntArray, measured: Peak) -> Node:
        rule, name = self.charge.power_factor, self.charge.name
        if self.charge.excess is not None:
            self.context.notes.append(
                f"{name}: a plan counts the highest excess alone, the bill has that of every interval."
            )
            return self.charge.excess.of(measured)
        return measured if rule is None else rule.adjusted(measured, steps, self.context, name)

    def _planned_apart(self, period: int, actual: Node) -> Node:
        """Return demand that is billed as it was, and planned as it will cost.

        Hours that are told later are planned in likely ones, what the next year pays in this one.
        """
        charge, year = self.charge, self._year(self.context.periods.periods[period].first)
        if charge.of_year == "previous":
            self.context.notes.append(
                f"{charge.name}: billed on the demand of the year before; a plan counts that of its own year,"
                " which the next one pays, at the price of the periods that are planned."
            )
        if charge.planned_in is None:
            return Metered(lambda flows: evaluate(actual, flows), self._peak_of(year), (actual,))
        self.context.notes.append(
            f"{charge.name}: billed in the hours that are named; a plan counts the highest demand of the"
            f" likely ones (planned_in) at {charge.planned_in.pct:g} %."
        )
        planned = Scale(charge.planned_in.pct / 100, self._likely_peak(period, year))
        return Metered(lambda flows: evaluate(actual, flows), planned, (actual,))

    def _likely_peak(self, period: int, year: int) -> Peak:
        """Return the highest demand of the likely hours of a period, or of its year. [kW]"""
        assert self.likely is not None
        if self.charge.counted_over == "period":
            return self._peak(self._within(self.likely, period), ())
        if ("likely", year) not in self.of_year:
            self.of_year["likely", year] = self._peak(self._steps_of_year(self.likely, year), ())
        return self.of_year["likely", year]

    def _floored(self, demand: Node) -> Node:
        charge = self.charge
        if charge.at_least_kw:
            demand = Largest((demand, Constant(charge.at_least_kw)))
        if charge.contract is not None:
            demand = charge.contract.billed(demand)
        return demand

    # --- what earlier months add -------------------------------------------------------------

    def _ratcheted(self, period: int, demand: Node) -> Node:
        ratchet = self.charge.ratchet
        if ratchet is None:
            return demand
        source = self.kept.actual if ratchet.of == "actual" else self.kept.billed
        terms: list[Node] = [
            source[before]
            for before in range(max(period - ratchet.months, 0), period)
            if before in source and self._counts(self.context.periods.periods[before])
        ]
        past = self._past_months(self.context.periods.periods[period], ratchet.months)
        terms += [
            Constant(kw) for month, kw in past
            if ratchet.in_months is None or int(month[5:]) in ratchet.in_months
        ]  # fmt: skip
        self._note_missing_past(ratchet.months)
        share = ratchet.pct / 100
        return Largest((demand, *(Scale(share, term) for term in terms))) if terms else demand

    def _counts(self, period: BillingPeriod) -> bool:
        ratchet = self.charge.ratchet
        assert ratchet is not None
        return ratchet.in_months is None or period.middle.month in ratchet.in_months

    def _averaged(self, period: int, demand: Node | None) -> Node:
        """Return the mean over months; one in which no hour counts and nothing is due is left out."""
        months = self.charge.mean_of_months
        own = [] if demand is None else [demand]
        if months is None:
            return own[0] if own else Constant(0.0, UNCOUNTED)
        before = range(max(period - months + 1, 0), period)
        terms = [*own, *(self.kept.alone[b] for b in before if b in self.kept.alone)]
        past = self._past_months(self.context.periods.periods[period], months - 1)
        terms += [Constant(max(kw, self.charge.at_least_kw)) for _, kw in past]
        self._note_missing_past(months - 1)
        terms = terms or [Constant(0.0, UNCOUNTED)]
        mean: Node = Scale(1 / len(terms), Sum(tuple(terms)))
        if self.charge.at_least_mean_kw:
            mean = Largest((mean, Constant(self.charge.at_least_mean_kw)))
        return mean

    def _past_months(self, period: BillingPeriod, months: int) -> list[tuple[str, float]]:
        """Return demand known from the given number of months before a period. [kW]"""
        series = self.context.periods.periods[0].middle
        now = period.middle.year * 12 + period.middle.month
        past = self.context.history.past_peaks_kw.get(self.charge.name, {})
        found = []
        for month, kw in past.items():
            age = now - int(month[:4]) * 12 - int(month[5:])
            before_series = (int(month[:4]), int(month[5:])) < (series.year, series.month)
            if before_series and 1 <= age <= months:
                found.append((month, kw))
        return found

    def _note_missing_past(self, months: int) -> None:
        first = self.context.periods.periods[0]
        if len(self._past_months(first, months)) < months and months > 0:
            self.context.notes.append(
                f"{self.charge.name}: the demand of up to {months} months before counts, but not all"
                " of those before the series are known; they are left out. Give them as"
                f" {PAST_PEAKS}."
            )

    # --- from kW to money --------------------------------------------------------------------

    def _priced(self, period: int, demand: Node) -> list[Line]:
        charge, context = self.charge, self.context
        share = self.version.share_in_force(period)
        booked = round(context.days_in_force(period) / self.version.days_in_force(period), 12)
        for is_so, what, each in (
            (share < 1, "the tariff", "version"), (booked < 1, "what is booked", "booking"),
        ):  # fmt: skip
            if is_so:
                context.notes.append(
                    f"{charge.name}: {what} changes inside a billing period; each {each} is charged"
                    f" for its share of the days, on the demand of {OF_CHANGE[charge.at_change]}."
                )
        share *= self._units(period)
        names, prices, splits = self._split([demand])
        if booked < 1:  # so the kW of all bookings add up to those of the period
            splits = [[Scale(booked, part) for part in parts] for parts in splits]
        key = "per_kw" if charge.blocks is None else "blocks"
        return [
            charge.line(period, part, "kW", price * share, context.where(key), name=name)
            for name, price, part in zip(names, prices, splits[0], strict=True)
        ]

    def _units(self, period: int) -> float:
        """Return how many of its units a period pays: of a year one twelfth for each month."""
        whole = self.context.periods.periods[period]
        if self.charge.per == "month":
            return 1.0
        if self.charge.per == "day":
            return self.context.days_in_force(period) / self.context.share_in_force(period)
        return 1 / 12 if whole.is_month else whole.days / whole.days_of_year
