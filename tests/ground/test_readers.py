"""Series are mended only in sight: each repair leaves a note, and tells how much was mended."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import TimeGrid
from optimizer.metering.forecast import Forecast
from optimizer.metering.forecast_csv import read_forecast
from optimizer.metering.price_csv import read_prices
from optimizer.site.equipment import (
    Battery,
    Connection,
    Inverter,
    Permissions,
    Photovoltaic,
    Plant,
)

PLANT = Plant.of(
    Battery(capacity_kwh=12, charge_kw=4, discharge_kw=5),
    Inverter(ac_limit_kw=6),
    Photovoltaic(coupling="dc"),
    Connection(import_limit_kw=15),
    Permissions(),
    reserve_pct=0,
)

Reader = Callable[..., Forecast]


def stamps(first: str, days: int, minutes: int = 60) -> list[str]:
    """Return wall-clock stamps, as many on each day as a clock face has."""
    begin = datetime.fromisoformat(first)
    count = days * 1440 // minutes
    return [
        (begin + n * timedelta(minutes=minutes)).isoformat(timespec="minutes") for n in range(count)
    ]


def rows(times: Iterable[str], load: float = 0.6, pv: float = 1.2) -> list[str]:
    """Return one line of load and PV for each time."""
    return [f"{time},{load},{pv}" for time in times]


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    """Return a function that reads lines as a forecast in Dublin, or in another zone."""

    def reader(
        lines: Iterable[str], head: str = "time,load_kw,pv_kw", zone: str = "Europe/Dublin"
    ) -> Forecast:
        path = tmp_path / "forecast.csv"
        path.write_text("\n".join([head, *lines]) + "\n")
        return read_forecast(path, zone, PLANT)

    return reader


MARCH = stamps("2026-03-02", 3)


# ---- what is read as it stands


def test_a_clean_file_is_read_without_a_note(read: Reader):
    forecast = read(rows(MARCH))

    assert forecast.notes == ()
    assert forecast.grid.count == 72
    assert forecast.grid.dates[0] == date(2026, 3, 2)
    assert list(forecast.load_kwh) == [0.6] * 72
    assert list(forecast.pv_kwh) == [1.2] * 72


def test_powers_become_energies_of_their_steps(read: Reader):
    quarters = rows(stamps("2026-03-02", 1, 15), load=2.0, pv=4.0)

    forecast = read(quarters)

    assert forecast.load_kwh == pytest.approx([0.5] * 96)
    assert forecast.pv_kwh == pytest.approx([1.0] * 96)


def test_energies_stay_energies(read: Reader):
    forecast = read(rows(stamps("2026-03-02", 1, 30)), head="timestamp,load_kwh,pv_kwh")

    assert forecast.load_kwh == pytest.approx([0.6] * 48)
    assert forecast.pv_kwh == pytest.approx([1.2] * 48)


def test_stamps_in_utc_are_moments_whatever_the_zone(read: Reader):
    forecast = read(rows(f"{time}Z" for time in stamps("2026-03-02", 1, 30)), zone="Asia/Kolkata")

    assert forecast.grid.label(0) == "2026-03-02T05:30+05:30"
    assert forecast.grid.dates == [date(2026, 3, 2), date(2026, 3, 3)]


def test_stamps_with_the_offset_of_the_zone_are_its_clock(read: Reader):
    march = rows(f"{time}+05:30" for time in stamps("2026-03-02", 1, 30))
    forecast = read(march, zone="Asia/Kolkata")

    assert forecast.grid.label(0) == "2026-03-02T00:00+05:30"
    assert forecast.grid.dates == [date(2026, 3, 2)]


def test_an_offset_may_be_given_in_hours_only(read: Reader):
    march = rows(f"{time}-03" for time in stamps("2026-03-02", 1))
    forecast = read(march, zone="America/Sao_Paulo")

    assert forecast.grid.label(0) == "2026-03-02T00:00-03:00"


def test_a_comment_a_byte_order_mark_and_foreign_line_ends_do_no_harm(tmp_path: Path):
    path = tmp_path / "forecast.csv"
    text = "\r\n".join(["# invented", "time, load_kw, pv_kw", *rows(MARCH)])
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())

    forecast = read_forecast(path, "UTC", PLANT)

    assert forecast.notes == ()
    assert forecast.load_kwh.sum() == pytest.approx(43.2)


def test_a_compressed_file_is_read_like_a_plain_one(tmp_path: Path):
    path = tmp_path / "forecast.csv.gz"
    path.write_bytes(gzip.compress("\n".join(["time,load_kw,pv_kw", *rows(MARCH)]).encode()))

    assert read_forecast(path, "UTC", PLANT).load_kwh.sum() == pytest.approx(43.2)


# ---- repairs that can be seen


def test_rows_out_of_order_are_sorted_with_a_note(read: Reader):
    lines = [f"{time},{n / 100},0" for n, time in enumerate(MARCH)]
    lines[5], lines[6] = lines[6], lines[5]

    forecast = read(lines)

    assert forecast.load_kwh == pytest.approx(np.arange(72) / 100)
    assert forecast.notes == ("forecast.csv: rows out of order were sorted (1 places).",)


def test_exact_duplicates_are_dropped_with_a_note(read: Reader):
    lines = rows(MARCH)

    forecast = read([*lines[:10], lines[9], *lines[10:]])

    assert forecast.grid.count == 72
    assert forecast.notes == ("forecast.csv: 1 repeated rows were dropped.",)


def test_one_time_with_two_loads_is_refused_with_both_rows(read: Reader):
    with pytest.raises(SeriesError, match=r"row 3 with 0\.6 and in row 4 with 0\.9"):
        read([*rows(MARCH[:2]), f"{MARCH[1]},0.9,1.2", *rows(MARCH[2:])])


def test_a_missing_row_is_filled_from_the_days_around_it_with_a_note(read: Reader):
    # at 05:00 the load is 1, 2, (3), 4 and 5 on five days, at other hours 0.6
    lines = [
        f"{time},{day + 1 if hour == 5 else 0.6},0"
        for day in range(5)
        for hour, time in enumerate(stamps(f"2026-03-{2 + day:02d}", 1))
        if (day, hour) != (2, 5)
    ]

    forecast = read(lines)

    assert forecast.load_kwh[2 * 24 + 5] == pytest.approx(3.0)
    assert len(forecast.notes) == 2
    assert all(
        words in forecast.notes[0]
        for words in (
            "1 of 120 values of load_kw are missing (0.8 %)",
            "2026-03-04T05:00",
            "filled",
        )
    )
    assert "pv_kw" in forecast.notes[1]


def test_a_blank_cell_is_filled_and_the_other_column_left_alone(read: Reader):
    lines = rows(MARCH)
    lines[30] = f"{MARCH[30]},,1.2"

    forecast = read(lines)

    assert forecast.load_kwh[30] == pytest.approx(0.6)
    assert [note for note in forecast.notes if "pv_kw" in note] == []
    assert "1 of 72 values of load_kw" in forecast.notes[0]


def test_a_gap_on_the_first_day_is_filled_from_the_day_after(read: Reader):
    lines = [f"{time},{1 + n // 24},0" for n, time in enumerate(MARCH)]
    lines[5] = f"{MARCH[5]},,0"

    assert read(lines).load_kwh[5] == pytest.approx(2.0)


def test_a_gap_of_four_days_is_filled_and_a_longer_one_is_not(read: Reader):
    year = stamps("2026-01-01", 160)
    gap = 60 * 24

    kept = read(rows(year[:gap] + year[gap + 96 :]), zone="UTC")
    assert kept.grid.count == 160 * 24
    assert "the longest gap 96 h" in kept.notes[0]

    with pytest.raises(SeriesError, match=r"the longest gap 97 h .* at most 3 % and 96 h"):
        read(rows(year[:gap] + year[gap + 97 :]), zone="UTC")


def test_three_in_a_hundred_may_be_missing_and_not_four(read: Reader):
    times = stamps("2026-03-02", 25)[:600]  # 18 of 600 are 3 %

    def with_blanks(count: int) -> list[str]:
        lines = rows(times)
        for n in range(count):
            lines[n * 29] = f"{times[n * 29]},,1.2"
        return lines

    assert "18 of 600 values" in read(with_blanks(18), zone="UTC").notes[0]
    with pytest.raises(SeriesError, match=r"19 of 600 values of load_kw are missing \(3\.2 %\)"):
        read(with_blanks(19), zone="UTC")


def test_an_hour_that_is_missing_on_every_day_cannot_be_filled(read: Reader):
    lines = rows(stamps("2026-03-02", 3, 5))
    lines = [line if "T05:00" not in line else f"{line[:16]},,1.2" for line in lines]

    with pytest.raises(SeriesError, match="load_kw has no value at all at this time") as caught:
        read(lines)

    assert "step 2026-03-02T05:00+00:00" in caught.value.where


def test_a_few_watts_below_zero_at_night_are_set_to_zero_with_a_note(read: Reader):
    lines = rows(MARCH)
    for hour in (0, 1, 2):
        lines[hour] = f"{MARCH[hour]},0.6,-0.05"

    forecast = read(lines)

    assert list(forecast.pv_kwh[:4]) == [0.0, 0.0, 0.0, 1.2]
    assert forecast.notes == ("forecast.csv: 3 values of pv_kw just below zero set to 0.",)


def test_more_than_a_few_watts_below_zero_are_refused(read: Reader):
    with pytest.raises(SeriesError, match=r"-0\.06 is below zero"):
        read([f"{MARCH[0]},0.6,-0.06", *rows(MARCH[1:])])


def test_a_load_may_not_be_below_zero_at_all(read: Reader):
    with pytest.raises(SeriesError, match=r"-0\.01 is below zero") as caught:
        read([f"{MARCH[0]},-0.01,1.2", *rows(MARCH[1:])])

    assert caught.value.where.endswith("forecast.csv, row 2, column load_kw")


def test_columns_that_are_not_used_are_named(read: Reader):
    forecast = read([f"{line},9,sunny" for line in rows(MARCH)], "time,load_kw,pv_kw,wind_ms,sky")

    assert forecast.notes == ("forecast.csv: columns not used: wind_ms, sky.",)


def test_a_file_without_pv_is_planned_without_pv_and_says_so(read: Reader):
    forecast = read([f"{time},0.6" for time in MARCH], head="time,load_kw")

    assert not forecast.pv_kwh.any()
    assert forecast.notes == ("forecast.csv: no PV column; planned without PV.",)


def test_blank_lines_are_passed_over_and_rows_are_still_counted_in_the_file(read: Reader):
    lines = rows(MARCH)

    assert read([*lines[:4], "", *lines[4:]]).notes == ()
    with pytest.raises(SeriesError, match="'x' is not a number") as caught:
        read([*lines[:4], "", f"{MARCH[4]},x,1.2", *lines[5:]])
    assert caught.value.where.endswith("row 7, column load_kw")  # header, four rows, blank, this


# ---- wall-clock files on the days on which clocks change


def test_a_file_of_24_rows_a_day_loses_the_hour_that_the_clock_skips(read: Reader):
    # Dublin, 29 March 2026: 01:00 does not exist
    forecast = read(rows(stamps("2026-03-28", 3)))

    assert forecast.grid.count == 71
    assert list(np.bincount(forecast.grid.day)) == [24, 23, 24]
    assert len(forecast.notes) == 1
    assert "1 rows name times that the clock of Europe/Dublin skips" in forecast.notes[0]
    assert "2026-03-29 01:00" in forecast.notes[0]


def test_a_file_of_24_rows_a_day_gets_the_repeated_hour_filled(read: Reader):
    # Dublin, 25 October 2026: 01:00 comes twice, the file has it once
    forecast = read(rows(stamps("2026-10-23", 5)))

    assert forecast.grid.count == 121
    assert list(np.bincount(forecast.grid.day)) == [24, 24, 25, 24, 24]
    assert not np.isnan(forecast.load_kwh).any()
    assert "1 of 121 values of load_kw are missing" in forecast.notes[0]
    assert "2026-10-25T01:00+00:00" in forecast.notes[0]


@pytest.mark.parametrize(
    ("zone", "first", "repeated"),
    [
        ("Europe/Dublin", "2026-10-25", "T01:00"),
        ("America/New_York", "2026-11-01", "T01:00"),
        ("Australia/Adelaide", "2026-04-05", "T02:00"),
        ("America/Santiago", "2026-04-04", "T23:00"),
    ],
)
def test_a_file_that_has_the_repeated_hour_twice_is_read_in_its_order(
    read: Reader, zone: str, first: str, repeated: str
):
    day = stamps(first, 1)
    place = next(n for n, time in enumerate(day) if time.endswith(repeated))
    lines = [f"{time},{n / 10},0" for n, time in enumerate([*day[: place + 1], *day[place:]])]

    forecast = read(lines, zone=zone)

    assert forecast.notes == ()
    assert forecast.load_kwh == pytest.approx(np.arange(25) / 10)
    assert set(forecast.grid.day) == {0}


def test_the_repeated_half_hour_of_lord_howe_island_is_read_in_its_order(read: Reader):
    day = stamps("2026-04-05", 1, 30)
    lines = [f"{time},{n / 10},0" for n, time in enumerate([*day[:4], *day[3:]])]

    forecast = read(lines, zone="Australia/Lord_Howe")

    assert forecast.notes == ()
    assert forecast.load_kwh == pytest.approx(np.arange(49) / 20)


def test_quarter_hours_of_a_repeated_hour_keep_their_order(read: Reader):
    day = stamps("2026-10-25", 1, 15)
    lines = [f"{time},{n / 100},0" for n, time in enumerate([*day[:8], *day[4:]])]

    assert read(lines).load_kwh == pytest.approx(np.arange(100) / 400)


# ---- laws of reading


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.permutations(range(24)))
def test_the_order_of_rows_does_not_change_what_is_read(read: Reader, order: list[int]):
    lines = [f"{time},{n / 10},{n / 20}" for n, time in enumerate(MARCH[:24])]

    shuffled = read([lines[n] for n in order])

    assert shuffled.load_kwh == pytest.approx(np.arange(24) / 10)
    assert bool(shuffled.notes) == (order != sorted(order))


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.integers(0, 99), min_size=1, max_size=3, unique=True))
def test_a_flat_load_is_filled_flat(read: Reader, missing: list[int]):
    times = stamps("2026-06-01", 5)[:100]
    lines = [line for n, line in enumerate(rows(times)) if n not in missing or n in (0, 99)]

    assert read(lines).load_kwh == pytest.approx([0.6] * 100)


# ---- prices

TWO_DAYS = TimeGrid(datetime(2026, 3, 2, tzinfo=UTC), 30, 96, "Europe/Dublin")


def prices(folder: Path, lines: Iterable[str], column: str = "spot_per_mwh", grid=TWO_DAYS):
    """Read lines as prices; return them with the notes."""
    path = folder / "prices.csv"
    path.write_text("\n".join([f"time,{column}", *lines]) + "\n")
    notes: list[str] = []
    return read_prices(path, column, grid, "tariff.yaml:9:3", notes), notes


def test_a_price_per_mwh_is_a_thousandth_per_kwh_and_holds_until_the_next(tmp_path: Path):
    times = stamps("2026-03-02", 2)

    found, notes = prices(tmp_path, [f"{time},{n}" for n, time in enumerate(times)])

    assert found == pytest.approx(np.repeat(np.arange(48), 2) / 1000)
    assert notes == []


def test_a_price_may_be_below_zero(tmp_path: Path):
    found, _ = prices(tmp_path, [f"{t},-0.02" for t in stamps("2026-03-02", 2)], "spot_per_kwh")

    assert list(found) == [-0.02] * 96


def test_prices_may_reach_beyond_the_grid_on_both_sides(tmp_path: Path):
    times = stamps("2026-03-01", 4)

    found, _ = prices(tmp_path, [f"{time},{n}" for n, time in enumerate(times)])

    assert found[0] == pytest.approx(0.024)
    assert found[-1] == pytest.approx(0.071)


def test_a_single_missing_price_is_taken_from_the_hour_before_with_a_note(tmp_path: Path):
    lines = [f"{time},{n}" for n, time in enumerate(stamps("2026-03-02", 2)) if n != 20]

    found, notes = prices(tmp_path, lines)

    assert found[40] == found[41] == pytest.approx(0.019)
    assert notes == ["prices.csv: 1 missing prices taken from the hour before."]


def test_two_missing_prices_in_a_row_are_refused_with_the_first_step(tmp_path: Path):
    lines = [f"{t},{n}" for n, t in enumerate(stamps("2026-03-02", 2)) if n not in (20, 21)]

    with pytest.raises(
        SeriesError, match="4 of 96 steps have no price, the first 2026-03-02T20:00"
    ):
        prices(tmp_path, lines)


def test_a_price_column_must_tell_its_unit(tmp_path: Path):
    with pytest.raises(SeriesError, match="the column 'spot' does not tell its unit") as caught:
        prices(tmp_path, ["2026-03-02T00:00,80"], "spot")

    assert caught.value.where == "tariff.yaml:9:3"


def test_prices_finer_than_the_grid_are_averaged_with_a_note(tmp_path: Path):
    # each half-hour has the prices 0 and 100 per MWh; its mean is 50
    times = stamps("2026-03-02", 2, 15)

    found, notes = prices(tmp_path, [f"{t},{n % 2 * 100}" for n, t in enumerate(times)])

    assert found == pytest.approx([0.05] * 96)
    assert notes == ["prices.csv: prices of 15 min are averaged over steps of 30 min."]


def test_half_hourly_prices_of_48_rows_a_day_get_the_repeated_hour_filled(tmp_path: Path):
    grid = TimeGrid(datetime(2026, 10, 24, 23, tzinfo=UTC), 30, 50, "Europe/Dublin")

    found, notes = prices(tmp_path, [f"{t},80" for t in stamps("2026-10-25", 1, 30)], grid=grid)

    assert found == pytest.approx([0.08] * 50)
    assert notes == ["prices.csv: 2 missing prices taken from the hour before."]
