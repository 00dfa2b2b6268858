"""What a wanted endurance asks for: floors under which settings give it, at little cost.

Endurance cannot be written into the linear program as it stands: it is a share of outages, and what the
windows leave in the battery is known only by replay. So floors are tried: the lowest floor for all
months is found by halving; where seasons have floors of their own, one is then lowered and another
raised, as far as the share over all outages needs it, while that costs less.

Endurance is not in the linear program. It is a share of outages, a count; what windows leave in
the battery is known only by replay. So floors are tried, with little work each: the lowest one
for all months by halving, then one season's lowered and another's raised while the share over all
outages holds and it costs less. Asking each season to meet the share by itself, and each
plausible year, was tried first: on the first demo it cost 504 instead of 238 for 96 % instead of
91 % of outages.

Read next: ``outages``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.forecasting.weeks import Year
from optimizer.outages.outages import carried_in, outages_from
from optimizer.scenario.horizon import Horizon
from optimizer.search.fit import MonthGroups
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay

STRIDES = (4, 2, 1)
"""By so many levels a floor is lowered or raised while floors are traded."""


@dataclass(frozen=True)
class Wish:
    """A wanted endurance: ``hours`` in a ``share`` of all outages.

    ``critical_kw`` are carried if only critical loads are, else None; ``floor_kwh`` is the level
    down to which an outage may draw the battery.
    """

    hours: float
    share: float
    critical_kw: float | None
    pv_runs: bool
    floor_kwh: float

    def lasting(self, horizon: Horizon, settings: Settings) -> FloatArray:
        """Return for an outage from each step on whether it lasts as long, shape (T,), 0 or 1."""
        return self.lasting_from(horizon, replay(horizon, settings).before_kwh)

    def lasting_from(self, horizon: Horizon, level_kwh: FloatArray) -> FloatArray:
        """Return the same where the battery holds so much when each step begins, shape (T,)."""
        carried = carried_in(horizon, self.critical_kw, pv_runs=self.pv_runs)
        found = outages_from(carried, level_kwh, self.floor_kwh, self.hours)
        return (found.hours >= self.hours - 1e-9).astype(np.float64)

    def shares(
        self, horizon: Horizon, years: Sequence[Year], settings: Settings, groups: MonthGroups
    ) -> FloatArray:
        """Return the share of outages that last, mean over years, shape (groups,). [1]"""
        inside = [np.isin(horizon.grid.month, group) for group in groups]
        of_year = []
        for year in years:
            there = horizon.with_weather(year.load_kwh, year.pv_kwh)
            lasting = self.lasting(there, settings)
            of_year.append([float(lasting[steps].mean()) for steps in inside])
        return np.average(of_year, axis=0, weights=[year.weight for year in years])


def least_level(count: int, meets: Callable[[int], bool]) -> int | None:
    """Return the lowest of ``count`` rising levels that meets the wish; None if the highest does not.

    Levels are halved, so a higher one is taken to be no worse.
    """
    if meets(0):
        return 0
    low, high = 0, count - 1
    if not meets(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if meets(middle) else (middle, high)
    return high


def traded(
    start: tuple[int, ...],
    count: int,
    judged: Callable[[tuple[int, ...]], tuple[bool, float]],
    most: int = 40,
) -> tuple[int, ...]:
    """Lower one group's level and raise another's as far as the wish needs, while that costs less.

    Parameters
    ----------
    start : tuple of int
        A level for each group that meets the wish, out of ``count``.
    judged : callable
        Tells of levels whether they meet the wish, and what they cost.
    most : int
        Most levels that are judged.
    """
    best, (_, least) = start, judged(start)
    seen = {start}
    improved = True
    while improved:
        improved = False
        for lowered, raised in permutations(range(len(start)), 2):
            for down, up in product(STRIDES, (0, *reversed(STRIDES))):
                levels = list(best)
                levels[lowered] -= down
                levels[raised] += up
                places = tuple(levels)
                if not all(0 <= place < count for place in places) or places in seen:
                    continue
                if len(seen) >= most:
                    return best
                seen.add(places)
                meets, cost = judged(places)
                if meets and cost < least:
                    best, least, improved = places, cost, True
    return best


@dataclass(frozen=True)
class Reserve:
    """A wanted endurance, the floors that give it, and what they cost.

    Parameters
    ----------
    wish : Wish
        What is wanted.
    floors_pct : tuple
        Months, and the state of charge that is kept in them; empty if no floor had to be raised. [%]
    price, price_of_plan : float
        What windows, and the cheapest plan, cost more under these floors than under none but the
        reserve of the scenario; over the forecast. None for the plan if none keeps them. [money]
    before, after : float
        Share of outages that last, on the forecast, without these floors and with them.
    unseen : float or None
        The same on weeks that the windows were not fitted to.
    """

    wish: Wish
    floors_pct: tuple[tuple[tuple[int, ...], float], ...]
    price: float
    price_of_plan: float | None
    before: float
    after: float
    unseen: float | None

    @property
    def is_raised(self) -> bool:
        """Whether any floor had to be raised."""
        return bool(self.floors_pct)
