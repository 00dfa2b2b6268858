"""Tables without heads, whose columns the user names, and times as seconds since 1970."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering.found import Request
from optimizer.metering.outside import read_any
from optimizer.report.reading import next_step
from tests.readers.feeds import exported, imported, noted, wall

FIRST = 1751500800
"""2025-07-03T00:00Z, 20,272 days after 1970-01-01."""

VALUES = [n % 7 for n in range(48)]


def read(folder: Path, text: str, **asked: object):
    path = folder / "meter.csv"
    path.write_text(text, encoding="utf-8")
    return read_any(path, Request(**asked))  # type: ignore[arg-type]


def epochs(factor: int, suffix: str = "") -> list[str]:
    return [f"{(FIRST + 3600 * n) * factor}{suffix},{v}" for n, v in enumerate(VALUES)]


@pytest.mark.parametrize(("factor", "suffix"), [(1, ""), (1000, ""), (1, ".0")])
@pytest.mark.parametrize("head", ["time", "epoch", "Unix time"])
def test_seconds_since_1970_are_times_in_utc(tmp_path: Path, head: str, factor: int, suffix: str):
    assert FIRST == 20_272 * 86_400
    text = "\n".join([f"{head},import kWh", *epochs(factor, suffix)])
    found = read(tmp_path, text, zone="Europe/Dublin", stamps="start")
    assert imported(found) == pytest.approx(VALUES)
    even = found.points[0].even
    assert even.clock.stamp(even.start_s) == "2025-07-03T01:00+01:00"
    assert "counts seconds since 1970-01-01T00:00Z" in noted(found)
    assert read(tmp_path, text, stamps="start").points[0].even.start_s == FIRST


def test_a_table_without_heads_asks_for_them_and_obeys(tmp_path: Path):
    rows = [
        f"{t:%Y-%m-%d %H:%M},{v},x,{v + 1}"
        for t, v in zip(wall("2025-07-03", 48, 60), VALUES, strict=True)
    ]
    text = "\n".join(rows)
    with pytest.raises(SeriesError, match="no row of heads") as caught:
        read(tmp_path, text, zone="Europe/Dublin")
    assert "--heads" in caught.value.mend
    heads = ("time", "import_kwh", "other", "export_kwh")
    found = read(tmp_path, text, zone="Europe/Dublin", heads=heads)
    assert imported(found) == pytest.approx(VALUES)
    assert exported(found) == pytest.approx([v + 1 for v in VALUES])
    assert "columns not used: other" in noted(found)
    said = next_step(found, Request(zone="Europe/Dublin", heads=heads), None)
    assert "--heads time,import_kwh,other,export_kwh" in said


def test_heads_that_are_too_few_are_told(tmp_path: Path):
    with pytest.raises(SeriesError, match="3 cells, but 2 heads are given") as caught:
        read(tmp_path, "2025-07-03 00:00,1,2\n2025-07-03 01:00,1,2\n", heads=("time", "import_kwh"))
    assert "row 1" in caught.value.where


def test_a_seconds_count_out_of_all_years_is_told(tmp_path: Path):
    rows = [f"{9_999_999_999 + 3600 * n},{v}" for n, v in enumerate(VALUES)][:1] + epochs(1)
    with pytest.raises(SeriesError, match="no day from 1970 to 2199"):
        read(tmp_path, "\n".join(["time,import kWh", *rows]), stamps="start")


def test_a_cell_that_is_no_time_among_seconds_is_told_by_its_row(tmp_path: Path):
    rows = epochs(1)
    rows[7] = "later,3"
    with pytest.raises(SeriesError, match="'later' is no date") as caught:
        read(tmp_path, "\n".join(["time,import kWh", *rows]), stamps="start")
    assert "row 9, column time" in caught.value.where
