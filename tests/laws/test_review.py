"""A past season against its promise: causes add up, and each is what only it changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from optimizer.base.flows import Flows
from optimizer.evaluation.review import CAUSES, overlap, refuse_what_hides_the_load, review_of
from optimizer.metering.forecast import Forecast
from optimizer.report.review import review_text
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from optimizer.simulation.replay import replay
from optimizer.site.equipment import Plant
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    STORED_CREDIT,
    TWO_RATES,
    cost_of,
    grid_of,
    weather,
)

GRID = grid_of(24 * 28)
LOAD, PV = weather(GRID, 3, pv_kw=1.0)
NIGHT = Window(start="22:00", end="06:00", action="charge", until_pct=90)
SETTINGS = Settings(
    settings="night", floor_pct=10,
    seasons=[SeasonSet(months=[6], day_sets=[DaySet(days="every day", windows=[NIGHT])])],
)  # fmt: skip
COST = cost_of([TWO_RATES, CREDIT], GRID)
DEARER = cost_of([TWO_RATES, CREDIT, {"kind": "percentage", "name": "tax", "percent": 10.0,
                                      "of": "all above"}], GRID)  # fmt: skip
COURSE = Horizon(AC_PLANT, GRID, LOAD, PV, 1.0)


def metered(horizon: Horizon, settings: Settings) -> Flows:
    flows = replay(horizon, settings).flows
    return Flows.of_meter(GRID, flows.import_kwh, flows.export_kwh)


def test_where_all_went_as_promised_nothing_differs() -> None:
    result = review_of(COURSE, COURSE, metered(COURSE, SETTINGS), SETTINGS, COST, COST, "EUR")
    assert result.causes == pytest.approx(dict.fromkeys(CAUSES, 0.0), abs=1e-9)
    assert result.promised == pytest.approx(result.real)
    assert result.promised > 1
    assert "the meter agrees" in review_text(result)


@pytest.mark.parametrize(
    ("real", "entered", "now", "cause"),
    [
        (replace(COURSE, pv_kwh=0.5 * PV), SETTINGS, COST, "weather"),
        (replace(COURSE, load_kwh=1.6 * LOAD), SETTINGS, COST, "load"),
        (COURSE, no_windows(10.0), COST, "windows not at work"),
        (COURSE, SETTINGS, DEARER, "tariff"),
    ],
)
def test_each_cause_alone_is_named(
    real: Horizon, entered: Settings, now: object, cause: str
) -> None:
    result = review_of(COURSE, real, metered(real, entered), SETTINGS, COST, now, "EUR")  # type: ignore[arg-type]
    changed = [name for name, amount in result.causes.items() if abs(amount) > 1e-6]
    assert changed == [cause]
    assert result.promised + sum(result.causes.values()) == pytest.approx(result.real_now)


def test_windows_that_were_never_typed_in_saved_nothing() -> None:
    meter = metered(COURSE, no_windows(10.0))
    result = review_of(COURSE, COURSE, meter, SETTINGS, COST, COST, "EUR")
    assert result.real == pytest.approx(0.0, abs=1e-9)
    assert result.apart_kwh == pytest.approx(0.0, abs=1e-9)
    assert "look whether the card" in " ".join(review_text(result).split())


def test_all_causes_together_add_up_to_the_difference() -> None:
    real = replace(COURSE, load_kwh=1.2 * LOAD, pv_kwh=0.8 * PV)
    result = review_of(COURSE, real, metered(real, no_windows(10.0)), SETTINGS, COST, DEARER, "EUR")
    nothing = {name for name, amount in result.causes.items() if abs(amount) < 1e-6}
    assert nothing <= {"not explained", "tariff"}
    assert result.promised + sum(result.causes.values()) == pytest.approx(result.real_now)


def test_only_days_that_all_have_are_compared(tmp_path) -> None:
    path = tmp_path / "meter.csv"
    meter = metered(COURSE, SETTINGS)
    tail = Forecast(GRID.part(48, 240), LOAD[48:288], PV[48:288])
    promised, real, flows = overlap(Forecast(GRID, LOAD, PV), tail, meter, path)
    assert promised.grid == real.grid == flows.grid == tail.grid
    assert np.array_equal(promised.load_kwh, LOAD[48:288])
    other = grid_of(48, start="2026-06-01")
    with pytest.raises(SeriesError, match="no day in common"):
        overlap(promised, Forecast(other, np.ones(48), np.ones(48)), meter, path)


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_of_a_metered_season_is_known_what_of_the_export_came_out_of_the_battery(
    plant: Plant, tmp_path: Path
) -> None:
    selling = Window(start="18:00", end="20:00", action="sell", power_kw=4.0)
    settings = Settings(
        settings="selling", floor_pct=10,
        seasons=[SeasonSet(months=[6], day_sets=[DaySet(days="every day", windows=[selling])])],
    )  # fmt: skip
    cost = cost_of([TWO_RATES, CREDIT | {"origin": "pv"}, STORED_CREDIT], GRID)
    course = Horizon(plant, GRID, LOAD, 6 * PV, 1.0)
    run = replay(course, settings).flows
    real = Forecast(GRID, LOAD, run.pv_used_kwh)
    *_, meter = overlap(real, real, metered(course, settings), tmp_path, plant.pv_to_ac_efficiency)
    assert meter.stored_export_kwh == pytest.approx(run.stored_export_kwh, abs=1e-9)
    assert run.stored_export_kwh.sum() > 10
    result = review_of(course, course, meter, settings, cost, cost, "EUR")
    assert result.causes == pytest.approx(dict.fromkeys(CAUSES, 0.0), abs=1e-9)


def test_a_meter_alone_does_not_tell_the_load_behind_a_battery(tmp_path) -> None:
    path = tmp_path / "meter.csv"
    path.write_text("time,import_kwh,export_kwh,pv_kwh\n2026-01-01T00:00,1,0,0\n", encoding="utf-8")
    with pytest.raises(SeriesError, match="battery charged and discharged behind it"):
        refuse_what_hides_the_load(path, has_pv=True)
    path.write_text("time,import_kwh,load_kwh\n2026-01-01T00:00,1,1\n", encoding="utf-8")
    refuse_what_hides_the_load(path, has_pv=False)
    with pytest.raises(SeriesError, match="no column pv_kwh"):
        refuse_what_hides_the_load(path, has_pv=True)
