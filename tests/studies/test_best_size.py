"""The size that is called best is the best of a row in which every size is valued."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.report.study_text import study_record, study_text
from optimizer.studies.run import run_study
from optimizer.studies.verdict import StudyResult
from tests.studies.small import study_of, write_sites

SIZES = [2.0, 5.0, 8.0, 11.0, 14.0]
STUDY = """\
study: Sizes
sites: [elm]
vary: {{battery_kwh: {listed}}}
money: {{discount_pct: 5, years: 8, battery: {{fixed: 100, per_kwh: 410}}}}
ageing: {{calendar_pct_per_year: 2, pct_per_1000_cycles: 8, replan_every_years: 8}}
"""
ROW = "best_size: {from_kwh: 2, to_kwh: 14, count: 5}\n"


def run(folder: Path, name: str, text: str) -> StudyResult:
    path = study_of(folder, text, name)
    return run_study(path, folder / "out", processes=2, progress=lambda _told: None)


@pytest.mark.long
def test_the_best_size_is_the_best_of_all_sizes_valued_with_windows_and_ageing(
    tmp_path: Path,
) -> None:
    """At a price at which the plan would have a large battery, and windows on one that ages a small one."""
    write_sites(tmp_path, ["elm"], days=364)
    result = run(tmp_path, "best.yaml", STUDY.format(listed=[14]) + ROW)
    every = run(tmp_path, "all.yaml", STUDY.format(listed=SIZES))
    worths = {row["battery_kwh"]: row["npv_eur"] for row in every.rows}
    best = max(SIZES, key=worths.__getitem__)
    (sized,) = result.sized
    row = result.rows[sized.case - 1]
    assert sized.best.size_kwh != best, "the plan's guess would do, and this would show nothing"
    assert (row["role"], row["battery_kwh"], row["npv_eur"]) == ("best size", best, worths[best])
    assert all(worths[size] == npv for size, npv in sized.valued.items())
    assert result.ranked[0]["battery_kwh"] == best
    text = " ".join(study_text(result).split())
    assert f"of the {len(sized.valued)} that were valued so of 5 sizes that are asked for" in text
    (record,) = study_record(result)["best_sizes"]
    assert record["size_kwh"] == best
    assert record["first_guess_kwh"] == sized.best.size_kwh
    tried = {each["battery_kwh"] for each in result.rows if each["role"] == "tried size"}
    assert tried == set(sized.valued) - {best, 14.0}, "14 kWh is listed"
