"""Says in words what a study came to; text and page share the words.

Read next: ``study_text``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.units import money, number, percent, price
from optimizer.economics.assumptions import Terms
from optimizer.economics.cash_flow import SIGNED, CashFlow
from optimizer.economics.returns import net_present_value
from optimizer.studies.study_file import OWN, Reference
from optimizer.studies.table import WAYS
from optimizer.studies.verdict import LATE_SHARE, AtSize, Row, Sized, StudyResult, Swing, Verdict

FEW = 4
"""So many sites or tariffs are named; of more it is told how many they are."""

AGAINST = {
    "no_battery": "the same site on the same tariff without a battery",
    "no_windows": "the same battery on the same tariff with no windows",
    "neither": "the same site on the same tariff with neither PV nor battery",
}
"""What a saving is measured from, in words."""

TODAYS_ROLES = ("today", "nothing bought")
"""Rows of what stands today, on today's tariff and on others."""

SOURCES = {
    "self_consumption": "PV used in the building instead of sold",
    "moved_purchases": "purchases moved to cheaper times",
    "sales": "stored energy sold",
    "demand": "lower peaks",
    "other": "wear, what is left in the battery, and what was not told apart",
}
"""Where a saving comes from, in words; the keys stand in the names of columns."""

SWINGS = {
    "battery_price_pct": "price of the battery",
    "operating_pct": "cost of operation",
    "discount_pct": "discount rate",
    "prices_rise_pct": "rise of the utility's prices a year",
    "ageing_times": "ageing of the battery",
    "load_times": "load",
    "pv_times": "PV",
}
"""What may turn out otherwise, in words."""

CHANGES = ("battery_price_pct", "operating_pct")
"""Ranges that are changes in per cent; others that end so are rates themselves."""

DIFFERENCES = {
    "way": "{}",
    "controls": "controls {}",
    "package": "package {}",
    "inverter_kw": "inverter {} kW",
    "endurance_hours": "lasting {} h",
    "load_times": "load × {}",
    "pv_times": "PV × {}",
    "prices_rise_pct_per_year": "prices rise {} % a year",
}
"""What cases of a site may differ in beside tariff and size."""


# --- names -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Names:
    """How the sites, tariffs and other choices of a study are called, as short as tells them apart."""

    sites: Mapping[str, str]
    alike: frozenset[str]
    varied: Mapping[str, tuple[str, ...]]

    @classmethod
    def of(cls, result: StudyResult) -> Names:
        """Return the names for a study's rows."""
        sites = dict.fromkeys(str(row["site"]) for row in result.rows)
        tariffs = {(row["site"], row["tariff"], row["tariff_name"]) for row in result.rows}
        pairs = [(site, name) for site, _tariff, name in tariffs]
        alike = frozenset(name for site, name in pairs if pairs.count((site, name)) > 1)
        varied = {site: _varied([r for r in result.rows if r["site"] == site]) for site in sites}
        return cls(_short(list(sites)), alike, varied)

    def site(self, row: Row) -> str:
        """Return the name of a row's site."""
        return self.sites[row["site"]]

    def tariff(self, row: Row) -> str:
        """Return the name of a row's tariff, with that of its file where two have the same."""
        name, file = str(row["tariff_name"]), Path(str(row["tariff"])).stem
        return f"{name} ({file})" if name in self.alike else name

    def otherwise(self, row: Row) -> str:
        """Return what else tells a row from others of its site; often nothing."""
        varied = self.varied[row["site"]]
        return _told_apart(row, varied)

    def others(self, row: Row) -> str:
        """Return the same but for how it is run."""
        varied = [name for name in self.varied[row["site"]] if name != "way"]
        return _told_apart(row, varied)

    def terms(self, row: Row) -> str:
        """Return a row's tariff and what else it differs in."""
        parts = (f"tariff {self.tariff(row)}", self.otherwise(row))
        return ", ".join(part for part in parts if part)

    def case(self, row: Row) -> str:
        """Return the same with the site."""
        return f"{self.site(row)}, {self.terms(row)}"


def _short(sites: list[str]) -> dict[str, str]:
    for count in range(1, 1 + max((len(Path(site).parts) for site in sites), default=0)):
        names = {site: "/".join(Path(site).parts[-count:]) or site for site in sites}
        if len(set(names.values())) == len(sites):
            return names
    return {site: site for site in sites}


def _varied(rows: Sequence[Row]) -> tuple[str, ...]:
    return tuple(name for name in DIFFERENCES if len({row[name] for row in rows}) > 1)


def _told_apart(row: Row, varied: Sequence[str]) -> str:
    """Return what a row has of what varies, in words."""
    told = {name: row[name] for name in varied if row[name] is not None}
    return ", ".join(DIFFERENCES[name].format(_plain(value)) for name, value in told.items())


def _plain(value: Any) -> str:
    return number(value, 3) if isinstance(value, int | float) else str(value)


def size_text(row: Row) -> str:
    """Return a row's battery: ``10 kWh and 5 kW``."""
    if row["battery_kwh"] is None:
        return "each site's own size"
    if not row["battery_kwh"]:
        return str(row["way"])
    return f"{number(row['battery_kwh'], 2)} kWh and {_kw(row)}"


def _kw(row: Row) -> str:
    kw = row["discharge_kw"]
    return "each site's own power" if kw is None else f"{number(kw, 2)} kW"


# --- the ranked table ------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """A column of the ranked table: its heading, and what stands in it for a row."""

    heading: str
    cell: Callable[[Row], str]
    is_number: bool = True


def columns_of(result: StudyResult, names: Names, *, in_full: bool) -> list[Column]:
    """Return the columns of the ranked table; ``in_full`` with bills and investments too."""
    unit = result.money
    span = span_words(result)
    bill = Column(f"bill {span}", lambda row: money(row[f"bill_{unit}"]))
    saves = "saves" if result.reference else "windows save"
    return [
        *_name_columns(names),
        Column("size, kWh / kW", _size_cell),
        *([bill] if in_full else []),
        Column(f"{saves} {span}", lambda row: money(saved(result, row))),
        Column("kept share", _kept_cell),
        *(_money_columns(result, in_full=in_full) if result.terms is not None else []),
    ]


def _name_columns(names: Names) -> list[Column]:
    return [
        *([Column("site", names.site, is_number=False)] if len(names.sites) > 1 else []),
        Column("tariff", names.tariff, is_number=False),
        *(
            [Column("otherwise", names.otherwise, is_number=False)]
            if any(names.varied.values())
            else []
        ),
    ]


def _money_columns(result: StudyResult, *, in_full: bool) -> list[Column]:
    unit, with_cost = result.money, in_full or result.reference is not None
    cost = Column("present cost of all", lambda row: money(row[f"cost_present_value_{unit}"]))
    rate = Column("internal rate of return", rate_text)
    bought = Column("investment", lambda row: money(row[f"investment_{unit}"]))

    def payback(row: Row) -> str:
        if row["role"] in TODAYS_ROLES:
            return "–"
        return _payback_text(row["discounted_payback_years"], row[f"npv_{unit}"])

    return [
        *([bought] if in_full else []),
        Column("net present value", lambda row: money(row[f"npv_{unit}"])),
        *([cost] if with_cost else []),
        *([rate] if in_full or result.reference is None else []),
        Column("discounted payback, years", payback),
    ]


def _size_cell(row: Row) -> str:
    if row["battery_kwh"] is None:
        return "own"
    if not row["battery_kwh"]:
        return "none"
    return f"{number(row['battery_kwh'], 2)} / {_kw(row).removesuffix(' kW')}"


def _kept_cell(row: Row) -> str:
    return _share(row["kept_share_pct"] if row["way"] == WAYS["windows"] else None)


def _payback_text(years: float | None, npv: float) -> str:
    """Return a discounted payback; what comes later, such as a replacement, may take it back."""
    return "lost again" if years is not None and npv < 0 else _years(years)


def saved(result: StudyResult, row: Row) -> float:
    """Return what a row saves in the first year over what it is measured from. [money]"""
    return float(row[f"saves_{result.money}"])


def rate_text(row: Row) -> str:
    """Return the internal rate of return, or that there is none or that there are several."""
    if row["internal_rate_pct"] is not None:
        return f"{row['internal_rate_pct']:,.1f} %"
    return "several" if row["internal_rates_found"] else "none"


def _share(share_pct: float | None) -> str:
    return "–" if share_pct is None else f"{number(share_pct, 0)} %"


def _years(years: float | None) -> str:
    return "never" if years is None else f"{years:.1f}"


def ranked_once(result: StudyResult) -> list[Row]:
    """Return the ranked rows without best sizes that stand among the listed cases already."""
    told = (*DIFFERENCES, "site", "tariff", "battery_kwh", "discharge_kw", "charge_kw")
    found: dict[tuple[Any, ...], Row] = {}
    for row in result.ranked:
        found.setdefault(tuple(row[name] for name in told), row)
    return list(found.values())


def ranking_words(result: StudyResult) -> str:
    """Return by what cases are ranked, in words."""
    return (
        "net present value"
        if result.terms is not None
        else f"saving {span_words(result)} by windows"
    )


def span_words(result: StudyResult) -> str:
    """Return over what a row's figures of energy and money are."""
    return "a year" if result.is_of_years else "over the forecast"


def order_note(result: StudyResult) -> str:
    """Return why rows stand in two parts, where they do."""
    if all(map(result.is_as_stated, result.done)):
        return ""
    return (
        "Cases with the rise of prices, the load and the PV that are stated come first; the others show what"
        " would be otherwise."
    )


# --- sentences -------------------------------------------------------------------------------


def counts_sentence(result: StudyResult) -> str:
    """Return how many cases are done, failed and left out."""
    counts = {
        status: sum(row["status"] == status for row in result.rows)
        for status in ("done", "failed", "left out")
    }
    told = ", ".join(f"{count:,} {status}" for status, count in counts.items() if count)
    sites = len({row["site"] for row in result.rows} - set(result.together))
    added = f", {len(result.sized):,} of them best sizes" if result.sized else ""
    tried = sum(row["role"] == "tried size" for row in result.rows)
    added += f" and {tried:,} tried beside them" if tried else ""
    of_sites = f"{_counted(len(result.rows), 'case')} of {_counted(sites, 'site')}{added}: {told}."
    return of_sites + together_words(result)


def together_words(result: StudyResult) -> str:
    """Return which sites are decided together, and what their figures are; empty where none are."""
    told = ""
    for name, sites in result.together.items():
        each = ", ".join(f"{times:,} × {Path(site).name}" for site, times in sites.items())
        told += (
            f" '{name}' is decided together for {each}: the same is bought once for each of them."
        )
    if not told:
        return ""
    return (
        f"{told} Its money, energy and windows are sums over all of them, each with a meter, a bill and"
        " windows of its own; payback, rates and the price that breaks even are those of the sum, and peaks"
        " have none. It is ranked in place of its sites, whose own rows stand in the tables."
    )


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def asked_sentence(result: StudyResult, names: Names) -> str:
    """Return which sizes, tariffs and sites were looked at."""
    sizes = sorted({row["battery_kwh"] for row in result.rows if row["battery_kwh"]})
    tariffs = list(dict.fromkeys(names.tariff(row) for row in result.rows))
    told = (
        f"{number(sizes[0], 2)} kWh" if len(sizes) == 1
        else f"{number(sizes[0], 2)} to {number(sizes[-1], 2)} kWh ({len(sizes):,} sizes)"
    )  # fmt: skip
    return f"Batteries of {told} on {_named(tariffs, 'tariff')} at {_named(names.sites.values(), 'site')}."


def _named(names: Collection[str], what: str) -> str:
    if len(names) > FEW:
        return f"{len(names):,} {what}s"
    return f"the {what}{'' if len(names) == 1 else 's'} {', '.join(names)}"


def against_words(result: StudyResult, names: Names) -> str:
    """Return what savings are measured from."""
    reference = result.reference
    if reference is None:
        return AGAINST[result.terms.against if result.terms else "no_battery"]
    todays = {names.tariff(row) for row in result.rows if row["role"] == "today"}
    tariff = next(iter(todays)) if len(todays) == 1 else f"{len(todays):,} tariffs"
    if reference.tariff == OWN and len(todays) != 1:
        tariff = "each site's own tariff"
    return f"today: {tariff}, {_equipment_words(reference)}"


def _equipment_words(reference: Reference) -> str:
    if reference.battery == OWN:
        return "the battery that stands there, with no windows"
    return WAYS["neither" if reference.pv == "none" else "no_battery"]


MOST_ADVICE = 12
"""So many sites and tariffs are advised on in words."""


def advice(result: StudyResult, names: Names) -> list[str]:
    """Return for each site and tariff what to buy, and what a battery must cost to pay."""
    if result.terms is None:
        return []
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in filter(result.is_as_stated, result.ranked):
        groups.setdefault((row["site"], row["tariff"]), []).append(row)
    told = [
        _advice_on(result, names, rows, result.terms)
        for rows in list(groups.values())[:MOST_ADVICE]
    ]
    more = len(groups) - len(told)
    return [*told, *([f"{more:,} more sites and tariffs stand in the tables."] if more > 0 else [])]


def _advice_on(result: StudyResult, names: Names, rows: Sequence[Row], terms: Terms) -> str:
    best, unit = rows[0], result.money
    site = f" at {names.site(best)}" if len(names.sites) > 1 else ""
    todays = "today's " if any(row["role"] == "today" for row in rows) else ""
    where = f"On {todays}{names.tariff(best)}{site}"
    worth = best[f"npv_{unit}"]
    gain = f"net present value {money(worth, result.currency)}"
    paid = best[f"cost_present_value_{unit}"]
    gain += f"; all that is paid comes to {money(paid)}"
    is_bought = best["role"] not in TODAYS_ROLES and (result.reference is not None or worth > 0)
    if best["role"] == "today":
        what = f"change nothing ({gain})"
    elif not is_bought:
        what = "buy nothing" + (f" ({gain})" if result.reference is not None else "")
    else:
        what = f"{'the least is lost with ' if worth < 0 else ''}{_bought(result, best)} ({gain})"
    bought = best if is_bought and best["battery_kwh"] and worth > 0 else None
    pays = "" if terms.against == "no_windows" else _price_that_pays(result, rows, bought)
    edge = _edge_of_sizes(rows, bought) if bought else ""
    return " ".join(part for part in (f"{where}: {what}.", pays, edge) if part)


def _edge_of_sizes(rows: Sequence[Row], bought: Row) -> str:
    """Return that a size that is bought is the first or the last of those looked at, where it is."""
    sizes = {row["battery_kwh"] for row in rows if row["way"] == WAYS["windows"]}
    if len(sizes) < 2 or min(sizes) < bought["battery_kwh"] < max(sizes):
        return ""
    end, other = EDGES[bought["battery_kwh"] == max(sizes)]
    return f"It is the {end} size that was looked at: a {other} one may be worth more."


EDGES = (("smallest", "smaller"), ("largest", "larger"))
"""How the ends of a row of sizes are called, and what lies beyond."""


def _bought(result: StudyResult, row: Row) -> str:
    """Return what a row asks for."""
    if not row["battery_kwh"]:
        return "the PV alone"
    reference = result.reference
    has_battery = reference is not None and reference.battery == OWN
    stands = has_battery and row[f"investment_{result.money}"] == 0
    whose = "the battery that stands there" if stands else f"a battery of {size_text(row)}"
    return f"{whose}, {row['way']}"


def _price_that_pays(result: StudyResult, rows: Sequence[Row], bought: Row | None) -> str:
    """Return the price at which the battery that is bought pays just, or else the one nearest to paying."""
    name, unit = f"break_even_price_{result.money}_per_kwh", result.money
    priced = [row for row in ([bought] if bought else rows) if row[name] is not None]
    if not priced:
        might = bought is None and any(row["battery_kwh"] for row in rows)
        return "No battery among the cases pays there, whatever it costs." if might else ""
    best = max(priced, key=lambda row: row[name] - (row[f"price_{unit}_per_kwh"] or 0.0))
    stated = best[f"price_{unit}_per_kwh"]
    beside = "it is leased" if stated is None else f"stated: {money(stated)}"
    just = money(best[name], result.currency)
    if bought:
        return f"It pays up to {just} a kWh, all of it counted ({beside})."
    return (
        f"The battery must cost {just} a kWh or less to pay, all of it counted ({size_text(best)},"
        f" {best['way']}; {beside})."
    )


def answer(result: StudyResult, names: Names) -> list[str]:
    """Return what a study found, in two or three sentences."""
    if not result.ranked:
        return ["No case came to a result; the reasons stand below."]
    if result.terms is None:
        return [_most_saved(result, names), "No prices are stated, so what it costs is left open."]
    first = _best_of_all if result.reference is None else _best_of_today
    sentences = [first(result, names, result.terms)]
    if len(bests(result)) > 1:
        sentences.append(_of_sites(result, names))
    closely = [each for each in result.verdicts if each.number == result.ranked[0]["case"]]
    return [*sentences, *(sentence for each in closely for sentence in _chances(result, each))]


def _most_saved(result: StudyResult, names: Names) -> str:
    best = result.ranked[0]
    return (
        f"Of {_counted(len(result.done), 'case')} the most is saved with {_with(best)}"
        f" ({names.case(best)}): {money(saved(result, best), result.currency)} {span_words(result)}"
        f"{_by_windows(best)}, over {against_words(result, names)}."
    )


def _best_of_all(result: StudyResult, names: Names, terms: Terms) -> str:
    best = result.ranked[0]
    npv = best[f"npv_{result.money}"]
    place = f"a battery of {size_text(best)} ({names.case(best)})"
    over = f"over {_counted(terms.years, 'year')} at {number(terms.discount_pct, 2)} % {terms.rates_are}"
    if npv <= 0:
        return (
            f"No case is worth what it costs {over}. The least is lost with {place}: a net present value"
            f" of {money(npv, result.currency)}."
        )
    return (
        f"The best of {_counted(len(result.done), 'case')} is {place}: by windows that can be typed in"
        f" it saves {money(saved(result, best), result.currency)} in the first year, and {over} it is worth"
        f" {money(npv, result.currency)} more than it costs (net present value); it is paid back in"
        f" {_years(best['discounted_payback_years'])} years, discounted."
    )


def _with(row: Row) -> str:
    return f"a battery of {size_text(row)}" if row["battery_kwh"] else str(row["way"])


def _by_windows(row: Row) -> str:
    return " by windows that can be typed in" if row["way"] == WAYS["windows"] else ""


def _best_of_today(result: StudyResult, names: Names, terms: Terms) -> str:
    """Return what is best measured from today, in words that a client decides by."""
    best, unit = result.ranked[0], result.money
    over = f"over {_counted(terms.years, 'year')} at {number(terms.discount_pct, 2)} % {terms.rates_are}"
    present = money(best[f"cost_present_value_{unit}"], result.currency)
    paid = f"all that is paid comes to {present} today"
    if best["role"] == "today":
        return f"Leave it as it is ({names.case(best)}): nothing costs less {over}; {paid}."
    gain = money(best[f"npv_{unit}"], result.currency)
    less = money(best[f"cost_present_value_{unit}"] + best[f"npv_{unit}"])
    if best["role"] == "nothing bought":
        do = f"Change the tariff and buy nothing ({names.case(best)})"
    else:
        do = f"Best is {_bought(result, best)} ({names.site(best)}, tariff {names.tariff(best)})"
    return (
        f"{do}: it saves {money(saved(result, best), result.currency)} in the first year, and {over} it is"
        f" worth {gain} more than it costs (net present value): {paid}, in place of {less} as it is now."
    )


def bests(result: StudyResult) -> list[Row]:
    """Return the best row of each site, the best site first."""
    found: dict[str, Row] = {}
    for row in result.ranked:
        found.setdefault(row["site"], row)
    return list(found.values())


def _of_sites(result: StudyResult, names: Names) -> str:
    best = bests(result)
    if len(best) > FEW:
        paying = sum(row[result.measure] > 0 for row in best)
        return f"At {paying:,} of {len(best):,} sites the best case is worth more than it costs."
    others = "; ".join(
        f"{names.site(row)}: {size_text(row)}, {money(row[result.measure], result.currency)}"
        for row in best[1:]
    )
    return f"Best elsewhere, with its net present value: {others}."


def _chances(result: StudyResult, verdict: Verdict) -> list[str]:
    if verdict.chances is None or result.draws is None:
        return []
    quantiles = verdict.chances.quantiles()["npv"]
    low, middle, high = (money(value) for value in quantiles)
    fitted = []
    if verdict.money.worth.npv > quantiles[-1]:
        fitted = [
            "The value on the forecast lies above nine in ten of them, for its windows were fitted to just"
            " that year: go by the drawn lives."
        ]
    return [
        f"In {result.draws.members:,} drawn lives the net present value is at most {low} in one of ten"
        f" (P10), {middle} in half of them (P50) and {high} in nine of ten (P90);"
        f" {percent(verdict.chances.share_that_pays)} of them are worth more than they cost.",
        *fitted,
    ]


def money_paragraphs(result: StudyResult, verdict: Verdict) -> list[str]:
    """Return what a case costs and comes to, how sure that is, and its ratios."""
    row, terms = verdict.row, result.terms
    if terms is None:
        return []
    npv, of_plan = row[f"npv_{result.money}"], row[f"npv_of_plan_{result.money}"]
    comes_to = (
        f"Net present value over {_counted(terms.years, 'year')} at {number(terms.discount_pct, 2)} %"
        f" {terms.rates_are}: {money(npv, result.currency)}; the cheapest plan, which no equipment can"
        f" run, would come to {money(of_plan)}."
    )
    paragraphs = [
        f"{_paid_back(result, verdict, terms)} {comes_to}",
        _of_the_tariff(result, row),
        late_replacement(result, verdict),
        _floors(result, verdict),
        " ".join(_chances(result, verdict)),
        " ".join(_ratios(result, verdict)),
    ]
    return [paragraph for paragraph in paragraphs if paragraph]


def _of_the_tariff(result: StudyResult, row: Row) -> str:
    """Return what of a worth comes with the change of tariff alone; empty where the tariff stays."""
    bare = worth_of_nothing(result, row)
    if not bare:
        return ""
    beyond = money(row[result.measure] - bare, result.currency)
    return (
        f"The change of tariff counts in all of these: it alone, with nothing bought, is worth"
        f" {money(bare, result.currency)}; what is bought adds {beyond} to that."
    )


def _floors(result: StudyResult, verdict: Verdict) -> str:
    """Return what floors for a wished endurance cost over the years; empty if none is wished for."""
    cost, hours = verdict.floors_cost, number(verdict.row["endurance_hours"], 2)
    if cost is None:
        return ""
    return (
        f"Floors that let it last {hours} h when the grid fails take {money(cost, result.currency)} from the"
        " net present value, beside the same battery without them."
    )


def _paid_back(result: StudyResult, verdict: Verdict, terms: Terms) -> str:
    row = verdict.row
    invested = money(row[f"investment_{result.money}"], result.currency)
    given = row[f"incentive_{result.money}"]
    bought = f"The investment of {invested}" + (f", less {money(given)} given," if given else "")
    lent = float(verdict.money.flow.financing[0])
    bought += f", {money(lent)} of it lent," if lent > 0 else ""
    plain, discounted = row["payback_years"], row["discounted_payback_years"]
    if plain is None:
        return f"{bought} is not paid back within {_counted(terms.years, 'year')}."
    if not verdict.money.worth.stays_paid_back:
        return (
            f"{bought} is first paid back in {number(plain)} years, but what is paid later, such as a"
            " replacement, is not earned again."
        )
    with_rate = "never" if discounted is None else f"in {number(discounted)}"
    return f"{bought} is paid back in {number(plain)} years; discounted, {with_rate}."


def _ratios(result: StudyResult, verdict: Verdict) -> Iterator[str]:
    row = verdict.row
    cost, ratio = row[f"levelised_cost_{result.money}_per_kwh"], row["benefit_cost_ratio"]
    if row["internal_rates_found"] > 1:
        rates = " and ".join(percent(rate, 1) for rate in verdict.money.worth.rates)
        yield (
            f"Its cash flow has several internal rates of return ({rates}), so none of them may be used;"
            " go by the net present value."
        )
    elif row["internal_rate_pct"] is None:
        yield "It has no internal rate of return."
    else:
        yield f"Internal rate of return: {rate_text(row)}."
    if ratio is not None:
        yield f"Benefit-cost ratio: {number(ratio, 2)}."
    if cost is not None:
        yield (
            f"Levelised cost of a discharged kWh, without the energy that fills the battery:"
            f" {price(cost)} {result.currency}."
        )


def closely_words(result: StudyResult, verdict: Verdict) -> str:
    """Return why a case is looked at closely."""
    best = next((row for row in result.ranked if row["site"] == verdict.row["site"]), None)
    if best is None:
        return "the share in what is best together"
    return "the best case" if best["case"] == verdict.number else "the best battery with windows"


def source_rows(result: StudyResult, row: Row) -> list[tuple[str, float]]:
    """Return each source of a row's saving over no battery in words, with its amount."""
    return [(words, float(row[f"from_{key}_{result.money}"])) for key, words in SOURCES.items()]


def sources_sentence(result: StudyResult, row: Row) -> str:
    """Return where a row's saving comes from."""
    whole = money(row[f"windows_save_over_no_battery_{result.money}"], result.currency)
    parts = "; ".join(f"{words} {money(amount)}" for words, amount in source_rows(result, row))
    when = "in the first year" if result.is_of_years else "over the forecast"
    return f"Of {whole} that the windows save {when} over no battery: {parts}."


def marginal_rows(result: StudyResult, row: Row) -> list[tuple[str, float]]:
    """Return what one unit more of each part of the equipment would save the cheapest plan a year."""
    unit = result.money
    worths = {
        "one kWh more of battery": f"worth_of_battery_{unit}_per_kwh",
        "one kWh more of battery, its power growing along": (
            f"worth_of_battery_and_its_power_{unit}_per_kwh"
        ),
        "one kW more of inverter": f"worth_of_inverter_{unit}_per_kw",
        "one kW more of connection": f"worth_of_connection_{unit}_per_kw",
    }
    return [(what, row[name]) for what, name in worths.items() if row[name] is not None]


def marginal_sentence(result: StudyResult, row: Row) -> str:
    """Return the same as a sentence."""
    rows = marginal_rows(result, row)
    worths = "; ".join(f"{what} {money(worth, result.currency)}" for what, worth in rows)
    when = span_words(result)
    return f"Worth {when} to the cheapest plan, with new equipment: {worths}." if rows else ""


def end_text(name: str, end: float) -> str:
    """Return an end of a range in its unit: ``-20 %``, ``3 %``, ``0.9 times``."""
    if name.endswith("_times"):
        return f"{number(end, 3)} times"
    sign = "+" if name in CHANGES and end > 0 else ""
    return f"{sign}{number(end, 2)} %"


def swing_words(swing: Swing) -> str:
    """Return what turns out otherwise."""
    return SWINGS.get(swing.name, swing.name)


def npv_or_failed(npv: float | None) -> str:
    """Return a net present value, or that there is none."""
    return "failed" if npv is None else money(npv)


def size_sentence(result: StudyResult, names: Names, sized: Sized) -> str:
    """Return the best size of a site and tariff, among which it was valued, and what the plan guessed."""
    row = next(row for row in result.rows if row["case"] == sized.case)
    size = number(row["battery_kwh"], 2)
    if row["status"] != "done":
        return (
            f"{names.case(row)}: {_guess_words(result, sized)} That is no more than a guess: its windows"
            f" {row['status']}."
        )
    npv = row[result.measure]
    kinds = "with windows and ageing"
    bare = worth_of_nothing(result, row)
    if npv > bare:
        of_it = f", {money(npv - bare)} of it by the battery and not by the tariff" if bare else ""
        told = f"{size} kWh, worth {{}} more than it costs {kinds}{of_it}: the most"
    else:
        less = f"worth {money(bare - npv)} less than buying nothing on this tariff"
        lost = less if bare else "not worth what it costs"
        told = f"Even the best of them, {size} kWh, is {lost}: {{}} {kinds}, the most"
    of = f" of {_counted(sized.asked, 'size')} that are asked for" if sized.asked else ""
    return (
        f"{names.case(row)}: {told.format(money(npv, result.currency))} of the"
        f" {len(sized.valued):,} that were valued so{of}."
        f"{_beside(sized, row['battery_kwh'], pays=npv > bare)} {_guess_words(result, sized)}"
    )


def worth_of_nothing(result: StudyResult, row: Row) -> float:
    """Return what it is worth to buy nothing on a row's tariff: 0 without a change of tariff. [money]"""
    alike = ("site", "tariff", "load_times", "pv_times", "prices_rise_pct_per_year")
    for other in result.done:
        if other["role"] in TODAYS_ROLES and all(other[name] == row[name] for name in alike):
            return float(other[result.measure])
    return 0.0


def _beside(sized: Sized, size_kwh: float, *, pays: bool) -> str:
    """Return that a best size stands at an end of the row, where it does, and how to look beyond.

    Below the smallest size that does not pay the best is none.
    """
    if len(sized.valued) < 2 or min(sized.valued) < size_kwh < max(sized.valued):
        return ""
    is_last = size_kwh == max(sized.valued)
    if not (is_last or pays):
        return ""
    end, other = EDGES[is_last]
    key = "to_kwh" if is_last else "from_kwh"
    return f" That is the {end} size asked for, so the best may lie beyond: give best_size a {other} {key}."


def size_rows(result: StudyResult, sized: Sized) -> tuple[list[str], list[list[str]]]:
    """Return headings and rows of what each size comes to that was valued."""
    is_drawn = any(each.spread for each in sized.along)
    heads = [
        "kWh", "net present value", *(["in eight of ten lives"] if is_drawn else []),
        "stated price, per kWh", "breaks even at, per kWh", "discounted payback, years", "replaced",
    ]  # fmt: skip

    def cells(each: AtSize) -> list[str]:
        spread = each.spread
        drawn = "–" if spread is None else f"{money(spread[0])} to {money(spread[-1])}"
        prices = ["–" if one is None else money(one) for one in (each.price, each.break_even)]
        return [
            number(each.size_kwh, 2), money(each.npv), *([drawn] if is_drawn else []), *prices,
            _payback_text(each.discounted_payback_years, each.npv), f"{each.replacements} ×",
        ]  # fmt: skip

    return heads, [cells(each) for each in sized.along]


def cliff_sentences(result: StudyResult, sized: Sized) -> list[str]:
    """Return at which sizes the number of replacements changes, why, and how the worth jumps there."""
    rule = None if result.terms is None else result.terms.replacement
    if_it_pays = rule is not None and rule.only_if_it_pays

    def why(one: AtSize, other: AtSize) -> str:
        if if_it_pays:
            return "for so often it pays"
        return f"for each of its kWh is used {'less' if other.replacements < one.replacements else 'more'}"

    told = [
        f"A battery of {number(one.size_kwh, 2)} kWh is {_replaced(one)} within the years, one of"
        f" {number(other.size_kwh, 2)} kWh {_replaced(other)}, {why(one, other)}: there the net present"
        f" value goes from {money(one.npv, result.currency)} to {money(other.npv)}."
        for one, other in pairwise(sized.along)
        if one.replacements != other.replacements
    ]
    left_out = "replacement.only_if_it_pays leaves out a replacement that is not earned again."
    return [*told, left_out] if told and not if_it_pays else told


def _replaced(each: AtSize) -> str:
    few = {0: "not replaced", 1: "replaced once", 2: "replaced twice"}
    return few.get(each.replacements, f"replaced {each.replacements} times")


def late_replacement(result: StudyResult, verdict: Verdict) -> str:
    """Return that a battery is replaced shortly before the end, what for, and what can be done about it."""
    life, flow, terms = verdict.money.life, verdict.money.flow, result.terms
    years = [int(year) for year in np.flatnonzero(life.is_new)]
    if not years or terms is None:
        return ""
    since = years[-2] if len(years) > 1 else 0
    serves, lasted = terms.years - years[-1], years[-1] - since
    if serves > LATE_SHARE * lasted:
        return ""
    paid = -float(flow.replacement[years[-1]]) * (1 + terms.discount) ** -years[-1]
    back = float(flow.residual[-1]) * (1 + terms.discount) ** -terms.years
    told = (
        f"The battery is replaced for the last time after year {years[-1]}, though the one before lasted"
        f" {_counted(lasted, 'year')} and only {_counted(serves, 'year')} are looked at after it. In money"
        f" of today {money(paid, result.currency)} is paid for that, and {money(back)} left at the end."
    )
    if terms.replacement is not None and terms.replacement.only_if_it_pays:
        return f"{told} It pays nevertheless."
    return f"{told} With replacement.only_if_it_pays it is done only where it pays; or look at other years."


def _guess_words(result: StudyResult, sized: Sized) -> str:
    """Return the size that the cheapest plan points to, and what it was found with."""
    best = sized.best
    sure = "" if best.is_proven else ", not proven, for the plan needs whole numbers"
    return (
        f"The cheapest plan with equipment that stays as new points to {number(best.size_kwh, 2)} kWh, net"
        f" present value {money(best.value, result.currency)}"
        f" (first guess, in {_counted(len(best.planned), 'plan')}{sure})."
    )


def not_done(result: StudyResult, names: Names) -> list[str]:
    """Return failed and left out cases with their reasons; alike reasons stand once."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in result.rows:
        if row["status"] != "done":
            alike = re.sub(r"\d[\d.,:]*", "#", row["reason"])
            groups.setdefault((row["status"], alike), []).append(row)
    return [
        f"{_counted(len(rows), 'case')} {status}: {_reason(rows)} ({_which(rows, names)})"
        for (status, _alike), rows in groups.items()
    ]


def _reason(rows: Sequence[Row]) -> str:
    reasons = list(dict.fromkeys(str(row["reason"]) for row in rows))
    return reasons[0] if len(reasons) == 1 else f"such as: {reasons[0]}"


def _which(rows: Sequence[Row], names: Names) -> str:
    first = rows[0]
    case = f"case {first['case']}: {names.case(first)}, {size_text(first)}"
    return case if len(rows) == 1 else f"the first is {case}"


def cautions(result: StudyResult) -> list[str]:
    """Return what a reader has to know before acting on a study."""
    found = [
        "Bills and savings are estimates from a forecast; the utility's tariff sheet decides. The past is"
        " no promise: weather, loads and prices of other years will differ.",
        "Windows are what a person can type in. The cheapest plan knows all weather beforehand and can be"
        " run by no equipment; it only says how much there is to gain at most.",
    ]
    if result.terms is not None:
        found.append(
            "Taxes and incentives count as they are stated, and are for an accountant to judge."
        )
    if any((row.get("internal_rates_found") or 0) > 1 for row in result.done):
        found.append(
            "Where several internal rates of return are found none of them may be used; go by the net"
            " present value."
        )
    if result.reference is not None:
        found.append(
            "Without windows a battery is taken to be used, and to age, as with them. What stands today is"
            " taken to be as new."
        )
    elif len({(row["site"], row["tariff"]) for row in result.ranked}) > len(bests(result)):
        found.append(
            "Each case is held against the same site on the same tariff, and what a change of tariff brings"
            " by itself does not count. With 'reference: {}' in the study all is measured from today's tariff"
            " without a battery."
        )
    return [*found, *result.notes]


def flow_rows(flow: CashFlow) -> list[dict[str, float]]:
    """Return a cash flow year by year: its parts, their sum, and what all to then is worth today."""
    net = flow.net
    return [
        {
            "year": year,
            **{name: float(getattr(flow, name)[year]) for name in SIGNED},
            "net": float(net[year]),
            "discounted_so_far": net_present_value(flow.rate, net[: year + 1]),
        }
        for year in range(len(net))
    ]
