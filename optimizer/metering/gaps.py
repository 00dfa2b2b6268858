"""Where readings are missing, and the two rules by which gaps are filled on request.

``previous-day``: a missing value takes that of the same wall-clock time on the latest day before
that has one. ``linear``: a straight line between the neighbours. Under both, only gaps between two
readings are filled: nothing is invented before the first or after the last reading.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.base.units import percent
from optimizer.metering.readings import DAY_S, EvenReadings, counted

FillRule = Literal["previous-day", "linear"]
RULE_WORDS = {
    "previous-day": "from the same clock time of the latest day before that has a reading",
    "linear": "by a straight line between the readings before and after",
}

MAX_TOLD = 5
"""Number of gaps that a note lists; the rest are counted."""


def gap_runs(values: FloatArray) -> list[tuple[int, int]]:
    """Return first step and length of each run of missing values, of shape (T,)."""
    missing = np.flatnonzero(np.isnan(values))
    if not len(missing):
        return []
    runs = np.split(missing, np.flatnonzero(np.diff(missing) > 1) + 1)
    return [(int(run[0]), len(run)) for run in runs]


def gap_notes(even: EvenReadings) -> list[str]:
    """Return a note for each column that misses readings: how many, where, the longest."""
    notes = []
    for column, values in even.columns.items():
        runs = gap_runs(values)
        if not runs:
            continue
        count = sum(length for _, length in runs)
        longest = max(runs, key=lambda run: run[1])
        told = ", ".join(_told(even, run) for run in runs[:MAX_TOLD])
        more = f" and {len(runs) - MAX_TOLD} more" if len(runs) > MAX_TOLD else ""
        notes.append(
            f"{column}: {count:,} of {len(values):,} values are missing"
            f" ({percent(count / len(values), 2)}) in {counted(len(runs), 'gap')}: {told}{more};"
            f" the longest {_told(even, longest)}."
        )
    return notes


def _told(even: EvenReadings, run: tuple[int, int]) -> str:
    hours = run[1] * even.step_minutes / 60
    return f"{even.clock.stamp(int(even.instants_s[run[0]]))} for {hours:g} h"


def filled(even: EvenReadings, rule: FillRule) -> tuple[EvenReadings, list[str]]:
    """Fill the gaps that lie between readings.

    Parameters
    ----------
    even : EvenReadings
        Columns of shape (T,), NaN where missing.
    rule : FillRule
        See the head of this file.

    Returns
    -------
    EvenReadings, list of str
        The columns, and what was filled: number, share of values and of energy. Gaps at either
        end stay.
    """
    notes = []
    columns = {}
    for column, values in even.columns.items():
        inner = _between_readings(values)
        fresh = values.copy()
        if rule == "linear":
            have = np.flatnonzero(~np.isnan(values))
            fresh[inner] = np.interp(inner, have, values[have]) if len(have) else np.nan
        else:
            fresh[inner] = _from_days_before(even, values, inner)
        columns[column] = fresh
        made = inner[~np.isnan(fresh[inner])]
        if len(made):
            notes.append(_fill_note(column, fresh, made, rule))
    return replace(even, columns=columns), notes


def _between_readings(values: FloatArray) -> IntArray:
    have = np.flatnonzero(~np.isnan(values))
    missing = np.flatnonzero(np.isnan(values))
    if not len(have):
        return missing[:0]
    return np.asarray(missing[(missing > have[0]) & (missing < have[-1])])


def _from_days_before(even: EvenReadings, values: FloatArray, steps: IntArray) -> FloatArray:
    wall = even.clock.wall_s(even.instants_s)
    first_at: dict[int, int] = {}
    for step, moment in enumerate(wall.tolist()):
        first_at.setdefault(moment, step)  # of a repeated hour the first stands for the clock time
    known = values.copy()
    for step in steps.tolist():  # in order of time, so that the day before is already filled
        moment = int(wall[step]) - DAY_S
        while moment >= wall[0]:
            source = first_at.get(moment)
            if source is not None:
                known[step] = known[source]
                break
            moment -= DAY_S  # the clock skipped that time
    return np.asarray(known[steps])


def _fill_note(column: str, values: FloatArray, made: IntArray, rule: FillRule) -> str:
    told = (
        f"{column}: {len(made):,} of {len(values):,} values"
        f" ({percent(len(made) / len(values), 2)}) filled {RULE_WORDS[rule]}"
    )
    if not column.endswith(("_kwh", "_kvarh")) or "per_" in column:
        return f"{told}."
    energy, total = float(np.abs(values[made]).sum()), float(np.nansum(np.abs(values)))
    unit = "kvarh" if column.endswith("_kvarh") else "kWh"
    return f"{told}: {energy:,.1f} {unit}, {percent(energy / (total or 1.0), 2)} of the energy."
