"""Menus as lists of entries: what they hold, what the search hands out, and what the replay makes of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer.billing.bill import bill_flows
from optimizer.evaluation.effects import Priced
from optimizer.evaluation.reasons import reasons_for
from optimizer.scenario.horizon import Horizon
from optimizer.search import neighbours as moves
from optimizer.search.drafts import Draft, drafts_of
from optimizer.search.fit import settings_of
from optimizer.search.local_search import Search
from optimizer.search.renewing import changes_of, find_changes, without_change
from optimizer.search.score import Season
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import orders_of, replay
from optimizer.simulation.step import ACTION, ACTION_CODE, CAP, FLOOR, TARGET
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Connection, Plant
from tests.builders import local_grid, simple_plant
from tests.laws.cases import AC_PLANT, DC_PLANT, MONDAY, SOURCE, grid_of
from tests.laws.sites import (
    ALL_MONTHS,
    HALF_HOURS,
    LITTLE,
    cost_of_settings,
    found_for,
    season_of,
    site,
    task_for,
    weather_of,
)
from tests.laws.test_season import some_drafts, years_of
from tests.menus import MENUS, controls_of

NUMBERS = sorted(MENUS)
EVERY_MONTH = list(range(1, 13))
DAY_NAMES = {
    "every_day": ["every day"],
    "weekday_weekend": ["weekdays", "weekends"],
    "weekday_saturday_sunday": ["weekdays", "Saturdays", "Sundays"],
}
KINDS = list(DAY_NAMES)


# --- a plain reading of the descriptions, minute by minute ------------------------------------------


def kind_of(menu: dict[str, Any]) -> str:
    """Return the finest kind of day sets of a description."""
    kinds = [
        each.get("day_types", menu.get("day_types", "weekday_weekend")) for each in menu["lists"]
    ]
    return max(kinds, key=KINDS.index)


def minutes_of(window: Window) -> set[int]:
    end = window.finish if window.finish > window.begin else window.finish + 1440
    return {minute % 1440 for minute in range(window.begin, end)}


def holds(menu: dict[str, Any], settings: Settings, plant: Plant) -> bool:
    """Tell from the text of a description, in plain loops, whether the settings can be typed in."""
    if len(settings.seasons) > menu.get("season_sets", 2):
        return False
    for season in settings.seasons:
        parts = {part.days: part.windows for part in season.day_sets}
        if sorted(parts) != sorted(DAY_NAMES[kind_of(menu)]):
            return False
        if not all(
            holds_day(menu, windows, plant, settings.floor_pct) for windows in parts.values()
        ):
            return False
        if not all(holds_in_common(menu, each, parts) for each in menu["lists"]):
            return False
    return True


def on_step(value: float, step: float) -> bool:
    return abs(value - step * round(value / step)) < 1e-5


def holds_day(menu: dict[str, Any], windows: list[Window], plant: Plant, floor: float) -> bool:
    lists = {action: each for each in menu["lists"] for action in each["actions"]}
    for window in windows:
        if window.action not in lists or not holds_window(
            menu, lists[window.action], window, plant, floor
        ):
            return False
    for each in menu["lists"]:
        inside = [w for w in windows if w.action in each["actions"]]
        taken = sorted(minute for w in inside for minute in minutes_of(w))
        if len(taken) != len(set(taken)):
            return False
        if len(inside) + holes(menu, each, inside) > each["entries"]:
            return False
    if not menu.get("overlap"):
        sides = [each for each in menu["lists"] if each["actions"] != ["limit"]]
        taken = [
            minute for each in sides for w in windows if w.action in each["actions"]
            for minute in minutes_of(w)
        ]  # fmt: skip
        if len(taken) != len(set(taken)):
            return False
    return True


def holes(menu: dict[str, Any], each: dict[str, Any], inside: list[Window]) -> int:
    """Return the entries that stand for what lies between windows, where the day is to be filled."""
    if not each.get("fills_day") or not inside:
        return 0
    begins = {w.begin for w in inside}
    of_minute = np.full(1440, -1)
    for number, window in enumerate(inside):
        of_minute[sorted(minutes_of(window))] = number
    free = [m for m in range(1440) if of_minute[m] < 0]
    runs = sum(1 for m in free if m == 0 or of_minute[m - 1] >= 0)
    if menu.get("over_midnight", True) and {0, 1439} <= set(free) and len(free) < 1440:
        runs -= 1
    assert begins
    return runs


def holds_window(
    menu: dict[str, Any], each: dict[str, Any], window: Window, plant: Plant, floor: float
) -> bool:
    has = {*each.get("fields", ["start", "end", "level", "power"]), *each.get("once", [])}
    minutes = each.get("minutes", menu.get("minutes", 30))
    if window.begin % minutes or window.finish % minutes:
        return False
    if not menu.get("over_midnight", True) and 0 < window.finish <= window.begin:
        return False
    if not menu.get("whole_day", True) and len(minutes_of(window)) == 1440:
        return False
    level = window.until_pct if window.action == "charge" else window.down_to_pct
    if level is not None:
        steps = each.get("level", {})
        step = steps.get("step_pct", menu.get("soc_step_pct", 5))
        if "level" not in has or not on_step(level, step) or level < floor - 1e-9:
            return False
        if not steps.get("from_pct", 0) - 1e-9 <= level <= steps.get("to_pct", 100) + 1e-9:
            return False
    return holds_powers(menu, each, window, plant, has)


def holds_powers(
    menu: dict[str, Any], each: dict[str, Any], window: Window, plant: Plant, has: set[str]
) -> bool:
    power = window.grid_kw if window.action == "charge" else window.power_kw
    steps = each.get("power", {})
    if power == 0 and window.action == "charge":
        if "grid" not in has and "power" not in has:
            return False
        if "action" not in has and set(each["actions"]) == {"charge", "cover"}:
            return False  # nothing would say that it charges
    elif power is not None:
        if "power" not in has:
            return False
        if "power_step_pct" in menu:
            pct = 100 * power / plant.ac_limit_kw
            if not on_step(pct, menu["power_step_pct"]) or pct > 100 + 1e-6:
                return False
        elif not on_step(power, steps.get("step_kw", menu.get("power_step_kw", 0.1))):
            return False
        if power > steps.get("to_kw", 1e9) + 1e-9:
            return False
    return holds_cap(menu, each, window, has)


def holds_cap(menu: dict[str, Any], each: dict[str, Any], window: Window, has: set[str]) -> bool:
    if window.import_cap_kw is None:
        return True
    step = each.get("cap", {}).get("step_kw", menu.get("power_step_kw", 0.1))
    return "cap" in has and on_step(window.import_cap_kw, step)


def holds_in_common(
    menu: dict[str, Any], each: dict[str, Any], parts: dict[str, list[Window]]
) -> bool:
    """Tell whether the day sets of a season agree on what they share."""
    inside = [[w for w in windows if w.action in each["actions"]] for windows in parts.values()]
    every = [window for part in inside for window in part]
    own_kind = each.get("day_types", menu.get("day_types", "weekday_weekend"))
    if "days" in each.get("fields", []):
        if len({repr(window) for window in every}) > each["entries"]:
            return False
    elif own_kind == "every_day" and any(
        sorted(map(repr, part)) != sorted(map(repr, inside[0])) for part in inside
    ):
        return False
    for field in each.get("once", []):
        keys = {
            "level": ("until_pct", "down_to_pct"),
            "power": ("grid_kw", "power_kw"),
            "cap": ("import_cap_kw",),
        }
        kept = [w for w in every if w.action not in {"hold", "limit"} or field == "cap"]
        if len({tuple(getattr(w, key) for key in keys[field]) for w in kept}) > 1:
            return False
    return True


# --- settings by chance -----------------------------------------------------------------------------


class Chance:
    """Settings by chance that a menu can mostly hold: sometimes one thing about them is wrong."""

    def __init__(self, menu: dict[str, Any], seed: int) -> None:
        self.menu, self.luck = menu, np.random.default_rng(seed)
        self.slips = self.luck.random() < 0.8

    def slip(self, share: float = 0.08) -> bool:
        return bool(self.slips and self.luck.random() < share)

    def settings(self) -> Settings:
        most = self.menu.get("season_sets", 2)
        count = int(self.luck.integers(1, most + 1 + self.slip()))
        months = np.array_split(np.roll(EVERY_MONTH, int(self.luck.integers(12))), count)
        kind = kind_of(self.menu)
        if self.slip(0.03):
            kind = str(self.luck.choice([other for other in KINDS if other != kind]))
        seasons = [
            SeasonSet(months=[int(m) for m in group], day_sets=self.day_sets(DAY_NAMES[kind]))
            for group in months
        ]
        return Settings(settings="by chance", floor_pct=10, seasons=seasons)

    def day_sets(self, names: list[str]) -> list[DaySet]:
        while True:
            parts: list[list[Window]] = [[] for _ in names]
            for each in self.menu["lists"]:
                for part, more in zip(parts, self.entries(each, len(names)), strict=True):
                    part += more
            if not self.menu.get("overlap") and not self.slip():
                parts = [apart(part) for part in parts]
            try:
                return [
                    DaySet(days=name, windows=part)  # type: ignore[arg-type]
                    for name, part in zip(names, parts, strict=True)
                ]
            except ValueError:
                continue  # two windows of one action overlap: no settings at all

    def entries(self, each: dict[str, Any], days: int) -> list[list[Window]]:
        once = {
            field: self.value(each, field, each["actions"][0]) for field in each.get("once", [])
        }
        own = each.get("day_types", self.menu.get("day_types", "weekday_weekend"))
        if "days" in each.get("fields", []):
            found = self.windows(each, once)
            return [[w for w in found if self.luck.random() < 0.7] for _ in range(days)]
        if own == "every_day" and not self.slip():
            return [self.windows(each, once)] * days
        return [self.windows(each, once) for _ in range(days)]

    def windows(self, each: dict[str, Any], once: dict[str, Any]) -> list[Window]:
        minutes = each.get("minutes", self.menu.get("minutes", 30))
        count = int(self.luck.integers(0, each["entries"] + 1 + self.slip()))
        slots = 1440 // minutes
        edges = (
            np.sort(self.luck.choice(slots, size=min(2 * count, slots), replace=False)) * minutes
        )
        if self.menu.get("over_midnight", True) and self.luck.random() < 0.5:
            edges = np.roll(edges, 1)
        if self.slip() and len(edges) > 1:
            edges[0] += 7
        if each.get("fills_day") and count and self.luck.random() < 0.7:
            edges = np.repeat(np.append(edges[:count], 1440), 2)[1:-1]
        pairs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=False))
        if self.luck.random() < 0.05:
            pairs = [(0, 1440)]
        return [self.window(each, begin, end, once) for begin, end in pairs if begin != end]

    def window(self, each: dict[str, Any], begin: int, end: int, once: dict[str, Any]) -> Window:
        action = str(self.luck.choice(each["actions"]))
        if self.slip(0.01):
            action = str(self.luck.choice(["charge", "hold", "cover", "sell"]))
        has = [*each.get("fields", ["start", "end", "level", "power"]), *each.get("once", [])]
        values = {}
        for field in ("level", "power", "grid", "cap"):
            if field in has or self.slip(0.03):
                values[field] = once.get(field) if not self.slip() else None
                if values[field] is None:
                    values[field] = self.value(each, field, action)
        keys: dict[str, Any] = {}
        if action in {"charge", "cover", "sell"} and "level" in values:
            keys["until_pct" if action == "charge" else "down_to_pct"] = values["level"]
        if action in {"charge", "sell"} and "power" in values:
            keys["grid_kw" if action == "charge" else "power_kw"] = values["power"] or 1.0
        if action == "charge" and values.get("grid") == 0:
            keys["grid_kw"] = 0.0
        if "cap" in values or action == "limit":
            keys["import_cap_kw"] = values.get("cap", 1.0)
        return Window(start=told(begin), end=told(end or 1440), action=action, **keys)  # type: ignore[arg-type]

    def value(self, each: dict[str, Any], field: str, action: str) -> float:
        off = -0.013 if self.slip() else 0.0
        if field == "grid":
            return float(self.luck.integers(2))
        if field == "level":
            step = each.get("level", {}).get("step_pct", self.menu.get("soc_step_pct", 5))
            low = 10 if not self.slip() else 5
            return float(round(self.luck.integers(low, 101) / step) * step) + off
        if field == "power" and "power_step_pct" in self.menu:
            return (
                float(self.luck.integers(1, 21))
                * self.menu["power_step_pct"]
                / 100
                * AC_PLANT.ac_limit_kw
                + off
            )
        name = "cap" if field == "cap" else "power"
        step = each.get(name, {}).get("step_kw", self.menu.get("power_step_kw", 0.1))
        return round(float(self.luck.integers(1, 30)) * step, 9) + off


def told(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def apart(windows: list[Window]) -> list[Window]:
    """Return the windows without those that overlap one before; limits overlap only each other."""
    kept: list[Window] = []
    for window in windows:
        rivals = [w for w in kept if (w.action == "limit") == (window.action == "limit")]
        if not any(minutes_of(window) & minutes_of(other) for other in rivals):
            kept.append(window)
    return kept


@pytest.mark.parametrize("number", NUMBERS)
def test_settings_by_chance_are_accepted_if_and_only_if_the_menu_can_hold_them(number: int) -> None:
    menu, controls = MENUS[number], controls_of(number)
    seen = []
    for seed in range(500):
        settings = Chance(menu, 1000 * number + seed).settings()
        expected = holds(menu, settings, AC_PLANT)
        refused = refusals(settings, controls, AC_PLANT, SOURCE)
        assert (not refused) == expected, (seed, settings.model_dump(exclude_none=True), refused)
        seen.append(expected)
    assert min(sum(seen), 500 - sum(seen)) >= 60  # of either kind there are enough


@pytest.mark.parametrize("number", NUMBERS)
def test_accepted_settings_are_the_same_once_written_and_read(number: int) -> None:
    controls = controls_of(number)
    for seed in range(40):
        settings = Chance(MENUS[number], 1000 * number + seed).settings()
        if refusals(settings, controls, AC_PLANT, SOURCE):
            continue
        stored = settings.as_stored(controls)
        again = Settings.model_validate(stored.model_dump(exclude_none=True))
        assert again == stored
        assert refusals(again, controls, AC_PLANT, SOURCE) == []
        assert again.as_stored(controls) == stored


# --- what the replay makes of settings ----------------------------------------------------------------


def plain_order(
    settings: Settings, minute: int, weekday: int, month: int
) -> tuple[Window | None, float, str]:
    """Return the window that holds at a time, the cap, and what is done outside, in plain words."""
    for season in settings.seasons:
        if month not in season.months:
            continue
        ranks = list(settings.precedence or [])
        held: list[tuple[int, int, Window]] = []
        caps = [np.inf]
        for part in season.day_sets:
            for window in part.windows:
                late = window.is_over_midnight and minute < window.finish
                day = weekday
                if late and settings.after_midnight == "next day":
                    day = (weekday - 1) % 7
                if minute not in minutes_of(window) or day not in part.weekdays:
                    continue
                if window.action == "limit" and "limit" not in ranks:
                    caps.append(window.import_cap_kw or 0.0)
                else:
                    rank = ranks.index(window.action) if ranks else 0
                    held.append((rank, int(late), window))
        some = any(part.windows for part in season.day_sets)
        outside = (settings.outside or "cover") if some else "cover"
        if not held:
            return None, min(caps), outside
        window = min(held, key=lambda item: item[:2])[2]
        own = np.inf if window.import_cap_kw is None else window.import_cap_kw
        return (None if window.action == "limit" else window), min(own, *caps), outside
    return None, np.inf, "cover"


TWO_WEEKS = {
    "Dublin": local_grid("2026-03-22T00:00", "Europe/Dublin", 24 * 14),
    "New York": local_grid("2026-10-26T00:00", "America/New_York", 24 * 14),
}  # fmt: skip


@pytest.mark.parametrize("place", TWO_WEEKS)
@pytest.mark.parametrize("number", NUMBERS)
def test_each_step_obeys_the_window_that_holds_by_a_plain_reading(number: int, place: str) -> None:
    grid, controls = TWO_WEEKS[place], controls_of(number)
    checked = 0
    for seed in range(60):
        settings = Chance(MENUS[number], 77_000 + 1000 * number + seed).settings()
        if refusals(settings, controls, AC_PLANT, SOURCE):
            continue
        settings = settings.as_stored(controls)
        orders = orders_of(settings, AC_PLANT, grid)
        minute, weekday = settings.clock_of(grid)
        for t in range(0, grid.count, 5):
            window, cap, outside = plain_order(
                settings, int(minute[t]), int(weekday[t]), int(grid.month[t])
            )
            row = orders.table[orders.of_step[t]]
            assert row[ACTION] == ACTION_CODE[window.action if window else outside]
            assert row[CAP] == pytest.approx(cap * grid.step_h)
            if window and window.until_pct is not None:
                assert row[TARGET] == pytest.approx(AC_PLANT.level_kwh(window.until_pct))
            if window and window.down_to_pct is not None:
                assert row[FLOOR] == pytest.approx(AC_PLANT.level_kwh(window.down_to_pct))
        checked += 1
    assert checked >= 10


def run_for(
    settings: Settings, load: list[float], pv: list[float], plant: Plant, start_kwh: float
) -> list[float]:
    """Return the stored energy after each hour of a Thursday in January. [kWh]"""
    grid = local_grid("2026-01-01T00:00", "UTC", len(load))
    horizon = Horizon(plant, grid, np.array(load), np.array(pv), start_kwh)
    return [round(float(level), 6) for level in replay(horizon, settings).stored_kwh]


def settings_with(*windows: Window, **told_of: Any) -> Settings:
    season = SeasonSet(
        months=EVERY_MONTH, day_sets=[DaySet(days="every day", windows=list(windows))]
    )
    return Settings(settings="by hand", floor_pct=0, seasons=[season], **told_of)


FILL = Window(start="00:00", end="01:00", action="charge", grid_kw=2)


@pytest.mark.parametrize(
    ("outside", "levels"),
    [
        # 2 kW for an hour; then 1 kWh of load, 3 of PV with 1 of load, 1 of load.
        ("cover", [6.0, 5.0, 7.0, 6.0]),
        ("hold", [6.0, 6.0, 8.0, 8.0]),
        ("idle", [6.0, 6.0, 6.0, 6.0]),
    ],
)
def test_outside_its_entries_the_equipment_does_what_the_menu_says(
    outside: str, levels: list[float]
) -> None:
    plant = simple_plant(10, 5)
    told_of = {} if outside == "cover" else {"outside": outside}
    run = run_for(settings_with(FILL, **told_of), [0, 1, 1, 1], [0, 0, 3, 0], plant, 4.0)
    assert run == levels


def test_months_without_any_entry_are_as_the_equipment_comes() -> None:
    plant = simple_plant(10, 5)
    empty = settings_with(outside="idle")
    assert run_for(empty, [0, 1, 1], [0, 0, 3], plant, 4.0) == [4.0, 3.0, 5.0]


def test_idle_equipment_still_meets_the_limit_of_the_connection() -> None:
    """3 kWh of load behind 2 kW: the battery gives 1 kWh though it idles; PV surplus is exported."""
    plant = simple_plant(10, 5, connection=Connection(import_limit_kw=2))
    settings = settings_with(FILL, outside="idle")
    assert run_for(settings, [0, 3, 0], [0, 0, 2], plant, 4.0) == [6.0, 5.0, 5.0]


def test_a_limit_beside_a_charge_entry_slows_it_and_an_entry_that_comes_first_ends_it() -> None:
    plant = simple_plant(10, 5)
    limit = Window(start="00:00", end="03:00", action="limit", import_cap_kw=1.5)
    fill = Window(start="00:00", end="02:00", action="charge", grid_kw=2)
    load = [1.0, 0.0, 2.0, 2.0]
    # Beside: import at most 1.5: charge 0.5, 1.5; then the battery gives 0.5 under the cap... and
    # as it covers the building outside entries, all of the 2 kWh; without a limit 2 as well.
    beside = settings_with(fill, limit)
    assert run_for(beside, load, [0] * 4, plant, 4.0) == [4.5, 6.0, 4.0, 2.0]
    held = settings_with(fill, limit, outside="hold")
    assert run_for(held, load, [0] * 4, plant, 4.0) == [4.5, 6.0, 5.5, 5.5]
    # The limit in place of the charge entry: held, under 1.5 kW.
    first = settings_with(
        fill, limit, outside="hold", precedence=["limit", "charge", "cover", "sell", "hold"]
    )
    assert run_for(first, load, [0] * 4, plant, 4.0) == [4.0, 4.0, 3.5, 3.5]
    # The charge entry in place of the limit: it fills with 2 kW whatever the cap says.
    last = settings_with(
        fill, limit, outside="hold", precedence=["charge", "limit", "cover", "sell", "hold"]
    )
    assert run_for(last, load, [0] * 4, plant, 4.0) == [6.0, 8.0, 7.5, 7.5]


def test_staying_off_the_grid_lets_the_battery_carry_all_that_it_can() -> None:
    off = Window(start="01:00", end="03:00", action="limit", import_cap_kw=0)
    settings = settings_with(FILL, off, outside="hold")
    assert off.words() == "stay off the grid"
    run = run_for(settings, [0, 3, 4, 1], [0] * 4, simple_plant(10, 5), 3.0)
    assert run == [5.0, 2.0, 0.0, 0.0]  # 4 kWh asked for, 2 there: the rest is bought


def test_a_charge_entry_that_has_ended_stays_ended_where_a_limit_begins() -> None:
    """It ends at 60 %; afterwards it covers the building, under the limit that begins at 02:00."""
    plant = replace(simple_plant(10, 5), behaviour=Behaviour(at_target="ends"))
    fill = Window(start="00:00", end="06:00", action="charge", until_pct=60, grid_kw=2)
    limit = Window(start="02:00", end="06:00", action="limit", import_cap_kw=1)
    run = run_for(settings_with(fill, limit), [0, 0, 1, 1], [0] * 4, plant, 5.0)
    assert run == [6.0, 6.0, 5.0, 4.0]


def test_a_clock_without_summer_time_is_an_hour_behind_in_summer() -> None:
    """Clocks go forward on 29 March 2026 in Dublin and on 4 October 2026 in Adelaide (30 minutes east)."""
    for zone, summer, winter in (
        ("Europe/Dublin", "2026-07-06T00:00", "2026-01-05T00:00"),
        ("Australia/Adelaide", "2026-01-05T00:00", "2026-07-06T00:00"),
    ):
        minute, weekday = local_grid(summer, zone, 48).winter_clock
        assert minute[:3].tolist() == [23 * 60, 0, 60]
        assert weekday[:3].tolist() == [6, 0, 0]  # at midnight of Monday it is still Sunday there
        minute, weekday = local_grid(winter, zone, 48).winter_clock
        assert minute[:3].tolist() == [0, 60, 120]
        assert weekday[:3].tolist() == [0, 0, 0]


# --- what the search hands out ------------------------------------------------------------------------


def season_for(number: int, plant: Plant = AC_PLANT) -> Season:
    plan, cost = site(plant, SITE_WEEK, "demand")
    return season_of(task_for(plan, cost, controls_of(number)), plan, years_of(plan, [1.0, 2.0]))


SITE_WEEK = grid_of(24 * 8, 60, MONDAY)


@pytest.mark.parametrize("number", NUMBERS)
def test_all_that_the_search_looks_at_can_be_typed_in(number: int) -> None:
    season = season_for(number)
    menu, controls = MENUS[number], controls_of(number)
    for seed in range(3):
        for drafts in some_drafts(season, seed, 60):
            assert season.stored.takes(drafts)
            settings = settings_of("looked at", ALL_MONTHS, [drafts], season.task)
            assert refusals(settings, controls, AC_PLANT, SOURCE) == []
            assert holds(menu, settings, AC_PLANT)


@pytest.mark.parametrize("number", NUMBERS)
def test_the_search_takes_what_the_menu_accepts_and_nothing_else(number: int) -> None:
    """Drafts of settings by chance: taken by the search if and only if nothing refuses them."""
    season, controls = season_for(number), controls_of(number)
    kinds = {"how many": 0, "taken": 0}
    for seed in range(200):
        settings = Chance(MENUS[number], 50_000 + 1000 * number + seed).settings()
        drafts = drafts_of(settings, settings.seasons[0].months, controls, AC_PLANT)
        if any(d.action not in controls.menu.actions for part in drafts for d in part):
            continue  # steps and actions are not asked of drafts: moves never leave them
        written = settings_of("written", ALL_MONTHS, [drafts], season.task)
        if any("multiple" in told.what for told in refusals(written, controls, AC_PLANT, SOURCE)):
            continue
        others = [
            refused.what for refused in refusals(written, controls, AC_PLANT, SOURCE)
            if " is " not in refused.what or "stands once" in refused.what
        ]  # fmt: skip
        assert season.stored.takes(drafts) == (not others), (seed, others)
        kinds["how many"] += 1
        kinds["taken"] += not others
    assert kinds["how many"] > 60
    assert kinds["taken"] > 30


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("number", NUMBERS)
def test_windows_cost_in_the_search_what_their_replay_costs(number: int, plant: Plant) -> None:
    plan, cost = site(plant, SITE_WEEK, "demand")
    task = task_for(plan, cost, controls_of(number))
    season = season_of(task, plan, years_of(plan, [1.0, 2.0]))
    many = some_drafts(season, 5, 25)
    expected = np.array([
        [
            cost_of_settings(plan, cost, settings_of("drafts", ALL_MONTHS, [drafts], task), year)
            for year in season.years
        ]
        for drafts in many
    ])  # fmt: skip
    costs = season.costs(many)
    np.testing.assert_allclose(costs - costs[0], expected - expected[0], atol=1e-8)


@pytest.mark.parametrize("number", NUMBERS)
def test_what_is_found_can_be_typed_in_and_changed_with_fewer_entries(number: int) -> None:
    """The whole way: search with its curve of numbers, refusals, and a renewal of what is in use."""
    controls = controls_of(number)
    found = found_for(AC_PLANT, HALF_HOURS, "two rates", controls)
    for size in found.sizes:
        assert refusals(size.settings, controls, AC_PLANT, SOURCE) == []
        assert holds(MENUS[number], size.settings, AC_PLANT)
    counts = [size.entries for size in found.sizes]
    assert counts == sorted(set(counts))
    assert found.sizes[-1].seen > 0

    plan, cost = site(AC_PLANT, HALF_HOURS, "demand")
    task = task_for(plan, cost, controls)
    renewed = find_changes(task, weather_of(plan), found.sizes[-1].settings, LITTLE, 0.01)
    assert renewed.sizes[0].settings == found.sizes[-1].settings
    for size in renewed.sizes:
        assert refusals(size.settings, controls, AC_PLANT, SOURCE) == []
        if size.entries:
            assert changes_of(found.sizes[-1].settings, size.settings, AC_PLANT, controls.menu)


SHORT = {"windows_per_day": 3, "minutes": 30, "season_sets": 2, "import_cap": True}
AS_LIST = {
    "lists": [
        {"name": "all", "actions": ["charge", "hold", "cover", "sell"], "entries": 3,
         "fields": ["start", "end", "action", "level", "power", "cap"]}
    ],
    "minutes": 30, "season_sets": 2,
}  # fmt: skip


@pytest.mark.parametrize("tariff", ["two rates", "demand", "sell above buy"])
def test_todays_controls_as_a_list_give_the_same_windows_to_the_bit(tariff: str) -> None:
    found = [
        found_for(AC_PLANT, HALF_HOURS, tariff, Controls.model_validate(said))
        for said in (SHORT, AS_LIST)
    ]
    assert found[0].sizes == found[1].sizes
    assert found[0].replays == found[1].replays
    assert found[0].sizes[-1].entries


def test_a_field_that_stands_once_is_changed_in_all_entries_and_a_list_without_days_on_all_days() -> (
    None
):
    """Menu 3 has one level for filling; the limits of menu 6 are the same on all days."""
    season = season_for(3)
    two = tuple(Draft(begin, 60, "charge", 50.0, 2.0) for begin in (60, 180))
    levels = {
        tuple(draft.level_pct for draft in changed[0])
        for changed in moves.changes((two,), moves.apart(season), season)
        if [draft.action for draft in changed[0]] == ["charge", "charge"]
    }
    assert len(levels) > 3
    assert all(one == other for one, other in levels)

    season = season_for(6)
    limit = Draft(960, 240, "limit", 0.0, 0.0, 2.0)
    charge = Draft(60, 120, "charge", 100.0, 2.0)
    added = list(moves.additions(((charge,), ()), moves.apart(season), season, [limit]))
    assert added
    assert all(drafts == ((charge, limit), (limit,)) for drafts in added)


def of_days(controls: Controls, **windows: list[Window]) -> Settings:
    day_sets = [DaySet(days=days, windows=windows.get(days, [])) for days in controls.day_sets()]  # type: ignore[arg-type]
    season = SeasonSet(months=EVERY_MONTH, day_sets=day_sets)
    return Settings(settings="by hand", floor_pct=10, seasons=[season]).as_stored(controls)


def test_a_field_that_stands_once_is_one_change_and_is_undone_in_all_entries() -> None:
    controls = controls_of(3)

    def filling(level: float, *spans: tuple[str, str]) -> Settings:
        windows = [
            Window(start=a, end=b, action="charge", until_pct=level, grid_kw=2) for a, b in spans
        ]
        return of_days(controls, **{"every day": windows})

    before = filling(80, ("01:00", "03:00"), ("12:00", "14:00"))
    (change,) = changes_of(
        before, filling(90, ("01:00", "03:00"), ("12:00", "14:00")), AC_PLANT, controls.menu
    )
    assert change.sentence() == "all year, all entries of 'filling': change level from 80 % to 90 %"
    after = filling(90, ("01:00", "04:00"), ("12:00", "14:00"))
    both = changes_of(before, after, AC_PLANT, controls.menu)
    assert [one.sentence() for one in both] == [
        "all year, all entries of 'filling': change level from 80 % to 90 %",
        "every day, all year: change 01:00–03:00 charge into 01:00–04:00 charge",
    ]
    undone = without_change(after, both[0])
    assert undone == filling(80, ("01:00", "04:00"), ("12:00", "14:00"))


def test_an_entry_with_days_of_its_own_is_one_change_however_many_days_it_holds_on() -> None:
    """Menu 5 takes an entry with its days; menu 8 takes weekdays and weekends apart."""
    night = Window(start="01:00", end="05:00", action="charge", until_pct=80)
    later = night.model_copy(update={"end": "06:00"})
    for number, count in ((5, 1), (8, 2)):
        controls = controls_of(number)
        before = of_days(controls, weekdays=[night], weekends=[night])
        after = of_days(controls, weekdays=[later], weekends=[later])
        assert before.entries(controls.menu) == count
        changes = changes_of(before, after, AC_PLANT, controls.menu)
        assert len(changes) == count
        if count == 1:
            assert changes[0].sentence().startswith("every day, all year: change 01:00–05:00")
            assert without_change(after, changes[0]) == before


def test_caps_stay_within_a_range_and_levels_below_the_floor_are_never_typed() -> None:
    """A list of caps from 1 to 3 kW in halves; a list that takes no level as high as the floor of 10 %."""
    said = {
        "lists": [
            {"name": "fill", "actions": ["charge"], "entries": 2, "fields": ["start", "end"]},
            {"name": "give", "actions": ["cover"], "entries": 2, "fields": ["start", "end", "level"],
             "level": {"to_pct": 8, "step_pct": 2}},
            {"name": "caps", "actions": ["limit"], "entries": 2, "fields": ["start", "end"],
             "once": ["cap"], "cap": {"from_kw": 1, "to_kw": 3, "step_kw": 0.5}},
        ],
    }  # fmt: skip
    controls = Controls.model_validate(said)
    plan, cost = site(AC_PLANT, SITE_WEEK, "demand")
    season = season_of(task_for(plan, cost, controls), plan, years_of(plan, [1.0]))
    assert [season.stored.cap_near("limit", kw) for kw in (0.2, 1.2, 2.3, 9.0)] == [
        1.0,
        1.0,
        2.5,
        3.0,
    ]
    seen = set()
    for drafts in some_drafts(season, 3, 80):
        settings = settings_of("looked at", ALL_MONTHS, [drafts], season.task)
        assert refusals(settings, controls, AC_PLANT, SOURCE) == []
        seen |= {draft.action for part in drafts for draft in part}
    assert seen == {"charge", "limit"}


def test_an_entry_of_several_days_has_one_reason_and_what_fills_the_day_is_counted() -> None:
    night = Window(start="01:00", end="05:00", action="charge", until_pct=80)
    noon = Window(start="11:00", end="13:00", action="charge", until_pct=90)
    controls = controls_of(5)
    settings = of_days(controls, weekdays=[night], weekends=[night, noon])
    assert [len(places) for places in settings.places_of_entries(controls.menu)] == [2, 1]
    plan, cost = site(AC_PLANT, HALF_HOURS, "two rates")
    task = task_for(plan, cost, controls)
    reasons = reasons_for(
        settings,
        controls.menu,
        task.horizon,
        lambda run: Priced(bill_flows(cost, run.flows), {}),
        "EUR",
    )
    assert [reason.sentence[:22] for reason in reasons] == [
        "every day 01:00–05:00,",
        "weekends 11:00–13:00, ",
    ]

    filled = controls_of(4)  # 00:00 cover, 01:00 charge, 05:00 cover, 11:00 charge, 13:00 cover
    settings = of_days(filled, **{"every day": [night, noon]})
    assert settings.entries(filled.menu) == 5
    drafts = drafts_of(settings, EVERY_MONTH, filled, AC_PLANT)
    assert season_for(4).stored.entries_of(drafts) == 5
    later = of_days(filled, **{"every day": [night, noon.model_copy(update={"start": "12:00"})]})
    moved = drafts_of(later, EVERY_MONTH, filled, AC_PLANT)
    assert season_for(4).stored.changes_between(drafts, moved) == 1


def test_fuller_windows_under_caps_need_no_more_entries() -> None:
    """An entry that holds on several days is not divided by filling more on one of them."""
    said = {
        "lists": [
            {"name": "all", "actions": ["charge", "hold"], "entries": 7,
             "fields": ["days", "start", "end", "level", "cap"]}
        ],
        "day_types": "each_day",
    }  # fmt: skip
    controls = Controls.model_validate(said)
    plan, cost = site(AC_PLANT, SITE_WEEK, "demand")
    season = season_of(task_for(plan, cost, controls), plan, years_of(plan, [1.0]))
    looked = Search(season, 1e9, 3)
    more = 0
    for level in (50.0, 70.0, 90.0):
        night = Draft(0, 600, "charge", level, season.stored.most_kw("charge"), 2.0)
        drafts = ((night,),) * 7
        sturdy = looked.sturdier(drafts)
        assert season.size_of(sturdy) <= season.size_of(drafts) == 1
        more += sturdy != drafts
    found = found_for(AC_PLANT, SITE_WEEK, "demand", controls)
    assert [size.entries for size in found.sizes] == sorted({s.entries for s in found.sizes})
