"""What a file from outside was found to hold, and what was asked of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from optimizer.base.clock import Clock
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid, known_zone
from optimizer.metering.gaps import FillRule, filled, gap_notes
from optimizer.metering.local_time import clock_of_zone
from optimizer.metering.readings import FIRST_S, LAST_S, EvenReadings

DateOrder = Literal["day-first", "month-first", "year-first"]
DATE_ORDERS: tuple[DateOrder, ...] = ("day-first", "month-first", "year-first")
StampEnd = Literal["start", "end"]
STAMP_ENDS: tuple[StampEnd, ...] = ("start", "end")


@dataclass(frozen=True)
class Shape:
    """What the hours of a day or a month are in proportion to: a name, and weights of shape (T,) [1]."""

    name: str
    weights: Callable[[TimeGrid], FloatArray]


@dataclass(frozen=True)
class Request:
    """What the user said about a file; None where the file must settle it.

    Parameters
    ----------
    zone : str or None
        IANA zone of the meter's wall clock.
    point : str or None
        Number or name of the usage point that is wanted.
    fill : FillRule or None
        Rule by which gaps are filled.
    dates : DateOrder or None
        Order of day, month and year in a CSV.
    stamps : StampEnd or None
        Whether a CSV's stamps, or an ESPI register's moments, are beginnings or ends of intervals.
    heads : tuple of str or None
        Heads of the columns of a table that has none.
    shape : Shape or None
        Shape over which totals of days or months are spread.
    """

    zone: str | None = None
    point: str | None = None
    fill: FillRule | None = None
    dates: DateOrder | None = None
    stamps: StampEnd | None = None
    heads: tuple[str, ...] | None = None
    shape: Shape | None = None


@dataclass(frozen=True)
class Point:
    """One metering point, or one series of prices, on even steps.

    ``cost`` is in units of ``currency``, None if the file names none.
    """

    number: int
    name: str
    even: EvenReadings
    notes: tuple[str, ...]
    cost: float | None = None
    currency: str | None = None

    @property
    def gaps(self) -> int:
        """Number of steps without a value in some column. [1]"""
        missing = [np.isnan(values) for values in self.even.columns.values()]
        return int(np.any(missing, axis=0).sum())


@dataclass(frozen=True)
class Found:
    """All that was read: points that can be used, and words on those that cannot.

    Of several files, ``path`` is the first and ``others`` are the rest.
    """

    path: Path
    kind: str
    points: tuple[Point, ...]
    refused: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    others: tuple[Path, ...] = ()

    def chosen(self, asked: str | None) -> Point:
        """Return the point to write: the one asked for, or the only one.

        Raises
        ------
        SeriesError
            If there are several and none was asked for.
        """
        points = [point for point in self.points if is_asked(asked, point.number, point.name)]
        if len(points) == 1:
            return points[0]
        names = "; ".join(f"{point.number} {point.name}".rstrip() for point in self.points)
        raise SeriesError(
            f"the file has {len(points)} usage points that could be written: {names}",
            where=self.path,
            mend=f"Say which, e.g. --point {self.points[0].number}.",
        )


def is_asked(asked: str | None, number: int, name: str) -> bool:
    """Return whether a point is wanted: all are if none was asked for."""
    return asked is None or asked.strip() in {str(number), name}


def finished(
    number: int,
    name: str,
    even: EvenReadings,
    notes: list[str],
    fill: FillRule | None,
    cost: tuple[float | None, str | None] = (None, None),
) -> Point:
    """Return a point with notes on its gaps, filled if a rule is given."""
    told = notes + _doubts(even) + gap_notes(even)
    if fill is not None:
        even, made = filled(even, fill)
        told += made
    return Point(number, name, even, tuple(told), *cost)


LARGE_KW = 500
"""Imports above this leave a note: few sites draw as much (no source). [kW]"""

MANY_PER_KWH = 3.0
"""Prices above this leave a note: they may be cents; right in some currencies, such as yen."""


def doubt_of_power(peak_kw: float, flow: str = "import") -> list[str]:
    """Return a note on a peak import or load larger than most sites have. [kW]"""
    if not peak_kw >= LARGE_KW:
        return []
    return [
        f"the highest {flow} is {peak_kw:,.4g} kW; a home draws a few kW: if this is one, the values are Wh"
        " under a head of kWh, or W under kW."
    ]


def doubt_of_prices(usual: float) -> list[str]:
    """Return a note on a usual price larger than most. [money per kWh]"""
    if not usual > MANY_PER_KWH:
        return []
    return [
        f"half of the prices are above {usual:,.4g} per kWh: in most currencies that is cents; if so, divide"
        " the column by 100."
    ]


def _doubts(even: EvenReadings) -> list[str]:
    prices = even.columns.get("price_per_kwh")
    flow = next((one for one in ("import", "load") if f"{one}_kwh" in even.columns), "")
    told: list[str] = []
    if flow and not np.isnan(even.columns[f"{flow}_kwh"]).all():
        highest = float(np.nanmax(even.columns[f"{flow}_kwh"]))
        told += doubt_of_power(highest * 60 / even.step_minutes, flow)
    if prices is not None and not np.isnan(prices).all():
        told += doubt_of_prices(float(np.nanmedian(np.abs(prices))))
    return told


def zone_clock(zone: str, instants_s: IntArray) -> Clock:
    """Return the clock of the zone that the user named.

    Raises
    ------
    SeriesError
        If there is no such zone.
    """
    known_zone(zone, SeriesError, "--zone")
    return clock_of_zone(zone, *span(instants_s))


def span(instants_s: IntArray) -> tuple[int, int]:
    """Return the first and last instant, within the accepted years. [s]"""
    inside = np.clip(instants_s, FIRST_S, LAST_S)
    return (int(inside.min()), int(inside.max())) if len(inside) else (FIRST_S, FIRST_S)
