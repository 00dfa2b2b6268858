"""How quantities are named, compared, read from a clock and printed.

Energies are kWh per step, powers kW, money is in the tariff's currency. The short forms in names
are ``_kwh``, ``_kw``, ``_frac`` (0 to 1), ``_pct`` (0 to 100), ``_h`` and ``_minutes``.
Read next: ``documents``.
"""

from __future__ import annotations

import re
from datetime import date

from optimizer.base.words import language

ENERGY_TOLERANCE_KWH = 1e-6
"""Two energies of one step closer than this are the same; solvers work to about 1e-7."""

MONEY_TOLERANCE_RELATIVE = 1e-7
"""A bill and an LP objective may differ by this share of the sum of the absolute line amounts."""

MONEY_TOLERANCE = 1e-5
"""... or by this much money, whichever is larger."""

MINUTES_PER_DAY = 1440

_CLOCK = re.compile(r"([01]\d|2[0-4]):([0-5]\d)")


def read_clock(text: str) -> int:
    """Return ``HH:MM`` as minutes since midnight, at most ``24:00``. [min]

    Raises
    ------
    ValueError
        If the text is no clock time. The message says which text.
    """
    match = _CLOCK.fullmatch(text.strip())
    minute = int(match[1]) * 60 + int(match[2]) if match else MINUTES_PER_DAY + 1
    if minute > MINUTES_PER_DAY:
        raise ValueError(f"{text!r} is not a clock time from 00:00 to 24:00")
    return minute


def clock(minute: int) -> str:
    """Return minutes since midnight, 0 to 1440, as ``HH:MM``. [min]"""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def money(amount: float, currency: str = "") -> str:
    """Return an amount with two decimals and thousands separated, e.g. ``1,234.50 EUR``. [money]

    A currency's sign stands before the amount: ``-$3.00``.
    """
    text = _as_read(_unsigned_zero(f"{amount:,.2f}"))
    if currency and not any(sign.isalnum() for sign in currency):
        minus = "-" if text.startswith("-") else ""
        return f"{minus}{currency}{text.removeprefix('-')}"
    return f"{text} {currency}".rstrip()


def price(amount: float) -> str:
    """Return a price with the decimals it needs, at least two. [money per kWh or kW]"""
    text = _unsigned_zero(f"{amount:.4f}" if abs(amount) >= 0.0001 else f"{amount:.7f}").rstrip("0")
    return _as_read(text + "0" * max(0, 2 - len(text.partition(".")[2])))


def percent(share: float, decimals: int = 0) -> str:
    """Return a share (1.0 is the whole) as text in per cent. [1]"""
    return f"{_as_read(_unsigned_zero(f'{100 * share:.{decimals}f}'))} %"


def number(value: float, decimals: int = 1) -> str:
    """Return a number with at most the given decimals and no trailing zeros."""
    return _as_read(plain_number(value, decimals))


def day_text(day: date) -> str:
    """Return a day as it is written in the language that is spoken: ``2026-01-31``, ``31.01.2026``."""
    return f"{day:%d.%m.%Y}" if language() == "de" else str(day)


def plain_number(value: float, decimals: int = 1) -> str:
    """Return the same for a program: with the point, whatever language is spoken."""
    text = f"{value:,.{decimals}f}"
    return _unsigned_zero(text.rstrip("0").rstrip(".") if "." in text else text)


def _unsigned_zero(text: str) -> str:
    """Return a number's text, without the sign if it shows only zeros."""
    return text.lstrip("-") if not text.strip("-0.,") else text


_OTHER_MARKS = str.maketrans(",.", ".,")


def _as_read(text: str) -> str:
    """Return a number with the marks of the language that is spoken: ``1,234.50``, ``1.234,50``."""
    return text.translate(_OTHER_MARKS) if language() == "de" else text
