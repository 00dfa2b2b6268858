"""Prices that change with the amount: rising or falling blocks of kWh or kW.

The first block begins at zero, the last one has no end. A boundary at which the price rises is read
as ``amount − max(amount − edge, 0)``, one at which it falls as ``min(amount, edge)``: both are the
same number, and the plan needs integers only for the latter.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from optimizer.billing.cost import ZERO, Constant, Largest, Node, Scale, Sum, above, minus

Priced = tuple[Node, float]
"""The amount within a block, and its price."""


def within_blocks(
    amount: Node, edges: Sequence[Node | float], prices: Sequence[float]
) -> list[Node]:
    """Return how much of an amount lies in each of K blocks.

    Parameters
    ----------
    amount : Node
        What is counted.
    edges : sequence of node or float
        The K − 1 upper ends of all blocks but the last, rising.
    prices : sequence of float
        The K prices; they decide how the plan reads each edge.
    """
    up_to = [
        _up_to(amount, edge, rises=after >= before)
        for edge, (before, after) in zip(edges, pairwise(prices), strict=True)
    ]
    return [
        end if begin is ZERO else Sum((end, minus(begin)))
        for begin, end in pairwise([ZERO, *up_to, amount])
    ]


def _up_to(amount: Node, edge: Node | float, *, rises: bool) -> Node:
    """Return the smaller of an amount and an edge."""
    if rises:
        return Sum((amount, minus(above(amount, edge))))
    end = Constant(float(edge)) if isinstance(edge, float | int) else edge
    return Scale(-1.0, Largest((minus(amount), minus(end))))


def block_names(edges: Sequence[float], unit: str) -> list[str]:
    """Return what blocks are called, each by its own name.

    First 200 kWh, 200 to 300 kWh, above 300 kWh.
    """
    between = [f"{begin:,.8g} to {end:,.8g} {unit}" for begin, end in pairwise(edges)]
    return [f"first {edges[0]:,.8g} {unit}", *between, f"above {edges[-1]:,.8g} {unit}"]
