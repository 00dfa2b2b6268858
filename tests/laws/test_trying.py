"""Settings tried by hand: what is typed is checked, replayed and billed as every other command does it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.base.errors import InputError, SettingsError
from optimizer.evaluation.typical_day import ALL_WEEK
from optimizer.scenario.brief import read_brief
from optimizer.settings.windows import WindowPlace
from optimizer.workflows.replay import replay as replay_job
from optimizer.workflows.trying import (
    Trying,
    Version,
    changes_by_charge,
    field_of,
    fields_of,
    window_of,
)

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FIRST = WindowPlace(0, 0, 0)
NIGHT = {"start": "00:00", "end": "06:00", "action": "charge", "until_pct": 80.0}


@cache
def site(name: str = "1_two_rates") -> Trying:
    return Trying(read_brief(SCENARIOS / name))


def with_windows(trying: Trying, *windows: Mapping[str, Any]) -> Version:
    content = trying.blank("tried").model_dump(exclude_none=True)
    for season in content["seasons"]:
        for day_set in season["day_sets"]:
            day_set["windows"] = [dict(window) for window in windows]
    return trying.typed("tried", content)


@pytest.mark.parametrize("name", ["1_two_rates", "2_peak_demand"])
def test_the_bill_is_that_of_the_command_replay(name: str) -> None:
    trying = site(name)
    version = with_windows(trying, NIGHT)
    told = replay_job(trying.brief, version.settings).outcome.cases["windows"]
    assert version.bill.total == pytest.approx(told.bill.total, abs=1e-9)
    assert version.wear == pytest.approx(told.wear, abs=1e-9)


def test_a_higher_floor_that_is_typed_in_is_kept_as_replay_keeps_it() -> None:
    trying = site()
    content = trying.blank("tried").model_dump(exclude_none=True) | {"floor_pct": 40.0}
    version = trying.typed("tried", content)
    told = replay_job(trying.brief, version.settings).outcome.cases["windows"]
    assert version.bill.total == pytest.approx(told.bill.total, abs=1e-9)
    assert version.run.stored_kwh.min() >= 4.0 - 1e-9  # 40 % of 10 kWh


def test_each_move_changes_its_field_and_nothing_else() -> None:
    trying = site()
    before = with_windows(trying, NIGHT)
    for fields, expected in (
        ({"start": "23:00"}, {"start": "23:00"}),
        ({"level": 60.0}, {"until_pct": 60.0}),
        ({"power": 2.5}, {"grid_kw": 2.5}),
        ({"grid": False}, {"grid_kw": 0.0}),
        ({"action": "hold"}, {"action": "hold", "until_pct": None}),
        ({"action": "cover"}, {"action": "cover", "until_pct": None}),
    ):  # fmt: skip
        moved = trying.moved(before, FIRST, **fields)
        window = moved.settings.window(FIRST).model_dump()
        assert window == before.settings.window(FIRST).model_dump() | expected


def test_windows_are_added_and_removed() -> None:
    trying = site()
    before = with_windows(trying, NIGHT)
    more = trying.moved(
        before, WindowPlace(0, 0, 1), start="17:00", end="20:00", action="hold", level=None
    )
    assert [window.action for window in more.settings.seasons[0].day_sets[0].windows] == [
        "charge",
        "hold",
    ]
    fewer = trying.moved(more, FIRST, action=None)
    assert [window.action for window in fewer.settings.seasons[0].day_sets[0].windows] == ["hold"]


@pytest.mark.parametrize(
    ("fields", "place", "told"),
    [
        ({"start": "00:10"}, "start", "no multiple of 30 min"),
        ({"level": 63.0}, "level", "no multiple of 5 %"),
        ({"level": 5.0}, "level", "below the floor"),
        ({"end": "26:00"}, "end", "not a clock time"),
        ({"action": "sell"}, "action", "none of charge, hold, cover"),
        ({"cap": 2.0}, "cap", "no import cap"),
        ({"power": 0.123}, "power", "no multiple of 0.1 kW"),
    ],
)
def test_a_refusal_names_window_and_field(fields: dict[str, Any], place: str, told: str) -> None:
    trying = site()
    with pytest.raises(SettingsError) as refused:
        trying.moved(with_windows(trying, NIGHT), FIRST, **fields)
    at = refused.value.place
    assert told in str(refused.value)
    assert at[:6] == ("seasons", 0, "day_sets", 0, "windows", 0)
    action = fields.get("action", "charge")
    assert field_of(str(at[-1]), {"action": action}) == place


def test_several_refusals_are_told_together() -> None:
    trying = site()
    with pytest.raises(InputError, match=r"(?s)no multiple of 30 min.*no multiple of 5 %"):
        trying.moved(with_windows(trying, NIGHT), FIRST, start="00:10", level=63.0)


def test_what_a_person_types_and_what_the_file_holds_are_the_same_both_ways() -> None:
    for window in (
        NIGHT,
        NIGHT | {"grid_kw": 0.0},
        NIGHT | {"grid_kw": 2.5, "import_cap_kw": 3.0},
        {"start": "17:00", "end": "20:00", "action": "sell", "down_to_pct": 30.0, "power_kw": 2.0},
        {"start": "17:00", "end": "20:00", "action": "limit", "import_cap_kw": 3.0},
    ):
        assert window_of(fields_of(window)) == window


def test_differences_by_charge_add_up_to_the_difference_of_the_bills() -> None:
    trying = site("2_peak_demand")
    ours, plain = with_windows(trying, NIGHT), trying.plain("as it comes")
    changes = changes_by_charge(ours.bill, plain.bill)
    assert sum(mine - theirs for mine, theirs in changes.values()) == pytest.approx(
        ours.bill.total - plain.bill.total
    )
    assert ours.bill.total != pytest.approx(plain.bill.total)


def test_a_day_is_its_steps_and_the_average_day_is_their_mean() -> None:
    version = with_windows(site(), NIGHT)
    days = len(version.horizon.grid.dates)
    hours = [version.single_day(day) for day in range(days)]
    assert {len(day.hour) for day in hours} == {23, 24, 25}  # two days on which clocks change
    total = sum(float(day.power_kw["import_kwh"].sum()) for day in hours)
    assert total == pytest.approx(version.run.flows.import_kwh.sum())
    assert version.import_by_day.sum() == pytest.approx(total)
    august = [day for day, date in enumerate(version.horizon.grid.dates) if date.month == 8]
    mean = np.mean([hours[day].power_kw["load_kwh"] for day in august], axis=0)
    np.testing.assert_allclose(version.average_day([8], ALL_WEEK).power_kw["load_kwh"], mean)


def test_steps_that_set_the_demand_are_told() -> None:
    """The second demo bills the highest half-hour of the peak hours each month: twelve of them."""
    version = site("2_peak_demand").plain("as it comes")
    assert sum(map(len, version.demand_steps.values())) == 12, version.demand_steps
    line, steps = next(iter(version.demand_steps.items()))
    assert f"“{line}”" in version.why(int(steps[5])).text
    assert f"“{line}”" not in version.why(int(steps[5]) + 1).text


def test_a_change_is_worked_out_at_once() -> None:
    """Far below the tenth of a second that a dragging hand notices; a plain replay and bill is the yardstick."""
    trying = site("2_peak_demand")
    before = with_windows(trying, NIGHT)
    took = []
    for hour in range(20):
        begun = time.perf_counter()
        trying.moved(before, FIRST, end=f"{hour + 1:02d}:00")
        took.append(time.perf_counter() - begun)
    assert float(np.median(took)) < 0.1
