"""Several sites that share one decision: their sums, from studies of each site alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from optimizer.base.errors import InputError
from optimizer.report.study_files import write_study
from optimizer.report.study_page import study_page
from optimizer.report.study_text import study_record, study_text
from optimizer.studies.run import run_study
from optimizer.studies.verdict import Row, StudyResult
from optimizer.workflows.verify_study import verify_study
from tests.studies.small import study_of, write_sites

TEXT = """\
study: Together
sites: [{sites}]
{more}
vary: {{battery_kwh: [4, 12]}}
money:
  discount_pct: 5
  years: 6
  battery: {{fixed: 100, per_kwh: 60}}
"""
ROW = "decide_together: {the row: {elm: 3, oak: 2}}"
ANNUITY = sum(1.05**-year for year in range(1, 7))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("together")
    write_sites(folder, days=360)
    return folder


def run(folder: Path, sites: str, more: str = "", name: str = "study.yaml") -> StudyResult:
    path = study_of(folder, TEXT.format(sites=sites, more=more), name)
    return run_study(path, folder / "out", processes=0, progress=lambda _text: None)


@pytest.fixture(scope="module")
def told(folder: Path) -> StudyResult:
    return run(folder, "elm, oak", ROW)


def of(result: StudyResult, site: str, kwh: float) -> Row:
    (row,) = (
        row for row in result.rows
        if (row["site"], row["battery_kwh"], row["way"]) == (site, kwh, "with windows")
    )  # fmt: skip
    return row


def test_the_figures_of_all_are_sums_of_two_studies_of_a_site_each(
    folder: Path, told: StudyResult
) -> None:
    alone = {site: run(folder, site, name=f"{site}.yaml") for site in ("elm", "oak")}
    for kwh in (4, 12):
        both = of(told, "the row", kwh)
        elm, oak = (of(alone[site], site, kwh) for site in ("elm", "oak"))
        for name in ("npv_eur", "investment_eur", "saves_eur", "bill_eur", "bill_plan_eur",
                     "npv_of_plan_eur", "cost_present_value_eur", "import_windows_kwh",
                     "windows_to_type", "discharged_kwh", "from_demand_eur"):  # fmt: skip
            assert both[name] == pytest.approx(3 * elm[name] + 2 * oak[name], abs=1e-7), name
        # nothing rises or ages: the same is saved each year, and bought once for each of five
        paid = 5 * (100 + 60 * kwh)
        saved = (both["npv_eur"] + paid) / ANNUITY
        assert both["investment_eur"] == paid
        assert both["payback_years"] == (pytest.approx(paid / saved) if paid / saved <= 6 else None)
        just = saved * ANNUITY / (5 * kwh)
        assert both["break_even_price_eur_per_kwh"] == pytest.approx(just)
        assert both["price_eur_per_kwh"] == pytest.approx(paid / (5 * kwh))
        assert (both["peak_import_windows_kw"], both["settings_json"]) == (None, None)
        for site, row in (("elm", elm), ("oak", oak)):  # and the rows of each site are as before
            assert of(told, site, kwh)["npv_eur"] == row["npv_eur"]


def test_the_group_is_ranked_in_place_of_its_sites(told: StudyResult) -> None:
    assert {row["site"] for row in told.ranked} == {"the row"}
    assert len(told.rows) == 6
    best = told.ranked[0]["battery_kwh"]
    assert [(v.row["site"], v.row["battery_kwh"]) for v in told.verdicts] == [
        ("elm", best), ("oak", best),
    ]  # fmt: skip
    text = " ".join(study_text(told).split())
    assert "'the row' is decided together for 3 × elm, 2 × oak" in text
    assert "6 cases of 2 sites" in text
    assert "THE SHARE IN WHAT IS BEST TOGETHER OF elm" in text
    page = study_page(told)
    for site in ("the row", "elm", "oak"):
        assert f"<h3>{site}</h3>" in page
    assert study_record(told)["decided_together"] == {"the row": {"elm": 3, "oak": 2}}
    assert told.moneys[of(told, "the row", 4)["case"]].worth.npv == pytest.approx(
        of(told, "the row", 4)["npv_eur"]
    )


def test_its_files_hold_when_they_are_recomputed(told: StudyResult, tmp_path: Path) -> None:
    write_study(told, tmp_path, ["csv", "xlsx"])
    found = verify_study(tmp_path)
    assert {check.outcome for check in found.checks} <= {"agrees", "not checked"}, found.first
    assert "decided together" in {check.name for check in found.checks}


@pytest.mark.parametrize("column", ["npv_eur", "bill_eur", "investment_eur", "payback_years",
                                    "import_windows_kwh", "windows_to_type", "kept_share_pct"])  # fmt: skip
def test_a_sum_of_a_group_that_is_not_that_of_its_sites_is_named(
    column: str, told: StudyResult, tmp_path: Path
) -> None:
    write_study(told, tmp_path, [])
    record = json.loads((tmp_path / "study.json").read_text(encoding="utf-8"))
    case = told.ranked[0]["case"]
    row = next(row for row in record["rows"] if row["case"] == case)
    row[column] = (row[column] or 0) + 1
    (tmp_path / "study.json").write_text(json.dumps(record), encoding="utf-8")
    first = verify_study(tmp_path).first
    assert first is not None
    assert first.name == "decided together"
    assert column in str(first.where)


def test_what_is_no_case_at_one_site_is_told_and_not_ranked(folder: Path) -> None:
    more = f"{ROW}\nleave_out: [{{site: oak, battery_kwh: 4}}]"
    result = run(folder, "elm, oak", more, "lacking.yaml")
    row = of(result, "the row", 4)
    assert (row["status"], row["reason"]) == (
        "left out", "it is no case at oak, so there is no sum",
    )  # fmt: skip
    assert [row["battery_kwh"] for row in result.ranked] == [12]
    assert "it is no case at oak" in study_text(result)


def test_measured_from_today_all_together_change_nothing_or_the_same(folder: Path) -> None:
    result = run(folder, "elm, oak", f"{ROW}\nreference: {{}}", "today.yaml")
    (today,) = (row for row in result.ranked if row["role"] == "today")
    assert (today["site"], today["npv_eur"]) == ("the row", 0)
    ways = sorted((row["way"], row["battery_kwh"]) for row in result.ranked)
    assert ways == [
        ("no battery", 0), ("no windows", 4), ("no windows", 12), ("with windows", 4),
        ("with windows", 12),
    ]  # fmt: skip
    assert study_text(result)


@pytest.mark.parametrize(
    ("group", "words"),
    [
        ("{a: {elm: 1, ash: 2}}", "'ash', which is not listed"),
        ("{a: {elm: 1}, b: {elm: 2}}", "'elm' is decided twice"),
        ("{elm: {elm: 2}}", "is called as one of the sites"),
        ("{a: {elm: 0}}", "it must be at least 1"),
        ("{a: {elm: 1}}\nleave_out_hopeless: true", "looks at each site alone"),
    ],
)
def test_a_group_that_makes_no_sense_is_refused(folder: Path, group: str, words: str) -> None:
    with pytest.raises(InputError) as refused:
        run(folder, "elm, oak", f"decide_together: {group}", "odd.yaml")
    assert words in str(refused.value)
