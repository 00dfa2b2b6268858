"""Tables of prices: what is odd in one is told with its row, and the rest is read as written."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.calendar import DayCalendar, Holidays, Seasons
from optimizer.base.errors import SeriesError
from optimizer.billing.tariff import read_tariff as tariff_read
from optimizer.billing.tariff import shipped_tariffs
from optimizer.metering.price_table import read_price_table
from tests.builders import local_grid

NO_HOLIDAYS = DayCalendar(Seasons({}), Holidays())
GRID = local_grid("2025-07-04T00:00", "America/Los_Angeles", 48, 60)  # Friday and Saturday


def read(folder: Path, rows: str, calendar=NO_HOLIDAYS, column="per_kwh", grid=GRID):
    head = "from,to,months,days,per_kwh,per_mwh\n"
    (folder / "t.csv").write_text(head + rows.replace(" / ", "\n") + "\n")
    notes: list[str] = []
    return read_price_table(folder / "t.csv", column, grid, calendar, "tariff.yaml:9", notes), notes


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("00:00,12:00,,,0.1,1", "no row holds Mondays in January, 12:00–24:00"),
        ("00:00,24:00,1-11,,0.1,1", "no row holds Mondays in December, 00:00–24:00"),
        ("00:00,24:00,,weekdays,0.1,1", "no row holds Saturdays in January, 00:00–24:00"),
        ("00:00,24:00,,,0.1,1 / 06:00,07:00,7,friday,0.2,2", "this row and row 2 hold the same"),
        ("22:00,06:00,,,0.1,1", "runs from 22:00 to 06:00, which is not forward"),
        ("00:00,24:00,13,,0.1,1", "'13' is no month"),
        ("00:00,24:00,june,,0.1,1", "'june' is no month"),
        ("00:00,24:00,,workdays,0.1,1", "'workdays' is no kind of day"),
        ("0,24,,,0.1,1", "'0' is not a clock time"),
        ("00:00,24:00,1-6,,0.1,1 / 00:00,24:00,7-12,,,1", "the price is blank"),
        ("00:00,24:00,,,dear,1", "'dear' is not a number"),
        ("00:00,24:00,,,500000,1", "is absurd"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, rows: str, told: str) -> None:
    with pytest.raises(SeriesError) as caught:
        read(tmp_path, rows)
    assert told in caught.value.what
    assert "t.csv" in str(caught.value.where)


def test_a_table_without_from_is_no_table(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("time,per_kwh\n2025-07-04T00:00,0.1\n")
    with pytest.raises(SeriesError, match="no column is called from"):
        read_price_table(tmp_path / "t.csv", "per_kwh", GRID, NO_HOLIDAYS, "here", [])


def test_holidays_need_a_row_where_the_tariff_has_some(tmp_path: Path) -> None:
    rows = "00:00,24:00,,weekdays weekends,0.1,1"
    assert (read(tmp_path, rows)[0] == 0.1).all()
    fourth = DayCalendar(Seasons({}), Holidays(dates=[date(2025, 7, 4)]))
    with pytest.raises(SeriesError, match="no row holds holidays in January"):
        read(tmp_path, rows, fourth)
    prices, _ = read(tmp_path, f"{rows} / 00:00,24:00,,holidays,0.7,7", fourth)
    assert prices.tolist() == [0.7] * 24 + [0.1] * 24


def test_months_run_over_the_new_year_and_mwh_are_told_by_the_name(tmp_path: Path) -> None:
    rows = "00:00,24:00,11-2;4,,0.1,100 / 00:00,24:00,3 5-10,,0.2,200"
    assert read(tmp_path, rows, column="per_mwh")[0].tolist() == pytest.approx([0.2] * 48)


def test_a_row_that_cuts_a_step_is_noted(tmp_path: Path) -> None:
    prices, notes = read(tmp_path, "00:00,16:30,,,0.1,1 / 16:30,24:00,,,0.3,1")
    assert np.unique(prices[[16, 17]]).tolist() == [0.1, 0.3]
    assert any("16:30 cut steps of 60 min" in note for note in notes)


def test_months_of_a_table_with_other_prices_are_seasons_of_the_tariff() -> None:
    tariff = tariff_read(shipped_tariffs()["price_table"])
    seasons = tariff.season_of_months(GRID)
    assert len(set(seasons)) == 2
    assert {seasons[month - 1] for month in (6, 7, 8, 9)}.isdisjoint(seasons[:5] + seasons[9:])
