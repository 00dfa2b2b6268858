"""No input makes a message without end, and what is no file is told as such."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from optimizer.base.errors import MAX_MESSAGE, SeriesError, SeveralInputErrors
from optimizer.metering.found import Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any

ZONE = "Europe/Dublin"


def test_a_message_keeps_to_its_bound_and_its_ends():
    told = SeriesError("a" * 10_000 + "END", where="b" * 9_000 + "row 3", mend="c" * 9_000)

    assert len(str(told)) <= MAX_MESSAGE
    assert "END" in told.what
    assert told.where.endswith("row 3")


def test_many_findings_are_counted_where_they_do_not_fit():
    findings = [SeriesError(f"wrong {n}", where="here", mend="mend it") for n in range(500)]

    told = str(SeveralInputErrors(findings))

    assert len(told) <= MAX_MESSAGE
    assert told.count("error:") + int(told.split("and ")[-1].split()[0]) == 500


@pytest.mark.parametrize(("path", "kind"), [("/dev/zero", "a device"), ("/tmp", "a folder")])
def test_what_is_no_file_is_told_as_such(path: str, kind: str):
    for read in (lambda p: read_any(p, Request()), lambda p: read_meter(p, ZONE)):
        with pytest.raises(SeriesError, match=f"this is {kind}, not a file"):
            read(Path(path))


def test_a_pipe_is_not_waited_for(tmp_path: Path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(SeriesError, match="this is a pipe"):
        read_any(tmp_path / "pipe", Request())


@pytest.mark.parametrize(
    "text",
    ["time,import_kwh\n2026-01-01T00:00," + "x" * 2_000_000, "time," + "c," * 200_000 + "\n1,2\n"],
    ids=["huge_cell", "many_columns"],
)
def test_a_huge_cell_and_many_columns_are_told_briefly(tmp_path: Path, text: str):
    path = tmp_path / "meter.csv"
    path.write_text(text)
    for read in (lambda: read_any(path, Request(zone=ZONE)), lambda: read_meter(path, ZONE)):
        with pytest.raises(SeriesError) as caught:
            read()
        assert len(str(caught.value)) <= MAX_MESSAGE


def test_a_path_of_five_thousand_characters_is_told_briefly():
    path = Path("/" + "a" * 5_000)
    for read in (lambda: read_any(path, Request()), lambda: read_meter(path, ZONE)):
        with pytest.raises(SeriesError) as caught:
            read()
        assert len(str(caught.value)) <= MAX_MESSAGE


def test_a_web_page_is_called_one(tmp_path: Path):
    path = tmp_path / "usage.csv"
    path.write_text("<!DOCTYPE html>\n<html><body>Please log in</body></html>")
    with pytest.raises(SeriesError, match="a web page") as caught:
        read_any(path, Request())
    assert "Download" in caught.value.mend
