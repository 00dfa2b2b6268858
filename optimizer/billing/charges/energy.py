"""Prices per kWh: flat, by time of use, by blocks, or a series of prices; for import and export.

A charge with several rates has exactly one at every moment: holes and overlaps are errors.
Read next: ``blocks``, ``demand``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise, product
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator, model_validator

from optimizer.base.calendar import (
    DAY_NAMES,
    HOLIDAY,
    WHEN_KEYS,
    MonthDay,
    Times,
    span_text,
    year_of,
)
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, Place, TariffError
from optimizer.base.flows import FlowName
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, zone_named
from optimizer.billing.charges.base import ChargeBase, Context, Line, Rounding
from optimizer.billing.charges.blocks import (
    SharedBlocks,
    block_names,
    refuse_wrong_ends,
    within_blocks,
)
from optimizer.cost.expression import (
    EDGE_SLACK,
    ZERO,
    Choice,
    Constant,
    FlowSum,
    Largest,
    Node,
    Scale,
    Sum,
    Tally,
    minus,
)

MAX_PRICE_PER_KWH = 100_000.0
"""No currency's retail kWh costs more (some cost tens of thousands); a rate above is a slip of unit."""

ORIGIN_NOTE = (
    "The tariff pays exported PV and exported stored energy apart. In each step PV is taken as exported"
    " first, as far as it delivers, and only the rest as stored energy. Of a meter without PV and"
    " battery all export is taken as PV."
)

PerKwh = Annotated[float, Field(ge=-MAX_PRICE_PER_KWH, le=MAX_PRICE_PER_KWH)]


class EnergyBlock(Document):
    """A block of energy with one price; the last block of a list has no upper end.

    The end is an amount, or ``up_to_h``: so many hours of the demand of ``EnergyBlocks.demand``.
    """

    per_kwh: PerKwh
    up_to_kwh: float | None = Field(default=None, gt=0)
    up_to_h: float | None = Field(default=None, gt=0)

    def ends(self) -> list[tuple[float, str]]:
        """Return the ends that are given, with their units."""
        given = ((self.up_to_kwh, "kWh"), (self.up_to_h, "h"))
        return [(size, unit) for size, unit in given if size is not None]


class EnergyBlocks(Document):
    """Blocks of energy, and for how long a block's size holds.

    Without ``per_days`` sizes hold for a billing period, however long, and in part for a period
    that the series or a season covers in part. With it they hold for that many days and are scaled
    by the days of the period (``per_days: 1`` is a daily allowance), or left alone if the period has
    between the two ``unless_days``. ``counted_over`` adds up longer than a period. With
    ``price_of_all`` the block in which the period's energy ends prices all of it.
    """

    blocks: Annotated[list[EnergyBlock], Field(min_length=2)]
    per_days: float | None = Field(default=None, gt=0, le=366)
    unless_days: Annotated[list[int], Field(min_length=2, max_length=2)] | None = None
    round_sizes: Rounding | None = None
    counted_over: Literal["period", "season", "year"] = "period"
    year_begins: MonthDay | None = None
    demand: str | None = None
    price_of_all: bool = False

    @model_validator(mode="after")
    def _blocks_follow_each_other(self) -> EnergyBlocks:
        refuse_wrong_ends([block.ends() for block in self.blocks], "up_to_kwh or up_to_h")
        hours = [number for number, block in enumerate(self.blocks) if block.up_to_h is not None]
        if hours and self.demand is None:
            raise Mistake(
                "up_to_h counts hours of a demand, but none is named",
                "Name the demand charge as demand: ...",
                ("blocks", hours[0], "up_to_h"),
            )
        if self.demand is not None and not hours:
            raise Mistake(
                f"demand is {self.demand!r}, but no block ends at hours of it",
                "Give blocks up_to_h, or remove demand.",
                "demand",
            )
        if self.counted_over != "period" and (hours or self.per_days):
            what = "up_to_h" if hours else "per_days"
            raise Mistake(
                f"{what} is for sizes of one period, but they are counted over the"
                f" {self.counted_over}",
                f"Leave out counted_over or {what}.",
                "counted_over",
            )
        if self.year_begins is not None and self.counted_over != "year":
            raise Mistake(
                "year_begins is for blocks that are counted over the year",
                "Write counted_over: year, or remove it.",
                "year_begins",
            )
        if self.price_of_all and (hours or self.counted_over != "period"):
            raise Mistake(
                "price_of_all goes by the kWh of one period",
                f"Leave out {'up_to_h' if hours else 'counted_over'} or price_of_all.",
                "price_of_all",
            )
        if hours and self.per_days:
            raise Mistake(
                "hours of demand are counted in one period", "Leave out per_days.", "per_days"
            )
        if self.unless_days and not self.per_days:
            raise Mistake(
                "unless_days needs per_days", "Say how many days sizes hold for.", "unless_days"
            )
        if self.unless_days and self.unless_days[0] > self.unless_days[1]:
            raise Mistake(
                f"unless_days is {self.unless_days}, which holds no number of days",
                "Put the smaller first.",
                "unless_days",
            )
        return self


class EnergyRate(Times):
    """A price per kWh in a part of the calendar; ``otherwise`` is all that no other rate has.

    A rate with ``dates`` comes before all rates without. Beside ``otherwise`` may stand the seasons
    and the days whose rest is meant.
    """

    name: str = Field(min_length=1)
    per_kwh: PerKwh | None = None
    blocks: EnergyBlocks | None = None
    otherwise: bool = False

    @model_validator(mode="after")
    def _otherwise_stands_alone(self) -> EnergyRate:
        beside = {*WHEN_KEYS, "any_of"} - {"seasons", "days"}
        if self.otherwise and beside & self.model_fields_set:
            raise Mistake(
                f"the rate {self.name!r} says 'otherwise' and also when it holds",
                "Keep one of the two; only seasons and days may stand beside otherwise.",
            )
        if (self.per_kwh is None) == (self.blocks is None):
            raise Mistake(
                f"the rate {self.name!r} has {'no price' if self.blocks is None else 'two prices'}",
                "Give one of per_kwh and blocks.",
            )
        return self


class PriceRun(Document):
    """So many hours in a row in which the file's price lies below an amount.

    ``counted_from: begin`` is all of the run, once it is that long; ``hours reached`` only from the
    price on with which it is.
    """

    hours: float = Field(gt=0, le=8784)
    below_per_kwh: PerKwh = 0.0
    counted_from: Literal["begin", "hours reached"] = "begin"

    def holds(self, market: FloatArray, step_h: float) -> BoolArray:
        """Return which prices lie in such a run, given the length of each in hours, shape (T,)."""
        needed = self._needed(step_h)
        late = needed - 1 if self.counted_from == "hours reached" else 0
        found = np.zeros(len(market), dtype=bool)
        for begin, end in self._runs(market):
            if end - begin >= needed:
                found[begin + late : end] = True
        return found

    def is_cut(self, market: FloatArray, step_h: float) -> bool:
        """Tell whether the prices begin or end in a run that is too short as far as they go."""
        runs, ends = self._runs(market), {0, len(market)}
        return any(ends & {b, e} and e - b < self._needed(step_h) for b, e in runs)

    def _needed(self, step_h: float) -> int:
        return int(np.ceil(self.hours / step_h - 1e-9))

    def _runs(self, market: FloatArray) -> list[list[int]]:
        """Return the begin and the end of each run, however long; a missing price ends one."""
        low = market < self.below_per_kwh
        edges = np.flatnonzero(np.diff(low, prepend=False, append=False))
        return np.reshape(edges, (-1, 2)).tolist()


class PriceFile(Document):
    """Prices from a CSV: ``column`` ends in ``per_kwh`` or ``per_mwh``.

    What is priced is the column times a factor, plus an amount, and then held between the two ends.
    """

    file: str
    column: str
    times: float = Field(default=1.0, ge=-100, le=100)
    plus_per_kwh: PerKwh = 0.0
    at_least_per_kwh: PerKwh | None = None
    at_most_per_kwh: PerKwh | None = None

    @model_validator(mode="after")
    def _ends_in_order(self) -> PriceFile:
        low, high = self.at_least_per_kwh, self.at_most_per_kwh
        if low is not None and high is not None and low > high:
            raise Mistake(
                f"at_least_per_kwh of {low:g} lies above at_most_per_kwh of {high:g}",
                "Exchange them.",
                "at_least_per_kwh",
            )
        return self

    def priced(self, prices: FloatArray, step_h: float, notes: list[str]) -> FloatArray:
        """Return what is priced of a file's prices, each of so many hours. [money per kWh]"""
        scaled = prices * self.times + self.plus_per_kwh
        low, high = self.at_least_per_kwh, self.at_most_per_kwh
        return scaled if low is None and high is None else np.clip(scaled, low, high)


class PriceSeries(PriceFile):
    """Prices from a CSV with ``time``; nothing in a run of low prices, where ``zero_in_run`` is given."""

    zero_in_run: PriceRun | None = None

    def priced(self, prices: FloatArray, step_h: float, notes: list[str]) -> FloatArray:
        """Return what is priced of a file's prices, each of so many hours. [money per kWh]"""
        paid, run = super().priced(prices, step_h, notes), self.zero_in_run
        if run is None:
            return paid
        if run.is_cut(prices, step_h):
            notes.append(
                f"{self.file} begins or ends in a run of prices below {run.below_per_kwh:g} that is shorter"
                f" than {run.hours:g} h as far as it goes; it is priced as any other."
            )
        return np.where(run.holds(prices, step_h), 0.0, paid)


class PriceTable(PriceFile):
    """Prices from a CSV of rows that repeat: ``from``, ``to``, ``months``, ``days`` and the column.

    ``zone`` is that of the table's clock, where it is not the site's.
    """

    zone: str | None = None
    source: str | None = None

    @field_validator("zone", mode="after")
    @classmethod
    def _known_zone(cls, zone: str | None) -> str | None:
        if zone is not None:
            zone_named(zone)
        return zone


@dataclass(frozen=True)
class PricedPart:
    """A part of a charge: its name, its steps (T,), its price and where the tariff states it."""

    name: str
    mask: BoolArray
    price: float | EnergyBlocks
    seasons: list[str] | None
    inner: Place
    where: str


class PricedEnergy(Times, ChargeBase):
    """A flow priced per kWh: one of ``per_kwh``, ``blocks``, ``rates``, ``series`` or ``table``.

    Seasons, days, hours and dates restrict the whole charge; ``round_kwh`` rounds the energy that
    is billed. With ``blocks_shared`` the blocks of the rates are of the energy of all rates of the same
    seasons, and each rate has its share of each block in proportion to its use.
    """

    per_kwh: PerKwh | None = None
    blocks: EnergyBlocks | None = None
    rates: list[EnergyRate] | None = None
    series: PriceSeries | None = None
    table: PriceTable | None = None
    blocks_shared: bool = False
    round_kwh: Rounding | None = None

    @model_validator(mode="after")
    def _priced_in_one_way(self) -> PricedEnergy:
        ways = ("per_kwh", "blocks", "rates", "series", "table")
        given = [name for name in ways if getattr(self, name) is not None]
        if len(given) != 1 or self.rates == []:
            raise Mistake(
                f"the charge {self.name!r} is priced by {given or 'nothing'}",
                "Give exactly one of per_kwh, blocks, rates (not empty), series, table.",
            )
        if self.prices_from is not None and self.round_kwh is not None:
            word = "series" if self.table is None else "table"
            raise Mistake(
                f"the energy of a price {word} has a price for each step and cannot be rounded",
                "Remove round_kwh, or use round_amount.",
                "round_kwh",
            )
        when = [k for k in (*WHEN_KEYS, "any_of") if k in self.model_fields_set]
        if self.rates is not None and when:
            raise Mistake(
                f"the charge {self.name!r} has rates and also says when it holds",
                "Say it in the rates.",
                when[0],
            )
        if self.blocks_shared:
            self._refuse_unlike_blocks()
        return self

    def _refuse_unlike_blocks(self) -> None:
        """Refuse shared blocks that not all rates have, or that differ in more than their prices."""
        first: dict[object, tuple[str, object]] = {}
        for number, rate in enumerate(self.rates or ()):
            where: Place = ("rates", number, "blocks")
            if rate.blocks is None:
                raise Mistake(
                    f"the rates of {self.name!r} share their blocks, but {rate.name!r} has none",
                    "Give it blocks of the same sizes, if need be all at one price.",
                    ("rates", number),
                )
            if rate.blocks.price_of_all or rate.blocks.counted_over != "period":
                raise Mistake(
                    "shared blocks are those of one period, each with its own price",
                    "Leave out price_of_all and counted_over.",
                    where,
                )
            sizes = rate.blocks.model_dump(exclude={"blocks": {"__all__": {"per_kwh"}}})
            other, theirs = first.setdefault(_season_key(rate.all_seasons), (rate.name, sizes))
            if sizes != theirs:
                raise Mistake(
                    f"the rates {other!r} and {rate.name!r} share their blocks, but of other sizes",
                    "Give rates of the same seasons the same sizes.",
                    where,
                )
        if self.rates is None:
            raise Mistake(
                "blocks_shared is for blocks of several rates",
                "Give rates, each with blocks, or remove it.",
                "blocks_shared",
            )

    @property
    def prices_from(self) -> PriceFile | None:
        """The file that its prices stand in."""
        return self.series if self.table is None else self.table

    def _flow_lines(self, context: Context, flow: FlowName, sign: float) -> list[Line]:
        if self.prices_from is not None:
            return self._series_lines(context, flow, sign, self.prices_from)

        def counted(steps: IntArray) -> Node:
            return self._weighted(flow, steps, np.ones(len(steps)))

        if self.blocks_shared:
            return self._shared_lines(context, sign, counted)
        lines = []
        for part in self.priced_parts(context):
            if isinstance(part.price, EnergyBlocks):
                lines += BlockLines(self, context, part, part.price, sign).lines(counted)
                continue
            for period in range(context.period_count()):
                steps = context.steps_of_period(part.mask, period)
                if len(steps):
                    quantity = self._rounded(counted(steps))
                    rate = sign * part.price
                    lines.append(
                        self.line(period, quantity, "kWh", rate, part.where, name=part.name)
                    )
        return lines

    def _shared_lines(
        self, context: Context, sign: float, counted: Callable[[IntArray], Node]
    ) -> list[Line]:
        """Return the lines of rates that share the blocks of their energy, by their seasons."""
        groups: dict[object, list[PricedPart]] = {}
        for part in self.priced_parts(context):
            groups.setdefault(_season_key(part.seasons), []).append(part)
        lines = []
        for group, period in product(groups.values(), range(context.period_count())):
            found = [(part, context.steps_of_period(part.mask, period)) for part in group]
            found = [(part, steps) for part, steps in found if len(steps)]
            if found:
                lines += self._lines_shared_by(context, period, found, sign, counted)
        return sorted(lines, key=lambda line: line.period)

    def _lines_shared_by(
        self,
        context: Context,
        period: int,
        found: list[tuple[PricedPart, IntArray]],
        sign: float,
        counted: Callable[[IntArray], Node],
    ) -> list[Line]:
        each = [
            BlockLines(self, context, part, part.price, sign)
            for part, _ in found
            if isinstance(part.price, EnergyBlocks)
        ]
        hours = np.array([len(steps) for _, steps in found], dtype=np.float64)
        shared = SharedBlocks(
            [self._rounded(counted(steps)) for _, steps in found],
            hours / hours.sum(),
            each[0].edges(period),
            np.array([blocks.rates for blocks in each]),
        )
        if not shared.is_planned_exactly:
            context.notes.append(
                f"{self.name}: each rate has its share of each block by its use; a plan prices the blocks at"
                " the mean of the rates by their hours, and each rate by its mean difference from that."
            )
        lines = []
        for number, blocks in enumerate(each):
            for place, (name, rate) in enumerate(
                zip(blocks.names(period), blocks.rates, strict=True)
            ):
                quantity, cost = shared.part(number, place)
                where, name = blocks.part.where, f"{blocks.part.name}: {name}"
                lines.append(self.line(period, quantity, "kWh", rate, where, name=name, cost=cost))
        return lines

    def _weighted(self, flow: FlowName, steps: IntArray, weights: FloatArray) -> Node:
        return FlowSum(flow, steps, weights)

    def _rounded(self, quantity: Node) -> Node:
        return quantity if self.round_kwh is None else self.round_kwh.of(quantity)

    def priced_parts(self, context: Context) -> list[PricedPart]:
        """Return the parts of the calendar that have a price of their own."""
        if self.rates is None:
            key = "per_kwh" if self.blocks is None else "blocks"
            price = self.per_kwh if self.blocks is None else self.blocks
            assert price is not None
            mask = context.mask(self)
            seasons, where = self.all_seasons, context.where(key)
            return [PricedPart(self.name, mask, price, seasons, (key,), where=where)]
        masks = self._masks_of_rates(context)
        self._check_cover(context)
        self._check_dates(context)
        parts = []
        for position, (rate, mask) in enumerate(zip(self.rates, masks, strict=True)):
            price = rate.blocks if rate.per_kwh is None else rate.per_kwh
            assert price is not None
            inner = ("rates", position, "blocks" if rate.per_kwh is None else "per_kwh")
            name, where = f"{self.name}: {rate.name}", context.where(*inner)
            parts.append(PricedPart(name, mask, price, rate.all_seasons, inner, where=where))
        return parts

    def _masks_of_rates(self, context: Context) -> list[BoolArray]:
        """Return the steps of each rate: dates come before words without, these before the rest."""
        assert self.rates is not None
        ranks: list[list[BoolArray]] = []
        nothing = np.zeros(context.grid.count, dtype=bool)
        for position, rate in enumerate(self.rates):
            mask, dated = context.mask(rate, "rates", position), nothing.copy()
            for _, part in rate.parts():
                if part.dates is not None:
                    dated |= part.mask(context.grid, context.calendar)
            plain = nothing if rate.otherwise else mask & ~dated
            ranks.append([dated, plain, mask if rate.otherwise else nothing])
        taken = nothing
        for rank in range(3):
            for masks in ranks:
                masks[rank] = masks[rank] & ~taken
            taken = np.any([taken, *(masks[rank] for masks in ranks)], axis=0)
        return [np.asarray(np.any(masks, axis=0)) for masks in ranks]

    def _check_cover(self, context: Context) -> None:
        """Refuse a calendar in which a moment has no rate or two, in any season of any year."""
        for season in context.calendar.seasons.names:
            for before, kind in _days_in_a_row(has_holidays=context.calendar.holidays.any()):
                self._check_day(context, season, before, kind)

    def _check_dates(self, context: Context) -> None:
        """Refuse dates on which two of the rates that name dates hold at once."""
        assert self.rates is not None
        taken: dict[date, np.ndarray] = {}
        for position, rate in enumerate(self.rates):
            for place, part in rate.parts():
                where = context.where("rates", position, *place, "dates")
                for named in part.dates or ():
                    for day, minutes in zip(
                        (named, named + timedelta(days=1)), part.minutes_on_and_after(), strict=True
                    ):
                        if part.holds_on(named, context.calendar) and part.in_season_of(
                            day, context.calendar
                        ):
                            before = taken.setdefault(day, np.full(24 * 60, -1))
                            self._take(before, position, minutes, f"on {day}", where)

    def _check_day(self, context: Context, season: str, before: int, kind: int) -> None:
        assert self.rates is not None
        taken, day = np.full(24 * 60, -1), _day_text(season, kind)
        for position, rate in enumerate(self.rates):
            for place, part in rate.parts():
                in_season = part.seasons is None or season in part.seasons
                if rate.otherwise or part.dates is not None or not in_season:
                    continue
                on, after = part.minutes_on_and_after()
                named = part.day_kind_mask()
                minutes = (on & named[kind]) | (after & named[before])
                where = context.where("rates", position, *place, "hours")
                self._take(taken, position, minutes, day, where)
        rest = [
            position for position, rate in enumerate(self.rates)
            if rate.otherwise and rate.day_kind_mask()[kind]
            and (rate.seasons is None or season in rate.seasons)
        ]  # fmt: skip
        if len(rest) > 1:
            raise TariffError(
                f"{len(rest)} rates of {self.name!r} say 'otherwise' {day}",
                where=context.where("rates", rest[1]),
                mend="Only one may, or give each its seasons or days.",
            )
        hole = np.flatnonzero(taken < 0)
        if len(hole) and not rest:
            raise TariffError(
                f"no rate of {self.name!r} holds {day} {_minutes_text(hole)}",
                where=context.where("rates"),
                mend="Add a rate for this time, or one with 'otherwise: true'.",
            )

    def _take(
        self, taken: np.ndarray, position: int, minutes: BoolArray, day: str, where: str
    ) -> None:
        """Give a rate its minutes of a day; refuse those that another rate has already."""
        assert self.rates is not None
        rate = self.rates[position]
        double = np.flatnonzero(minutes & (taken >= 0) & (taken != position))
        if len(double):
            other = self.rates[int(taken[double[0]])].name
            raise TariffError(
                f"the rates {other!r} and {rate.name!r} both hold {day} {_minutes_text(double)}",
                where=where,
                mend="Let each moment have one rate.",
            )
        taken[minutes] = position

    def _series_lines(
        self, context: Context, flow: FlowName, sign: float, series: PriceFile
    ) -> list[Line]:
        where = context.where("series" if self.table is None else "table")
        prices = sign * context.read_prices(series, where)
        lines = []
        mask = context.mask(self)
        for period in range(context.period_count()):
            steps = context.steps_of_period(mask, period)
            if len(steps):
                quantity = self._weighted(flow, steps, np.ones(len(steps)))
                cost = self._weighted(flow, steps, prices[steps])
                lines.append(self.line(period, quantity, "kWh", None, where, cost=cost))
        return lines


class EnergyCharge(PricedEnergy):
    """What imported energy costs."""

    kind: Literal["energy"]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each rate, block and billing period."""
        return self._flow_lines(context, "import_kwh", 1.0)


class ExportCredit(PricedEnergy):
    """What exported energy earns; a negative price is one that must be paid for exporting.

    ``origin`` restricts it to what is exported from the PV, or out of the battery. How the two are told
    apart is an assumption: see ``base.flows``.
    """

    kind: Literal["export_credit"]
    origin: Literal["any", "pv", "battery"] = "any"

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each rate, block and billing period, with a negative rate."""
        if self.origin != "any":
            context.notes.append(ORIGIN_NOTE)
        return self._flow_lines(context, "export_kwh", -1.0)

    def _weighted(self, flow: FlowName, steps: IntArray, weights: FloatArray) -> Node:
        if self.origin == "any":
            return super()._weighted(flow, steps, weights)
        stored = FlowSum("stored_export_kwh", steps, weights)
        if self.origin == "battery":
            return stored
        return Sum((FlowSum(flow, steps, weights), minus(stored)))


class BlockLines:
    """The lines of one part of a charge that is priced by blocks.

    Over a span longer than a period each period pays what it adds: blocks up to its end less blocks
    up to its beginning.
    """

    def __init__(
        self,
        charge: PricedEnergy,
        context: Context,
        part: PricedPart,
        price: EnergyBlocks,
        sign: float,
    ) -> None:
        self.charge = charge
        self.context = context
        self.part = part
        self.price = price
        self.rates = [sign * block.per_kwh for block in price.blocks]

    def lines(self, counted: Callable[[IntArray], Node]) -> list[Line]:
        """Return the lines of all periods, given what is counted in some steps."""
        lines: list[Line] = []
        before: dict[int, list[Node]] = self.context.remembered(f"{self.part.name} so far", dict)
        split_before: dict[int, list[Node]] = {}
        spans = self._spans()
        for period in range(self.context.period_count()):
            steps = self.context.steps_of_period(self.part.mask, period)
            for span in np.unique(spans[steps]):
                inside = steps[spans[steps] == span]
                amount = self.charge._rounded(counted(inside))
                if self.price.price_of_all:
                    lines.append(self._line_of_all(amount, period))
                    continue
                if self.price.counted_over == "period":
                    lines += self.of_period(amount, period)
                    continue
                amounts = before.setdefault(int(span), [])
                if amounts and span not in split_before:  # another version began this span
                    split_before[int(span)] = self._split(Sum(tuple(amounts)), period)
                amounts.append(Tally(amount))
                split = self._split(Sum(tuple(amounts)), period)
                lines += self._lines(period, split, split_before.get(int(span), []))
                split_before[int(span)] = split
        return lines

    def of_period(self, amount: Node, period: int) -> list[Line]:
        """Return the lines of an amount that is counted over one period."""
        return self._lines(period, self._split(amount, period), [])

    def of_span(self, amounts: tuple[Node, Node], period: int) -> list[Line]:
        """Return the lines of what a period adds to an amount, given before it and with it.

        An amount is split once, so that what one period adds and the next takes back cancels.
        """
        known: dict[object, list[Node]] = self.context.remembered(
            f"{self.part.name} in blocks", dict
        )
        before, now = (
            [] if amount is ZERO
            else known.setdefault((amount, *self.rates), self._split(amount, period))
            for amount in amounts
        )  # fmt: skip
        return self._lines(period, now, before)

    def _line_of_all(self, amount: Node, period: int) -> Line:
        """Return the line in which one price holds for all; a block's end belongs to the block."""
        edges = tuple(
            edge + 2 * EDGE_SLACK for edge in self.edges(period) if isinstance(edge, float)
        )
        cost = Choice(amount, edges, tuple(Scale(rate, amount) for rate in self.rates))
        part, charge = self.part, self.charge
        return charge.line(period, amount, "kWh", None, part.where, name=part.name, cost=cost)

    def _spans(self) -> IntArray:
        """Return the span in which each step is counted, shape (T,): a year, or a season's first day."""
        grid = self.context.grid
        if self.price.counted_over == "period":
            return np.zeros(grid.count, dtype=np.int64)
        if self.price.counted_over == "year":
            years = [year_of(day, self.price.year_begins) for day in grid.dates]
            return np.array(years, dtype=np.int64)[grid.day]
        _, seasons = self.context.calendar.kinds_and_seasons(grid)
        changes = [True, *(a != b for a, b in pairwise(seasons))]
        first_day = np.flatnonzero(changes)[np.cumsum(changes) - 1]
        return np.asarray(first_day, dtype=np.int64)[grid.day]

    def _split(self, amount: Node, period: int) -> list[Node]:
        return within_blocks(amount, self.edges(period), self.rates)

    def edges(self, period: int) -> list[Node | float]:
        """Return the upper ends of all blocks but the last in a period. [kWh]"""
        scale = self._scale(period)
        edges: list[Node | float] = []
        for block in self.price.blocks[:-1]:
            edge: Node | float
            if block.up_to_h is not None:
                edge = Scale(block.up_to_h * scale, self._demand(period))
            else:
                assert block.up_to_kwh is not None
                edge = block.up_to_kwh * scale
                if self.price.round_sizes is not None:
                    edge = self.price.round_sizes.value(edge)
            edges.append(edge if not edges else _not_below(edges[-1], edge))
        return edges

    def _demand(self, period: int) -> Node:
        assert self.price.demand is not None
        context, name = self.context, self.price.demand
        where = context.where(*self.part.inner, "demand")
        above = [above for above, kind in context.declared.items() if kind == "demand"]
        if name not in above:
            raise TariffError(
                f"{self.charge.name!r} counts hours of {name!r}, which is no demand charge above it;"
                f" above are {', '.join(above) or 'none'}",
                where=where,
                mend="Name a demand charge that stands above this one.",
            )
        demands = [line.quantity for line in context.lines_of([name], period)]
        if not demands:
            raise TariffError(
                f"{name!r} has no kW in a period in which {self.charge.name!r} counts hours of it",
                where=where,
                mend="Name a demand charge that holds in the same seasons.",
            )
        return demands[0] if len(demands) == 1 else Sum(tuple(demands))

    def _scale(self, period: int) -> float:
        if self.price.counted_over != "period":
            return 1.0
        whole = self.context.periods.periods[period].days
        days = self.context.days_in_force(period, self.part.seasons)
        if self.price.per_days is None:
            return days / whole
        if (
            self.price.unless_days
            and self.price.unless_days[0] <= whole <= self.price.unless_days[1]
        ):
            return days / whole
        return days / self.price.per_days

    def names(self, period: int) -> list[str]:
        """Return what the blocks of a period are called."""
        edges = [edge for edge in self.edges(period) if isinstance(edge, float)]
        if len(edges) == len(self.rates) - 1:
            return block_names(edges, "kWh")
        return [f"block {number + 1}" for number in range(len(self.rates))]

    def _lines(self, period: int, split: Sequence[Node], before: Sequence[Node]) -> list[Line]:
        lines = []
        each = zip(self.names(period), self.rates, split, strict=True)
        for number, (name, rate, amount) in enumerate(each):
            quantity = Sum((amount, minus(before[number]))) if before else amount
            lines.append(
                self.charge.line(
                    period, quantity, "kWh", rate, self.part.where, name=f"{self.part.name}: {name}"
                )
            )
        return lines


def _season_key(seasons: list[str] | None) -> tuple[str, ...] | None:
    return None if seasons is None else tuple(sorted(seasons))


def _not_below(before: Node | float, edge: Node | float) -> Node | float:
    """Return an edge, or the one before it: hours of a low demand may end below an amount of kWh."""
    if isinstance(before, float) == isinstance(edge, float):
        return edge
    nodes = (Constant(e) if isinstance(e, float) else e for e in (before, edge))
    return Largest(tuple(nodes))


def _days_in_a_row(*, has_holidays: bool) -> list[tuple[int, int]]:
    """Return the kinds that two days in a row can have."""
    weekdays = [((kind - 1) % 7, kind) for kind in range(7)]
    if not has_holidays:
        return weekdays
    return [*weekdays, *((HOLIDAY, kind) for kind in range(HOLIDAY + 1)),
            *((before, HOLIDAY) for before in range(7))]  # fmt: skip


def _day_text(season: str, kind: int) -> str:
    day = "holidays" if kind == HOLIDAY else f"{DAY_NAMES[kind].capitalize()}s"
    return f"on {day} in {season}" if season else f"on {day}"


def _minutes_text(minutes: np.ndarray) -> str:
    """Return the first run of the minutes as a span of clock time."""
    run = int(np.flatnonzero(np.diff(minutes, append=10**6) > 1)[0])
    return span_text(int(minutes[0]), int(minutes[run]) + 1)
