"""Whether loads, PV, battery, inverter and connection fit together, as findings.

Each finding has a value, a limit, where the limit comes from, and what can be done. All that is electrical
is arithmetic for a talk with a licensed electrician and the local authority, never an approval.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number, percent
from optimizer.forecasting.recipe import ForecastRecipe, PvRecipe
from optimizer.scenario.scenario import Scenario
from optimizer.site.electrical import (
    dwelling_climate_va,
    dwelling_demand_va,
    dwelling_general_va,
    full_cycles,
    loading_ratio,
    most_backfed_a,
    most_inverter_a,
)
from optimizer.site.equipment import Inverter, Plant
from optimizer.site.loads import Load
from optimizer.site.starting import (
    all_at_once_w,
    left_off,
    on_leg_w,
    one_after_another_w,
    switching_order,
)

if TYPE_CHECKING:  # what checks alone need loads no compiled code
    from optimizer.simulation.replay import Replay

Severity = Literal["serious", "odd", "information"]

USUAL_RATIO = (1.0, 1.3)
"""PV ÷ inverter that is usual: 1.13 to 1.30 in the US fleet (EIA, Today in Energy, id 35372)."""

FAST_C_RATE = 1.0
"""Above this a battery for buildings is unusual (common practice, no published source)."""

DAYS_PER_YEAR = 365.25
PRACTICE = "common practice, no published source"
STATED = "the scenario"
UNSTATED = "the scenario states no surge, so none is reckoned with"


@dataclass(frozen=True)
class Finding:
    """One thing about how the equipment fits: what, how serious, value and limit, source and mend."""

    severity: Severity
    what: str
    value: str
    limit: str
    source: str
    mend: str = ""

    def sentence(self) -> str:
        """Return the finding as a person reads it."""
        limit = f" (against {self.limit}; {self.source})" if self.limit else f" ({self.source})"
        mend = f" {self.mend}" if self.mend else ""
        return f"{self.what}: {self.value}{limit}.{mend}"


def findings_of(scenario: Scenario) -> list[Finding]:
    """Return what the scenario alone tells about its equipment and loads."""
    return [
        *load_findings(scenario.file.loads, scenario),
        *pv_findings(scenario),
        *battery_findings(scenario),
        *connection_findings(scenario),
    ]


def findings_of_replay(
    scenario: Scenario, run: Replay, bare: Replay, export_price: FloatArray, currency: str
) -> list[Finding]:
    """Return what only a replay tells: PV that is cut off or recovered, and the battery's cycles.

    Parameters
    ----------
    scenario : Scenario
        The site.
    run, bare : Replay
        The forecast with the settings, and without a battery.
    export_price : array
        Shape (T,), what a kWh of export earns. [money per kWh]
    currency : str
        Of the price.
    """
    return [
        *_cut_findings(scenario, run, bare, export_price, currency),
        *_warranty_findings(scenario, run, scenario.plant),
    ]


@dataclass(frozen=True)
class _Surge:
    """What the inverter gives while loads start: as stated, else no more than while they run. [W]"""

    watts: float
    limit: str
    source: str
    is_stated: bool

    @classmethod
    def of(cls, inverter: Inverter) -> _Surge:
        if inverter.surge_kw is None:
            continuous = 1000 * inverter.ac_limit_kw
            return cls(continuous, f"the inverter's {_kw(continuous)}", UNSTATED, is_stated=False)
        watts = 1000 * inverter.surge_kw
        lasting = f" for {number(inverter.surge_s, 0)} s" if inverter.surge_s else ""
        return cls(watts, f"a surge of {_kw(watts)}{lasting}", STATED, is_stated=True)

    def mend(self, otherwise: str) -> str:
        """Return what to do where a start asks for more."""
        ask = "" if self.is_stated else "Give inverter.surge_kw and surge_s from the data sheet."
        return " ".join(each for each in (ask, otherwise) if each)


def load_findings(loads: Sequence[Load], scenario: Scenario) -> Iterator[Finding]:
    """Yield whether the loads can run and start on the inverter, all of them and leg by leg."""
    if not loads:
        return
    inverter = scenario.file.inverter
    continuous, surge = 1000 * inverter.ac_limit_kw, _Surge.of(inverter)
    running = sum(load.running_w for load in loads)
    may_start_w = surge.watts if surge.is_stated else math.inf  # nobody knows: running alone counts
    yield Finding(
        "serious" if running > continuous else "information", "All loads running together",
        _kw(running), f"the inverter's {_kw(continuous)}", STATED,
        _without(left_off(loads, continuous, may_start_w)[1]),
    )  # fmt: skip
    yield from _start_findings(loads, continuous, surge)
    yield from _leg_findings(loads, continuous, surge)


def _start_findings(loads: Sequence[Load], continuous: float, surge: _Surge) -> Iterator[Finding]:
    kept, off = left_off(loads, continuous, surge.watts)
    worst, together = one_after_another_w(loads), all_at_once_w(loads)
    grave: Severity = "serious" if surge.is_stated else "odd"
    yield Finding(
        grave if worst > surge.watts else "information",
        "The largest start while all others run", _kw(worst), surge.limit, surge.source,
        surge.mend(_without(off)) if worst > surge.watts else "",
    )  # fmt: skip
    order = ", ".join(step.load.name for step in switching_order(kept))
    yield Finding(
        "odd" if together > surge.watts else "information", "All loads starting at once",
        _kw(together), surge.limit, surge.source,
        f"Switch on one after another: {order}." if together > surge.watts and len(kept) > 1 else "",
    )  # fmt: skip


def _without(off: Sequence[Load]) -> str:
    """Return which loads to leave off in an outage, and which critical ones are among them."""
    told = f"In an outage leave off: {', '.join(load.name for load in off)}." if off else ""
    lost = [load.name for load in off if load.critical]
    if lost:
        told += f" Critical, and yet not to be carried with the rest: {', '.join(lost)}."
    return told


def _leg_findings(loads: Sequence[Load], continuous: float, surge: _Surge) -> Iterator[Finding]:
    if all(load.leg == "both" for load in loads):
        return
    on_leg = {leg: on_leg_w(loads, leg) for leg in ("1", "2")}
    over = [
        leg for leg, (running, worst) in on_leg.items()
        if running > continuous / 2 or worst > surge.watts / 2
    ]  # fmt: skip
    mend = (
        "Move loads to the other leg." if len(over) == 1 else "Leave loads off: both legs are over."
    )
    for leg, (running, worst) in on_leg.items():
        if leg in over:
            yield Finding(
                "serious", f"Leg {leg}: running, and with its largest start",
                f"{_kw(running)}, {_kw(worst)}", f"half of the inverter, {_kw(continuous / 2)}, and"
                f" half of {surge.limit}", surge.source, mend,
            )  # fmt: skip


def pv_findings(scenario: Scenario) -> Iterator[Finding]:
    """Yield how large the PV is beside the inverter and beside the load."""
    forecast, plant = scenario.forecast, scenario.plant
    if not forecast.pv_kwh.any():
        return
    limit = plant.ac_limit_kw if plant.pv_on_dc_side else plant.pv_ac_limit_kw
    peak, stated = _pv_peak(scenario)
    if limit < 1e8:
        ratio = loading_ratio(peak, limit)
        yield Finding(
            "odd" if ratio > USUAL_RATIO[1] else "information", "PV ÷ inverter",
            f"{number(ratio, 2)} ({number(peak, 2)} kW{stated} ÷ {number(limit, 2)} kW)",
            f"{USUAL_RATIO[0]:g} to {USUAL_RATIO[1]:g} usual", "EIA, Today in Energy, id 35372",
            "Ask whether the maker allows so much PV." if ratio > USUAL_RATIO[1] else "",
        )  # fmt: skip
    share = float(forecast.pv_kwh.sum() / max(forecast.load_kwh.sum(), 1e-9))
    yield Finding("information", "PV ÷ load over the forecast", percent(share),
                  "about 130 % often chosen", PRACTICE)  # fmt: skip


def _pv_peak(scenario: Scenario) -> tuple[float, str]:
    """Return the PV's power and where it is known from: as stated, from its roofs, or guessed. [kW]"""
    if scenario.file.pv.peak_kw:
        return scenario.file.pv.peak_kw, ""
    recipe = scenario.file.forecast
    if isinstance(recipe, ForecastRecipe) and isinstance(recipe.pv, PvRecipe):
        return sum(roof.peak_kw for roof in recipe.pv.roofs), ", by the roofs"
    forecast = scenario.forecast
    highest = float(forecast.pv_kwh.max()) / forecast.grid.step_h
    return highest, ", by the forecast's highest step"


def _cut_findings(
    scenario: Scenario, run: Replay, bare: Replay, export_price: FloatArray, currency: str
) -> Iterator[Finding]:
    plant, grid = scenario.plant, scenario.forecast.grid
    available = scenario.forecast.pv_kwh
    if not plant.pv_on_dc_side:
        available = np.minimum(available, plant.pv_ac_limit_kw * grid.step_h)
    cut, cut_with = (np.maximum(available - each.flows.pv_used_kwh, 0.0) for each in (bare, run))
    lost = float(cut_with.sum())
    worth = float(cut_with @ np.maximum(export_price, 0.0))
    recovered = float(cut.sum()) - lost
    if cut.sum() > 0.5:
        yield Finding(
            "information", "PV cut off by inverter or export limit",
            f"{number(lost, 0)} kWh, worth {number(worth, 2)} {currency} as export", "",
            "replay of the settings",
            f"Without the battery it would be {number(lost + recovered, 0)} kWh:"
            f" the battery recovers {number(max(recovered, 0.0), 0)} kWh.",
        )  # fmt: skip


def battery_findings(scenario: Scenario) -> Iterator[Finding]:
    """Yield the battery's rate, and its power beside the inverter's."""
    battery, plant = scenario.file.battery, scenario.plant
    rate = max(battery.charge_kw, battery.discharge_kw) / battery.capacity_kwh
    yield Finding(
        "odd" if rate > FAST_C_RATE else "information", "Battery power ÷ capacity (C-rate)",
        f"{number(rate, 2)} per h", f"{FAST_C_RATE:g} per h", PRACTICE,
        "Check power and capacity on the data sheet." if rate > FAST_C_RATE else "",
    )  # fmt: skip
    beyond = battery.discharge_kw * plant.to_ac_efficiency
    if beyond < plant.ac_limit_kw * 0.95:
        yield Finding("information", "Battery power behind the inverter", f"{number(beyond, 2)} kW",
                      f"the inverter's {number(plant.ac_limit_kw, 2)} kW", STATED,
                      "At night the battery limits what can run.")  # fmt: skip


def _warranty_findings(scenario: Scenario, run: Replay, plant: Plant) -> Iterator[Finding]:
    days = scenario.forecast.grid.days
    a_year = DAYS_PER_YEAR / days
    throughput = float(run.flows.charge_kwh.sum() + run.flows.discharge_kwh.sum()) * a_year
    cycles = full_cycles(throughput, plant.capacity_kwh)
    given = float(run.flows.discharge_kwh.sum()) * a_year
    told = f"{number(cycles, 0)} full cycles, {number(given, 0)} kWh given"
    warranty = scenario.file.battery.warranty
    if warranty is None:
        yield Finding("information", "Battery in a year", told, "", "replay")
        return
    for allowed, used, unit in (
        (warranty.cycles, cycles, "cycles"), (warranty.throughput_kwh, given, "kWh")
    ):  # fmt: skip
        if allowed is not None:
            most = allowed / warranty.years
            yield Finding(
                "odd" if used > most else "information", "Battery in a year", told,
                f"{number(most, 0)} {unit} a year of the warranty's {number(allowed, 0)} in"
                f" {number(warranty.years)} years", STATED,
                "The warranty would end early." if used > most else "",
            )  # fmt: skip


def connection_findings(scenario: Scenario) -> Iterator[Finding]:
    """Yield the back-fed breaker's arithmetic and the dwelling's demand, where they are described."""
    panel, dwelling = scenario.file.panel, scenario.file.dwelling
    talk = "For a talk with a licensed electrician; rules differ by place and year of the code."
    if panel is not None:
        amps = 1000 * scenario.plant.ac_limit_kw / panel.volts
        most = most_inverter_a(panel.busbar_a, panel.main_breaker_a)
        yield Finding(
            "odd" if amps > most else "information", "Inverter current on the busbar",
            f"{number(amps)} A", f"{number(most)} A, a back-fed breaker of"
            f" {number(most_backfed_a(panel.busbar_a, panel.main_breaker_a))} A",
            "the 120 % rule, NEC 705.12", talk,
        )  # fmt: skip
    if dwelling is not None:
        va = dwelling_demand_va(dwelling)
        yield Finding(
            "information", "Demand of the dwelling, an estimate",
            f"{number(va, 0)} VA = {number(va / dwelling.volts)} A",
            f"general loads of {number(dwelling_general_va(dwelling), 0)} VA, heating or cooling"
            f" {number(dwelling_climate_va(dwelling), 0)} VA",
            "optional method, NEC 220.82", talk,
        )  # fmt: skip


def _kw(watts: float) -> str:
    return f"{number(watts / 1000, 2)} kW"
