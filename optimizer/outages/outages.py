"""How long the building is carried when the grid fails, from every step of the forecast on.

An outage meets the battery as the settings have left it. What is carried is the whole building or its
critical loads. Read next: ``evaluation.comparison``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from optimizer.base import parallel as workers
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid
from optimizer.forecasting.ensemble import Spread
from optimizer.outages.island_kernel import CARRIED, EMPTY, OVERLOAD, POWER, carry
from optimizer.scenario.horizon import Horizon
from optimizer.simulation.step import Numbers
from optimizer.site.loads import MOST_HOURS

TOLD_HOURS = (1, 2, 4, 8, 12, 24, 48, 72)

IN_TEN = {"nine in ten": 9, "five in ten": 5, "one in ten": 1}
"""Of how many outages in ten the hours are told that they reach."""

WHY = {
    CARRIED: "carried to the end",
    EMPTY: "the battery is empty",
    POWER: "the battery cannot give the power",
    OVERLOAD: "the loads exceed the inverter",
}


@dataclass(frozen=True)
class Outages:
    """Outages that begin at each of T steps.

    Parameters
    ----------
    grid : TimeGrid
        The T steps.
    hours : array
        Shape (T,), for how long each is carried, at most ``horizon_h``. [h]
    why : array
        Shape (T,), why its count ends, a key of ``WHY``.
    load_kwh, pv_kwh : array
        Shape (T,), what is carried, and the sun. [kWh per step]
    level_kwh : array
        Shape (T,), what is stored when each begins. [kWh]
    floor_kwh, efficiency : float
        The level down to which the battery is drawn, and the share of what it holds that reaches the
        loads.
    critical_only : bool
        Whether the critical loads are carried alone.
    estimate : str
        How far load and sun can be trusted where they were estimated; empty where they were metered.
    """

    grid: TimeGrid
    hours: FloatArray
    why: IntArray
    load_kwh: FloatArray
    pv_kwh: FloatArray
    level_kwh: FloatArray
    floor_kwh: float
    full_kwh: float
    efficiency: float
    horizon_h: float = MOST_HOURS
    critical_only: bool = False
    estimate: str = ""

    def share_lasting(self, hours: float) -> float:
        """Return the share of outages that are carried for at least so many hours. [1]"""
        return float((self.hours >= hours - 1e-9).mean())

    @property
    def spread(self) -> Spread:
        """What one outage in ten, half of them, and nine in ten do not outlast. [h]"""
        return Spread.of(self.hours)

    @property
    def mean_kw(self) -> float:
        """Mean power of what is carried. [kW]"""
        return float(self.load_kwh.mean()) / self.grid.step_h

    @property
    def simple_h(self) -> float:
        """The simple estimate: usable energy of a full battery ÷ mean power. [h]

        "Endurance = usable capacity ÷ average consumption" is common practice, no published source.
        """
        usable = (self.full_kwh - self.floor_kwh) * self.efficiency
        return usable / self.mean_kw if self.mean_kw > 0 else np.inf

    def reached_by_hour(self) -> FloatArray:
        """Return the hours that nine, five and one in ten outages reach, by clock hour, (3, 24). [h]"""
        return self._reached(self.grid.minute_of_day // 60, range(24))

    def reached_by_month(self) -> FloatArray:
        """Return the same by month, shape (3, 12); NaN where the forecast holds nothing. [h]"""
        return self._reached(self.grid.month, range(1, 13))

    def _reached(self, key: IntArray, keys: Sequence[int]) -> FloatArray:
        """Return for each key the hours that so many of its outages reach, shape (3, len(keys)). [h]"""
        pct = [100 - 10 * count for count in IN_TEN.values()]
        inside = (self.hours[key == each] for each in keys)
        columns = [np.percentile(each, pct) if len(each) else [np.nan] * 3 for each in inside]
        return np.array(columns).T

    def by_month_and_hour(self, pct: float = 10.0) -> FloatArray:
        """Return what so many per cent of the outages of a month and hour do not outlast, (12, 24). [h]

        NaN for months that the forecast does not hold.
        """
        cell = (self.grid.month - 1) * 24 + self.grid.minute_of_day // 60
        table = np.full(12 * 24, np.nan)
        for each in np.unique(cell):
            table[each] = np.percentile(self.hours[cell == each], pct)
        return table.reshape(12, 24)

    @property
    def worst(self) -> tuple[int, int, float]:
        """Month and hour in which outages are carried for the least time, and that P10. [h]"""
        table = self.by_month_and_hour()
        place = int(np.nanargmin(table))
        return place // 24 + 1, place % 24, float(table.flat[place])

    def short_kwh(self, lasting_h: float) -> FloatArray:
        """Return what is not carried of outages that last so long, shape (T,). [kWh]

        A building that went dark stays dark: nothing is switched on again by itself.
        """
        step_h, count = self.grid.step_h, self.grid.count
        whole = np.concatenate(
            [[0.0], np.cumsum(np.tile(self.load_kwh, 2 + int(lasting_h / step_h / count)))]
        )
        start = np.arange(count)

        def used_until(hours: FloatArray) -> FloatArray:
            steps = np.minimum(hours, lasting_h) / step_h
            full = np.floor(steps + 1e-9).astype(np.int64)
            part = np.maximum(steps - full, 0.0)
            there = start + full
            return np.asarray(whole[there] + part * (whole[there + 1] - whole[there]))

        return used_until(np.full(count, lasting_h)) - used_until(self.hours)

    def reasons(self) -> list[str]:
        """Return why outages last otherwise than the simple estimate says, what matters most first."""
        if not self.load_kwh.any():
            return ["Nothing is to be carried, so nothing runs out."]
        found = []
        overloaded = float((self.why == OVERLOAD).mean())
        if overloaded:
            found.append(
                f"{100 * overloaded:.0f} % of outages end because the loads exceed the inverter at once"
                " or later, whatever is stored."
            )
        weak = float((self.why == POWER).mean())
        if weak:
            found.append(f"{100 * weak:.0f} % end because the battery cannot give the power.")
        mean_level = float(self.level_kwh.mean() - self.floor_kwh) / (
            self.full_kwh - self.floor_kwh
        )
        found.append(
            f"The settings leave the battery at {100 * max(mean_level, 0):.0f} % of its usable energy in the"
            " mean; the estimate takes it for full."
        )
        if self.pv_kwh.any():
            share = float(self.pv_kwh.sum() / self.load_kwh.sum())
            found.append(
                f"PV gives {100 * share:.0f} % of what is carried over the forecast and refills the"
                " battery by day; the estimate knows no sun."
            )
        if np.ptp(self.load_kwh) > 0:
            found.append(
                "Outages begin in hours of high and of low load; the estimate takes the mean."
            )
        return found


def carried_in(horizon: Horizon, critical_kw: float | None, *, pv_runs: bool) -> Horizon:
    """Return a horizon with what an outage carries, and the sun that helps: the building's or less.

    ``critical_kw`` is the mean power of the critical loads where they are carried alone, else None. [kW]
    """
    load, pv = horizon.load_kwh, horizon.pv_kwh
    if critical_kw is not None:
        load = np.full(len(load), critical_kw * horizon.grid.step_h)
    return horizon.with_weather(load, pv if pv_runs else 0 * pv)


def outages_from(
    horizon: Horizon, level_kwh: FloatArray, floor_kwh: float, horizon_h: float = MOST_HOURS
) -> Outages:
    """Begin an outage at each step, and follow it until the building goes dark.

    Parameters
    ----------
    horizon : Horizon
        The equipment with what is to be carried, and the sun that works without a grid.
    level_kwh : array
        Shape (T,), what is stored when each step begins. [kWh]
    floor_kwh : float
        Level down to which the battery is drawn in an outage: the maker's floor, not the reserve.
    horizon_h : float
        How long each is followed. [h]
    """
    plant, grid = horizon.plant, horizon.grid
    steps, why = np.zeros(grid.count), np.zeros(grid.count, dtype=np.int64)
    island = Numbers.of(plant, grid.step_h)._replace(low=floor_kwh)
    load, pv = (
        np.ascontiguousarray(each, dtype=np.float64) for each in (horizon.load_kwh, horizon.pv_kwh)
    )
    most = math.ceil(horizon_h / grid.step_h - 1e-9)
    edges = np.linspace(0, grid.count, workers.WORKERS + 1).astype(int)
    workers.side_by_side([
        partial(carry, load, pv, level_kwh, int(first), int(end), most, island, steps, why)
        for first, end in pairwise(edges)
    ])  # fmt: skip
    efficiency = plant.discharge_efficiency * plant.to_ac_efficiency
    return Outages(
        grid, steps * grid.step_h, why, load, pv, level_kwh, floor_kwh, plant.high_kwh, efficiency,
        horizon_h,
    )  # fmt: skip
