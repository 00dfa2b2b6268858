"""The best size of a battery: guessed from the slope of its worth in few plans, then really valued.

The cost of the cheapest plan is convex in the size: it is the optimum of a linear program in its
limits. So what a size is worth over its life, less what it costs, is concave; a plan's shadow prices
give not only its value there but its slope, and the slope tells on which side the best lies. Each plan
also bounds all other sizes from above by a straight line. Sizes that no longer can be the best are left
out, and the one in the middle of the others is planned next: a grid of thirty takes five plans at most.
Where a plan needs integers the slope is that of the plan with its directions kept, which is a guide
but no proof. What windows keep of it, and ageing, are in none of this: see ``sizes_to_value``.

The guess of a best size by halving. The value is concave in the size, so the sign of its slope at
one size rules out all on one side; straight lines from the slopes rule out more.

Read next: ``cash_flow``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

ROUNDING = 1e-9
"""Values as near as this are equal, as a share."""


@dataclass(frozen=True)
class Planned:
    """What a size is worth, and by how much that rises for one kWh more.

    ``value`` is worth less cost [money]; ``slope`` its rise [money per kWh]; ``is_proven`` whether
    the value is concave and the slope one of its slopes.
    """

    value: float
    slope: float
    is_proven: bool = True


@dataclass(frozen=True)
class BestSize:
    """The best of a grid of sizes.

    ``planned`` holds each size that was planned, in the order of planning; ``is_proven`` tells
    whether no other size of the grid can be better.
    """

    size_kwh: float
    value: float
    planned: dict[float, Planned]
    is_proven: bool


def best_size(
    sizes_kwh: Sequence[float], known: Callable[[float], Planned | None]
) -> BestSize | float:
    """Find the best of some sizes, or name the size to be planned next.

    Parameters
    ----------
    sizes_kwh : sequence of float
        Candidates, rising. [kWh]
    known : callable
        What a size is worth if it has been planned, else None.
    """
    sizes = np.asarray(sizes_kwh, dtype=float)
    at_most = np.full(len(sizes), np.inf)
    may_be_best = np.ones(len(sizes), dtype=bool)
    planned: dict[float, Planned] = {}
    while may_be_best.any():
        candidates = np.flatnonzero(may_be_best)
        place = int(candidates[len(candidates) // 2])
        size = float(sizes[place])
        found = known(size)
        if found is None:
            return size
        planned[size] = found
        at_most = np.minimum(at_most, found.value + found.slope * (sizes - size))
        best = max(each.value for each in planned.values())
        may_be_best[place] = False
        may_be_best &= at_most > best + ROUNDING * max(abs(best), 1.0)
    best_kwh = max(planned, key=lambda size: planned[size].value)
    proven = all(each.is_proven for each in planned.values())
    return BestSize(best_kwh, planned[best_kwh].value, planned, proven)


PARTS = 4
"""A row is first looked at in so many parts. On real sites worth has several tops: by luck of windows, and
where a replacement falls away; a climb from one size alone ended on a lower one (tests/bench/RESULTS.md)."""


def quarters_of(sizes_kwh: Sequence[float]) -> list[float]:
    """Return both ends of a row of sizes, and those at its quarters. [kWh]"""
    last = len(sizes_kwh) - 1
    return [sizes_kwh[round(last * part / PARTS)] for part in range(PARTS + 1)]


def at_cliffs(sizes_kwh: Sequence[float], replacements: Mapping[float, int]) -> list[float]:
    """Return sizes to value next, until it is known at which size of a row another replacement falls away.

    There the worth jumps, so that a size beyond may be worth more than all that lie around the best so far.

    Parameters
    ----------
    sizes_kwh : sequence of float
        The row, rising. [kWh]
    replacements : mapping
        How often the battery is replaced, by sizes of the row that were valued.
    """
    places = [at for at, size in enumerate(sizes_kwh) if size in replacements]
    return [
        sizes_kwh[(one + other) // 2]
        for one, other in pairwise(places)
        if other - one > 1 and replacements[sizes_kwh[one]] != replacements[sizes_kwh[other]]
    ]


WIDEST_STEP = 1 / 8
"""Sizes are first valued as far apart as this share of the row."""


def sizes_to_value(sizes_kwh: Sequence[float], worths: Mapping[float, float]) -> list[float]:
    """Return which sizes of a row to value next; none once the best is worth more than its neighbours.

    Far neighbours of the best so far are valued before near ones, for windows of one size may fit by
    luck better than those of the next.

    Parameters
    ----------
    sizes_kwh : sequence of float
        The row, rising. [kWh]
    worths : mapping
        What sizes of the row that were valued are worth; at least one. [money]
    """
    place = list(sizes_kwh).index(max(worths, key=worths.__getitem__))
    step = 2 ** int(np.log2(max(len(sizes_kwh) * WIDEST_STEP, 1)))
    while step:
        around = [at for at in (place - step, place + step) if 0 <= at < len(sizes_kwh)]
        wanted = [sizes_kwh[at] for at in around if sizes_kwh[at] not in worths]
        if wanted:
            return wanted
        step //= 2
    return []
