"""What the tables of "What the words mean" say about a replay, each on paper.

The battery holds 10 kWh and moves 4 kW without loss unless a test says otherwise; steps are hours.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.scenario.brief import read_brief
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import replay
from optimizer.site.equipment import Connection, Inverter, Permissions
from optimizer.workflows.inputs import horizon_of, with_floor_of
from tests.builders import local_grid
from tests.laws.test_behaviour import all_day, battery, check, run, settings_with

ROOT = Path(__file__).parents[2]
WORDS = (
    (ROOT / "scenarios" / "GUIDE.md")
    .read_text(encoding="utf-8")
    .partition("## What the words mean")[2]
)
TABLES = " ".join(WORDS.partition("\n## ")[0].split())


@pytest.mark.parametrize("told", [
    "PV surplus is exported first",
    "`weekdays` 22:00–06:00 hold from Friday 22:00 to midnight, and not on Saturday morning",
    "a cap may draw the battery below the window's own level",
    "its import cap too",
    "Floor typed in above the state of charge at the start",
    "the level of the window in force",
    "for the whole step",
    "at the battery's terminals",
])  # fmt: skip
def test_the_readme_says_it_where_a_reader_looks(told: str) -> None:
    assert told in TABLES


# --- sell ------------------------------------------------------------------------------------


@pytest.mark.parametrize("coupling", ["ac", "dc"])
@pytest.mark.parametrize(("limit", "may_export", "start", "expected"), [
    (None, True, 5.0, (0.0, 2.0, 4.0)),  # the surplus of 2 and 2 from the battery
    (3.0, True, 5.0, (0.0, 1.0, 3.0)),  # the surplus comes first, the battery has what is left
    (1.5, True, 5.0, (0.5, 0.0, 1.5)),  # what the export does not take is stored
    (None, False, 5.0, (2.0, 0.0, 0.0)),  # the other way: stored first
    (None, False, 9.5, (0.5, 0.0, 1.5)),
])  # fmt: skip
def test_surplus_while_selling(
    limit: float | None, may_export: bool, start: float, expected: tuple[float, ...], coupling: str
) -> None:
    """3 kWh of sun, a load of 1, sold at 2 kW."""
    plant = battery(
        coupling, connection=Connection(export_limit_kw=limit),
        permissions=Permissions(export_stored_energy=may_export),
    )  # fmt: skip
    done = run(plant, [1.0], [3.0], all_day("sell", power_kw=2.0), start=start)
    check(done, charge=[expected[0]], discharge=[expected[1]], export=[expected[2]])


# --- over midnight ---------------------------------------------------------------------------


def test_a_night_of_weekdays_is_the_two_ends_of_each_weekday() -> None:
    """Held from Friday on: its morning and late evening, nothing on the weekend, Monday's morning."""
    night = Window(start="22:00", end="06:00", action="hold")
    day_sets = [DaySet(days="weekdays", windows=[night]), DaySet(days="weekends")]
    months = [*range(1, 13)]
    settings = Settings(settings="nights", floor_pct=0,
                        seasons=[SeasonSet(months=months, day_sets=day_sets)])  # fmt: skip
    grid = local_grid("2025-01-03T00:00", "UTC", 96)  # a Friday
    done = run(battery(), np.full(96, 0.1), np.zeros(96), settings, start=10.0, grid=grid)
    held = np.flatnonzero(done.flows.import_kwh > 0).tolist()
    assert held == [*range(6), 22, 23, *range(72, 78), 94, 95]


# --- caps ------------------------------------------------------------------------------------


def test_a_cap_ends_with_its_window_that_ends_at_its_target() -> None:
    """At 60 %, with sun and load of 3 kW and a cap of 2, on equipment that charges from PV first."""
    window = all_day("charge", until_pct=60.0, import_cap_kw=2.0)
    for habit, charged, bought in (("keeps", 2.0, 2.0), ("ends", 3.0, 3.0)):
        done = run(battery(), [3.0], [3.0], window, start=6.0, at_target=habit,
                   pv_charges_first=True)  # fmt: skip
        check(done, charge=[charged], **{"import": [bought]})


@pytest.mark.parametrize(("floor_pct", "given"), [(0.0, 3.0), (30.0, 1.0)])
def test_a_cap_draws_below_the_level_of_its_window_down_to_the_floor(
    floor_pct: float, given: float
) -> None:
    """A load of 5 under a cap of 2 kW: cover down to 40 %, at 40 %, or hold."""
    for action in ({"action": "cover", "down_to_pct": 40.0}, {"action": "hold"}):
        window = {"start": "00:00", "end": "24:00", "import_cap_kw": 2.0} | action
        done = run(battery(), [5.0], [0.0], settings_with(window, floor_pct=floor_pct), start=4.0)
        check(done, discharge=[given], **{"import": [5.0 - given]})


# --- floors ----------------------------------------------------------------------------------


@pytest.mark.parametrize("by_season", [False, True])
def test_a_floor_above_the_start_begins_the_replay_at_that_floor(by_season: bool) -> None:
    """The first demo begins at 10 %; a floor of 40 % is typed in."""
    brief = read_brief(ROOT / "scenarios" / "1_two_rates")
    assert horizon_of(brief).start_kwh == pytest.approx(1.0)
    months = [*range(1, 13)]
    season = SeasonSet(months=months, floor_pct=40 if by_season else None,
                       day_sets=[DaySet(days="every day")])  # fmt: skip
    typed = Settings(settings="typed", floor_pct=10 if by_season else 40, seasons=[season])
    horizon = horizon_of(with_floor_of(typed, brief))
    assert horizon.start_kwh == pytest.approx(4.0)
    day = replace(horizon, grid=horizon.grid.part(0, 24), load_kwh=horizon.load_kwh[:24],
                  pv_kwh=horizon.pv_kwh[:24])  # fmt: skip
    assert replay(day, typed).stored_kwh.min() >= 4.0 - 1e-9


# --- what habits refer to --------------------------------------------------------------------


def test_restart_counts_from_the_level_of_the_window_in_force() -> None:
    """Covered down to 40 %, restart 10 %: at 40 and 45 % it rests, at 50 % it goes on; a cap may draw."""
    load, pv = [1.0, 0.0, 1.0, 0.0, 1.0], [0.0, 0.5, 0.0, 0.5, 0.0]
    window: dict[str, Any] = {"down_to_pct": 40.0}
    done = run(battery(), load, pv, all_day("cover", **window), start=4.0, floor_restart_pct=10.0)
    check(done, discharge=[0.0, 0.0, 0.0, 0.0, 1.0], stored=[4.0, 4.5, 4.5, 5.0, 4.0])
    capped = all_day("cover", import_cap_kw=0.25, **window)
    done = run(battery(), load[:1], pv[:1], capped, start=4.0, floor_restart_pct=10.0)
    check(done, discharge=[0.75])


def test_the_running_loss_is_taken_from_what_is_stored_for_the_whole_step() -> None:
    """0.5 kW: 1 kWh given takes 1.5 out of the battery, 1 kWh charged puts 0.5 into it, rest loses nothing."""
    done = run(battery(), [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], start=5.0, running_loss_kw=0.5)
    check(done, discharge=[1.0, 0.0, 0.0], charge=[0.0, 1.0, 0.0], stored=[3.5, 4.0, 4.0])


def test_the_least_power_is_that_at_the_battery() -> None:
    """Behind an inverter of 80 %: a load of 0.45 kW takes 0.5625 kW from the battery, one of 0.39 less than 0.5."""
    plant = battery(inverter=Inverter(ac_limit_kw=50, efficiency_pct=80))
    done = run(plant, [0.45, 0.39], [0.0, 0.0], start=5.0, least_power_kw=0.5)
    check(done, discharge=[0.5625, 0.0], **{"import": [0.0, 0.39]})


def test_standby_is_met_like_a_load() -> None:
    done = run(battery(), [1.0, 0.0], [0.0, 0.3], start=5.0, standby_kw=0.1)
    check(done, discharge=[1.1, 0.0], charge=[0.0, 0.2])
