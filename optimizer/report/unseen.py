"""Says what to expect, how sure it is, and what fewer windows would save; text and page share the words.

Read next: ``text``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from optimizer.base.units import money, number, percent
from optimizer.base.words import later, say
from optimizer.evaluation.out_of_sample import Sureness, WorstMonth
from optimizer.forecasting.ensemble import Spread
from optimizer.forecasting.weeks import LEAST_WEEKS
from optimizer.report.advice import cheaper_than_plan, the_plan, windows_name
from optimizer.scenario.scenario import ENTRY_SHARE
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result, SearchResult

WHOLE_YEAR_DAYS = 360
"""A forecast of at least so many days is called a year."""

NO_IMPORT_KW = 0.005
"""An import below this is told as none."""

SPREAD_HEADING = ("one in ten", "half of them", "nine in ten")


def how_judged(result: Result) -> str:
    """Return on what the windows were judged, and why that is all if they could not be."""
    if not isinstance(result, SearchResult):
        return "Measured on this forecast alone; another year will differ."
    if result.sureness is None and not result.scenario.material.is_metered:
        return (
            "Found and measured on the same forecast: it is computed, not metered, so that no weeks could"
            " be kept back; in a real year expect them to save less."
        )
    if result.sureness is None:
        return (
            "Found and measured on the same forecast, which has too few whole weeks to keep some"
            f" back ({LEAST_WEEKS} are needed); in another year expect them to save less."
        )
    years = f"{result.sureness.years} plausible {years_words(result)}"
    if not result.settings.entries():
        return f"The equipment as it comes was run through {years} made of the metered weeks."
    return (
        f"Such windows were found on every other week, and run through {years} made of the weeks"
        " between, which they had not seen."
        + (
            " Those in use may have been found on all of them."
            if isinstance(result, RenewResult)
            else ""
        )
    )


def years_words(result: Result) -> str:
    """Return what plausible years are called: stretches, where the forecast is shorter."""
    days = result.scenario.forecast.grid.days
    if days >= WHOLE_YEAR_DAYS:
        return say("years")
    return say("stretches of {days} days", days=number(days, 0))


def promise(result: Result) -> list[str]:
    """Return what may be expected of a year that the windows have not seen, then what they do here."""
    outcome = result.outcome
    here = _on_the_forecast(result)
    if cheaper_than_plan(result):
        here = say(
            "Of what could be saved none can be told, for the plan is not the cheapest; see the notes."
        )
    if not outcome.settings.entries():
        return [here if cheaper_than_plan(result) else _left_to_save(result)]
    return [_expected(result), here]


def _expected(result: Result) -> str:
    sureness = result.sureness if isinstance(result, SearchResult) else None
    if sureness is None:
        return say("For a year other than the forecast nothing can be promised; see below.")
    saved, years = sureness.saved, years_words(result)
    words = (
        later(
            "Expect our windows to save {money}: half of the {years} that they have not seen bring more,"
            " half less; one in ten at most {p10}, one in ten more than {p90}."
        )
        if saved.p50 >= 0
        else later(
            "Expect our windows to lose {money}: half of the {years} that they have not seen bring more,"
            " half less; one in ten at most {p10}, one in ten more than {p90}."
        )
    )
    return say(
        words,
        money=money(abs(saved.p50), result.currency),
        years=years,
        p10=money(saved.p10),
        p90=money(saved.p90),
    )


def _on_the_forecast(result: Result) -> str:
    outcome = result.outcome
    words = (
        later(
            "On the forecast itself {windows} save {money} over no windows; {plan}, which knows its"
            " weather beforehand, {most}."
        )
        if outcome.saved >= 0
        else later(
            "On the forecast itself {windows} lose {money} over no windows; {plan}, which knows its"
            " weather beforehand, {most}."
        )
    )
    told = say(
        words,
        windows=windows_name(result),
        money=money(abs(outcome.saved), result.currency),
        plan=the_plan(result),
        most=money(outcome.can_save, result.currency),
    )
    if outcome.kept_share is not None:
        more = say("Kept share on the forecast: {share}.", share=percent(outcome.kept_share))
    elif outcome.unlike is not None:
        more = say("No kept share is told.")
    else:
        more = say("The plan saves nothing over no windows, so there is nothing to keep.")
    return " ".join(filter(None, (told, _of_costs(result), _unlike(result), more)))


def _of_costs(result: Result) -> str:
    """Return that savings are not differences of the bills beside them; else empty."""
    if not result.outcome.costs_differ_from_bills:
        return ""
    return say("Savings are differences of the cost, with wear and what is left in the battery.")


def _unlike(result: Result) -> str:
    """Return that the plan keeps the cycles of a day, but a replay does not; else empty."""
    case = result.outcome.unlike
    if case is None:
        return ""
    return say(
        "Unlike is compared: the plan keeps cycles_per_day, but '{case}' discharges more on {days} days.",
        case=say(case.label),
        days=case.days_beyond_cycles,
    )


def _left_to_save(result: Result) -> str:
    if result.outcome.unlike is not None:
        return _on_the_forecast(result)
    if result.outcome.kept_share is None:
        return say("The plan saves nothing over no windows, so there is nothing to keep.")
    return say(
        "No windows are entered, so nothing is saved over the equipment as it comes; {plan}, which knows"
        " its weather beforehand, would save {money} on the forecast.",
        plan=the_plan(result),
        money=money(result.outcome.can_save, result.currency),
    )


def spread_rows(result: Result, sureness: Sureness) -> list[tuple[str, str, str, str]]:
    """Return what is spread, and what it stays at or below in one of ten, half and nine of ten."""
    bill = _row(f"bill, {result.currency}", sureness.bill, money)
    if not result.settings.entries():
        return [bill]
    rows = [bill, _row(f"saved over no windows, {result.currency}", sureness.saved, money)]
    if sureness.kept_share is not None:
        rows.append(_row("kept share of those years", sureness.kept_share, percent))
    return rows


def _row(name: str, spread: Spread, said: Callable[[float], str]) -> tuple[str, str, str, str]:
    return (name, said(spread.p10), said(spread.p50), said(spread.p90))


def after_the_spread(result: Result, sureness: Sureness) -> list[str]:
    """Return why no kept share is told if none is, the yardstick, and what the worst month was."""
    yardstick = against_the_yardstick(result)
    if not result.settings.entries():
        return yardstick
    missing = (
        "No kept share is told: either no plan of these weeks was made and proven (--effort quick, or"
        " no time left), or it saves nothing over no windows."
    )
    lines = [missing] if sureness.kept_share is None else []
    return [*lines, _worst_month(sureness.worst, result.currency), *yardstick]


def against_the_yardstick(result: Result) -> list[str]:
    """Return what windows keep of what the best control without foresight saves."""
    best = result.without_foresight if isinstance(result, PlanResult) else None
    if best is None:
        return []
    where = "on the weeks kept back, as metered"
    if best.kept_share is None:
        return [f"No control without foresight was found that saves anything {where}."]
    saved = money(best.saved, result.currency)
    beyond = (
        ""
        if cheaper_than_plan(result)
        else " What the plan saves beyond it, only a forecast could bring, or a better control."
    )
    if best.is_windows:
        return [
            f"No control without foresight was found that saves more than windows do: {saved} {where}, by"
            f" windows fitted to the other weeks.{beyond}"
        ]
    of_it = (
        f"windows fitted to the same weeks as it save {money(best.windows)} there,"
        f" {percent(best.kept_share)} of that"
        if result.settings.entries()
        else "nothing is entered to keep some of it"
    )
    return [
        f"The best control without foresight that was found saves {saved} {where}, learnt from the other"
        f" weeks; {of_it}.{beyond}"
    ]


def _worst_month(worst: WorstMonth, currency: str) -> str:
    verb = "save" if worst.saved >= 0 else "lose"
    told = f"Worst month: {worst.month}, in which they {verb} {money(abs(worst.saved), currency)}."
    if worst.highest_kw < NO_IMPORT_KW:
        return f"{told} Nothing was imported in the hours that count."
    return (
        f"{told} Its highest import was {worst.highest_kw:.2f} kW, on a day such as"
        f" {worst.highest:%Y-%m-%d from %H:%M} for {worst.step_minutes} min."
    )


@dataclass(frozen=True)
class CurveRow:
    """One number of windows as it is shown."""

    entries: int
    seen: str
    unseen: str
    mark: str


def curve_rows(result: Result) -> list[CurveRow]:
    """Return what each number of windows saves; empty if there is nothing to choose between."""
    if not isinstance(result, PlanResult) or len(result.curve) < 2:
        return []
    found = result.found
    marks = {found.chosen: "handed out"} | {found.recommended: "recommended"}
    return [
        CurveRow(
            size.entries,
            money(size.seen),
            "–" if size.unseen is None else money(size.unseen),
            marks.get(place, ""),
        )
        for place, size in enumerate(result.curve)
    ]


def about_the_curve(result: Result) -> str:
    """Return what the sums of the curve are, by what rule a number is recommended, and how to get another."""
    return (
        f"Saved over no windows in the mean of plausible {years_words(result)}, some with more load and less"
        f" sun. {rule(result)} Another number: --windows; the folder settings_by_size holds each."
    )


def rule(result: Result) -> str:
    """Return the rule by which a number of windows is recommended; empty if none were searched for."""
    if not isinstance(result, SearchResult):
        return ""
    found = result.found
    asked = result.scenario.worth_typing
    why = (
        f"{percent(ENTRY_SHARE)} of the most that any number saves"
        if found.per_entry > asked
        else f"--worth {number(result.scenario.file.worth_typing, 2)} a year"
    )
    weeks = (
        "Weeks not seen decide"
        if found.sizes[0].unseen is not None
        else "There are too few whole weeks to keep some back, so weeks seen decide"
    )
    return (
        f"{weeks}: recommended is the number that saves most there once"
        f" {money(found.per_entry, result.currency)} is taken off for each window to enter ({why})."
    )
