"""Tariffs that bill alike give the same groups of months, whatever their seasons are called."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.search.choose import groupings_for
from tests.builders import billed, local_grid, tariff_of

GRID = local_grid("2026-01-01T00:00", "Europe/Berlin", 8760)
FLAT = "- {kind: energy, name: Energy, per_kwh: 0.3}"
HALVES = "seasons: {summer: 05-01 to 08-31, winter: otherwise}"
SPLIT = "seasons: {spring: 05-01 to 06-30, late summer: 07-01 to 08-31, winter: otherwise}"
WARM_AND_COLD = """
- kind: energy
  name: Energy
  rates:
    - {name: warm, per_kwh: 0.2, seasons: [%s]}
    - {name: cold, per_kwh: 0.4, seasons: [winter]}
"""
SAME_PRICE = WARM_AND_COLD.replace("0.4", "0.2")
TWO_DEMANDS = """
- {kind: demand, name: Summer kW, per_kw: 5, interval_minutes: 60, seasons: [summer]}
- {kind: demand, name: Winter kW, per_kw: 5, interval_minutes: 60, seasons: [winter]}
"""
ONE_DEMAND = "- {kind: demand, name: kW, per_kw: 5, interval_minutes: 60}"

PAIRS = {
    "a season that no charge uses": ((FLAT, ""), (FLAT, HALVES)),
    "one price under two names": ((FLAT.replace("0.3", "0.2"), ""), (SAME_PRICE % "summer", HALVES)),
    "a season in two halves": (
        (WARM_AND_COLD % "summer", HALVES), (WARM_AND_COLD % "spring, late summer", SPLIT)),
    "demand in two charges": ((ONE_DEMAND, ""), (TWO_DEMANDS, HALVES)),
}  # fmt: skip


def groups(tmp_path, charges: str, rest: str):
    tariff = tariff_of(tmp_path, charges, rest)
    return groupings_for(tariff.season_of_months(GRID), GRID.months, 4)


@pytest.mark.parametrize("name", PAIRS)
def test_tariffs_that_bill_alike_group_months_alike(name, tmp_path):
    one, other = PAIRS[name]
    luck = np.random.default_rng(1)
    for _ in range(3):
        kwh = luck.exponential(2.0, GRID.count)
        bills = [
            billed(tariff_of(tmp_path, *words), GRID, kwh).by_period() for words in PAIRS[name]
        ]
        assert bills[0] == pytest.approx(bills[1], rel=1e-12)
    assert groups(tmp_path, *one) == groups(tmp_path, *other)


@pytest.mark.parametrize(
    "charges",
    [
        WARM_AND_COLD % "summer",
        ONE_DEMAND.replace("60}", "60, seasons: [summer]}"),
        TWO_DEMANDS.replace("per_kw: 5", "per_kw: 4", 1),
        "- {kind: demand, name: kW, per_kw: 5, interval_minutes: 60, seasons: [summer],"
        " billed_in: every month, ratchet: {pct: 50}}",
    ],
)
def test_seasons_that_bill_otherwise_stay_apart(charges, tmp_path):
    named = tariff_of(tmp_path, charges, HALVES).season_of_months(GRID)
    assert named == ["winter"] * 4 + ["summer"] * 4 + ["winter"] * 4


def test_seasons_of_which_one_cannot_stand_all_year_stay_apart(tmp_path):
    """Hours of a demand that is billed in the winter months alone: held in July, there is none."""
    charges = """
    - {kind: demand, name: kW, per_kw: 5, interval_minutes: 60, billed_in: [9, 10, 11, 12, 1, 2, 3, 4]}
    - kind: energy
      name: Energy
      rates:
        - name: cold
          seasons: [winter]
          blocks: {demand: kW, blocks: [{up_to_h: 100, per_kwh: 0.3}, {per_kwh: 0.1}]}
        - {name: warm, per_kwh: 0.2, seasons: [summer]}
    """
    named = tariff_of(tmp_path, charges, HALVES).season_of_months(GRID)
    assert named == ["winter"] * 4 + ["summer"] * 4 + ["winter"] * 4
