"""Tariffs that bill alike lead to the same windows, whatever names they give."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.base.flows import Flows
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import shipped_folder
from optimizer.scenario.brief import Brief, read_brief
from optimizer.search.choose import Effort, find_settings, groupings_for
from optimizer.settings.windows import Settings
from optimizer.workflows.inputs import groupings_of, task_of
from optimizer.workflows.solve import cheapest_plan

CHARGES = """\
    charges:
      - kind: energy
        name: Energy
        rates:
          - {name: night, hours: [23:00-06:00], per_kwh: 0.12}
          - {name: day, hours: [06:00-23:00], per_kwh: 0.34}
      - {kind: export_credit, name: Export credit, per_kwh: 0.05}
"""
HEAD = """\
tariff: Alike
currency: USD
invented: true
versions:
  - from: 2010-01-01
    source: invented for this test
"""
UNUSED = """\
    seasons:
      early: 01-01 to 05-31
      late: 06-01 to 12-31
"""


def brief_with(folder: Path, seasons: str) -> Brief:
    """Return nine weeks around the first of June on a tariff with or without named seasons."""
    folder.mkdir()
    source = shipped_folder("scenarios") / "1_two_rates"
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    some = [line for line in lines[3:] if "2026-05-01" <= line[:10] < "2026-07-05"]
    (folder / "forecast.csv").write_text("\n".join([*lines[:3], *some]), encoding="utf-8")
    text = (source / "scenario.yaml").read_text(encoding="utf-8")
    text = text.replace("tariff: two_rates", "tariff: tariff.yaml")
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    (folder / "tariff.yaml").write_text(HEAD + seasons + CHARGES, encoding="utf-8")
    return read_brief(folder)


def windows_of(brief: Brief) -> Settings:
    task = task_of(brief, cheapest_plan(brief, 60, lambda _told: None))
    groupings = groupings_of(brief, task.controls)
    return find_settings(task, brief.weather, "alike", groupings, Effort(200, 400)).settings


def test_a_key_that_no_charge_uses_changes_neither_bill_nor_windows(tmp_path: Path) -> None:
    plain, named = brief_with(tmp_path / "plain", ""), brief_with(tmp_path / "named", UNUSED)
    assert "early" in named.tariff.file.versions[0].seasons
    grid, luck = plain.scenario.forecast.grid, np.random.default_rng(1)
    for _ in range(5):
        flows = Flows.of_meter(grid, luck.random(grid.count), luck.random(grid.count))
        assert bill_flows(plain.cost, flows).total == bill_flows(named.cost, flows).total
    assert groupings_of(plain, plain.scenario.controls) == groupings_of(
        named, named.scenario.controls
    )
    assert windows_of(plain) == windows_of(named)


def test_groups_of_months_follow_from_how_months_are_divided_and_not_from_names() -> None:
    months = list(range(1, 13))
    divided = "rrrpppqqqqqq"
    plain = groupings_for(list(divided), months, 12)
    for names in ({"p": "x", "q": "y", "r": "xsunny"}, {"p": "", "q": "2", "r": "sunny"}):
        assert groupings_for([names[one] for one in divided], months, 12) == plain
