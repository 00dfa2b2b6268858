"""A battery's years: what is left of it, what it saves each year, and the money in and out.

The capacity falls with time and use, and what it saves falls with it, though not in proportion: the
last kWh are worth least. So the faded battery is planned anew in chosen years, and only between two
of these is its saving taken to change evenly. Which years those are follows from the first plans, for
use depends on them; so the years are gone through, and where a plan is lacking it is asked for.

Wear is left out of cash flows. It is a price in the plan for what a replacement costs; there the
replacement is paid.

Read next: ``monte_carlo``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Annotated, NamedTuple

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BoolArray, FloatArray
from optimizer.economics.ageing import Ageing
from optimizer.economics.assumptions import PARTS_OF_BILL, Terms
from optimizer.economics.returns import (
    annuity_factor,
    benefit_cost_ratio,
    internal_rates,
    levelised_cost,
    net_present_value,
    payback_years,
    remaining_share,
)

HEALTH_DIGITS = 3
"""Digits of the shares of capacity that plans are made for, so that like cases share one."""

LEAST_HEALTH = 0.05
"""A battery is not followed below this share of its capacity."""


class WarrantyCurve(Document):
    """What a maker promises to be left: the battery is taken to lose just that.

    ``left_pct`` are shares of the new capacity after equal parts of the warranty, the last at its end;
    between them they fall evenly, behind the end as fast as before it. The end is reached after ``years``,
    or, if that comes first, after so many full ``cycles``.
    """

    years: float = Field(gt=0, le=60)
    cycles: float | None = Field(default=None, gt=0, le=100_000)
    left_pct: Annotated[list[Annotated[float, Field(ge=0, le=100)]], Field(min_length=1)]

    @model_validator(mode="after")
    def _falls(self) -> WarrantyCurve:
        for before, after in pairwise([100.0, *self.left_pct]):
            if after > before:
                raise Mistake(
                    f"left_pct rises from {before:g} to {after:g}",
                    "List what is left after each part of the warranty, falling.",
                    "left_pct",
                )
        return self

    def used_in_a_year(self, cycles: float) -> float:
        """Return the share of the warranty that a year of so many full cycles uses. [1]"""
        by_use = 0.0 if self.cycles is None else cycles / self.cycles
        return max(1 / self.years, by_use)

    def left_after(self, used: float) -> float:
        """Return the share of the new capacity that is left when a share of the warranty is used. [1]"""
        left = np.array([100.0, *self.left_pct]) / 100
        parts = len(self.left_pct)
        beyond = max(used - 1, 0.0) * parts * (left[-2] - left[-1])
        return float(np.interp(used, np.arange(parts + 1) / parts, left) - beyond)


class Fading(Ageing):
    """How the equipment ages, and how often that is planned anew.

    A ``warranty`` stands in place of shares by time and use.

    ``pv_loses_pct_per_year`` compounds, year 1 giving all.
    """

    warranty: WarrantyCurve | None = None
    pv_loses_pct_per_year: float = Field(default=0, ge=0, lt=50)
    replan_every_years: int = Field(default=5, ge=1, le=60)

    @model_validator(mode="after")
    def _one_way(self) -> Fading:
        if self.warranty and (self.calendar_pct_per_year or self.pct_per_1000_cycles):
            raise Mistake(
                "a battery ages by its warranty's curve and by shares of its own",
                "Give the warranty, or calendar_pct_per_year and pct_per_1000_cycles.",
                "warranty",
            )
        return self

    @property
    def fades(self) -> bool:
        """Whether the battery loses anything."""
        return bool(self.calendar_pct_per_year or self.pct_per_1000_cycles or self.warranty)

    def used_in_a_year(self, cycles: float) -> float:
        """Return what a year uses: a share of the new capacity, or of the warranty. [1]"""
        if self.warranty is not None:
            return self.warranty.used_in_a_year(cycles)
        return self.lost_in_a_year(cycles)

    def left_after(self, used: float) -> float:
        """Return the share of the new capacity that is left. [1]"""
        return 1 - used if self.warranty is None else self.warranty.left_after(used)

    def times(self, factor: float) -> Fading:
        """Return the same for a battery that ages so many times as fast."""
        warranty = self.warranty
        if warranty is not None:
            cycles = None if warranty.cycles is None else warranty.cycles / factor
            warranty = warranty.model_copy(
                update={"years": warranty.years / factor, "cycles": cycles}
            )
        return self.model_copy(update={
            "calendar_pct_per_year": self.calendar_pct_per_year * factor,
            "pct_per_1000_cycles": self.pct_per_1000_cycles * factor, "warranty": warranty,
        })  # fmt: skip


class Wear(NamedTuple):
    """What a year finds: shares of the new capacity, and of the first year's PV."""

    health: float = 1.0
    pv: float = 1.0


class YearFigures(NamedTuple):
    """What a plan of one year says: savings by windows and plan [money], cycles, kWh discharged.

    ``before`` is the cost that savings are measured from; [money] ``parts`` are those parts of saved,
    plan_saved and before, three each, that lie in ``PARTS_OF_BILL``. [money]
    """

    saved: float
    plan_saved: float
    cycles: float
    discharged_kwh: float
    before: float = 0.0
    parts: tuple[float, ...] = (0.0,) * (3 * len(PARTS_OF_BILL))


@dataclass(frozen=True)
class Life:
    """The years 1 to N, arrays of shape (N,).

    ``health`` and ``pv`` are shares at a year's begin, ``saved`` and ``plan_saved`` money in the
    prices of year 1, ``is_planned`` tells which years were planned and not taken from two others,
    ``is_new`` in which years the battery was replaced before. ``health_after`` is the share that is left
    when the years are over. ``before`` is what the savings are measured from, in the same prices; ``parts``
    are of saved, plan_saved and before what lies in each part of the bill, shape (3, 3, N).
    """

    health: FloatArray
    pv: FloatArray
    saved: FloatArray
    plan_saved: FloatArray
    discharged_kwh: FloatArray
    is_planned: BoolArray
    is_new: BoolArray
    health_after: float
    before: FloatArray = field(default_factory=lambda: np.zeros(1))
    parts: FloatArray = field(default_factory=lambda: np.zeros((3, len(PARTS_OF_BILL), 1)))

    def over(self, reference: Life) -> Life:
        """Return the same measured from what a reference costs; both are measured from nothing yet."""
        before, of_before = -reference.saved, -reference.parts[0]
        return replace(
            self, saved=self.saved + before, plan_saved=self.plan_saved + before, before=before,
            parts=np.stack([self.parts[0] + of_before, self.parts[1] + of_before, of_before]),
        )  # fmt: skip

    def in_prices_of_each_year(self, terms: Terms) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return saved, plan_saved and before as prices rise, shapes (N,). [money]"""
        years = np.arange(len(self.health))
        rise = (1 + terms.prices_rise_pct_per_year / 100) ** years
        beyond = np.array([(1 + terms.rise_of(part)) ** years - rise for part in PARTS_OF_BILL])
        saved, plan_saved, before = (
            rise * whole + (beyond * parts).sum(axis=0)
            for whole, parts in zip(
                (self.saved, self.plan_saved, self.before), self.parts, strict=True
            )
        )
        return saved, plan_saved, before

    @property
    def replacements(self) -> int:
        """How often the battery is replaced."""
        return int(self.is_new.sum())

    @property
    def planned(self) -> list[tuple[int, Wear]]:
        """The planned years, from 0 on, with what each finds."""
        return [
            (int(year), Wear(float(self.health[year]), float(self.pv[year])))
            for year in np.flatnonzero(self.is_planned)
        ]

    def between_planned(self, of_planned: FloatArray) -> FloatArray:
        """Return values of all years from those of the planned ones, shape (planned, …) to (N, …)."""
        places = np.flatnonzero(self.is_planned)
        flat = of_planned.reshape(len(places), -1)
        years = np.arange(len(self.health))
        columns = [np.interp(years, places, column) for column in flat.T]
        return np.stack(columns, axis=1).reshape(len(years), *of_planned.shape[1:])


def life_of(
    terms: Terms, fading: Fading, known: Callable[[Wear], YearFigures | None]
) -> Life | Wear:
    """Go through the years; return them, or the first wear of which no plan is known.

    Planned are the first year of each battery, every so many years from there, its last year, and the
    last year of all. The capacity that a year takes is that of the last planned year's cycles.

    Parameters
    ----------
    terms : Terms
        Years, and when the battery is replaced.
    fading : Fading
        What time and use take.
    known : callable
        The figures of a plan of some wear, None if there is none yet.
    """
    years = _Years(terms, fading, known)
    try:
        while not years.are_over:
            years.pass_one()
    except _Unknown as lacking:
        return lacking.wear
    return years.joined()


class _Unknown(Exception):
    """A plan is lacking."""

    def __init__(self, wear: Wear) -> None:
        super().__init__()
        self.wear = wear


class _Years:
    """The years as they pass; see ``life_of``."""

    def __init__(
        self, terms: Terms, fading: Fading, known: Callable[[Wear], YearFigures | None]
    ) -> None:
        self.terms, self.fading, self.known = terms, fading, known
        self.health = np.ones(terms.years)
        self.is_new = np.zeros(terms.years, dtype=bool)
        self.figures: dict[int, YearFigures] = {}
        self.year = self.bought = 0
        self.in_a_year = self.used = 0.0
        self.left = 1.0

    @property
    def are_over(self) -> bool:
        return self.year == self.terms.years

    def pass_one(self) -> None:
        """Plan the year if it is one to be planned, and see what battery the next one finds."""
        year, then = self.year, self.year + 1
        if (year - self.bought) % self.fading.replan_every_years == 0 or then == self.terms.years:
            self.plan()
        self.used += self.in_a_year
        self.left = left = max(self.fading.left_after(self.used), LEAST_HEALTH)
        self.year = then
        if self.are_over:
            return
        if self.is_replaced(left):
            self.year = year
            self.plan()  # the last year of a battery, so that no line runs over to the next one
            self.year = self.bought = then
            self.is_new[then], left, self.used = True, 1.0, 0.0
        self.health[then] = left

    def is_replaced(self, left: float) -> bool:
        """Tell whether a new battery stands there from the coming year on."""
        rule = self.terms.replacement
        if rule is None or (rule.at_most is not None and self.is_new.sum() >= rule.at_most):
            return False
        if rule.after_years is not None:
            return self.year - self.bought >= rule.after_years
        return left < (rule.below_pct or 0.0) / 100

    def plan(self) -> None:
        if self.year in self.figures:
            return
        wear = self.wear_in(self.year)
        found = self.known(wear)
        if found is None:
            raise _Unknown(wear)
        self.figures[self.year] = found
        self.in_a_year = self.fading.used_in_a_year(found.cycles)

    def wear_in(self, year: int) -> Wear:
        pv = remaining_share(self.fading.pv_loses_pct_per_year / 100, year + 1)
        return Wear(round(float(self.health[year]), HEALTH_DIGITS), round(pv, HEALTH_DIGITS))

    def joined(self) -> Life:
        """Return the years; between two planned ones their figures change evenly."""
        places = sorted(self.figures)
        table = np.array([[*self.figures[at][:-1], *self.figures[at].parts] for at in places])
        every = np.arange(self.terms.years)
        saved, plan_saved, _cycles, discharged, before, *parts = (
            np.interp(every, places, row) for row in table.T
        )
        wears = [self.wear_in(int(year)) for year in every]
        return Life(
            np.array([wear.health for wear in wears]), np.array([wear.pv for wear in wears]),
            saved, plan_saved, discharged, is_planned=np.isin(every, places), is_new=self.is_new,
            health_after=self.left, before=before,
            parts=np.array(parts).reshape(3, len(PARTS_OF_BILL), -1),
        )  # fmt: skip


@dataclass(frozen=True)
class CashFlow:
    """Money in and out, shapes (N + 1,): today, and the ends of the years 1 to N. [money]

    All are signed: what is paid is negative. ``rate`` is the discount rate [1/year], ``pv`` what of the
    investment the PV cost. ``before`` is what is paid where all is left as it is measured from, positive.
    """

    investment: FloatArray
    incentive: FloatArray
    replacement: FloatArray
    operating: FloatArray
    financing: FloatArray
    taxes: FloatArray
    saving: FloatArray
    residual: FloatArray
    discharged_kwh: FloatArray
    rate: float
    pv: float = 0.0
    before: FloatArray = field(default_factory=lambda: np.zeros(1))

    def over(self, reference: CashFlow) -> CashFlow:
        """Return what is paid beyond a reference, whose own flow is measured from nothing."""
        beyond = {
            name: getattr(self, name) - getattr(reference, name)
            for name in SIGNED if name != "saving"
        }  # fmt: skip
        return replace(self, **beyond, before=-reference.net)

    @property
    def net(self) -> FloatArray:
        """The sum of all, shape (N + 1,)."""
        whole: FloatArray = np.sum([getattr(self, name) for name in SIGNED], axis=0)
        return whole


SIGNED = (
    "investment", "incentive", "replacement", "operating", "financing", "taxes", "saving", "residual",
)  # fmt: skip
"""The parts of a cash flow, in the order in which they are shown."""


def cash_flow(terms: Terms, life: Life, size: Size, *, of_plan: bool = False) -> CashFlow:
    """Return the cash flow of each year, shape (years + 1,). [money]

    Parameters
    ----------
    terms : Terms
        Prices and rates.
    life : Life
        The years, with savings in the prices of year 1.
    size : Size
        What is bought.
    of_plan : bool
        Take what the cheapest plan saves, which no equipment can, in place of the windows.
    """
    count = terms.years
    money = {name: np.zeros(count + 1) for name in SIGNED}
    price = terms.battery.of(size.battery_kwh, size.battery_kw)
    pv = terms.pv if size.with_pv else 0.0
    whole = (0.0 if size.stands else price) + terms.inverter.of(0.0, size.inverter_kw) + pv
    money["investment"][0] = -whole
    money["incentive"][0] = terms.incentive.of(whole)
    years = np.arange(1, count + 1)
    has_battery = size.battery_kwh > 0
    running = terms.operating.per_year + terms.operating.per_kwh_per_year * size.battery_kwh
    running = running if has_battery else 0.0
    rise = 1 + terms.operating.rises_pct_per_year / 100
    money["operating"][1:] = -running * rise ** (years - 1)
    if has_battery and not size.stands:
        money["taxes"][1:] = [-terms.taxes_of(int(year)) for year in years]
    by_windows, by_plan, before_bill = life.in_prices_of_each_year(terms)
    money["saving"][1:] = by_plan if of_plan else by_windows
    money["financing"] = _financing(terms, whole - float(money["incentive"][0]), size)
    rule = terms.replacement
    change = 1 + (rule.price_changes_pct_per_year / 100 if rule else 0.0)
    for year in np.flatnonzero(life.is_new):  # paid at the end of the year before
        money["replacement"][year] = -price * change ** int(year)
    money["residual"][-1] = price * change**count * _left_share(terms, life.health_after)
    discharged = np.concatenate([[0.0], life.discharged_kwh])
    before = np.concatenate([[0.0], before_bill])
    return CashFlow(
        **money, discharged_kwh=discharged, rate=terms.discount, pv=pv, before=before
    )  # fmt: skip


def _financing(terms: Terms, invested: float, size: Size) -> FloatArray:
    """Return what is lent, paid back, and paid for a lease, shape (years + 1,). [money]

    Payments of a loan are sums in the money of each year; in real terms inflation takes from them.
    """
    money = np.zeros(terms.years + 1)
    loan, lease = terms.loan, terms.lease
    if loan is not None:
        money[0] = loan.share_pct / 100 * invested
        years = np.arange(1, min(loan.years, terms.years) + 1)
        inflation = terms.inflation_pct / 100 if terms.rates_are == "real" else 0.0
        money[years] = -loan.paid_per_year(invested) * (1 + inflation) ** -years.astype(float)
        left = loan.years - terms.years
        if left > 0:  # what is still owed is paid back when the years are over
            owed = loan.paid_per_year(invested) * annuity_factor(loan.rate_pct / 100, left)
            money[-1] -= owed * (1 + inflation) ** -float(terms.years)
    if lease is not None and size.battery_kwh > 0 and not size.stands:
        money[1:] -= [lease.paid_in(year, size.battery_kwh) for year in range(1, terms.years + 1)]
    return money


@dataclass(frozen=True)
class Size:
    """What is bought; nothing of a part is zero.

    A battery that ``stands`` already is not paid for, but is replaced and worth something as any. Cost of
    operation is a battery's, taxes are of one that is bought.
    """

    battery_kwh: float
    battery_kw: float
    inverter_kw: float
    with_pv: bool = True
    stands: bool = False


def _left_share(terms: Terms, health: float) -> float:
    worthless = terms.residual.worthless_pct / 100
    return terms.residual.share_pct / 100 * max(health - worthless, 0.0) / (1 - worthless)


@dataclass(frozen=True)
class Worth:
    """What a cash flow comes to.

    ``rate`` is the only internal rate, None where there is none or several; then ``rates`` has them
    all. Rates below zero are left out where there is one above. ``levelised`` is the cost of the
    equipment but the PV per discharged kWh, without the energy that fills it. [money per kWh]
    ``stays_paid_back`` is false where a later payment, such as a replacement, is not earned again.
    ``cost`` is the present value of all that is paid, bills included, whatever it is measured from. [money]
    """

    npv: float
    rates: tuple[float, ...]
    payback_years: float | None
    discounted_payback_years: float | None
    levelised: float | None
    benefit_cost_ratio: float | None
    stays_paid_back: bool
    cost: float

    @property
    def rate(self) -> float | None:
        """The internal rate of return if there is just one. [1/year]"""
        return self.rates[0] if len(self.rates) == 1 else None


@dataclass(frozen=True)
class Money:
    """The years of a case and their money: with its windows, and if the cheapest plan were run.

    No equipment can run the plan; its figures are an upper bound. ``terms``, ``size`` and ``reference`` are
    what the flows were made of.
    """

    life: Life
    flow: CashFlow
    flow_of_plan: CashFlow
    terms: Terms
    size: Size
    reference: CashFlow | None = None

    @classmethod
    def of(cls, terms: Terms, life: Life, size: Size, reference: CashFlow | None = None) -> Money:
        """Return the money of a life, beyond what a reference pays for its own equipment."""
        flow, of_plan = (cash_flow(terms, life, size, of_plan=each) for each in (False, True))
        if reference is not None:
            flow, of_plan = flow.over(reference), of_plan.over(reference)
        return cls(life, flow, of_plan, terms, size, reference)

    @cached_property
    def worth(self) -> Worth:
        """What the windows come to."""
        return worth_of(self.flow)

    @cached_property
    def worth_of_plan(self) -> Worth:
        """What the plan would come to."""
        return worth_of(self.flow_of_plan)


def worth_of(flow: CashFlow) -> Worth:
    """Return what a cash flow comes to."""
    net, rate = flow.net, flow.rate
    rates = internal_rates(net)
    gains = tuple(each for each in rates if each >= 0)
    costs = -(
        flow.investment + flow.incentive + flow.operating + flow.replacement + flow.taxes
        + flow.financing
    )  # fmt: skip
    benefits = flow.saving + flow.residual
    of_pv = np.concatenate([[flow.pv], np.zeros(len(net) - 1)])
    npv = net_present_value(rate, net)
    has_costs = net_present_value(rate, costs) > 0
    has_energy = net_present_value(rate, flow.discharged_kwh) > 0
    return Worth(
        npv=npv,
        rates=gains or rates,
        payback_years=payback_years(net),
        discounted_payback_years=payback_years(net, rate),
        levelised=levelised_cost(costs - flow.residual - of_pv, flow.discharged_kwh, rate)
        if has_energy
        else None,
        benefit_cost_ratio=benefit_cost_ratio(benefits, costs, rate) if has_costs else None,
        stays_paid_back=float(net.sum()) >= 0,
        cost=net_present_value(rate, flow.before) - npv,
    )
