"""Small sites, price lists and tariffs that several tests share; nothing here computes a result.

The plants have one power and no losses unless a test says otherwise, so that a figure worked out
on paper needs no more words than the test itself has.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from textwrap import dedent
from zoneinfo import ZoneInfo

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import BillingPeriods, FloatArray, TimeGrid, calendar_months
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.charges.base import Line
from optimizer.billing.history import History
from optimizer.billing.tariff import Tariff, TariffCost, compile_cost, read_tariff
from optimizer.cost.expression import FlowSum, LinearCost, Peak, Scale, linear_cost
from optimizer.outages.outages import MOST_HOURS, Outages, outages_from
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Problem
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import Replay, replay
from optimizer.site.equipment import Battery, Connection, Inverter, Permissions, Photovoltaic, Plant
from optimizer.site.floors import NO_FLOORS, Floors


def hourly_grid(count: int, step_minutes: int = 60) -> TimeGrid:
    """Return steps from the first of January 2025, where no clock ever changes."""
    return TimeGrid(datetime(2025, 1, 1, tzinfo=UTC), step_minutes, count, "UTC")


def local_grid(begin: str, zone: str, count: int, step_minutes: int = 60) -> TimeGrid:
    """Return steps from a wall-clock moment of a zone, such as ``2026-07-03T00:00``."""
    start = datetime.fromisoformat(begin).replace(tzinfo=ZoneInfo(zone))
    return TimeGrid(start, step_minutes, count, zone)


def simple_plant(
    capacity_kwh: float,
    power_kw: float,
    efficiency: float | tuple[float, float] = 1.0,
    *,
    coupling: str = "ac",
    inverter: Inverter | None = None,
    connection: Connection | None = None,
    permissions: Permissions | None = None,
    reserve_pct: float = 0.0,
    **battery: float,
) -> Plant:
    """Return a plant with one battery power; ``efficiency`` is of each way, or (charge, discharge).

    The inverter loses nothing and limits nothing unless one is given; ``battery`` holds any other
    words of ``Battery``.
    """
    ways = efficiency if isinstance(efficiency, tuple) else (efficiency, efficiency)
    words = {
        "charge_kw": power_kw,
        "discharge_kw": power_kw,
        "charge_efficiency_pct": 100 * ways[0],
        "discharge_efficiency_pct": 100 * ways[1],
    }
    return Plant.of(
        Battery(capacity_kwh=capacity_kwh, **(words | battery)),
        inverter or Inverter(ac_limit_kw=1e5, efficiency_pct=100),
        Photovoltaic(coupling=coupling),
        connection or Connection(),
        permissions or Permissions(),
        reserve_pct,
    )


def priced_problem(
    plant: Plant,
    load,
    pv,
    buy,
    sell,
    *,
    start: float | None = 0.0,
    end: float | None = None,
    per_kw: float = 0.0,
    grid: TimeGrid | None = None,
) -> tuple[Problem, TariffCost]:
    """Return a problem with a buy and a sell price for each step [per kWh], and its tariff.

    ``per_kw`` is the price of the highest mean import power of a step over the whole horizon.
    """
    grid = grid or hourly_grid(len(load))
    steps = np.arange(grid.count)
    bought = FlowSum("import_kwh", steps, np.array(buy, dtype=float))
    sold = FlowSum("export_kwh", steps, -np.array(sell, dtype=float))
    peak = Peak("import_kwh", steps, steps, grid.step_h)
    lines = (
        Line("Energy", "Energy", 0, bought, "kWh", None, bought, "test"),
        Line("Export", "Export", 0, sold, "kWh", None, sold, "test"),
        Line("Demand", "Demand", 0, peak, "kW", per_kw, Scale(per_kw, peak), "test"),
    )
    cost = TariffCost("EUR", calendar_months(grid), lines, ())
    linear = linear_cost(cost.total, grid.count)
    load, pv = np.array(load, dtype=float), np.array(pv, dtype=float)
    return posed(grid, plant, load, pv, linear, start, end), cost


def best_plan(plant: Plant, load, pv, buy, sell, **more) -> Plan:
    """Return the cheapest plan of such a problem."""
    return make_plan(*priced_problem(plant, load, pv, buy, sell, **more))


def tariff_of(folder: Path, charges: str, rest: str = "") -> Tariff:
    """Write a tariff of one version with these charges (YAML list items), and read it.

    ``rest`` holds further keys of the version, such as seasons or holidays.
    """
    return read_tariff_text(
        folder,
        "tariff: from a published bill\ncurrency: USD\nversions:\n"
        f"  - from: 2010-01-01\n    source: see the test\n{_indented(rest, 4)}"
        f"    charges:\n{_indented(charges, 6)}",
    )


def read_tariff_text(folder: Path, text: str) -> Tariff:
    """Write a whole tariff file and read it."""
    path = folder / "tariff.yaml"
    path.write_text(text, encoding="utf-8")
    return read_tariff(path)


def billed(
    tariff: Tariff,
    grid: TimeGrid,
    import_kwh,
    *,
    export_kwh=0.0,
    reactive_kvarh=None,
    periods: BillingPeriods | None = None,
    history: History | None = None,
) -> Bill:
    """Return the bill of a meter's readings; one number stands for the same in every step."""
    bought, sold = (np.broadcast_to(e, grid.count).astype(float) for e in (import_kwh, export_kwh))
    cost = compile_cost(tariff, grid, periods or calendar_months(grid), history or History())
    return bill_flows(cost, Flows.of_meter(grid, bought, sold, reactive_kvarh))


def _indented(text: str, spaces: int) -> str:
    lines = [line for line in dedent(text).split("\n") if line.strip()]
    return "".join(f"{' ' * spaces}{line}\n" for line in lines)


def posed(
    grid: TimeGrid,
    plant: Plant,
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    cost: LinearCost,
    start_kwh: float | None,
    end_kwh: float | None,
    leftover_per_kwh: float = 0.0,
    start_price_per_kwh: float | None = None,
    floors: Floors = NO_FLOORS,
) -> Problem:
    """Return a problem; without a start the plan chooses one."""
    begin = plant.low_kwh if start_kwh is None else start_kwh
    horizon = Horizon(plant, grid, load_kwh, pv_kwh, begin, floors)
    return Problem(horizon, cost, end_kwh, leftover_per_kwh, start_kwh is None, start_price_per_kwh)


def run_through(
    plant: Plant,
    grid: TimeGrid,
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    settings: Settings,
    start_kwh: float,
) -> Replay:
    """Return the replay of settings."""
    return replay(Horizon(plant, grid, load_kwh, pv_kwh, start_kwh), settings)


def outages_of(
    plant: Plant,
    run: Replay,
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    floor_kwh: float,
    horizon_h: float = MOST_HOURS,
) -> Outages:
    """Return an outage from each step of a replay on."""
    carried = Horizon(plant, run.flows.grid, load_kwh, pv_kwh, run.start_kwh)
    return outages_from(carried, run.before_kwh, floor_kwh, horizon_h)
