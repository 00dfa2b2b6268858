"""Tables for bills, forecasts and prices: what is no table, or is one with rows swallowed, is told."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering import series
from optimizer.metering.forecast_csv import read_forecast
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.series import read_table
from tests.laws.cases import AC_PLANT

HOURS = [f"2026-01-{day:02d}T{hour:02d}:00" for day in range(1, 11) for hour in range(24)]


def test_quotes_that_swallow_rows_are_refused_whatever_column_they_stand_in(tmp_path: Path) -> None:
    """Two stray quotes, 141 rows apart, in a column that nobody reads."""
    rows = [f"{hour},0.5,0.1,fine" for hour in HOURS]
    for at in (30, 171):
        rows[at] = rows[at].replace("fine", '"fine')
    path = tmp_path / "forecast.csv"
    path.write_text("\n".join(["time,load_kwh,pv_kwh,remark", *rows]) + "\n", encoding="utf-8")
    with pytest.raises(SeriesError, match="a quote is left open") as caught:
        read_forecast(path, "Europe/Dublin", AC_PLANT)
    assert "row 32, column 'remark'" in caught.value.where


@pytest.mark.parametrize(
    ("begin", "kind"),
    [
        (b"<!DOCTYPE html><html><body>log in</body></html>", "a web page"),
        (b"\xef\xbb\xbf<?xml version='1.0'?><feed/>", "XML"),
        (b"PK\x03\x04 what a workbook begins with", "a zip archive or a workbook"),
        (b"%PDF-1.7", "a PDF"),
    ],
)
def test_what_is_no_csv_is_called_what_it_is(begin: bytes, kind: str, tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    path.write_bytes(begin)
    with pytest.raises(SeriesError, match=kind) as caught:
        read_meter(path, "Europe/Dublin")
    assert "tariffwright read" in caught.value.mend


def test_a_small_packed_file_that_unpacks_without_end_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(series, "MAX_BYTES", 1_000_000)
    path = tmp_path / "meter.csv.gz"
    path.write_bytes(gzip.compress(b"time,import_kwh\n" + b"0" * 50_000_000))
    with pytest.raises(SeriesError, match="more than 1,000,000 bytes"):
        read_table(path)


def test_a_cell_of_megabytes_is_told_in_few_words(tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    path.write_text("time,import_kwh\n2026-01-01T00:00," + "9" * 5_000_000 + "\n", encoding="utf-8")
    with pytest.raises(SeriesError, match="more than 1,000 characters") as caught:
        read_meter(path, "Europe/Dublin")
    assert len(str(caught.value)) < 2_000
