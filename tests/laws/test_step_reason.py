"""Why a step is as it is: small cases on paper, and each claim held against what changes without the limit.

On paper the battery holds 10 kWh and moves 4 kW without loss; steps are hours. A kWh of import costs 0.25,
one of export earns 0.05.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given

from optimizer.evaluation.step_reason import SAME_KWH, StepReason, StepReasons
from optimizer.scenario.brief import read_brief
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.simulation.trace import CHARGED, DISCHARGED, NET, ROW
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Connection, Inverter, Permissions, Plant
from optimizer.site.limits import TimedLimit
from optimizer.workflows.trying import Trying
from tests.builders import hourly_grid
from tests.laws.cases import Case, law
from tests.laws.test_behaviour import NO_WINDOWS, all_day, battery, cases_with_habits

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def reasons(horizon: Horizon, settings: Settings) -> StepReasons:
    count = horizon.grid.count
    prices = {"import_kwh": np.full(count, 0.25), "export_kwh": np.full(count, -0.05)}
    return StepReasons(horizon, settings, replay(horizon, settings), prices, "EUR", {})


def why(
    plant: Plant,
    load: float,
    pv: float,
    settings: Settings = NO_WINDOWS,
    *,
    start: float,
    **habits: Any,
) -> StepReason:
    """Return the reason of one hour."""
    plant = replace(plant, behaviour=Behaviour(**habits))
    horizon = Horizon(plant, hourly_grid(1), np.array([load]), np.array([pv]), start)
    return reasons(horizon, settings).of(0)


def inverter(kw: float) -> Plant:
    return battery(inverter=Inverter(ac_limit_kw=kw, efficiency_pct=100))


def connection(**limits: Any) -> Plant:
    return battery(connection=Connection(**limits))


FLOOR = battery(floor_pct=10)
NIGHT = TimedLimit(rule="night", import_kw=2.5)

BY_HAND = [
    # an empty battery, one that gives its last, a window that lets it go no lower
    (FLOOR, 2, 0, NO_WINDOWS, 1, {}, "drawn", "floor", 2, "down at its floor of 10 %"),
    (FLOOR, 2, 0, NO_WINDOWS, 2.5, {}, "drawn", "floor", 0.5, "gives 1.5 kW, all that is left above"),
    (FLOOR, 2, 0, all_day("cover", down_to_pct=60.0), 6, {}, "drawn", "level", 2, "no lower than 60 %"),
    # an order that keeps it from giving, and one that would not matter, for the battery is empty
    (FLOOR, 2, 0, all_day("hold"), 6, {}, "drawn", "order", 2, "what is stored is to be held"),
    (FLOOR, 2, 0, all_day("hold"), 1, {}, "drawn", "floor", 2, "down at its floor of 10 %"),
    (FLOOR, 2, 0, all_day("charge", grid_kw=0.0), 6, {}, "drawn", "order", 2, "to be filled, not drawn from"),
    # powers of battery and inverter, of a sale
    (battery(), 6, 0, NO_WINDOWS, 9, {}, "drawn", "battery power", 2, "gives 4 kW, all that it can"),
    (inverter(3), 5, 0, NO_WINDOWS, 9, {}, "drawn", "inverter", 2, "lets no more than 3 kW through"),
    (battery(), 3, 0, all_day("sell", power_kw=2.0), 9, {}, "drawn", "sale", 1, "the window sells 2 kW"),
    # habits
    (FLOOR, 2, 0, NO_WINDOWS, 1, {"floor_restart_pct": 20.0}, "drawn", "resting", 2, "rests until it stands 20 %"),
    (battery(), 0.5, 0, NO_WINDOWS, 9, {"least_power_kw": 1.0}, "drawn", "least power", 0.5, "rests below 1 kW"),
    (battery(), 2, 3, NO_WINDOWS, 5, {"pv_charges_first": True}, "PV first", "PV first", 2, "PV fills the battery"),
    # filled from the grid, each limit in turn: 4 kW of the battery, its window's 1.5 kW, 1 kWh to the target
    (battery(), 1, 0, all_day("charge"), 2, {}, "filled", "battery power", 5, "takes no more than 4 kW"),
    (battery(), 1, 0, all_day("charge", grid_kw=1.5), 2, {}, "filled", "grid power", 2.5, "lets the grid give: 1.5 kW"),
    (battery(), 1, 0, all_day("charge", until_pct=30.0), 2, {}, "filled", "target", 2, "until it stands at 30 %"),
    (battery(), 1, 0, all_day("charge", until_pct=30.0), 3, {}, "drawn", "target", 1, "reached the 30 %"),
    (inverter(3), 1, 0, all_day("charge"), 2, {}, "filled", "inverter", 4, "lets no more than 3 kW through"),
    (battery(), 1, 0, all_day("charge", import_cap_kw=2.0), 2, {}, "filled", "cap", 2, "keeps the import at 2 kW"),
    (connection(import_limit_kw=3), 1, 0, all_day("charge"), 2, {}, "filled", "import limit", 3, "3 kW of the connection"),
    (connection(limits=[NIGHT]), 1, 0, all_day("charge"), 2, {}, "filled", "import limit", 2.5, "2.5 kW of the rule “night”"),
    (connection(fill_limit_kw=1.25), 1, 0, all_day("charge"), 2, {}, "filled", "fill limit", 2.25, "allows"),
    (battery(), 0, 0, all_day("charge"), 9, {"slow_above_pct": 50.0, "slow_to_pct": 10.0}, "filled", "slow", None, "so near to full"),
    # a cap that the battery meets while it holds, and one that it cannot meet
    (FLOOR, 5, 0, all_day("hold", import_cap_kw=2.0), 9, {}, "drawn", "cap", 2, "gives the 3 kW that keep the import at 2 kW"),
    (FLOOR, 5, 0, all_day("hold", import_cap_kw=2.0), 1, {}, "drawn", "floor", 5, "more than the 2 kW that are allowed"),
    # a charge window that the connection leaves no room for, and that the battery cannot help
    (connection(import_limit_kw=4), 5, 0, all_day("charge"), 2, {"cap_uses_battery": False}, "drawn", "import limit", 5, "cannot be while the import is at the 4 kW of the connection or more"),
    (connection(import_limit_kw=4), 5, 0, all_day("charge"), 2, {}, "drawn", "import limit", 4, "gives the 1 kW that keep the import at the 4 kW of the connection"),
    # nothing from the grid
    (battery(), 2, 0, NO_WINDOWS, 9, {}, "covered", None, 0, "gives the 2 kW that are asked for"),
    (battery(), 1, 4, NO_WINDOWS, 2, {}, "sunny", None, 0, "PV covers the building and fills the battery with 3 kW"),
    (battery(), 1, 4, NO_WINDOWS, 9, {}, "sunny", None, 0, "2 kW leave over the meter at 0.05, because the battery is full"),
    (battery(), 0, 7, NO_WINDOWS, 2, {}, "sunny", None, 0, "because the battery takes no more than 4 kW"),
    (battery(), 1, 4, NO_WINDOWS, 2, {"surplus_first": "export"}, "sunny", None, 0, "goes to the grid before it is stored"),
    (connection(export_limit_kw=1), 0, 8, NO_WINDOWS, 2, {}, "sunny", None, 0, "3 kW of PV are not used"),
    (battery(), 1, 0, all_day("sell", power_kw=3.0), 9, {}, "covered", None, 0, "is to give to building and grid"),
    (battery().without_battery(), 2, 1, NO_WINDOWS, 0, {}, "drawn", "no battery", 1, "there is no battery"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("plant", "load", "pv", "settings", "start", "habits", "kind", "limit", "imported", "told"),
    BY_HAND,
)
def test_each_limit_on_paper(
    plant: Plant,
    load: float,
    pv: float,
    settings: Settings,
    start: float,
    habits: dict[str, Any],
    kind: str,
    limit: str | None,
    imported: float | None,
    told: str,
) -> None:
    reason = why(plant, load, pv, settings, start=start, **habits)
    assert told in reason.text
    assert (reason.kind, reason.binds[:1]) == (kind, (limit,) if limit else ())
    assert imported is None or reason.import_kw == pytest.approx(imported)
    if imported:
        assert "at 0.25 EUR per kWh" in reason.text
    if not plant.capacity_kwh:
        assert "stands at" not in reason.text


def test_the_rule_in_force_is_named_with_its_window_or_with_what_holds_outside() -> None:
    inside = why(battery(), 2, 0, all_day("hold"), start=5.5)
    assert inside.window == 1
    assert "in force is every day 00:00–24:00, all year: hold what is stored" in inside.text
    assert inside.text.endswith("the battery stands at 55 %.")
    outside = why(battery(), 2, 0, start=5.5)
    assert outside.window == 0
    assert "outside all windows: cover the building from the battery" in outside.text


def test_a_window_that_has_ended_early_is_told() -> None:
    """Filled to 30 % in the first hour; in the second the battery covers the building again."""
    plant = replace(battery(), behaviour=Behaviour(at_target="ends"))
    horizon = Horizon(plant, hourly_grid(2), np.array([1.0, 1.0]), np.zeros(2), 2.0)
    found = reasons(horizon, all_day("charge", until_pct=30.0))
    assert (found.of(0).kind, found.of(1).kind) == ("filled", "covered")
    assert "ended early: cover the building from the battery" in found.of(1).text


# --- every claim can be checked ----------------------------------------------------------------


def relaxed(plant: Plant, limit: str, way: str) -> Plant | None:
    """Return a plant without a limit of its equipment; None for limits that are no such."""
    loose = {
        "battery power": {way: 1e5},
        "inverter": {"ac_limit_kw": 1e5},
        "fill limit": {"rules": ()},
        "resting": {"behaviour": replace_habit(plant, floor_restart_pct=0.0)},
        "least power": {"behaviour": replace_habit(plant, least_power_kw=0.0)},
        "slow": {"behaviour": replace_habit(plant, slow_above_pct=100.0)},
        "PV first": {"behaviour": replace_habit(plant, pv_charges_first=False)},
    }
    return replace(plant, **loose[limit]) if limit in loose else None


def replace_habit(plant: Plant, **habit: Any) -> Behaviour:
    return plant.behaviour.model_copy(update=habit)


def check_claims(found: StepReasons, steps: range) -> None:
    """Hold each claim against the replay: levels that were reached, and steps that change without a limit."""
    horizon, run = found.horizon, found.run
    plant, h = horizon.plant, horizon.grid.step_h
    again, flows = found.trace, run.flows
    np.testing.assert_array_equal(again[CHARGED], flows.charge_kwh)  # the trace is the replay
    np.testing.assert_array_equal(again[DISCHARGED], flows.discharge_kwh)
    np.testing.assert_array_equal(np.maximum(-again[NET], 0), flows.import_kwh)
    for t in steps:
        reason = found.of(t)
        assert (reason.kind in {"covered", "sunny", "nothing"}) == (flows.import_kwh[t] <= SAME_KWH)
        if flows.import_kwh[t] <= SAME_KWH:
            continue
        assert reason.binds, f"step {t}: nothing binds: {reason.text}"
        level = float(run.stored_kwh[t])
        for limit in reason.binds:
            row = found.orders.table[int(again[ROW, t])]
            if limit in {"floor", "level"}:
                lost = plant.behaviour.running_loss_kw * h
                assert min(level, run.before_kwh[t]) <= max(row[2], row[7]) + lost + 1e-6
            elif limit == "target":
                assert level >= row[1] - 1e-6 or again[DISCHARGED, t] > 0
            elif limit == "cap":
                assert flows.import_kwh[t] >= row[5] - 1e-6
            elif limit == "import limit":
                assert flows.import_kwh[t] >= horizon.limits.import_kwh[t] - 1e-6
            elif limit == "order":
                assert row[0] in {0, 1, 4}
                assert flows.discharge_kwh[t] <= SAME_KWH
        way = "charge_kw" if reason.kind == "filled" else "discharge_kw"
        loose = [relaxed(plant, limit, way) for limit in reason.binds]
        begun = (
            again[ROW, t] == found.orders.of_step[t]
        )  # a replay of one step knows no window that has ended
        if (
            len(loose) == 1
            and loose[0] is not None
            and begun
            and reason.kind in {"drawn", "filled"}
        ):
            less = flows.import_kwh[t] - one_step(found, loose[0], t)
            assert (less if reason.kind == "drawn" else -less) > 1e-9, f"step {t}: {reason.text}"


def one_step(found: StepReasons, plant: Plant, t: int) -> float:
    """Return the import of a step on another plant, from the same level."""
    horizon = found.horizon
    part = Horizon(
        plant, horizon.grid.part(t, 1), horizon.load_kwh[t : t + 1], horizon.pv_kwh[t : t + 1],
        float(found.run.before_kwh[t]),
    )  # fmt: skip
    return float(replay(part, found.settings).flows.import_kwh[0])


@law(150)
@given(cases_with_habits())
def test_whatever_the_equipment_each_claim_of_each_step_holds(case: Case) -> None:
    pv = np.where(
        case.pv_kwh < 1e-9, 0.0, case.pv_kwh
    )  # a sun of rounding errors hides other limits
    horizon = Horizon(case.plant, case.grid, case.load_kwh, pv, case.start_kwh)
    check_claims(reasons(horizon, case.settings), range(case.grid.count))


@pytest.mark.parametrize(
    "name", ["1_two_rates", "2_peak_demand", "3_evening_export", "5_grid_fails"]
)
def test_every_step_of_the_demos_has_a_sentence_whose_claim_holds(name: str) -> None:
    """With a charge window at night, a held evening, and a cap where the menu has one."""
    trying = Trying(read_brief(SCENARIOS / name))
    content = trying.blank("tried").model_dump(exclude_none=True)
    windows = [
        {"start": "00:00", "end": "06:00", "action": "charge", "until_pct": 80.0},
        {"start": "17:00", "end": "20:00", "action": "hold"},
    ]
    for day_set in content["seasons"][0]["day_sets"]:
        day_set["windows"] = windows
    version = trying.typed("tried", content)
    check_claims(version.reasons, range(version.horizon.grid.count))


def test_permission_to_fill_is_part_of_what_binds() -> None:
    """The grid may not fill: the window draws nothing into the battery, and the building imports."""
    plant = battery(permissions=Permissions(charge_from_grid=False))
    reason = why(plant, 2, 0, all_day("charge"), start=5)
    assert (reason.kind, reason.binds) == ("drawn", ("order",))
