"""Limits that rules set: when they hold, what they allow, and what settings they refuse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from optimizer.base.documents import Source
from optimizer.base.errors import Mistake
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.equipment import Connection, Inverter, Permissions, Photovoltaic, Plant
from optimizer.site.limits import Phases, TimedLimit, allowed_kw
from tests.builders import local_grid, simple_plant

EVENING = TimedLimit(rule="evening", hours=["17:00-21:00"], import_kw=3, fill_kw=1.5)
NIGHTS = TimedLimit(rule="nights", hours=["22:00-06:00"], days=["weekdays"], export_kw=0)


def in_steps(rule: TimedLimit, begin: str, count: int, minutes: int = 60) -> list[str]:
    """Return the begin of each step that a rule holds, as people write it."""
    grid = local_grid(begin, "Europe/Dublin", count, minutes)
    return [f"{grid.local[t]:%a %H:%M}" for t in np.flatnonzero(rule.at_steps(grid))]


def test_a_rule_holds_from_its_begin_to_before_its_end():
    held = in_steps(EVENING, "2026-06-01T00:00", 24)
    assert held == ["Mon 17:00", "Mon 18:00", "Mon 19:00", "Mon 20:00"]


def test_a_span_over_midnight_holds_both_ends_of_its_days():
    """From Friday noon to Saturday noon: Friday's late hours, and none of Saturday's early ones."""
    assert in_steps(NIGHTS, "2026-06-05T12:00", 24) == ["Fri 22:00", "Fri 23:00"]
    assert in_steps(NIGHTS, "2026-06-08T04:00", 4) == ["Mon 04:00", "Mon 05:00"]


def test_a_rule_of_months_holds_in_them_alone():
    rule = TimedLimit(rule="winter", months=[1, 12], import_kw=2)
    held = rule.at_steps(local_grid("2026-11-30T22:00", "Europe/Dublin", 4))
    assert held.tolist() == [False, False, True, True]


def test_a_step_that_a_rule_cuts_is_held_wholly():
    rule = TimedLimit(rule="cut", hours=["16:45-17:15"], import_kw=2)
    assert in_steps(rule, "2026-06-01T15:00", 4) == ["Mon 16:00", "Mon 17:00"]
    assert rule.cuts(60)
    assert not rule.cuts(15)


def test_of_several_limits_the_lowest_binds_in_each_step():
    rules = [EVENING, TimedLimit(rule="always", import_kw=5), NIGHTS]
    plant = simple_plant(10, 5, connection=Connection(import_limit_kw=4, limits=rules))
    limits = plant.limits_on(local_grid("2026-06-01T16:00", "Europe/Dublin", 14, 30))
    assert limits.import_kwh.tolist() == [2.0] * 2 + [1.5] * 8 + [2.0] * 4
    assert limits.export_kwh[-2:].tolist() == [0.0, 0.0]
    assert limits.fill_kwh[2:10].tolist() == [0.75] * 8
    assert (
        plant.rule_at(local_grid("2026-06-01T17:00", "Europe/Dublin", 1), 0, "import_kw")
        == "evening"
    )
    assert plant.rule_at(local_grid("2026-06-01T16:00", "Europe/Dublin", 1), 0, "import_kw") is None


def test_where_the_grid_may_not_charge_nothing_fills_from_it():
    plant = simple_plant(10, 5, permissions=Permissions(charge_from_grid=False))
    limits = plant.limits_on(local_grid("2026-06-01T16:00", "Europe/Dublin", 2))
    assert limits.fill_kwh.tolist() == [0.0, 0.0]


def test_an_export_limit_may_be_a_share_of_the_pv():
    connection = Connection(export_limit_pct_of_pv=60)
    (rule,) = connection.rules(Photovoltaic(coupling="dc", peak_kw=9.5))
    assert rule.export_kw == pytest.approx(5.7)
    assert rule.rule == "connection.export_limit_pct_of_pv"
    with pytest.raises(Mistake, match="is missing"):
        connection.rules(Photovoltaic(coupling="dc"))


@pytest.mark.parametrize(("phases", "limit_kw"), [
    (Phases(count=3, amperes=25, volts=230), 17.25),  # 3 × 25 A × 230 V
    (Phases(count=3, amperes=25, volts=230, fullest_pct=50), 11.5),  # 5.75 kW are half
    (Phases(count=1, amperes=60, volts=230), 13.8),
    (Phases(count=2, amperes=100, volts=120, fullest_pct=60), 20.0),  # 12 kW are 60 %
])  # fmt: skip
def test_phases_give_a_limit_of_import_and_export(phases, limit_kw):
    plant = simple_plant(10, 5, connection=Connection(phases=phases))
    assert phases.limit_kw == pytest.approx(limit_kw)
    assert plant.import_limit_kw == plant.export_limit_kw == pytest.approx(limit_kw)
    lower = simple_plant(10, 5, connection=Connection(phases=phases, import_limit_kw=4))
    assert lower.import_limit_kw == 4
    assert "an approximation" in phases.remark()
    assert f"{limit_kw:g} kW" in phases.remark()
    assert ("even share" in phases.remark()) == (phases.fullest_pct is None)


@pytest.mark.parametrize(("words", "told"), [
    ({}, "limits nothing"),
    ({"import_kw": 2, "hours": ["5-6"]}, "'5-6'"),
    ({"import_kw": 2, "months": [13]}, "each one of 1 to 12"),
    ({"import_kw": 2, "months": [4, 4]}, "each one of 1 to 12"),
    ({"import_kw": 2, "days": ["holidays"]}, "'holidays'"),
    ({"import_kw": -1}, "greater than or equal to 0"),
])  # fmt: skip
def test_a_rule_that_cannot_be_is_refused(words, told):
    with pytest.raises(ValidationError, match=told):
        TimedLimit(rule="x", **words)


def test_what_rules_allow_stands_by_month_weekday_and_minute():
    allowed = allowed_kw([EVENING, NIGHTS], ["import_kw", "export_kw"], [6])
    assert allowed.shape == (1, 7, 1440)
    assert allowed[0, 5, 17 * 60 - 1] == np.inf
    assert (allowed[0, :, 17 * 60 : 21 * 60] == 3).all()
    assert (allowed[0, :5, 22 * 60 :] == 0).all()
    assert (allowed[0, 5:, : 6 * 60] == np.inf).all()


# --- settings that ask for more ---------------------------------------------------------------


def told(plant: Plant, window: Window, months: tuple[int, ...] = (6,), days: str = "every day"):
    parts = [DaySet(days=days, windows=[window])]
    if days == "weekends":
        parts.append(DaySet(days="weekdays"))
    season = SeasonSet(months=list(months), day_sets=parts)
    settings = Settings(settings="x", floor_pct=0.0, seasons=[season])
    day_types = "every_day" if days == "every day" else "weekday_weekend"
    controls = Controls(import_cap=True, day_types=day_types)
    return [(one.what, one.mend) for one in refusals(settings, controls, plant, SOURCE)]


SOURCE = Source(Path("settings.yaml"), {})


def ruled(*rules: TimedLimit, **connection: float) -> Plant:
    """Return 5 kW of equipment without losses behind rules."""
    inverter = Inverter(ac_limit_kw=5, efficiency_pct=100)
    return simple_plant(
        10, 5, inverter=inverter, connection=Connection(limits=list(rules), **connection)
    )


def fill(start: str, end: str, grid_kw: float | None) -> Window:
    return Window(start=start, end=end, action="charge", grid_kw=grid_kw)


def test_filling_above_a_limit_of_all_hours_is_refused_by_its_name():
    ((what, mend),) = told(ruled(fill_limit_kw=4.2), fill("01:00", "05:00", 4.3))
    assert "asks for 4.3 kW where the rule 'connection.fill_limit_kw' allows 4.2 kW" in what
    assert "Write grid_kw: 4.2 or less" in mend
    assert told(ruled(fill_limit_kw=4.2), fill("01:00", "05:00", 4.2)) == []


def test_of_two_rules_the_one_that_refuses_is_named():
    loose = TimedLimit(rule="loose", months=[6], fill_kw=3)
    tight = TimedLimit(rule="tight", months=[6], fill_kw=1.5)
    other = TimedLimit(rule="other months", months=[7], fill_kw=1.5)
    ((what, _),) = told(ruled(loose, other, tight), fill("01:00", "05:00", 2.0))
    assert "where the rule 'tight' allows 1.5 kW" in what


def test_a_power_left_out_asks_for_all_there_is():
    ((what, _),) = told(ruled(fill_limit_kw=4.2), fill("01:00", "05:00", None))
    assert "grid_kw is left out, so 01:00–05:00 asks for 5 kW" in what
    assert told(ruled(fill_limit_kw=5), fill("01:00", "05:00", None)) == []


@pytest.mark.parametrize(("start", "end", "months", "is_refused"), [
    ("20:00", "23:00", (6,), True),
    ("21:00", "23:00", (6,), False),
    ("13:00", "17:00", (6,), False),
    ("22:00", "17:30", (6,), True),
    ("20:00", "23:00", (7, 8), False),
    ("20:00", "23:00", (6, 7), True),
])  # fmt: skip
def test_a_rule_refuses_where_its_hours_and_months_meet_the_window(start, end, months, is_refused):
    rule = TimedLimit(rule="evening", hours=["17:00-21:00"], months=[6], fill_kw=1.5)
    assert bool(told(ruled(rule), fill(start, end, 2.0), months)) == is_refused


def test_without_a_calendar_a_rule_of_other_months_waits_until_windows_are_found_for_them():
    """At work in all months, found for June: July's rule speaks once July's windows are typed in."""
    season = SeasonSet(
        months=list(range(1, 13)),
        day_sets=[DaySet(days="every day", windows=[fill("01:00", "05:00", 2.0)])],
    )
    controls = Controls(day_types="every_day", season_sets=1)
    plant = ruled(TimedLimit(rule="July", months=[7], fill_kw=1))
    for found_for, count in ([6], 0), ([7], 1), (None, 1):
        settings = Settings(settings="x", floor_pct=0.0, seasons=[season], found_for=found_for)
        assert len(refusals(settings, controls, plant, SOURCE)) == count


def test_a_rule_of_weekdays_lets_windows_of_weekends_be():
    rule = TimedLimit(rule="weekdays", days=["weekdays"], fill_kw=1)
    assert told(ruled(rule), fill("01:00", "05:00", 2.0), days="weekends") == []
    assert len(told(ruled(rule), fill("01:00", "05:00", 2.0))) == 1


def test_filling_above_what_may_be_imported_is_refused():
    ((what, _),) = told(ruled(TimedLimit(rule="flat", import_kw=2)), fill("01:00", "05:00", 3.0))
    assert "'flat'" in what


def test_selling_above_what_may_be_exported_is_refused():
    sell = Window(start="18:00", end="20:00", action="sell", power_kw=4)
    rule = TimedLimit(rule="fallback", hours=["18:00-19:00"], export_kw=1.5)
    ((what, mend),) = told(ruled(rule), sell)
    assert "asks for 4 kW where the rule 'fallback' allows 1.5 kW of export" in what
    assert "power_kw: 1.5" in mend
    none = TimedLimit(rule="none", export_kw=0)
    ((_, mend),) = told(ruled(none), sell)
    assert "let it cover the building" in mend
    plant = simple_plant(
        10, 5, connection=Connection(limits=[none]),
        permissions=Permissions(export_stored_energy=False),
    )  # fmt: skip
    assert told(plant, Window(start="18:00", end="20:00", action="sell")) == []


def test_a_cap_is_refused_where_a_rule_is_lower_in_all_its_hours():
    def capped(start, end):
        return Window(start=start, end=end, action="cover", import_cap_kw=4)

    plant = ruled(TimedLimit(rule="evening", hours=["17:00-21:00"], import_kw=3))
    ((what, _),) = told(plant, capped("17:00", "20:00"))
    assert "import_cap_kw is 4 kW where the rule 'evening' allows 3 kW of import" in what
    assert told(plant, capped("16:00", "20:00")) == []
    assert (
        told(
            simple_plant(10, 5, connection=Connection(import_limit_kw=3)), capped("17:00", "20:00")
        )
        == []
    )
