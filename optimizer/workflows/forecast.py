"""The forecast of a scenario as plausible seasons."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from optimizer.base.errors import ScenarioError
from optimizer.forecasting.ensemble import MEMBERS, MEMBERS_SEED, Ensemble, ensemble_of
from optimizer.metering.forecast import FORECAST
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import Scenario


@dataclass(frozen=True)
class ForecastResult:
    """The forecast of a scenario as plausible seasons."""

    brief: Brief
    ensemble: Ensemble


def forecast(brief: Brief, members: int = MEMBERS, seed: int = MEMBERS_SEED) -> ForecastResult:
    """Make the forecast of a scenario as a set of plausible seasons; the same seed draws the same."""
    return ForecastResult(brief, ensemble_of(brief.weather, members, seed))


def refuse_own_forecast(scenario: Scenario, out: Path) -> None:
    """Refuse to write a forecast over the one that a scenario reads.

    Raises
    ------
    ScenarioError
        If it would.
    """
    name = scenario.file.forecast
    if isinstance(name, str) and (scenario.folder / name).resolve() == (out / FORECAST).resolve():
        raise ScenarioError(
            "the forecast would be written over the scenario's own",
            where=str(out / FORECAST),
            mend="Name another folder with --out.",
        )
