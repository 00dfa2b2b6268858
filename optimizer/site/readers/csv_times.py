"""When the values of an outside CSV were measured: from dates and clock times to instants.

Read next: ``interval_csv``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from optimizer.errors import SeriesError
from optimizer.site.readers.csv_cells import Stamps, read_clocks, read_stamps
from optimizer.site.readers.csv_columns import Columns, Edge
from optimizer.site.readers.csv_text import Sheet
from optimizer.site.readers.found import STAMP_ENDS, Request, StampEnd
from optimizer.site.readers.readings import DAY_S, HOUR_S, Account, counted, distances, usual_jump
from optimizer.timegrid import BoolArray, IntArray, zone_named

SKIPPED = -1
"""Stands for the instant of a clock time that never was."""


@dataclass(frozen=True)
class Times:
    """Wall-clock times of N values: which edge of the interval they name, and why we think so.

    ``length_s`` is the length of each interval where the file has both edges, else zeros;
    ``elapsed_s`` is added as time passes, not by the clock, in tables that count from midnight.
    """

    wall_s: IntArray
    offset_s: IntArray | None
    length_s: IntArray
    edge: Edge
    why: str
    is_24h: bool = False
    elapsed_s: IntArray | None = None

    def take(self, chosen: BoolArray) -> Times:
        """Return the times of the chosen values."""
        offset = None if self.offset_s is None else self.offset_s[chosen]
        elapsed = None if self.elapsed_s is None else self.elapsed_s[chosen]
        return replace(
            self, wall_s=self.wall_s[chosen], offset_s=offset, length_s=self.length_s[chosen],
            elapsed_s=elapsed,
        )  # fmt: skip


def read_times(sheet: Sheet, columns: Columns, request: Request, account: Account) -> Times:
    """Return the time of each row; in a wide table, its midnight.

    Raises
    ------
    SeriesError
        If a cell is no time, the order of day and month is open, or there are dates only.
    """
    for parts in (columns.stamps, columns.dates):
        for edge in ("start", "", "end"):
            if edge not in parts:
                continue
            stamps = _stamps(sheet, columns, parts[edge], request, account)
            if parts is columns.stamps:
                return _of_stamps(sheet, columns, stamps, edge, request, account)
            return _of_dates(sheet, columns, stamps, edge)
    raise SeriesError(
        "no column of dates was found", where=sheet.where(columns.head_line),
        mend="Give a column of dates such as 2025-07-03.",
    )  # fmt: skip


def _stamps(sheet: Sheet, columns: Columns, at: int, request: Request, account: Account) -> Stamps:
    stamps, note = read_stamps(
        sheet, columns.heads[at], columns.cells(at), columns.lines, request.dates
    )
    if note:
        account.note(note)
    return stamps


def _of_stamps(
    sheet: Sheet, columns: Columns, stamps: Stamps, edge: Edge, request: Request, account: Account
) -> Times:
    length = np.zeros(len(stamps.wall_s), dtype=np.int64)
    head = columns.heads[columns.stamps[edge]]
    why = f"the column {head!r} says so" if edge else ""
    if edge == "start" and "end" in columns.stamps:
        ends = _stamps(sheet, columns, columns.stamps["end"], request, account)
        length = np.maximum(ends.wall_s - stamps.wall_s, 0)
    return Times(stamps.wall_s, stamps.offset_s, length, edge, why, stamps.is_24h)


def _of_dates(sheet: Sheet, columns: Columns, days: Stamps, date_edge: Edge) -> Times:
    """Put the clock times of a column of their own on the dates."""
    none = np.zeros(len(days.wall_s), dtype=np.int64)
    if columns.wide:
        return Times(days.wall_s, days.offset_s, none, "start", "")
    if not columns.clocks:
        raise SeriesError(
            "the table has dates but no clock times, so at best one value a day",
            where=sheet.where(columns.head_line),
            mend="Ask for intervals of an hour or less.",
        )
    edge: Edge = next(one for one in ("start", "", "end") if one in columns.clocks)
    clock, is_24h, why = _clock_column(sheet, columns, edge)
    length = none
    if edge == "start" and "end" in columns.clocks:
        ends, _, _ = _clock_column(sheet, columns, "end")
        length = (ends - clock) % DAY_S
    if not edge and date_edge:
        edge, why = date_edge, f"the column {columns.heads[columns.dates[date_edge]]!r} says so"
    return Times(days.wall_s + clock, days.offset_s, length, edge, why, is_24h)


def _clock_column(sheet: Sheet, columns: Columns, edge: Edge) -> tuple[IntArray, bool, str]:
    at = columns.clocks[edge]
    head = columns.heads[at]
    seconds, is_24h = read_clocks(sheet, head, columns.cells(at), columns.lines)
    return seconds, is_24h, f"the column {head!r} says so" if edge else ""


def beginnings(sheet: Sheet, times: Times, request: Request, account: Account) -> IntArray:
    """Return the instant at which each interval begins, SKIPPED where its clock time never was.

    Parameters
    ----------
    sheet : Sheet
        For messages.
    times : Times
        N times of one quantity in the file's order.
    request : Request
        Zone of times without offset, and the edge that stamps name, if the user told.
    account : Account
        Gets a note on the edge and on skipped times.

    Raises
    ------
    SeriesError
        If neither the file nor the request tells the edge, or the zone of bare clock times.
    """
    step = usual_jump(distances(times.wall_s))
    edge = _edge(sheet, times, step, request, account)
    return _instants(sheet, times, edge == "end", step, request, account)


def _edge(sheet: Sheet, times: Times, step: int, request: Request, account: Account) -> StampEnd:
    """Return whether the stamps name the beginning or the end of an interval."""
    if request.stamps is not None:
        return request.stamps
    edge, why = times.edge, times.why
    if not edge and times.is_24h:
        edge, why = "end", "one is 24:00"
    if not edge and step:
        edge, why = _edge_by_clock(times.wall_s, step)
    if not edge:
        raise SeriesError(
            "nothing tells whether the stamps name the beginning or the end of an interval",
            where=str(sheet.path),
            mend=f"Say --stamps {' or --stamps '.join(STAMP_ENDS)}.",
        )
    if why:
        account.note(f"stamps name the {'beginning' if edge == 'start' else 'end'} of an interval:"
                     f" {why}.")  # fmt: skip
    return edge


def _edge_by_clock(wall_s: IntArray, step: int) -> tuple[Edge, str]:
    first, last = int(wall_s.min()) % DAY_S, int(wall_s.max()) % DAY_S
    if first == 0 and last != 0:
        return "start", "the first is 00:00, the last is not"
    if first == step and last != DAY_S - step:
        return "end", f"the first is {first // HOUR_S:02d}:{first // 60 % 60:02d}"
    return "", ""


def _instants(
    sheet: Sheet, times: Times, is_end: bool, step: int, request: Request, account: Account
) -> IntArray:
    if times.offset_s is not None:
        elapsed = 0 if times.elapsed_s is None else times.elapsed_s
        return np.asarray(times.wall_s + elapsed - times.offset_s - (step if is_end else 0))
    if request.zone is None:
        raise SeriesError(
            "the stamps have no UTC offset, so the clock they follow is not known",
            where=str(sheet.path),
            mend="Name the zone of the meter, e.g. --zone Europe/Dublin.",
        )
    _refuse_unknown_zone(request.zone)
    if times.elapsed_s is not None:
        days, which = np.unique(times.wall_s, return_inverse=True)
        midnights = _on_clock(days, request.zone)[which]
        return np.asarray(np.where(midnights == SKIPPED, SKIPPED, midnights + times.elapsed_s))
    in_order = _oldest_first(times.wall_s)
    on_clock = _ends_on_clock if is_end else _on_clock
    instants = _oldest_first(on_clock(in_order, request.zone), like=times.wall_s)
    skipped = np.flatnonzero(instants == SKIPPED)
    if len(skipped):
        first = np.datetime64(int(times.wall_s[skipped[0]]), "s").astype("datetime64[m]")
        account.note(
            f"{counted(len(skipped), 'row')} with a time that the clock of {request.zone} skips"
            f" (first {first}) left out."
        )
    return instants


def _refuse_unknown_zone(zone: str) -> None:
    try:
        zone_named(zone)
    except ValueError as failure:
        what, _, mend = str(failure).partition(" | ")
        raise SeriesError(what, where="--zone", mend=mend) from None


def _oldest_first(values: IntArray, like: IntArray | None = None) -> IntArray:
    """Turn values round if the times (theirs, or those of ``like``) run from new to old."""
    times = values if like is None else like
    return values[::-1] if len(times) > 1 and times[0] > times[-1] else values


def _on_clock(wall_s: IntArray, zone: str) -> IntArray:
    """Return the instants of wall-clock times, −1 where the clock skips; of two the first is DST."""
    wall = pd.DatetimeIndex(wall_s.astype("datetime64[s]"))
    is_first = ~wall.duplicated(keep="first")
    utc = wall.tz_localize(zone_named(zone), ambiguous=is_first, nonexistent="NaT").tz_convert(
        "UTC"
    )
    instants = utc.tz_localize(None).to_numpy("datetime64[s]").astype(np.int64)
    return np.asarray(np.where(utc.isna(), SKIPPED, instants))


def _ends_on_clock(wall_s: IntArray, zone: str) -> IntArray:
    """Return beginnings of intervals named by their end; files differ in how they count the end.

    Some read the clock at the end, others add the step to the clock of the beginning. The two part
    only where clocks change; the one with fewer skipped or double times is taken.
    """
    step = usual_jump(distances(wall_s))
    at_end = _on_clock(wall_s, zone)
    by_end = np.where(at_end == SKIPPED, SKIPPED, at_end - step)
    by_start = _on_clock(wall_s - step, zone)
    return min(by_end, by_start, key=_defects)


def _defects(instants: IntArray) -> int:
    """Return how many times are skipped, double, or followed by a hole."""
    known = np.unique(instants[instants != SKIPPED])
    jumps = np.diff(known)
    holes = int((jumps > usual_jump(jumps)).sum())
    return len(instants) - len(known) + holes
