"""A number as people type it: ``3500``, ``3,500.5``, ``3 500,5``, ``0,34``.

One mark before three last digits, as in ``3,500``, can part thousands or begin decimals. What is usual may
tell which; else it is refused, but for a point before decimals as the program itself writes them: without
zeros at the end.

Read next: ``questions``.
"""

from __future__ import annotations

import math
import re

from optimizer.base.errors import Mistake
from optimizer.base.words import say

LONGEST = 40
"""More signs than these are no number that a person types."""

GROUPS = re.compile(
    r"[+-]?\d{1,3}(?:([.,])\d{3})(?:\1\d{3})+|[+-]?\d{1,3}(?:,\d{3})+\.\d+|[+-]?\d{1,3}(?:\.\d{3})+,\d+"
)
"""Thousands that are parted beyond doubt: twice by one mark, or beside the other mark."""

IN_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")
PLAIN = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")


def typed_number(text: str, usual: tuple[float, float] | None = None) -> float:
    """Return the number that a text holds.

    Parameters
    ----------
    text : str
        What was typed, without a unit.
    usual : pair of float
        Between which such numbers mostly lie; None if nobody knows.

    Raises
    ------
    Mistake
        If it is none, or can be read in two ways.
    """
    plain = re.sub(r"[\s’']", "", text) if len(text) <= LONGEST else ""
    if GROUPS.fullmatch(plain):
        last = max(plain.rfind("."), plain.rfind(","))
        is_decimal = plain.count(plain[last]) == 1
        whole = re.sub(r"[.,]", "", plain[:last] if is_decimal else plain)
        return float(f"{whole}.{plain[last + 1 :]}" if is_decimal else whole)
    if found := IN_DOUBT.fullmatch(plain):
        return _in_doubt(plain, found[1], usual)
    if not PLAIN.fullmatch(plain):
        told = text if len(text) <= LONGEST else f"{text[:LONGEST]}…"
        raise Mistake(
            say("{typed} is no number", typed=repr(told)), say("Write digits alone, as 0.34.")
        )
    return float(plain.replace(",", "."))


def _in_doubt(plain: str, mark: str, usual: tuple[float, float] | None) -> float:
    thousands, decimals = plain.replace(mark, ""), plain.replace(mark, ".")
    low, high = usual or (math.inf, -math.inf)
    if low <= float(thousands) <= high and not low <= float(decimals) <= high:
        return float(thousands)
    if mark == "." and not plain.endswith("0"):
        return float(decimals)
    what = say("{typed} can be read in two ways", typed=plain)
    other = decimals.rstrip("0").rstrip(".")
    raise Mistake(what, say("Write {one} or {other}.", one=thousands, other=other))
