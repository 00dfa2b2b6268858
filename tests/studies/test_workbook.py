"""The auditor's workbook: its formulas, worked out anew, are what the program found, and they move."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from optimizer.report import study_workbook
from optimizer.report.study_assumptions import assumptions
from optimizer.report.study_workbook import LONGEST, RATE, workbook
from optimizer.studies.answer_store import LEDGER
from optimizer.studies.run import run_study
from optimizer.studies.verdict import StudyResult
from tests.report.small_study import result, row, without_money
from tests.studies.formulas import Recalculated, npv
from tests.studies.small import study_of, write_sites
from tests.studies.test_study_command import HOSTILE

STUDY = """\
study: Audited
invented: true
sites: [elm]
REFERENCE
vary:
  battery_kwh: [4, 10]
  tariff: [its own, steep.yaml]
  prices_rise_pct: [0, 3]
money:
  discount_pct: 5
  years: 6
  battery: {fixed: 200, per_kwh: 200}
  incentive: {share_pct: 10}
  operating: {per_year: 10, rises_pct_per_year: 2}
  replacement: {after_years: 4}
  residual: {share_pct: 40}
  taxes_per_year: [5, 4, 3, 2, 1, 0]
  sources: {battery: offer of 3 May, discount_pct: the bank}
ageing: {calendar_pct_per_year: 2, pct_per_1000_cycles: 5, pv_loses_pct_per_year: 1, replan_every_years: 3}
"""
REFERENCES = {
    "none": "", "today": "reference: {}", "steep": "reference: {tariff: steep.yaml}",
    "stands": "reference: {battery: its own}",
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("audited")
    write_sites(folder, ["elm"], days=360)
    return folder


def study(folder: Path, reference: str, rate: str = "5") -> StudyResult:
    text = STUDY.replace("REFERENCE", REFERENCES[reference])
    text = text.replace("discount_pct: 5", f"discount_pct: {rate}")
    path = study_of(folder, text, f"{reference}-{rate}.yaml")
    return run_study(path, folder / "out", processes=0, progress=lambda _text: None)


def book_of(told: StudyResult, folder: Path) -> Path:
    path = folder / "cases.xlsx"
    path.write_bytes(workbook(told))
    return path


def column(sheet: object, head: str) -> str:
    (letter,) = (cell.column_letter for cell in sheet[2] if cell.value == head)
    return letter


@pytest.mark.parametrize("reference", REFERENCES)
def test_formulas_worked_out_anew_are_what_the_program_found(
    folder: Path, tmp_path: Path, reference: str
) -> None:
    told = study(folder, reference)
    path = book_of(told, tmp_path)
    book = Recalculated(path)
    kept = openpyxl.load_workbook(path, data_only=True)
    formulas = book.formulas
    assert len(formulas) == 7 * 6 * len(told.done) + 9 * len(told.done)
    for sheet, cell in formulas:
        assert book.value(sheet, cell) == pytest.approx(kept[sheet][cell].value, rel=1e-9, abs=1e-9)
    money = book.book["money"]
    npv_at, cost_at, case_at = (
        column(money, head)
        for head in ("net present value", "present value of all that is paid", "case")
    )
    rows = {row["case"]: row for row in told.rows}
    for line in range(3, money.max_row + 1):
        each = rows[money[f"{case_at}{line}"].value]
        assert book.value("money", f"{npv_at}{line}") == pytest.approx(
            each["npv_eur"], rel=1e-9, abs=1e-9
        )
        assert book.value("money", f"{cost_at}{line}") == pytest.approx(
            each["cost_present_value_eur"], rel=1e-9, abs=1e-9
        )


def test_another_discount_rate_moves_every_value_to_that_of_a_study_with_this_rate(
    folder: Path, tmp_path: Path
) -> None:
    told, other = study(folder, "today"), study(folder, "today", "8")
    book = Recalculated(book_of(told, tmp_path))
    assert book.names[RATE] == "assumptions!$B$2"
    book.change("assumptions", "B2", 0.08)
    money = book.book["money"]
    npvs = {row["case"]: (row["npv_eur"], row["cost_present_value_eur"]) for row in other.rows}
    for line in range(3, money.max_row + 1):
        found = tuple(
            book.value("money", f"{column(money, head)}{line}")
            for head in ("net present value", "present value of all that is paid")
        )
        assert found == pytest.approx(npvs[money[f"A{line}"].value], rel=1e-9, abs=1e-9)


def test_another_rise_of_prices_moves_the_saving(folder: Path, tmp_path: Path) -> None:
    """The case at 0 % becomes that at 3 %; nothing but prices differs between the two."""
    told = study(folder, "today")
    book = Recalculated(book_of(told, tmp_path))
    flat, risen = (
        next(
            row for row in told.rows
            if (row["battery_kwh"], row["way"], row["tariff"]) == (10, "with windows", "steep.yaml")
            and row["prices_rise_pct_per_year"] == rise
        )
        for rise in (0, 3)
    )  # fmt: skip
    flows, money = book.book["cash flows"], book.book["money"]
    rise_at = column(flows, "prices rise")
    for line in range(3, flows.max_row + 1):
        if flows[f"A{line}"].value == flat["case"]:
            book.change("cash flows", f"{rise_at}{line}", 3.0)
    (line,) = (n for n in range(3, money.max_row + 1) if money[f"A{n}"].value == flat["case"])
    found = book.value("money", f"{column(money, 'net present value')}{line}")
    assert found == pytest.approx(risen["npv_eur"], rel=1e-9, abs=1e-9)


def test_the_evaluator_of_these_tests_knows_npv() -> None:
    """100 after one year and 121 after two at 10 %: 90.9090… + 100."""
    assert npv(0.1, [100, 121]) == pytest.approx(1000 / 11 + 100)


def test_a_case_is_traced_from_its_line_to_years_and_keys_of_the_ledger(
    folder: Path, tmp_path: Path
) -> None:
    told = study(folder, "today")
    book = openpyxl.load_workbook(book_of(told, tmp_path))
    lines = (folder / "out" / LEDGER).read_text().splitlines()
    ledger = {entry["key"]: entry["answer"] for entry in map(json.loads, lines)}
    money, runs = book["money"], book["runs"]
    for line in range(3, money.max_row + 1):
        case = money[f"A{line}"].value
        for head, sheet in (("years stand in", "cash flows"), ("runs stand in", "runs")):
            link = money[f"{column(money, head)}{line}"].hyperlink.location
            name, cell = link.rsplit("!", 1)
            assert name == f"'{sheet}'"
            assert book[sheet][cell].value == case
            assert book[sheet][f"A{int(cell[1:]) - 1}"].value != case, "it is the first of its rows"
    rows = {row["case"]: row for row in told.rows}
    key_at = column(runs, "key in ledger.jsonl")
    years: dict[int, list[int]] = {}
    for line in range(3, runs.max_row + 1):
        case, year = runs[f"A{line}"].value, runs[f"B{line}"].value
        answer = ledger[runs[f"{key_at}{line}"].value]
        years.setdefault(case, []).append(year)
        bills = answer.get("figures", answer)["bills"]
        ways = {"with windows": "windows", "no windows": "no_windows", "no battery": "no_battery"}
        if year == 1:
            assert bills[ways[rows[case]["way"]]]["bill"] == rows[case]["bill_eur"]
    assert years.keys() == rows.keys()
    assert all(each[0] == 1 for each in years.values())
    assert all(each[-1] == 6 for each in years.values())


def test_assumptions_stand_with_sources_and_sheets_can_be_read(
    folder: Path, tmp_path: Path
) -> None:
    told = study(folder, "today")
    book = openpyxl.load_workbook(book_of(told, tmp_path))
    assert book.sheetnames == [
        "read me", "assumptions", "money", "cash flows", "cases", "runs", "manifest",
    ]  # fmt: skip
    stated = [tuple(row) for row in book["assumptions"].iter_rows(min_row=3, values_only=True)]
    assert stated == [(each.what, each.value, each.source) for each in assumptions(told)]
    live = book["assumptions"]["B2"]
    assert (live.value, live.number_format) == (0.05, "0.00%")
    assert book["assumptions"]["C2"].value == "the bank"
    for name in ("money", "cash flows", "cases", "runs"):
        sheet = book[name]
        assert sheet.freeze_panes is not None
        assert sheet.freeze_panes.endswith("3"), "units and names stay in sight"
        assert all(sheet.column_dimensions[cell.column_letter].width >= 8 for cell in sheet[2])
    units = {
        cell.value: unit.value
        for unit, cell in zip(book["cases"][1], book["cases"][2], strict=True)
    }
    assert (units["npv_eur"], units["battery_kwh"], units["kept_share_pct"], units["site"]) == (
        "EUR", "kWh", "%", None,
    )  # fmt: skip
    assert units["break_even_price_eur_per_kwh"] == "EUR/kWh"
    paid = column(book["money"], "net present value")
    assert book["money"][f"{paid}3"].number_format.startswith("#,##0.00")
    readme = " ".join(str(cell.value) for (cell,) in book["read me"].iter_rows() if cell.value)
    assert "(invented)" in readme
    assert "All is measured from today: Calm, no battery." in readme


def test_broken_lines_have_rows_as_high_as_they_are_and_each_sheet_is_one_page_wide(
    folder: Path, tmp_path: Path
) -> None:
    book = openpyxl.load_workbook(book_of(study(folder, "today"), tmp_path))
    long_ones = 0
    for name in ("read me", "assumptions"):
        sheet = book[name]
        for cells in sheet.iter_rows(min_row=2):
            lines = max(
                -(-len(str(cell.value or "")) // sheet.column_dimensions[cell.column_letter].width)
                for cell in cells
            )
            height = sheet.row_dimensions[cells[0].row].height or 15
            assert height >= 15 * lines, cells[0].value
            long_ones += lines > 1
    assert long_ones > 3
    for sheet in book:
        assert sheet.sheet_properties.pageSetUpPr.fitToPage, sheet.title


def test_more_years_than_a_sheet_holds_are_told(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty rows, two of them heads, hold two cases of seven years each: the best two."""
    told = study(folder, "none")
    monkeypatch.setattr(study_workbook, "MOST_ROWS", 20)
    monkeypatch.setattr(study_workbook, "MOST_LINKS", 2)
    book = openpyxl.load_workbook(book_of(told, tmp_path))
    flows, money = book["cash flows"], book["money"]
    assert {flows[f"A{line}"].value for line in range(3, 17)} == {
        row["case"] for row in told.ranked[:2]
    }
    assert flows.max_row == 16
    readme = " ".join(str(cell.value) for (cell,) in book["read me"].iter_rows() if cell.value)
    assert f"Of {len(told.done)} cases the best 2 have cash flows here" in readme
    first = {book["runs"][f"A{line}"].value for line in range(3, book["runs"].max_row + 1)}
    assert f"Of {len(told.done)} cases the first {len(first)} have their runs here" in readme
    assert len(first) < len(told.done)
    place = column(money, "years stand in")
    assert money[f"{place}3"].hyperlink.location.endswith("A3")
    assert (money[f"{place}4"].hyperlink, money[f"{place}4"].value) == (None, 10)
    assert money[f"{place}5"].value is None


def test_hostile_names_stay_texts_everywhere(tmp_path: Path) -> None:
    rows = [
        row(number, 5 + number, site=name, tariff_name=name, tariff=name)
        for number, name in enumerate(HOSTILE, start=1)
    ]
    evil = result(rows, name="=1+1", about="\N{FULLWIDTH EQUALS SIGN}1", manifest={"=1+1": "+1"})
    book = openpyxl.load_workbook(book_of(evil, tmp_path))
    for sheet in book:
        for cells in sheet.iter_rows():
            for cell in cells:
                assert cell.data_type != "f"
    cases = book["cases"]
    site_at = column(cases, "site")
    for number, name in enumerate(HOSTILE, start=3):
        cell = cases[f"{site_at}{number}"]
        assert str(cell.value).replace("_x000D_", "\r") == name
        assert cell.quotePrefix, "it stays a text if it is edited"


def test_a_text_longer_than_a_cell_says_that_it_is_cut(tmp_path: Path) -> None:
    long = result([row(1, settings_json="x" * (LONGEST + 900))])
    book = openpyxl.load_workbook(book_of(long, tmp_path))
    sheet = book["cases"]
    cell = sheet[f"{column(sheet, 'settings_json')}3"].value
    assert "cut here" in cell
    assert len(cell) <= 32_767


def test_a_study_without_money_has_no_sheets_of_money(tmp_path: Path) -> None:
    bare = without_money([row(1, with_money=False)])
    book = openpyxl.load_workbook(book_of(bare, tmp_path))
    assert book.sheetnames == ["read me", "assumptions", "cases", "runs", "manifest"]


def test_the_same_result_gives_the_same_cells(folder: Path, tmp_path: Path) -> None:
    told = study(folder, "today")
    first, again = (openpyxl.load_workbook(book_of(replace(told), tmp_path)) for _ in range(2))
    for name in first.sheetnames:
        assert list(first[name].values) == list(again[name].values)
