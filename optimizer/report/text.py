"""The summary that the terminal shows, in plain text that can be read aloud."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import indent

from optimizer.base.units import money, number
from optimizer.report.advice import invented, on_changing, why_no_windows
from optimizer.report.card import Card
from optimizer.report.card_changes import card_of_result, is_typed
from optimizer.report.card_text import card_text
from optimizer.report.notes import cautions, notes
from optimizer.report.renewal import renewal_text
from optimizer.report.reserve import reserve_text
from optimizer.report.unseen import (
    SPREAD_HEADING,
    about_the_curve,
    after_the_spread,
    curve_rows,
    how_judged,
    promise,
    spread_rows,
)
from optimizer.report.wrapping import WIDTH, filled
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.results import Result, SearchResult

INSET = "  "
"""Stands before each line of the card."""


def summary(result: Result) -> str:
    """Return settings, bills, how sure they are, other sizes, notes and cautions as text."""
    parts = [
        _head(result),
        renewal_text(result) if isinstance(result, RenewResult) else "",
        settings_text(result),
        reasons_text(result),
        bills_text(result),
        _reserve(result),
        sureness_text(result),
        curve_text(result),
        _listed("NOTES", notes(result)),
        _listed("BEFORE YOU ENTER THEM", cautions(result)),
    ]
    return "\n\n".join(part for part in parts if part)


def _reserve(result: Result) -> str:
    reserve = result.reserve if isinstance(result, SearchResult) else None
    return reserve_text(reserve, result.currency)


def _head(result: Result) -> str:
    told = f" ({invented(result)})" if invented(result) else ""
    grid = result.scenario.forecast.grid
    return (
        f"{result.scenario.name} on tariff {result.tariff.name}{told}\n"
        f"{result.span}, {number(grid.days, 2)} days in steps of {grid.step_minutes} min"
    )


def settings_text(result: Result) -> str:
    """Return the card: what to type in."""
    card = card_of_result(result)
    why = why_no_windows(result)
    told = [filled(f"No windows: {why}", "")] if why else []
    text = card_text(card, WIDTH - len(INSET))
    return "\n".join([_title(result, card), *(indent(part, INSET) for part in [*told, text])])


def _title(result: Result, card: Card) -> str:
    if isinstance(result, ReplayResult):
        return "THESE SETTINGS"
    return "SETTINGS THAT ARE TYPED IN ALREADY" if is_typed(card) else "SETTINGS TO ENTER"


def reasons_text(result: Result) -> str:
    """Return each window as a sentence with its reason; empty if there are none."""
    lines = ["WHY EACH WINDOW"]
    for reason in result.outcome.reasons:
        lines += [f"  {reason.sentence}", filled(reason.why, "      ", "        ")]
    return "\n".join(lines) if len(lines) > 1 else ""


def bills_text(result: Result) -> str:
    """Return the bills side by side, what to expect, and whether to change what is in use."""
    outcome = result.outcome
    cases = outcome.cases.values()
    has_wear = outcome.costs_differ_from_bills
    known = "" if result.scenario.so_far is None else ", with what was metered so far"
    lines = [f"BILLS FOR {result.span}{known}, {result.currency}"]
    heading = f"  {'':26}{'bill':>12}{'import kWh':>13}{'export kWh':>13}{'peak kW':>10}"
    lines.append(heading + (f"{'cost*':>12}" if has_wear else ""))
    for case in cases:
        line = (
            f"  {case.label:26}{money(case.bill.total):>12}{case.flows.import_kwh.sum():>13,.0f}"
            f"{case.flows.export_kwh.sum():>13,.0f}{case.peak_import_kw:>10.2f}"
        )
        lines.append(line + (f"{money(case.cost):>12}" if has_wear else ""))
    if has_wear:
        lines.append("  * bill, plus wear of the battery, less the worth of what is left in it")
    lines += ["", *map(filled, promise(result))]
    if on_changing(result):
        lines.append(filled(on_changing(result)))
    return "\n".join(lines)


def sureness_text(result: Result) -> str:
    """Return what such windows came to on weeks that they had not seen."""
    lines = ["HOW SURE THIS IS", filled(how_judged(result))]
    if isinstance(result, SearchResult) and result.sureness is not None:
        rows = spread_rows(result, result.sureness)
        lines.append(_spread_line("at most, in", SPREAD_HEADING))
        lines += [_spread_line(name, values) for name, *values in rows]
        lines += [filled(line) for line in after_the_spread(result, result.sureness)]
    return "\n".join(lines)


def _spread_line(name: str, values: Sequence[str]) -> str:
    return f"  {name:34}" + "".join(f"{value:>14}" for value in values)


def curve_text(result: Result) -> str:
    """Return what fewer and more windows save, and which number is recommended."""
    rows = curve_rows(result)
    if not rows:
        return ""
    lines = [
        f"HOW MANY WINDOWS TO ENTER, {result.currency}",
        f"  {'windows':>9}{'saved on weeks':>22}{'saved on weeks':>22}",
        f"  {'to enter':>9}{'they have seen':>22}{'not seen':>22}",
    ]
    for row in rows:
        line = f"  {row.entries:>9}{row.seen:>22}{row.unseen:>22}   {row.mark}"
        lines.append(line.rstrip())
    return "\n".join([*lines, filled(about_the_curve(result))])


def _listed(title: str, items: list[str]) -> str:
    if not items:
        return ""
    return "\n".join([title, *(filled(item, "  - ") for item in items)])
