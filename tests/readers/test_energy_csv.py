"""Energies of other meters: a value is spread over its time, finer ones are added up, holes are refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering.energy_csv import read_energies
from tests.builders import local_grid

HOURS = ("00:00,4", "01:00,0", "02:00,2")


def read(folder: Path, rows: tuple[str, ...], step: int, count: int, column: str = "kwh"):
    path = folder / "got.csv"
    path.write_text(f"time,{column}\n" + "".join(f"2026-07-01T{row}\n" for row in rows))
    grid = local_grid("2026-07-01T00:00", "Europe/Vienna", count, step)
    return read_energies(path, column, grid, "tariff.yaml:9", [])


def test_an_hour_is_spread_over_its_quarters(tmp_path: Path) -> None:
    found = read(tmp_path, HOURS, 15, 12)
    assert found.tolist() == pytest.approx([1, 1, 1, 1, 0, 0, 0, 0, 0.5, 0.5, 0.5, 0.5])


def test_quarters_are_added_up_to_hours(tmp_path: Path) -> None:
    rows = tuple(f"0{n // 4}:{15 * (n % 4):02d},{n}" for n in range(8))
    assert read(tmp_path, rows, 60, 2).tolist() == pytest.approx([0 + 1 + 2 + 3, 4 + 5 + 6 + 7])


@pytest.mark.parametrize(
    ("rows", "column", "told"),
    [
        (HOURS, "amount", "the column 'amount' does not tell its unit"),
        (("00:00,4", "01:00,-1", "02:00,2"), "kwh", "-1 is below zero"),
        (("00:00,4", "01:00,", "02:00,2"), "kwh", "1 of 3 steps have no kWh, the first 2026-07-01T01:00"),
        (HOURS[:2], "kwh", "1 of 3 steps have no kWh, the first 2026-07-01T02:00"),
        (("00:00,4", "01:00,x"), "kwh", "'x' is not a number"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told(
    rows: tuple[str, ...], column: str, told: str, tmp_path: Path
) -> None:
    with pytest.raises(SeriesError) as caught:
        read(tmp_path, rows, 60, 3, column)
    assert told in str(caught.value)
    assert caught.value.mend
