"""Reads windows off the average day of a plan: first guesses for the search.

For each clock slot of a season and day set, the plan's mean flows say what it mostly does there,
and its shadow prices what would be worth doing. Runs of slots with the same action become windows;
the most moving ones are kept.
Read next: ``local_search``.
"""

from __future__ import annotations

import math

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.cost.prices import Prices
from optimizer.search.drafts import Draft
from optimizer.settings.controls import Controls
from optimizer.settings.windows import clock_of
from optimizer.site.equipment import Plant

NAMES = ("charge", "sell", "hold")

ACTIVE_SHARE = 0.15
"""A mean power above this share of the battery's power is an action, below it is noise."""


def drafts_of_plan(
    flows: Flows, stored_kwh: FloatArray, plant: Plant, controls: Controls, inside: BoolArray
) -> list[Draft]:
    """Return the windows of a plan's average day.

    Parameters
    ----------
    flows : Flows
        The plan's flows.
    stored_kwh : array
        Shape (T,), the plan's stored energy. [kWh]
    plant, controls
        The equipment and what it accepts.
    inside : array of bool
        Shape (T,), the steps of the season and day set.

    Returns
    -------
    list of Draft
        At most as many as the controls store, not overlapping.
    """
    minutes, slot = _slots(controls, flows.grid)
    slots = 1440 // minutes
    days = np.maximum(np.bincount(slot[inside], minlength=slots), 1) * flows.grid.step_h

    def mean_kw(energy: FloatArray) -> FloatArray:
        return np.bincount(slot[inside], weights=energy[inside], minlength=slots) / days

    surplus = np.maximum(flows.pv_used_kwh - flows.load_kwh, 0)
    deficit = np.maximum(flows.load_kwh - flows.pv_used_kwh, 0)
    from_grid = mean_kw(np.maximum(flows.charge_kwh - surplus, 0))
    sold = mean_kw(np.minimum(flows.export_kwh, flows.discharge_kwh))
    kept = mean_kw(np.maximum(deficit - flows.discharge_kwh, 0)) - mean_kw(deficit) * 0.6
    soc = mean_kw(stored_kwh * flows.grid.step_h) / plant.capacity_kwh * 100
    strength = np.stack([
        from_grid / plant.charge_kw - ACTIVE_SHARE,
        sold / plant.discharge_kw - ACTIVE_SHARE,
        np.where(soc > 100 * plant.low_kwh / plant.capacity_kwh + 10, kept / plant.discharge_kw, -1),
    ])  # fmt: skip
    for number, name in enumerate(NAMES):
        if name not in controls.menu.actions:
            strength[number] = -1
    return _drafts_of(strength, soc, plant, minutes, controls)


def drafts_of_prices(
    prices: Prices, stored_kwh: FloatArray, grid: TimeGrid, plant: Plant, controls: Controls,
    inside: BoolArray,
) -> list[Draft]:  # fmt: skip
    """Return the windows that the worth of a stored kWh asks for on the average day.

    Charge where import costs less than what is stored is worth, sell where export pays more, and
    hold where import costs less than a kWh taken out.

    Parameters
    ----------
    prices : Prices
        Money per kWh of import, export and stored energy, each of shape (T,).
    stored_kwh : array
        Shape (T,), the plan's stored energy. [kWh]
    grid, plant, controls
        The T steps, the equipment and what it accepts.
    inside : array of bool
        Shape (T,), the steps of the season and day set.
    """
    minutes, slot = _slots(controls, grid)
    slot = slot[inside]
    count = np.maximum(np.bincount(slot, minlength=1440 // minutes), 1)

    def mean(values: FloatArray) -> FloatArray:
        return np.bincount(slot, weights=values[inside], minlength=1440 // minutes) / count

    stored, buy, sell = mean(prices.stored), mean(prices.buy), mean(prices.sell_stored)
    put_in = plant.charge_efficiency * plant.to_dc_efficiency
    taken_out = plant.discharge_efficiency * plant.to_ac_efficiency
    scale = max(float(np.abs(stored).max()), 1e-9)
    strength = np.stack([
        stored * put_in - buy, sell * taken_out - stored - plant.wear_per_kwh,
        stored - buy * taken_out + plant.wear_per_kwh,
    ]) / scale - 0.01  # fmt: skip
    strength[2] = np.where(strength[0] > 0, -1, strength[2])
    for number, name in enumerate(NAMES):
        if name not in controls.menu.actions:
            strength[number] = -1
    soc = mean(stored_kwh) / plant.capacity_kwh * 100
    return _drafts_of(strength, soc, plant, minutes, controls)


def _slots(controls: Controls, grid: TimeGrid) -> tuple[int, IntArray]:
    """Return the length of a slot that entries and steps have in common, and the slot of each step."""
    minutes = math.lcm(grid.step_minutes, *(each.minutes for each in controls.menu.lists))
    return minutes, clock_of(grid, summer_time=controls.summer_time)[0] // minutes


def _drafts_of(
    strength: FloatArray, soc: FloatArray, plant: Plant, minutes: int, controls: Controls
) -> list[Draft]:
    """Return the strongest runs of clock slots in which one action is the strongest."""
    label = np.where(strength.max(axis=0) > 0, strength.argmax(axis=0), -1)
    runs = _runs(label, over_midnight=controls.over_midnight)
    runs.sort(key=lambda run: -sum(strength[label[run[0]], s] for s in run))
    drafts = [
        Draft(
            begin=int(run[0]) * minutes,
            length=len(run) * minutes,
            action=NAMES[label[run[0]]],
            level_pct=_level(NAMES[label[run[0]]], soc, run, plant),
            power_kw=plant.full_power_kw(NAMES[label[run[0]]]),
        )
        for run in runs[: sum(each.entries for each in controls.menu.lists)]
    ]
    return sorted(drafts)


def _runs(label: np.ndarray, *, over_midnight: bool) -> list[list[int]]:
    """Return the runs of equal labels around the clock, those without a label left out.

    Unless runs may go over midnight, the day's first slot begins a new one.
    """
    count = len(label)
    change = [s for s in range(count) if label[s] != label[s - 1] or (s == 0 and not over_midnight)]
    if not change:
        return [list(range(count))] if label[0] >= 0 else []
    runs = []
    for begin, end in zip(change, [*change[1:], change[0] + count], strict=True):
        if label[begin] >= 0:
            runs.append([s % count for s in range(begin, end)])
    return runs


def _level(action: str, soc: FloatArray, run: list[int], plant: Plant) -> float:
    if action == "charge":
        return float(max(soc[s] for s in run))
    return float(min(soc[s] for s in run)) if action == "sell" else plant.soc_pct(plant.low_kwh)
