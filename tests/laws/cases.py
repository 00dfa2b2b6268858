"""Small sites, meters and tariffs from which the tests of the laws are made."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import hypothesis
import numpy as np
from hypothesis import strategies as st

from optimizer.base.documents import Source
from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, TimeGrid, calendar_months, meter_read_periods
from optimizer.billing.history import History
from optimizer.billing.tariff import Tariff, TariffCost, TariffFile, compile_cost
from optimizer.cost.expression import linear_cost
from optimizer.planning.problem import Problem
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.equipment import UNLIMITED_KW, Plant
from tests import sweeps
from tests.builders import posed

ZONE = "Europe/Dublin"
MONDAY = "2025-06-02"
SOURCE = Source(Path("tariff.yaml"), {})


def law(examples: int) -> hypothesis.settings:
    """Return a profile that tries the same examples on every run and keeps no files.

    A short run tries fewer; see ``tests/sweeps.py``.
    """
    return hypothesis.settings(
        derandomize=True, deadline=None, max_examples=sweeps.examples(examples), database=None,
        suppress_health_check=[hypothesis.HealthCheck.too_slow, hypothesis.HealthCheck.filter_too_much],
    )  # fmt: skip


def grid_of(count: int, minutes: int = 60, start: str = MONDAY) -> TimeGrid:
    """Return a grid that begins at a local time, midnight where none is given."""
    begin = datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(ZONE))
    return TimeGrid(begin, minutes, count, ZONE)


AC_PLANT = Plant(
    low_kwh=1.0, high_kwh=9.5, capacity_kwh=10.0, charge_kw=4.0, discharge_kw=5.0,
    charge_efficiency=0.95, discharge_efficiency=0.94, standing_loss_per_day=0.01,
    wear_per_kwh=0.01, cycles_per_day=None, ac_limit_kw=4.5, to_ac_efficiency=0.97,
    to_dc_efficiency=0.96, pv_on_dc_side=False, pv_ac_limit_kw=UNLIMITED_KW,
    import_limit_kw=UNLIMITED_KW, export_limit_kw=UNLIMITED_KW, may_charge_from_grid=True,
    may_export_stored=True,
)  # fmt: skip
DC_PLANT = replace(AC_PLANT, pv_on_dc_side=True)


# --- tariffs ---------------------------------------------------------------------------------

FLAT = {"kind": "energy", "name": "energy", "per_kwh": 0.3}
TWO_RATES = {
    "kind": "energy",
    "name": "energy",
    "rates": [
        {"name": "peak", "per_kwh": 0.42, "hours": ["16:00-21:00"], "days": ["weekdays"]},
        {"name": "night", "per_kwh": 0.08, "hours": ["22:00-06:00"]},
        {"name": "day", "per_kwh": 0.23, "otherwise": True},
    ],
}
CREDIT = {"kind": "export_credit", "name": "export", "per_kwh": 0.05}
STORED_CREDIT = {"kind": "export_credit", "name": "stored", "origin": "battery", "per_kwh": 0.03}
DEMAND = {"kind": "demand", "name": "demand", "per_kw": 3.0, "interval_minutes": 60}
ON_PEAK_DEMAND = {
    "kind": "demand", "name": "peak demand", "per_kw": 5.0, "interval_minutes": 30,
    "hours": ["16:00-21:00"], "days": ["weekdays"],
}  # fmt: skip
NEGATIVE = {
    "kind": "energy",
    "name": "energy",
    "rates": [
        {"name": "noon", "per_kwh": -0.06, "hours": ["11:00-15:00"]},
        {"name": "rest", "per_kwh": 0.25, "otherwise": True},
    ],
}
DEAR_CREDIT = {
    "kind": "export_credit",
    "name": "export",
    "rates": [
        {"name": "evening", "per_kwh": 0.55, "hours": ["18:00-20:00"]},
        {"name": "noon", "per_kwh": -0.04, "hours": ["11:00-13:00"]},
        {"name": "rest", "per_kwh": 0.07, "otherwise": True},
    ],
}
TAX = {"kind": "percentage", "name": "tax", "percent": 13.5, "of": "all above"}
PER_DAY = {"kind": "fixed", "name": "standing", "amount": 0.7, "per": "day"}
PER_MONTH = {"kind": "fixed", "name": "rent", "amount": 12.0, "per": "month"}

STEP_FEE = {"kind": "step_fee", "name": "capacity", "by": "demand", "steps": [
    {"from": 0.0, "amount": 3.0}, {"from": 2.0, "amount": 9.0}]}  # fmt: skip
CREDIT_BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["energy"]}

TARIFFS: dict[str, list[dict[str, Any]]] = {
    "flat": [FLAT, CREDIT],
    "two rates": [PER_DAY, TWO_RATES, CREDIT, TAX],
    "demand": [TWO_RATES, CREDIT, DEMAND, ON_PEAK_DEMAND, TAX],
    "negative prices": [NEGATIVE, CREDIT],
    "sell above buy": [TWO_RATES, DEAR_CREDIT],
    "PV paid apart": [TWO_RATES, DEAR_CREDIT | {"origin": "pv"}, STORED_CREDIT, DEMAND],
    "stored paid more": [FLAT, CREDIT, STORED_CREDIT | {"per_kwh": 0.1}],
    "everything": [PER_DAY, NEGATIVE, DEAR_CREDIT, DEMAND, TAX],
    "steps and a bank": [FLAT, DEMAND | {"highest": 3}, CREDIT, STEP_FEE, CREDIT_BANK],
}


def tariff_of(charges: Sequence[dict[str, Any]], folder: Path | None = None) -> Tariff:
    """Return a tariff of some charges, in force from 2020 on."""
    version = {"from": date(2020, 1, 1), "source": "invented", "charges": list(charges)}
    file = TariffFile.model_validate({"tariff": "case", "currency": "EUR", "versions": [version]})
    return Tariff(file, SOURCE if folder is None else Source(folder / "tariff.yaml", {}))


def cost_of(
    charges: Sequence[dict[str, Any]],
    grid: TimeGrid,
    folder: Path | None = None,
    read_dates: Sequence[date] = (),
    peak_so_far_kw: dict[str, float] | None = None,
) -> TariffCost:
    """Return charges compiled for a grid, in calendar months or between meter reads."""
    periods = meter_read_periods(grid, read_dates, "case") if read_dates else calendar_months(grid)
    history = History(peak_so_far_kw=peak_so_far_kw or {})
    return compile_cost(tariff_of(charges, folder), grid, periods, history)


@lru_cache(maxsize=64)
def named_cost(name: str, grid: TimeGrid) -> TariffCost:
    """Return a tariff of the table, compiled for a grid."""
    return cost_of(TARIFFS[name], grid)


def problem_of(
    plant: Plant, grid: TimeGrid, load: FloatArray, pv: FloatArray, cost: TariffCost, **ends: Any
) -> Problem:
    """Return a problem; unless told otherwise it begins low and ends free, worth nothing."""
    ends = {"start_kwh": plant.low_kwh, "end_kwh": None} | ends
    return posed(grid, plant, load, pv, linear_cost(cost.total, grid.count), **ends)


# --- random meters, weather, equipment and settings -----------------------------------------

MAX_LOAD_KW = 4.0


def random_flows(grid: TimeGrid, seed: int) -> Flows:
    """Return flows with every boundary in use, made to balance by their load and PV."""
    luck = np.random.default_rng(seed)
    imported, exported, charge, discharge = luck.exponential(1.5, (4, grid.count))
    imported[luck.random(grid.count) < 0.2] = 0.0
    from_battery = np.minimum(discharge, exported) * (luck.random(grid.count) < 0.4)
    pv, load = exported + charge - from_battery, imported + discharge - from_battery
    return Flows(grid, imported, exported, charge, discharge, pv, load, np.zeros(grid.count))


def random_meter(grid: TimeGrid, seed: int) -> Flows:
    """Return a meter's random import and export, some steps of which are zero."""
    luck = np.random.default_rng(seed)
    imported, exported = luck.exponential(2.0, (2, grid.count))
    imported[luck.random(grid.count) < 0.3] = 0.0
    exported[luck.random(grid.count) < 0.5] = 0.0
    return Flows.of_meter(grid, imported, exported)


def weather(grid: TimeGrid, seed: int, pv_kw: float = 6.0) -> tuple[FloatArray, FloatArray]:
    """Return a random load of at most ``MAX_LOAD_KW`` and a PV energy with clouds."""
    luck = np.random.default_rng(seed)
    hour = grid.minute_of_day / 60
    evening = np.exp(-(((hour - 19) / 2.5) ** 2))
    load = np.minimum(luck.gamma(2.0, 0.4, grid.count) + 2 * evening, MAX_LOAD_KW)
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0.0) * luck.uniform(0.1, 1.0, grid.count)
    return load * grid.step_h, pv_kw * sun * grid.step_h


def floats(low: float, high: float) -> st.SearchStrategy[float]:
    """Return numbers with three decimals between two limits."""
    return st.integers(round(low * 1000), round(high * 1000)).map(lambda n: n / 1000)


@st.composite
def plants(draw: Callable[..., Any]) -> Plant:
    """Draw equipment of either coupling, with random limits and permissions."""
    capacity = draw(floats(4, 20))
    low = draw(floats(0, 0.3)) * capacity
    return Plant(
        low_kwh=low,
        high_kwh=draw(floats(0.6, 1.0)) * capacity,
        capacity_kwh=capacity,
        charge_kw=draw(floats(1, 6)),
        discharge_kw=draw(floats(1, 6)),
        charge_efficiency=draw(floats(0.85, 1.0)),
        discharge_efficiency=draw(floats(0.85, 1.0)),
        standing_loss_per_day=draw(st.sampled_from([0.0, 0.02])),
        wear_per_kwh=draw(st.sampled_from([0.0, 0.02])),
        cycles_per_day=draw(st.sampled_from([None, None, 0.5, 1.0])),
        ac_limit_kw=draw(floats(1.5, 8)),
        to_ac_efficiency=draw(floats(0.9, 1.0)),
        to_dc_efficiency=draw(floats(0.9, 1.0)),
        pv_on_dc_side=draw(st.booleans()),
        pv_ac_limit_kw=draw(st.sampled_from([UNLIMITED_KW, 3.0])),
        import_limit_kw=draw(st.sampled_from([UNLIMITED_KW, MAX_LOAD_KW, 6.0])),
        export_limit_kw=draw(st.sampled_from([UNLIMITED_KW, 0.0, 2.5])),
        may_charge_from_grid=draw(st.booleans()),
        may_export_stored=draw(st.booleans()),
    )


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


@st.composite
def windows(draw: Callable[..., Any], floor_pct: int) -> list[Window]:
    """Draw up to four windows of a day that do not overlap, the last perhaps over midnight."""
    edges = sorted(draw(st.sets(st.integers(0, 47), min_size=2, max_size=8)))
    pairs = list(zip(edges[::2], edges[1::2], strict=False))
    if draw(st.booleans()) and len(edges) > 2:  # the gaps instead, with the one around midnight
        pairs = [*zip(edges[1::2], edges[2::2], strict=False), (edges[-1], edges[0])]
    pct = st.one_of(st.none(), st.integers(floor_pct, 100).map(float))
    power = st.one_of(st.none(), floats(0.5, 5))
    found = []
    for begin, end in pairs:
        action = draw(st.sampled_from(["charge", "hold", "cover", "sell"]))
        limits: dict[str, Any] = {"import_cap_kw": draw(st.one_of(st.none(), floats(0, 4)))}
        if action == "charge":
            limits |= {"until_pct": draw(pct), "grid_kw": draw(power)}
        if action in {"cover", "sell"}:
            limits["down_to_pct"] = draw(pct)
        if action == "sell":
            limits["power_kw"] = draw(power)
        found.append(
            Window(start=_clock(begin * 30), end=_clock(end * 30), action=action, **limits)
        )
    return found


@st.composite
def window_settings(draw: Callable[..., Any]) -> Settings:
    """Draw settings for every day, or for weekdays and weekends, of the whole year."""
    floor_pct = draw(st.integers(0, 50))
    names = draw(st.sampled_from([("every day",), ("weekdays", "weekends")]))
    day_sets = [DaySet(days=name, windows=draw(windows(floor_pct))) for name in names]
    season = SeasonSet(months=list(range(1, 13)), day_sets=day_sets)
    return Settings(settings="random", floor_pct=float(floor_pct), seasons=[season])


@dataclass(frozen=True)
class Case:
    """A site with weather, a tariff and settings."""

    plant: Plant
    grid: TimeGrid
    load_kwh: FloatArray
    pv_kwh: FloatArray
    tariff: str
    settings: Settings
    start_kwh: float

    @property
    def cost(self) -> TariffCost:
        """The case's tariff, compiled for its grid."""
        return named_cost(self.tariff, self.grid)

    def problem(self, **ends: Any) -> Problem:
        """Return what is to be planned from the case's start on."""
        ends = {"start_kwh": self.start_kwh} | ends
        return problem_of(self.plant, self.grid, self.load_kwh, self.pv_kwh, self.cost, **ends)


GRIDS = (grid_of(36), grid_of(60, 30, "2025-06-06T12:00"), grid_of(48, start="2025-05-31"))


@st.composite
def cases(draw: Callable[..., Any]) -> Case:
    """Draw a site, its weather, a tariff and settings."""
    plant, grid = draw(plants()), draw(st.sampled_from(GRIDS))
    pv_kw = draw(st.sampled_from([0.0, 3.0, 9.0]))
    load, pv = weather(grid, draw(st.integers(0, 10**6)), pv_kw)
    start = plant.low_kwh + draw(floats(0, 1)) * plant.usable_kwh
    tariff = draw(st.sampled_from(sorted(TARIFFS)))
    return Case(plant, grid, load, pv, tariff, draw(window_settings()), start)


def weeks_later(grid: TimeGrid, weeks: int) -> TimeGrid:
    """Return the same grid a number of weeks later by the clock."""
    local = grid.start.astimezone(ZoneInfo(ZONE)).replace(tzinfo=None) + timedelta(weeks=weeks)
    return replace(grid, start=local.replace(tzinfo=ZoneInfo(ZONE)))
