"""Workbooks, archives and several files: read as one table, or told why not; nothing leaves the archive."""

from __future__ import annotations

import io
import shutil
import struct
import zipfile
from datetime import date, datetime, time
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

from optimizer.base.errors import SeriesError
from optimizer.metering import bundles
from optimizer.metering.found import Found, Request
from optimizer.metering.outside import read_all, read_any
from tests.readers.feeds import Meter, feed_xml, hourly, imported, noted, wall

DUBLIN = Request(zone="Europe/Dublin", stamps="start")
VALUES = [round(0.1 * (n % 7), 1) for n in range(96)]
HEAD = "time,import kWh"


def month(first: str, values: list[float], head: str = HEAD) -> str:
    rows = [
        f"{t:%Y-%m-%d %H:%M},{v}" for t, v in zip(wall(first, len(values), 60), values, strict=True)
    ]
    return "\n".join([head, *rows]) + "\n"


def zipped(path: Path, files: dict[str, str | bytes], way: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", way) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def book(path: Path, sheets: dict[str, list[list[object]]]) -> Path:
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name, rows in sheets.items():
        sheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(row)
    workbook.save(path)
    return path


def files(folder: Path, *texts: str) -> list[Path]:
    paths = [folder / f"part {n}.csv" for n in range(len(texts))]
    for path, text in zip(paths, texts, strict=True):
        path.write_text(text, encoding="utf-8")
    return paths


def told(found: Found) -> str:
    return noted(found)


# -- several files ---------------------------------------------------------------------------------


def test_successive_files_are_joined_and_said_to_be(tmp_path: Path):
    paths = files(tmp_path, month("2026-03-02", VALUES[:48]), month("2026-03-04", VALUES[48:]))
    found = read_all(paths, DUBLIN)
    assert imported(found) == pytest.approx(VALUES)
    assert "2 tables of the same heads were joined: part 0.csv, part 1.csv" in told(found)
    assert found.others == (paths[1],)


def test_files_in_any_order_give_the_same(tmp_path: Path):
    paths = files(tmp_path, month("2026-03-04", VALUES[48:]), month("2026-03-02", VALUES[:48]))
    assert imported(read_all(paths, DUBLIN)) == pytest.approx(VALUES)


def test_an_overlap_that_agrees_is_kept_once_and_told(tmp_path: Path):
    paths = files(tmp_path, month("2026-03-02", VALUES[:60]), month("2026-03-04", VALUES[48:]))
    found = read_all(paths, DUBLIN)
    assert imported(found) == pytest.approx(VALUES)
    assert "12 readings stood twice" in told(found)


def test_an_overlap_that_differs_is_told_with_both_files(tmp_path: Path):
    paths = files(
        tmp_path, month("2026-03-02", VALUES[:60]), month("2026-03-04", [9.0, *VALUES[49:]])
    )
    with pytest.raises(SeriesError, match="has two readings of import_kwh") as caught:
        read_all(paths, DUBLIN)
    assert f"{paths[0]}, row 50" in str(caught.value)
    assert f"{paths[1]}, row 2" in caught.value.where


def test_a_hole_between_files_is_a_gap(tmp_path: Path):
    paths = files(tmp_path, month("2026-03-02", VALUES[:24]), month("2026-03-04", VALUES[48:]))
    found = read_all(paths, DUBLIN)
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == list(range(24, 48))
    assert "in 1 gap" in told(found)


def test_lines_above_the_heads_of_later_files_are_left_out(tmp_path: Path):
    above = "Account;invented\nfrom 1 March\n"
    paths = files(
        tmp_path, above + month("2026-03-02", VALUES[:48]), above + month("2026-03-04", VALUES[48:])
    )
    assert imported(read_all(paths, DUBLIN)) == pytest.approx(VALUES)


def test_a_bad_cell_of_a_later_file_is_told_by_its_own_row(tmp_path: Path):
    paths = files(tmp_path, month("2026-03-02", VALUES[:48]), month("2026-03-04", VALUES[48:]) + "2026-03-06 00:00,much\n")  # fmt: skip
    with pytest.raises(SeriesError, match="'much' is not a number") as caught:
        read_all(paths, DUBLIN)
    assert f"{paths[1]}, row 50" in caught.value.where


def test_files_of_other_heads_are_not_joined(tmp_path: Path):
    paths = files(tmp_path, month("2026-03-02", VALUES[:48]), month("2026-03-04", VALUES[48:], "time,export kWh"))  # fmt: skip
    with pytest.raises(SeriesError, match="the heads differ") as caught:
        read_all(paths, DUBLIN)
    assert f"{paths[1]}, row 1" in caught.value.where


# -- archives --------------------------------------------------------------------------------------


def test_an_archive_of_one_file_and_of_several_is_read(tmp_path: Path):
    one = zipped(tmp_path / "one.zip", {"deep/usage.csv": month("2026-03-02", VALUES)})
    assert imported(read_any(one, DUBLIN)) == pytest.approx(VALUES)
    several = zipped(
        tmp_path / "several.zip",
        {"b.csv": month("2026-03-04", VALUES[48:]), "a.csv": month("2026-03-02", VALUES[:48]),
         "__MACOSX/._a.csv": b"\0\1", ".DS_Store": b"\0"},
    )  # fmt: skip
    found = read_any(several, DUBLIN)
    assert imported(found) == pytest.approx(VALUES)
    assert "joined: a.csv, b.csv" in told(found)


def test_an_archive_of_espi_is_read(tmp_path: Path):
    text = feed_xml([("home", 0, [Meter(hourly(1388552400, range(48)))])])
    path = zipped(tmp_path / "feed.zip", {"feed.xml": text})
    assert imported(read_any(path, Request())).sum() == pytest.approx(1.128)


def test_names_that_lead_out_of_an_archive_lead_nowhere(tmp_path: Path):
    inside = tmp_path / "inside"
    inside.mkdir()
    path = zipped(inside / "x.zip", {"../../out.csv": month("2026-03-02", VALUES), "/abs.csv": month("2026-03-06", VALUES[:24])})  # fmt: skip
    assert len(imported(read_any(path, DUBLIN))) == 96 + 24
    assert sorted(one.name for one in tmp_path.rglob("*")) == ["inside", "x.zip"]


def test_an_archive_that_unpacks_to_too_much_is_refused_unread(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(bundles, "MAX_TOTAL_BYTES", 1_000_000)
    path = zipped(tmp_path / "x.zip", {"a.csv": "0" * 2_000_000})
    with pytest.raises(SeriesError, match="unpack to 2,000,000 bytes"):
        read_any(path, DUBLIN)


def test_a_part_that_is_larger_than_its_archive_says_is_told(tmp_path: Path):
    """The size of 2,000,000 bytes is written over with 100 in both heads."""
    path = zipped(tmp_path / "x.zip", {"a.csv": "0" * 2_000_000})
    lied = path.read_bytes().replace(struct.pack("<L", 2_000_000), struct.pack("<L", 100))
    path.write_bytes(lied)
    with pytest.raises(SeriesError, match="cannot be read"):
        read_any(path, DUBLIN)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda raw: raw[: len(raw) // 2], "that cannot be read"),
        (
            lambda raw: raw.replace(b"PK\x01\x02\x14\x03\x14\0\0", b"PK\x01\x02\x14\x03\x14\0\1"),
            "encrypted",
        ),
    ],
)
def test_damaged_and_encrypted_archives_are_told(tmp_path: Path, change, words: str):
    path = zipped(tmp_path / "x.zip", {"a.csv": month("2026-03-02", VALUES)})
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(SeriesError, match=words):
        read_any(path, DUBLIN)


def test_other_ways_of_packing_many_files_and_none_are_told(tmp_path: Path):
    with pytest.raises(SeriesError, match="another way than deflate"):
        read_any(zipped(tmp_path / "a.zip", {"a.csv": HEAD}, zipfile.ZIP_BZIP2), DUBLIN)
    with pytest.raises(SeriesError, match="201 files"):
        read_any(zipped(tmp_path / "b.zip", {f"{n}.csv": HEAD for n in range(201)}), DUBLIN)
    with pytest.raises(SeriesError, match="holds no file"):
        read_any(zipped(tmp_path / "c.zip", {"__MACOSX/a": ""}), DUBLIN)
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("a.csv", HEAD)
    with pytest.raises(SeriesError, match="an archive in an archive"):
        read_any(zipped(tmp_path / "d.zip", {"in.zip": inner.getvalue()}), DUBLIN)


# -- workbooks -------------------------------------------------------------------------------------


def test_a_workbook_is_read_with_dates_numbers_and_sheets_without_readings(tmp_path: Path):
    rows: list[list[object]] = [["Some utility, invented"], [], ["time", "import kWh", "note"]]
    rows += [[t, v, None] for t, v in zip(wall("2026-03-02", 96, 60), VALUES, strict=True)]
    path = book(tmp_path / "x.xlsx", {"about": [["Made up"]], "readings": rows})
    found = read_any(path, DUBLIN)
    assert found.kind == "interval workbook, one row a reading"
    assert imported(found) == pytest.approx(VALUES)
    assert "sheet 'about' has no head of times, left out" in told(found)
    assert imported(read_any(zipped(tmp_path / "x.zip", {"x.xlsx": path.read_bytes()}), DUBLIN)) == pytest.approx(VALUES)  # fmt: skip


def test_a_date_and_a_time_in_cells_of_their_own_and_thousandths_are_read(tmp_path: Path):
    rows: list[list[object]] = [["Date", "Start time", "import kWh"]]
    rows += [[date(2026, 3, 2 + n // 24), time(n % 24), 1.125 + n % 3] for n in range(48)]
    found = read_any(book(tmp_path / "x.xlsx", {"one": rows}), DUBLIN)
    assert imported(found) == pytest.approx([1.125 + n % 3 for n in range(48)])
    assert "nothing settles" not in told(found)


def test_seconds_that_a_workbook_loses_are_rounded(tmp_path: Path):
    rows: list[list[object]] = [["time", "import kWh"]]
    rows += [[datetime(2026, 3, 2 + n // 24, n % 24, 59, 59, 999_900), n % 5] for n in range(48)]  # noqa: DTZ001
    found = read_any(
        book(tmp_path / "x.xlsx", {"one": rows}), Request(zone="Europe/Dublin", stamps="end")
    )
    assert found.points[0].even.clock.stamp(found.points[0].even.start_s)[:16] == "2026-03-02T00:00"


def test_sheets_of_months_are_joined_and_a_bad_cell_is_told_by_its_sheet(tmp_path: Path):
    def rows(first: str, values: list[object]) -> list[list[object]]:
        return [["time", "import kWh"], *([t, v] for t, v in zip(wall(first, len(values), 60), values, strict=True))]  # fmt: skip

    path = book(tmp_path / "x.xlsx", {"March": rows("2026-03-30", VALUES[:48]), "April": rows("2026-04-01", VALUES[48:])})  # fmt: skip
    assert imported(read_any(path, DUBLIN)) == pytest.approx(VALUES)
    path = book(tmp_path / "x.xlsx", {"March": rows("2026-03-30", VALUES[:48]), "April": rows("2026-04-01", [1, "much"])})  # fmt: skip
    with pytest.raises(SeriesError, match="'much' is not a number") as caught:
        read_any(path, DUBLIN)
    assert "sheet April, row 3" in caught.value.where


def test_damaged_and_blank_workbooks_are_told(tmp_path: Path):
    path = book(tmp_path / "x.xlsx", {"one": [["time", "import kWh"]]})
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    for name in parts:
        for content in (b"", b"<a>", b"<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>"):
            damaged = zipped(tmp_path / "y.xlsx", {**parts, name: content})
            with pytest.raises(SeriesError):
                read_any(damaged, DUBLIN)
    with pytest.raises(SeriesError, match="blank"):
        read_any(book(tmp_path / "z.xlsx", {"one": []}), DUBLIN)
    shutil.copy(path, tmp_path / "w.csv")
    with pytest.raises(SeriesError, match="no row of heads"):
        read_any(tmp_path / "w.csv", DUBLIN)
