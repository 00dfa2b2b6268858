"""When the values of an outside CSV were measured: from dates and clock times to instants.

A written day comes first. Day and month are told apart by the file's numbers alone, never by
likelihood; where both orders fit and differ, the user is asked. The same holds for stamps.

Read next: ``interval_csv``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, known_zone
from optimizer.metering.csv_cells import Stamps, read_clocks, read_stamps
from optimizer.metering.csv_columns import Columns, Edge
from optimizer.metering.found import STAMP_ENDS, Request, StampEnd
from optimizer.metering.readings import DAY_S, HOUR_S, Account, counted, distances, usual_jump
from optimizer.metering.wall_clock import SKIPPED, Placed, open_words, placed, same_twins


@dataclass(frozen=True)
class Times:
    """Wall-clock times of N values: which edge of the interval they name, and why we think so.

    ``length_s`` is the length of each interval where the file has both edges, else zeros;
    ``elapsed_s`` is added as time passes, not by the clock, in tables that count from midnight.
    ``are_totals`` marks dates of totals of a day or more.
    """

    wall_s: IntArray
    offset_s: IntArray | None
    length_s: IntArray
    edge: Edge
    why: str
    is_24h: bool = False
    elapsed_s: IntArray | None = None
    are_totals: bool = False

    def take(self, chosen: BoolArray) -> Times:
        """Return the times of the chosen values."""
        offset = None if self.offset_s is None else self.offset_s[chosen]
        elapsed = None if self.elapsed_s is None else self.elapsed_s[chosen]
        return replace(
            self, wall_s=self.wall_s[chosen], offset_s=offset, length_s=self.length_s[chosen],
            elapsed_s=elapsed,
        )  # fmt: skip


def read_times(columns: Columns, request: Request, account: Account) -> Times:
    """Return the time of each row, in a wide table its midnight, shape (N,). [s]

    Raises
    ------
    SeriesError
        If a cell is no time, the order of day and month is open, or there are dates only.
    """
    for parts in (columns.stamps, columns.dates):
        for edge in ("start", "", "end"):
            if edge not in parts:
                continue
            stamps = _stamps(columns, parts[edge], request, account)
            if parts is columns.stamps:
                return _of_stamps(columns, stamps, edge, request, account)
            return _of_dates(columns, stamps, edge, request)
    raise columns.refusal(
        "no column of dates was found", "Give a column of dates such as 2025-07-03."
    )


def _stamps(columns: Columns, at: int, request: Request, account: Account) -> Stamps:
    stamps, note = read_stamps(columns.column(at), request.dates)
    if note:
        account.note(note)
    return stamps


def _of_stamps(
    columns: Columns, stamps: Stamps, edge: Edge, request: Request, account: Account
) -> Times:
    length = np.zeros(len(stamps.wall_s), dtype=np.int64)
    head = columns.heads[columns.stamps[edge]]
    why = f"the column {head!r} says so" if edge else ""
    if edge == "start" and "end" in columns.stamps:
        ends = _stamps(columns, columns.stamps["end"], request, account)
        length = np.maximum(ends.wall_s - stamps.wall_s, 0)
    return Times(stamps.wall_s, stamps.offset_s, length, edge, why, is_24h=stamps.is_24h)


def _of_dates(columns: Columns, days: Stamps, date_edge: Edge, request: Request) -> Times:
    """Put the clock times of a column of their own on the dates."""
    none = np.zeros(len(days.wall_s), dtype=np.int64)
    if columns.wide:
        return Times(days.wall_s, days.offset_s, none, "start", "")
    if not columns.clocks and request.shape is not None:
        return Times(days.wall_s, days.offset_s, none, "start", "", are_totals=True)
    if not columns.clocks:
        raise columns.refusal(
            "the table has dates but no clock times, so at best one value a day",
            "Ask for intervals of an hour or less; or have each day's or month's total spread over a"
            " published profile, an estimate: --profile H0.",
        )
    edge: Edge = next(one for one in ("start", "", "end") if one in columns.clocks)
    clock, is_24h, why = _clock_column(columns, edge)
    length = none
    if edge == "start" and "end" in columns.clocks:
        ends, _, _ = _clock_column(columns, "end")
        length = (ends - clock) % DAY_S
    if not edge and date_edge:
        edge, why = date_edge, f"the column {columns.heads[columns.dates[date_edge]]!r} says so"
    return Times(days.wall_s + clock, days.offset_s, length, edge, why, is_24h=is_24h)


def _clock_column(columns: Columns, edge: Edge) -> tuple[IntArray, bool, str]:
    column = columns.column(columns.clocks[edge])
    return *read_clocks(column), f"the column {column.head!r} says so" if edge else ""


def beginnings(times: Times, amounts: FloatArray, request: Request, account: Account) -> IntArray:
    """Return the instant at which each interval begins, SKIPPED where its clock time never was.

    Parameters
    ----------
    times : Times
        N times of one quantity in the file's order.
    amounts : array, shape (N,)
        What was read; where the rows leave open which of two equal times came first, it decides
        whether that matters.
    request : Request
        Zone of times without offset, and the edge that stamps name, if the user gave it.
    account : Account
        Gets a note on the edge and on skipped times.

    Raises
    ------
    SeriesError
        If neither the file nor the request gives the edge, the zone of bare clock times, or which
        of two rows of a repeated hour came first.
    """
    step = usual_jump(distances(times.wall_s))
    is_end = _edge(times, step, request, account) == "end"
    if times.offset_s is not None:
        elapsed = 0 if times.elapsed_s is None else times.elapsed_s
        return np.asarray(times.wall_s + elapsed - times.offset_s - (step if is_end else 0))
    places = _on_clock_of(times, is_end, request, account)
    wrong = same_twins(times.wall_s, places.is_open, [amounts])
    if wrong is not None:
        what, mend = open_words(int(times.wall_s[wrong]), str(request.zone))
        raise SeriesError(what, where=account.file, mend=mend)
    _note_skipped(times, places, str(request.zone), account)
    return places.instants_s


def _edge(times: Times, step: int, request: Request, account: Account) -> StampEnd:
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
            where=account.file,
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


def _on_clock_of(times: Times, is_end: bool, request: Request, account: Account) -> Placed:
    if request.zone is None:
        raise SeriesError(
            "the stamps have no UTC offset, so the clock they follow is not known",
            where=account.file,
            mend="Name the zone of the meter, e.g. --zone Europe/Dublin.",
        )
    known_zone(request.zone, SeriesError, "--zone")
    if times.elapsed_s is not None:
        days, which = np.unique(times.wall_s, return_inverse=True)
        midnights = placed(days, request.zone).instants_s[which]
        instants = np.where(midnights == SKIPPED, SKIPPED, midnights + times.elapsed_s)
        return Placed(instants, np.zeros(len(instants), dtype=bool))
    return (
        _ends_on_clock(times.wall_s, request.zone) if is_end else placed(times.wall_s, request.zone)
    )


def _note_skipped(times: Times, places: Placed, zone: str, account: Account) -> None:
    skipped = np.flatnonzero(places.instants_s == SKIPPED)
    if len(skipped) and times.elapsed_s is None:
        first = np.datetime64(int(times.wall_s[skipped].min()), "s").astype("datetime64[m]")
        account.note(
            f"{counted(len(skipped), 'row')} with a time that the clock of {zone} skips"
            f" (first {first}) left out."
        )


def _ends_on_clock(wall_s: IntArray, zone: str) -> Placed:
    """Return beginnings of intervals named by their end; files differ in how they count the end.

    Some read the clock at the end, others add the step to the clock of the beginning. The two part
    only where clocks change; the one with fewer skipped or double times is taken.
    """
    step = usual_jump(distances(wall_s))
    at_end, by_start = placed(wall_s, zone), placed(wall_s - step, zone)
    ends = at_end.instants_s
    by_end = Placed(np.where(ends == SKIPPED, SKIPPED, ends - step), at_end.is_open)
    return min(by_end, by_start, key=lambda one: _defects(one.instants_s))


def _defects(instants: IntArray) -> int:
    """Return how many times are skipped, double, or followed by a hole."""
    known = np.unique(instants[instants != SKIPPED])
    jumps = np.diff(known)
    holes = int((jumps > usual_jump(jumps)).sum())
    return len(instants) - len(known) + holes
