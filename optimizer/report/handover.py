"""The handover sheet: what a technician types in, with what must be known beside it, on one printed page.

Read next: ``page``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from optimizer.base.units import number
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

TOO_LONG = "Too long for paper: hand over settings.yaml beside this sheet."


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
    short = short if len(short) <= SHORT_SIGNS else TOO_LONG
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
    side = "the battery's side (DC)" if pv.coupling == "dc" else "the building's side (AC)"
    limits = [
        f"{number(kw)} kW {way}"
        for kw, way in ((grid.import_limit_kw, "in"), (grid.export_limit_kw, "out"))
        if kw is not None
    ]
    parts = [
        f"battery of {number(battery.capacity_kwh)} kWh, {number(battery.floor_pct)} to"
        f" {number(battery.ceiling_pct)} %, takes {number(battery.charge_kw)} kW, gives"
        f" {number(battery.discharge_kw)} kW",
        f"inverter {number(inverter.ac_limit_kw)} kW",
        f"PV {f'{number(pv.peak_kw)} kW ' if pv.peak_kw else ''}on {side}",
        f"connection {' and '.join(limits)}" if limits else "",
    ]
    return "; ".join(filter(None, parts))


def menu_words(scenario: Scenario) -> str:
    """Return the lists of the menu with how many entries each holds."""
    controls = scenario.controls
    lists = ", ".join(
        f"{on_one_line(each.name)} ({each.entries} {'entry' if each.entries == 1 else 'entries'})"
        for each in controls.menu.lists
    )
    sets = controls.season_sets
    months = "no calendar" if not controls.has_calendar else f"{sets} sets of months"
    return f"{lists}; {', '.join(controls.menu.day_sets)}; {months}"


def fits_words(result: Result) -> str:
    """Return whether equipment and loads fit together, yes or no, and why."""
    if not isinstance(result, SearchResult):
        return "not asked of settings that are only replayed"
    serious = [each for each in result.fits if each.severity == "serious"]
    odd = sum(each.severity == "odd" for each in result.fits)
    if not serious:
        asked = len(result.fits)
        points = f"{asked} point{'' if asked == 1 else 's'}"
        return f"yes, because none of {points} is serious" + (f"; {odd} odd" if odd else "")
    first = f"{serious[0].what}: {serious[0].value}"
    against = f" against {serious[0].limit}" if serious[0].limit else ""
    more = f"; and {len(serious) - 1} more" if len(serious) > 1 else ""
    return shortened(f"no, because {first}{against}", SENTENCE_SIGNS) + more


def _title(result: Result, card: Card) -> str:
    if isinstance(result, ReplayResult):
        return "These settings"
    if is_typed(card):
        return "Typed in already"
    return "What to change" if isinstance(result, RenewResult) else "What to enter"


def _lead(result: Result) -> str:
    """Return what stands above the card: advice of a renewal, or why there are no windows."""
    if isinstance(result, RenewResult):
        return advice(result)
    why = why_no_windows(result)
    return f"No windows: {why}" if why else ""


def _facts(result: Result, today: date) -> tuple[tuple[str, str], ...]:
    scenario = result.scenario
    told = f" ({invented(result)})" if invented(result) else ""
    return (
        ("Site", f"{shortened(scenario.name)}{told}"),
        ("Tariff", shortened(result.tariff.name)),
        ("Equipment", equipment_words(scenario)),
        ("Menu", menu_words(scenario)),
        ("Date", f"{today}; {origin(result)}"),
    )


def _told(result: Result) -> tuple[tuple[str, str], ...]:
    sentences = promise(result)
    has_years = isinstance(result, SearchResult) and result.sureness is not None
    saves = sentences[0] if has_years else sentences[-1]
    lasts = "not asked of settings that are only replayed"
    if isinstance(result, SearchResult):
        outages = result.outages
        lasts = f"{nine_in_ten(outages.spread.p10)} ({carried_text(outages)})."
    return (("Saves", saves), ("If the grid fails", lasts), ("Loads fit", fits_words(result)))
