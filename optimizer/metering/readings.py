"""Brings the readings of a meter onto even steps: each repair leaves a note.

Every outside format ends here: it gives streams of readings, each with its instant, its length and
the place where it stands in the file. Repairs that need no invention are made with a note: readings
out of order are sorted, a reading that stands twice is dropped, a run that a clock change has
shifted by an hour is put back, a reading of several steps is spread over them. Gaps stay gaps until
somebody asks for them to be filled: ``gaps``.

Meter data are told, then mended. A repair that needs no invention (order, exact repeats, a run
that a clock change shifted by an hour, a reading of several steps) leaves a note; two readings of
one time that differ are an error with both places; gaps are filled only on request.

Shifted runs show in the file's order as a jump of an hour too much and one of an hour too little,
less than a day apart, one of them at a clock change. Elsewhere the same picture is a
contradiction.

Read next: ``espi``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from optimizer.base.clock import Clock
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import STEP_MINUTES, BoolArray, FloatArray, IntArray
from optimizer.metering.series import FIRST_YEAR, LAST_YEAR, MAX_ROWS

HOUR_S = 3600
DAY_S = 24 * HOUR_S
FIRST_S = 0
LAST_S = 7_258_118_400
"""1970-01-01 to 2200-01-01 UTC."""

MAX_KWH = 1e8
"""A reading beyond is a slip: 1e8 kWh in five minutes is more than all power stations give."""

SAME_KWH = 1e-9
"""Readings closer than this are the same."""


@dataclass(frozen=True)
class Stream:
    """The N readings of one quantity as they stand in a file, in the file's order.

    Parameters
    ----------
    quantity : str
        ``import_kwh``, ``export_kwh``, ``net_kwh``, ``reactive_kvarh`` or a price.
    start_s : array of int, shape (N,)
        Beginning of each reading. [s since 1970 UTC]
    duration_s : array of int, shape (N,)
        Its length; 0 if unknown. [s]
    amounts : array, shape (N,)
        What was read; NaN is blank. [kWh, kW or money per kWh or MWh, as ``kind`` says]
    place : array of int, shape (N,)
        Line or row of the file.
    kind : str
        Energy of the reading, mean power or price that holds over its length, what a register stood at
        when it begins, or the total of a day or month.
    """

    quantity: str
    start_s: IntArray
    duration_s: IntArray
    amounts: FloatArray
    place: IntArray
    kind: Literal["energy", "power", "price", "register", "total"] = "energy"

    def take(self, chosen: IntArray | BoolArray) -> Stream:
        """Return the chosen readings, shape (N,)."""
        return replace(
            self, start_s=self.start_s[chosen], duration_s=self.duration_s[chosen],
            amounts=self.amounts[chosen], place=self.place[chosen],
        )  # fmt: skip


@dataclass(frozen=True)
class EvenReadings:
    """Columns of T equal steps of time, NaN where nothing was read.

    ``columns`` holds an array of shape (T,) for each column, energies in kWh or kvarh per step,
    prices as they were named.
    """

    start_s: int
    step_minutes: int
    clock: Clock
    columns: dict[str, FloatArray]

    @property
    def count(self) -> int:
        """Number of steps T. [1]"""
        return len(next(iter(self.columns.values())))

    @property
    def instants_s(self) -> IntArray:
        """Beginning of each step, shape (T,). [s since 1970 UTC]"""
        return self.start_s + np.arange(self.count, dtype=np.int64) * self.step_minutes * 60


@dataclass
class Account:
    """Notes on a file, with its name and the words for a place in it."""

    file: Path
    place: Callable[[int], str]
    notes: list[str] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Add a note, once."""
        if text not in self.notes:
            self.notes.append(text)


def even_readings(streams: Sequence[Stream], clock: Clock, account: Account) -> EvenReadings:
    """Bring streams of one metering point onto one even grid.

    Parameters
    ----------
    streams : sequence of Stream
        At most one of each quantity; at least one reading in all.
    clock : Clock
        The wall clock, on which steps must begin and whose changes explain shifted readings.
    account : Account
        Gets a note for each repair.

    Returns
    -------
    EvenReadings
        From the first to the last reading of any stream; NaN where a stream has none.

    Raises
    ------
    SeriesError
        If all values are blank, two readings of one time contradict each other, steps are of
        another length than 5, 15, 30 or 60 min, or a reading begins between the steps.
    """
    streams = [stream for stream in streams if len(stream.start_s)]
    if not streams:
        raise SeriesError("no reading is left to use", where=account.file,
                          mend="Check times and values of the file.")  # fmt: skip
    if all(np.isnan(stream.amounts).all() for stream in streams):
        raise SeriesError(
            "all values are blank", where=account.file, mend="Give a file with readings."
        )
    for stream in streams:
        _refuse_impossible(stream, account)
    streams = [in_order(stream, clock, account) for stream in streams]
    step_s = _common_step_s(streams, account)
    start = min(int(stream.start_s[0]) for stream in streams)
    end = max(int(stream.start_s[-1]) for stream in streams)
    count = (end - start) // step_s + 1
    _refuse_too_long(count, step_s, start, end, account)
    columns = {
        stream.quantity: _on_grid(stream, start, step_s, count, clock, account=account)
        for stream in streams
    }
    even = EvenReadings(start, step_s // 60, clock, columns)
    _refuse_off_the_clock(even, account)
    return even


def in_order(stream: Stream, clock: Clock, account: Account) -> Stream:
    """Return readings in the order of time, each once, shifted runs put back, with a note on each.

    Raises
    ------
    SeriesError
        If two readings of one time contradict each other.
    """
    shifted = _shifts_undone(stream, clock, account)
    return _without_doubles(_sorted(shifted, account), clock, account)


def counted(count: int, thing: str) -> str:
    """Return a number with its noun, e.g. ``1 reading`` or ``2,000 readings``."""
    return f"{count:,} {thing}" if count == 1 else f"{count:,} {thing}s"


def _refuse_impossible(stream: Stream, account: Account) -> None:
    outside = np.flatnonzero((stream.start_s < FIRST_S) | (stream.start_s >= LAST_S))
    if len(outside):
        raise SeriesError(
            f"a reading begins {int(stream.start_s[outside[0]])} s after 1970-01-01T00:00Z, outside"
            f" the years {FIRST_YEAR} to {LAST_YEAR}",
            where=account.place(int(stream.place[outside[0]])),
            mend="Ask for the file again: its time stamps are wrong.",
        )
    huge = np.flatnonzero(np.abs(stream.amounts) > MAX_KWH)
    if len(huge):
        raise SeriesError(
            f"a value of {stream.amounts[huge[0]]:.6g} for {stream.quantity} is absurd; at most"
            f" {MAX_KWH:g} is believed",
            where=account.place(int(stream.place[huge[0]])),
            mend="Check the value and its unit.",
        )


def _shifts_undone(stream: Stream, clock: Clock, account: Account) -> Stream:
    """Put back runs of readings that a clock change has shifted by an hour.

    In the file's order such a run lies between a jump of one hour too much and a jump of one hour
    too little, less than a day apart, and one of the two lies at a clock change. A run stamped late
    is moved back, a run stamped early forward: hole and double vanish together.
    """
    jumps = np.diff(stream.start_s)
    step = usual_jump(distances(stream.start_s))
    if not 0 < step <= HOUR_S:
        return stream
    odd = np.flatnonzero((jumps == step + HOUR_S) | (jumps == step - HOUR_S))
    start, duration = stream.start_s.copy(), stream.duration_s.copy()
    position, moved = 0, 0
    times = Counter(stream.start_s.tolist()) if len(odd) else Counter()
    while position + 1 < len(odd):
        before, after = int(odd[position]), int(odd[position + 1])
        ends = stream.start_s[[before, before + 1, after, after + 1]]
        is_pair = jumps[before] + jumps[after] == 2 * step and ends[2] - ends[1] < DAY_S
        by = step - int(jumps[before])
        run = start[before + 1 : after + 1]
        is_repair = is_pair and bool(clock.is_near_change(ends).any())
        if not (is_repair and _parts_doubles(times, run, by)):
            position += 1
            continue
        run += by
        duration[before : after + 1] = step
        moved += after - before
        account.note(
            f"{stream.quantity}: {counted(after - before, 'reading')} from"
            f" {clock.stamp(int(ends[1]))} on, stamped an hour"
            f" {'late' if jumps[before] > step else 'early'} around the clock change"
            " (one hour without readings, one with two), put back."
        )
        position += 2
    return replace(stream, start_s=start, duration_s=duration) if moved else stream


def _parts_doubles(times: Counter[int], run: IntArray, by: int) -> bool:
    """Return whether moving a run leaves fewer times that stand twice; if so, move it in the count."""
    old, new = Counter(run.tolist()), Counter((run + by).tolist())
    touched = old.keys() | new.keys()
    before = sum(times[moment] > 1 for moment in touched)
    after = sum(times[moment] - old[moment] + new[moment] > 1 for moment in touched)
    if after >= before:
        return False
    times.subtract(old)
    times.update(new)
    return True


def distances(instants_s: IntArray) -> IntArray:
    """Return the distances between distinct instants, in order, shape (N − 1,). [s]"""
    return np.asarray(np.diff(np.unique(instants_s)), dtype=np.int64)


def usual_jump(jumps: IntArray) -> int:
    """Return the most frequent distance forward; 0 if there is none. [s]"""
    forward = jumps[jumps > 0]
    if not len(forward):
        return 0
    lengths, counts = np.unique(forward, return_counts=True)
    return int(lengths[counts.argmax()])


def _sorted(stream: Stream, account: Account) -> Stream:
    disorder = int((np.diff(stream.start_s) < 0).sum())
    if not disorder:
        return stream
    account.note(f"{stream.quantity}: readings out of order were sorted ({disorder} places).")
    return stream.take(np.argsort(stream.start_s, kind="stable"))


def _without_doubles(stream: Stream, clock: Clock, account: Account) -> Stream:
    """Drop readings that repeat another; of a contradiction at a clock change drop a bare zero."""
    double = np.flatnonzero(np.diff(stream.start_s) == 0)
    if not len(double):
        return stream
    _refuse_shifted(stream, double, clock, account)
    keep = np.ones(len(stream.start_s), dtype=bool)
    held = int(double[0])  # the reading of this time that is kept so far
    zeros = 0
    for before in (int(one) for one in double):
        here = before + 1
        held = held if stream.start_s[held] == stream.start_s[here] else before
        first, second = float(stream.amounts[held]), float(stream.amounts[here])
        if second == first or abs(second - first) <= SAME_KWH or np.isnan(second):
            keep[here] = False
        elif np.isnan(first):
            keep[held], held = False, here
        elif 0.0 in (first, second) and clock.is_near_change(stream.start_s[[here]]).all():
            keep[here if second == 0 else held] = False
            held = held if second == 0 else here
            zeros += 1
        else:
            raise _contradiction(stream, held, here, clock, account)
    same = int((~keep).sum()) - zeros
    if same:
        account.note(
            f"{stream.quantity}: {counted(same, 'reading')} stood twice (first"
            f" {clock.stamp(int(stream.start_s[double[0]]))}); each was kept once."
        )
    if zeros:
        account.note(
            f"{stream.quantity}: {counted(zeros, 'reading')} of 0 at a clock change shared the time of"
            " another reading and gave way to it."
        )
    return stream.take(keep)


def _refuse_shifted(stream: Stream, double: IntArray, clock: Clock, account: Account) -> None:
    """Refuse an hour that stands twice while another is missing, where clocks are changed.

    It is a shifted run that only the order of the rows could undo, and they stand in no order.
    """
    moments = np.unique(stream.start_s)
    jumps = np.diff(moments)
    holes = moments[:-1][jumps == usual_jump(jumps) + HOUR_S]
    doubles = np.unique(stream.start_s[double])
    doubles = doubles[clock.is_near_change(doubles, DAY_S)]
    holes = holes[clock.is_near_change(holes, DAY_S)]
    if not len(holes):
        return
    after = np.searchsorted(holes, doubles)
    near = np.minimum(np.abs(holes[np.minimum(after, len(holes) - 1)] - doubles),
                      np.abs(holes[np.maximum(after - 1, 0)] - doubles))  # fmt: skip
    if (near < DAY_S).any():
        first = int(doubles[np.flatnonzero(near < DAY_S)[0]])
        here = int(np.flatnonzero(stream.start_s == first)[1])
        raise SeriesError(
            f"{stream.quantity}: the time {clock.stamp(first)} stands twice and an hour nearby is"
            " missing, at a clock change: stamps are shifted by an hour, which only rows in the order"
            " of time would tell",
            where=account.place(int(stream.place[here])),
            mend="Sort the rows as time passed, or give stamps with offsets.",
        )


def _contradiction(
    stream: Stream, first: int, second: int, clock: Clock, account: Account
) -> SeriesError:
    return SeriesError(
        f"the time {clock.stamp(int(stream.start_s[second]))} has two readings of"
        f" {stream.quantity}: {stream.amounts[first]:g} ({account.place(int(stream.place[first]))})"
        f" and {stream.amounts[second]:g}",
        where=account.place(int(stream.place[second])),
        mend="Keep the right one. If clocks were put back, give stamps with offsets, or --zone.",
    )


def _common_step_s(streams: Sequence[Stream], account: Account) -> int:
    steps = {stream.quantity: _step_s(stream) for stream in streams}
    known = {name: step for name, step in steps.items() if step}
    if not known:
        raise SeriesError(
            "one reading alone does not tell how long a step is", where=account.file,
            mend="Give at least two readings.",
        )  # fmt: skip
    allowed = ", ".join(map(str, STEP_MINUTES))
    for name, step in known.items():
        if step % 60 or step // 60 not in STEP_MINUTES:
            raise SeriesError(
                f"most readings of {name} are {_length(step)} apart; allowed are {allowed} min",
                where=account.file,
                mend="Ask for interval data of one of these steps.",
            )
    if len(set(known.values())) > 1:
        told = ", ".join(f"{name} {_length(step)}" for name, step in known.items())
        raise SeriesError(
            f"the steps differ: {told}", where=account.file,
            mend="Ask for all directions in the same steps.",
        )  # fmt: skip
    return next(iter(known.values()))


def _step_s(stream: Stream) -> int:
    """Return the usual distance of readings, or the length of a lone one; 0 if neither is known."""
    step = usual_jump(np.diff(stream.start_s))
    known = stream.duration_s[stream.duration_s > 0]
    return step or (int(known[0]) if len(known) else 0)


def _length(seconds: int) -> str:
    if seconds >= DAY_S:
        return f"{seconds / DAY_S:g} days"
    return f"{seconds / 60:g} min"


def _refuse_too_long(count: int, step_s: int, start: int, end: int, account: Account) -> None:
    if count > MAX_ROWS:
        first, last = (str(np.datetime64(s, "s").astype("datetime64[D]")) for s in (start, end))
        raise SeriesError(
            f"the readings span {count:,} steps of {step_s // 60} min ({first} to {last}), more"
            f" than {MAX_ROWS:,}",
            where=account.file,
            mend="Check the years of the first and the last reading, or give fewer years.",
        )


def _on_grid(
    stream: Stream, start: int, step_s: int, count: int, clock: Clock, account: Account
) -> FloatArray:
    slot, rest = np.divmod(stream.start_s - start, step_s)
    between = np.flatnonzero(rest)
    if len(between):
        first = int(between[0])
        raise SeriesError(
            f"{clock.stamp(int(stream.start_s[first]))} lies between the steps of"
            f" {step_s // 60} min ({len(between)} such readings of {stream.quantity})",
            where=account.place(int(stream.place[first])),
            mend="Ask for interval data of equal steps.",
        )
    grid = np.full(count, np.nan)
    grid[slot] = stream.amounts * (step_s / HOUR_S if stream.kind == "power" else 1.0)
    _spread_long(stream, grid, slot, step_s, clock, account=account)
    return grid


def _spread_long(
    stream: Stream, grid: FloatArray, slot: IntArray, step_s: int, clock: Clock, account: Account
) -> None:
    """Spread readings of several steps evenly over them; impossible lengths leave a note."""
    short = step_s - stream.duration_s  # ends named inclusively fall short by up to a minute
    duration = np.where((short > 0) & (short <= 60), step_s, stream.duration_s)
    steps, rest = np.divmod(duration, step_s)
    room = np.diff(np.append(slot, len(grid)))
    fits = (rest == 0) & (steps > 1) & (steps <= room)
    fits &= steps <= DAY_S // step_s
    odd = (duration != step_s) & (duration != 0) & ~fits
    for reading in np.flatnonzero(fits):
        many = int(steps[reading])
        share = 1.0 / many if stream.kind == "energy" else 1.0
        grid[slot[reading] : slot[reading] + many] = grid[slot[reading]] * share
    if fits.any():
        first = int(np.flatnonzero(fits)[0])
        account.note(
            f"{stream.quantity}: {counted(int(fits.sum()), 'reading')} of several steps (first"
            f" {clock.stamp(int(stream.start_s[first]))}, {_length(int(stream.duration_s[first]))});"
            " spread evenly over their steps."
        )
    if odd.any():
        first = int(np.flatnonzero(odd)[0])
        account.note(
            f"{stream.quantity}: {counted(int(odd.sum()), 'reading')} whose length is not the step (first"
            f" {clock.stamp(int(stream.start_s[first]))}, {int(stream.duration_s[first])} s); taken"
            " as one step each."
        )


def _refuse_off_the_clock(even: EvenReadings, account: Account) -> None:
    wall = even.clock.wall_s(even.instants_s)
    off = np.flatnonzero(wall % (even.step_minutes * 60))
    if len(off):
        told = even.clock.stamp(int(even.instants_s[off[0]]))
        raise SeriesError(
            f"a step begins at {told} by {even.clock.name}, which is no multiple of"
            f" {even.step_minutes} min",
            where=account.file,
            mend="Give the zone of the meter with --zone, or stamps that start intervals.",
        )
