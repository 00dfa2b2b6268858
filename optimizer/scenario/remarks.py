"""What is odd in a scenario though not wrong: told by ``check``, never in the way of a plan."""

from __future__ import annotations

from optimizer.base.units import number
from optimizer.scenario.scenario import Scenario
from optimizer.site.equipment import UNLIMITED_KW


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
    if load_kw > plant.import_limit_kw:
        found.append(
            f"The load reaches {load_kw:.2f} kW, above the import limit of"
            f" {plant.import_limit_kw:g} kW; PV or the battery must cover the rest."
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
    surplus_kw = float((forecast.pv_kwh - forecast.load_kwh).max()) / grid.step_h
    if plant.export_limit_kw < UNLIMITED_KW and surplus_kw > plant.export_limit_kw:
        found.append(
            f"PV exceeds the load by up to {surplus_kw:.2f} kW, above the export limit of"
            f" {plant.export_limit_kw:g} kW; some of it will not be used when the battery is full."
        )
    if grid.days < 28:
        found.append(
            f"The forecast holds only {number(grid.days, 2)} days; settings for a season want a"
            " season's days."
        )
    return found
