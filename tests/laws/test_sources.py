"""Where a saving comes from: sums to the last cent, and cases whose source is known beforehand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from optimizer.base.flows import Flows
from optimizer.cost.expression import linear_cost
from optimizer.evaluation.savings_breakdown import Sources, sources_of
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from optimizer.simulation.replay import replay
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DEMAND,
    FLAT,
    Case,
    cases,
    cost_of,
    grid_of,
    law,
    weather,
)

GRID = grid_of(24 * 14)
PLANT = replace(AC_PLANT, standing_loss_per_day=0.0, wear_per_kwh=0.0)
LOAD, PV = weather(GRID, 3)
NIGHT = {
    "kind": "energy",
    "name": "energy",
    "rates": [
        {"name": "night", "per_kwh": 0.1, "hours": ["00:00-06:00"]},
        {"name": "day", "per_kwh": 0.4, "otherwise": True},
    ],
}
EVENING_SALE = {
    "kind": "export_credit",
    "name": "export",
    "rates": [
        {"name": "evening", "per_kwh": 0.6, "hours": ["18:00-21:00"]},
        {"name": "rest", "per_kwh": 0.05, "otherwise": True},
    ],
}


def settings_with(*windows: Window) -> Settings:
    sets = [DaySet(days="every day", windows=list(windows))]
    season = SeasonSet(months=list(range(1, 13)), day_sets=sets)
    return Settings(settings="case", floor_pct=10.0, seasons=[season])


def split(charges: list, settings: Settings, *, pv_times: float = 1.0) -> Sources:
    cost = linear_cost(cost_of(charges, GRID).total, GRID.count)
    horizon = Horizon(PLANT, GRID, LOAD, pv_times * PV, PLANT.low_kwh)
    after = replay(horizon, settings)
    bare = replay(replace(horizon, plant=PLANT.without_battery(), start_kwh=0.0), no_windows(0.0))
    saved = cost.value(bare.flows) - cost.value(after.flows)
    return sources_of(
        cost, bare.flows, after.flows, after.stored_kwh, PLANT.low_kwh, PLANT.low_kwh, saved
    )


def test_sun_kept_for_the_evening_is_self_consumption_alone() -> None:
    found = split([FLAT, CREDIT], no_windows(10.0))
    assert found.self_consumption > 1
    assert found.demand == 0
    assert abs(found.moved_purchases) < 1e-9
    assert abs(found.sales) < 1e-9
    assert abs(found.other) < 0.05 * found.self_consumption  # what is still in the battery


def test_cheap_nights_for_dear_days_are_moved_purchases_alone() -> None:
    charge = Window(start="01:00", end="05:00", action="charge", until_pct=90)
    found = split([NIGHT, CREDIT], settings_with(charge), pv_times=0.0)
    assert found.moved_purchases > 1
    assert found.self_consumption == pytest.approx(0, abs=1e-9)
    assert found.sales == pytest.approx(0, abs=1e-9)
    assert found.demand == 0
    # 4 kWh and more a night for 0.1, worth 0.4 by day less the losses, on 14 days
    assert found.total == pytest.approx(found.moved_purchases, rel=0.05)


def test_what_is_sold_in_the_evening_is_a_sale() -> None:
    sell = Window(start="18:00", end="21:00", action="sell", power_kw=4.0)
    hold = Window(start="21:00", end="18:00", action="hold")
    found = split([FLAT, EVENING_SALE], settings_with(sell, hold), pv_times=2.0)
    assert found.sales > 1
    assert found.sales > 3 * abs(found.moved_purchases)


def test_a_lower_peak_is_demand() -> None:
    capped = Window(start="00:00", end="24:00", action="cover", import_cap_kw=2.0)
    found = split([FLAT, CREDIT, DEMAND | {"per_kw": 30.0}], settings_with(capped))
    twice = split([FLAT, CREDIT, DEMAND | {"per_kw": 60.0}], settings_with(capped))
    assert found.demand > 1
    assert twice.demand == pytest.approx(2 * found.demand)
    energy = split([FLAT, CREDIT], settings_with(capped))
    assert found.self_consumption == pytest.approx(energy.self_consumption)


@law(60)
@given(cases())
def test_the_sources_add_up_to_the_saving(case: Case) -> None:
    """Whatever tariff, equipment and settings; and on tariffs without steps little is left over."""
    cost = linear_cost(case.cost.total, case.grid.count)
    horizon = Horizon(case.plant, case.grid, case.load_kwh, case.pv_kwh, case.start_kwh)
    after = replay(horizon, case.settings)
    bare = replay(
        replace(horizon, plant=case.plant.without_battery(), start_kwh=0.0), no_windows(0.0)
    )
    saved = cost.value(bare.flows) - cost.value(after.flows)
    found = sources_of(
        cost, bare.flows, after.flows, after.stored_kwh, case.start_kwh, case.plant.low_kwh, saved
    )
    assert found.total == pytest.approx(saved, abs=1e-9)


def test_full_turns_leave_nothing_over() -> None:
    """Begun and ended at the floor, all that was bought has been used: 'other' is rounding."""
    grid = grid_of(24)
    night, evening = np.zeros(24), np.zeros(24)
    night[2], evening[19] = 4.0, 3.0
    load = np.full(24, 0.5)
    before = Flows(
        grid, load + evening, 0 * load, 0 * load, 0 * load, 0 * load, load + evening, 0 * load
    )
    after = Flows(
        grid, load + night, 0 * load, night * 0.9, evening / 0.9, 0 * load, load + evening,
        night * 0.1 + evening * (1 / 0.9 - 1),
    )  # fmt: skip
    level = np.cumsum(night * 0.9 * 0.95 - evening / 0.9 / 0.95)
    level[level < 1e-9] = 0.0
    level[19:] = 0.0
    cost = linear_cost(cost_of([NIGHT, CREDIT], grid).total, 24)
    saved = cost.value(before) - cost.value(after)
    found = sources_of(cost, before, after, level, 0.0, 0.0, saved)
    assert saved == pytest.approx(3.0 * 0.4 - 4.0 * 0.1)
    assert found.moved_purchases == pytest.approx(saved)
    assert found.other == pytest.approx(0, abs=1e-12)
