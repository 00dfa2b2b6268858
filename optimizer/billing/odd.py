"""Remarks on figures of a tariff that are allowed, yet look like a slip of unit: nothing is refused.

What a kWh may cost depends on the currency: the table has the order of magnitude of each, which is
enough to tell cents from their hundredfold. Read next: ``worked``.
"""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import BaseModel

from optimizer.base.errors import Place
from optimizer.base.units import price
from optimizer.billing.tariff import Tariff

DEAR_KWH = 2.5
"""A kWh above this many dollars is rare outside called events (common practice, no published source)."""

UNITS_PER_DOLLAR = {
    "USD": 1, "$": 1, "EUR": 1, "€": 1, "GBP": 1, "£": 1, "CHF": 1, "AUD": 1.5, "CAD": 1.4,
    "NZD": 1.7, "SGD": 1.3, "ILS": 4, "PLN": 4, "MYR": 4, "BRL": 5, "DKK": 7, "CNY": 7, "SEK": 10,
    "NOK": 10, "ZAR": 18, "MXN": 18, "CZK": 22, "THB": 34, "PHP": 57, "INR": 85, "JPY": 150,
    "LKR": 300, "HUF": 350, "KRW": 1350,
}  # fmt: skip
"""Rough worth of currencies, from memory; of others nothing is remarked."""

PRICES = {"per_kwh", "plus_per_kwh"}
PERCENTAGES = {
    "percent": 0.5,
    "pct": 1.5,
    "at_least_pct": 1.5,
    "exceeded_at_pct": 2.0,
    "paid_pct": 1.0,
}
"""At or below this a percentage looks like a fraction of one."""


def odd_values(tariff: Tariff) -> list[str]:
    """Return a remark for each figure that looks like cents, or like a fraction for a percentage."""
    return [f"{tariff.source.where(place)}: {told}" for place, told in odd_places(tariff)]


def odd_places(tariff: Tariff) -> Iterator[tuple[Place, str]]:
    """Yield the place of each such figure in the file, and the remark."""
    for number, version in enumerate(tariff.file.versions):
        for location, key, value in _numbers(version, ("versions", number)):
            if told := _remark(key, value, tariff.currency):
                yield location, told


def _remark(key: str, value: float, currency: str) -> str:
    limit = DEAR_KWH * UNITS_PER_DOLLAR.get(currency.upper(), float("inf"))
    if key in PRICES and abs(value) > limit:
        return (
            f"{price(value)} {currency} per kWh is dear. If it is cents, write {price(value / 100)}; if"
            f" it is the price of a MWh, {price(value / 1000)}."
        )
    if 0 < abs(value) <= PERCENTAGES.get(key, 0.0):
        return (
            f"{key} is {value:g}, less than the percentages that are usual. If it is a fraction, write"
            f" {100 * value:g}."
        )
    if key == "free_share" and value > 2:
        return f"free_share is {value:g} times the kW or kWh. If it is per cent, write {value / 100:g}."
    return ""


def _numbers(node: object, location: Place) -> Iterator[tuple[Place, str, float]]:
    """Yield place, key and value of each number in a model, and in those in it."""
    if isinstance(node, BaseModel):
        for name in type(node).model_fields:
            yield from _numbers(getattr(node, name), (*location, name))
    elif isinstance(node, list):
        for place, item in enumerate(node):
            yield from _numbers(item, (*location, place))
    elif isinstance(node, int | float) and not isinstance(node, bool):
        key = next(part for part in reversed(location) if isinstance(part, str))
        yield location, key, float(node)
