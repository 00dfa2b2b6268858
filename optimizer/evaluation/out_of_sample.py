"""How sure the saving is: what windows come to on weeks that they were not fitted to.

Windows fitted to every other week run through the weeks between, and the other way round. Each such
year has a cheapest plan of its own, so that a kept share can be told; months are then drawn at
random from the same time of the year, again and again, to see how far chance could carry it. The
spread of the bill comes from years of other weeks, with more or less load and sun.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from optimizer.base.errors import SolveError
from optimizer.base.flows import Flows
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.evaluation.comparison import NOTHING_TO_SAVE
from optimizer.forecasting.ensemble import Spread
from optimizer.forecasting.weeks import Variant, Weather, Year
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import GOOD_ENOUGH, make_plan
from optimizer.planning.problem import Problem
from optimizer.scenario.horizon import Horizon
from optimizer.search.choose import Found
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import Replay, replay
from optimizer.site.equipment import Plant

SEED = 20_260_102
DRAWS = 2_000
AS_METERED = Variant(1.0, resampled=False)
OTHER_YEARS = tuple(
    Variant(1.0, load_factor=load, pv_factor=pv)
    for load, pv in ((1.0, 1.0), (0.9, 1.05), (1.1, 0.95)) * 4
)
"""Years of other weeks in which the spread of the bill is seen, for either fold."""


@dataclass(frozen=True)
class WorstMonth:
    """The unseen month in which the windows save least.

    ``highest`` is the metered time of the step of highest import, ``highest_kw`` its mean power;
    where the tariff has a demand charge, of the steps that it counts.
    """

    month: str
    saved: float
    highest: datetime
    highest_kw: float
    step_minutes: int


@dataclass(frozen=True)
class Sureness:
    """What windows come to on weeks that they were not fitted to.

    ``kept_share`` is of the possible saving of these weeks, None where no plan was made or nothing
    can be saved. ``saved`` is against no windows, wear counted. ``years`` counts the years of the
    bill's spread.
    """

    kept_share: Spread | None
    bill: Spread
    saved: Spread
    worst: WorstMonth
    years: int


def sureness_of(
    found: Found,
    weather: Weather,
    problem: Problem,
    cost: TariffCost,
    horizon: Horizon,
    time_limit_s: float,
    progress: Callable[[str], None],
    solver: LinearSolver | None = None,
) -> Sureness | None:
    """Return how sure the saving is; None if the forecast is too short to judge on unseen weeks.

    Parameters
    ----------
    found : Found
        The settings, and those fitted to either fold.
    weather : Weather
        The weeks.
    problem : Problem
        The site as the plan sees it.
    cost : TariffCost
        The tariff on the grid.
    horizon : Horizon
        What the forecast is run through; only its load and PV are exchanged.
    time_limit_s : float
        Most seconds for the two plans together; zero makes none.
    progress : callable
        Is told what is being done.
    solver : LinearSolver, optional
        The one that planned the forecast, which plans other weeks faster.
    """
    if not found.fitted_on:
        return None
    metered, others = list[_Judged](), list[_Judged]()
    for fold, settings in enumerate(found.fitted_on):
        luck = np.random.default_rng([SEED, fold])
        unseen = 1 - fold
        year = weather.year(AS_METERED, unseen, luck)
        metered.append(_Judged.of(year, settings, horizon, cost))
        for variant in OTHER_YEARS:
            other = weather.year(variant, unseen, luck)
            others.append(_Judged.of(other, settings, horizon, cost))
    kept = None
    if time_limit_s > 0:
        progress("planning the weeks that the windows were not fitted to")
        kept = _kept_share(metered, problem, cost, time_limit_s, solver)
    every = [*metered, *others]
    return Sureness(
        kept,
        Spread.of([judged.bill for judged in every]),
        Spread.of([judged.saved for judged in every]),
        min((judged.worst(problem, cost) for judged in metered), key=lambda month: month.saved),
        len(every),
    )


@dataclass(frozen=True)
class _Judged:
    """One unseen year: its replay with windows, and what it costs by period with and without."""

    year: Year
    windows: Replay
    bill: float
    with_windows: dict[str, float]
    without: dict[str, float]

    @classmethod
    def of(cls, year: Year, settings: Settings, horizon: Horizon, cost: TariffCost) -> _Judged:
        there = replace(horizon, load_kwh=year.load_kwh, pv_kwh=year.pv_kwh)
        run, bare = replay(there, settings), replay(there, there.plain())
        bill = bill_flows(cost, run.flows)
        return cls(
            year, run, bill.total, _by_period(bill, run.flows, horizon.plant, cost),
            _by_period(bill_flows(cost, bare.flows), bare.flows, horizon.plant, cost),
        )  # fmt: skip

    @property
    def saved(self) -> float:
        return sum(self.without.values()) - sum(self.with_windows.values())

    def worst(self, problem: Problem, cost: TariffCost) -> WorstMonth:
        """Return the month in which the windows save least."""
        grid, periods = self.windows.flows.grid, cost.periods
        names = [period.label for period in periods.periods]
        saved = [self.without[name] - self.with_windows[name] for name in names]
        least = int(np.argmin(saved))
        inside = periods.of_step == least
        counted = np.zeros(grid.count, dtype=bool)
        for _, peak in problem.cost.peaks():
            counted[peak.steps] |= peak.flow == "import_kwh"
        inside &= counted if (inside & counted).any() else True
        imported = np.where(inside, self.windows.flows.import_kwh, -1.0)
        step = int(imported.argmax())
        stamp = grid.moment(step)
        day = self.year.metered_on[grid.day[step]]
        metered = stamp.replace(year=day.year, month=day.month, day=day.day)
        highest_kw = float(self.windows.flows.import_kwh[step]) / grid.step_h
        return WorstMonth(names[least], saved[least], metered, highest_kw, grid.step_minutes)


def _by_period(bill: Bill, flows: Flows, plant: Plant, cost: TariffCost) -> dict[str, float]:
    """Return bill and wear of each billing period."""
    periods = cost.periods
    discharged = np.bincount(
        periods.of_step, weights=flows.discharge_kwh, minlength=len(periods.periods)
    )
    amounts = bill.by_period()
    return {
        period.label: amounts[period.label] + plant.wear_per_kwh * float(kwh)
        for period, kwh in zip(periods.periods, discharged, strict=True)
    }


def _kept_share(
    metered: Sequence[_Judged],
    problem: Problem,
    cost: TariffCost,
    time_limit_s: float,
    solver: LinearSolver | None,
) -> Spread | None:
    """Return the spread of the kept share over years of months drawn from the unseen ones."""
    can_save, saved = [], []
    for judged in metered:
        there = problem.on(load_kwh=judged.year.load_kwh, pv_kwh=judged.year.pv_kwh)
        try:
            allowed = time_limit_s / len(metered)
            plan = make_plan(there, cost, time_limit_s=allowed, solver=solver)
        except SolveError:
            return None
        if plan.proof.gap > GOOD_ENOUGH:
            return None
        months = _by_period(plan.bill, plan.flows, problem.plant, cost)
        can_save.append([judged.without[month] - months[month] for month in months])
        saved.append([judged.without[month] - judged.with_windows[month] for month in months])
    possible, kept = np.array(can_save), np.array(saved)
    count = possible.shape[1]
    luck = np.random.default_rng(SEED)
    month = (np.arange(count) + luck.integers(-1, 2, (DRAWS, count))) % count
    fold = luck.integers(len(metered), size=(DRAWS, count))
    drawn = possible[fold, month].sum(axis=1)
    if possible.sum() <= NOTHING_TO_SAVE or (drawn <= 0).any():
        return None
    return Spread.of(kept[fold, month].sum(axis=1) / drawn)
