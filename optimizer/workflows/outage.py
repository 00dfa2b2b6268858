"""How long the building goes on when the grid fails, under given settings.

Read next: ``reserve``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from optimizer.base.errors import ScenarioError
from optimizer.base.progress import Progress, quiet
from optimizer.outages.outages import Outages, carried_in, outages_from
from optimizer.scenario.brief import Brief
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of, with_floor_of


@dataclass(frozen=True)
class OutageResult:
    """How long outages are carried under settings."""

    brief: Brief
    settings: Settings
    outages: Outages


def outage(
    brief: Brief,
    settings: Settings | None = None,
    *,
    critical_only: bool = False,
    progress: Progress = quiet,
) -> OutageResult:
    """Say how long the building goes on when the grid fails, under settings in use or no windows.

    Raises
    ------
    ScenarioError
        If only critical loads are to be carried, but none are listed.
    """
    plant = brief.scenario.plant
    if settings is None:
        settings = no_windows(round(plant.soc_pct(plant.low_kwh), 9))
    progress("beginning an outage at each step")
    brief = with_floor_of(settings, brief)
    outages = outages_under(brief, settings, critical_only=critical_only)
    return OutageResult(brief, settings, outages)


def outages_under(brief: Brief, settings: Settings, *, critical_only: bool = False) -> Outages:
    """Begin an outage at each step of the forecast, as the settings leave the battery there.

    Critical loads alone are carried if that is asked for here or in the scenario.

    Raises
    ------
    ScenarioError
        If only critical loads are to be carried, but none are listed.
    """
    scenario, horizon = brief.scenario, horizon_of(brief)
    outage = scenario.file.outage
    critical_only = critical_only or outage.carries == "critical"
    if critical_only and not scenario.critical_kw:
        raise ScenarioError(
            "no load is critical, so none is to be carried",
            where=scenario.source.where(("loads",)),
            mend="List loads, and write critical: true for those that must go on.",
        )
    critical_kw = scenario.critical_kw if critical_only else None
    carried = carried_in(horizon, critical_kw, pv_runs=outage.pv_runs)
    found = outages_from(carried, replay(horizon, settings).before_kwh, scenario.makers_floor_kwh)
    return replace(found, critical_only=critical_only, estimate=scenario.forecast.estimate)
