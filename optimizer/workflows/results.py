"""What jobs with a plan hand out: bills side by side, and what was asked about settings.

Each job adds its own record beside its function; how it is shown stands in ``report``. Read next: ``plan``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from optimizer.billing.tariff import Tariff, TariffCost
from optimizer.cost.expression import linear_cost
from optimizer.cost.prices import Prices
from optimizer.evaluation.comparison import Judge, Outcome, cases_of
from optimizer.evaluation.fit_check import Finding, findings_of, findings_of_replay
from optimizer.evaluation.out_of_sample import Sureness
from optimizer.evaluation.reasons import reasons_for
from optimizer.outages.outages import Outages
from optimizer.planning.plan import Plan
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import Scenario
from optimizer.search.choose import Found
from optimizer.settings.windows import Settings, no_windows
from optimizer.workflows.inputs import horizon_of


@dataclass(frozen=True)
class Result:
    """A site and its tariff, its cheapest plan, and what settings come to beside it."""

    brief: Brief
    plan: Plan
    outcome: Outcome

    @property
    def scenario(self) -> Scenario:
        """The site."""
        return self.brief.scenario

    @property
    def tariff(self) -> Tariff:
        """The tariff, as it was read."""
        return self.brief.tariff

    @property
    def cost(self) -> TariffCost:
        """The tariff compiled for the steps of the forecast."""
        return self.brief.cost

    @property
    def currency(self) -> str:
        """Currency of all money."""
        return self.tariff.currency

    @property
    def settings(self) -> Settings:
        """The settings at stake."""
        return self.outcome.settings

    @property
    def span(self) -> str:
        """First and last day of the forecast."""
        dates = self.scenario.forecast.grid.dates
        return f"{dates[0]} to {dates[-1]}"

    @cached_property
    def prices(self) -> Prices:
        """Money per kWh at each step, shape (T,)."""
        return self.plan.step_prices


@dataclass(frozen=True)
class SearchResult(Result):
    """Settings that were searched for, and what was asked about them.

    ``sureness`` is None where no weeks could be kept back.
    """

    found: Found
    sureness: Sureness | None
    effort: str
    outages: Outages
    fits: tuple[Finding, ...]


def outcome_of(
    brief: Brief,
    plan: Plan,
    settings: Settings,
    in_use: Settings | None = None,
    anew: Settings | None = None,
) -> Outcome:
    """Replay the settings and the equipment without them, and put the bills side by side."""
    horizon, judge = horizon_of(brief), Judge(brief.cost, plan)
    reasons = reasons_for(
        settings, horizon, judge.priced, brief.tariff.currency, brief.scenario.whole_kw
    )
    return Outcome(cases_of(horizon, settings, judge, in_use, anew), settings, tuple(reasons))


def fits_under(brief: Brief, settings: Settings) -> list[Finding]:
    """Return whether equipment and loads fit together, and what the settings ask of them."""
    horizon, scenario = horizon_of(brief), brief.scenario
    run = horizon.run(settings)
    bare = replace(horizon, plant=horizon.plant.without_battery(), start_kwh=0.0).run(
        no_windows(0.0)
    )
    cost = linear_cost(brief.cost.total, horizon.grid.count)
    price = -cost.marginal("export_kwh", run.flows)
    replayed = findings_of_replay(scenario, run, bare, price, brief.tariff.currency)
    return [*findings_of(scenario), *replayed]
