"""What jobs with a plan hand out: bills side by side, and what was asked about settings.

Each job adds its own record beside its function; how it is shown stands in ``report``. Read next: ``plan``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING

from optimizer.base.units import day_text
from optimizer.base.words import say
from optimizer.billing.tariff import Tariff, TariffCost
from optimizer.cost.expression import linear_cost
from optimizer.cost.prices import Prices
from optimizer.evaluation.comparison import Judge, Outcome, cases_of
from optimizer.evaluation.fit_check import Finding, findings_of, findings_of_replay
from optimizer.evaluation.out_of_sample import Sureness
from optimizer.evaluation.reasons import reasons_for
from optimizer.outages.outages import Outages
from optimizer.outages.reserve import Reserve
from optimizer.planning.plan import Plan
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import Scenario
from optimizer.search.choose import Found
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, repr=False)
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
        return self.brief.currency

    @property
    def settings(self) -> Settings:
        """The settings at stake."""
        return self.outcome.settings

    @property
    def span(self) -> str:
        """First and last day of the forecast."""
        dates = self.scenario.forecast.grid.dates
        return say("{first} to {last}", first=day_text(dates[0]), last=day_text(dates[-1]))

    @property
    def kept_share(self) -> float | None:
        """Share of the possible saving on the forecast that the settings keep; None if there is none. [1]"""
        return self.outcome.kept_share

    @property
    def bills(self) -> pd.DataFrame:
        """A row for each way of running the site: bill and cost [money], kWh over the meter, peak."""
        import pandas as pd

        rows = {
            case.key: {
                "label": case.label,
                "bill": case.bill.total,
                "cost": case.cost,
                "import_kwh": float(case.flows.import_kwh.sum()),
                "export_kwh": float(case.flows.export_kwh.sum()),
                "peak_import_kw": case.peak_import_kw,
            }
            for case in self.outcome.cases.values()
        }
        return pd.DataFrame.from_dict(rows, orient="index")

    @property
    def flows(self) -> pd.DataFrame:
        """Flows and stored energy under the settings, as a frame of T rows. [kWh per step]"""
        case = self.outcome.cases["windows"]
        return case.flows.frame.assign(stored_kwh=case.stored_kwh)

    def __repr__(self) -> str:
        entries = self.settings.entries(self.scenario.controls.menu)
        return (
            f"<{type(self).__name__} of {self.scenario.name!r}: {entries} windows save"
            f" {self.outcome.saved:,.2f} of {self.outcome.can_save:,.2f} {self.currency}>"
        )

    def _repr_html_(self) -> str:
        return f"<p>{escape(repr(self))}</p>{self.bills.to_html(index=False)}"

    @cached_property
    def prices(self) -> Prices:
        """Money per kWh at each step, shape (T,)."""
        return self.plan.step_prices


@dataclass(frozen=True, repr=False)
class SearchResult(Result):
    """Settings that were searched for, and what was asked about them.

    ``sureness`` is None where no weeks could be kept back; ``reserve`` is there if an endurance was
    wished for.
    """

    found: Found
    sureness: Sureness | None
    effort: str
    outages: Outages
    fits: tuple[Finding, ...]
    reserve: Reserve | None = field(default=None, kw_only=True)

    @property
    def spread(self) -> pd.DataFrame:
        """What years that such windows have not seen came to: a row for bill, saving, kept share.

        Columns are what one year in ten, half of them and nine in ten stay at or below; empty where no
        weeks could be kept back.
        """
        import pandas as pd

        sureness, columns = self.sureness, ["p10", "p50", "p90"]
        spreads = (
            {}
            if sureness is None
            else {
                "bill": sureness.bill,
                "saved": sureness.saved,
                "kept_share_frac": sureness.kept_share,
            }
        )
        rows = {name: vars(spread) for name, spread in spreads.items() if spread is not None}
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns if not rows else None)


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
        settings, brief.scenario.controls.menu, horizon, judge.priced, brief.currency,
        brief.scenario.whole_kw,
    )  # fmt: skip
    return Outcome(cases_of(horizon, settings, judge, in_use, anew), settings, tuple(reasons))


def fits_under(brief: Brief, settings: Settings) -> list[Finding]:
    """Return whether equipment and loads fit together, and what the settings ask of them."""
    horizon, scenario = horizon_of(brief), brief.scenario
    run = replay(horizon, settings)
    without = replace(horizon, plant=horizon.plant.without_battery(), start_kwh=0.0)
    bare = replay(without, no_windows(0.0))
    cost = linear_cost(brief.cost.total, horizon.grid.count)
    price = -cost.marginal("export_kwh", run.flows)
    replayed = findings_of_replay(scenario, run, bare, price, brief.currency)
    return [*findings_of(scenario), *replayed]
