"""Rules of thumb and of printed codes about batteries, PV, connections and dwellings, as plain functions.

Each names its source. None of them approves anything: rules differ by place and by the year of the code,
and an installation is for licensed people and the local authority. Read next: ``evaluation.fit_check``.
"""

from __future__ import annotations

from optimizer.site.loads import Dwelling

GENERAL_VA, GENERAL_REST = 10_000.0, 0.40
"""The optional method takes the first 10 kVA of general loads whole and 40 % of the rest."""


def loading_ratio(peak_kw: float, ac_kw: float) -> float:
    """Return PV on the DC side ÷ the inverter's AC limit (EIA, Today in Energy, id 35372). [1]"""
    return peak_kw / ac_kw


def full_cycles(throughput_kwh: float, capacity_kwh: float) -> float:
    """Return equivalent full cycles: energy in and out ÷ twice the nominal capacity. [1]"""
    return throughput_kwh / (2 * capacity_kwh)


def most_backfed_a(busbar_a: float, main_a: float) -> float:
    """Return the largest back-fed breaker by the 120 % rule for busbars (NEC 705.12). [A]"""
    return max(1.2 * busbar_a - main_a, 0.0)


def most_inverter_a(busbar_a: float, main_a: float) -> float:
    """Return the largest inverter current by the same rule: 125 % of it + main ≤ 120 % of the bus. [A]"""
    return most_backfed_a(busbar_a, main_a) / 1.25


def general_demand_va(general_va: float) -> float:
    """Return the demand of general loads by the optional method for dwellings (NEC 220.82(B)). [VA]"""
    return min(general_va, GENERAL_VA) + GENERAL_REST * max(general_va - GENERAL_VA, 0.0)


def dwelling_general_va(dwelling: Dwelling) -> float:
    """Return the general loads of a dwelling: 3 VA per ft², circuits of 1,500 VA, and appliances. [VA]"""
    circuits = dwelling.small_appliance_circuits + dwelling.laundry_circuits
    return 3 * dwelling.floor_ft2 + 1500 * circuits + sum(dwelling.appliances_va)


def dwelling_climate_va(dwelling: Dwelling) -> float:
    """Return the larger of cooling and heating by the optional method (NEC 220.82(C)). [VA]

    Cooling and a heat pump whole, its supplementary heat 65 %; resistive heating 65 %, or 40 % from
    four separately controlled units on.
    """
    heating = dwelling.heating_va * (0.40 if dwelling.heating_units >= 4 else 0.65)
    pump = dwelling.heat_pump_va + 0.65 * dwelling.supplementary_va
    return max(dwelling.cooling_va, heating, pump)


def dwelling_demand_va(dwelling: Dwelling) -> float:
    """Return the demand of a dwelling by the optional method. [VA]"""
    general = general_demand_va(dwelling_general_va(dwelling))
    return general + dwelling_climate_va(dwelling)
