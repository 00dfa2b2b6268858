"""Money over time: present values, internal rates, payback, levelised cost, as plain arithmetic.

Rates are shares a year (0.07 for 7 %). Flows are amounts at the ends of years: ``flows[0]`` is
today's and not discounted, ``flows[1]`` comes a year later; what is paid out is negative. NIST
Handbook 135 is Fuller & Petersen, *Life-Cycle Costing Manual* (1995). Read next: ``ageing``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq

from optimizer.base.errors import InputError
from optimizer.base.timegrid import FloatArray

Amounts = Sequence[float] | FloatArray

ROUNDING = 1e-13
"""A sum below this share of the sum of its absolute terms is zero, within the precision of doubles."""


def present_value_factor(rate: float, years: float) -> float:
    """Return the present worth of 1 after some years (SPV): (1 + rate)^−years. [1]

    Parameters
    ----------
    rate : float
        Discount rate. [1/year]
    years : float
        Time from now. [years]

    Raises
    ------
    InputError
        If the rate is −1 or less, or the years are negative.

    References
    ----------
    ASTM E917; NIST Handbook 135.
    """
    return float(_one_and(rate, "discount rate") ** -_not_negative(years))


def annuity_factor(rate: float, years: float, growth: float = 0.0) -> float:
    """Return the present worth of 1 a year (UPV), or of a growing amount (UPV*). [1]

    Σ qᵗ for t = 1 … years with q = (1 + growth) ÷ (1 + rate), or q·(q^years − 1) ÷ (q − 1); where
    growth and rate are equal, the years. The amount of year 1 has already grown once.

    Parameters
    ----------
    rate, growth : float
        Discount rate, and by how much the amount grows. [1/year]
    years : float
        For how long it is paid; the closed form also holds between whole years. [years]

    Raises
    ------
    InputError
        If a rate is −1 or less, or the years are negative.

    References
    ----------
    ASTM E917; NIST Handbook 135.
    """
    n = _not_negative(years)
    log_q = math.log(_one_and(growth, "growth") / _one_and(rate, "discount rate"))
    if log_q == 0:
        return n
    return math.exp(log_q) * math.expm1(n * log_q) / math.expm1(log_q)


def net_present_value(rate: float, flows: Amounts) -> float:
    """Return what flows are worth today; the first is today's and stays as it is. [money]

    Parameters
    ----------
    rate : float
        Discount rate. [1/year]
    flows : sequence of float
        The amount of each year, of today first. [money]

    Raises
    ------
    InputError
        If the rate is −1 or less, or a flow is missing or not finite.

    References
    ----------
    ASTM E1074; NIST Handbook 135.
    """
    return math.fsum(_present_values(rate, flows))


def internal_rates(flows: Amounts) -> tuple[float, ...]:
    """Return all rates above −1 at which the net present value is zero, rising. [1/year]

    The net present value is a polynomial in v = 1 ÷ (1 + rate) and, but for a factor, in
    w = 1 + rate. Its roots with v up to 1 are the rates from 0 on, those with w below 1 the
    negative rates. Between neighbouring roots of the derivative a polynomial only rises or only falls, so
    where its sign differs at two of them there is one root between, on which Brent's method closes
    in. The roots of the derivative are found in the same way. Where the curve only touches zero the
    rate counts once, and so do rates so close (about 1e-6) that rounding hides what lies between.

    Flows of one sign have no rate. If there are several, none of them may be used to rank projects:
    compare net present values. A last flow that is paid out, such as a disposal, suffices for a
    second rate, often far below 0.

    Parameters
    ----------
    flows : sequence of float
        The amount of each year, of today first. [money]

    Raises
    ------
    InputError
        If a flow is missing or not finite.
    """
    terms = np.trim_zeros(_checked(flows)).tolist()
    growing = [1 / v - 1 for v in _roots(terms)]
    shrinking = [w - 1 for w in _roots(terms[::-1]) if w < 1]
    return tuple(sorted(rate for rate in shrinking + growing if rate > -1))


def payback_years(flows: Amounts, rate: float = 0.0) -> float | None:
    """Return after how many years what was paid has first come back. [years]

    That is where the sum of the discounted flows first rises from below zero to zero, taken evenly
    within that year: years before it + what is still missing ÷ the year's own discounted flow.
    Later crossings, as after a replacement, are not looked at.

    Parameters
    ----------
    flows : sequence of float
        The amount of each year, of today first. [money]
    rate : float
        Discount rate; 0 gives the simple payback. [1/year]

    Returns
    -------
    float or None
        None if it never comes back; 0 if nothing is ever outstanding.

    Raises
    ------
    InputError
        If the rate is −1 or less, or a flow is missing or not finite.

    References
    ----------
    ASTM E1121; within the crossing year interpolated as textbooks do.
    """
    values = _present_values(rate, flows)
    balance = values.cumsum()
    back = balance >= -ROUNDING * np.abs(values).sum()
    crossings = np.flatnonzero(back[1:] & ~back[:-1])
    if not len(crossings):
        return 0.0 if back.all() else None
    year = int(crossings[0])
    return year - float(balance[year] / values[year + 1])


def nominal_rate(real: float, inflation: float) -> float:
    """Return the rate in the money of each year: (1 + real)·(1 + inflation) − 1. [1/year]

    Raises
    ------
    InputError
        If a rate is −1 or less.

    References
    ----------
    NIST Handbook 135.
    """
    return _one_and(real, "real rate") * _one_and(inflation, "inflation") - 1


def real_rate(nominal: float, inflation: float) -> float:
    """Return the rate in money of one worth: (1 + nominal) ÷ (1 + inflation) − 1. [1/year]

    Raises
    ------
    InputError
        If a rate is −1 or less.

    References
    ----------
    NIST Handbook 135.
    """
    return _one_and(nominal, "nominal rate") / _one_and(inflation, "inflation") - 1


def benefit_cost_ratio(benefits: Amounts, costs: Amounts, rate: float) -> float:
    """Return present value of benefits ÷ present value of costs; above 1 it pays. [1]

    Parameters
    ----------
    benefits, costs : sequence of float
        The amounts of each year, of today first, costs as positive amounts. [money]
    rate : float
        Discount rate. [1/year]

    Raises
    ------
    InputError
        If the rate is −1 or less, an amount is not finite, or costs are worth nothing.

    References
    ----------
    ASTM E964; NIST Handbook 135.
    """
    paid = net_present_value(rate, costs)
    mend = "Give costs as positive amounts."
    return net_present_value(rate, benefits) / _positive(paid, "present value", "costs", mend)


def levelised_cost(costs: Amounts, energy_kwh: Amounts, rate: float) -> float:
    """Return present value of costs ÷ present value of energy. [money per kWh]

    With equal years it is (capital recovery factor × investment + yearly cost) ÷ yearly energy.

    Parameters
    ----------
    costs : sequence of float
        The cost of each year, of today first, as positive amounts. [money]
    energy_kwh : sequence of float
        The energy of each year; that of today, the first, is as a rule 0. [kWh]
    rate : float
        Discount rate. [1/year]

    Raises
    ------
    InputError
        If the rate is −1 or less, an amount is not finite, or there is no energy.

    References
    ----------
    Short, Packey & Holt, NREL/TP-462-5173 (1995).
    """
    energy = net_present_value(rate, energy_kwh)
    mend = "Give the energy of each year, 0 for today."
    return net_present_value(rate, costs) / _positive(energy, "present value", "energy", mend)


def remaining_share(loss_per_year: float, year: int) -> float:
    """Return the share of the first year's output left in a year: (1 − loss)^(year − 1). [1]

    The loss compounds, and year 1 gives all: at 0.5 % a year, 88.67 % are left in year 25. A loss
    that adds up would leave 88.00 %, one that strikes in year 1 already 88.22 %; neither is meant.
    The median loss of PV is 0.5 % a year (Jordan & Kurtz 2011, doi 10.1002/pip.1182).

    Parameters
    ----------
    loss_per_year : float
        Share of its output that the equipment loses a year, 0 to 1. [1/year]
    year : int
        The year of operation, counted from 1.

    Raises
    ------
    InputError
        If the loss is outside 0 to 1, or the year below 1.
    """
    if not 0 <= loss_per_year <= 1:
        raise InputError(
            f"the loss is {loss_per_year:g} a year; it must be from 0 to 1",
            where="loss of output",
            mend="Write it as a share: 0.005 for 0.5 % a year.",
        )
    if year < 1:
        raise InputError(
            f"the year of operation is {year}; the first is 1",
            where="loss of output",
            mend="Count the years of operation from 1.",
        )
    return float((1 - loss_per_year) ** (year - 1))


# Roots are isolated between those of the derivative, which keeps a rate at which the worth only touches
# zero one rate; eigenvalues of the companion matrix (numpy.polynomial) split it in two, or lose it.
# --- roots ------------------------------------------------------------------------------------


def _roots(terms: list[float]) -> list[float]:
    """Return where Σ terms[t]·vᵗ is zero for v above 0 and up to 1, rising."""
    if min(terms, default=0) >= 0 or max(terms) <= 0:
        return []  # terms of one sign add up to no zero
    edges = [0.0, *_roots(_derivative(terms)), 1.0]
    roots: list[float] = []
    for left, right in pairwise(edges):
        before, after = _sign(terms, left), _sign(terms, right)
        if after == 0:
            if before == 0 and roots:
                roots.pop()  # zero at both ends and level between them: one root
            roots.append(right)
        elif before == -after:
            roots.append(_root_between(terms, left, right))
    return roots


def _derivative(terms: list[float]) -> list[float]:
    """Return the terms of the derivative, divided by their number so that none grows too large."""
    return [power / len(terms) * term for power, term in enumerate(terms)][1:]


def _sign(terms: list[float], v: float) -> int:
    """Return −1, 0 or 1: the sign of the polynomial, 0 within rounding."""
    value = _value(v, terms)
    if abs(value) <= ROUNDING * _value(v, [abs(term) for term in terms]):
        return 0
    return 1 if value > 0 else -1


def _root_between(terms: list[float], left: float, right: float) -> float:
    """Return the root between two points of different sign, as exactly as doubles hold it."""
    exact = {"xtol": 1e-300, "rtol": 4 * np.finfo(float).eps, "maxiter": 2000}
    return float(brentq(_value, left, right, args=(terms,), **exact))


def _value(v: float, terms: list[float]) -> float:
    """Return Σ terms[t]·vᵗ, by Horner's rule."""
    value = 0.0
    for term in reversed(terms):
        value = value * v + term
    return value


# --- what is asked for ------------------------------------------------------------------------


def _present_values(rate: float, flows: Amounts) -> FloatArray:
    amounts = _checked(flows)
    factors = [present_value_factor(rate, year) for year in range(len(amounts))]
    values: FloatArray = amounts * np.array(factors)
    return values


def _checked(flows: Amounts) -> FloatArray:
    """Return flows as an array; refuse none at all and what is no number."""
    amounts = np.asarray(flows, dtype=np.float64)
    if not len(amounts):
        raise InputError(
            "there are 0 flows; at least that of today is needed",
            where="flows of money",
            mend="Give the amount of each year, of today first.",
        )
    wrong = np.flatnonzero(~np.isfinite(amounts))
    if len(wrong):
        raise InputError(
            f"the flow is {amounts[wrong[0]]}, no finite number",
            where=f"flows of money, year {wrong[0]}",
            mend="Give a number for each year, 0 where nothing flows.",
        )
    return amounts


def _one_and(rate: float, name: str) -> float:
    """Return 1 + rate; refuse rates that leave nothing or less."""
    if not -1 < rate < math.inf:
        raise InputError(
            f"the {name} is {rate:g} a year; it must be above -1",
            where=name,
            mend="Write it as a share: 0.07 for 7 % a year.",
        )
    return 1 + rate


def _not_negative(years: float) -> float:
    if not 0 <= years < math.inf:
        raise InputError(
            f"the time is {years:g} years; it must be 0 or more",
            where="time of a payment",
            mend="Give the years from today on.",
        )
    return float(years)


def _positive(value: float, name: str, of: str, mend: str) -> float:
    """Return a divisor; refuse what would turn a ratio's sign or leave it without a value."""
    if not value > 0:
        raise InputError(
            f"the {name} of {of} is {value:g}; it must be above 0", where=of, mend=mend
        )
    return value
