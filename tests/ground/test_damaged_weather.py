"""A weather file with a cell or a head that is no number is told, whatever its form."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.forecasting.sun import read_typical_year

HEAD = "LOCATION,Tarn Hollow,-,-,invented,1,53.3,-6.3,{zone},85.0"


def weather_file(folder: Path, *, ghi: str = "100", zone: str = "0.0") -> Path:
    """Write an invented year of hours in the EPW form; one cell of global irradiance is as given."""
    rows = []
    for hour in range(8760):
        cells = ["1990", "1", "1", str(hour % 24 + 1), "60", "?", *["10"] * 29]
        cells[13] = ghi if hour == 4000 else "100"
        rows.append(",".join(cells))
    path = folder / "weather.epw"
    path.write_text("\n".join([HEAD.format(zone=zone), *["-"] * 7, *rows]) + "\n", encoding="utf-8")
    return path


def test_a_whole_file_is_read(tmp_path: Path) -> None:
    assert read_typical_year(weather_file(tmp_path)).ghi.sum() == pytest.approx(876_000)


@pytest.mark.parametrize("cell", ["?", "12:30 PM", "$$"])
def test_a_cell_that_is_no_number_is_told(cell: str, tmp_path: Path) -> None:
    with pytest.raises(SeriesError, match="hours without values"):
        read_typical_year(weather_file(tmp_path, ghi=cell))


def test_a_head_without_a_zone_is_told(tmp_path: Path) -> None:
    with pytest.raises(SeriesError):
        read_typical_year(weather_file(tmp_path, zone="noon"))
