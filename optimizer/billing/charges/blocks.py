"""Prices that change with the amount: rising or falling blocks of kWh or kW.

The first block begins at zero, the last one has no end. A boundary at which the price rises is read
as ``amount − max(amount − edge, 0)``, one at which it falls as ``min(amount, edge)``: both are the
same number, and the plan needs integers only for the latter.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from optimizer.base.errors import Mistake
from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray
from optimizer.cost.expression import (
    ZERO,
    Constant,
    Largest,
    Metered,
    Node,
    Scale,
    Sum,
    above,
    evaluate,
    minus,
)


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


class SharedBlocks:
    """Blocks of what several rates have together; each rate has its share of each block by its use.

    With E(r) at rate r, E at all and B(k) of E in block k, a rate has B(k) × E(r) ÷ E. A plan prices
    the blocks of E at the mean of the rates, by weight, and each rate by its mean difference from that:
    the same money where rates differ by the same amount in all blocks.

    Parameters
    ----------
    amounts : sequence of node
        What is counted at each of R rates.
    weights : array
        Shape (R,), adding up to 1.
    edges : sequence of node or float
        The K − 1 upper ends of all blocks but the last, rising.
    prices : array
        Shape (R, K).
    """

    def __init__(
        self,
        amounts: Sequence[Node],
        weights: FloatArray,
        edges: Sequence[Node | float],
        prices: FloatArray,
    ) -> None:
        self._amounts, self._weights, self._prices = amounts, weights, prices
        self._of_block = weights @ prices
        self._of_rate = (prices - self._of_block).mean(axis=1)
        self._total = Sum(tuple(amounts))
        self._split = within_blocks(self._total, edges, self._of_block.tolist())

    @property
    def is_planned_exactly(self) -> bool:
        """Whether rates differ by the same in all blocks, so that a plan's cost is the bill."""
        return bool(np.allclose(self._prices, self._of_rate[:, None] + self._of_block, 0, 1e-9))

    def part(self, rate: int, block: int) -> tuple[Node, Node]:
        """Return how much of a block a rate has, and what it costs. [unit of the amounts, money]"""
        own, within, total = self._amounts[rate], self._split[block], self._total
        price, weight = float(self._prices[rate, block]), float(self._weights[rate])

        def counted(flows: Flows) -> float:
            whole = evaluate(total, flows)
            return evaluate(within, flows) * evaluate(own, flows) / whole if whole > 0 else 0.0

        how = "the first times the second, divided by the third"
        quantity = Metered(counted, Scale(weight, within), (within, own, total), how)
        planned: Node = Scale(weight * float(self._of_block[block]), within)
        if block == 0:
            planned = Sum((planned, Scale(float(self._of_rate[rate]), own)))
        return quantity, Metered(lambda flows: price * counted(flows), planned)


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
