"""A menu one step richer: which steps there are, and what they bring, on paper."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import optimizer as tw
from optimizer.report.menu import cannot_say, holds, menu_record, worth_text
from optimizer.search.richer import one_step_richer
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.menu import Menu
from tests.builders import read_tariff_text
from tests.laws.cases import AC_PLANT, SOURCE
from tests.laws.test_menus import Chance
from tests.menus import MENUS, controls_of
from tests.sweeps import examples

TARIFF = """
tariff: by hand
currency: EUR
versions:
  - from: 2010-01-01
    source: see the test
    charges:
      - kind: energy
        name: Energy
        rates:
          - {{name: valley, per_kwh: {valley}, hours: ["00:00-04:00", "12:00-16:00"]}}
          - {{name: dear, per_kwh: 0.3, otherwise: true}}
"""
ONE_ENTRY = {
    "lists": [{"name": "filling", "actions": ["charge"], "entries": 1, "fields": ["start", "end"]}],
    "day_types": "every_day", "season_sets": 1, "minutes": 60,
}  # fmt: skip


def house(folder: Path, valley: float, days: int = 70, **controls) -> tw.Scenario:
    """1 kW around the clock, a battery of 4 kWh and 4 kW, no losses and no sun."""
    index = pd.date_range("2025-01-06", periods=24 * days, freq="h", tz="UTC")
    return tw.Scenario(
        forecast=pd.DataFrame({"load_kwh": 1.0, "pv_kwh": 0.0}, index=index),
        tariff=read_tariff_text(folder, TARIFF.format(valley=valley)), zone="UTC",
        battery=tw.Battery(capacity_kwh=4, charge_kw=4, discharge_kw=4, charge_efficiency_pct=100,
                           discharge_efficiency_pct=100, floor_pct=0),
        inverter=tw.Inverter(ac_limit_kw=50, efficiency_pct=100),
        pv=tw.Photovoltaic(coupling="ac"), state={"start_pct": 0}, controls=controls or ONE_ENTRY,
    )  # fmt: skip


def words_for(controls: Controls, *, has_peaks: bool = False, sells: bool = False) -> set[str]:
    steps = one_step_richer(controls, has_peaks=has_peaks, sells=sells, buys=True)
    return {step.words for step in steps}


# --- which steps there are -----------------------------------------------------------------------


def test_the_steps_of_the_poorest_menu() -> None:
    """One entry of an hour's grain for filling; nothing else but covering outside."""
    assert words_for(controls_of(1), has_peaks=True, sells=True) == {
        "a second entry", "a level for each entry", "a power for each entry",
        "an import cap for each entry", "entries that hold", "entries that sell",
        "entries of their own for weekdays and weekends", "a second set of months",
        "entries that cross midnight",
    }  # fmt: skip
    assert "an import cap for each entry" not in words_for(controls_of(1))
    assert "entries that sell" not in words_for(controls_of(1))


def test_the_steps_of_two_lists_with_shared_fields() -> None:
    assert words_for(controls_of(3)) == {
        "a fourth entry of 'filling'", "a fourth entry of 'giving'",
        "a level of its own for each entry of 'filling'",
        "a power of its own for each entry of 'filling'",
        "a level of its own for each entry of 'giving'", "entries of 'filling' that hold",
        "entries of their own for weekdays and weekends", "a second set of months",
        "covering the building outside its entries", "entries that cross midnight",
    }  # fmt: skip


def test_the_steps_of_the_short_keys() -> None:
    poor = Controls(windows_per_day=2, actions=["charge", "cover"], day_types="every_day",
                    season_sets=1, most_entries=2)  # fmt: skip
    assert words_for(poor, has_peaks=True, sells=True) == {
        "a third entry", "room for one entry more over all months and days",
        "an import cap for each entry", "entries that hold", "entries that sell",
        "entries of their own for weekdays and weekends", "a second set of months",
    }  # fmt: skip
    assert "a first entry" in words_for(Controls(windows_per_day=0))


@pytest.mark.parametrize("number", MENUS)
def test_each_step_changes_one_thing_and_no_other(number: int) -> None:
    """One list, or one key of all lists, differs; nothing that was there is gone."""
    poor = controls_of(number)
    for step in one_step_richer(poor, has_peaks=True, sells=True, buys=True):
        before, after = poor.menu, step.controls.menu
        assert set(before.actions) <= set(after.actions)
        assert sum(e.entries for e in after.lists) - sum(e.entries for e in before.lists) in {0, 1}
        for one, other in zip(before.lists, after.lists, strict=False):
            assert one.entries <= other.entries
            assert {*one.fields, *one.once} <= {*other.fields, *other.once}
            assert set(other.once) <= set(one.once)
            assert (one.level, one.minutes) == (other.level, other.minutes)
        assert _differences(poor, before, step.controls, after) == 1, step.words


@pytest.mark.parametrize("number", MENUS)
def test_what_a_menu_takes_each_richer_one_takes(number: int) -> None:
    poor = controls_of(number)
    richer = list(one_step_richer(poor, has_peaks=True, sells=True, buys=True))
    taken = [
        settings
        for settings in (Chance(MENUS[number], seed).settings() for seed in range(examples(200)))
        if not refusals(settings, poor, AC_PLANT, SOURCE)
    ]
    assert len(taken) >= 5
    for step in richer:
        if step.controls.menu.day_sets == poor.menu.day_sets:  # else days have other names
            for settings in taken:
                assert refusals(settings, step.controls, AC_PLANT, SOURCE) == [], step.words


def _differences(poor: Controls, before: Menu, rich: Controls, after: Menu) -> int:
    parts = [
        ([e.entries for e in before.lists], [e.entries for e in after.lists]),
        ([set(e.fields) - {"action"} for e in before.lists],
         [set(e.fields) - {"action"} for e in after.lists]),
        (before.actions, after.actions),
        ([e.day_types for e in before.lists], [e.day_types for e in after.lists]),
        (poor.season_sets, rich.season_sets),
        (before.outside, after.outside),
        (before.over_midnight, after.over_midnight),
        (poor.most_entries, rich.most_entries),
    ]  # fmt: skip
    return sum(one != other for one, other in parts)


# --- what they bring -----------------------------------------------------------------------------


def test_a_second_entry_brings_as_much_as_the_first_where_there_are_two_valleys(
    tmp_path: Path,
) -> None:
    """Each of two valleys fills 4 kWh at 0.10, used up in the 8 dear hours after it: 0.80 a day each.

    With 15 % less load or 20 % more it is the same 4 kWh.
    """
    worth = tw.menu_worth(house(tmp_path, valley=0.1))
    assert worth.a_year(worth.steps.saves) == pytest.approx(0.8 * 365, rel=0.02)
    brings = dict(zip(worth.frame["more"], worth.frame["saves_a_year"], strict=True))
    assert brings.pop("a second entry") == pytest.approx(0.8 * 365, rel=0.03)
    assert max(brings.values()) < 0.05 * 0.8 * 365
    assert not worth.frame.set_index("more").loc["a second entry", "is_noise"]
    assert worth.a_year(worth.steps.all_more) == pytest.approx(0.8 * 365, rel=0.03)
    said = " ".join(worth_text(worth).split())
    assert "a second entry" in said.partition("Nothing, or less than noise")[0]
    assert "are noise" in said
    record = json.loads(json.dumps(menu_record(worth.brief.scenario.controls, worth)))["worth"]
    assert record["one_thing_more"][0]["more"] == "a second entry"
    assert record["noise_a_year"] < 0.05 * record["saves_a_year"]


def test_where_all_hours_cost_alike_nothing_more_brings_anything(tmp_path: Path) -> None:
    worth = tw.menu_worth(house(tmp_path, valley=0.3))
    assert np.allclose(worth.frame["saves_a_year"], 0, atol=0.01)
    assert worth.frame["is_noise"].all()
    assert "even a menu that lacks nothing saves no more" in worth_text(worth)


def test_without_weeks_to_keep_back_nothing_is_claimed(tmp_path: Path) -> None:
    with pytest.raises(tw.InputError, match="too few whole weeks"):
        tw.menu_worth(house(tmp_path, valley=0.1, days=14))


# --- in sentences --------------------------------------------------------------------------------


def test_what_a_poor_menu_cannot_say() -> None:
    said = " ".join(cannot_say(controls_of(2)))
    for words in (
        "keep what is stored", "sell to the grid", "A limit of the import", "Months:",
        "Days of the week:", "A level for one entry of 'filling' that differs",
        "Down to which level an entry of 'giving'", "With which power an entry of 'filling'",
        "entries of two lists may not overlap",
    ):  # fmt: skip
        assert words in said
    assert "cover the building at a given time" not in said
    assert list(cannot_say(controls_of(8))) == []  # as rich as a description can be


def one_list(**keys: object) -> Controls:
    words = {"name": "filling", "actions": ["charge"], "entries": 2, "fields": ["start", "end"]}
    return Controls.model_validate({"lists": [words | keys]})


def test_what_stands_once_is_told_in_good_english() -> None:
    said = list(cannot_say(one_list(once=["level", "power", "grid", "cap"])))
    for words in (
        "A level for one entry of 'filling' that differs from another's.",
        "A power for one entry of 'filling' that differs from another's.",
        "An import cap for one entry of 'filling' that differs from another's.",
        "That one entry of 'filling' fills from the grid and another from PV alone.",
    ):
        assert words in said


@pytest.mark.parametrize(("actions", "words"), [
    (["charge"], "fills"), (["sell", "cover"], "sells"), (["charge", "sell"], "fills or sells"),
])  # fmt: skip
def test_only_what_an_entry_does_lacks_a_power(actions: list[str], words: str) -> None:
    assert f"With which power an entry {words}: it takes all there is." in cannot_say(
        one_list(actions=actions)
    )


def test_an_action_that_no_field_is_described_for_may_be_told_by_others() -> None:
    """Nobody named a field 'action', so that none is claimed to stand on the screen."""
    fields = ["start", "end", "level", "grid"]
    said = " ".join(holds(one_list(actions=["charge", "hold"], fields=fields)))
    assert "An entry of 'filling' has: start, end, level, whether the grid fills." in said
    assert (
        "What it does ('action' on the card) has a field of its own, or the others tell it." in said
    )
    named = " ".join(holds(one_list(actions=["charge", "cover"], fields=[*fields, "action"])))
    assert "whether the grid fills, action." in named
    assert "the others tell it" not in named
    told = " ".join(holds(one_list(actions=["charge", "cover"], fields=fields)))
    assert "one that it does not covers the building" in told
    assert "the others tell it" not in told


def test_what_a_menu_holds() -> None:
    said = list(holds(controls_of(5)))
    assert said[0] == (
        "entries: 6 entries for all days together, to fill the battery, keep what is stored or cover the"
        " building."
    )
    assert said[1] == "An entry of 'entries' has: days, start, end, action, level."
    record = menu_record(controls_of(5))
    assert record["lists"][0]["entries"] == 6
    assert record["season_sets"] == 2
