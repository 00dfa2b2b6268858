"""Highest powers as a control meets them that knows no future: a few rungs, and what each costs.

A *stretch* is the time in which highest powers are counted together: mostly a billing month. On each rung
a step that counts may import so much; where several charges count, each has its own rungs, all are climbed
together, and the lowest of their caps holds. What a rung costs at the end of its stretch is the tariff's
own: the cost with the stretch's powers as high as the rung, all else as planned. So ratchets, floors,
blocks and step fees count with what they would add to the plan.

What is simpler here than on the bill: a demand interval of several steps is held step by step; of a mean of
several highest, each is taken to be as high as the highest; a charge counted over longer than the others
joins them to one stretch. What is told is billed as it is. Read next: ``without_foresight``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.cost.expression import LinearCost, Peak
from optimizer.forecasting.weeks import Year
from optimizer.scenario.horizon import Horizon

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Rungs between what is reached before and the highest power without a battery; one more is above. [1]"""

LEAST_RISE = 0.01
"""Rungs rise at least by this share of the battery's power, and count at least this share of a power. [1]"""


@dataclass(frozen=True)
class Rungs:
    """What a step may import on each rung, and what rungs cost.

    ``caps``, shape (T, rungs), rising, is infinite where nothing counts [kWh]; ``ends``, shape (T,), the
    number of the stretch that ends with a step, or −1; ``charge``, shape (stretches, rungs). [money]
    """

    caps: FloatArray
    ends: IntArray
    charge: FloatArray


def counted_in(cost: LinearCost) -> dict[int, Peak]:
    """Return the highest imports that a cost charges, by the numbers of their parts."""
    return {n: node for n, node in cost.peaks() if node.flow == "import_kwh" and len(node.steps)}


def rungs_of(cost: LinearCost, planned: Flows, years: Sequence[Year], horizon: Horizon) -> Rungs:
    """Return the rungs of a cost; one without caps where no highest import is charged.

    Parameters
    ----------
    cost : LinearCost
        The cost on the T steps.
    planned : Flows
        The plan's, which tell what all else comes to.
    years : sequence of Year
        Plausible years, which tell how high powers are without a battery.
    horizon : Horizon
        The site.
    """
    peaks = counted_in(cost)
    rungs = len(SHARES) + 1 if peaks else 1
    caps = np.full((horizon.grid.count, rungs), np.inf)
    ends = np.full(horizon.grid.count, -1, dtype=np.int64)
    bare = [np.maximum(year.load_kwh - year.pv_kwh, 0.0) for year in years]
    charge_kw = horizon.plant.charge_kw / horizon.plant.to_dc_efficiency
    reached = cost.part_values(planned)
    charge = []
    for number, stretch in enumerate(_stretches(peaks)):
        heights = {n: _heights(peaks[n], bare, charge_kw) for n in stretch}
        for n, height in heights.items():
            node = peaks[n]
            factor = np.ones(len(node.hours)) if node.factor is None else node.factor
            allowed = height * node.step_h / np.maximum(factor[node.interval], LEAST_RISE)[:, None]
            np.minimum.at(caps, node.steps, allowed)
        ends[max(peaks[n].steps.max() for n in stretch)] = number
        charge.append(
            [
                _cost_at(cost, planned, reached, {n: height[rung] for n, height in heights.items()})
                for rung in range(rungs)
            ]
        )
    return Rungs(caps, ends, np.array(charge).reshape(-1, rungs))


def _stretches(peaks: Mapping[int, Peak]) -> list[list[int]]:
    """Return the numbers of peaks that are counted at the same time, in the order of time."""
    found: list[list[int]] = []
    last = -1
    for n in sorted(peaks, key=lambda n: int(peaks[n].steps.min())):
        if peaks[n].steps.min() > last:
            found.append([])
        found[-1].append(n)
        last = max(last, int(peaks[n].steps.max()))
    return found


def _heights(node: Peak, bare: Sequence[FloatArray], charge_kw: float) -> FloatArray:
    """Return the power of each rung, rising. [kW]"""
    base = float(node.before_series_kw.max(initial=0.0)) if node.highest == 1 else 0.0
    factor = 1.0 if node.factor is None else float(node.factor.max())
    bare_kw = max(float(node.interval_kw(import_kwh).max()) for import_kwh in bare)
    highest = max(bare_kw, base + LEAST_RISE * charge_kw)
    between = base + (highest - base) * np.array(SHARES)
    return np.append(between, highest + max(factor, LEAST_RISE) * charge_kw)


def _cost_at(
    cost: LinearCost, planned: Flows, reached: FloatArray, heights: Mapping[int, float]
) -> float:
    """Return what the bill's parts come to with some peaks so high, all else as planned. [money]"""
    value = reached.copy()
    for n, part in enumerate(cost.parts):
        if n in heights:
            value[n] = heights[n]
        elif not isinstance(part.node, Peak):
            value[n] = part.value(planned, value)
    return sum(factor * float(value[n]) for n, factor in cost.total.parts.items())
