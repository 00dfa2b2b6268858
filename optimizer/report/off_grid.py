"""What a limit of the import comes to: text, data and the settings file with it."""

from __future__ import annotations

from optimizer.base.units import money, number
from optimizer.report.advice import invented_words
from optimizer.report.card import card_for
from optimizer.report.record import commented_settings, settings_record
from optimizer.report.shapes import OffGridRecord
from optimizer.report.wrapping import filled
from optimizer.settings.limiting import is_split
from optimizer.workflows.off_grid import SHARES, OffGrid

SUMMER_MIN = 60
"""How far a clock that stays on winter time is behind the wall in summer. [min]"""


def off_grid_text(result: OffGrid) -> str:
    """Return how often the limit is kept, what it costs, and how full the battery must be, as text."""
    scenario, limit = result.brief.scenario, result.limit
    told = invented_words(is_site=scenario.is_invented, is_tariff=result.brief.tariff.file.invented)
    dates = scenario.forecast.grid.dates
    by = "" if scenario.controls.summer_time else " BY THE EQUIPMENT'S CLOCK"
    lines = [
        f"{scenario.name} on tariff {result.brief.tariff.name}{f' ({told})' if told else ''}",
        f"{dates[0]} to {dates[-1]}, with this limit: {limit.words}",
        *_clock(result),
        "",
        "IS IT KEPT?",
        *map(filled, _kept(result)),
        "",
        "WHAT IT COSTS",
        filled(_cost(result)),
        "",
        f"HOW FULL THE BATTERY MUST BE AT {limit.window.start}{by}",
        *_level_lines(result),
        *map(filled, _levels(result)),
    ]
    if notes := _notes(result):
        lines += ["", "NOTES", *(filled(note, "  - ") for note in notes)]
    return "\n".join(lines)


def _clock(result: OffGrid) -> list[str]:
    """Return what hours by a clock that stays on winter time are by the wall."""
    limit = result.limit
    later, earlier = (limit.span_shifted(minutes) for minutes in (SUMMER_MIN, -SUMMER_MIN))
    if result.brief.scenario.controls.summer_time or later == earlier:
        return []
    told = (
        f"By the equipment's clock, which stays on winter time: in summer these hours are {later} by the"
        f" clock on the wall, by which tariffs and rules go. For {limit.window.span()} by the wall in"
        f" summer ask for {earlier}. Single times below are by the wall."
    )
    return [filled(told)]


def _kept(result: OffGrid) -> list[str]:
    count, broken, days = len(result.spells), len(result.broken), _counted(result)
    if not broken:
        return [f"Yes: on all {count} {days} the import stays at or below the limit."]
    highest, worst = result.highest, result.worst
    return [
        f"Not on {broken} of {count} {days}: there the battery does not keep"
        f" {_what_is_kept(result.limit.import_kw)}. In all {number(result.missing_kwh)} kWh are missing.",
        f"Highest import: {number(highest.highest_kw, 2)} kW, on"
        f" {highest.highest_at:%Y-%m-%d at %H:%M}. Most energy missing: {number(worst.missing_kwh)} kWh,"
        f" on {worst.begin:%Y-%m-%d}.",
    ]


def _what_is_kept(import_kw: float) -> str:
    if not import_kw:
        return "the building off the grid"
    return f"the import at or below {number(import_kw, 2)} kW"


def _cost(result: OffGrid) -> str:
    more, currency = result.costs_a_year, result.brief.currency
    told = f"{'costs' if more > 0 else 'saves'} {money(abs(more), currency)}"
    if abs(more) < 0.005:
        told = "costs and saves nothing"
    return (
        f"The limit {told} a year against the same settings without it"
        f" (bills of the forecast: {money(result.after.bill.total, currency)} with it,"
        f" {money(result.before.bill.total, currency)} without)."
    )


def _level_lines(result: OffGrid) -> list[str]:
    lines, days = [], _counted(result)
    for share in SHARES:
        name = f"all {days}" if share == 1 else f"{100 * share:.0f} % of the {days}"
        level = result.level_for(share)
        told = "no level is enough" if level is None else f"{number(level)} %"
        lines.append(f"  {f'to keep it on {name}':34}{told}")
    return lines


def _levels(result: OffGrid) -> list[str]:
    plant, days = result.brief.scenario.plant, _counted(result)
    level, full = (number(pct, 0) for pct in (result.begins_at_pct, plant.soc_pct(plant.high_kwh)))
    reached = f"full ({full} %)" if level == full else f"at {level} % or more"
    told = [f"With these settings it is {reached} on at least half of the {days}."]
    if count := result.at_no_level("energy"):
        told.append(
            f"On {_number_of(days, count)} even a full battery runs empty before the hours are over:"
            " it would have to be larger, or be filled in between."
        )
    if count := result.at_no_level("power"):
        told.append(
            f"On {_number_of(days, count)} no level is enough, because the building asks for more power"
            f" than the battery ({number(plant.discharge_kw)} kW) and the inverter"
            f" ({number(plant.ac_limit_kw)} kW) give at once."
        )
    return told


def _counted(result: OffGrid) -> str:
    return "nights" if result.limit.window.is_over_midnight else "days"


def _number_of(several: str, count: int) -> str:
    return f"{count} {several.removesuffix('s') if count == 1 else several}"


def _notes(result: OffGrid) -> list[str]:
    """Return what else is to be known, and how many entries the limit takes on the card."""
    scenario, controls = result.brief.scenario, result.brief.scenario.controls
    with_it, without = (
        sum(
            not entry.unused
            for months in card_for(scenario, settings).sets
            for each in months.lists
            for part in each.parts
            for entry in part.entries
        )
        for settings in (result.settings, result.without)
    )
    told = f"With the limit {with_it} {'entry stands' if with_it == 1 else 'entries stand'} on the card, "
    told += f"without it {without or 'none'}."
    if is_split(result.without, result.limit, controls):
        told += " Windows are split where it begins or ends."
    return [*result.notes, told]


def off_grid_record(result: OffGrid) -> OffGridRecord:
    """Return the same as plain data; units stand in the keys."""
    limit, highest, worst = result.limit, result.highest, result.worst
    by_wall = result.brief.scenario.controls.summer_time
    return {
        "limit": {
            "hours": limit.hours, "days": limit.days, "months": list(limit.months),
            "import_kw": limit.import_kw,
            "clock": "wall" if by_wall else "winter time",
            "hours_in_summer_by_the_wall": limit.span_shifted(0 if by_wall else SUMMER_MIN).replace("–", "-"),
        },
        "currency": result.brief.currency,
        "counted": _counted(result),
        "days": len(result.spells),
        "days_not_kept": len(result.broken),
        "missing_kwh": result.missing_kwh,
        "highest_import": {"kw": highest.highest_kw, "at": highest.highest_at.isoformat()},
        "worst_day": {"begin": worst.begin.isoformat(), "missing_kwh": worst.missing_kwh},
        "costs_a_year": result.costs_a_year,
        "bill_with": result.after.bill.total,
        "bill_without": result.before.bill.total,
        "level_needed_pct": {f"{100 * share:.0f}": result.level_for(share) for share in SHARES},
        "level_at_begin_median_pct": result.begins_at_pct,
        "days_full_is_not_enough": {
            "energy": result.at_no_level("energy"), "power": result.at_no_level("power"),
        },
        "settings": settings_record(result.settings),
        "notes": _notes(result),
    }  # fmt: skip


def limited_yaml(result: OffGrid) -> str:
    """Return the settings with the limit as a file that a person can read aloud."""
    scenario = result.brief.scenario
    head = [f"# Settings for {scenario.name}, with this limit: {result.limit.words}"]
    return commented_settings(head, scenario, result.settings)
