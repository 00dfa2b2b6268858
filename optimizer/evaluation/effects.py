"""What a window changes, charge by charge: which kWh it moves between prices, which kW it lowers.

Two bills of the same tariff on the same steps are held against each other line by line, so that the
parts add up to what the window saves. Read next: ``reasons``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import money, number, price
from optimizer.billing.bill import Bill, BillLine
from optimizer.cost.expression import FlowSum, nodes_in

TOLD_SHARE = 0.05
"""Charges that a window moves less than this share of the most moved one are told together."""

SMALLEST_KWH, SMALLEST_KW = 0.05, 0.005
"""Less than this is not told: it would be shown as nothing."""

PRICE_DECIMALS = 9
"""Prices that agree to so many decimals are one price."""


@dataclass(frozen=True)
class Priced:
    """What a replay costs: its bill, and what comes beside it (wear, less what is left), by name."""

    bill: Bill
    beside: Mapping[str, float]


@dataclass(frozen=True)
class Effect:
    """What a window saves on one charge, below zero if it costs more there. [money]

    ``is_credit`` tells whether the charge pays out; ``how`` says in words what moved, if it can be said.
    """

    name: str
    saves: float
    is_credit: bool
    how: str

    def words(self, shown: float) -> str:
        """Return the effect in words; ``shown`` is its sum as it is printed."""
        more, less = ("brings {} more", "brings {} less") if self.is_credit else (
            "lower by {}", "higher by {}"
        )  # fmt: skip
        said = (more if shown >= 0 else less).format(money(abs(shown)))
        return f"{self.name} {said}" + (f" ({self.how})" if self.how else "")


def effects_of(with_it: Priced, without: Priced) -> list[Effect]:
    """Return what a window saves on each charge and beside the bill, the most moved first."""
    pairs: dict[str, list[tuple[BillLine, BillLine]]] = {}
    for ours, other in zip(with_it.bill.lines, without.bill.lines, strict=True):
        pairs.setdefault(ours.charge, []).append((ours, other))
    effects = [_on_charge(name, lines) for name, lines in pairs.items()]
    effects += [
        Effect(name, without.beside[name] - cost, cost < 0 or without.beside[name] < 0, "")
        for name, cost in with_it.beside.items()
    ]
    return sorted(effects, key=lambda effect: -abs(effect.saves))


def told(effects: Sequence[Effect]) -> tuple[float, list[str]]:
    """Return what is saved as it is printed, and the parts in words; they add up to the cent."""
    shown = round(sum(effect.saves for effect in effects), 2)
    most = max((abs(effect.saves) for effect in effects), default=0.0)
    big = [e for e in effects if abs(e.saves) >= max(TOLD_SHARE * most, 0.005)]
    sums = [round(effect.saves, 2) for effect in big]
    if not big:
        return shown, []
    rest = round(shown - sum(sums), 2)
    if len(big) == sum(abs(effect.saves) >= 0.005 for effect in effects):
        sums[0], rest = round(sums[0] + rest, 2), 0.0  # nothing but rounding is left
    parts = [effect.words(each) for effect, each in zip(big, sums, strict=True)]
    if rest:
        parts.append(f"all else {'lower' if rest > 0 else 'higher'} by {money(abs(rest))}")
    return shown, parts


def _on_charge(name: str, lines: Sequence[tuple[BillLine, BillLine]]) -> Effect:
    amounts = [(ours.amount, other.amount) for ours, other in lines]
    saves = sum(other - ours for ours, other in amounts)
    is_credit = all(ours <= 0 and other <= 0 for ours, other in amounts)
    how = _energy_moved(
        [pair for pair in lines if pair[0].unit == "kWh"], is_credit
    ) or _demand_moved([pair for pair in lines if pair[0].unit == "kW"])
    return Effect(name, saves, is_credit, how)


def _energy_moved(lines: Sequence[tuple[BillLine, BillLine]], is_credit: bool) -> str:
    """Return how many kWh are counted less and more, and at what mean price; empty if none."""
    by_price: dict[float, float] = {}
    for ours, other in lines:
        for rate, kwh in _moves(ours, other):
            key = round(rate, PRICE_DECIMALS)
            by_price[key] = by_price.get(key, 0.0) + kwh
    moved = np.array(list(by_price.items())).reshape(-1, 2)
    said = [
        f"{number(kwh, 0 if kwh >= 10 else 1)} kWh {word} at {price(abs(mean))}"
        for word, sign in (("less", -1), ("more", 1))
        for kwh, mean in [_gathered(moved, sign)]
        if kwh >= SMALLEST_KWH
    ]
    flows = {s.flow for line, _ in lines for s in nodes_in(line.source.quantity, FlowSum)}
    verb = "exports" if flows <= {"export_kwh", "stored_export_kwh"} else "counts"
    if flows == {"import_kwh"} and not is_credit:
        verb = "buys"
    return f"{verb} {' and '.join(said)}" if said else ""


def _gathered(moved: FloatArray, sign: int) -> tuple[float, float]:
    """Return the kWh that moved one way and their mean price."""
    kwh = np.maximum(sign * moved[:, 1], 0.0)
    total = float(kwh.sum())
    return total, float(kwh @ moved[:, 0]) / total if total else 0.0


def _moves(ours: BillLine, other: BillLine) -> Iterator[tuple[float, float]]:
    """Yield price and change of kWh of a line: of each step where its price changes with the step."""
    if ours.source.rate is not None:
        yield ours.source.rate, ours.quantity - other.quantity
        return
    sums = nodes_in(ours.source.cost, FlowSum)
    if len(sums) == 1:
        flow, steps = sums[0].flow, sums[0].steps
        change = getattr(ours.reading.flows, flow) - getattr(other.reading.flows, flow)
        yield from zip(sums[0].weights.tolist(), change[steps].tolist(), strict=True)


def _demand_moved(lines: Sequence[tuple[BillLine, BillLine]]) -> str:
    """Return what is billed as demand with and without the window, of the line that moved most."""
    by_name: dict[str, list[tuple[BillLine, BillLine]]] = {}
    for ours, other in lines:
        if abs(ours.quantity - other.quantity) >= SMALLEST_KW:
            by_name.setdefault(ours.name, []).append((ours, other))
    if not by_name:
        return ""
    moved = max(by_name.values(), key=lambda pairs: abs(sum(b.amount - a.amount for a, b in pairs)))
    with_it, without = (float(np.mean([pair[n].quantity for pair in moved])) for n in (0, 1))
    name = "" if len(by_name) == 1 else f"{moved[0][0].name} "
    mean = "" if len(moved) == 1 else f" in the mean of {len(moved)} bills"
    return f"{name}billed {number(with_it, 2)} instead of {number(without, 2)} kW{mean}"
