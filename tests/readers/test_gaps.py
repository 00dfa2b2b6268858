"""Gaps are told; they are filled only on request, by a stated rule, and never at either end."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.metering.gaps import filled, gap_notes, gap_runs
from optimizer.metering.local_time import clock_of_zone
from optimizer.metering.readings import EvenReadings
from tests.readers.feeds import imported, noted, read_text, wall

NAN = float("nan")
NEW_YEAR = 1735689600
"""2025-01-01T00:00Z."""


def even(values: list[float], start: int = NEW_YEAR, zone: str = "UTC") -> EvenReadings:
    clock = clock_of_zone(zone, start, start + 3600 * len(values))
    return EvenReadings(start, 60, clock, {"import_kwh": np.array(values, dtype=float)})


def test_gaps_are_runs_of_missing_values():
    assert gap_runs(np.array([NAN, 1, NAN, NAN, 2, NAN])) == [(0, 1), (2, 2), (5, 1)]
    assert gap_runs(np.array([1.0, 2.0])) == []


def test_gaps_are_told_with_number_place_and_the_longest():
    notes = gap_notes(even([1, NAN, 1, NAN, NAN, NAN, 1, 1, 1, 1]))
    assert notes == [
        "import_kwh: 4 of 10 values are missing (40.00 %) in 2 gaps: 2025-01-01T01:00+00:00 for 1 h,"
        " 2025-01-01T03:00+00:00 for 3 h; the longest 2025-01-01T03:00+00:00 for 3 h."
    ]


def test_many_gaps_are_told_by_the_first_five():
    told = gap_notes(even([1, NAN] * 8 + [1]))[0]
    assert "in 8 gaps" in told
    assert "and 3 more" in told
    assert told.count("for 1 h") == 6


def test_a_straight_line_joins_the_neighbours():
    made, notes = filled(even([2, NAN, NAN, 5, 4]), "linear")
    assert made.columns["import_kwh"] == pytest.approx([2, 3, 4, 5, 4])
    assert notes == [
        "import_kwh: 2 of 5 values (40.00 %) filled by a straight line between the readings before and"
        " after: 7.0 kWh, 38.89 % of the energy."
    ]


def test_the_day_before_gives_the_value_of_the_same_clock_time():
    values = [float(n) for n in range(72)]
    for missing in (30, 31, 54):
        values[missing] = NAN
    made, notes = filled(even(values), "previous-day")
    assert made.columns["import_kwh"][[30, 31]].tolist() == [6, 7]
    assert made.columns["import_kwh"][54] == 6  # the day before is itself missing: one day further
    assert "latest day before that has a reading" in notes[0]


@pytest.mark.parametrize("rule", ["previous-day", "linear"])
def test_nothing_is_invented_before_the_first_or_after_the_last_reading(rule):
    values = [NAN, NAN, *range(1, 60), NAN, NAN]
    made, notes = filled(even(values), rule)
    assert np.flatnonzero(np.isnan(made.columns["import_kwh"])).tolist() == [0, 1, 61, 62]
    assert notes == []


def test_what_no_day_before_has_stays_missing():
    made, _ = filled(even([1, NAN, *[2.0] * 22, 3, 4]), "previous-day")
    assert np.isnan(made.columns["import_kwh"][1])


def test_the_same_clock_time_is_meant_where_clocks_change():
    """Europe/Dublin on 2025-03-30 has 23 hours; at 03:00 on the 30th stands 03:00 of the 29th."""
    start = 1743206400  # 2025-03-29T00:00Z
    values = [float(n) for n in range(72)]
    values[24 + 2] = NAN  # 02:00Z on the 30th is 03:00 by the clock
    values[47 + 1] = NAN  # 00:00Z on the 31st is 01:00 by the clock, an hour that the 30th skipped
    made, _ = filled(even(values, start, "Europe/Dublin"), "previous-day")
    assert made.columns["import_kwh"][26] == 3
    assert made.columns["import_kwh"][48] == 1


def test_of_a_repeated_hour_the_first_stands_for_the_clock_time():
    """Europe/Dublin on 2025-10-26: 01:00 comes at 00:00Z and at 01:00Z."""
    start = 1761436800  # 2025-10-26T00:00Z
    values = [float(n) for n in range(48)]
    values[25] = NAN  # 01:00Z on the 27th is 01:00 by the clock
    made, _ = filled(even(values, start, "Europe/Dublin"), "previous-day")
    assert made.columns["import_kwh"][25] == 0


def test_a_column_without_any_reading_stays_empty():
    made, notes = filled(even([NAN, NAN, NAN]), "linear")
    assert np.isnan(made.columns["import_kwh"]).all()
    assert notes == []


@pytest.mark.parametrize(("rule", "expected"), [("previous-day", 5.0), ("linear", 29.0)])
def test_a_file_is_filled_as_asked_and_says_so(tmp_path: Path, rule: str, expected: float):
    rows = [f"{t:%Y-%m-%d %H:%M},{n % 48}" for n, t in enumerate(wall("2025-07-14", 48, 60))]
    text = "\n".join(["time,kWh", *rows[:29], *rows[30:]])
    found = read_text(tmp_path, text, zone="Europe/Dublin", fill=rule)
    assert imported(found)[29] == pytest.approx(expected)
    assert "1 of 48 values are missing" in noted(found)
    assert "1 of 48 values (2.08 %) filled" in noted(found)
    assert found.points[0].gaps == 0
