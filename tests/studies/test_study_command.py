"""The command: tables of every kind that hold the same, the list, and mistakes told in time."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path

import openpyxl
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from optimizer.report import study_files, study_tables
from optimizer.report.study_tables import tables_of
from optimizer.studies.answer_store import LEDGER
from tests.studies.small import study_of, write_sites

TINY = "study: Tiny\ninvented: true\nsites: [elm]\nvary: {battery_kwh: [4, 10]}\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("command")
    write_sites(folder, ["elm"], days=21)
    study_of(folder, TINY)
    return folder


def call(*words: str):
    return CliRunner().invoke(app, ["study", *words])


def test_one_study_in_every_form(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = [str(folder), "--out", str(out), "--processes", "0"]
    result = call(*words, *(f"--table={kind}" for kind in ("parquet", "csv", "xlsx")))
    assert result.exit_code == 0, result.output
    assert "Tiny" in result.stdout
    written = {path.name for path in out.iterdir()}
    assert written == {
        "cases.csv", "cases.parquet", "cases.xlsx", "ledger.jsonl", "manifest.json", "study.html",
        "study.json",
    }  # fmt: skip
    table = pq.read_table(out / "cases.parquet").to_pylist()
    record = json.loads((out / "study.json").read_text())
    assert table == record["rows"]
    with (out / "cases.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    sheet = openpyxl.load_workbook(out / "cases.xlsx")["cases"]
    _units, heads, *cells = sheet.iter_rows(values_only=True)
    for row, by_text, by_cell in zip(table, rows, cells, strict=True):
        name = "windows_save_over_no_battery_eur"
        assert float(by_text[name]) == row[name]
        assert dict(zip(heads, by_cell, strict=True))[name] == pytest.approx(row[name])
    assert all(name.endswith(UNITS) for name in record["rows"][0] if name not in NO_UNIT), [
        name for name in record["rows"][0] if name not in NO_UNIT and not name.endswith(UNITS)
    ]


UNITS = (
    "_eur",
    "_kwh",
    "_kw",
    "_pct",
    "_per_year",
    "_hours",
    "_times",
    "_per_kwh_year",
    "_per_kw_year",
    "_years",
)
NO_UNIT = {"case", "days", "full_cycles", "windows_to_type", *study_tables.TEXT}


def test_the_list_does_nothing(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "none"
    result = call(str(folder), "--out", str(out), "--list")
    assert result.exit_code == 0
    assert "2 cases, 1 compiled models" in result.stdout
    listed = json.loads(call(str(folder), "--out", str(out), "--list", "--json").stdout)
    assert [case["battery_kwh"] for case in listed["cases"]] == [4, 10]
    assert "battery_kwh" in result.stdout
    assert not out.exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--table", "ods"], "no kind of table called 'ods'"),
        (["--out", "/proc/none"], "cannot be written"),
    ],
)
def test_mistakes_are_told_before_anything_runs(words: list[str], told: str, folder: Path) -> None:
    result = call(str(folder), *words)
    assert result.exit_code == 2
    assert told in result.output


def test_a_study_that_is_not_there_is_told(tmp_path: Path) -> None:
    result = call(str(tmp_path / "none.yaml"))
    assert result.exit_code == 2
    assert "none.yaml" in result.output


def test_a_missing_library_is_told_with_the_way_to_get_it(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(study_tables, "find_spec", lambda _name: None)
    result = call(str(folder), "--out", str(tmp_path / "out"), "--table", "parquet")
    assert result.exit_code == 2
    assert "pip install 'tariffwright[study]'" in result.output


def test_a_study_needs_no_library_that_a_plain_installation_lacks(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The README's own command: with no kind of table asked for, CSV comes in place of Parquet."""
    monkeypatch.setattr(study_tables, "find_spec", lambda _name: None)
    done = call(str(folder), "--out", str(tmp_path / "out"), "--processes", "0")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "out/cases.csv").is_file()
    assert not (tmp_path / "out/cases.parquet").exists()
    assert "note: the table is CSV: pyarrow, which writes parquet tables" in " ".join(
        done.stdout.split()
    )


def test_dask_that_is_not_installed_is_told(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    result = call(str(folder), "--out", str(tmp_path / "out"), "--cluster", "tcp://127.0.0.1:1")
    assert result.exit_code == 2
    assert "pip install 'tariffwright[cluster]'" in result.output


HOSTILE = ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\r\n@a", "  =1", "\N{NO-BREAK SPACE}=1",
           "\N{ZERO WIDTH SPACE}+1", "\N{ZERO WIDTH NO-BREAK SPACE}=1", "\N{FULLWIDTH EQUALS SIGN}1",
           "\N{FULLWIDTH PLUS SIGN}1", "\N{FULLWIDTH HYPHEN-MINUS}1", "\N{FULLWIDTH COMMERCIAL AT}a",
           "\N{IDEOGRAPHIC SPACE}\N{FULLWIDTH EQUALS SIGN}1", "\N{SMALL EQUALS SIGN}1", "\N{MINUS SIGN}1")  # fmt: skip


def test_a_study_that_was_stopped_leaves_the_results_of_before_whole(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, more = tmp_path / "out", study_of(folder, TINY.replace("10]", "10, 12, 16]"), "more.yaml")
    words = ["--out", str(out), "--processes", "0", "--table", "csv"]
    assert call(str(folder), *words).exit_code == 0
    before = {path.name: path.read_bytes() for path in out.iterdir() if path.name != LEDGER}

    def stopped(*_: object) -> None:
        raise ValueError("stopped")

    with monkeypatch.context() as patched:
        patched.setattr(study_files, "write_study", stopped)
        assert call(str(more), *words).exit_code == 4
    left = {path.name: path.read_bytes() for path in out.iterdir() if path.name != LEDGER}
    assert left.pop("cases_so_far.csv").count(b"\n") > 3
    assert left == before
    assert call(str(more), *words).exit_code == 0
    assert {path.name for path in out.iterdir()} == {*before, LEDGER}


def rows_in(tables: dict[str, bytes]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(tables["cases.csv"].decode(), newline="")))


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_becomes_a_formula_in_csv(name: str) -> None:
    rows = [{"case": 1, "status": "done", "site": name, "npv_eur": -5.0}]
    (row,) = rows_in(tables_of(rows, ["csv"]))
    assert row["site"] == f"'{name}"
    assert row["npv_eur"] == "-5.0"


@pytest.mark.parametrize("name", ["oak", "oak = elm", "3-5 kWh", "a@b", "été", "", " oak"])
def test_other_names_stay_as_they_are(name: str) -> None:
    (row,) = rows_in(tables_of([{"case": 1, "site": name}], ["csv"]))
    assert row["site"] == name
