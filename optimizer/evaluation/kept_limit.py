"""How often a limit of the import is kept, and how full the battery must be when its hours begin.

One *spell* is the limit's hours of one day. The level asked for is the lowest whole per cent from which
the replay of those hours alone, by the same orders, keeps the limit. More in the battery never makes a
step import more, so the level is found by halving.

Read next: ``workflows.off_grid``.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.base.units import ENERGY_TOLERANCE_KWH
from optimizer.scenario.horizon import Horizon
from optimizer.settings.limiting import Limit
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import Orders, Replay, orders_of, run_part
from optimizer.simulation.replay_kernel import IMPORT, STORED
from optimizer.simulation.step import LOWEST

AT_NO_LEVEL = math.inf
"""Stands for the level needed where even a full battery does not keep the limit."""


class Spell(NamedTuple):
    """The limit's hours of one day, under the settings.

    ``begin_pct`` is in the battery when they begin, ``missing_kwh`` imported above the limit,
    ``needed_pct`` infinite if no level is enough; ``lacks`` is what a full battery still lacks: ``energy``,
    ``power`` or nothing.
    """

    begin: pd.Timestamp
    begin_pct: float
    missing_kwh: float
    highest_kw: float
    highest_at: pd.Timestamp
    needed_pct: float
    lacks: str


def spells_under(
    horizon: Horizon, settings: Settings, run: Replay, limit: Limit, held: BoolArray
) -> tuple[Spell, ...]:
    """Return the spells of a limit.

    Parameters
    ----------
    horizon : Horizon
        What was replayed.
    settings : Settings
        The settings with the limit.
    run : Replay
        Their replay.
    limit : Limit
        The limit.
    held : array
        In which steps it holds, shape (T,).
    """
    plant, grid = horizon.plant, horizon.grid
    cap_kwh = limit.import_kw * grid.step_h
    bought = run.flows.import_kwh
    over = np.where(bought > cap_kwh + ENERGY_TOLERANCE_KWH, bought - cap_kwh, 0.0)
    hours = _Hours(horizon, orders_of(settings, plant, grid), cap_kwh)
    spells = []
    for part in _spells(horizon, limit, held):
        highest = part.start + int(bought[part].argmax())
        spells.append(
            Spell(
                grid.local[part.start],
                plant.soc_pct(float(run.before_kwh[part.start])),
                float(over[part].sum()),
                float(bought[highest]) / grid.step_h,
                grid.local[highest],
                *hours.needed(part),
            )
        )
    return tuple(spells)


def _spells(horizon: Horizon, limit: Limit, held: BoolArray) -> list[slice]:
    """Return the steps of each spell; one that never ends begins anew each day."""
    grid, step = horizon.grid, horizon.grid.step_minutes
    edge = limit.window.begin // step * step
    new_day = grid.minute_of_day == edge
    begins = np.flatnonzero(held & (~np.roll(held, 1) | new_day | (np.arange(grid.count) == 0)))
    ends = [*begins[1:], grid.count]
    return [
        slice(int(b), int(b + held[b:e].sum())) for b, e in zip(begins, ends, strict=True)
    ]  # between two begins the held steps come first


class _Hours:
    """Replays single spells from any level."""

    def __init__(self, horizon: Horizon, orders: Orders, cap_kwh: float) -> None:
        self._horizon, self._orders, self._cap_kwh = horizon, orders, cap_kwh

    def needed(self, part: slice) -> tuple[float, str]:
        """Return the lowest level that keeps the limit, and what a full battery lacks. [%]"""
        plant = self._horizon.plant
        lowest_kwh = float(self._orders.table[self._orders.of_step[part.start], LOWEST])
        low, high = plant.soc_pct(lowest_kwh), plant.soc_pct(plant.high_kwh)
        levels = [low, *(n for n in range(math.ceil(low), math.ceil(high)) if n > low), high]
        running_loss_kwh = plant.behaviour.running_loss_kw * self._horizon.grid.step_h
        full = self._run(part, plant.high_kwh)
        beyond = self._beyond(full)
        if len(beyond):
            first = int(beyond[0])
            left_kwh = full[STORED, first] - lowest_kwh - running_loss_kwh
            is_empty = left_kwh <= ENERGY_TOLERANCE_KWH
            return AT_NO_LEVEL, "energy" if is_empty else "power"
        fails, keeps = -1, len(levels) - 1
        while keeps - fails > 1:
            middle = (fails + keeps) // 2
            if len(self._beyond(self._run(part, plant.level_kwh(levels[middle])))):
                fails = middle
            else:
                keeps = middle
        return float(levels[keeps]), ""

    def _run(self, part: slice, start_kwh: float) -> FloatArray:
        return run_part(self._horizon, self._orders, part, start_kwh)

    def _beyond(self, out: FloatArray) -> IntArray:
        return np.flatnonzero(out[IMPORT] > self._cap_kwh + ENERGY_TOLERANCE_KWH)
