"""Plans of random sites cost what a stranger's program finds; a sample of ``tests/bench/strangers.py``."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.bench.strangers import Case, compared

WELL = {"agree", "agree within our gap", "both find no plan", "refused"}

TINY_HUGE_CHEAP_DEAR = [20003, 20044, 20066, 20075, 20134, 20161]
"""Sites of watts or megawatts, prices of millionths or ten thousands; each was a fault or a wrong "no plan"."""


@pytest.mark.parametrize("seed", range(1, 13))
@pytest.mark.sweep(every=2)
def test_a_usual_site_costs_what_the_stranger_finds(seed: int) -> None:
    found = compared(Case.drawn(seed, extreme=0.0))
    assert found.end in WELL, found


@pytest.mark.parametrize("seed", TINY_HUGE_CHEAP_DEAR)
def test_an_extreme_site_costs_what_the_stranger_finds(seed: int) -> None:
    found = compared(Case.drawn(seed, extreme=1.0))
    assert found.end in WELL, found


def test_energy_is_burnt_where_every_hour_is_paid_for_buying() -> None:
    """What may burn moved on by one step a round, until the rounds were over."""
    case = Case.drawn(1, extreme=0.0)
    battery = {
        "capacity_kwh": 9.0, "charge_kw": 1.141, "discharge_kw": 5.113, "floor_pct": 5, "ceiling_pct": 100,
        "charge_efficiency_pct": 90, "discharge_efficiency_pct": 100, "standing_loss_pct_per_day": 0,
        "wear_per_kwh": 0.02, "cycles_per_day": 1,
    }  # fmt: skip
    site = case.site | {"battery": battery, "permissions": {"charge_from_grid": True, "export_stored_energy": True},
                        "inverter": {"ac_limit_kw": 1.696, "efficiency_pct": 100, "charging_efficiency_pct": 100},
                        "start_pct": 50, "end_pct": 50}  # fmt: skip
    charges = [
        {"kind": "energy", "name": "Energy", "rates": [
            {"name": "night", "per_kwh": -0.02436, "hours": ["22:00-06:00"]},
            {"name": "other", "per_kwh": -0.3281, "otherwise": True}]},
        {"kind": "net_energy", "name": "Net", "per_kwh": 0.09489, "left_over": "lost"},
    ]  # fmt: skip
    found = compared(replace(case, site=site, charges=charges))
    assert found.end in WELL, found
