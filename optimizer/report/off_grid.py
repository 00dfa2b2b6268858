"""What a limit of the import comes to: text, data and the settings file with it."""

from __future__ import annotations

from typing import Any

from optimizer.base.units import money, number
from optimizer.report.advice import invented_words
from optimizer.report.record import commented_settings, settings_record
from optimizer.report.wrapping import filled
from optimizer.workflows.off_grid import SHARES, OffGrid


def off_grid_text(result: OffGrid) -> str:
    """Return how often the limit is kept, what it costs, and how full the battery must be, as text."""
    scenario, limit = result.brief.scenario, result.limit
    told = invented_words(is_site=scenario.is_invented, is_tariff=result.brief.tariff.file.invented)
    dates = scenario.forecast.grid.dates
    lines = [
        f"{scenario.name} on tariff {result.brief.tariff.name}{f' ({told})' if told else ''}",
        f"{dates[0]} to {dates[-1]}, with this limit: {limit.words}",
        "",
        "IS IT KEPT?",
        *map(filled, _kept(result)),
        "",
        "WHAT IT COSTS",
        filled(_cost(result)),
        "",
        f"HOW FULL THE BATTERY MUST BE AT {limit.window.start}",
        *_level_lines(result),
        *map(filled, _levels(result)),
    ]
    if result.notes:
        lines += ["", "NOTES", *(filled(note, "  - ") for note in result.notes)]
    return "\n".join(lines)


def _kept(result: OffGrid) -> list[str]:
    count, days = len(result.spells), len(result.broken)
    if not days:
        return [f"Yes: on all {count} days the import stays at or below the limit."]
    highest, worst = result.highest, result.worst
    return [
        f"Not on {days} of {count} days: there the battery does not keep"
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
    lines = []
    for share in SHARES:
        name = "all days" if share == 1 else f"{100 * share:.0f} % of the days"
        level = result.level_for(share)
        told = "no level is enough" if level is None else f"{number(level)} %"
        lines.append(f"  {f'to keep it on {name}':34}{told}")
    return lines


def _levels(result: OffGrid) -> list[str]:
    told = [
        f"With these settings it is at {number(result.begins_at_pct, 0)} % or more on half of the days."
    ]
    plant = result.brief.scenario.plant
    if days := result.at_no_level("energy"):
        told.append(
            f"On {_days(days)} even a full battery runs empty before the hours are over: it would have to"
            " be larger, or be filled in between."
        )
    if days := result.at_no_level("power"):
        told.append(
            f"On {_days(days)} no level is enough, because the building asks for more power than the"
            f" battery ({number(plant.discharge_kw)} kW) and the inverter"
            f" ({number(plant.ac_limit_kw)} kW) give at once."
        )
    return told


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def off_grid_record(result: OffGrid) -> dict[str, Any]:
    """Return the same as plain data; units stand in the keys."""
    limit, highest, worst = result.limit, result.highest, result.worst
    return {
        "limit": {
            "hours": limit.hours, "days": limit.days, "months": list(limit.months),
            "import_kw": limit.import_kw,
        },
        "currency": result.brief.currency,
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
            lacks: result.at_no_level(lacks) for lacks in ("energy", "power")
        },
        "settings": settings_record(result.settings),
        "notes": list(result.notes),
    }  # fmt: skip


def limited_yaml(result: OffGrid) -> str:
    """Return the settings with the limit as a file that a person can read aloud."""
    scenario = result.brief.scenario
    head = [f"# Settings for {scenario.name}, with this limit: {result.limit.words}"]
    return commented_settings(head, scenario, result.settings)
