"""Prices per kWh: flat, by time of use, or a series of prices; for import and for export.

Every moment must have exactly one rate: holes and overlaps of the calendar are errors.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.cost import FlowSum, Scale
from optimizer.calendar import DAY_NAMES, HOLIDAY, When, minutes_in_spans, span_text
from optimizer.documents import Document
from optimizer.errors import TariffError
from optimizer.flows import FlowName
from optimizer.timegrid import BoolArray

MAX_PRICE_PER_KWH = 1000.0
"""No currency's retail kWh costs more; a rate above is a slip of unit."""


class EnergyRate(When):
    """A price per kWh in a part of the calendar; ``otherwise`` is all that no other rate has."""

    name: str = Field(min_length=1)
    per_kwh: float = Field(ge=-MAX_PRICE_PER_KWH, le=MAX_PRICE_PER_KWH)
    otherwise: bool = False

    @model_validator(mode="after")
    def _otherwise_stands_alone(self) -> EnergyRate:
        if self.otherwise and {"seasons", "days", "hours"} & self.model_fields_set:
            raise ValueError(
                f"the rate {self.name!r} says 'otherwise' and also when it holds"
                " | Keep one of the two."
            )
        return self


class PriceSeries(Document):
    """Prices from a CSV: ``column`` ends in ``per_kwh`` or ``per_mwh``."""

    file: str
    column: str
    times: float = Field(default=1.0, ge=-100, le=100)
    plus_per_kwh: float = Field(default=0.0, ge=-MAX_PRICE_PER_KWH, le=MAX_PRICE_PER_KWH)


class _PricedEnergy(ChargeBase):
    """A flow priced per kWh: one of ``per_kwh``, ``rates`` or ``series``."""

    per_kwh: float | None = Field(default=None, ge=-MAX_PRICE_PER_KWH, le=MAX_PRICE_PER_KWH)
    rates: list[EnergyRate] | None = None
    series: PriceSeries | None = None

    @model_validator(mode="after")
    def _priced_in_one_way(self) -> _PricedEnergy:
        given = [name for name in ("per_kwh", "rates", "series") if getattr(self, name) is not None]
        if len(given) != 1 or self.rates == []:
            raise ValueError(
                f"the charge {self.name!r} is priced by {given or 'nothing'}"
                " | Give exactly one of per_kwh, rates (not empty), series."
            )
        return self

    def _lines(self, context: Context, flow: FlowName, sign: float) -> list[Line]:
        if self.series is not None:
            return self._series_lines(context, flow, sign, self.series)
        lines = []
        for name, per_kwh, mask, where in self._priced_masks(context):
            for period in range(context.period_count()):
                steps = context.steps_of_period(mask, period)
                if len(steps):
                    quantity = FlowSum(flow, steps, np.ones(len(steps)))
                    cost = Scale(sign * per_kwh, quantity)
                    lines.append(
                        Line(self.name, name, period, quantity, "kWh", sign * per_kwh, cost, where)
                    )
        return lines

    def _priced_masks(self, context: Context) -> list[tuple[str, float, BoolArray, str]]:
        everywhere = np.ones(context.grid.count, dtype=bool)
        if self.rates is None:
            assert self.per_kwh is not None
            return [(self.name, self.per_kwh, everywhere, context.where("per_kwh"))]
        masks = [
            context.mask(rate, "rates", position) & (not rate.otherwise)
            for position, rate in enumerate(self.rates)
        ]
        self._check_cover(context)
        rest = everywhere & ~np.any(masks, axis=0)
        return [
            (
                f"{self.name}: {rate.name}",
                rate.per_kwh,
                rest if rate.otherwise else mask,
                context.where("rates", position, "per_kwh"),
            )
            for position, (rate, mask) in enumerate(zip(self.rates, masks, strict=True))
        ]

    def _check_cover(self, context: Context) -> None:
        """Refuse a calendar in which a moment has no rate or two, in any season of any year."""
        assert self.rates is not None
        rest = [position for position, rate in enumerate(self.rates) if rate.otherwise]
        if len(rest) > 1:
            raise TariffError(
                f"{len(rest)} rates of {self.name!r} say 'otherwise'",
                where=context.where("rates", rest[1]),
                mend="Only one may.",
            )
        kinds = range(HOLIDAY + 1 if context.calendar.holidays.any() else HOLIDAY)
        for season in context.calendar.seasons.names:
            for kind in kinds:
                self._check_day(context, season, kind, has_rest=bool(rest))

    def _check_day(self, context: Context, season: str, kind: int, *, has_rest: bool) -> None:
        assert self.rates is not None
        taken = np.full(24 * 60, -1)
        for position, rate in enumerate(self.rates):
            in_season = rate.seasons is None or season in rate.seasons
            if rate.otherwise or not in_season or not rate.day_kind_mask()[kind]:
                continue
            minutes = minutes_in_spans(rate.hours)
            double = np.flatnonzero(minutes & (taken >= 0))
            if len(double):
                other = self.rates[int(taken[double[0]])].name
                raise TariffError(
                    f"the rates {other!r} and {rate.name!r} both hold {_day_text(season, kind)}"
                    f" {_minutes_text(double)}",
                    where=context.where("rates", position, "hours"),
                    mend="Let each moment have one rate.",
                )
            taken[minutes] = position
        hole = np.flatnonzero(taken < 0)
        if len(hole) and not has_rest:
            raise TariffError(
                f"no rate of {self.name!r} holds {_day_text(season, kind)} {_minutes_text(hole)}",
                where=context.where("rates"),
                mend="Add a rate for this time, or one with 'otherwise: true'.",
            )

    def _series_lines(
        self, context: Context, flow: FlowName, sign: float, series: PriceSeries
    ) -> list[Line]:
        where = context.where("series")
        prices = context.read_prices(context.source.path.parent / series.file, series.column, where)
        prices = sign * (prices * series.times + series.plus_per_kwh)
        lines = []
        everywhere = np.ones(context.grid.count, dtype=bool)
        for period in range(context.period_count()):
            steps = context.steps_of_period(everywhere, period)
            if len(steps):
                quantity = FlowSum(flow, steps, np.ones(len(steps)))
                cost = FlowSum(flow, steps, prices[steps])
                lines.append(Line(self.name, self.name, period, quantity, "kWh", None, cost, where))
        return lines


class EnergyCharge(_PricedEnergy):
    """What imported energy costs."""

    kind: Literal["energy"]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each rate and billing period."""
        return self._lines(context, "import_kwh", 1.0)


class ExportCredit(_PricedEnergy):
    """What exported energy earns; a negative price is one that must be paid for exporting."""

    kind: Literal["export_credit"]

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each rate and billing period, with a negative rate."""
        return self._lines(context, "export_kwh", -1.0)


def _day_text(season: str, kind: int) -> str:
    day = "holidays" if kind == HOLIDAY else f"{DAY_NAMES[kind].capitalize()}s"
    return f"on {day} in {season}" if season else f"on {day}"


def _minutes_text(minutes: np.ndarray) -> str:
    """Return the first run of the minutes as a span of clock time."""
    run = int(np.flatnonzero(np.diff(minutes, append=10**6) > 1)[0])
    return span_text(int(minutes[0]), int(minutes[run]) + 1)
