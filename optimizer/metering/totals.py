"""Spreads totals of days or months over the hours, by a shape that somebody asked for: an estimate.

The sum of each day or month stays what was read; the hours within it follow the shape. Only what is
drawn is spread: a shape of consumption says nothing of PV or export.

Read next: ``readings``.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd

from optimizer.base.clock import Clock
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import IntArray, TimeGrid, zone_named
from optimizer.metering.found import Shape
from optimizer.metering.readings import HOUR_S, Account, Stream, counted, in_order, usual_jump

SPREAD = {"import_kwh", "load_kwh"}
MONTH_DAYS = range(28, 32)


def hours_of(totals: Stream, zone: str, shape: Shape, clock: Clock, account: Account) -> Stream:
    """Return hourly energies of totals, each of which begins with a local day.

    Parameters
    ----------
    totals : Stream
        Energy of each day or month and the instant of its first midnight.
    zone : str
        IANA zone of the days.
    shape : Shape
        What the hours within a total are in proportion to.
    clock, account : Clock, Account
        For notes.

    Raises
    ------
    SeriesError
        If totals are not of consumption, or neither of days nor of whole months.
    """
    name = totals.quantity
    if name not in SPREAD:
        raise SeriesError(
            f"totals of {name} cannot be spread over a profile of consumption", where=account.file,
            mend="Leave that column out, or ask for intervals of an hour or less.",
        )  # fmt: skip
    stream = in_order(totals.take(~np.isnan(totals.amounts)), clock, account)
    starts, ends, thing = _spans(stream, zone, account)
    count = int(ends[-1] - starts[0]) // HOUR_S
    instants = starts[0] + HOUR_S * np.arange(count, dtype=np.int64)
    first = datetime.fromtimestamp(int(starts[0]), UTC).astimezone(zone_named(zone))
    weights = shape.weights(TimeGrid(first, 60, count, zone))
    of = np.searchsorted(starts, instants, side="right") - 1
    inside = instants < ends[of]
    sums = np.bincount(of[inside], weights[inside], minlength=len(starts))
    account.note(
        f"{name} is an estimate within each {thing}: {counted(len(starts), 'total')} of a {thing} were"
        f" spread over the profile {shape.name}; only the sums were read. Peaks and the cost by the hour"
        " are those of many customers' mean."
    )
    if len(starts) > 2 and (np.diff(stream.amounts) > 0).all():
        account.note(
            f"The totals of {name} only rise. If they are readings of a register, which counts on and on,"
            " they are no totals: give the differences."
        )
    energy = (stream.amounts[of] * weights / np.maximum(sums[of], 1e-12))[inside]
    length = np.full(len(energy), HOUR_S, dtype=np.int64)
    return Stream(name, instants[inside], length, energy, stream.place[of][inside])


def _spans(stream: Stream, zone: str, account: Account) -> tuple[IntArray, IntArray, str]:
    """Return begin and end of each total [s], and whether it is of a day or a month."""
    local = pd.DatetimeIndex(stream.start_s.astype("datetime64[s]"), tz="UTC").tz_convert(zone)
    days = local.tz_localize(None).normalize()
    numbers = days.to_numpy().astype("datetime64[D]").astype(np.int64)
    usual = usual_jump(np.asarray(np.diff(numbers)))
    if usual == 1:
        ends, thing = days + pd.Timedelta(days=1), "day"
    elif usual in MONTH_DAYS and (days.day == 1).all():
        ends, thing = days + pd.DateOffset(months=1), "month"
    else:
        raise SeriesError(
            f"most totals are {usual} days apart, neither a day nor a month from its first day",
            where=account.file,
            mend="Give a total for each day, or for each month with its first day.",
        )
    whole = ends.tz_localize(zone, ambiguous=np.ones(len(ends), bool), nonexistent="shift_forward")
    end_s = whole.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[s]").astype(np.int64)
    return stream.start_s, np.asarray(end_s), thing
