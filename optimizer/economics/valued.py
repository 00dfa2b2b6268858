"""What is decided, from planned years alone: years, money and the price that breaks even.

A decision is for one site, or the same for several, each so many times as it stands there. The money of
several is the sum of theirs, year by year; present value, rates, payback and ratio are those of the sum.
All of it follows from a few figures of planned years, so that any process may work it out.

Read next: ``best_size``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
from scipy.optimize import brentq

from optimizer.base.timegrid import FloatArray
from optimizer.economics.assumptions import Package, Price, Terms
from optimizer.economics.cash_flow import (
    CashFlow,
    Fading,
    Life,
    Money,
    Size,
    Wear,
    Worth,
    YearFigures,
    cash_flow,
    life_of,
)
from optimizer.economics.returns import net_present_value

MOST_PRICE = 1e9
"""A battery that may cost so much is worth any price. [money per kWh]"""


def lives_of(
    terms: Terms, fading: Fading, known: Callable[[Wear], YearFigures | None]
) -> list[Life] | Wear:
    """Return the years that equipment may have, or the first wear of which no plan is known.

    Where replacements are done only if they pay, there are lives with any number of them.
    """
    lives: list[Life] = []
    while True:
        life = life_of(terms, fading, known)
        if isinstance(life, Wear):
            return life
        lives.append(life)
        rule = terms.replacement
        if rule is None or not rule.only_if_it_pays or not life.replacements:
            return lives
        terms = terms.replacing_at_most(life.replacements - 1)


@dataclass(frozen=True)
class Years:
    """Equipment of a size, and what plans of some wear say of its years."""

    size: Size
    known: Mapping[Wear, YearFigures]

    def lives(self, terms: Terms, fading: Fading) -> list[Life]:
        """Return the years that it may have; all plans they need are known."""
        lives = lives_of(terms, fading, self.known.get)
        assert not isinstance(lives, Wear)
        return lives


@dataclass(frozen=True)
class Part:
    """One site of a decision, which stands there so many ``times``.

    ``today`` is what it is measured from, None where savings are measured from the same years. ``bare`` is
    the same without what is decided, on its own tariff: at the price that breaks even both are worth the
    same; None where they are measured from it anyway. ``has_price`` is false where that is not asked.
    """

    terms: Terms
    fading: Fading
    package: Package | None
    own: Years
    today: Years | None = None
    bare: Years | None = None
    has_price: bool = False
    times: int = 1

    @cached_property
    def priced(self) -> Terms:
        """The terms with the prices of the package."""
        return self.terms.of_package(self.package)

    @cached_property
    def of_today(self) -> tuple[Life, CashFlow] | None:
        """Today's years and their money, measured from nothing."""
        if self.today is None:
            return None
        size = self.today.size
        lives = self.today.lives(self.terms, self.fading)
        flows = [(life, cash_flow(self.terms, life, size)) for life in lives]
        return max(flows, key=lambda each: net_present_value(each[1].rate, each[1].net))

    @property
    def reference(self) -> CashFlow | None:
        """What is paid where all is left as it is today."""
        return None if self.of_today is None else self.of_today[1]

    def lives(self, years: Years) -> list[Life]:
        """Return the years that equipment may have, measured as this part is."""
        lives = years.lives(self.terms, self.fading)
        today = self.of_today
        return lives if today is None else [life.over(today[0]) for life in lives]

    @cached_property
    def own_lives(self) -> list[Life]:
        """The years that its own equipment may have."""
        return self.lives(self.own)

    @cached_property
    def money(self) -> Money:
        """Its money, with as many replacements as are worth most."""
        every = [
            Money.of(self.priced, life, self.own.size, self.reference) for life in self.own_lives
        ]
        return max(every, key=lambda money: money.worth.npv)

    @cached_property
    def worth_of_bare(self) -> float:
        """The net present value of doing without. [money]"""
        if self.bare is None:
            return 0.0
        lives, size = self.lives(self.bare), self.bare.size
        return max(Money.of(self.terms, life, size, self.reference).worth.npv for life in lives)

    def worth_at(self, price: float) -> float:
        """Return the net present value beyond doing without, at a price of the battery. [money]"""
        priced = self.priced.model_copy(update={"battery": Price(per_kwh=price), "lease": None})
        flows = [cash_flow(priced, life, self.own.size) for life in self.own_lives]
        if self.reference is not None:
            flows = [flow.over(self.reference) for flow in flows]
        return max(net_present_value(flow.rate, flow.net) for flow in flows) - self.worth_of_bare

    @property
    def is_bought(self) -> bool:
        """Whether a battery is paid for."""
        return self.own.size.battery_kwh > 0 and not self.own.size.stands


@dataclass(frozen=True)
class Summary:
    """What a decision comes to, without its single years.

    ``before`` is what is paid in the dearest year as it is measured from. [money] ``planned`` are the planned
    years of one site, from 0 on, with what each finds. ``break_even`` is the price of all of the battery for
    each kWh of it, fixed sum and power included, at which it is worth as much as none [money per kWh]; None
    if it is not asked, no price is low enough, or none too high.
    """

    worth: Worth
    worth_of_plan: Worth
    investment: float
    incentive: float
    health_after: float
    replacements: int
    planned: tuple[tuple[int, Wear], ...]
    before: float
    break_even: float | None


def money_of(parts: Sequence[Part]) -> Money:
    """Return the money of a decision, year by year: of several sites the sum."""
    if len(parts) == 1 and parts[0].times == 1:
        return parts[0].money
    return together([(part.times, part.money) for part in parts])


def together(moneys: Sequence[tuple[int, Money]]) -> Money:
    """Return the sum of moneys, each so many times, of the same years and rate of discount.

    What is left of capacity and PV is the mean, by capacity. A year is one of a new battery or planned where
    it is at one of them.
    """
    kwh = np.array([times * money.size.battery_kwh for times, money in moneys])
    shares = kwh / kwh.sum() if kwh.any() else np.full(len(kwh), 1 / len(kwh))
    lives = [money.life for _, money in moneys]
    count = len(lives[0].health)

    def mean(name: str) -> FloatArray:
        each = [share * getattr(life, name) for share, life in zip(shares, lives, strict=True)]
        return np.asarray(np.sum(each, axis=0))

    def summed(name: str) -> FloatArray:
        every = [times * getattr(money.life, name) for times, money in moneys]
        shape = (*every[0].shape[:-1], count)
        return np.asarray(np.sum([np.broadcast_to(each, shape) for each in every], axis=0))

    life = Life(
        mean("health"), mean("pv"), summed("saved"), summed("plan_saved"), summed("discharged_kwh"),
        np.any([each.is_planned for each in lives], axis=0),
        np.any([each.is_new for each in lives], axis=0),
        float(mean("health_after")), summed("before"), summed("parts"),
    )  # fmt: skip
    size = Size(
        float(kwh.sum()), sum(times * money.size.battery_kw for times, money in moneys),
        sum(times * money.size.inverter_kw for times, money in moneys),
        any(money.size.with_pv for _, money in moneys), all(money.size.stands for _, money in moneys),
    )  # fmt: skip
    references = [(times, money.reference) for times, money in moneys if money.reference]
    return Money(
        life, _sum_of([(times, money.flow) for times, money in moneys]),
        _sum_of([(times, money.flow_of_plan) for times, money in moneys]),
        moneys[0][1].terms, size, _sum_of(references) if references else None,
    )  # fmt: skip


def _sum_of(flows: Sequence[tuple[int, CashFlow]]) -> CashFlow:
    count = len(flows[0][1].net)
    summed = {}
    for field in fields(CashFlow):
        if field.name in ("rate", "pv"):
            continue
        every = [times * getattr(flow, field.name) for times, flow in flows]
        summed[field.name] = np.sum([np.broadcast_to(each, count) for each in every], axis=0)
    pv = sum(times * flow.pv for times, flow in flows)
    return CashFlow(**summed, rate=flows[0][1].rate, pv=pv)


def break_even_price(parts: Sequence[Part]) -> float | None:
    """Return the price at which a decision is worth just as much as doing without; see ``Summary``."""

    def beyond(price: float) -> float:
        return sum(part.times * part.worth_at(price) for part in parts)

    asked = all(part.has_price and part.is_bought for part in parts)
    if not asked or beyond(0.0) < 0 or beyond(MOST_PRICE) > 0:
        return None
    return float(brentq(beyond, 0.0, MOST_PRICE, xtol=1e-9, rtol=1e-14))


def summary_of(parts: Sequence[Part]) -> Summary:
    """Return what a decision comes to."""
    money = money_of(parts)
    life, flow = money.life, money.flow
    return Summary(
        money.worth, money.worth_of_plan, -float(flow.investment[0]), float(flow.incentive[0]),
        life.health_after, sum(part.times * part.money.life.replacements for part in parts),
        tuple(life.planned), float(life.before.max()), break_even_price(parts),
    )  # fmt: skip
