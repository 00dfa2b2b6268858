"""A second opinion on outages: the building on its inverter, step by step, until it goes dark.

The steps are those of ``replay``, with no grid to help. Read next: ``workflows.verify_outage``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from optimizer.plain.replay import Moving, Site

NO_GRID = (math.inf, math.inf, math.inf)
"""Without a grid its limits bind nothing: nothing is bought, and nothing exported."""

CARRIED, EMPTY = "carried to the end", "the battery is empty"
WEAK, OVERLOADED = "the battery cannot give the power", "the loads exceed the inverter"


def lasted(
    site: Site, load: Sequence[float], pv: Sequence[float], stored: float, first: int, most: int
) -> tuple[float, str]:
    """Return for how many steps an outage is carried that begins with the step ``first``, and why it ends.

    ``site.low`` is the level down to which the battery is drawn, ``load`` what is carried. Behind the last
    step the first follows; at most ``most`` steps are followed. [kWh per step]
    """
    running = site.number("running_loss_kw") * site.h
    for k in range(most):
        t = (first + k) % len(load)
        now = Moving(
            site, site.low + site.kept * (stored - site.low), load[t] + site.number("standby_kw") * site.h,
            pv[t] if site.hybrid else min(pv[t], site.pv_limit), NO_GRID,
        )  # fmt: skip
        if (now.load if site.hybrid else now.load - now.pv) > site.ac:
            return k, OVERLOADED
        if now.need > 0 and now.need > site.most_out:
            return k, WEAK
        usable = now.given(site.low)
        if now.need > 0 and now.need > usable:
            return k + usable / now.need, EMPTY
        stored = now.stored
        charge = min(now.surplus, now.room) if now.need <= 0 else 0.0
        if charge > 0:
            stored += max(site.into * charge - running, 0.0)
        if now.need > 0:
            stored -= now.need / site.out_of + running
    return most, CARRIED


def not_carried(load: Sequence[float], first: int, steps: float, lasting: float) -> float:
    """Return what an outage of ``lasting`` steps does not carry that is carried for ``steps``. [kWh]"""
    short, k = 0.0, int(min(steps, lasting) + 1e-9)
    part = max(min(steps, lasting) - k, 0.0)
    while k < lasting - 1e-9:
        whole = min(lasting - k, 1.0)
        short += (whole - part) * load[(first + k) % len(load)]
        k, part = k + 1, 0.0
    return short


def at_or_below(values: Sequence[float], pct: float) -> float:
    """Return what so many per cent of some values stay at or below, on the line between two neighbours."""
    ordered = sorted(values)
    place = pct / 100 * (len(ordered) - 1)
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (place - low) * (ordered[high] - ordered[low])
