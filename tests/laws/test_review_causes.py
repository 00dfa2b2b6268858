"""Why a meter differs from the replay is told by comparing it with both replays, and nobody is blamed.

What the windows did is looked for in the shape of the battery's day, so that a battery of another size
or a constant loss is not taken for windows that were not typed in.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer.base.flows import Flows
from optimizer.evaluation.review import CAUSES, Review, review_of
from optimizer.report.review import review_record, review_text
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from optimizer.simulation.replay import replay
from optimizer.site.behaviour import Behaviour
from tests.laws.cases import AC_PLANT, CREDIT, DC_PLANT, TWO_RATES, cost_of, grid_of, weather

GRID = grid_of(24 * 28)
LOAD, PV = weather(GRID, 3, pv_kw=1.0)
NIGHT = Window(start="22:00", end="06:00", action="charge", until_pct=90)
SETTINGS = Settings(
    settings="night", floor_pct=10,
    seasons=[SeasonSet(months=[6], day_sets=[DaySet(days="every day", windows=[NIGHT])])],
)  # fmt: skip
COST = cost_of([TWO_RATES, CREDIT], GRID)
COURSE = Horizon(AC_PLANT, GRID, LOAD, PV, 1.0)
SUNNY = replace(COURSE, pv_kwh=4 * PV)
SMALLER = replace(
    AC_PLANT, capacity_kwh=4.0, low_kwh=0.4, high_kwh=3.8, charge_kw=1.6, discharge_kw=2.0
)
STANDBY = replace(AC_PLANT, behaviour=Behaviour(standby_kw=0.06))


def reviewed(
    really: Horizon, entered: Settings, *, with_battery: bool = False, stated: Horizon = COURSE
) -> Review:
    flows = replay(really, entered).flows
    battery = (flows.charge_kwh, flows.discharge_kwh) if with_battery else None
    meter = Flows.of_meter(GRID, flows.import_kwh, flows.export_kwh)
    return review_of(stated, stated, meter, SETTINGS, COST, COST, "EUR", battery)


def words(review: Review) -> str:
    return " ".join(review_text(review).split())


COLUMNS = pytest.mark.parametrize("with_battery", [False, True])


@COLUMNS
def test_windows_that_were_never_typed_in_are_called_not_at_work(with_battery: bool) -> None:
    result = reviewed(COURSE, no_windows(10.0), with_battery=with_battery)
    assert result.causes["windows not at work"] == pytest.approx(-result.promised)
    assert result.causes["not explained"] == pytest.approx(0.0, abs=1e-9)
    assert result.shape.as_windows == 0
    assert result.shape.days >= 20
    told = words(result)
    assert f"On none of the {result.shape.days} days" in told
    assert "as entered" not in told


@COLUMNS
def test_windows_that_were_at_work_leave_nothing_to_explain(with_battery: bool) -> None:
    result = reviewed(COURSE, SETTINGS, with_battery=with_battery)
    assert result.causes == pytest.approx(dict.fromkeys(CAUSES, 0.0), abs=1e-9)
    assert result.shape.as_windows == result.shape.days
    assert "the meter agrees with the replay" in words(result)


@COLUMNS
@pytest.mark.parametrize("entered", [SETTINGS, no_windows(10.0)])
def test_a_smaller_battery_is_not_called_windows_that_are_not_typed_in(
    entered: Settings, with_battery: bool
) -> None:
    """4 kWh where 10 are stated, with the windows and without."""
    really = replace(SUNNY, plant=SMALLER, start_kwh=0.4)
    result = reviewed(really, entered, with_battery=with_battery, stated=SUNNY)
    told = words(result)
    assert result.causes["not explained"] != pytest.approx(0.0, abs=0.01)
    assert "a battery smaller than stated" in told
    if entered is SETTINGS:
        assert result.causes["windows not at work"] == 0.0
        assert result.shape.as_windows > 0.8 * result.shape.days
    else:
        assert result.causes["windows not at work"] == pytest.approx(-result.promised)
        assert result.shape.as_windows < 0.2 * result.shape.days
    assert ("the battery took" in told) == with_battery


@COLUMNS
def test_60_watts_of_standby_are_told_as_such(with_battery: bool) -> None:
    """60 W all day are 1.44 kWh; what the battery loses on them on its way makes it a little more."""
    result = reviewed(replace(COURSE, plant=STANDBY), SETTINGS, with_battery=with_battery)
    assert result.causes["windows not at work"] == 0.0
    assert result.causes["not explained"] < -0.1
    assert 1.40 < result.net_above_kwh < 1.75
    assert "losses or standby beyond those stated" in words(result)
    assert f"{result.net_above_kwh:.2f} kWh" in words(result)


def test_windows_that_change_nothing_cannot_be_told_from_none() -> None:
    """Windows in July alone, seen in June."""
    july = SETTINGS.model_copy(
        update={"seasons": [SETTINGS.seasons[0].model_copy(update={"months": [7]})]}
    )
    flows = replay(COURSE, july).flows
    meter = Flows.of_meter(GRID, flows.import_kwh, flows.export_kwh)
    result = review_of(COURSE, COURSE, meter, july, COST, COST, "EUR")
    assert result.shape.days == 0
    assert "cannot tell" in words(result)


def test_the_causes_add_up_and_the_data_hold_what_the_text_says() -> None:
    stated = replace(COURSE, plant=DC_PLANT)
    result = reviewed(
        replace(stated, load_kwh=1.1 * LOAD), SETTINGS, with_battery=True, stated=stated
    )
    assert result.promised + sum(result.causes.values()) == pytest.approx(result.real_now)
    record = review_record(result)
    assert set(record["causes"]) == set(CAUSES)
    assert record["days_that_tell"] == result.shape.days
    assert record["days_as_with_windows"] == result.shape.as_windows
    assert record["net_import_above_replay_kwh_per_day"] == pytest.approx(result.net_above_kwh)
    assert record["battery"]["replayed_discharge_kwh_per_day"] > 0
