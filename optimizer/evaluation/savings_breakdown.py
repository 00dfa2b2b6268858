"""Where the saving comes from: self-consumption, moving purchases in time, selling, lower demand.

The method, stated so that it can be checked:

1. The flows go in a straight way from those without the battery to those with it. On the way the
   marginal prices of import and export, apart from peaks, are read at even stations; their mean gives
   each step's change of import and export a value. (Aumann and Shapley, *Values of Non-Atomic Games*,
   1974: the price of a cost along the straight way; it adds up to the change of the cost.)
2. The battery's content is followed by origin, PV or grid, well mixed; what filling it cost (bought, or
   not sold) goes along with it. What leaves it lowers the import or raises the export.
   PV that lowers import is *self-consumption*, grid energy that lowers import *moved purchases*, whatever
   raises export *sales*; each less what filling cost.
3. What the marginal prices leave of the bill's change is *demand* where the tariff has peaks.
4. All else is *other*: wear, what is left in the battery, roundings; blocks and minimums as far as the
   stations do not catch them.

So the five add up to the whole saving by construction; *other* shows what was not told apart.

Sources by marginal prices along the straight way (Aumann and Shapley), energy followed by origin.
Splitting by lines of the bill alone cannot tell self-consumption from moved purchases: both are
less energy bought.

Read next: ``economics.best_size``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray
from optimizer.cost.expression import LinearCost, Peak

STATIONS = 24
"""Stations on the way at which prices are read, where they depend on amounts."""

NOTHING_KWH = 1e-9


@dataclass(frozen=True)
class Sources:
    """A saving by source; the five add up to it. [money over the horizon]"""

    self_consumption: float
    moved_purchases: float
    sales: float
    demand: float
    other: float

    @property
    def total(self) -> float:
        """The whole saving. [money]"""
        return float(sum(getattr(self, field.name) for field in fields(self)))


@dataclass
class _Pool:
    """Stored energy of one origin, and what filling it cost."""

    kwh: float = 0.0
    cost: float = 0.0

    def taken(self, share: float) -> float:
        """Take a share out and return what filling that had cost."""
        cost = self.cost * share
        self.kwh -= self.kwh * share
        self.cost -= cost
        return cost


def sources_of(
    cost: LinearCost,
    before: Flows,
    after: Flows,
    stored_kwh: FloatArray,
    start_kwh: float,
    low_kwh: float,
    saved: float,
) -> Sources:
    """Return where a saving comes from.

    Parameters
    ----------
    cost : LinearCost
        What the bill is, on the flows' grid.
    before, after : Flows
        Without and with the battery; load and PV are the same.
    stored_kwh : array
        Level at the end of each step with the battery, shape (T,). [kWh]
    start_kwh, low_kwh : float
        Level before the first step, and the one below which it is not drawn. [kWh]
    saved : float
        The whole saving, which the sources add up to. [money]
    """
    price_in, price_out, less_for_stored = _prices_on_the_way(cost, before, after)
    less_import = before.import_kwh - after.import_kwh
    more_export = after.export_kwh - before.export_kwh
    more_stored = after.stored_export_kwh - before.stored_export_kwh
    by_step_in = price_in * less_import
    by_step_out = price_out * more_export - less_for_stored * more_stored
    own, moved, sold = _followed(
        by_step_in, by_step_out, less_import, more_export, after.charge_kwh,
        np.concatenate([[start_kwh], stored_kwh]) - low_kwh,
    )  # fmt: skip
    energy = float(by_step_in.sum() + by_step_out.sum())
    demand = 0.0
    if any(isinstance(part.node, Peak) for part in cost.parts):
        demand = cost.value(before) - cost.value(after) - energy
    return Sources(own, moved, sold, demand, saved - demand - own - moved - sold)


def _prices_on_the_way(
    cost: LinearCost, before: Flows, after: Flows
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean marginal prices between two flows. [money/kWh]

    What import costs, what export is worth, and how much less it is worth out of the battery.
    """
    bends = any(not isinstance(part.node, Peak) for part in cost.parts)
    shares = (np.arange(STATIONS) + 0.5) / STATIONS if bends else np.array([0.5])
    price_in, price_out, less_for_stored = np.zeros((3, cost.count))
    for share in shares:
        here = Flows.of_meter(
            before.grid,
            (1 - share) * before.import_kwh + share * after.import_kwh,
            (1 - share) * before.export_kwh + share * after.export_kwh,
            stored_export_kwh=(1 - share) * before.stored_export_kwh
            + share * after.stored_export_kwh,
        )
        price_in += cost.marginal("import_kwh", here)
        price_out -= cost.marginal("export_kwh", here)
        less_for_stored += cost.marginal("stored_export_kwh", here)
    return price_in / len(shares), price_out / len(shares), less_for_stored / len(shares)


def _followed(
    by_step_in: FloatArray,
    by_step_out: FloatArray,
    less_import: FloatArray,
    more_export: FloatArray,
    charge_kwh: FloatArray,
    level_kwh: FloatArray,
) -> tuple[float, float, float]:
    """Follow the content by origin; return the money of own use, moved purchases and sales.

    ``level_kwh`` has shape (T + 1,), above the lowest level. What is there at first counts as PV that
    cost nothing.
    """
    pv, grid = _Pool(kwh=max(float(level_kwh[0]), 0.0)), _Pool()
    own = moved = sold = 0.0
    steps = zip(
        by_step_in.tolist(), by_step_out.tolist(), less_import.tolist(), more_export.tolist(),
        charge_kwh.tolist(), level_kwh[:-1].tolist(), level_kwh[1:].tolist(), strict=True,
    )  # fmt: skip
    for value_in, value_out, saved_kwh, sold_kwh, charged, level, then in steps:
        if then >= level:
            bought = min(max(-saved_kwh, 0.0), charged)
            from_grid = bought / charged if charged > NOTHING_KWH else 0.0
            grid.kwh += (then - level) * from_grid
            pv.kwh += (then - level) * (1 - from_grid)
            grid.cost -= value_in if from_grid else 0.0
            pv.cost -= value_out + (0.0 if from_grid else value_in)
            continue
        share = min((level - then) / level, 1.0) if level > NOTHING_KWH else 1.0
        whole = pv.kwh + grid.kwh
        of_grid = grid.kwh / whole if whole > NOTHING_KWH else 0.0
        to_grid, to_house = max(sold_kwh, 0.0), max(saved_kwh, 0.0)
        leaving = to_grid + to_house
        to_grid = to_grid / leaving if leaving > NOTHING_KWH else 0.0
        cost_pv, cost_grid = pv.taken(share), grid.taken(share)
        own += value_in * (1 - of_grid) - cost_pv * (1 - to_grid)
        moved += value_in * of_grid - cost_grid * (1 - to_grid)
        sold += value_out - (cost_pv + cost_grid) * to_grid
    return own, moved, sold
