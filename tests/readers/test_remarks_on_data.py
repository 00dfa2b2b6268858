"""What is odd in meter data, prices and zones is told with its likely cause, or asked."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from optimizer.base.errors import Mistake, SeriesError
from optimizer.base.timegrid import TimeGrid, zone_named
from optimizer.metering.found import Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any
from optimizer.metering.price_csv import read_prices

HOURS = [f"2026-01-0{day}T{hour:02d}:00" for day in range(1, 9) for hour in range(24)]


def written(folder: Path, head: str, values: list[object]) -> Path:
    path = folder / "data.csv"
    rows = [f"{s},{v}\n" for s, v in zip(HOURS, values * len(HOURS), strict=False)]
    path.write_text(f"{head}\n" + "".join(rows))
    return path


def test_watt_hours_under_a_head_of_kwh_are_told(tmp_path: Path):
    _, notes = read_meter(written(tmp_path, "time,import_kwh", [430, 1290]), "Europe/Dublin")
    assert any("1,290 kW" in note and "Wh" in note for note in notes)


@pytest.mark.parametrize(("price", "told"), [(34, True), (0.34, False)])
def test_prices_in_cents_are_told(tmp_path: Path, price: float, told: bool):
    notes: list[str] = []
    grid = TimeGrid(datetime(2026, 1, 1, tzinfo=UTC), 60, 48, "UTC")
    read_prices(written(tmp_path, "time,price_per_kwh", [price]), "price_per_kwh", grid, "t", notes)
    assert any("cents" in note for note in notes) is told


def test_a_zone_without_summer_time_is_told(tmp_path: Path):
    _, notes = read_meter(written(tmp_path, "time,import_kwh", [1]), "EST")
    assert any("no daylight saving" in note and "America/New_York" in note for note in notes)


@pytest.mark.parametrize(
    ("name", "zone"),
    [("Pacific Time", "America/Los_Angeles"), ("Los Angeles", "America/Los_Angeles"),
     ("Central European Time", "Europe/Berlin"), ("Europe/Dubling", "Europe/Dublin")],
)  # fmt: skip
def test_an_unknown_zone_is_answered_with_one_near_it(name: str, zone: str):
    with pytest.raises(Mistake) as caught:
        zone_named(name)

    assert f"such as {zone}" in caught.value.mend


def test_stray_quotes_that_swallow_rows_are_told_by_the_row_that_opens_them(tmp_path: Path):
    path = written(tmp_path, "time,import_kwh,note", ["0.5,"])
    lines = path.read_text().splitlines()
    lines[20] = lines[20] + '"open'
    path.write_text("\n".join(lines))
    with pytest.raises(SeriesError, match="a quote is left open") as caught:
        read_any(path, Request(zone="Europe/Dublin", stamps="start"))
    assert "row 21" in caught.value.where


def test_production_alone_is_not_taken_for_export(tmp_path: Path):
    path = written(tmp_path, "time,Production (kWh)", [0, 1])
    with pytest.raises(SeriesError, match="all that PV produced") as caught:
        read_any(path, Request(zone="Europe/Dublin", stamps="start"))
    assert "pv_kwh" in caught.value.mend


@pytest.mark.parametrize(("cell", "word"), [('"13,5"', "comma"), ("10%", "%")])
def test_a_decimal_comma_and_a_sign_get_a_word(tmp_path: Path, cell: str, word: str):
    with pytest.raises(SeriesError, match="is not a number") as caught:
        read_meter(written(tmp_path, "time,import_kwh", [cell]), "Europe/Dublin")
    assert word in caught.value.mend
