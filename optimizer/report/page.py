"""The report: one page that opens without a network, settings card first."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from optimizer.base.writing import Writing
from optimizer.report.advice import (
    advice,
    invented,
    on_changing,
    origin,
    why_no_windows,
    windows_name,
)
from optimizer.report.average_day import average_days
from optimizer.report.card import Card, CardDays, card_for
from optimizer.report.day_drawing import draw_day
from optimizer.report.figures import draw_bills, draw_curve
from optimizer.report.notes import cautions, notes
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
from optimizer.report.working_days import working_days
from optimizer.report.year_figure import year_figure
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.results import Result, SearchResult

Drawer = Callable[[CardDays, str], Markup]


def report_html(result: Result) -> str:
    """Return the whole report as one self-contained HTML page."""
    writing = result.scenario.file.writing
    return rendered(
        "page.html",
        result=result,
        title="These settings" if isinstance(result, ReplayResult) else "What to enter",
        origin=origin(result),
        invented=invented(result),
        windows_name=windows_name(result),
        why_no_windows=why_no_windows(result),
        on_changing=on_changing(result),
        notes=notes(result),
        cautions=cautions(result),
        advice=advice(result) if isinstance(result, RenewResult) else "",
        fits=result.fits if isinstance(result, SearchResult) else (),
        outcome=result.outcome,
        settings=result.settings,
        cases=list(result.outcome.cases.values()),
        card=card_for(result.scenario, result.settings),
        draw=_drawer(writing),
        bills_figure=_bills_figure(result),
        year=year_figure(result),
        average_days=average_days(result),
        working_days=working_days(result),
        week=tariff_week(result),
        charges=_charges(result),
        promise=promise(result),
        sureness=_sureness(result),
        curve=curve_rows(result),
        curve_figure=_curve_figure(result),
        about_the_curve=about_the_curve(result),
        second_card=second_card_sentences(result),
        two_cards=_two_cards(result),
        changes=_changes(result),
        reserve=_reserve(result),
        outages=outage_section(result.outages) if isinstance(result, SearchResult) else None,
    )


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


def _drawer(writing: Writing, before: str = "") -> Drawer:
    """Return what draws a day of a card; names on the page begin with a word."""
    return lambda part, name: Markup(draw_day(part, before + name, writing))


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


def _charges(result: Result) -> list[tuple[str, list[float]]]:
    """Return each charge with its amount in every case."""
    bills = [case.bill.by_charge() for case in result.outcome.cases.values()]
    return [(name, [bill.get(name, 0.0) for bill in bills]) for name in bills[0]]
