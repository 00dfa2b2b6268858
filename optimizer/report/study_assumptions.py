"""What a study takes for granted, in words, each with where it comes from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from optimizer.base.units import money, number, percent
from optimizer.economics.assumptions import PARTS_OF_BILL, Price, Terms
from optimizer.economics.cash_flow import Fading, WarrantyCurve
from optimizer.economics.monte_carlo import Draws
from optimizer.report.study_words import Names, against_words
from optimizer.studies.verdict import StudyResult

NO_SOURCE = "no source stated"


@dataclass(frozen=True)
class Assumption:
    """What is taken for granted, its value, and where that comes from."""

    what: str
    value: str
    source: str


def assumptions(result: StudyResult) -> list[Assumption]:
    """Return everything that a study states, with its source or that none is stated."""
    found = list(_of_terms(result.terms, result)) if result.terms is not None else []
    draws = [] if result.draws is None else _of_draws(result.draws)
    for part, stated in (("ageing", _of_fading(result.fading)), ("draws", draws)):
        source = NO_SOURCE if result.terms is None else result.terms.sources.get(part, NO_SOURCE)
        found += [Assumption(what, value, source) for what, value in stated]
    return found


def _of_terms(terms: Terms, result: StudyResult) -> Iterator[Assumption]:
    values = _values_of(terms, result)
    rises = {row["prices_rise_pct_per_year"] for row in result.rows}
    if len(rises) > 1:
        told = "; ".join(_rate(terms, rise) for rise in sorted(rises))
        values["prices_rise_pct_per_year"] = ("rise of the utility's prices, by case", told)
    for name, (what, value) in values.items():
        is_stated = name in terms.model_fields_set
        unsourced = NO_SOURCE if is_stated else f"{NO_SOURCE}; the study leaves it open"
        if name == "against" and result.reference is not None:
            unsourced = "the study's reference"
        yield Assumption(what, value, terms.sources.get(name) or unsourced)


def _values_of(terms: Terms, result: StudyResult) -> dict[str, tuple[str, str]]:
    """Return each part of the money section in words, with its value."""
    currency = result.currency
    return {
        "years": ("years looked at", number(terms.years)),
        "rates_are": ("kind of all rates", terms.rates_are),
        "discount_pct": ("discount rate", _rate(terms, terms.discount_pct)),
        "inflation_pct": ("inflation", f"{number(terms.inflation_pct, 3)} % a year"),
        "prices_rise_pct_per_year": (
            "rise of the utility's prices", _rate(terms, terms.prices_rise_pct_per_year),
        ),
        "rises": ("rises of parts of the bill", _rises(terms)),
        "loan": ("loan", _loan(terms)),
        "lease": ("lease of the battery", _lease(terms, currency)),
        "against": ("what the saving is measured from", against_words(result, Names.of(result))),
        "battery": ("price of the battery", _price(terms.battery, currency)),
        "inverter": ("price of the inverter", _price(terms.inverter, currency)),
        "pv": ("price of the PV", money(terms.pv, currency)),
        "incentive": ("incentive", _incentive(terms, currency)),
        "operating": ("cost of operation", _operating(terms, currency)),
        "replacement": ("replacement of the battery", _replacement(terms)),
        "residual": ("worth of the battery at the end", _residual(terms)),
        "taxes_per_year": ("taxes a year, as an accountant states them", _taxes(terms, currency)),
    }  # fmt: skip


def _rate(terms: Terms, rate_pct: float) -> str:
    nominal, real = terms.both_kinds(rate_pct / 100)
    stated, other = f"{percent(nominal, 2)} nominal", f"{percent(real, 2)} real"
    if terms.rates_are == "real":
        stated, other = other, stated
    return f"{stated} a year, which is {other}"


def _rises(terms: Terms) -> str:
    parts = [
        f"{part} {_rate(terms, pct)}"
        for part in PARTS_OF_BILL if (pct := getattr(terms.rises, f"{part}_pct")) is not None
    ]  # fmt: skip
    if not parts:
        return "as all others"
    return (
        f"{'; '.join(parts)}. Import is what is charged as energy, export what is credited for it, demand"
        " what goes by the highest power; fixed sums, taxes and all else rise as the rest"
    )


def _loan(terms: Terms) -> str:
    loan = terms.loan
    if loan is None:
        return "none"
    return (
        f"{number(loan.share_pct, 2)} % of the investment less the incentive, at {number(loan.rate_pct, 3)} %"
        f" nominal, paid back in {number(loan.years)} equal sums; what is owed at the end of the years looked"
        " at is paid then"
    )


def _lease(terms: Terms, currency: str) -> str:
    lease = terms.lease
    if lease is None:
        return "none"
    return (
        f"{money(lease.per_year, currency)} a year and {money(lease.per_kwh_per_year, currency)} a year per"
        f" kWh in all years looked at; rises by {_rate(terms, lease.rises_pct_per_year)}"
    )


def _price(of: Price, currency: str) -> str:
    parts = [
        f"{money(of.fixed, currency)} fixed" if of.fixed else "",
        f"{money(of.per_kwh, currency)} per kWh" if of.per_kwh else "",
        f"{money(of.per_kw, currency)} per kW" if of.per_kw else "",
    ]
    return ", ".join(part for part in parts if part) or "nothing"


def _incentive(terms: Terms, currency: str) -> str:
    of = terms.incentive
    at_most = "" if of.at_most is None else f", at most {money(of.at_most, currency)}"
    parts = [
        f"{number(of.share_pct, 2)} % of the investment{at_most}" if of.share_pct else "",
        f"a sum of {money(of.amount, currency)}" if of.amount else "",
    ]
    return " and ".join(part for part in parts if part) or "none"


def _operating(terms: Terms, currency: str) -> str:
    of = terms.operating
    parts = [
        f"{money(of.per_year, currency)} a year" if of.per_year else "",
        f"{money(of.per_kwh_per_year, currency)} a year per kWh" if of.per_kwh_per_year else "",
    ]
    costs = " and ".join(part for part in parts if part)
    return f"{costs}; rises by {_rate(terms, of.rises_pct_per_year)}" if costs else "nothing"


def _replacement(terms: Terms) -> str:
    rule = terms.replacement
    if rule is None:
        return "none"
    when = (
        f"after {number(rule.after_years)} years" if rule.after_years is not None
        else f"below {number(rule.below_pct or 0.0, 2)} % of its capacity"
    )  # fmt: skip
    often = "" if rule.at_most is None else f", at most {number(rule.at_most)} times"
    if rule.only_if_it_pays:
        often += ", only if it pays: else the old battery goes on as it fades"
    return f"{when}{often}; its price changes by {_rate(terms, rule.price_changes_pct_per_year)}"


def _residual(terms: Terms) -> str:
    of = terms.residual
    if not of.share_pct:
        return "nothing"
    return (
        f"{number(of.share_pct, 2)} % of its price then if it is as new, in proportion down to nothing at"
        f" {number(of.worthless_pct, 2)} % of its capacity"
    )


def _taxes(terms: Terms, currency: str) -> str:
    taxes = terms.taxes_per_year
    if isinstance(taxes, list):
        return f"{', '.join(money(tax) for tax in taxes)} {currency} in years 1 to {terms.years}"
    return money(taxes, currency) if taxes else "none"


def _of_fading(fading: Fading) -> list[tuple[str, str]]:
    if fading.warranty is not None:
        return [
            ("ageing of the battery, as its warranty promises", _warranty(fading.warranty)),
            *_others_of_fading(fading),
        ]
    return [
        (
            "ageing of the battery by time",
            f"{number(fading.calendar_pct_per_year, 3)} % of its new capacity a year",
        ),
        (
            "ageing of the battery by use",
            f"{number(fading.pct_per_1000_cycles, 3)} % of its new capacity in 1000 full cycles; a cycle"
            f" counts by its depth to the power of {number(fading.depth_exponent, 2)}",
        ),
        *_others_of_fading(fading),
    ]


def _warranty(curve: WarrantyCurve) -> str:
    left = ", ".join(number(pct, 2) for pct in curve.left_pct)
    use = (
        ""
        if curve.cycles is None
        else f", or of {number(curve.cycles)} full cycles if they come first"
    )
    return (
        f"{left} % of its new capacity after {number(len(curve.left_pct))} equal parts of"
        f" {number(curve.years, 2)} years{use}; behind the end as fast as before it"
    )


def _others_of_fading(fading: Fading) -> list[tuple[str, str]]:
    return [
        ("loss of the PV", f"{number(fading.pv_loses_pct_per_year, 3)} % a year"),
        (
            "planned anew",
            f"every {number(fading.replan_every_years)} years, in each battery's first and last year, and"
            " at the end",
        ),
    ]


def _of_draws(draws: Draws) -> list[tuple[str, str]]:
    return [
        ("drawn lives", f"{draws.members:,}, seed {draws.seed}"),
        ("drawn weather", f"{draws.weather_years:,} years put together from metered weeks"),
        (
            "drawn load",
            f"{draws.load_levels:,} levels, standard deviation {number(draws.load_sd_pct, 2)} %",
        ),
        (
            "drawn rise of prices",
            f"each year's own, standard deviation {number(draws.prices_rise_sd_pct, 2)} per cent a year",
        ),
    ]
