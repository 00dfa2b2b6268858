"""Staying off the grid in given hours: kept how often, from which level, at what cost, all on paper.

The battery holds 10 kWh and moves 4 kW without loss; steps are hours; there is no sun.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import optimizer as tw
from optimizer.base.documents import Source
from optimizer.base.errors import Mistake
from optimizer.evaluation.kept_limit import spells_under
from optimizer.scenario.horizon import Horizon
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.limiting import Limit, read_months, with_limit
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import replay
from optimizer.workflows.off_grid import limit_of, stay_off
from tests.builders import local_grid, read_tariff_text, simple_plant
from tests.menus import controls_of

PLANT = simple_plant(10, 4)
EVENING = "17:00-20:00"
ALL_YEAR = list(range(1, 13))
LIMITS = Controls.model_validate({
    "lists": [
        {"name": "filling", "actions": ["charge", "hold"], "entries": 3,
         "fields": ["start", "end", "level"]},
        {"name": "limits", "actions": ["limit"], "entries": 1, "fields": ["start", "end", "cap"]},
    ],
})  # fmt: skip
CAPS = Controls(import_cap=True)


def evenings(*kw: float) -> np.ndarray:
    """Return a load of so many kW from 17:00 to 20:00 of each day, and none else."""
    load = np.zeros(24 * len(kw))
    for day, power in enumerate(kw):
        load[24 * day + 17 : 24 * day + 20] = power
    return load


def told(load: np.ndarray, limit: Limit, controls: Controls = LIMITS, start: float = 10.0, **more):
    """Return the spells of a limit beside no other window, from the first of January 2025."""
    grid = local_grid("2025-01-01T00:00", "UTC", len(load))
    bare = Settings(settings="bare", floor_pct=more.get("floor_pct", 0.0))
    settings = with_limit(bare, limit, controls).as_stored(controls)
    horizon = Horizon(PLANT, grid, load, np.zeros(len(load)), start)
    run = replay(horizon, settings)
    return spells_under(horizon, settings, run, limit, limit.holds(grid, controls))


@pytest.mark.parametrize("controls", [LIMITS, CAPS], ids=["a list of limits", "caps"])
def test_four_evenings_off_the_grid(controls: Controls) -> None:
    """3 and 6 kWh are there; 12 are not, even in a full battery; 5 kW are more than it gives."""
    spells = told(evenings(1, 2, 4, 5), Limit(EVENING), controls)
    assert [spell.begin_pct for spell in spells] == pytest.approx([100, 70, 10, 0])
    assert [spell.missing_kwh for spell in spells] == pytest.approx([0, 0, 11, 15])
    assert [spell.needed_pct for spell in spells] == [30, 60, math.inf, math.inf]
    assert [spell.lacks for spell in spells] == ["", "", "energy", "power"]
    assert [spell.highest_kw for spell in spells] == pytest.approx([0, 0, 4, 5])
    # 1 kWh is left at 17:00 of the third day: 3 kW are imported then, 4 from 18:00 on
    assert f"{spells[2].highest_at:%d %H:%M}" == "03 18:00"


def test_a_floor_is_kept() -> None:
    """Above a floor of 20 % lie 8 kWh: 6 need 80 %, 9 are not there, and none need no more than it."""
    spells = told(evenings(2, 3, 0), Limit(EVENING), floor_pct=20.0)
    assert [spell.needed_pct for spell in spells] == [80, math.inf, 20]


@pytest.mark.parametrize(("outside", "needed"), [("hold", 60), ("cover", 100)])
def test_a_cap_above_zero_takes_the_least_where_the_equipment_holds(
    outside: str, needed: float
) -> None:
    """4 kW under a cap of 2: 3 × 2 kWh where the battery else holds.

    Where it covers it gives 4, 4 and then at least 2 kWh: 10, though 8 kWh would be gone after two hours.
    """
    controls = LIMITS.model_copy(update={"outside": outside})
    (spell,) = told(evenings(4), Limit(EVENING, 2.0), controls)
    assert spell.needed_pct == needed


def test_hours_over_midnight_are_one_spell_a_night() -> None:
    """Two days and nights, begun at midnight: the rest of the first night, one whole, one cut off."""
    spells = told(np.full(48, 0.1), Limit("22:00-06:00"))
    assert [f"{spell.begin:%d %H}" for spell in spells] == ["01 00", "01 22", "02 22"]
    assert [spell.needed_pct for spell in spells] == [6, 8, 2]  # 6, 8 and 2 hours at 0.1 kWh


def test_a_limit_all_day_is_one_spell_a_day() -> None:
    spells = told(np.full(48, 0.1), Limit("00:00-24:00"))
    assert [spell.needed_pct for spell in spells] == [24, 24]


@pytest.mark.parametrize(("after_midnight", "days"), [("same day", [6, 7]), ("next day", [4, 7])])
def test_whose_the_hours_after_midnight_are(after_midnight: str, days: list[int]) -> None:
    """2025-01-04 is a Saturday: its small hours are held only where Friday's entries go on."""
    controls = LIMITS.model_copy(update={"after_midnight": after_midnight})
    grid = local_grid("2025-01-04T00:00", "UTC", 96)
    held = Limit("22:00-06:00", days="weekdays").holds(grid, controls)
    assert [4 + n for n in range(4) if held[24 * n]] == days


@pytest.mark.parametrize("kw", [0.0, 2.0])
@pytest.mark.parametrize("demo", ["1_two_rates", "2_peak_demand", "3_evening_export"])
def test_a_day_is_kept_if_and_only_if_the_battery_was_full_enough(demo: str, kw: float) -> None:
    """The level is told in whole per cent, so that one per cent below it nothing is claimed."""
    site = tw.read_scenario(Path(__file__).parents[2] / "scenarios" / demo)
    site = site.replace(controls__import_cap=True)
    off = tw.stay_off(site, "16:00-22:00", kw)
    assert len(off.spells) == 365
    for spell in off.spells:
        if spell.begin_pct >= spell.needed_pct:
            assert spell.missing_kwh == 0
        if spell.begin_pct < spell.needed_pct - 1:
            assert spell.missing_kwh > 0
    needed = [off.level_for(share) for share in (0.5, 0.9, 1.0)]
    assert needed == sorted(needed, key=lambda level: math.inf if level is None else level)


# --- settings with a limit -------------------------------------------------------------------


def spans(settings: Settings, season: int = 0, day_set: int = 0) -> list[str]:
    return [
        f"{window.span()} {window.action} {window.import_cap_kw}"
        for window in settings.seasons[season].day_sets[day_set].windows
    ]


def night_and_evening(days: str = "every day", months: list[int] = ALL_YEAR) -> Settings:
    windows = [
        Window(start="22:00", end="06:00", action="charge", until_pct=80),
        Window(start="16:00", end="18:00", action="hold", import_cap_kw=3),
    ]
    parts = [DaySet(days=days, windows=windows)]
    if days == "weekdays":
        parts.append(DaySet(days="weekends"))
    return Settings(settings="x", floor_pct=10,
                    seasons=[SeasonSet(months=months, day_sets=parts)])  # fmt: skip


def test_a_list_of_limits_takes_one_entry_more() -> None:
    limited = with_limit(night_and_evening(), Limit("17:00-21:00", 1.0), LIMITS)
    assert spans(limited) == [
        "16:00–18:00 hold 3.0", "17:00–21:00 limit 1.0", "22:00–06:00 charge None",
    ]  # fmt: skip


def test_without_such_a_list_windows_are_split_and_holes_filled() -> None:
    """The lower of two caps holds; what lies between windows covers, as the equipment does outside."""
    limited = with_limit(night_and_evening(), Limit("17:00-23:00", 1.0), CAPS)
    assert spans(limited) == [
        "16:00–17:00 hold 3.0", "17:00–18:00 hold 1.0", "18:00–22:00 cover 1.0",
        "22:00–23:00 charge 1.0", "23:00–06:00 charge None",
    ]  # fmt: skip


def test_months_and_days_limited_in_part_are_told_apart() -> None:
    limited = with_limit(night_and_evening(), Limit("18:00-20:00", 0, (6, 7), "weekdays"), LIMITS)
    assert [season.months for season in limited.seasons] == [[6, 7], [1, 2, 3, 4, 5, *range(8, 13)]]
    summer, rest = limited.seasons
    assert [part.days for part in summer.day_sets] == ["weekdays", "weekends"]
    assert [len(part.windows) for part in summer.day_sets] == [3, 2]
    assert [part.days for part in rest.day_sets] == ["every day"]


def test_months_without_windows_get_the_limit_alone() -> None:
    limited = with_limit(night_and_evening("weekdays", [1, 2]), Limit(EVENING, 0, (2, 3)), LIMITS)
    assert [season.months for season in limited.seasons] == [[2], [1], [3]]
    assert [len(part.windows) for part in limited.seasons[2].day_sets] == [1, 1]


def test_what_the_menu_does_not_hold_is_refused_in_its_own_words() -> None:
    def refused(controls: Controls, limit: Limit) -> str:
        bare = Settings(settings="bare", floor_pct=10)
        settings = with_limit(bare, limit, controls)
        source = Source(Path("settings"), settings.model_dump())
        return " ".join(error.what for error in refusals(settings, controls, PLANT, source))

    assert "the equipment has no import cap" in refused(Controls(), Limit(EVENING))
    assert refused(CAPS, Limit(EVENING)) == ""
    assert "no multiple of 30 min" in refused(CAPS, Limit("17:10-20:00"))
    assert "no multiple of 0.5 kW" in refused(controls_of(7), Limit(EVENING, 0.7))
    assert "'weekdays' is none of every day" in refused(
        CAPS.model_copy(update={"day_types": "every_day"}), Limit(EVENING, days="weekdays")
    )
    assert refused(controls_of(8), Limit(EVENING)) == ""  # a cap for each entry


def test_nights_that_go_on_on_the_next_day_are_not_split() -> None:
    goes_on = CAPS.model_copy(update={"after_midnight": "next day"})
    with pytest.raises(Mistake, match="go on on the next day"):
        with_limit(night_and_evening("weekdays"), Limit("23:00-01:00"), goes_on)


@pytest.mark.parametrize(("text", "months"), [
    ("6-9", (6, 7, 8, 9)), ("11-2", (1, 2, 11, 12)), ("3,6–7", (3, 6, 7)), ("5", (5,)),
])  # fmt: skip
def test_months_as_people_write_them(text: str, months: tuple[int, ...]) -> None:
    assert read_months(text) == months


@pytest.mark.parametrize("text", ["", "0-3", "13", "June", "1-2-3", "6,", "-"])
def test_what_names_no_months(text: str) -> None:
    with pytest.raises(Mistake, match="no months"):
        read_months(text)


@pytest.mark.parametrize("wrong", [
    {"hours": "17:00"}, {"hours": "18:00-18:00"}, {"import_kw": -1.0}, {"import_kw": math.nan},
    {"days": "feast days"}, {"months": ()}, {"months": (13,)},
])  # fmt: skip
def test_a_limit_that_cannot_be_is_refused(wrong: dict) -> None:
    words = {"hours": EVENING, "import_kw": 0.0, "months": (1,), "days": "every day"} | wrong
    with pytest.raises(tw.InputError) as caught:
        limit_of(**words)
    assert caught.value.mend


# --- what it costs -----------------------------------------------------------------------------

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
          - {name: early, per_kwh: 0.1, hours: ["00:00-18:00"]}
          - {name: late, per_kwh: 0.3, otherwise: true}
"""


def site(folder: Path, load: np.ndarray, **controls) -> tw.Scenario:
    index = pd.date_range("2025-01-01", periods=len(load), freq="h", tz="UTC")
    return tw.Scenario(
        forecast=pd.DataFrame({"load_kwh": load, "pv_kwh": 0.0}, index=index),
        tariff=read_tariff_text(folder, TARIFF), zone="UTC",
        battery=tw.Battery(capacity_kwh=10, charge_kw=4, discharge_kw=4,
                           charge_efficiency_pct=100, discharge_efficiency_pct=100, floor_pct=0),
        inverter=tw.Inverter(ac_limit_kw=50, efficiency_pct=100),
        pv=tw.Photovoltaic(coupling="ac"), state={"start_pct": 0}, controls=controls,
    )  # fmt: skip


def test_a_limit_that_halves_the_charge_costs_the_dearer_energy(tmp_path: Path) -> None:
    """Charged at 4 kW from 16 to 18 for 8 kWh of the evening; off the grid from 17 on, 4 kWh are missing.

    Those are bought at 0.30 in place of 0.10: 0.80 a day.
    """
    load = np.zeros(48)
    load[[19, 20, 43, 44]] = 4.0
    settings = Settings(settings="x", floor_pct=0, seasons=[SeasonSet(
        months=ALL_YEAR, day_sets=[DaySet(days="every day", windows=[
            Window(start="16:00", end="18:00", action="charge"),
        ])])])  # fmt: skip
    here = site(tmp_path, load, import_cap=True, day_types="every_day")
    result = stay_off(here.brief, Limit("17:00-19:00"), settings)
    assert result.costs_a_year == pytest.approx(0.8 * 365)
    assert result.after.bill.total == pytest.approx(2 * (4 * 0.1 + 4 * 0.3))
    assert result.broken == ()
    assert result.settings.entries() == 3  # the charge in two, and 18:00 to 19:00


def test_equipment_without_a_calendar_is_limited_all_year_and_says_so(tmp_path: Path) -> None:
    here = site(
        tmp_path, evenings(1, 2, 4, 5), import_cap=True, season_sets=1, day_types="every_day"
    )
    result = stay_off(here.brief, Limit(EVENING, months=(1, 6)))
    assert result.limit.months == tuple(ALL_YEAR)
    assert any("no calendar" in note for note in result.notes)
    assert result.level_for(0.5) == 60
    assert result.level_for(0.9) is None
    assert (result.at_no_level("energy"), result.at_no_level("power")) == (1, 1)


def test_hours_that_the_forecast_does_not_hold_are_refused(tmp_path: Path) -> None:
    here = site(tmp_path, evenings(1), import_cap=True)
    with pytest.raises(tw.InputError, match="none of these hours"):
        stay_off(here.brief, Limit(EVENING, months=(7,)))
