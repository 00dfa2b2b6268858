"""A scenario with its tariff, compiled: all that is known before anything is planned.

Read next: ``workflows.inputs``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.base.calendar import EVERY_DAY, Days
from optimizer.base.timegrid import joined_grid
from optimizer.billing.odd import odd_values
from optimizer.billing.running import with_known_steps
from optimizer.billing.tariff import (
    Tariff,
    TariffCost,
    compile_cost,
    find_tariff,
    read_tariff,
    refuse_unknown_history,
)
from optimizer.forecasting.weeks import Material, Weather
from optimizer.metering.forecast import Forecast
from optimizer.scenario.scenario import Scenario, periods_elsewhere, read_scenario
from optimizer.site.floors import NO_FLOORS, Floors


@dataclass(frozen=True)
class Brief:
    """A scenario with its tariff, compiled for the steps of the forecast.

    ``floors`` are higher floors of single months, where a wanted endurance asks for them.
    """

    scenario: Scenario
    tariff: Tariff
    cost: TariffCost
    floors: Floors = NO_FLOORS

    @property
    def currency(self) -> str:
        """What stands beside money: the sign that the scenario chooses, or the tariff's currency."""
        return self.scenario.file.writing.currency_sign or self.tariff.currency

    @property
    def weather(self) -> Weather:
        """The weeks from which plausible years are made."""
        return Weather(self.scenario.forecast, self.scenario.material)

    def on(self, forecast: Forecast, material: Material) -> Brief:
        """Return the same site and tariff with another forecast, and nothing known from before it."""
        periods = periods_elsewhere(self.scenario, forecast.grid)
        scenario = replace(
            self.scenario,
            forecast=forecast,
            material=material,
            periods=periods,
            so_far=None,
            expected=None,
        )
        cost = compile_cost(self.tariff, forecast.grid, periods)
        return replace(self, scenario=scenario, cost=cost)

    def noting(self, note: str) -> Brief:
        """Return the brief with one more note on its forecast."""
        forecast = self.scenario.forecast
        forecast = replace(forecast, notes=(*forecast.notes, note))
        return replace(self, scenario=replace(self.scenario, forecast=forecast))


def read_brief(path: Path, days: Days = EVERY_DAY) -> Brief:
    """Read a scenario folder, of its forecast some days, and its tariff.

    Raises
    ------
    InputError
        If scenario, forecast or tariff cannot be read, or do not go together.
    """
    scenario = read_scenario(path, days)
    where = scenario.source.where(("tariff",))
    return brief_of(
        scenario, read_tariff(find_tariff(scenario.file.tariff, scenario.folder, where))
    )


def brief_of(scenario: Scenario, tariff: Tariff) -> Brief:
    """Return a scenario with a tariff, compiled.

    Raises
    ------
    InputError
        If the tariff does not cover the forecast, or the state names charges that it does not have.
    """
    state = scenario.file.state
    refuse_unknown_history(tariff, state, lambda key: scenario.source.where(("state", key)))
    cost = cost_for(scenario, tariff)
    return Brief(scenario, tariff, replace(cost, notes=(*cost.notes, *odd_values(tariff))))


def cost_for(scenario: Scenario, tariff: Tariff) -> TariffCost:
    """Return a tariff compiled for the forecast's steps, given what was metered before them."""
    grid, so_far = scenario.forecast.grid, scenario.so_far
    if so_far is None:
        return compile_cost(tariff, grid, scenario.periods, scenario.file.state)
    whole = joined_grid(so_far.grid, grid)
    cost = compile_cost(tariff, whole, scenario.periods, scenario.file.state)
    return with_known_steps(cost, so_far, grid)
