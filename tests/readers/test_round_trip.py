"""What is written in a dialect is read back as it was: any flows, any dialect, any day."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid
from optimizer.metering.found import Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any, tidy_csv
from tests.readers.feeds import Meter, feed_xml

ZONES = ("America/New_York", "Europe/Dublin", "Australia/Sydney", "Asia/Kolkata")
FIRST_DAYS = (
    "2024-03-09", "2024-03-30", "2024-10-05", "2024-10-26", "2024-11-02", "2024-12-30", "2025-07-14",
)  # fmt: skip
"""Clocks change the day after most of them, in one of the zones."""


@st.composite
def flows(draw: st.DrawFn) -> Flows:
    """Return two whole local days of import and export in whole Wh, in random steps."""
    zone = draw(st.sampled_from(ZONES))
    step = draw(st.sampled_from([15, 30, 60]))
    first = datetime.fromisoformat(draw(st.sampled_from(FIRST_DAYS)))
    begin = first.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    end = (first + timedelta(days=2)).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    grid = TimeGrid(begin, step, int((end - begin) / timedelta(minutes=step)), zone)
    luck = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    scale = draw(st.sampled_from([1, 50, 3000, 2_000_000]))
    energies = luck.integers(0, scale, (2, grid.count), endpoint=True) / 1000
    energies[:, 0] = 0  # so that no column only ever rises
    energies[:, 1] = scale / 1000
    return Flows.of_meter(grid, *energies)


Dialect = Callable[[Flows], tuple[str, Request]]


def table(head: list[str], rows: list[list[str]], separator: str = ",") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator).writerows([head, *rows])
    return out.getvalue()


def starts(one: Flows, form: str) -> list[str]:
    return [moment.strftime(form) for moment in one.grid.local]


def ends(one: Flows, form: str) -> list[str]:
    later = (one.grid.utc + timedelta(minutes=one.grid.step_minutes)).tz_convert(one.grid.zone)
    return [moment.strftime(form) for moment in later]


def plain_iso(one: Flows) -> tuple[str, Request]:
    rows = zip(starts(one, "%Y-%m-%dT%H:%M:%S%z"), one.import_kwh, one.export_kwh, strict=True)
    return table(
        ["time", "import_kwh", "export_kwh"], [list(map(str, row)) for row in rows]
    ), Request()


def day_first_commas(one: Flows) -> tuple[str, Request]:
    rows = [
        [*stamp.split(" "), f"{a:.3f}".replace(".", ","), f"{b:.3f}".replace(".", ",")]
        for stamp, a, b in zip(
            starts(one, "%d.%m.%Y %H:%M"), one.import_kwh, one.export_kwh, strict=True
        )
    ]
    request = Request(zone=one.grid.zone, dates="day-first")
    return table(["Datum", "Zeit", "Bezug (kWh)", "Einspeisung (kWh)"], rows, ";"), request


def twelve_hours_at_the_end(one: Flows) -> tuple[str, Request]:
    rows = [
        [stamp, f"{a * 1000:,.0f}", f"{b * 1000:,.0f}"]
        for stamp, a, b in zip(
            ends(one, "%m/%d/%Y %I:%M %p"), one.import_kwh, one.export_kwh, strict=True
        )
    ]
    request = Request(zone=one.grid.zone, dates="month-first")
    return table(["Interval Ending", "Delivered (Wh)", "Received (Wh)"], rows), request


def directions_in_rows(one: Flows) -> tuple[str, Request]:
    stamps = starts(one, "%Y-%m-%d %H:%M")
    rows = [
        [s, "Consumption", f"{v:.3f}", "kWh"] for s, v in zip(stamps, one.import_kwh, strict=True)
    ]
    rows += [
        [s, "Generation", f"{v:.3f}", "kWh"] for s, v in zip(stamps, one.export_kwh, strict=True)
    ]
    return table(["Start", "Type", "Value", "Unit"], rows), Request(zone=one.grid.zone)


def mean_power_newest_first(one: Flows) -> tuple[str, Request]:
    rows = [
        [s, repr(float(a / one.grid.step_h)), repr(float(b / one.grid.step_h))]
        for s, a, b in zip(
            starts(one, "%Y-%m-%d %H:%M"), one.import_kwh, one.export_kwh, strict=True
        )
    ]
    request = Request(zone=one.grid.zone, stamps="start")
    return table(["Timestamp", "Import (kW)", "Export (kW)"], rows[::-1], "\t"), request


def one_row_a_day(one: Flows) -> tuple[str, Request]:
    """Columns count quarter-hours as time passes, enough for a day of 25 hours."""
    size = 25 * 60 // one.grid.step_minutes
    rows = []
    for number, day in enumerate(one.grid.dates):
        for name, values in (("Import", one.import_kwh), ("Export", one.export_kwh)):
            cells = [f"{v:.3f}" for v in values[one.grid.day == number]]
            rows.append([day.isoformat(), name, *cells, *[""] * (size - len(cells))])
    head = ["Date", "Flow", *(f"Interval {n + 1}" for n in range(size))]
    return table(head, rows), Request(zone=one.grid.zone)


def espi(one: Flows) -> tuple[str, Request]:
    first, step = int(one.grid.start.timestamp()), 60 * one.grid.step_minutes
    meters = [
        Meter(
            [(first + step * n, round(1000 * value)) for n, value in enumerate(values.tolist())],
            {"flowDirection": flow},
            step,
        )
        for flow, values in ((1, one.import_kwh), (19, one.export_kwh))
    ]
    return feed_xml([("home", 0, meters)], None), Request(zone=one.grid.zone)


DIALECTS: list[Dialect] = [
    plain_iso, day_first_commas, twelve_hours_at_the_end, directions_in_rows,
    mean_power_newest_first, one_row_a_day, espi,
]  # fmt: skip


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.__name__)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(one=flows())
def test_flows_written_in_a_dialect_are_read_back_and_billed_the_same(dialect: Dialect, one: Flows):
    text, request = dialect(one)
    with tempfile.TemporaryDirectory() as folder:
        outside, tidy = Path(folder) / "outside.data", Path(folder) / "meter.csv"
        outside.write_text(text, encoding="utf-8")
        tidy.write_text(tidy_csv(read_any(outside, request).chosen(None)), encoding="utf-8")
        again, notes = read_meter(tidy, one.grid.zone)
    assert [note for note in notes if "the highest import" not in note] == []
    assert again.grid == one.grid
    np.testing.assert_allclose(again.import_kwh, one.import_kwh, rtol=0, atol=1e-9)
    np.testing.assert_allclose(again.export_kwh, one.export_kwh, rtol=0, atol=1e-9)
