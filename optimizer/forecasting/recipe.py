"""How a forecast is made from what people have: the section ``forecast`` of a scenario.

Load comes from meters or from a published profile, PV from meters, from roof facts, or from the yields
on a quote; what is planned (a car, a heat pump, more PV) is laid on top, visibly. Read next:
``weeks``.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from optimizer.base.calendar import DayWord, Holidays, hours_of_span, read_span
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake

Month12 = Annotated[
    list[Annotated[float, Field(ge=0, le=1e7)]], Field(min_length=12, max_length=12)
]


class Place(Document):
    """Where the site is; longitudes east of Greenwich and latitudes north of the equator are > 0."""

    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    altitude_m: float = Field(default=0, ge=-500, le=9000)


class LoadRecipe(Document):
    """Where the load comes from: ``meters`` or a published ``profile``.

    ``pv_meters`` hold the PV behind net meters that do not have it in a column of their own.
    ``trend_pct_per_year`` lets the load grow from when it was metered; ``measured`` takes what the
    meters show from year to year. A week metered ``half_life_years`` earlier is drawn half as often.
    """

    meters: Annotated[list[str], Field(min_length=1)] | None = None
    pv_meters: Annotated[list[str], Field(min_length=1)] | None = None
    trend_pct_per_year: Annotated[float, Field(ge=-50, le=50)] | Literal["measured"] = 0.0
    half_life_years: float = Field(default=2.0, ge=0.1, le=100)
    profile: Literal["H0", "G0", "G1", "G2", "G3", "G4", "G5", "G6", "L0", "L1", "L2"] | None = None
    kwh_per_year: float | None = Field(default=None, gt=0, le=1e8)

    @model_validator(mode="after")
    def _from_one_source(self) -> LoadRecipe:
        if (self.meters is None) == (self.profile is None):
            found = "neither" if self.meters is None else "both"
            raise Mistake(
                f"the load has {found} meters and a profile",
                "Give meters: [...], or profile: H0 with kwh_per_year.",
            )
        if (self.profile is None) != (self.kwh_per_year is None):
            raise Mistake(
                "profile and kwh_per_year belong together, but only one is given",
                "Take the kWh of a year from a bill.",
            )
        if self.pv_meters is not None and (
            self.meters is None or len(self.pv_meters) != len(self.meters)
        ):
            raise Mistake(
                "pv_meters go with meters, one for each", "List as many files of each.", "pv_meters"
            )
        return self


class Roof(Document):
    """PV modules that face one way; the azimuth runs clockwise from north, south is 180."""

    peak_kw: float = Field(gt=0, le=1e6)
    tilt_deg: float = Field(ge=0, le=90)
    azimuth_deg: float = Field(ge=0, le=360)

    @field_validator("azimuth_deg", mode="before")
    @classmethod
    def _clockwise_from_north(cls, given: Any) -> Any:
        if not isinstance(given, float | int) or 0 <= given <= 360:
            return given
        told = "azimuths run clockwise from north: 90 is east, 180 south, 270 west."
        if -180 <= given < 0:
            told += (
                f" If yours is counted from south, west above zero, write {given + 180:g}; if from north,"
                f" {given + 360:g}."
            )
        raise Mistake(f"azimuth_deg is {given:g}, outside 0 to 360", f"Mind: {told}")


class PvRecipe(Document):
    """PV from roof facts and the sun.

    The sun is that of ``weather_file`` (EPW, TMY3 or TM2), or of clear skies and cloudiness:
    ``clearness`` is the mean share of the sun above the air that reaches the ground. Whatever the
    sun, ``kwh_per_month`` (January first, as printed on a quote) sets what each month yields.
    ``losses_pct`` are those of NREL/TP-6A20-62641 (2014), table 2, unless given; ``air_behind`` tells
    how freely air passes behind the modules, and so how warm they grow.

    ``behind_meters`` says that these roofs stood behind the net meters that give the load: what they gave
    is then estimated from import, export and the clear sky. ``kwh_per_year`` is what they gave a year in
    that time, where the inverter's display tells it.
    """

    roofs: Annotated[list[Roof], Field(min_length=1)]
    weather_file: str | None = None
    clearness: Annotated[float, Field(ge=0.1, le=0.75)] | None = None
    kwh_per_month: Month12 | None = None
    losses_pct: float = Field(default=14.08, ge=0, lt=100)
    temperature_pct_per_k: float = Field(default=-0.4, ge=-2, le=0)
    air_behind: Literal["little", "free"] = "little"
    behind_meters: bool = False
    kwh_per_year: float | None = Field(default=None, gt=0, le=1e8)

    @model_validator(mode="before")
    @classmethod
    def _former_key(cls, given: Any) -> Any:
        if isinstance(given, Mapping) and "mounting" in given:
            raise Mistake(
                "the key 'mounting' is now called 'air_behind'",
                "Write air_behind: free where air passes freely behind the modules, else air_behind:"
                " little.",
                "mounting",
            )
        return given

    @model_validator(mode="after")
    def _one_sun(self) -> PvRecipe:
        if self.weather_file is not None and self.clearness is not None:
            raise Mistake(
                "the sun is told by a weather file and by a clearness", "Keep one.", "clearness"
            )
        return self

    @model_validator(mode="after")
    def _told_by_the_export(self) -> PvRecipe:
        for key in ("weather_file", "kwh_per_month"):
            if self.behind_meters and getattr(self, key) is not None:
                raise Mistake(
                    f"behind meters, import and export tell how sunny it was, but {key} is given too",
                    "Keep one. The yield of a year goes under kwh_per_year.",
                    key,
                )
        if self.kwh_per_year is not None and not self.behind_meters:
            raise Mistake(
                "kwh_per_year of the PV goes with behind_meters: true",
                "Give kwh_per_month for roofs that are computed.",
                "kwh_per_year",
            )
        return self


Day = Annotated[date, Field(ge=date(1970, 1, 1), le=date(2199, 12, 31))]


class _Addition(Document):
    """What all additions have: a name, and from when to when they are there."""

    name: str | None = None
    first: Day | None = None
    last: Day | None = None

    @model_validator(mode="after")
    def _in_order(self) -> _Addition:
        if self.first is not None and self.last is not None and self.last < self.first:
            raise Mistake(f"last is {self.last}, before first", "Put the days in order.", "last")
        return self


class _Daily(_Addition):
    """So many kWh on each of some days, within some hours."""

    kwh_per_day: float = Field(gt=0, le=1e5)
    hours: str
    days: Annotated[list[DayWord], Field(min_length=1)] = ["all"]
    power_kw: float | None = Field(default=None, gt=0, le=1e5)

    @field_validator("hours", mode="after")
    @classmethod
    def _readable(cls, hours: str) -> str:
        read_span(hours)
        return hours

    @model_validator(mode="after")
    def _fits_into_its_hours(self) -> _Daily:
        hours = hours_of_span(self.hours)
        if self.power_kw is not None and self.power_kw * hours < self.kwh_per_day * (1 - 1e-9):
            raise Mistake(
                f"{self.kwh_per_day:g} kWh do not fit into {hours:g} hours at {self.power_kw:g} kW",
                "Raise power_kw or lengthen the hours.",
                "power_kw",
            )
        return self


class Car(_Daily):
    """A car that is charged at home: from the first of its hours on with ``power_kw``, else evenly."""

    kind: Literal["car"]


class OtherUse(_Daily):
    """Any other use that comes on top."""

    kind: Literal["other_use"]


class HeatPump(_Addition):
    """A heat pump, by the electricity of a year; more when it is cold, and some for hot water.

    Where the PV has a weather file, its days share the year by degrees below ``base_c``, else by the
    season alone.
    """

    kind: Literal["heat_pump"]
    kwh_per_year: float = Field(gt=0, le=1e7)
    hot_water_pct: float = Field(default=20, ge=0, le=100)
    base_c: float = Field(default=15, ge=0, le=30)


class MorePv(_Addition):
    """More modules of the same kind: PV is multiplied."""

    kind: Literal["more_pv"]
    times: float = Field(gt=0, le=100)


Addition = Annotated[Car | OtherUse | HeatPump | MorePv, Field(discriminator="kind")]


class ForecastRecipe(Document):
    """What stands under ``forecast`` in a scenario where no CSV is named.

    ``first`` and ``last`` are the days of the coming season, both included: from the day after the
    last metered one, for a year, unless they are given.
    """

    first: Day | None = None
    last: Day | None = None
    step_minutes: Literal[5, 15, 30, 60] | None = None
    place: Place | None = None
    holidays: Holidays = Holidays()
    load: LoadRecipe
    pv: PvRecipe | Literal["metered", "none"] | None = None
    added: list[Addition] = []

    @property
    def is_behind(self) -> bool:
        """Whether roofs stand behind the net meters, and what they gave is to be estimated."""
        return isinstance(self.pv, PvRecipe) and self.pv.behind_meters

    @model_validator(mode="after")
    def _whole(self) -> ForecastRecipe:
        if self.first is None and self.load.meters is None:
            raise Mistake(
                "the key 'first' is missing: without meters nothing tells when the forecast begins",
                "Give the first day, e.g. first: 2027-01-01.",
                "load",
            )
        if self.first is not None and self.last is not None and self.last < self.first:
            raise Mistake(f"last is {self.last}, before first", "Put the days in order.", "last")
        if self.pv == "metered" and self.load.meters is None:
            raise Mistake("pv is 'metered', but there are no meters", "Give roofs, or none.", "pv")
        if self.is_behind and (self.load.meters is None or self.load.pv_meters is not None):
            raise Mistake(
                "behind_meters goes with net meters alone, without pv_meters",
                "Name them under load.meters, or remove behind_meters.",
                "pv",
            )
        if isinstance(self.pv, PvRecipe) and self.place is None:
            raise Mistake(
                "the sun over the roofs is unknown without a place",
                "Give place: {latitude_deg: ..., longitude_deg: ...}.",
                "pv",
            )
        return self
