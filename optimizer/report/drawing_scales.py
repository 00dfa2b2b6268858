"""Scales of drawings: where a value stands, and the round values that are named beside it.

Read next: ``drawing``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from optimizer.base.timegrid import FloatArray

STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Ticks stand at multiples of these and a power of ten."""


@dataclass(frozen=True)
class Scale:
    """Turns values from ``low`` to ``high`` into pixels from ``begin`` to ``end``.

    A scale of roots is stretched near zero, for values that are never negative.
    """

    low: float
    high: float
    begin: float
    end: float
    is_root: bool = False

    def __call__(self, value: float) -> float:
        """Return where a value stands. [px]"""
        return float(self.of(np.array([value]))[0])

    def of(self, values: Iterable[float] | FloatArray) -> FloatArray:
        """Return where values stand, shape as given; NaN stays NaN. [px]"""
        at = np.asarray(values, dtype=np.float64)
        low, high = self.low, self.high
        if self.is_root:
            at, low, high = np.sqrt(np.maximum(at, 0.0)), math.sqrt(max(low, 0)), math.sqrt(high)
        return np.asarray(self.begin + (self.end - self.begin) * (at - low) / (high - low))

    def ticks(self, most: int) -> list[float]:
        """Return round values inside, about ``most`` of them and no more."""
        return ticks_between(self.low, self.high, most)


def ticks_between(low: float, high: float, most: int) -> list[float]:
    """Return round values from ``low`` to ``high``, at most ``most``, at least one where one fits."""
    rough = (high - low) / max(most, 1)
    size = 10.0 ** math.floor(math.log10(rough))
    for step in (part * scale for scale in (size, 10 * size) for part in STEPS):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first < most:
            return [round(place * step, 12) for place in range(first, last + 1)]
    return [low]


def span_of(
    values: Iterable[float] | FloatArray, *, margin: float = 0.06, with_zero: bool = False
) -> tuple[float, float]:
    """Return the range that holds all values that are known, with some room on both sides.

    A side on which nothing lies beyond zero gets no room there. Values that are all the same get a
    range around them.
    """
    at = np.asarray(values, dtype=np.float64)
    known = at[np.isfinite(at)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    if with_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low <= 1e-9 * max(abs(low), abs(high), 1.0):
        around = 0.5 * abs(high) or 0.5
        low, high = low - around, high + around
        return (0.0, high) if with_zero and low < 0 <= high - around else (low, high)
    room = margin * (high - low)
    bottom = low if with_zero and low == 0 else low - room
    return bottom, (high if with_zero and high == 0 else high + room)
