"""Totals of days and months: spread over a shape that was asked for, with sums kept, and told."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.cli.app import app
from optimizer.metering.csv_cells import is_month
from optimizer.metering.found import Request, Shape
from optimizer.metering.outside import read_any
from tests.readers.feeds import imported, noted


def by_clock(grid: TimeGrid) -> FloatArray:
    """Return weights 3 in the second half of each day and 1 in the first."""
    return np.where(grid.minute_of_day >= 720, 3.0, 1.0)


ASKED = Request(zone="Europe/Dublin", shape=Shape("two halves", by_clock))


def written(folder: Path, *rows: str, head: str = "date,import kWh") -> Path:
    path = folder / "totals.csv"
    path.write_text("\n".join([head, *rows]), encoding="utf-8")
    return path


def test_days_are_spread_with_their_sums_also_where_clocks_change(tmp_path: Path):
    """48 = 12 × 1 + 12 × 3; the day of 23 hours lacks one of the first half: 47 = 11 × 1 + 12 × 3."""
    found = read_any(written(tmp_path, "2026-03-28,48", "2026-03-29,47", "2026-03-30,96"), ASKED)
    assert imported(found) == pytest.approx(
        [1] * 12 + [3] * 12 + [1] * 11 + [3] * 12 + [2] * 12 + [6] * 12
    )
    assert "3 totals of a day were spread over the profile two halves" in noted(found)
    assert "an estimate" in found.kind


def test_months_are_spread_with_their_sums(tmp_path: Path):
    """April has 30 days, May 31: a day of 48 weights each."""
    found = read_any(written(tmp_path, "2026-05-01,1488", "2026-04-01,2880"), ASKED)
    values = imported(found)
    assert len(values) == 61 * 24
    assert values[: 30 * 24] == pytest.approx(([2] * 12 + [6] * 12) * 30)
    assert values[30 * 24 :] == pytest.approx(([1] * 12 + [3] * 12) * 31)


def test_totals_that_only_rise_may_be_readings_of_a_register_and_that_is_told(tmp_path: Path):
    rising = read_any(
        written(tmp_path, *(f"2026-06-0{n},{4000 + 12 * n}" for n in (1, 2, 3))), ASKED
    )
    assert "only rise" in noted(rising)
    assert "register" in noted(rising)
    mixed = read_any(written(tmp_path, "2026-06-01,12", "2026-06-02,14", "2026-06-03,11"), ASKED)
    assert "only rise" not in noted(mixed)


def test_a_day_without_a_total_is_a_gap(tmp_path: Path):
    found = read_any(written(tmp_path, "2026-06-01,48", "2026-06-02,48", "2026-06-04,48"), ASKED)
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == list(range(48, 72))


def test_without_a_profile_it_is_asked_for(tmp_path: Path):
    with pytest.raises(SeriesError, match="dates but no clock times") as caught:
        read_any(written(tmp_path, "2026-06-01,48", "2026-06-02,48"), Request(zone="Europe/Dublin"))
    assert "--profile H0" in caught.value.mend


@pytest.mark.parametrize(
    ("head", "rows", "words"),
    [
        (
            "date,export kWh",
            ["2026-06-01,4", "2026-06-02,5"],
            "totals of export_kwh cannot be spread",
        ),
        ("date,import kWh", ["2026-06-01,4", "2026-06-08,5"], "7 days apart"),
        ("date,import kWh", ["2026-04-05,4", "2026-05-05,5"], "30 days apart"),
        ("date,import kW", ["2026-06-01,4", "2026-06-02,5"], "only totals of energy"),
        (
            "date,meter kWh",
            [f"{date(2026, 1, 1) + timedelta(n)},{9000 + 7 * n}" for n in range(60)],
            "they are a register's",
        ),
    ],
)
def test_what_cannot_be_spread_is_told(tmp_path: Path, head: str, rows: list[str], words: str):
    with pytest.raises(SeriesError, match=words):
        read_any(written(tmp_path, *rows, head=head), ASKED)


def test_the_command_spreads_over_a_published_profile_and_keeps_the_sums(tmp_path: Path):
    path = written(tmp_path, *(f"2026-{month:02d}-01,{100 + month}" for month in range(1, 13)))
    out = tmp_path / "meter.csv"
    words = ["read", str(path), "--zone", "Europe/Berlin", "--profile", "H0", "--out", str(out)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "this looks like 2026, every hour, import 1,278 kWh" in said  # 12 × 100 + 78
    assert "12 totals of a month were spread over the profile H0" in said
    assert len(out.read_text(encoding="utf-8").splitlines()) == 8761


@pytest.mark.parametrize(
    "names",
    [("2025-01", "2025-02", "2025-03"), ("01/2025", "02/2025", "03/2025"), ("1.2025", "2.2025", "3.2025"),
     ("Jan 2025", "Feb 2025", "Mar 2025"), ("2025 January", "2025 February", "2025 March")],
)  # fmt: skip
def test_months_are_read_by_their_names(names: tuple[str, ...], tmp_path: Path):
    """Hours of January, February and March 2025 in UTC: 744, 672, 744; a third month ends the year's quarter."""
    path, out = tmp_path / "months.csv", tmp_path / "out.csv"
    rows = [f"{name},{kwh}" for name, kwh in zip(names, (310, 280, 250), strict=True)]
    path.write_text("\n".join(["Month,import kWh", *rows]), encoding="utf-8")
    done = CliRunner().invoke(
        app, ["read", str(path), "--zone", "UTC", "--profile", "H0", "--out", str(out)]
    )
    assert done.exit_code == 0, done.output
    assert "names months, taken from their first day" in " ".join(done.stdout.split())
    table = pd.read_csv(out, comment="#")
    assert len(table) == 744 + 672 + 744
    sums = table.groupby(table["time"].str[:7])["import_kwh"].sum()
    assert sums.to_list() == pytest.approx([310, 280, 250])


@pytest.mark.parametrize("name", ["2025-13", "00/2025", "Foo 2025", "2025"])
def test_what_is_no_month_is_not_taken_for_one(name: str):
    assert not is_month(name)
