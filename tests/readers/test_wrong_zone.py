"""Stamps with offsets are held against the zone: told where some do not fit, refused where none does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering.found import Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any

BERLIN = "Europe/Berlin"


def by_bill(path: Path) -> list[str]:
    return read_meter(path, BERLIN)[1]


def by_read(path: Path) -> list[str]:
    return list(read_any(path, Request(zone=BERLIN, stamps="start")).points[0].notes)


def written(folder: Path, offset: str, month: int = 7) -> Path:
    path = folder / "meter.csv"
    rows = [f"2026-{month:02d}-01T{hour:02d}:00{offset},0.5,0.1\n" for hour in range(24)]
    path.write_text("time,import_kwh,export_kwh\n" + "".join(rows))
    return path


@pytest.mark.parametrize("read", [by_bill, by_read])
def test_a_file_of_which_no_offset_fits_the_zone_is_refused(tmp_path: Path, read: Callable):
    """Berlin's clock is one or two hours ahead of UTC, never eight behind."""
    with pytest.raises(SeriesError, match=r"no stamp fits the zone: .*-08:00, there \+02:00"):
        read(written(tmp_path, "-08:00"))


@pytest.mark.parametrize("read", [by_bill, by_read])
def test_standard_time_in_summer_is_told_and_used(tmp_path: Path, read: Callable):
    assert any(
        "24 of 24 stamps have an offset" in note for note in read(written(tmp_path, "+01:00"))
    )


@pytest.mark.parametrize("read", [by_bill, by_read])
@pytest.mark.parametrize("offset", ["Z", "+02:00"])
def test_utc_and_the_clock_of_the_zone_need_no_word(tmp_path: Path, read: Callable, offset: str):
    assert not any("offset" in note for note in read(written(tmp_path, offset)))
