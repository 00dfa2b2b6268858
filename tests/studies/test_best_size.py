"""The size that is called best is the best of a row in which every size is valued."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from optimizer.economics.best_size import BestSize
from optimizer.report.study_text import study_record, study_text
from optimizer.studies.best_sizes import _Row
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


TWO_TOPS: dict[float, tuple[float, int]] = {
    2: (1348.9, 1), 4: (2319.5, 1), 6: (3044.0, 1), 8: (3362.0, 1), 10: (3635.4, 0), 12: (3608.7, 0),
    14: (3529.6, 0), 16: (3525.0, 0), 18: (3588.8, 0), 20: (3635.4, 0), 22: (3883.2, 0), 24: (3696.8, 0),
    26: (3643.8, 0), 28: (3651.5, 0), 30: (3462.2, 0),
}  # fmt: skip
"""Worth and replacements by size, all valued: a real home on a tariff with demand at any time, whose windows
fit some sizes better than others. From the guess of 12 kWh a climb ended at 10, 6 % below the best."""


def test_of_two_tops_the_higher_one_is_found_on_whichever_side_the_guess_lies() -> None:
    def valued(size: float) -> Any:
        npv, replacements = TWO_TOPS[size]
        money = SimpleNamespace(worth=SimpleNamespace(npv=npv), replacements=replacements)
        return SimpleNamespace(money=money)

    rule = SimpleNamespace(below_pct=70, only_if_it_pays=False)
    case: Any = SimpleNamespace(terms=SimpleNamespace(replacement=rule))
    guess = BestSize(12.0, 0.0, {}, is_proven=True)
    row = _Row(case, guess, tuple(TWO_TOPS), with_power=True, listed={10.0: valued(10.0)})
    while wanted := row.wanted:
        row.tried |= {size: valued(size) for size in wanted}
    assert max(row.worths, key=row.worths.__getitem__) == 22
    assert len(row.worths) <= 10, "few of fifteen"
