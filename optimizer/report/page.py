"""The report: one page that opens without a network, the handover sheet first, then question by question."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from markupsafe import Markup

from optimizer.base.words import say, speaking
from optimizer.base.writing import Writing
from optimizer.report.advice import on_changing, windows_name
from optimizer.report.average_day import average_days, shown_days
from optimizer.report.card import Card, CardDays, card_for
from optimizer.report.day_drawing import draw_day
from optimizer.report.figures import draw_bills, draw_curve
from optimizer.report.grounds import assumed, computed
from optimizer.report.handover import fits_words, handover
from optimizer.report.notes import notes
from optimizer.report.outage_page import outage_section
from optimizer.report.renewal import worth_words
from optimizer.report.reserve import reserve_sentences
from optimizer.report.second_card import cards_of, second_card_sentences
from optimizer.report.tariff_week import tariff_week
from optimizer.report.templates import rendered
from optimizer.report.unseen import (
    SPREAD_HEADING,
    about_the_curve,
    after_the_spread,
    curve_rows,
    how_judged,
    promise,
    spread_rows,
)
from optimizer.report.verdict import changes_of_charges, charges_changed, verdict
from optimizer.report.verified import NOT_YET, marked
from optimizer.report.working_days import working_days
from optimizer.report.year_figure import year_figure
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result, SearchResult

Drawer = Callable[[CardDays, str], Markup]


def report_html(result: Result, today: date | None = None, language: str = "en") -> str:
    """Return the whole report as one self-contained HTML page, handed over today if no day is given.

    ``language`` is that of the handover sheet; what follows it is English, and says so.
    """
    writing = result.scenario.file.writing
    with speaking(language):
        sheet = handover(result, today or date.today())  # noqa: DTZ011 - the day at the desk
        first_page = Markup(
            rendered("sheet.html", sheet=sheet, draw_on=lambda at: _drawer(writing, after=f"-{at}"))
        )
        remark = "" if language == "en" else say("All that follows is in English.")
    shown = {
        "changes": _changes(result),
        "fits": result.fits if isinstance(result, SearchResult) else (),
        "curve": curve_rows(result),
        "second": second_card_sentences(result),
        "outages": outage_section(result.outages) if isinstance(result, SearchResult) else None,
    }
    return rendered(
        "page.html",
        result=result,
        first_page=first_page,
        remark=remark,
        language=language,
        contents=_contents(result, shown),
        windows_name=windows_name(result),
        verdict=verdict(result),
        on_changing=on_changing(result),
        notes=notes(result),
        fits_words=fits_words(result),
        outcome=result.outcome,
        cases=list(result.outcome.cases.values()),
        bills_figure=_bills_figure(result),
        year=year_figure(result),
        average_days=average_days(result),
        day_of=_day_of_entries(result),
        working_days=working_days(result),
        week=tariff_week(result),
        charges=_charges(result),
        charges_changed=charges_changed(result),
        promise=promise(result),
        sureness=_sureness(result),
        curve_figure=_curve_figure(result),
        about_the_curve=about_the_curve(result),
        second_card=shown["second"],
        two_cards=_two_cards(result),
        reserve=_reserve(result),
        assumed=assumed(result),
        computed=computed(result),
        verified=marked(NOT_YET),
        **shown,
    )


TITLES = {
    "changes": "What to change",
    "worth": "Is it worth it",
    "why": "Why each window",
    "daily": "The year, day by day",
    "days": "The average day",
    "bill": "The bill, charge by charge",
    "sure": "How sure this is",
    "many": "How many windows are worth entering",
    "second": "A second card for dark days",
    "outage": "How long the building goes on when the grid fails",
    "fit": "Do equipment and loads fit together",
    "week": "The week of the tariff",
    "assumed": "What was assumed",
    "computed": "How it was computed",
}
"""The parts of the page in the order in which questions are asked, by the name that links use."""


def _contents(result: Result, shown: dict[str, Any]) -> dict[str, tuple[int, str]]:
    """Return the parts that this page has, with their numbers."""
    has = {
        "changes": shown["changes"], "why": result.outcome.reasons, "many": shown["curve"],
        "second": shown["second"],
        "outage": shown["outages"], "fit": shown["fits"],
    }  # fmt: skip
    names = [name for name in TITLES if has.get(name, True)]
    return {name: (number, TITLES[name]) for number, name in enumerate(names, start=1)}


def _day_of_entries(result: Result) -> list[int | None]:
    """Return for each entry the number of the average day in which its first window is drawn."""
    shown, found = shown_days(result), list[int | None]()
    for places in result.settings.places_of_entries(result.scenario.controls.menu):
        season = result.settings.seasons[places[0].season]
        weekdays = season.day_sets[places[0].day_set].weekdays
        numbers = (
            number
            for number, days in enumerate(shown, start=1)
            if {*weekdays} <= {*days.weekdays} and {*days.months} <= {*season.months}
        )
        found.append(next(numbers, None))
    return found


def _bills_figure(result: Result) -> Markup:
    totals = {case.label: case.bill.total for case in result.outcome.cases.values()}
    return Markup(draw_bills(totals, result.currency))


def _changes(result: Result) -> list[dict[str, str]]:
    """Return what to change about the settings in use, and what each change is worth."""
    return [
        {
            "what": valued.change.sentence(result.scenario.whole_kw),
            "worth": worth_words(valued, result.currency),
        }
        for valued in (result.renewal.listed if isinstance(result, RenewResult) else ())
    ]


def _reserve(result: Result) -> list[str]:
    if not isinstance(result, SearchResult) or result.reserve is None:
        return []
    return reserve_sentences(result.reserve, result.currency)


def _sureness(result: Result) -> dict[str, Any]:
    sureness = result.sureness if isinstance(result, SearchResult) else None
    return {
        "how": how_judged(result),
        "heading": SPREAD_HEADING,
        "rows": [] if sureness is None else spread_rows(result, sureness),
        "after": [] if sureness is None else after_the_spread(result, sureness),
    }


def _drawer(writing: Writing, before: str = "", after: str = "") -> Drawer:
    """Return what draws a day of a card; names on the page begin and end with what tells cards apart."""
    return lambda part, name: Markup(draw_day(part, f"{before}{name}{after}", writing))


def _two_cards(result: Result) -> list[tuple[str, Card, Drawer]]:
    """Return the cards for bright and dark days with their names and drawers; none if one is enough."""
    cards, scenario = cards_of(result), result.scenario
    if cards is None:
        return []
    return [
        (name, card_for(scenario, settings), _drawer(scenario.file.writing, before))
        for name, before, settings in (
            ("Card A, bright days", "a-", cards.bright), ("Card B, dark days", "b-", cards.dark),
        )
    ]  # fmt: skip


def _curve_figure(result: Result) -> Markup:
    if not isinstance(result, PlanResult) or not curve_rows(result):
        return Markup()
    sizes = result.curve
    return Markup(
        draw_curve(
            [size.entries for size in sizes],
            [size.seen for size in sizes],
            [size.unseen for size in sizes if size.unseen is not None],
            result.found.recommended,
            result.currency,
        )
    )


def _charges(result: Result) -> list[tuple[str, list[float], float]]:
    """Return each charge with its amount in every case, and what the windows change about it."""
    bills = {key: case.bill.by_charge() for key, case in result.outcome.cases.items()}
    return [
        (name, [bill.get(name, 0.0) for bill in bills.values()], change)
        for name, change in changes_of_charges(result).items()
    ]
