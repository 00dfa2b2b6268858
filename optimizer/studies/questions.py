"""Questions: what each row needs to know, asked one piece of work after the other.

A question is a generator. It yields what it wants done, is sent the answer, and returns its result in
the end. So the order of asking reads like the sum it is, while many questions are carried out side by
side and whatever two of them want is done once. Read next: ``table``.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar, cast

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number
from optimizer.economics.assumptions import Against, Terms
from optimizer.economics.best_size import BestSize, Planned, best_size
from optimizer.economics.cash_flow import CashFlow, Life, Money, Wear, YearFigures
from optimizer.economics.monte_carlo import Chances, Draws, chances_of
from optimizer.economics.valued import Part, Summary, Years, lives_of, money_of
from optimizer.studies.answers import (
    Answer,
    Asked,
    Bare,
    BillFigures,
    Bounds,
    BoundsAsked,
    Drawn,
    DrawsAsked,
    Failure,
    RunFigures,
    Searched,
    Slope,
    SlopeAsked,
    Sums,
)
from optimizer.studies.cases import WITHOUT_BATTERY, Case, Family, Joint, Manner, Run, Way
from optimizer.studies.study_file import BestSize as SizesToTry
from optimizer.studies.verdict import Source, Swing

SLIGHTLY = 1e-3
"""By how much a size is moved for the slope of its price. [kWh]"""


@dataclass(frozen=True)
class Wanted:
    """A piece of work that a question waits for; see ``worker.Job``."""

    family: Family
    kind: str
    run: Run
    more: Asked = None


@dataclass(frozen=True)
class Valued:
    """What a case came to.

    ``status`` is done, failed or left out, the latter two with a reason. ``figures`` are those of the
    new equipment, None without a battery; ``money`` is there if the study states prices. ``own`` and
    ``before`` are the bills of the first year as this case is run and as it is measured from.
    """

    case: Case
    status: str
    reason: str = ""
    figures: RunFigures | None = None
    money: Summary | None = None
    own: BillFigures | None = None
    before: BillFigures | None = None
    joint: Joint | None = None

    @property
    def brief(self) -> Valued:
        """The same without the figures of its years, which a table has by then."""
        return replace(self, figures=None, own=None, before=None)

    @property
    def decided(self) -> Case | Joint:
        """What is decided: for several sites, of whose cases ``case`` is the first, or for one."""
        return self.joint or self.case


Question = Generator[Wanted | Sums, Any, Any]
"""Yields the work that it wants done, or money that it wants summed up; is sent what came of it."""

Found = TypeVar("Found")
Asking = Generator[Wanted, Answer, Found]
"""The same where years are asked for alone."""


class Failed(Exception):
    """A piece of work that a question needs has failed."""


Kind = TypeVar("Kind", Searched, Slope, Bounds, Drawn, Bare)


def _known(answer: Answer, kind: type[Kind]) -> Kind:
    """Return an answer of the kind that was asked for; raise that it failed."""
    if isinstance(answer, Failure):
        raise Failed(answer.reason)
    assert isinstance(answer, kind)
    return answer


def value_of(case: Case, *, hopeless_among: Sequence[Run] = ()) -> Question:
    """Ask for all that a row needs.

    Parameters
    ----------
    case : Case
        The row.
    hopeless_among : sequence of Run
        If not empty, the case is left out if the family's own battery is worth more than this one
        can be; these are the runs of the family that are bounded, in one piece of work.
    """
    try:
        if hopeless_among:
            reason = yield from _why_hopeless(case, hopeless_among)
            if reason:
                return Valued(case, "left out", reason)
        known = yield from _first_year(case)
        if case.terms is None:
            return known
        part = yield from part_of(case, case.terms)
    except Failed as failure:
        return Valued(case, "failed", str(failure))
    return _summed(known, (yield Sums((part,))))


def value_together(joint: Joint) -> Question:
    """Ask for all that the row of a decision for several sites needs; what is lacking at one lacks at all."""
    if joint.lacking:
        lacking = ", ".join(joint.lacking)
        told = f"it is no case at {lacking}, so there is no sum"
        return Valued(joint.first, "left out", told, joint=joint)
    years: list[tuple[int, Valued]] = []
    parts: list[Part] = []
    for times, case in joint.parts:
        try:
            years.append((times, (yield from _first_year(case))))
            if case.terms is not None:
                parts.append(replace((yield from part_of(case, case.terms)), times=times))
        except Failed as failure:
            told = f"at {case.family.site}: {failure}"
            return Valued(joint.first, "failed", told, joint=joint)
    known = _years_together(joint, years)
    return _summed(known, (yield Sums(tuple(parts)))) if parts else known


def _years_together(joint: Joint, years: Sequence[tuple[int, Valued]]) -> Valued:
    """Return the sums of first years; what has no sum is not a number."""

    def summed(bills: Sequence[tuple[int, BillFigures | None]]) -> BillFigures | None:
        known = [(times, vars(bill)) for times, bill in bills if bill is not None]
        if len(known) < len(bills):
            return None
        keys = ("bill", "cost", "left_worth", "import_kwh", "export_kwh")
        sums = {key: sum(times * bill[key] for times, bill in known) for key in keys}
        parts = np.sum([times * np.array(bill["parts"]) for times, bill in known], axis=0)
        return BillFigures(**sums, peak_kw=math.nan, parts=tuple(parts.tolist()))

    of_runs = [(times, each.figures) for times, each in years if each.figures is not None]
    figures = None
    if len(of_runs) == len(years):

        def whole(name: str) -> Any:
            every = [(times, getattr(run, name)) for times, run in of_runs]
            if any(value is None for _, value in every):
                return None
            return sum(times * value for times, value in every)

        first = of_runs[0][1]
        bills = {key: summed([(n, run.bills[key]) for n, run in of_runs]) for key in first.bills}
        sources = {
            key: sum(times * getattr(run.sources, key) for times, run in of_runs)
            for key in vars(first.sources)
        }
        figures = replace(
            first, bills={key: bill for key, bill in bills.items() if bill},
            sources=replace(first.sources, **sources), plan_kind="",
            **cast(Any, {key: whole(key) for key in SUMMED_UP} | dict.fromkeys(WITHOUT_SUM, math.nan)),
        )  # fmt: skip
    own = summed([(times, each.own) for times, each in years])
    before = summed([(times, each.before) for times, each in years])
    return Valued(joint.first, "done", "", figures, None, own, before, joint)


SUMMED_UP = ("windows", "saved_seen", "saved_unseen", "discharged_kwh", "end_kwh_plan")
"""Figures of runs that are summed up where several sites are decided together."""

WITHOUT_SUM = ("plan_gap", "full_cycles", "cycles_counted", "end_worth", "worth_battery",
               "worth_battery_and_power", "worth_inverter", "worth_connection")  # fmt: skip
"""Figures that say nothing of several sites."""


def _first_year(case: Case) -> Asking[Valued]:
    """Ask for the first year of a case."""
    figures = None
    if case.way not in WITHOUT_BATTERY:
        yield Wanted(case.family, "base", case.family.own)
        figures = yield from figures_of(case.family, case.run)
    own = yield from _bill_of(case)
    if figures is not None and case.against is not None:
        before = figures.bills[case.against]
    else:
        before = yield from _bill_of(case.before)
    return Valued(case, "done", "", figures, own=own, before=before)


def _summed(known: Valued, money: Summary | Failure) -> Valued:
    """Return what is known of a case with what its money comes to."""
    if isinstance(money, Failure):
        return Valued(known.case, "failed", money.reason, joint=known.joint)
    return replace(known, money=money)


def money_in(case: Case | Joint, terms: Terms) -> Asking[Money]:
    """Ask for the years of a case and their money, year by year."""
    parts = []
    for times, each in case.parts if isinstance(case, Joint) else [(1, case)]:
        parts.append(replace((yield from part_of(each, terms)), times=times))
    return money_of(parts)


def part_of(case: Case, terms: Terms) -> Asking[Part]:
    """Ask for all that the money of a case follows from."""
    has_price = case.way not in WITHOUT_BATTERY and case.against != "no_windows"
    own = yield from _years_of(case, terms)
    if case.today is None:
        return Part(terms, case.fading, case.package, own, has_price=has_price)
    today = yield from _years_of(case.before, terms)
    bare = (yield from _years_of(case.nothing_bought, terms)) if has_price else None
    return Part(terms, case.fading, case.package, own, today, bare, has_price)


def _of_today(case: Case, terms: Terms) -> Asking[tuple[Life, CashFlow]]:
    """Ask for today's years and their money, measured from nothing."""
    years = yield from _years_of(case.before, terms)
    of_today = Part(terms, case.fading, None, years, today=years).of_today
    assert of_today is not None
    return of_today


def _years_of(case: Case, terms: Terms) -> Asking[Years]:
    """Ask for the plans of worn equipment that the years of a case need.

    Savings are measured from the same run, or from nothing where another case is what they are measured from.
    """
    known: dict[Wear, YearFigures] = {}
    while isinstance(wear := lives_of(terms, case.fading, known.get), Wear):
        if case.way in WITHOUT_BATTERY:
            found = yield from _bill_of(replace(case, run=case.run.worn(Wear(1.0, wear.pv))))
            bill, parts = found.bill, tuple(-part for part in found.parts)
            known[wear] = YearFigures(-bill, -bill, 0.0, 0.0, 0.0, (*parts, *parts, 0.0, 0.0, 0.0))
        else:
            figures = yield from figures_of(case.family, case.run.worn(wear))
            known[wear] = year_figures(figures, case.way, case.against)
    return Years(case.size, known)


def sources_of(valued: Valued, manner: Manner) -> tuple[Source, ...]:
    """Return the planned years of a case that is done, each with its key in the ledger."""
    case = valued.case
    if valued.status != "done" or valued.joint:
        return ()
    is_bare = case.way in WITHOUT_BATTERY
    planned = [(0, Wear())] if valued.money is None else valued.money.planned
    found = []
    for year, wear in planned:
        wear = Wear(1.0, wear.pv) if is_bare else wear
        run = case.run.worn(wear)
        kind = "bare" if is_bare else "base" if run == case.family.own else "run"
        key = case.family.key_of(run, manner, kind)
        found.append(Source(year + 1, kind, wear.health, wear.pv, key))
    return tuple(found)


def _bill_of(case: Case) -> Asking[BillFigures]:
    """Ask for the bill of a case's first year."""
    if case.way in WITHOUT_BATTERY:
        return _known((yield Wanted(case.family, "bare", case.run)), Bare).bills[case.way]
    figures = yield from figures_of(case.family, case.run)
    return figures.bills[case.way]


def figures_of(family: Family, run: Run) -> Asking[RunFigures]:
    """Ask for the figures of a run; the own equipment is the base itself."""
    kind = "base" if run == family.own else "run"
    return _known((yield Wanted(family, kind, run)), Searched).figures


def year_figures(figures: RunFigures, way: Way, against: Against | None) -> YearFigures:
    """Return what a year saves: on its bill, less what it took out of the battery beyond the plan.

    Wear is no money here, replacements are. A battery without windows is taken to be used as with them, so
    that both are as worn in each year.
    """

    def money(key: str) -> float:
        return figures.bills[key].bill - figures.bills[key].left_worth

    def parts(key: str) -> FloatArray:
        return np.array(figures.bills[key].parts)

    before = 0.0 if against is None else money(against)
    of_before = np.zeros(3) if against is None else parts(against)
    of_parts = of_before - parts(way), of_before - parts("plan"), of_before
    return YearFigures(
        before - money(way), before - money("plan"),
        figures.cycles_counted, figures.discharged_kwh, before,
        tuple(np.concatenate(of_parts).tolist()),
    )  # fmt: skip


def _why_hopeless(case: Case, runs: Sequence[Run]) -> Question:
    """Say why a case cannot be worth as much as the site's own battery; nothing if it can.

    What the plan of a size costs at least follows from the shadow prices of the own one and of the
    largest, so what any windows could save at most does too; a worn battery saves no more than a new one.
    """
    family, own, terms = case.family, case.family.own, case.terms
    is_bounded = case.run in runs and case.run != own and _windows_cost_no_less_than_plans(case)
    if terms is None or terms.rise_apart or case.against == "no_windows" or not is_bounded:
        return ""
    bounds = yield Wanted(family, "bounds", own, BoundsAsked(tuple(runs)))
    if not isinstance(bounds, Bounds) or bounds.least_costs is None:
        return ""
    at_own = yield from value_of(replace(case, run=own, package=None))
    if at_own.money is None or at_own.figures is None:
        return ""
    own_npv = at_own.money.worth.npv
    before = at_own.money.before
    saved = before - bounds.least_costs[runs.index(case.run)]
    reference = None if case.today is None else (yield from _of_today(case, terms))[1]
    priced = terms.of_package(case.package)
    at_most = Money.of(priced, _unworn(terms, saved), case.size, reference).worth.npv
    if at_most >= own_npv:
        return ""
    return (
        f"by shadow prices its net present value is at most {at_most:,.0f}, below the"
        f" {own_npv:,.0f} of the site's own battery"
    )


def _windows_cost_no_less_than_plans(case: Case) -> bool:
    """Tell whether the bill of any windows, in any year, is at least the cost of the new plan.

    Not so where the plan pays for wear or keeps a limit that equipment does not (cycles, the end, an
    overload of the connection), and where the PV fades: with less of it a battery may save more.
    """
    scenario, plant = case.family.brief.scenario, case.family.brief.scenario.plant
    forecast, end = scenario.forecast, scenario.end_kwh
    begins_low = scenario.start_kwh <= plant.low_kwh
    ends_low = end is not None and end <= plant.low_kwh
    never_overloaded = np.all(forecast.load_kwh <= plant.limits_on(forecast.grid).import_kwh)
    return bool(
        begins_low and ends_low and never_overloaded and plant.cycles_per_day is None
        and plant.wear_per_kwh == 0 and case.fading.pv_loses_pct_per_year == 0
    )  # fmt: skip


def _unworn(terms: Terms, saved: float) -> Life:
    """Return the years of equipment that stays as new, with one saving.

    A battery that is replaced after so many years is so here too, whatever is left of it.
    """
    ones, years = np.ones(terms.years), np.arange(terms.years)
    rule = terms.replacement
    is_new = np.zeros(terms.years, dtype=bool)
    if rule is not None and rule.after_years is not None:
        is_new = (years > 0) & (years % rule.after_years == 0)
    return Life(ones, ones, saved * ones, saved * ones, 0 * ones, years >= 0, is_new, 1.0)


def size_for(case: Case, terms: Terms, sizes: SizesToTry, *, with_power: bool) -> Question:
    """Ask for the size that is worth most, by what the cheapest plan saves with new equipment.

    Wear counts as the scenario states it, for by that the plan is cheapest.

    Parameters
    ----------
    case : Case
        Site, tariff, controls and all else but the capacity.
    terms : Terms
        Prices and rates.
    sizes : BestSize
        The sizes to try.
    with_power : bool
        Whether power grows with capacity.
    """
    yield Wanted(case.family, "base", case.family.own)
    known: dict[float, Planned] = {}
    today = None if case.today is None else (yield from _of_today(case, terms))
    while not isinstance(found := best_size(sizes.sizes(), known.get), BestSize):
        run = resized(case.run, found, with_power=with_power)
        answer = yield Wanted(case.family, "slope", run, SlopeAsked(with_power, case.against))
        if isinstance(answer, Failure):
            raise Failed(f"a battery of {number(found)} kWh cannot be planned: {answer.reason}")
        slope = _known(answer, Slope)
        known[found] = _planned(replace(case, run=run), terms, slope, today, with_power=with_power)
    return found


def resized(run: Run, battery_kwh: float, *, with_power: bool) -> Run:
    """Return a run with another capacity."""
    times = battery_kwh / run.battery_kwh if with_power else 1.0
    return replace(
        run, battery_kwh=battery_kwh, charge_kw=run.charge_kw * times,
        discharge_kw=run.discharge_kw * times,
    )  # fmt: skip


def _planned(
    case: Case, terms: Terms, slope: Slope, today: tuple[Life, CashFlow] | None, *, with_power: bool
) -> Planned:
    """Return value and slope of a size: what new equipment would save each year, less its price."""

    def net(size_kwh: float, saved: float) -> float:
        run = resized(case.run, size_kwh, with_power=with_power)
        life, size = _unworn(terms, saved), replace(case, run=run).size
        return Money.of(terms, life, size, today and today[1]).worth.npv

    size = case.run.battery_kwh
    before = slope.bill_before if today is None else -float(today[0].saved[0])
    saved = before - slope.cost_plan
    value = net(size, saved)
    bigger = net(size + SLIGHTLY, saved + SLIGHTLY * slope.worth_kwh)
    return Planned(value, (bigger - value) / SLIGHTLY, slope.is_linear)


def swing_of(valued: Valued, name: str, ends: tuple[float, float]) -> Question:
    """Ask what a case is worth at both ends of a range."""
    npvs: list[float | None] = []
    for end in ends:
        other = yield from value_of(otherwise(valued.case, name, end))
        npvs.append(None if other.money is None else other.money.worth.npv)
    return Swing(name, *ends, *npvs)


def floors_cost_of(valued: Valued) -> Question:
    """Ask by how much more a case were worth over its years without floors for an endurance. [money]"""
    case, money = valued.case, valued.money
    if money is None or not case.endurance_hours:
        return None
    free = yield from value_of(replace(case, run=replace(case.run, endurance_hours=0.0)))
    return None if free.money is None else free.money.worth.npv - money.worth.npv


def otherwise(case: Case, name: str, end: float) -> Case:
    """Return a case in which one thing turns out otherwise."""
    terms, fading, run = case.terms, case.fading, case.run
    if terms is None:
        return case
    times = 1 + end / 100
    match name:
        case "load_times":
            run = replace(run, load_times=run.load_times * end)
        case "pv_times":
            run = replace(run, pv_times=run.pv_times * end)
        case "ageing_times":
            fading = fading.times(end)
        case "discount_pct":
            terms = terms.model_copy(update={"discount_pct": end})
        case "prices_rise_pct":
            terms = terms.model_copy(update={"prices_rise_pct_per_year": end})
        case "battery_price_pct":
            terms = terms.model_copy(update={"battery": _times(terms.battery, times)})
            case = replace(case, package=case.package and case.package.times(times))
        case "operating_pct":
            terms = terms.model_copy(update={"operating": _times(terms.operating, times)})
    return replace(case, terms=terms, fading=fading, run=run, role=name)


def _times(prices: Any, times: float) -> Any:
    """Return prices times a factor; what is a rate stays."""
    changed = {name: value * times for name, value in prices if not name.endswith("pct_per_year")}
    return prices.model_copy(update=changed)


def chances_for(valued: Valued, draws: Draws) -> Asking[Chances | None]:
    """Ask what drawn weather, loads and prices make of a case."""
    case = valued.case
    if case.terms is None or valued.money is None:
        return None
    money = yield from money_in(case, case.terms)
    today = None if case.today is None else (yield from _of_today(case, case.terms))[0]
    saved = []
    for year, wear in money.life.planned:
        if today is None:
            costs = yield from _drawn(case, wear, draws, case.against)
            saved.append(costs[case.against] - costs[case.way])
        else:
            costs = yield from _drawn(case, wear, draws, None)
            then = Wear(float(today.health[year]), float(today.pv[year]))
            before = yield from _drawn(case.before, then, draws, None)
            saved.append(before[case.before.way] - costs[case.way])
    return chances_of(draws, case.terms, money.life, money.flow, np.array(saved))


def _drawn(
    case: Case, wear: Wear, draws: Draws, beside: Against | None
) -> Asking[dict[str | None, FloatArray]]:
    """Ask what a case with worn equipment costs in drawn weather, and another way of the same run."""
    ways = (case.way,) if beside is None else (case.way, beside)
    if case.way in WITHOUT_BATTERY:
        run, asked = case.run.worn(Wear(1.0, wear.pv)), DrawsAsked(None, draws, ways, 0.0, 0.0)
    else:
        run = case.run.worn(wear)
        figures = yield from figures_of(case.family, run)
        asked = DrawsAsked(
            figures.settings, draws, ways, figures.end_worth, figures.end_kwh_plan
        )  # fmt: skip
    answer = _known((yield Wanted(case.family, "draws", run, asked)), Drawn)
    return {way: np.array(table) for way, table in answer.costs.items()}
