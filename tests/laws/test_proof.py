"""No settings cost less than the bound, and where settings can all be listed the best is found."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, clock
from optimizer.planning.plan import make_plan
from optimizer.search.first_guesses import Draft
from optimizer.search.score_kernel import OVERLOAD_COST
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Plant
from tests.bench.proof import bounds_kernel as proof_kernel
from tests.bench.proof import branch_and_bound as proof
from tests.bench.proof import orders as proof_orders
from tests.bench.proof.branch_and_bound import prove
from tests.bench.proof.labels import Drafts, Ground
from tests.bench.proof.orders import orders_of_controls
from tests.builders import run_through
from tests.laws.cases import (
    AC_PLANT,
    DC_PLANT,
    grid_of,
    law,
    named_cost,
    plants,
    problem_of,
    weather,
)

pytestmark = pytest.mark.long  # it judges the search from the benches

WORTH = 0.12
COARSE: dict[str, Any] = {"soc_step_pct": 50.0, "power_step_kw": 4.0, "day_types": "every_day"}
TIGHT = replace(AC_PLANT, import_limit_kw=2.5, export_limit_kw=1.0, may_export_stored=False)
PLANTS = {"ac": AC_PLANT, "dc": DC_PLANT, "tight": TIGHT}
HABITS = [
    Behaviour(),
    Behaviour(pv_charges_first=True, running_loss_kw=0.2),
    Behaviour(surplus_first="export", least_power_kw=0.5, standby_kw=0.1),
    Behaviour(cap_uses_battery=False),
]
TARIFFS = ["two rates", "demand", "negative prices", "sell above buy", "everything"]


def ground_of(
    plant: Plant, grid: TimeGrid, tariff: str, controls: Controls, seed: int = 3, start: float = 0.4
) -> Ground:
    load, pv = weather(grid, seed)
    none = np.zeros(grid.count)
    flows = Flows.of_meter(grid, load, none)
    problem = problem_of(plant, grid, load, pv, named_cost(tariff, grid))
    level = plant.low_kwh + start * (plant.high_kwh - plant.low_kwh)
    steps = np.arange(grid.count)
    return Ground(plant, controls, grid, steps, load, pv, level, problem.cost, flows, WORTH)


def settings_of(drafts: Drafts, ground: Ground) -> Settings:
    """Return drafts as a person would type them; a value that cannot bind is left out."""
    plant = ground.plant

    def window(draft: Draft) -> Window:
        end = draft.begin + draft.length
        whole = draft.length == MINUTES_PER_DAY
        limits: dict[str, float] = {}
        if draft.action == "charge":
            limits["until_pct"] = draft.level_pct
            if draft.power_kw < plant.charge_kw / plant.to_dc_efficiency:
                limits["grid_kw"] = draft.power_kw
        if draft.action in {"cover", "sell"}:
            limits["down_to_pct"] = draft.level_pct
        if draft.action == "sell":
            limits["power_kw"] = draft.power_kw
        if math.isfinite(draft.cap_kw):
            limits["import_cap_kw"] = draft.cap_kw
        return Window(
            start="00:00" if whole else clock(draft.begin % MINUTES_PER_DAY),
            end="24:00" if whole else clock(end % MINUTES_PER_DAY or MINUTES_PER_DAY),
            action=draft.action,
            **limits,
        )

    day_sets = [
        DaySet(days=name, windows=[window(draft) for draft in part])
        for name, part in zip(ground.controls.day_sets(), drafts, strict=True)
    ]
    season = SeasonSet(months=list(range(1, 13)), day_sets=day_sets)
    return Settings(settings="case", floor_pct=plant.soc_pct(plant.low_kwh), seasons=[season])


def cost_by_replay(drafts: Drafts, ground: Ground) -> float:
    """Return the cost as the bill of a replay tells it."""
    run = run_through(
        ground.plant, ground.grid, ground.load_kwh, ground.pv_kwh, settings_of(drafts, ground),
        ground.start_kwh,
    )  # fmt: skip
    wear = ground.plant.wear_per_kwh * float(run.flows.discharge_kwh.sum())
    left = float(run.stored_kwh[-1]) - ground.start_kwh
    bill = ground.cost.value(run.flows) - ground.cost.constant
    return bill + wear - ground.leftover * left + OVERLOAD_COST * run.overload_kwh


def clocks(slots: int, orders: int, most: int) -> Iterator[tuple[int, ...]]:
    """Yield all labels around the clock with at most so many windows."""
    for labels in product(range(orders), repeat=slots):
        begun = sum(labels[s] != labels[s - 1] and labels[s] > 0 for s in range(slots))
        if max(begun, int(len(set(labels)) == 1 and labels[0] > 0)) <= most:
            yield labels


def drafts_of(labels: tuple[int, ...], orders: list[Draft], minutes: int) -> tuple[Draft, ...]:
    """Return labels of equal slots as windows, runs joined around midnight."""
    slots = len(labels)
    if len(set(labels)) == 1:
        whole = orders[labels[0] - 1]._replace(length=MINUTES_PER_DAY)
        return (whole,) if labels[0] else ()
    begins = [s for s in range(slots) if labels[s] != labels[s - 1]]
    return tuple(
        orders[labels[b] - 1]._replace(begin=b * minutes, length=(e - b) * minutes)
        for b, e in zip(begins, [*begins[1:], begins[0] + slots], strict=True)
        if labels[b]
    )


@pytest.mark.parametrize("tariff", TARIFFS)
@pytest.mark.parametrize("plant", PLANTS)
def test_the_best_of_all_settings_is_found_where_they_can_be_listed(
    plant: str, tariff: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Six slots, one window: each labelling is replayed and billed here, one by one."""
    controls = Controls(windows_per_day=1, actions=["charge", "sell"], **COARSE)
    ground = ground_of(PLANTS[plant], grid_of(48), tariff, controls)
    orders = list(orders_of_controls(controls, ground.plant, float(ground.load_kwh.max())))
    every = [(drafts_of(c, orders, 240),) for c in clocks(6, len(orders) + 1, 1)]
    least = min(cost_by_replay(drafts, ground) for drafts in every)
    monkeypatch.setattr(proof, "LEAF", 5 * 48)
    monkeypatch.setattr(proof, "ROOT_ROUNDS", 5)

    found = prove(ground, [], most_work=10**9, slot_minutes=240)

    assert found.is_exact
    assert found.nodes > 1 or found.bound == pytest.approx(found.cost)
    assert found.cost == pytest.approx(least, abs=1e-6)
    assert cost_by_replay(found.best, ground) == pytest.approx(found.cost, abs=1e-6)
    assert found.settings == len(every)


@pytest.mark.parametrize("tariff", ["two rates", "demand"])
def test_two_day_sets_and_two_windows_are_searched_as_well(
    tariff: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    controls = Controls(
        windows_per_day=2, day_types="weekday_weekend", actions=["cover", "hold"],
        soc_step_pct=50.0,
    )  # fmt: skip
    plant = AC_PLANT
    ground = ground_of(plant, grid_of(96, start="2025-06-06"), tariff, controls)  # from Friday on
    orders = list(orders_of_controls(controls, plant, float(ground.load_kwh.max())))
    listed = [drafts_of(c, orders, 480) for c in clocks(3, len(orders) + 1, 2)]
    least = min(cost_by_replay(pair, ground) for pair in product(listed, listed))
    monkeypatch.setattr(proof, "LEAF", 50 * 96)
    monkeypatch.setattr(proof, "ROOT_ROUNDS", 20)

    found = prove(ground, [], most_work=10**9, slot_minutes=480)

    assert found.is_exact
    assert found.settings == len(listed) ** 2
    assert found.cost == pytest.approx(least, abs=1e-6)


@law(60)
@given(
    plants(), st.sampled_from(HABITS), st.sampled_from(TARIFFS), st.integers(0, 10**6),
    st.floats(0, 1),
)  # fmt: skip
def test_no_order_in_any_step_gets_below_the_bound_from_few_cells(
    plant: Plant, habits: Behaviour, tariff: str, seed: int, start: float
) -> None:
    """The bound holds even if the order changes in every step, and however coarse the cells are."""
    controls = Controls(import_cap=True, **COARSE)
    plant = replace(plant, behaviour=habits)
    ground = ground_of(plant, grid_of(48, 30), tariff, controls, seed, start)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(proof_orders, "LEAST_CELLS", 7)
        tree = proof._Tree(ground, None, 10**12, 0.0, -math.inf, lambda _cost, _bound: None)
        tree.list_orders()
        assert tree.prepare()
    luck = np.random.default_rng(seed)
    faces = luck.integers(len(tree.table), size=(200, 48))
    faces[:100] = luck.permuted(faces[:100, :1] * np.ones((1, 48), dtype=np.int64), axis=0)
    each_step = np.arange(48)
    tangent = tree.tangent_at(np.abs(luck.normal(size=48)), np.abs(luck.normal(size=48)))
    may = np.ones((48, len(tree.table)), dtype=bool)
    node = proof._Node(may, np.zeros(tree.rows.count), tangent)

    bound = tree.swept(node) + tangent.amount
    cost = tree.score(tree.table, each_step, faces)

    assert bound <= cost.min() + 1e-6 * max(1.0, abs(bound))


@law(15)
@given(plants(), st.sampled_from(HABITS), st.sampled_from(TARIFFS), st.integers(0, 10**6))
def test_random_settings_never_cost_less_than_a_bound_after_little_work(
    plant: Plant, habits: Behaviour, tariff: str, seed: int
) -> None:
    controls = Controls(windows_per_day=2, import_cap=True, **COARSE)
    plant = replace(plant, behaviour=habits, cycles_per_day=None)  # a bill knows no cycles
    ground = ground_of(plant, grid_of(72), tariff, controls, seed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(proof, "LEAF", 200 * 72)
        patch.setattr(proof, "ROOT_ROUNDS", 20)
        patch.setattr(proof_orders, "LEAST_CELLS", 20)
        found = prove(ground, [], most_work=2 * 10**6)
    orders = list(orders_of_controls(controls, ground.plant, float(ground.load_kwh.max())))
    luck = np.random.default_rng(seed)
    for _ in range(20):
        edges = np.sort(luck.choice(24, 4, replace=False))
        one, two = (orders[int(luck.integers(len(orders)))] for _ in range(2))
        drafts = (
            one._replace(begin=int(edges[0]) * 60, length=int(edges[1] - edges[0]) * 60),
            two._replace(begin=int(edges[2]) * 60, length=int(edges[3] - edges[2]) * 60),
        )
        cost = cost_by_replay((drafts,), ground)
        assert cost >= found.bound - 1e-6
        tried = prove(ground, [(drafts,)], most_work=1)
        assert tried.cost <= cost + 1e-6


@pytest.mark.parametrize("tariff", ["two rates", "demand"])
def test_the_cheapest_plan_is_a_floor_for_the_bound(tariff: str) -> None:
    grid = grid_of(72)
    controls = Controls(windows_per_day=1, minutes=60, **COARSE)
    ground = ground_of(AC_PLANT, grid, tariff, controls, start=0.0)
    problem = problem_of(
        AC_PLANT, grid, ground.load_kwh, ground.pv_kwh, named_cost(tariff, grid),
        leftover_per_kwh=WORTH,
    )  # fmt: skip
    plan = make_plan(problem, named_cost(tariff, grid))
    floor = plan.cost - problem.cost.constant + WORTH * ground.start_kwh
    found = prove(ground, [], most_work=10**8, floor_bound=floor)
    assert floor - 1e-6 <= found.bound <= found.cost


def test_controls_too_rich_to_look_at_keep_the_floor_and_say_why() -> None:
    ground = ground_of(AC_PLANT, grid_of(72), "two rates", Controls(import_cap=True))
    found = prove(ground, [], most_work=10**8, floor_bound=-5.0)
    assert found.bound == -5.0
    assert "orders" in found.why
    assert not found.is_exact


@pytest.mark.parametrize(
    ("habits", "reason"),
    [(Behaviour(at_target="ends"), "target"), (Behaviour(floor_restart_pct=5), "rests")],
)
def test_equipment_that_remembers_more_than_its_level_is_not_bounded(
    habits: Behaviour, reason: str
) -> None:
    controls = Controls(windows_per_day=2, minutes=60, **COARSE)
    ground = ground_of(replace(AC_PLANT, behaviour=habits), grid_of(72), "two rates", controls)
    found = prove(ground, [], most_work=10**5)
    assert found.bound == -math.inf
    assert reason in found.why


def test_the_same_input_gives_the_same_proof() -> None:
    controls = Controls(windows_per_day=1, minutes=60, **COARSE)
    ground = ground_of(DC_PLANT, grid_of(72), "demand", controls)
    assert prove(ground, [], most_work=10**7) == prove(ground, [], most_work=10**7)


def test_labels_around_the_clock_are_counted_and_priced_like_a_list_of_them() -> None:
    luck = np.random.default_rng(4)
    for most in (0, 1, 2, 3):
        costs = luck.normal(size=(5, 3))
        every = list(clocks(5, 3, most))
        price = np.array([costs[np.arange(5), list(c)].sum() for c in every])
        labels, through = np.zeros(5, dtype=np.int64), np.zeros((5, 3))
        least = proof_kernel.windows_least(costs, most, 0.0, labels, through)
        assert least == pytest.approx(price.min())
        assert tuple(labels) == every[int(price.argmin())]
        for slot, order in product(range(5), range(3)):
            of_these = [p for c, p in zip(every, price, strict=True) if c[slot] == order]
            if of_these:
                assert through[slot, order] == pytest.approx(min(of_these))
        assert proof_kernel.windows_count(np.ones((5, 3), dtype=bool), most) == len(every)
        out, paid = np.zeros((len(every), 5), dtype=np.int64), np.zeros(len(every))
        limit = float(np.median(price)) + 1e-9
        count = proof_kernel.windows_below(costs, most, 0.0, limit, out, paid)
        assert sorted(map(tuple, out[:count])) == sorted(
            c for c, p in zip(every, price, strict=True) if p < limit
        )
