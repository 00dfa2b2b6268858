"""What a result rests on: what was assumed, and how it was computed.

Read next: ``page``.
"""

from __future__ import annotations

from optimizer.base.units import number, price
from optimizer.report.advice import how_proven
from optimizer.report.handover import equipment_words, menu_words
from optimizer.report.unseen import how_judged, rule
from optimizer.report.wrapping import on_one_line
from optimizer.settings.windows import floors_text
from optimizer.workflows.results import Result, SearchResult


def assumed(result: Result) -> list[tuple[str, str]]:
    """Return what the scenario states and the figures rest on, by name."""
    scenario, grid = result.scenario, result.scenario.forecast.grid
    file, battery = scenario.file, scenario.file.battery
    permissions = file.permissions
    allowed = [
        ("filling from the grid", permissions.charge_from_grid),
        ("export", permissions.export),
        ("export of stored energy", permissions.export and permissions.export_stored_energy),
    ]
    return [
        ("Site", on_one_line(scenario.name) + (" (invented)" if scenario.is_invented else "")),
        ("Tariff", on_one_line(result.tariff.name)
                   + (" (invented)" if result.tariff.file.invented else "")),
        ("Forecast", f"{result.span}, {number(grid.days, 2)} days in steps of {grid.step_minutes} min,"
                     f" by the clock of {file.zone}; load"
                     f" {number(float(scenario.forecast.load_kwh.sum()), 0)} kWh, PV"
                     f" {number(float(scenario.forecast.pv_kwh.sum()), 0)} kWh"),
        *([("Estimate", scenario.forecast.estimate)] if scenario.forecast.estimate else []),
        ("Equipment", equipment_words(scenario)),
        ("Losses", f"filling {number(battery.charge_efficiency_pct)} %, giving"
                   f" {number(battery.discharge_efficiency_pct)} %, inverter"
                   f" {number(file.inverter.efficiency_pct)} %; standing"
                   f" {number(battery.standing_loss_pct_per_day, 2)} % a day"),
        ("Wear", f"{price(battery.wear_per_kwh)} {result.currency} for each kWh discharged"),
        ("Allowed", "; ".join(f"{name}: {'yes' if is_so else 'no'}" for name, is_so in allowed)),
        ("Floor", floors_text(result.settings)),
        ("Menu", menu_words(scenario)),
    ]  # fmt: skip


def computed(result: Result) -> list[str]:
    """Return how plan, windows and bills were found, and what holds them, in sentences."""
    proof, grid = result.plan.proof, result.scenario.forecast.grid
    found = (
        [
            f"Windows: searched with --effort {result.effort} in the equipment's own menu. {rule(result)}"
        ]
        if isinstance(result, SearchResult)
        else []
    )
    return [
        f"The plan, a {proof.kind}, is {how_proven(proof)}; its objective {proof.objective:.4f} equals the"
        f" bill of its flows, plus wear, recomputed: {proof.recomputed:.4f}.",
        *found,
        f"Settings are replayed over {grid.count:,} steps by the equipment's own rules, without knowing what"
        " comes; every case is billed by the same tariff from what the meter then shows.",
        how_judged(result),
    ]
