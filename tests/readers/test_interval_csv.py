"""Dialects of interval CSVs: told by their features, refused where they can be read in two ways."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from tests.readers.feeds import exported, imported, noted, read_text, wall

DUBLIN = "Europe/Dublin"


def lines(head: str, rows: Iterable[str]) -> str:
    return "\n".join([head, *rows]) + "\n"


def day(form: str, minutes: int = 60, first: str = "2025-07-14", shift: int = 0) -> list[str]:
    """Return the stamps of a day in some form of strftime, shifted by whole steps."""
    times = wall(first, 24 * 60 // minutes, minutes)
    return [(time + timedelta(minutes=shift * minutes)).strftime(form) for time in times]


HOURS = [round(0.1 * n, 1) for n in range(1, 25)]
"""A day's import, different in every hour, which never rises for long in the tests that join days."""
SHUFFLED = HOURS[12:] + HOURS[:12]


def day_rows(
    form: str, values: Iterable[object] = SHUFFLED, mark: str = ",", **day_words
) -> list[str]:
    return [f"{t}{mark}{v}" for t, v in zip(day(form, **day_words), values, strict=True)]


# -- time ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y/%m/%d %H:%M", "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M",
        "%d.%m.%Y %H:%M", "%m/%d/%Y %I:%M %p", "%m/%d/%Y %I:%M:%S%p", "%d-%b-%Y %H:%M",
        "%d %B %Y %H:%M", "%b %d %Y %I:%M %p", "%a %d %b %Y %H:%M", "%Y%m%d%H%M", "%Y%m%d %H%M",
        "%m/%d/%y %H:%M", "%Y-%m-%d %H:%M:%S.000",
    ],
)  # fmt: skip
def test_a_stamp_is_read_in_each_of_its_forms(tmp_path: Path, form: str):
    """14 July 2025: no month 14, and no year 14 or 25 with a day 2025, so the order is plain."""
    found = read_text(tmp_path, lines("Timestamp,Usage (kWh)", day_rows(form)), zone=DUBLIN,
                      dates="month-first" if "%y" in form else None)  # fmt: skip
    point = found.points[0]
    assert imported(found) == pytest.approx(SHUFFLED)
    assert point.even.clock.stamp(point.even.start_s) == "2025-07-14T00:00+01:00"


@pytest.mark.parametrize(
    ("form", "asked", "expected"),
    [
        ("%d/%m/%Y %H:%M", "day-first", "2025-03-02"),
        ("%d/%m/%Y %H:%M", "month-first", "2025-02-03"),
        ("%d.%m.%y %H:%M", "day-first", "2025-03-02"),
        ("%y-%m-%d %H:%M", "year-first", "2025-03-02"),
    ],
)
def test_an_order_of_dates_that_is_open_is_asked_for_and_then_obeyed(
    tmp_path: Path, form: str, asked: str, expected: str
):
    text = lines("time,import kWh", day_rows(form, first="2025-03-02"))
    with pytest.raises(SeriesError, match=r"can be read as .*-first or ") as caught:
        read_text(tmp_path, text, zone=DUBLIN)
    assert "--dates" in caught.value.mend
    assert "row 2, column time" in caught.value.where
    found = read_text(tmp_path, text, zone=DUBLIN, dates=asked)
    assert found.points[0].even.clock.stamp(found.points[0].even.start_s)[:10] == expected


def test_one_number_above_twelve_settles_the_order_for_the_whole_file(tmp_path: Path):
    rows = [
        row for n in range(1, 15) for row in day_rows("%d/%m/%Y %H:%M", first=f"2025-03-{n:02d}")
    ]
    found = read_text(tmp_path, lines("time,import kWh", rows), zone=DUBLIN)
    assert len(imported(found)) == 14 * 24
    assert "dates are read day-first" in noted(found)


def test_dates_that_mean_the_same_in_both_orders_need_no_word(tmp_path: Path):
    text = lines("time,import kWh", day_rows("%d/%m/%Y %H:%M", first="2025-03-03"))
    assert imported(read_text(tmp_path, text, zone=DUBLIN)) == pytest.approx(SHUFFLED)


def test_an_order_that_the_file_contradicts_is_told(tmp_path: Path):
    text = lines("time,import kWh", day_rows("%d/%m/%Y %H:%M"))
    with pytest.raises(SeriesError, match="do not fit month-first"):
        read_text(tmp_path, text, zone=DUBLIN, dates="month-first")


def test_dates_in_two_orders_are_told(tmp_path: Path):
    rows = day_rows("%d/%m/%Y %H:%M") + day_rows("%m/%d/%Y %H:%M", first="2025-07-15")
    with pytest.raises(SeriesError, match="do not fit one order"):
        read_text(tmp_path, lines("time,import kWh", rows), zone=DUBLIN)


def test_date_and_time_in_columns_of_their_own(tmp_path: Path):
    rows = [
        f"{t.replace(' ', ',')},{v}" for t, v in zip(day("%d.%m.%Y %H:%M"), SHUFFLED, strict=True)
    ]
    found = read_text(tmp_path, lines("Date,Time,Consumption kWh", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)


@pytest.mark.parametrize("end", ["%H:%M", "%I:%M %p"])
def test_date_start_time_and_end_time_in_columns_of_their_own(tmp_path: Path, end: str):
    """The last end is 00:00 of the next day, which must not look like the beginning of this one."""
    begins, ends = day(f"%m/%d/%Y,{end}", 15), day(end, 15, shift=1)
    rows = [f"{b},{e},{v}" for b, e, v in zip(begins, ends, SHUFFLED * 4, strict=True)]
    found = read_text(
        tmp_path, lines("DATE,START TIME,END TIME,USAGE (kWh)", rows), zone="America/New_York"
    )
    assert imported(found) == pytest.approx(SHUFFLED * 4)
    assert "the column 'START TIME' says so" in noted(found)


def test_start_and_end_stamps_in_columns_of_their_own(tmp_path: Path):
    rows = [
        f"{b},{e},{v}"
        for b, e, v in zip(
            day("%Y-%m-%d %H:%M"), day("%Y-%m-%d %H:%M", shift=1), SHUFFLED, strict=True
        )
    ]
    for head in ("Interval Start,Interval End,kWh", "from,to,kWh", "StartTime,EndTime,kWh"):
        found = read_text(tmp_path, lines(head, rows), zone=DUBLIN)
        assert imported(found) == pytest.approx(SHUFFLED)


def test_stamps_with_offsets_need_no_zone(tmp_path: Path):
    text = lines("time,import kWh", day_rows("%Y-%m-%dT%H:%M-05:00"))
    found = read_text(tmp_path, text)
    assert (
        found.points[0].even.clock.stamp(found.points[0].even.start_s) == "2025-07-14T00:00-05:00"
    )


def test_stamps_in_utc_are_shown_by_the_zone_that_was_asked_for(tmp_path: Path):
    text = lines("time,import kWh", day_rows("%Y-%m-%dT%H:%MZ"))
    found = read_text(tmp_path, text, zone=DUBLIN)
    assert (
        found.points[0].even.clock.stamp(found.points[0].even.start_s) == "2025-07-14T01:00+01:00"
    )


def test_stamps_without_offset_ask_for_the_zone(tmp_path: Path):
    with pytest.raises(SeriesError, match="the clock they follow is not known") as caught:
        read_text(tmp_path, lines("time,import kWh", day_rows("%Y-%m-%d %H:%M")))
    assert "--zone" in caught.value.mend


# -- which edge of an interval ---------------------------------------------------------------------


def ends(form: str, minutes: int = 15, **words) -> list[str]:
    return day_rows(form, SHUFFLED * (60 // minutes), minutes=minutes, shift=1, **words)


@pytest.mark.parametrize(
    ("head", "rows", "why"),
    [
        ("time,kWh", ends("%Y-%m-%d %H:%M"), "the first is 00:15"),
        ("Interval Ending,kWh", ends("%Y-%m-%d %H:%M"), "the column 'Interval Ending' says so"),
        (
            "time,kWh",
            [row.replace("2025-07-15 00:00", "2025-07-14 24:00") for row in ends("%Y-%m-%d %H:%M")],
            "one is 24:00",
        ),
        (
            "date,hour,kWh",
            [f"2025-07-14,{n},{v}" for n, v in enumerate(SHUFFLED, start=1)],
            "one is 24:00",
        ),
        ("time,kWh", [r.replace(":00,", ":00:00,") for r in ends("%Y-%m-%d %H:%M", 60)], "the first is 01:00"),
    ],
)  # fmt: skip
def test_stamps_at_the_end_are_known_where_it_is_evident(tmp_path: Path, head, rows, why: str):
    found = read_text(tmp_path, lines(head, rows), zone=DUBLIN)
    even = found.points[0].even
    assert even.clock.stamp(even.start_s) == "2025-07-14T00:00+01:00"
    assert imported(found) == pytest.approx(SHUFFLED * (60 // even.step_minutes))
    assert why in noted(found)


def test_an_edge_that_is_not_evident_is_asked_for_and_then_obeyed(tmp_path: Path):
    text = lines("time,kWh", ends("%Y-%m-%d %H:%M")[3:-9])
    with pytest.raises(SeriesError, match="beginning or the end") as caught:
        read_text(tmp_path, text, zone=DUBLIN)
    assert caught.value.mend == "Say --stamps start or --stamps end."
    for asked, first in (("start", "01:00"), ("end", "00:45")):
        even = read_text(tmp_path, text, zone=DUBLIN, stamps=asked).points[0].even
        assert even.clock.stamp(even.start_s)[11:16] == first


# -- numbers ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("separator", "written", "expected"),
    [
        (";", "0,5", 0.5), (";", "1.234,5", 1234.5), (";", "1 234,50", 1234.5),
        ("\t", "0.25", 0.25), ("|", "12.5", 12.5), (",", '"1,234.5"', 1234.5),
        (",", '"0,75"', 0.75), (";", "1'234.5", 1234.5), (",", "5E-01", 0.5), (",", "+2", 2.0),
        (";", "0,125", 0.125), (";", "1.234.567,0", 1234567.0), (",", '"2.50"', 2.5),
    ],
)  # fmt: skip
def test_numbers_are_read_as_they_are_written(tmp_path: Path, separator, written, expected: float):
    rows = [f"{t}{separator}{written}" for t in day("%Y-%m-%d %H:%M")]
    found = read_text(tmp_path, lines(f"time{separator}kWh", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx([expected] * 24)


@pytest.mark.parametrize(
    ("separator", "written", "expected", "mark"),
    [
        (";", "1,234", 1.234, "comma"),
        (",", "1.234", 1.234, "point"),
        (",", '"1,234"', 1234, "point"),
    ],
)
def test_three_digits_behind_a_mark_follow_the_stated_rule_and_are_told(
    tmp_path: Path, separator, written, expected: float, mark: str
):
    rows = [f"{t}{separator}{written}" for t in day("%Y-%m-%d %H:%M")]
    found = read_text(tmp_path, lines(f"time{separator}kWh", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx([expected] * 24)
    assert f"with a decimal {mark}" in noted(found)


def test_one_number_settles_the_decimal_mark_for_the_whole_file(tmp_path: Path):
    values = ["1.234"] * 23 + ["12,5"]
    rows = [f"{t};{v}" for t, v in zip(day("%Y-%m-%d %H:%M"), values, strict=True)]
    found = read_text(tmp_path, lines("time;kWh", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx([1234] * 23 + [12.5])


def test_numbers_in_two_ways_are_told(tmp_path: Path):
    rows = [f"{t};{v}" for t, v in zip(day("%Y-%m-%d %H:%M"), ["1.5", "1,5"] * 12, strict=True)]
    with pytest.raises(SeriesError, match=r"'1\.5' has a decimal point and '1,5' a decimal comma"):
        read_text(tmp_path, lines("time;kWh", rows), zone=DUBLIN)


@pytest.mark.parametrize("blank", ["", "-", "n/a", "NULL", "NaN"])
def test_missing_values_are_gaps(tmp_path: Path, blank: str):
    values = [*SHUFFLED[:7], blank, *SHUFFLED[8:]]
    found = read_text(tmp_path, lines("time,kWh", day_rows("%Y-%m-%d %H:%M", values)), zone=DUBLIN)
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == [7]
    assert "1 of 24 values are missing" in noted(found)


@pytest.mark.parametrize("cell", ["much", "0x1A", "inf", "1_000", "1.2.3,4,5", "٣"])
def test_a_cell_that_is_no_number_is_told_by_row_and_column(tmp_path: Path, cell: str):
    rows = day_rows("%Y-%m-%d %H:%M", [*SHUFFLED[:7], f'"{cell}"', *SHUFFLED[8:]])
    with pytest.raises(SeriesError, match=re.escape(f"{cell!r} is not a number")) as caught:
        read_text(tmp_path, lines("time,Usage kWh", rows), zone=DUBLIN)
    assert "row 9, column Usage kWh" in caught.value.where


# -- units and directions --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "factor"),
    [
        ("import_kwh", 1), ("Energy (Wh)", 1e-3), ("Import [MWh]", 1e3), ("Demand (kW)", 0.25),
        ("load W", 0.25e-3), ("import_kw", 0.25), ("Bezug kWh", 1), ("usagekWh", 1),
        ("Usage (real energy in kilowatt-hours)", 1), ("energy, watt hours", 1e-3),
        ("kWh delivered to customer", 1), ("Consumption (KWH)", 1),
    ],
)  # fmt: skip
def test_the_head_tells_the_unit(tmp_path: Path, head: str, factor: float):
    rows = day_rows("%Y-%m-%d %H:%M", [2, 1] * 48, minutes=15)
    found = read_text(tmp_path, lines(f"time,{head}", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(np.array([2, 1] * 48) * factor)


def test_a_file_without_any_unit_is_taken_for_kwh_and_told(tmp_path: Path):
    text = lines("time,usage", day_rows("%Y-%m-%d %H:%M"))
    assert "taken for kWh" in noted(read_text(tmp_path, text, zone=DUBLIN))


def test_a_column_of_units_is_obeyed(tmp_path: Path):
    rows = [
        f"{row},{u}"
        for row, u in zip(day_rows("%Y-%m-%d %H:%M", [500] * 24), ["Wh", "kWh"] * 12, strict=True)
    ]
    found = read_text(tmp_path, lines("time,value,unit", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx([0.5, 500] * 12)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Import (kWh)", "Export (kWh)"), ("delivered kWh", "received kWh"),
        ("Consumption (kWh)", "Generation (kWh)"), ("kWh from grid", "kWh to grid"),
        ("Verbrauch kWh", "Einspeisung kWh"), ("usage_kwh", "feed-in_kwh"),
        ("energy forward kWh", "energy reverse kWh"), ("Purchased (kWh)", "Sold (kWh)"),
    ],
)  # fmt: skip
def test_two_columns_are_two_directions(tmp_path: Path, one: str, other: str):
    rows = [f"{row},{v}" for row, v in zip(day_rows("%Y-%m-%d %H:%M"), HOURS, strict=True)]
    found = read_text(tmp_path, lines(f"time,{one},{other}", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)
    assert exported(found) == pytest.approx(HOURS)


@pytest.mark.parametrize(
    ("head", "one", "other"),
    [
        ("Direction", "Delivered", "Received"), ("Type", "consumption", "generation"),
        ("Flow", "Import", "Export"), ("Channel", "kWh from grid", "kWh to grid"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("by_turns", [True, False])
def test_one_column_of_values_is_parted_by_a_column_of_directions(
    tmp_path: Path, head: str, one: str, other: str, by_turns: bool
):
    a = [f"{t},{one},{v}" for t, v in zip(day("%Y-%m-%d %H:%M"), SHUFFLED, strict=True)]
    b = [f"{t},{other},{v}" for t, v in zip(day("%Y-%m-%d %H:%M"), HOURS, strict=True)]
    rows = [row for pair in zip(a, b, strict=True) for row in pair] if by_turns else a + b
    found = read_text(tmp_path, lines(f"time,{head},Value (kWh)", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)
    assert exported(found) == pytest.approx(HOURS)


def test_a_net_column_parts_into_two_directions(tmp_path: Path):
    values = [(-1) ** n * v for n, v in enumerate(SHUFFLED)]
    text = lines("time,net kWh", day_rows("%Y-%m-%d %H:%M", values))
    found = read_text(tmp_path, text, zone=DUBLIN)
    assert imported(found) - exported(found) == pytest.approx(values)
    assert (np.minimum(imported(found), exported(found)) == 0).all()


def test_costs_and_temperatures_are_not_energy(tmp_path: Path):
    rows = [f"{row},$0.31,21.5" for row in day_rows("%Y-%m-%d %H:%M")]
    found = read_text(tmp_path, lines("time,kWh,Cost,Temperature", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)
    assert "columns not used: Cost, Temperature" in noted(found)


def test_energy_is_taken_before_power_of_the_same_direction(tmp_path: Path):
    rows = [f"{row},9" for row in day_rows("%Y-%m-%d %H:%M")]
    found = read_text(tmp_path, lines("time,import kWh,import kW", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)


def test_two_columns_of_one_direction_are_told(tmp_path: Path):
    rows = [f"{row},9" for row in day_rows("%Y-%m-%d %H:%M")]
    with pytest.raises(SeriesError, match="house import kWh, annexe import kWh") as caught:
        read_text(tmp_path, lines("time,house import kWh,annexe import kWh", rows), zone=DUBLIN)
    assert "row 1" in caught.value.where


def test_negative_energy_of_a_direction_is_told_by_its_row(tmp_path: Path):
    rows = day_rows("%Y-%m-%d %H:%M", [*SHUFFLED[:5], -1, *SHUFFLED[6:]])
    with pytest.raises(SeriesError, match="import_kwh is -1, below zero") as caught:
        read_text(tmp_path, lines("time,import kWh", rows), zone=DUBLIN)
    assert "row 7" in caught.value.where


def test_several_meters_are_several_points(tmp_path: Path):
    a = [f"A-7,{row}" for row in day_rows("%Y-%m-%d %H:%M")]
    b = [f"B-9,{row}" for row in day_rows("%Y-%m-%d %H:%M", HOURS)]
    text = lines("Meter Number,time,kWh", a + b)
    found = read_text(tmp_path, text, zone=DUBLIN)
    assert [(point.number, point.name) for point in found.points] == [(1, "A-7"), (2, "B-9")]
    assert imported(found, 1) == pytest.approx(HOURS)
    assert imported(read_text(tmp_path, text, zone=DUBLIN, point="B-9")) == pytest.approx(HOURS)
    with pytest.raises(SeriesError, match="'3'; there are: 1 A-7; 2 B-9"):
        read_text(tmp_path, text, zone=DUBLIN, point="3")


# -- shapes ----------------------------------------------------------------------------------------


def wide(
    labels: list[str], rows: int = 3, head: str = "Date", first: str = "2025-07-14"
) -> tuple[str, np.ndarray]:
    values = np.round(np.random.default_rng(len(labels)).random((rows, len(labels))), 3) + 0.001
    days = [
        (datetime.fromisoformat(first) + timedelta(days=n)).strftime("%Y-%m-%d")
        for n in range(rows)
    ]
    body = [",".join([d, *(f"{v:.3f}" for v in row)]) for d, row in zip(days, values, strict=True)]
    return lines(",".join([head, *labels]), body), values.ravel()


WIDE = {
    "clock starts": [f"{n // 4:02d}:{15 * (n % 4):02d}" for n in range(96)],
    "clock ends": [f"{n // 2:02d}:{30 * (n % 2):02d}" for n in range(1, 49)],
    "last end as 00:00": [f"{n % 24:02d}:00" for n in range(1, 25)],
    "spans": [f"{n:02d}:00 - {n + 1:02d}:00" for n in range(24)],
    "twelve hours": [datetime(2000, 1, 1, n, tzinfo=UTC).strftime("%I:%M %p") for n in range(24)],
    "without colon": [f"{n // 2:02d}{30 * (n % 2):02d}" for n in range(48)],
    "numbers": [str(n) for n in range(1, 49)],
    "numbered hours": [f"Hour {n}" for n in range(1, 25)],
    "numbers from 0": [f"h{n}" for n in range(24)],
    "two words": [f"KWH HR {n:02d}" for n in range(1, 25)],
    "with a unit": [f"kWh {n:02d}:00" for n in range(24)],
}


@pytest.mark.parametrize("labels", WIDE.values(), ids=WIDE)
def test_one_row_a_day_is_read(tmp_path: Path, labels: list[str]):
    text, values = wide(labels)
    found = read_text(tmp_path, text, zone=DUBLIN)
    even = found.points[0].even
    assert even.clock.stamp(even.start_s) == "2025-07-14T00:00+01:00"
    assert imported(found) == pytest.approx(values)


def test_one_row_a_day_and_direction_is_read(tmp_path: Path):
    head = "Date,Direction," + ",".join(WIDE["clock starts"])
    rows = [
        f"2025-07-{d},{way}," + ",".join([str(v)] * 95 + ["7"])
        for d in (14, 15)
        for way, v in (("Import", 2), ("Export", 1))
    ]
    found = read_text(tmp_path, lines(head, rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(([2] * 95 + [7]) * 2)
    assert exported(found) == pytest.approx(([1] * 95 + [7]) * 2)


def test_days_from_new_to_old_are_read(tmp_path: Path):
    text, values = wide(WIDE["clock starts"])
    head, *rows = text.splitlines()
    found = read_text(tmp_path, lines(head, reversed(rows)), zone=DUBLIN)
    assert imported(found) == pytest.approx(values)


def test_rows_from_new_to_old_are_read_over_the_repeated_hour(tmp_path: Path):
    """Europe/Dublin on 2025-10-26: 01:00 comes twice."""
    times = ["00:00", "01:00", "01:00", *(f"{n:02d}:00" for n in range(2, 24))]
    rows = [f"2025-10-26 {t},{n % 7 + 1}" for n, t in enumerate(times)]
    found = read_text(tmp_path, lines("time,kWh", reversed(rows)), zone=DUBLIN)
    assert imported(found) == pytest.approx([n % 7 + 1 for n in range(25)])
    assert "out of order" not in noted(found)


def test_lines_above_the_heads_and_below_the_rows_are_no_data(tmp_path: Path):
    above = "Customer;Mill Lane\nPeriod;2025-07-14 - 2025-07-15\nPrinted;2025-08-01;12:00\n\n"
    body = lines("Datum;Zeit;Verbrauch kWh", [
        f"{t.replace(' ', ';')};{str(v).replace('.', ',')}"
        for t, v in zip(day("%d.%m.%Y %H:%M"), SHUFFLED, strict=True)
    ])  # fmt: skip
    found = read_text(tmp_path, above + body + "Total;;30,0\n", zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)
    assert "1 row without a time at the foot" in noted(found)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
def test_encodings_are_known(tmp_path: Path, encoding: str):
    text = lines("Zeit;Zähler;Verbrauch kWh", [
        f"{t};Müller;{str(v).replace('.', ',')}"
        for t, v in zip(day("%d.%m.%Y %H:%M"), SHUFFLED, strict=True)
    ])  # fmt: skip
    found = read_text(tmp_path, text.encode(encoding), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)
    assert found.points[0].name == "Müller"


# -- features met together -------------------------------------------------------------------------


def test_a_cell_that_names_both_edges_is_read_by_its_beginning(tmp_path: Path):
    spans = zip(day("%Y-%m-%d %H:%M:%S"), day("%Y-%m-%d %H:%M:%S", shift=1), SHUFFLED, strict=True)
    rows = [f'"{a} to {b}","{v}",""' for a, b, v in spans]
    head = '"Energy time period","Usage (energy in kWh)","Reading quality"'
    found = read_text(tmp_path, lines(head, rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)


def test_ends_that_name_the_last_minute_are_no_oddity(tmp_path: Path):
    rows = [f"2025-07-14,{t},{t[:2]}:59,{v}" for t, v in zip(day("%H:00"), SHUFFLED, strict=True)]
    found = read_text(tmp_path, lines("Date,Start Time,End Time,kWh", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)
    assert "length" not in noted(found)


def test_units_named_by_the_directions_are_obeyed(tmp_path: Path):
    rows = [
        f"{t},{way},{v}"
        for t, v in zip(day("%d-%m-%Y %H:%M", 30, shift=1), SHUFFLED * 2, strict=True)
        for way in ("Active Import Interval (kW)", "Active Export Interval (kW)")
    ]
    found = read_text(tmp_path, lines("Read Date and End Time,Type,Value", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(np.array(SHUFFLED * 2) / 2)
    assert exported(found) == pytest.approx(np.array(SHUFFLED * 2) / 2)


def test_a_blank_column_gives_way_to_one_with_values(tmp_path: Path):
    rows = [f"{t},,{v}" for t, v in zip(day("%Y-%m-%d %H:%M", 30), SHUFFLED * 2, strict=True)]
    found = read_text(tmp_path, lines("time,Import Register (kWh),Import (kW)", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(np.array(SHUFFLED * 2) / 2)


def test_flows_over_the_meter_are_taken_before_those_of_building_and_pv(tmp_path: Path):
    rows = [f"{t},9,8,{n % 4},{n % 3}" for n, t in enumerate(day("%Y-%m-%d %H:%M"))]
    head = "time,Produced (kWh),Consumed (kWh),Exported to Grid (kWh),Imported from Grid (kWh)"
    found = read_text(tmp_path, lines(head, rows), zone=DUBLIN)
    assert imported(found) == pytest.approx([n % 3 for n in range(24)])
    assert exported(found) == pytest.approx([n % 4 for n in range(24)])
    columns = found.points[0].even.columns
    assert columns["pv_kwh"] == pytest.approx([9] * 24)
    assert columns["load_kwh"] == pytest.approx([8] * 24)
    assert "'Consumed (kWh)' as the building's load, 'Produced (kWh)' as PV" in noted(found)


def test_a_midnight_beside_each_date_is_no_time_where_times_have_a_column(tmp_path: Path):
    for midnight in ("00:00:00", "12:00:00 AM"):
        rows = [
            f"07/14/2025 {midnight},{t},{v}" for t, v in zip(day("%H:%M"), SHUFFLED, strict=True)
        ]
        found = read_text(tmp_path, lines("Date,Time,kWh", rows), zone=DUBLIN)
        assert imported(found) == pytest.approx(SHUFFLED)


def test_commas_in_lines_above_do_not_hide_the_separator(tmp_path: Path):
    above = "Tarn Hollow, cottage\nprinted, by the meter\nfor, whom\n"
    rows = [
        f"{t};{str(v).replace('.', ',')}"
        for t, v in zip(day("%Y-%m-%d %H:%M"), SHUFFLED, strict=True)
    ]
    found = read_text(tmp_path, above + lines("time;kWh", rows), zone=DUBLIN)
    assert imported(found) == pytest.approx(SHUFFLED)


# -- days on which clocks change -------------------------------------------------------------------
# Europe/Brussels 2024-03-31 has 23 h and 2024-10-27 has 25 h by the time zone database.

BRUSSELS = "Europe/Brussels"


def quarters(begin: str, count: int, *, ends: bool = False) -> list[str]:
    """Return true clock times of quarter-hours from an instant on, without offsets."""
    from zoneinfo import ZoneInfo

    start = datetime.fromisoformat(begin)
    times = [start + (n + ends) * timedelta(minutes=15) for n in range(count)]
    return [t.astimezone(ZoneInfo(BRUSSELS)).strftime("%Y-%m-%d %H:%M") for t in times]


@pytest.mark.parametrize(
    ("begin", "count"), [("2024-03-30T23:00+00:00", 92), ("2024-10-26T22:00+00:00", 100)]
)
@pytest.mark.parametrize("ends", [False, True])
def test_long_tables_keep_days_of_92_and_100_quarter_hours(
    tmp_path: Path, begin: str, count: int, ends: bool
):
    values = [n % 11 + 1 for n in range(count)]
    rows = [f"{t},{v}" for t, v in zip(quarters(begin, count, ends=ends), values, strict=True)]
    found = read_text(tmp_path, lines("time,kWh", rows), zone=BRUSSELS)
    assert imported(found) == pytest.approx(values)


def test_ends_that_add_the_step_to_the_clock_are_understood_too(tmp_path: Path):
    """25 hours on 2024-10-27: 02:00 comes twice, so by such a count 03:00 ends two of them."""
    begins = ["00:00", "01:00", "02:00", "02:00", *(f"{n:02d}:00" for n in range(3, 24))]
    rows = [f"2024-10-27 {int(t[:2]) + 1:02d}:00,{n % 11 + 1}" for n, t in enumerate(begins)]
    found = read_text(tmp_path, lines("time,kWh", rows), zone=BRUSSELS)
    assert imported(found) == pytest.approx([n % 11 + 1 for n in range(25)])
    assert "put back" not in noted(found)


def test_24_rows_on_a_day_of_23_hours_leave_out_the_one_that_never_was(tmp_path: Path):
    found = read_text(
        tmp_path, lines("time,kWh", day_rows("%Y-%m-%d %H:%M", first="2024-03-31")), zone=BRUSSELS
    )
    assert imported(found) == pytest.approx(SHUFFLED[:2] + SHUFFLED[3:])
    assert "1 row with a time that the clock of Europe/Brussels skips" in noted(found)


def test_24_rows_on_a_day_of_25_hours_leave_a_gap(tmp_path: Path):
    found = read_text(
        tmp_path, lines("time,kWh", day_rows("%Y-%m-%d %H:%M", first="2024-10-27")), zone=BRUSSELS
    )
    assert len(imported(found)) == 25
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == [3]


def test_wide_tables_with_a_blank_for_the_skipped_hour_have_no_gap(tmp_path: Path):
    cells = [["1"] * 24, ["2", "2", "", *["2"] * 21], ["3"] * 24]
    rows = [f"2024-03-{d}," + ",".join(c) for d, c in zip((30, 31), cells, strict=False)]
    rows.append("2024-04-01," + ",".join(cells[2]))
    found = read_text(tmp_path, lines("Date," + ",".join(WIDE["spans"]), rows), zone=BRUSSELS)
    assert imported(found) == pytest.approx([1] * 24 + [2] * 23 + [3] * 24)


def test_wide_tables_of_100_numbered_columns_count_as_time_passes(tmp_path: Path):
    labels = [str(n) for n in range(1, 101)]
    rows = [
        "2024-03-30," + ",".join(["1"] * 96 + [""] * 4),
        "2024-03-31," + ",".join(["2"] * 92 + [""] * 8),
        "2024-10-27," + ",".join(["3"] * 100),
    ]
    text = lines("Date," + ",".join(labels), rows[:2])
    assert imported(read_text(tmp_path, text, zone=BRUSSELS)) == pytest.approx([1] * 96 + [2] * 92)
    text = lines("Date," + ",".join(labels), rows[2:])
    assert imported(read_text(tmp_path, text, zone=BRUSSELS)) == pytest.approx([3] * 100)


# -- prices ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "column", "factor"),
    [
        ("Price (EUR/MWh)", "price_per_mwh", 1), ("€/kWh", "price_per_kwh", 1),
        ("ct/kWh", "price_per_kwh", 0.01), ("Day-ahead price [EUR/MWh]", "price_per_mwh", 1),
        ("price_per_mwh", "price_per_mwh", 1), ("p/kWh", "price_per_kwh", 0.01),
    ],
)  # fmt: skip
def test_prices_are_tidied_below_zero_too(tmp_path: Path, head: str, column: str, factor: float):
    values = [*SHUFFLED[:3], -5, *SHUFFLED[4:]]
    found = read_text(
        tmp_path, lines(f"time,{head}", day_rows("%Y-%m-%d %H:%M", values)), zone=DUBLIN
    )
    assert found.points[0].even.columns[column] == pytest.approx(np.array(values) * factor)


# -- other files -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"), (b"\n\n", "the file is empty"),
        (b"PK\x03\x04rest", "a zip archive or a workbook"), (b"%PDF-1.7", "a PDF"),
        (b"\x00\x01\x02\x03" * 50, "neither XML nor text"), (b"hello\nworld\n", "no row of heads"),
        (b"time,kWh\n", "no row of heads"), (b"time,kWh\nnever,1\n", "no row of heads"),
        (b"time,colour\n2025-07-14 00:00,red\n", "no column holds energy"),
        (b"date,kWh\n2025-07-14,1\n2025-07-15,2\n", "dates but no clock times"),
        (b"time,kWh\n2025-07-14 00:00,1,9\n", "more than the 2 heads"),
        (b"time,kWh,kW\n2025-07-14 00:00,,\n2025-07-14 01:00,,\n", "no column holds energy"),
        (b"\x1f\x8bnot packed", "cannot be read"),
    ],
)  # fmt: skip
def test_other_files_are_refused_by_what_they_are(tmp_path: Path, content: bytes, words: str):
    with pytest.raises(SeriesError, match=re.escape(words)):
        read_text(tmp_path, content, zone=DUBLIN)


def test_the_same_time_with_two_values_is_told_with_both_rows(tmp_path: Path):
    rows = [*day_rows("%Y-%m-%d %H:%M"), "2025-07-14 05:00,99"]
    with pytest.raises(
        SeriesError, match=r"has two readings of import_kwh: 1\.8 .*row 7\) and 99"
    ) as caught:
        read_text(tmp_path, lines("time,kWh", rows), zone=DUBLIN)
    assert "row 26" in caught.value.where


@pytest.mark.parametrize(
    "cell", ["2025-inf-03 00:00", "2025-07-32 00:00", "03 Foo 2025 00:00", "2025-07-03 24:30"]
)
def test_a_cell_that_is_no_time_is_told_by_row_and_column(tmp_path: Path, cell: str):
    rows = day_rows("%Y-%m-%d %H:%M")
    rows[4] = f"{cell},1"
    with pytest.raises(SeriesError, match=re.escape(repr(cell))) as caught:
        read_text(tmp_path, lines("time,kWh", rows), zone=DUBLIN)
    assert "row 6, column time" in caught.value.where


def test_values_that_are_all_at_times_that_never_were_are_told(tmp_path: Path):
    text = "time,kWh\n2024-03-31 02:00,1\n2024-03-31 02:15,1\n2024-03-31 03:00,\n"
    with pytest.raises(SeriesError, match="all values are blank"):
        read_text(tmp_path, text, zone="Europe/Brussels", stamps="start")


def test_a_mark_of_quality_is_counted(tmp_path: Path):
    rows = [
        f"{row},{q}"
        for row, q in zip(day_rows("%Y-%m-%d %H:%M"), ["A"] * 20 + ["E"] * 4, strict=True)
    ]
    found = read_text(tmp_path, lines("time,kWh,Quality", rows), zone=DUBLIN)
    assert "'A' 20, 'E' 4" in noted(found)
