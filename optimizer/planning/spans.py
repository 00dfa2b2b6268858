"""Which steps each part of the cost reaches over, and so where the horizon may be cut.

Read next: ``months`` and ``pieces``, which cut it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.cost.expression import Part, Peak
from optimizer.planning.problem import Problem

LEAST_PIECE_DAYS = 20.0
"""Shorter pieces than this are not worth a cut."""

LONG_SPAN_DAYS = 70.0
"""A part of the cost that reaches over more than this does not keep a piece whole."""


def edges_of(problem: Problem) -> tuple[int, ...]:
    """Return the first steps of monthly pieces, at midnights between billing months, shape (K,)."""
    count, per_day = problem.grid.count, 24 / problem.grid.step_h
    inside = np.zeros(count + 1, dtype=np.int64)
    for number in range(len(problem.cost.parts)):
        low, high = span_of(problem.cost.parts, [number], count)
        if low + 1 < high <= low + LONG_SPAN_DAYS * per_day:
            inside[low + 1] += 1
            inside[high] -= 1
    midnights = np.flatnonzero(np.diff(problem.grid.day)) + 1
    edges = [0]
    for step in midnights[np.cumsum(inside)[midnights] == 0].tolist():
        if min(step - edges[-1], count - step) >= LEAST_PIECE_DAYS * per_day:
            edges.append(step)
    return tuple(edges)


def clusters_of(parts: Sequence[Part]) -> list[list[int]]:
    """Return the parts in clusters that refer to each other."""
    cluster = list(range(len(parts)))

    def root(number: int) -> int:
        while cluster[number] != number:
            number = cluster[number]
        return number

    for number, part in enumerate(parts):
        for form in part.forms:
            for earlier in form.parts:
                cluster[root(number)] = root(earlier)
    members: dict[int, list[int]] = {}
    for number in range(len(parts)):
        members.setdefault(root(number), []).append(number)
    return list(members.values())


def span_of(parts: Sequence[Part], members: Sequence[int], count: int) -> tuple[int, int]:
    """Return the first of T steps that some parts reach over and the one after the last."""
    low, high = count, 0
    for number in members:
        part = parts[number]
        steps = [steps for form in part.forms for steps, _ in form.weights.values()]
        if isinstance(part.node, Peak):
            steps.append(part.node.steps)
        for found in steps:
            if len(found):
                low, high = min(low, int(found.min())), max(high, int(found.max()) + 1)
    return low, high
