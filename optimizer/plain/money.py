"""A second opinion on money over the years: cash flows and what they come to, one year after the other.

``terms`` are the words of a study's section ``money``, ``life`` and ``bought`` those of a verdict in
``study.json``; years count from 1, today is year 0, and what is paid is negative. Read next:
``workflows.verify_study``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

Words = Mapping[str, Any]
Flow = list[dict[str, float]]
"""What is paid and comes in, by its name, of today first. [money]"""

PARTS = (
    "investment", "incentive", "replacement", "operating", "financing", "taxes", "saving", "residual",
)  # fmt: skip
OF_BILL = ("import", "export", "demand")


def price_of(price: Words, kwh: float, kw: float) -> float:
    """Return the price of a piece of equipment; nothing costs nothing. [money]"""
    if kwh == 0 and kw == 0:
        return 0.0
    return float(price["fixed"] + price["per_kwh"] * kwh + price["per_kw"] * kw)


def given_to(incentive: Words, invested: float) -> float:
    """Return what is given to an investment. [money]"""
    share = invested * incentive["share_pct"] / 100
    if incentive["at_most"] is not None and share > incentive["at_most"]:
        share = incentive["at_most"]
    given = share + incentive["amount"]
    return float(invested if given > invested else given)


def flow_of(terms: Words, life: Words, bought: Words, *, of_plan: bool = False) -> Flow:
    """Return the cash flow of equipment, measured from what its savings are measured from."""
    own = not bought["stands"]
    kwh = bought["battery_kwh"]
    battery = price_of(terms["battery"], kwh, bought["battery_kw"])
    invested = price_of(terms["inverter"], 0.0, bought["inverter_kw"])
    invested += battery if own else 0.0
    invested += terms["pv"] if bought["pv"] else 0.0
    given = given_to(terms["incentive"], invested)
    rows = [dict.fromkeys(PARTS, 0.0) for _ in range(terms["years"] + 1)]
    rows[0] |= {"investment": -invested, "incentive": given}
    running = terms["operating"]
    a_year = running["per_year"] + running["per_kwh_per_year"] * kwh if kwh else 0.0
    rule = terms["replacement"]
    moves = 1 + (0.0 if rule is None else rule["price_changes_pct_per_year"]) / 100
    for year in range(1, len(rows)):
        row = rows[year]
        row["operating"] = -a_year
        a_year *= 1 + running["rises_pct_per_year"] / 100
        if kwh and own:
            taxes = terms["taxes_per_year"]
            row["taxes"] = -(taxes[year - 1] if isinstance(taxes, Sequence) else taxes)
        row["saving"] = saving_in(terms, life, year, "plan_saved" if of_plan else "saved")
        if year < terms["years"] and life["is_new"][year]:
            row["replacement"] = -battery * moves**year
    worthless = terms["residual"]["worthless_pct"] / 100
    left = (life["health_after"] - worthless) / (1 - worthless)
    last = battery * moves ** terms["years"] * terms["residual"]["share_pct"] / 100
    rows[-1]["residual"] = last * left if left > 0 else 0.0
    for year, paid in enumerate(financing(terms, invested - given, kwh if own else 0.0)):
        rows[year]["financing"] = paid
    return rows


def saving_in(terms: Words, life: Words, year: int, which: str) -> float:
    """Return what of a year's bills is ``saved``, ``plan_saved`` or ``before``, as prices rise. [money]"""
    rest = life[which][year - 1]
    whole = 0.0
    for part in OF_BILL:
        of_part = life["parts"][which][part][year - 1]
        rise = terms["rises"][f"{part}_pct"]
        rise = terms["prices_rise_pct_per_year"] if rise is None else rise
        whole += of_part * (1 + rise / 100) ** (year - 1)
        rest -= of_part
    return float(whole + rest * (1 + terms["prices_rise_pct_per_year"] / 100) ** (year - 1))


def financing(terms: Words, invested: float, leased_kwh: float) -> list[float]:
    """Return what is lent, paid back and paid for a lease, today first. [money]

    A loan is followed year by year: interest on what is owed, then what is left of the equal sum pays
    it off. What is owed when the study's years are over is paid back then.
    """
    years = terms["years"]
    paid = [0.0] * (years + 1)
    loan, lease = terms["loan"], terms["lease"]
    if loan is not None:
        rate, worth = loan["rate_pct"] / 100, 1.0
        owed = paid[0] = invested * loan["share_pct"] / 100
        ones = sum((1 + rate) ** -n for n in range(1, loan["years"] + 1))
        sum_a_year = owed / ones
        for year in range(1, min(loan["years"], years) + 1):
            if terms["rates_are"] == "real":
                worth /= 1 + terms["inflation_pct"] / 100
            owed += owed * rate - sum_a_year
            paid[year] -= sum_a_year * worth
        if loan["years"] > years:
            paid[years] -= owed * worth
    if lease is not None and leased_kwh:
        rent = lease["per_year"] + lease["per_kwh_per_year"] * leased_kwh
        for year in range(1, years + 1):
            paid[year] -= rent
            rent *= 1 + lease["rises_pct_per_year"] / 100
    return paid


def beyond(flow: Flow, reference: Flow) -> Flow:
    """Return what is paid beyond a reference; savings are measured from its bills already."""
    return [
        {part: row[part] - (other[part] if part != "saving" else 0.0) for part in PARTS}
        for row, other in zip(flow, reference, strict=True)
    ]


def worth_now(rate: float, amounts: Sequence[float]) -> float:
    """Return what amounts of today and the ends of the years are worth today. [money]"""
    total, factor = 0.0, 1.0
    for amount in amounts:
        total += amount * factor
        factor /= 1 + rate
    return total


def back_after(rate: float, amounts: Sequence[float]) -> float | None:
    """Return after how many years a sum that was below nothing first is there again. [years]"""
    total, was_below, factor = 0.0, False, 1.0
    slack = 1e-12 * sum(map(abs, amounts))
    for year, amount in enumerate(amounts):
        before, total = total, total + amount * factor
        if was_below and total >= -slack:
            return year - 1 + -before / (amount * factor)
        was_below = total < -slack
        factor /= 1 + rate
    return None if was_below else 0.0


def figures_of(
    terms: Words, life: Words, bought: Words, flow: Flow, reference: Flow | None
) -> dict[str, float | None]:
    """Return what a cash flow comes to: the keys of ``worth`` but its rates."""
    rate = terms["discount_pct"] / 100
    net = [sum(row.values()) for row in flow]
    gains = [row["saving"] + row["residual"] for row in flow]
    costs = [gain - whole for gain, whole in zip(gains, net, strict=True)]
    energy = worth_now(rate, [0.0, *life["discharged_kwh"]])
    paid = worth_now(rate, costs)
    of_pv = terms["pv"] if bought["pv"] else 0.0
    left = worth_now(rate, [row["residual"] for row in flow])
    if reference is None:
        years = range(1, terms["years"] + 1)
        before = [0.0, *(saving_in(terms, life, year, "before") for year in years)]
    else:
        before = [-sum(row.values()) for row in reference]
    return {
        "npv": worth_now(rate, net),
        "payback_years": back_after(0.0, net),
        "discounted_payback_years": back_after(rate, net),
        "levelised": (paid - left - of_pv) / energy if energy > 0 else None,
        "benefit_cost_ratio": worth_now(rate, gains) / paid if paid > 0 else None,
        "cost": worth_now(rate, before) - worth_now(rate, net),
    }


def odd_years(terms: Words, ageing: Words, life: Words) -> Iterator[tuple[str, int, float, float]]:
    """Yield what of the years does not follow: its name, the year, what is written, what comes out.

    Health is followed where time alone takes it; use is known of planned years only.
    """
    bought, rule = 0, terms["replacement"]
    by_time = not ageing["pct_per_1000_cycles"] and ageing["warranty"] is None
    for at in range(terms["years"]):
        sun = round((1 - ageing["pv_loses_pct_per_year"] / 100) ** at, 3)
        yield "pv_frac", at + 1, life["pv_frac"][at], sun
        if life["is_new"][at]:
            if rule is not None and rule["after_years"] is not None:
                yield "is_new", at + 1, at - bought, rule["after_years"]
            bought = at
            yield "health_frac", at + 1, life["health_frac"][at], 1.0
        elif by_time:
            left = 1 - (at - bought) * ageing["calendar_pct_per_year"] / 100
            yield "health_frac", at + 1, life["health_frac"][at], round(max(left, 0.05), 3)
    planned = [at for at in range(terms["years"]) if life["is_planned"][at]]
    for one, other in pairwise(planned):
        for at in range(one + 1, other):
            for name in ("saved", "plan_saved", "discharged_kwh"):
                values = life[name]
                evenly = values[one] + (values[other] - values[one]) * (at - one) / (other - one)
                yield name, at + 1, values[at], evenly
