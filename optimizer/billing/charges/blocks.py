"""Prices that change with the amount: rising or falling blocks of kWh or kW.

The first block begins at zero, the last one has no end. A boundary at which the price rises is read
as ``amount − max(amount − edge, 0)``, one at which it falls as ``min(amount, edge)``: both are the
same number, and the plan needs integers only for the latter.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from optimizer.base.errors import Mistake
from optimizer.cost.expression import ZERO, Constant, Largest, Node, Scale, Sum, above, minus


def within_blocks(
    amount: Node, edges: Sequence[Node | float], prices: Sequence[float]
) -> list[Node]:
    """Return the part of an amount in each of K blocks. [unit of the amount]

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


def refuse_wrong_ends(ends: Sequence[Sequence[tuple[float, str]]], end_key: str) -> None:
    """Refuse blocks with no end, two ends, or ends that do not rise.

    Parameters
    ----------
    ends : sequence of sequence of (float, str)
        The ends of each block that are given, with their units.
    end_key : str
        How an end is written.

    Raises
    ------
    Mistake
        With what is wrong, its mend and its place.
    """
    last = len(ends) - 1
    highest: dict[str, float] = {}
    for number, given in enumerate(ends):
        where = ("blocks", number)
        if number == last and given:
            size, unit = given[0]
            raise Mistake(
                f"the last block ends at {size:g} {unit}",
                "Remove its end: it has all that is above.",
                where,
            )
        if number < last and len(given) != 1:
            found, mend = ("two ends", "Keep one.") if given else ("no end", f"Give it {end_key}.")
            raise Mistake(f"a block before the last has {found}", mend, where)
        for size, unit in given:
            if size <= highest.get(unit, 0.0):
                raise Mistake(
                    f"the ends of the blocks do not rise: {highest[unit]:g} {unit}, then"
                    f" {size:g} {unit}",
                    "Sort the blocks.",
                    where,
                )
            highest[unit] = size


def refuse_wrong_starts(starts: Sequence[float], one: str, unit: str, key: str) -> None:
    """Refuse ranges that do not begin at zero or do not rise.

    Raises
    ------
    Mistake
        With what is wrong, its mend and its place.
    """
    if starts[0] != 0:
        raise Mistake(
            f"the first {one} begins at {starts[0]:g}{unit}, not at 0",
            "Add one from 0, or let it begin there.",
            (key, 0),
        )
    for number, (before, after) in enumerate(pairwise(starts), start=1):
        if after <= before:
            raise Mistake(
                f"the {key} do not rise: {before:g}{unit}, then {after:g}{unit}",
                f"Sort the {key}.",
                (key, number),
            )
