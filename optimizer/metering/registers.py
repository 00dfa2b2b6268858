"""Makes energies of the readings of a register, which counts on and on.

A register's reading holds at the moment of its stamp, whichever edge of an interval other stamps
name; the energy between two readings is their difference. Where a reading is lower than the one
before, the meter was reset or exchanged, and where it rises by far more than ever else, exchanged:
the energy of that time is not known and stays a gap. A lone reading below both of its neighbours is
a slip and is left out. Each leaves a note.

Which values are a register's is told by the values: an interval's energies fall every evening.

Read next: ``readings``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.base.clock import Clock
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.metering.readings import DAY_S, Account, Stream, counted, in_order
from optimizer.metering.wall_clock import direction

LEAST_READINGS = 48
"""From this number on, readings that all but never fall are a register's."""

READINGS_A_FALL = 100
"""A register falls at most once in so many readings; energies of intervals fall every day. [1]"""

RISING_SHARE = 0.5
"""A register of which nothing else is known rises in more than this share of its steps. [1]"""

JUMP = 20
"""A rise of so many times the second-highest power is an exchange of the meter (no source). [1]"""

MAX_TOLD = 5

RATE = re.compile(
    r"\b(?:t|tariff|rate|register|tier|ht|nt|zone)[\s_]?[1-4]\b|\b(?:ht|nt|on-?peak|off-?peak|peak"
    r"|day|night|high|low|normal)\b(?:[\s_]?(?:rate|tariff))?|\b[12]\.8\.[1-4]\b"
)
"""What tells the registers of a tariff's times apart. 1.8.1 and such are the codes of IEC 62056-61."""


def without_rate(head: str) -> str:
    """Return a head in lower case without the word for the tariff's time, blanks as one."""
    return " ".join(re.sub(RATE, " ", head.lower().replace("_", " ")).split())


def has_rate(head: str) -> bool:
    """Return whether a head names one of the times of a tariff."""
    return RATE.search(head.lower().replace("_", " ")) is not None


def registers_among(moments: Sequence[IntArray], amounts: Sequence[FloatArray]) -> list[bool]:
    """Return which series of a meter are registers.

    Parameters
    ----------
    moments : sequence of array, shapes (N,)
        Times of the readings, in the file's order. [s]
    amounts : sequence of array, shapes (N,)
        What was read; NaN is blank. [kWh]

    Returns
    -------
    list of bool
        Where one is, the others that all but never fall are too, even if they rarely rise.
    """
    levels = [_in_time(*one) for one in zip(moments, amounts, strict=True)]
    likely = [_falls_seldom(one) for one in levels]
    rising = [
        is_likely and bool((np.diff(one) > 0).mean() > RISING_SHARE)
        for is_likely, one in zip(likely, levels, strict=True)
    ]
    return likely if any(rising) else rising


def _in_time(moments: IntArray, amounts: FloatArray) -> FloatArray:
    if direction(moments) < 0:
        moments, amounts = moments[::-1], amounts[::-1]
    known = ~np.isnan(amounts)
    return np.asarray(amounts[known][np.argsort(moments[known], kind="stable")])


def _falls_seldom(levels: FloatArray) -> bool:
    if len(levels) < LEAST_READINGS or (levels < 0).any():
        return False
    falls = int((np.diff(levels) < 0).sum())
    return falls <= len(levels) // READINGS_A_FALL


def energies(register: Stream, clock: Clock, account: Account) -> Stream:
    """Return the energies between the N readings of a register, from each to the next.

    Parameters
    ----------
    register : Stream
        Readings and their moments, in the file's order.
    clock : Clock
        For notes.
    account : Account
        Gets a note on what was made, and on each reset, exchange, slip and hole.

    Returns
    -------
    Stream
        At most N − 1 readings; none where the energy is not known.
    """
    stream = in_order(register.take(~np.isnan(register.amounts)), clock, account)
    stream = _without_slips(stream, clock, account)
    name = register.quantity
    account.note(
        f"{name}: the {len(stream.amounts):,} values rise on and on, so they are a register's; the energy"
        " of a step is the difference from its reading to the next."
    )
    length, energy = np.diff(stream.start_s), np.diff(stream.amounts)
    begins = stream.take(np.arange(len(energy)))
    falls, jumps = energy < 0, _jumps(energy, length)
    too_long = (length > DAY_S) & ~falls & ~jumps
    for chosen, what in (
        (falls, "falls: a reset or an exchange of the meter"),
        (jumps, f"rises more than {JUMP} times as fast as ever else: an exchange of the meter, or a slip"),
    ):  # fmt: skip
        if chosen.any():
            told = _told(stream, chosen, clock)
            account.note(f"{name} {what} ({told}); the energy between is not known, a gap.")
    if too_long.any():
        account.note(
            f"{name}: {counted(int(too_long.sum()), 'hole')} of more than a day (first after"
            f" {clock.stamp(int(begins.start_s[too_long][0]))}) hold {energy[too_long].sum():,.1f} kWh of"
            " the register; when it flowed is not known, so they stay gaps."
        )
    kept = ~(falls | jumps | too_long)
    return replace(begins, amounts=energy, duration_s=length, kind="energy").take(kept)


def _without_slips(stream: Stream, clock: Clock, account: Account) -> Stream:
    """Leave out lone readings below both neighbours, of which the later goes on from the earlier."""
    levels = stream.amounts
    slip = np.zeros(len(levels), dtype=bool)
    slip[1:-1] = (levels[1:-1] < levels[:-2]) & (levels[2:] >= levels[:-2])
    if not slip.any():
        return stream
    first = int(np.flatnonzero(slip)[0])
    account.note(
        f"{stream.quantity}: {counted(int(slip.sum()), 'reading')} of the register below the ones before"
        f" and after (first {clock.stamp(int(stream.start_s[first]))}, {levels[first]:g}) left out."
    )
    return stream.take(~slip)


def _jumps(energy: FloatArray, length: IntArray) -> BoolArray:
    """Return which rises are far faster than all others, shape of ``energy``."""
    power = np.where(energy > 0, energy / np.maximum(length, 1), 0.0)
    jumps = np.zeros(len(power), dtype=bool)
    if len(power) >= LEAST_READINGS:
        highest, second = (int(at) for at in np.argsort(power)[:-3:-1])
        jumps[highest] = power[second] > 0 and power[highest] > JUMP * power[second]
    return jumps


def _told(stream: Stream, chosen: BoolArray, clock: Clock) -> str:
    places = np.flatnonzero(chosen)
    told = "; ".join(
        f"{clock.stamp(int(stream.start_s[at + 1]))} from {stream.amounts[at]:,g} to"
        f" {stream.amounts[at + 1]:,g}"
        for at in places[:MAX_TOLD]
    )
    return told + (f" and {len(places) - MAX_TOLD} more" if len(places) > MAX_TOLD else "")
