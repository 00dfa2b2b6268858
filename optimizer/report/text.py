"""The summary that the terminal shows, in plain text that can be read aloud."""

from __future__ import annotations

from textwrap import indent

from optimizer.base.units import money, number
from optimizer.report.advice import invented, on_changing, why_no_windows
from optimizer.report.card import Card
from optimizer.report.card_changes import card_of_result, is_typed
from optimizer.report.card_text import card_text
from optimizer.report.day_chart import day_chart
from optimizer.report.notes import cautions, notes
from optimizer.report.renewal import renewal_text
from optimizer.report.reserve import reserve_text
from optimizer.report.second_card import second_card_text
from optimizer.report.unseen import (
    SPREAD_HEADING,
    about_the_curve,
    after_the_spread,
    curve_rows,
    how_judged,
    promise,
    spread_rows,
)
from optimizer.report.verified import NOT_YET
from optimizer.report.wrapping import INSET, filled, table, width
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.results import Result, SearchResult


def summary(result: Result) -> str:
    """Return settings, bills, how sure they are, other sizes, notes and cautions as text."""
    parts = [
        _head(result),
        renewal_text(result) if isinstance(result, RenewResult) else "",
        settings_text(result),
        day_chart(result),
        reasons_text(result),
        bills_text(result),
        _reserve(result),
        sureness_text(result),
        curve_text(result),
        second_card_text(result),
        _listed("NOTES", notes(result)),
        _listed("BEFORE YOU ENTER THEM", cautions(result)),
        filled(NOT_YET, ""),
    ]
    return "\n\n".join(part for part in parts if part)


def _reserve(result: Result) -> str:
    reserve = result.reserve if isinstance(result, SearchResult) else None
    return reserve_text(reserve, result.currency)


def _head(result: Result) -> str:
    told = f" ({invented(result)})" if invented(result) else ""
    grid = result.scenario.forecast.grid
    return "\n".join([
        filled(f"{result.scenario.name} on tariff {result.tariff.name}{told}", "", "  "),
        filled(f"{result.span}, {number(grid.days, 2)} days in steps of {grid.step_minutes} min", ""),
    ])  # fmt: skip


def settings_text(result: Result) -> str:
    """Return the card: what to type in."""
    card = card_of_result(result)
    why = why_no_windows(result)
    told = [filled(f"No windows: {why}", "")] if why else []
    text = card_text(card, width() - len(INSET))
    return "\n".join([_title(result, card), *(indent(part, INSET) for part in [*told, text])])


def _title(result: Result, card: Card) -> str:
    if isinstance(result, ReplayResult):
        return "THESE SETTINGS"
    return "SETTINGS THAT ARE TYPED IN ALREADY" if is_typed(card) else "SETTINGS TO ENTER"


def reasons_text(result: Result) -> str:
    """Return each window as a sentence with its reason; empty if there are none."""
    lines = ["WHY EACH WINDOW"]
    for reason in result.outcome.reasons:
        lines += [filled(reason.sentence, "  ", "    "), filled(reason.why, "      ", "        ")]
    return "\n".join(lines) if len(lines) > 1 else ""


def bills_text(result: Result) -> str:
    """Return the bills side by side, what to expect, and whether to change what is in use."""
    outcome = result.outcome
    cases = outcome.cases.values()
    has_wear = outcome.costs_differ_from_bills
    known = "" if result.scenario.so_far is None else ", with what was metered so far"
    lines = [f"BILLS FOR {result.span}{known}, {result.currency}"]
    rows = [
        [
            case.label, money(case.bill.total), f"{case.flows.import_kwh.sum():,.0f}",
            f"{case.flows.export_kwh.sum():,.0f}", f"{case.peak_import_kw:.2f}", money(case.cost),
        ]
        for case in cases
    ]  # fmt: skip
    shown = len(rows[0]) if has_wear else -1
    heading = ["", "bill", "import kWh", "export kWh", "peak kW", "cost*"]
    lines += table(
        [heading[:shown]], [row[:shown] for row in rows], [26, 12, 13, 13, 10, 12][:shown]
    )
    if has_wear:
        lines.append(
            filled("* bill, plus wear of the battery, less the worth of what is left in it")
        )
    lines += ["", *map(filled, promise(result))]
    if on_changing(result):
        lines.append(filled(on_changing(result)))
    return "\n".join(lines)


def sureness_text(result: Result) -> str:
    """Return what such windows came to on weeks that they had not seen."""
    lines = ["HOW SURE THIS IS", filled(how_judged(result))]
    if isinstance(result, SearchResult) and result.sureness is not None:
        rows = spread_rows(result, result.sureness)
        lines += table([["at most, in", *SPREAD_HEADING]], rows, [34, 14, 14, 14])
        lines += [filled(line) for line in after_the_spread(result, result.sureness)]
    return "\n".join(lines)


def curve_text(result: Result) -> str:
    """Return what fewer and more windows save, and which number is recommended."""
    rows = curve_rows(result)
    if not rows:
        return ""
    heads = [
        ["windows", "saved on weeks", "saved on weeks", ""],
        ["to enter", "they have seen", "not seen", ""],
    ]
    told = [[f"{row.entries:>8}", row.seen, row.unseen, row.mark] for row in rows]
    lines = [f"HOW MANY WINDOWS TO ENTER, {result.currency}", *table(heads, told, [9, 17, 17, 14])]
    return "\n".join([*lines, filled(about_the_curve(result))])


def _listed(title: str, items: list[str]) -> str:
    if not items:
        return ""
    return "\n".join([title, *(filled(item, "  - ") for item in items)])
