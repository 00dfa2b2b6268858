"""Runs a site under two cards by turns: each step obeys the card that is typed in then."""

from __future__ import annotations

import numpy as np

from optimizer.base.timegrid import BoolArray
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import Orders, Replay, orders_of, replay_of
from optimizer.simulation.step import ENTRY, OUTSIDE


def replay_by_turns(
    horizon: Horizon, card: Settings, other: Settings, other_holds: BoolArray
) -> Replay:
    """Run a card through a horizon, and another in the steps in which it holds, shape (T,)."""
    first = orders_of(card, horizon.plant, horizon.grid)
    second = orders_of(other, horizon.plant, horizon.grid)
    beyond = np.zeros(second.table.shape[1])
    beyond[[OUTSIDE, ENTRY]] = len(first.table)
    table = np.concatenate([first.table, second.table + beyond])
    of_step = np.where(other_holds, second.of_step + len(first.table), first.of_step)
    return replay_of(horizon, Orders(table, of_step))
