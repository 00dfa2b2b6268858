"""The handover sheet: what a technician types in, with what must be known beside it, on one printed page.

Read next: ``page``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from optimizer.base.units import day_text, number
from optimizer.base.words import later, say
from optimizer.report.advice import advice, invented, origin, why_no_windows
from optimizer.report.card import Card
from optimizer.report.card_changes import card_of_result, is_typed
from optimizer.report.notes import cautions
from optimizer.report.outages import carried_text, nine_in_ten
from optimizer.report.sheet_plan import Frame, Sheets, plan_sheets, width_of
from optimizer.report.unseen import promise
from optimizer.report.wrapping import on_one_line
from optimizer.scenario.scenario import Scenario
from optimizer.settings.short_text import short_text
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.results import Result, SearchResult

NAME_SIGNS, SENTENCE_SIGNS, SHORT_SIGNS = 110, 330, 2400
"""Longer names and sentences are cut on the sheet; a longer short text is left to ``settings.yaml``."""

TOO_LONG = later("Too long for paper: hand over settings.yaml beside this sheet.")

NOT_ASKED = later("not asked of settings that are only replayed")
ONE_ENTRY, ENTRIES = later("{list} ({count} entry)"), later("{list} ({count} entries)")


@dataclass(frozen=True)
class Handover:
    """What stands on the sheet: ``facts`` and ``told`` by name, the card on its sheets, the short text."""

    title: str
    lead: str
    facts: tuple[tuple[str, str], ...]
    told: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    short: str
    sheets: Sheets

    @property
    def count(self) -> int:
        """On how many sheets it stands."""
        return len(self.sheets.cards)


def handover(result: Result, today: date) -> Handover:
    """Return the sheet of a result as it is handed over on a day."""
    card = card_of_result(result)
    title, lead = _title(result, card), _lead(result)
    facts, told = _facts(result, today), _told(result)
    short = short_text(result.settings)
    short = short if len(short) <= SHORT_SIGNS else say(TOO_LONG)
    lines = [f"{'n' * 16} {words}" for _, words in (*facts, *told)]  # in a column of their own
    frame = Frame(
        (*([lead] if lead else []), *lines, f"{short} {'n' * (len(short) // 10)}"),  # ends at words
        tuple(f"mm {each}" for each in cautions(result)),
        (lines[0],),
    )
    return Handover(
        title, lead, facts, told, tuple(cautions(result)), short, plan_sheets(card, frame)
    )


def shortened(text: str, signs: int = NAME_SIGNS) -> str:
    """Return text on one line, cut where it is wider than so many signs."""
    text = on_one_line(text)
    if width_of(text) <= signs:
        return text
    kept = text[:signs]
    while width_of(kept) >= signs:
        kept = kept[:-1]
    return f"{kept}…"


def equipment_words(scenario: Scenario) -> str:
    """Return battery, inverter, PV and connection in one sentence."""
    file = scenario.file
    battery, inverter, pv, grid = file.battery, file.inverter, file.pv, file.connection
    peak = f"{number(pv.peak_kw)} kW " if pv.peak_kw else ""
    limits = [
        say(words, kw=number(kw))
        for kw, words in (
            (grid.import_limit_kw, later("{kw} kW in")),
            (grid.export_limit_kw, later("{kw} kW out")),
        )
        if kw is not None
    ]
    parts = [
        say(
            "battery of {kwh} kWh, {floor} to {ceiling} %, takes {charge} kW, gives {discharge} kW",
            kwh=number(battery.capacity_kwh),
            floor=number(battery.floor_pct),
            ceiling=number(battery.ceiling_pct),
            charge=number(battery.charge_kw),
            discharge=number(battery.discharge_kw),
        ),
        say("inverter {kw} kW", kw=number(inverter.ac_limit_kw)),
        say("PV {peak}on the battery's side (DC)", peak=peak)
        if pv.coupling == "dc"
        else say("PV {peak}on the building's side (AC)", peak=peak),
        say("connection {limits}", limits=say(" and ").join(limits)) if limits else "",
    ]
    return "; ".join(filter(None, parts))


def menu_words(scenario: Scenario) -> str:
    """Return the lists of the menu with how many entries each holds."""
    controls = scenario.controls
    lists = ", ".join(
        say(
            ONE_ENTRY if each.entries == 1 else ENTRIES,
            list=on_one_line(each.name),
            count=each.entries,
        )
        for each in controls.menu.lists
    )
    months = (
        say("{count} sets of months", count=controls.season_sets)
        if controls.has_calendar
        else say("no calendar")
    )
    return f"{lists}; {', '.join(map(say, controls.menu.day_sets))}; {months}"


def fits_words(result: Result) -> str:
    """Return whether equipment and loads fit together, yes or no, and why."""
    if not isinstance(result, SearchResult):
        return say(NOT_ASKED)
    serious = [each for each in result.fits if each.severity == "serious"]
    odd = sum(each.severity == "odd" for each in result.fits)
    if not serious:
        asked = len(result.fits)
        words = (
            say("yes, because none of 1 point is serious")
            if asked == 1
            else say("yes, because none of {count} points is serious", count=asked)
        )
        return words + (say("; {count} odd", count=odd) if odd else "")
    what = f"{serious[0].what}: {serious[0].value}"
    limit = serious[0].limit
    first = (
        say("no, because {what} against {limit}", what=what, limit=limit)
        if limit
        else say("no, because {what}", what=what)
    )
    more = say("; and {count} more", count=len(serious) - 1) if len(serious) > 1 else ""
    return shortened(first, SENTENCE_SIGNS) + more


def _title(result: Result, card: Card) -> str:
    if isinstance(result, ReplayResult):
        return say("These settings")
    if is_typed(card):
        return say("Typed in already")
    return say("What to change") if isinstance(result, RenewResult) else say("What to enter")


def _lead(result: Result) -> str:
    """Return what stands above the card: advice of a renewal, or why there are no windows."""
    if isinstance(result, RenewResult):
        return advice(result)
    why = why_no_windows(result)
    return say("No windows: {why}", why=why) if why else ""


def _facts(result: Result, today: date) -> tuple[tuple[str, str], ...]:
    scenario = result.scenario
    told = f" ({invented(result)})" if invented(result) else ""
    return (
        (say("Site"), f"{shortened(scenario.name)}{told}"),
        (say("Tariff"), shortened(result.tariff.name)),
        (say("Equipment"), equipment_words(scenario)),
        (say("Menu"), menu_words(scenario)),
        (say("Date"), f"{day_text(today)}; {origin(result)}"),
    )


def _told(result: Result) -> tuple[tuple[str, str], ...]:
    sentences = promise(result)
    has_years = isinstance(result, SearchResult) and result.sureness is not None
    saves = sentences[0] if has_years else sentences[-1]
    lasts = say(NOT_ASKED)
    if isinstance(result, SearchResult):
        outages = result.outages
        lasts = f"{nine_in_ten(outages.spread.p10)} ({carried_text(outages)})."
    return (
        (say("Saves"), saves),
        (say("If the grid fails"), lasts),
        (say("Loads fit"), fits_words(result)),
    )
