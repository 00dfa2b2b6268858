"""The replay and the one in plain loops, written apart, come to the same in each step."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.timegrid import FloatArray
from optimizer.plain.replay import Site, replayed
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Battery, Connection, Inverter, Permissions, Photovoltaic, Plant
from optimizer.site.limits import TimedLimit
from tests.builders import local_grid
from tests.laws.cases import floats, law, weather, window_settings

FLOWS = ("import", "export", "charge", "discharge", "pv_used")
ZONE = "Europe/Dublin"


@st.composite
def words_of_sites(draw: Callable[..., Any]) -> dict[str, Any]:
    """Return the sections of a scenario file that describe equipment."""
    coupling = draw(st.sampled_from(["ac", "dc"]))
    first = draw(st.sampled_from([{}, {"pv_charges_first": True}, {"surplus_first": "export"}]))
    habits = first | draw(st.fixed_dictionaries({}, optional={
        "cap_uses_battery": st.booleans(), "at_target": st.sampled_from(["keeps", "ends"]),
        "floor_restart_pct": floats(0, 20), "standby_kw": floats(0, 0.2), "running_loss_kw": floats(0, 0.2),
        "least_power_kw": floats(0, 0.6), "slow_above_pct": floats(50, 100), "slow_to_pct": floats(5, 90),
    }))  # fmt: skip
    connection = draw(st.fixed_dictionaries({}, optional={
        "import_limit_kw": floats(1, 8), "export_limit_kw": floats(0, 4), "fill_limit_kw": floats(0, 3),
        "limits": st.just([{"rule": "evening", "hours": ["17:00-21:30", "23:00-01:00"],
                            "days": ["weekdays"], "import_kw": 2.5, "fill_kw": 0.5}]),
    }))  # fmt: skip
    return {
        "battery": {
            "capacity_kwh": 10.0, "charge_kw": draw(floats(1, 6)), "discharge_kw": draw(floats(1, 6)),
            "floor_pct": 10.0, "ceiling_pct": 95.0, "charge_efficiency_pct": draw(floats(85, 100)),
            "discharge_efficiency_pct": 94.0, "standing_loss_pct_per_day": draw(floats(0, 3)),
        },
        "inverter": {"ac_limit_kw": draw(floats(1, 7)), "efficiency_pct": 96.0, "charging_efficiency_pct": 93.0},
        "pv": {"coupling": coupling} | ({"ac_limit_kw": 4.0} if coupling == "ac" else {}),
        "connection": connection,
        "permissions": {
            "charge_from_grid": draw(st.booleans()), "export_stored_energy": draw(st.booleans()),
        },
        "behaviour": habits,
    }  # fmt: skip


def plant_of(words: dict[str, Any]) -> Plant:
    connection = dict(words["connection"])
    connection["limits"] = [TimedLimit(**rule) for rule in connection.get("limits", [])]
    return Plant.of(
        Battery(**words["battery"]), Inverter(**words["inverter"]), Photovoltaic(**words["pv"]),
        Connection(**connection), Permissions(**words["permissions"]), 0.0, Behaviour(**words["behaviour"]),
    )  # fmt: skip


def largest_gap(
    words: dict[str, Any], settings: Settings, start: str, minutes: int, seed: int
) -> float:
    plant = plant_of(words)
    grid = local_grid(start, ZONE, 24 * 12 * 60 // minutes, minutes)
    load, pv = weather(grid, seed)
    fast = replay(Horizon(plant, grid, load, pv, 4.0), settings)
    site = Site(words, minutes, plant.low_kwh)
    plain = replayed(
        site,
        settings.model_dump(exclude_none=True),
        grid.local[0].to_pydatetime(),
        ZONE,
        load,
        pv,
        4.0,
    )

    def column(name: str) -> FloatArray:
        return np.array([getattr(step, name) for step in plain])

    gaps = [
        np.abs(getattr(fast.flows, f"{name}_kwh") - column(f"{name}_kwh")).max() for name in FLOWS
    ]
    return float(max(*gaps, np.abs(fast.stored_kwh - column("stored_kwh")).max()))


@law(60)
@given(words=words_of_sites(), drawn=window_settings(), extra=st.fixed_dictionaries({}, optional={
    "after_midnight": st.just("next day"), "outside": st.sampled_from(["hold", "idle"]),
    "summer_time": st.just(False)}), start=st.sampled_from(["2025-03-26T00:00", "2025-10-22T00:00"]),
    minutes=st.sampled_from([60, 30, 15]), seed=st.integers(0, 99))  # fmt: skip
def test_a_plain_replay_comes_to_the_same_in_each_step(
    words: dict[str, Any],
    drawn: Settings,
    extra: dict[str, Any],
    start: str,
    minutes: int,
    seed: int,
) -> None:
    """Whatever makers do, whatever is limited, over a change of clocks."""
    settings = drawn.model_copy(update=extra)
    assert largest_gap(words, settings, start, minutes, seed) < 1e-9
