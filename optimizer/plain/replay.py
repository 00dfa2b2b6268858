"""A second opinion on replays: settings read from their words, and the equipment in simple arithmetic.

Nothing of ``simulation`` is used: which window holds is asked anew in each step, numbers are read where
they are needed, and each case has a branch of its own. Energies are kWh per step; charge and discharge
are counted at the battery's terminals. Read next: ``balance``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

Words = dict[str, Any]

MINUTES = 1440
NEVER = 1e8
"""A limit above this does not bind. [kWh per step]"""

NEAR = 1e-9
"""A level this near is reached. [kWh]"""

DAYS = {
    "every day": range(7), "weekdays": range(5), "weekends": (5, 6),
    **{name: (number,) for number, name in enumerate(
        ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays"))},
}  # fmt: skip
RULE_DAYS = {
    "all": range(7), "weekdays": range(5), "weekends": (5, 6),
    **{name: (number,) for number, name in enumerate(
        ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"))},
}  # fmt: skip


def clock(text: str) -> int:
    """Return ``HH:MM`` as minutes since midnight. [min]"""
    return 60 * int(text[:2]) + int(text[3:])


def winter_time(moment: datetime, zone: ZoneInfo) -> datetime:
    """Return a local moment as a clock shows it that stays on winter time."""
    offsets = [datetime(moment.year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    now, winter = moment.utcoffset(), min(offset for offset in offsets if offset is not None)
    return moment.replace(tzinfo=None) - ((now or winter) - winter)


@dataclass
class Site:
    """The equipment of a scenario's words, as energies per step of ``minutes``. [kWh]

    ``low`` is the lowest level in daily use; without a battery its capacity counts for nothing.
    """

    words: Words
    minutes: int
    low: float
    has_battery: bool = True
    rules: list[Words] = field(init=False)

    def __post_init__(self) -> None:
        battery, inverter, pv = (self.words[key] for key in ("battery", "inverter", "pv"))
        connection, permissions = (self.words.get(key, {}) for key in ("connection", "permissions"))
        h = self.h = self.minutes / 60
        self.capacity = float(battery["capacity_kwh"])
        self.high = float(battery.get("ceiling_pct", 100)) / 100 * self.capacity
        self.most_in, self.most_out = (
            float(battery["charge_kw"]) * h,
            float(battery["discharge_kw"]) * h,
        )
        if not self.has_battery:
            self.low = self.high = self.most_in = self.most_out = 0.0
        self.into = float(battery.get("charge_efficiency_pct", 96)) / 100
        self.out_of = float(battery.get("discharge_efficiency_pct", 96)) / 100
        self.kept: float = (1 - battery.get("standing_loss_pct_per_day", 0) / 100) ** (h / 24)
        self.cycles: float | None = battery.get("cycles_per_day")
        self.ac = float(inverter["ac_limit_kw"]) * h
        self.to_ac = float(inverter.get("efficiency_pct", 97)) / 100
        into_dc = inverter.get("charging_efficiency_pct")
        self.to_dc: float = self.to_ac if into_dc is None else into_dc / 100
        self.hybrid = pv["coupling"] == "dc"
        own = pv.get("ac_limit_kw")
        self.pv_limit = math.inf if own is None else own * h
        self.may_export_stored = permissions.get("export_stored_energy", True) and permissions.get(
            "export", True
        )
        self.habits = self.words.get("behaviour", {}) if self.has_battery else {}
        self._read_limits(connection, permissions, pv)

    def _read_limits(self, connection: Words, permissions: Words, pv: Words) -> None:
        phases = connection.get("phases")
        of_phases = math.inf
        if phases:
            fullest = phases.get("fullest_pct") or 100 / phases["count"]
            of_phases = phases["amperes"] * phases["volts"] / 1000 / (fullest / 100)
        may = permissions.get("export", True), permissions.get("charge_from_grid", True)
        export = connection.get("export_limit_kw")
        always = {
            "import_kw": min(_or_endless(connection.get("import_limit_kw")), of_phases),
            "export_kw": min(_or_endless(export), of_phases) if may[0] else 0.0,
            "fill_kw": _or_endless(connection.get("fill_limit_kw")) if may[1] else 0.0,
        }
        share = connection.get("export_limit_pct_of_pv")
        self.rules = [always, *connection.get("limits", [])]
        if share is not None:
            self.rules.append({"export_kw": share / 100 * pv["peak_kw"]})

    def habit(self, name: str, usual: Any) -> Any:
        """Return what the behaviour says, or what is usual."""
        return self.habits.get(name, usual)

    def number(self, name: str, usual: float = 0.0) -> float:
        """Return a number of the behaviour, in its own unit, or what is usual."""
        return float(self.habits.get(name, usual))

    def level(self, pct: float) -> float:
        """Return a state of charge as a level, within the allowed ones. [kWh]"""
        return min(max(pct / 100 * self.capacity, self.low), self.high)

    def allowed(self, moment: datetime) -> tuple[float, float, float]:
        """Return most import, export and filling from the grid in the step of a local moment. [kWh]"""
        found = {"import_kw": math.inf, "export_kw": math.inf, "fill_kw": math.inf}
        for rule in self.rules:
            if self._holds(rule, moment):
                for way in found:
                    found[way] = min(found[way], _or_endless(rule.get(way)) * self.h)
        return found["import_kw"], found["export_kw"], found["fill_kw"]

    def _holds(self, rule: Words, moment: datetime) -> bool:
        if moment.month not in rule.get("months", range(1, 13)):
            return False
        named = {day for word in rule.get("days", ["all"]) for day in RULE_DAYS[word]}
        if moment.weekday() not in named:
            return False
        begin = 60 * moment.hour + moment.minute
        for span in rule.get("hours", ["00:00-24:00"]):
            first, last = (clock(part) for part in span.split("-"))
            for after in range(self.minutes):
                minute = (begin + after) % MINUTES
                inside = (
                    first <= minute < last if first < last else minute >= first or minute < last
                )
                if inside:
                    return True
        return False


def _or_endless(value: float | None) -> float:
    return math.inf if value is None else value


@dataclass
class Held:
    """What settings ask for in a step: a window or None, the cap beside it, floor and habit outside."""

    window: Words | None
    cap_kw: float
    floor: float
    outside: str
    name: Any


def window_at(settings: Words, site: Site, shown: datetime, month: int) -> Held:
    """Return what holds in the step that begins when the equipment's clock shows a moment."""
    floor = site.level(settings["floor_pct"])
    season, number = None, None
    for place, each in enumerate(settings.get("seasons", [])):
        if month in each["months"]:
            season, number = each, place
    if season is None:
        return Held(None, math.inf, floor, "cover", None)
    has_windows = any(part.get("windows") for part in season["day_sets"])
    outside = settings.get("outside") if has_windows else None
    is_own = season.get("floor_pct") is not None or outside is not None
    floor = max(site.level(season.get("floor_pct") or 0.0), floor)
    minute = 60 * shown.hour + shown.minute
    minute -= minute % site.minutes
    holding = _holding(
        season, shown.weekday(), minute, settings.get("after_midnight") == "next day"
    )
    ranks = settings.get("precedence")
    cap, window = math.inf, None
    if ranks is None or "limit" not in ranks:
        limits = [each for each in holding if each["action"] == "limit"]
        holding = [each for each in holding if each["action"] != "limit"]
        cap = limits[0]["import_cap_kw"] if limits else math.inf
    if holding:
        window = min(holding, key=lambda each: ranks.index(each["action"])) if ranks else holding[0]
    name = None if window is None else (*sorted(window.items()), number if is_own else None)
    return Held(window, cap, floor, outside or "cover", name)


def _holding(season: Words, weekday: int, minute: int, goes_on: bool) -> list[Words]:
    """Return the windows that hold at a minute of a day: first those that began on it."""
    begun, went_on = [], []
    for part in season["day_sets"]:
        for window in part.get("windows", []):
            first, last = clock(window["start"]), clock(window["end"])
            over_midnight = 0 < last <= first
            if over_midnight and minute < last:
                named = (weekday - 1) % 7 if goes_on else weekday
                if named in DAYS[part["days"]]:
                    went_on.append(window)
                continue
            inside = minute >= first and (over_midnight or minute < (last or MINUTES))
            if inside and weekday in DAYS[part["days"]]:
                begun.append(window)
    return begun + went_on


@dataclass
class Step:
    """What came of a step. [kWh]"""

    import_kwh: float
    export_kwh: float
    charge_kwh: float
    discharge_kwh: float
    pv_used_kwh: float
    stored_kwh: float


@dataclass
class Machine:
    """The equipment while it runs: its level, and what it remembers."""

    site: Site
    stored: float
    resting: bool = False
    ended: Any = None

    def run(
        self, held: Held, load: float, pv: float, allowed: tuple[float, float, float], new_day: bool
    ) -> Step:
        """Go through one step."""
        site = self.site
        window = held.window
        if site.habit("at_target", "keeps") == "ends":
            window = self._unless_ended(held, new_day)
        action = "limit" if window is None else window["action"]
        action = held.outside if action == "limit" else action
        down_to = held.floor
        if window is not None and window.get("down_to_pct") is not None:
            down_to = max(site.level(window["down_to_pct"]), held.floor)
        self._rest(down_to)
        cap_kw = _or_endless(None if window is None else window.get("import_cap_kw"))
        moving = Moving(
            site, site.low + site.kept * (self.stored - site.low), load + site.number("standby_kw") * site.h,
            pv if site.hybrid else min(pv, site.pv_limit), allowed,
        )  # fmt: skip
        moving.act(action, window or {}, down_to, self.resting)
        moving.keep_cap(min(cap_kw, held.cap_kw) * site.h, held.floor)
        step = moving.settled()
        self.stored = step.stored_kwh
        return step

    def _unless_ended(self, held: Held, new_day: bool) -> Words | None:
        """Return the window, or None where it is a charge window that has reached its level."""
        site, window = self.site, held.window
        if window is None:
            self.ended = None
            return None
        whole_day = (window["start"], window["end"]) == ("00:00", "24:00")
        if self.ended != held.name or (new_day and whole_day):
            self.ended = None
        if window["action"] == "charge":
            target = window.get("until_pct")
            level = site.high if target is None else site.level(target)
            missing = min(charge_for(site, level - self.stored), slow_charge(site, self.stored))
            if missing <= NEAR or missing < site.number("least_power_kw") * site.h:
                self.ended = held.name
        return None if self.ended == held.name else window

    def _rest(self, floor: float) -> None:
        restart = self.site.number("floor_restart_pct") / 100 * self.site.capacity
        if self.stored <= floor + NEAR:
            self.resting = restart > 0
        elif self.stored >= min(floor + restart, self.site.high) - NEAR:
            self.resting = False


def charge_for(site: Site, missing: float) -> float:
    """Return the charge at the terminals that brings a missing energy. [kWh]"""
    if missing <= NEAR:
        return max(missing, 0.0) / site.into
    return (missing + site.number("running_loss_kw") * site.h) / site.into


def slow_charge(site: Site, stored: float) -> float:
    """Return the most that a step charges where power falls linearly near full. [kWh]

    dE/dt = η·(P − r·(E − E₀)) has the solution E(t) = Eₑ − (Eₑ − E)·exp(−r·η·t), where P would be 0 at Eₑ.
    """
    above, share = site.number("slow_above_pct", 100.0), site.number("slow_to_pct", 20.0)
    if above >= 100 or share >= 100 or not site.most_in:
        return math.inf
    power, begin = site.most_in / site.h, above / 100 * site.capacity
    falls = (1 - share / 100) * power / (site.capacity - begin)
    end = begin + power / falls
    return (end - stored) * (1 - math.exp(-falls * site.into * site.h)) / site.into


@dataclass
class Moving:
    """One step while it is worked out: the energies on both sides, and what the battery does. [kWh]"""

    site: Site
    stored: float
    load: float
    pv: float
    allowed: tuple[float, float, float]
    charge: float = 0.0
    discharge: float = 0.0

    def __post_init__(self) -> None:
        site = self.site
        self.import_limit, self.export_limit, self.fill_limit = self.allowed
        self.room = max(
            min(
                site.most_in,
                slow_charge(site, self.stored),
                charge_for(site, site.high - self.stored),
            ),
            0.0,
        )
        if site.hybrid:
            self.through = max(site.ac / site.to_ac - self.pv, 0.0)
            self.surplus = self.pv - min(self.load, site.ac) / site.to_ac
            self.need = self.load / site.to_ac - self.pv
        else:
            self.through = site.ac / site.to_ac
            self.surplus = min(self.pv - self.load, site.ac) * site.to_dc
            self.need = (self.load - self.pv) / site.to_ac

    def given(self, floor: float) -> float:
        """Return what the battery gives down to a level, the loss of running taken off."""
        spare = self.stored - floor - self.site.number("running_loss_kw") * self.site.h
        return max(spare, 0.0) * self.site.out_of

    def beyond(self, exported: float) -> float:
        """Return the PV, at the terminals, that building, an export and the inverter do not take."""
        site = self.site
        if site.hybrid:
            return self.pv - min((self.load + exported) / site.to_ac, site.ac / site.to_ac)
        return (self.pv - self.load - exported) * site.to_dc

    def act(self, action: str, window: Words, down_to: float, resting: bool) -> None:
        """Do what the window asks for, as long as no cap is asked after."""
        site = self.site
        usable = 0.0 if resting else min(site.most_out, self.given(down_to), self.through)
        if action != "idle":
            self.store_pv()
        if action == "charge":
            self.fill(window)
        elif action == "cover" and self.charge == 0:
            self.discharge = max(min(self.need, usable), 0.0)
        elif action == "sell":
            self.sell(window, usable)

    def store_pv(self) -> None:
        """Store the PV that goes into the battery before anything is asked of it."""
        site = self.site
        if site.habit("pv_charges_first", False):
            first = self.pv if site.hybrid else min(self.pv, site.ac) * site.to_dc
        elif site.habit("surplus_first", "battery") == "export":
            first = min(self.beyond(self.export_limit), self.surplus)
        else:
            first = self.surplus
        self.charge = max(min(first, self.room), 0.0)
        if self.charge < site.number("least_power_kw") * site.h:
            self.charge = 0.0

    def fill(self, window: Words) -> None:
        """Fill the battery up to the window's level: PV first, then so much from the grid."""
        site = self.site
        until, grid_kw = window.get("until_pct"), window.get("grid_kw")
        level = site.high if until is None else site.level(until)
        if level <= self.stored:
            return
        want = min(self.room, charge_for(site, level - self.stored))
        bought = site.most_in / site.to_dc if grid_kw is None else grid_kw * site.h
        if site.hybrid:
            from_grid = min(bought, site.ac, self.fill_limit) * site.to_dc
            filled = min(want, self.pv + from_grid)
        else:
            at_inverter = min(self.pv + min(bought, self.fill_limit), site.ac)
            filled = min(want, at_inverter * site.to_dc)
        self.charge = max(self.charge, filled)

    def sell(self, window: Words, usable: float) -> None:
        """Give at the window's power to building and grid; PV surplus leaves first."""
        site = self.site
        power_kw = window.get("power_kw")
        sale = (site.most_out if power_kw is None else power_kw * site.h) / site.to_ac
        exported = self.export_limit if site.may_export_stored else 0.0
        sold = max(min(sale, usable, self.need + exported / site.to_ac), 0.0)
        self.discharge, self.charge = sold, 0.0
        if sold == 0:
            self.charge = max(min(self.beyond(exported), self.surplus, self.room), 0.0)

    def keep_cap(self, cap: float, floor: float) -> None:
        """Keep the import below the window's cap and what is allowed: charge less, then give more."""
        site, cap = self.site, min(cap, self.import_limit)
        if cap >= NEVER:
            return
        if not site.hybrid:
            left = (cap + self.pv - self.load) * site.to_dc
        elif self.load > cap:  # PV has to serve the building for what may not be bought
            left = self.pv - min(self.load - cap, site.ac) / site.to_ac
        else:
            left = self.pv + (cap - self.load) * site.to_dc
        self.charge = max(min(self.charge, left), 0.0)
        if self.charge == 0 and site.habit("cap_uses_battery", True):
            short = self.need - cap / site.to_ac
            helped = min(short, site.most_out, self.given(floor), self.through)
            self.discharge = max(self.discharge, helped)

    def settled(self) -> Step:
        """Return what came of it: the level, and what went over the meter."""
        site = self.site
        least = site.number("least_power_kw") * site.h
        charge = self.charge if self.charge >= least else 0.0
        discharge = self.discharge if self.discharge >= least else 0.0
        running, stored = site.number("running_loss_kw") * site.h, self.stored
        if charge > 0:
            stored += max(site.into * charge - running, 0.0)
        if discharge > 0:
            stored -= discharge / site.out_of + running
        if not site.hybrid:
            net = self.pv + site.to_ac * discharge - charge / site.to_dc - self.load
            net = min(net, self.export_limit)
            used = net + self.load + charge / site.to_dc - site.to_ac * discharge
        elif self.pv + discharge < charge:
            net, used = (self.pv + discharge - charge) / site.to_dc - self.load, self.pv
        else:
            delivered = min(site.to_ac * (self.pv + discharge - charge), site.ac)
            net = min(delivered - self.load, self.export_limit)
            used = (net + self.load) / site.to_ac + charge - discharge
        return Step(max(-net, 0.0), max(net, 0.0), charge, discharge, used, stored)


def replayed(
    site: Site, settings: Words, start: datetime, zone: str, load: Sequence[float], pv: Sequence[float],
    stored: float,
) -> list[Step]:  # fmt: skip
    """Run settings through T steps from a moment and a level on. [kWh per step]"""
    info, machine, steps = ZoneInfo(zone), Machine(site, stored), []
    first, last_day = start.astimezone(ZoneInfo("UTC")), None
    known: dict[tuple[int, int, int], tuple[float, float, float]] = {}
    for number, (asked, sun) in enumerate(zip(load, pv, strict=True)):
        local = (first + number * timedelta(minutes=site.minutes)).astimezone(info)
        key = local.month, local.weekday(), 60 * local.hour + local.minute
        if key not in known:
            known[key] = site.allowed(local)
        shown = winter_time(local, info) if settings.get("summer_time") is False else local
        held = window_at(settings, site, shown, local.month)
        new_day = last_day is not None and local.date() != last_day
        steps.append(machine.run(held, float(asked), float(sun), known[key], new_day))
        last_day = local.date()
    return steps
