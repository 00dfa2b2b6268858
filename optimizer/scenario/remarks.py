"""What is odd in a scenario though not wrong: told by ``check``, never in the way of a plan."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import number
from optimizer.scenario.scenario import Scenario
from optimizer.site.equipment import Plant
from optimizer.site.limits import Way


def remarks(scenario: Scenario) -> list[str]:
    """Return sentences about the scenario, each with the values it speaks of."""
    plant, forecast, grid = scenario.plant, scenario.forecast, scenario.forecast.grid
    load_kw = float(forecast.load_kwh.max()) / grid.step_h
    pv_kw = float(forecast.pv_kwh.max()) / grid.step_h
    found = [
        f"Forecast: {number(grid.days, 2)} days, {number(float(forecast.load_kwh.sum()), 0)} kWh load"
        f" (highest {load_kw:.2f} kW), {number(float(forecast.pv_kwh.sum()), 0)} kWh PV"
        f" (highest {pv_kw:.2f} kW)."
    ]
    found += _rules_in_force(scenario)
    limits = plant.limits_on(grid)
    over_kw = (forecast.load_kwh - limits.import_kwh) / grid.step_h
    worst = int(over_kw.argmax())
    if over_kw[worst] > 0:
        found.append(
            f"The load reaches {forecast.load_kwh[worst] / grid.step_h:.2f} kW, above the import limit of"
            f" {limits.import_kwh[worst] / grid.step_h:g} kW{_by_rule(plant, grid, worst, 'import_kw')};"
            " PV or the battery must cover the rest."
        )
    if plant.pv_on_dc_side and pv_kw > plant.ac_limit_kw:
        found.append(
            f"PV reaches {pv_kw:.2f} kW, above the inverter's {plant.ac_limit_kw:g} kW; the excess"
            " can only charge the battery."
        )
    power = plant.discharge_kw  # PV on the DC side charges past the inverter
    if not plant.pv_on_dc_side:
        power = max(power, plant.charge_kw)
    if power > plant.ac_limit_kw * 1.05:
        found.append(
            f"The battery's {power:g} kW exceeds the inverter's {plant.ac_limit_kw:g} kW, which"
            " limits it."
        )
    surplus_kw = (forecast.pv_kwh - forecast.load_kwh) / grid.step_h
    allowed_kw = limits.export_kwh / grid.step_h
    worst = int((surplus_kw - allowed_kw).argmax())
    if max(surplus_kw[worst], 0) > allowed_kw[worst]:
        found.append(
            f"PV exceeds the load by up to {surplus_kw[worst]:.2f} kW, above the export limit of"
            f" {allowed_kw[worst]:g} kW{_by_rule(plant, grid, worst, 'export_kw')}; some of it will not be"
            " used when the battery is full."
        )
    if grid.days < 28:
        found.append(
            f"The forecast holds only {number(grid.days, 2)} days; settings for a season want a"
            " season's days."
        )
    return found


def _rules_in_force(scenario: Scenario) -> Iterator[str]:
    """Yield the rules beside the connection's own limits, and those of no effect."""
    rules, grid = scenario.plant.rules, scenario.forecast.grid
    if rules:
        told = (f"{rule.rule} ({rule.words()})" for rule in rules)
        yield f"Rules in force: {'; '.join(told)}."
    for rule in rules:
        if not rule.at_steps(grid).any():
            yield f"The rule {rule.rule!r} holds in no step of the forecast."


def _by_rule(plant: Plant, grid: TimeGrid, step: int, way: Way) -> str:
    rule = plant.rule_at(grid, step, way)
    return "" if rule is None else f" by the rule {rule!r}"
