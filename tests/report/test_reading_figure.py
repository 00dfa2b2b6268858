"""What was read of a meter is drawn where it belongs: each cell by the clock, gaps blank."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from optimizer.metering.found import Request
from optimizer.report.reading_figure import reading_figures
from optimizer.workflows.read import read

BLANK = 63


def pixels(svg: str) -> np.ndarray:
    """Return the colour of each cell of the map, which is the second picture; the first is its key."""
    raw = base64.b64decode(re.findall(r"base64,([^\"]+)", svg)[1])
    columns, rows = struct.unpack(">II", raw[16:24])
    at = raw.index(b"IDAT")
    (length,) = struct.unpack(">I", raw[at - 4 : at])
    lines = zlib.decompress(raw[at + 4 : at + 4 + length])
    return np.frombuffer(lines, np.uint8).reshape(rows, columns + 1)[:, 1:]


@pytest.fixture
def meter(tmp_path: Path) -> Path:
    """Two days of hours in Dublin: 1 kWh each, 4 kWh from 18:00 to 21:00 of the second, 06:00 of the first missing."""
    rows = [
        f"2025-01-0{day}T{hour:02d}:00+00:00,{4 if day == 2 and 18 <= hour < 21 else 1},{int(hour == 12)}"
        for day in (1, 2)
        for hour in range(24)
        if (day, hour) != (1, 6)
    ]
    path = tmp_path / "portal.csv"
    path.write_text("\n".join(["time,import_kwh,export_kwh", *rows]))
    return path


def test_each_hour_stands_at_its_day_and_clock_time(meter: Path) -> None:
    found = reading_figures(read(meter, Request(zone="Europe/Dublin")).points[0])
    assert list(found) == ["import_kwh", "export_kwh"]
    drawn = pixels(found["import_kwh"])
    assert drawn.shape == (24, 2)
    assert [tuple(each) for each in np.argwhere(drawn == BLANK)] == [(6, 0)]
    high = [tuple(each) for each in np.argwhere(drawn == BLANK - 1)]
    assert high == [(18, 1), (19, 1), (20, 1)]
    sold = pixels(found["export_kwh"])
    assert (sold[12] == BLANK - 1).all()
    assert (np.delete(sold, (6, 12), axis=0) == 0).all()
    title = ElementTree.fromstring(found["import_kwh"]).attrib["aria-label"]
    assert "Import by day and hour, 1 of 48 steps are missing" in title
    assert "one gap" in title


def test_the_command_writes_the_pictures(meter: Path, tmp_path: Path) -> None:
    out = tmp_path / "seen"
    run = CliRunner().invoke(app, ["read", str(meter), "--zone", "UTC", "--pictures", str(out)])
    assert run.exit_code == 0, run.output
    assert sorted(each.name for each in out.iterdir()) == ["export_kwh.svg", "import_kwh.svg"]
    for each in out.iterdir():
        ElementTree.fromstring(each.read_text())
        assert each.name in run.output
