"""What a check of results comes to; ``verify`` and ``verify_study`` make them.

Read next: ``verify``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

Outcome = Literal["agrees", "differs", "not checked"]


@dataclass(frozen=True)
class Check:
    """One thing that was recomputed: what is told of it, and the two figures where it is one.

    ``digits`` are those to which the figures agree, or the worst pair of many; ``where`` names the first
    place that does not.
    """

    name: str
    outcome: Outcome
    told: str
    digits: int | None = None
    written: float | None = None
    recomputed: float | None = None
    where: str | None = None


@dataclass(frozen=True)
class Verification:
    """What of a folder of results was recomputed, in order, and what differs first.

    ``files`` are those that were read, with their SHA-256; ``tariff`` and ``currency`` are empty where no
    money is told.
    """

    folder: Path
    scenario: str
    tariff: str
    currency: str
    checks: tuple[Check, ...]
    files: Mapping[str, str]

    @property
    def first(self) -> Check | None:
        """The first thing that does not agree; None if all does."""
        return next((check for check in self.checks if check.outcome == "differs"), None)

    @property
    def unchecked(self) -> tuple[Check, ...]:
        """What could not be checked."""
        return tuple(check for check in self.checks if check.outcome == "not checked")


def joined(found: Sequence[Verification]) -> Verification:
    """Return what several results in one folder came to, as one."""
    first = found[0]
    told = next((each for each in found if each.tariff), first)
    return replace(
        first,
        tariff=told.tariff,
        currency=told.currency,
        checks=tuple(check for each in found for check in each.checks),
        files={name: digest for each in found for name, digest in each.files.items()},
    )


def digits(one: float, other: float) -> int:
    """Return to how many significant digits two figures agree, at most 12."""
    apart, size = abs(one - other), max(abs(one), abs(other))
    return 12 if apart <= 1e-12 * size else max(int(-math.log10(apart / size)), 0)


Pair = tuple[str, float | None, float | None, float]
"""A place, what is written there, what comes out, and how far apart they may be."""


def first_of(name: str, file: str, pairs: Iterable[Pair], told: str) -> Check:
    """Return the first figure of a file that differs, or to how many digits all agree."""
    worst = 12
    for where, written, again, allowed in pairs:
        if written is None or again is None:
            if written is not again:
                return Check(name, "differs", told, None, written, again, f"{file}, {where}")
            continue
        if not abs(written - again) <= allowed:
            place = f"{file}, {where}"
            return Check(name, "differs", told, digits(written, again), written, again, place)
        if abs(again) > allowed:
            worst = min(worst, digits(written, again))
    return Check(name, "agrees", told, worst)


def figure(name: str, told: str, written: float, again: float, allowed: float, where: str) -> Check:
    """Return a check of one figure; the two may be as far apart as is allowed."""
    agrees = abs(written - again) <= allowed
    return Check(
        name, "agrees" if agrees else "differs", told, digits(written, again), written, again,
        None if agrees else where,
    )  # fmt: skip
