"""What the best control without foresight that was found would save, as a yardstick beside the cheapest plan.

No equipment knows its weather beforehand, so the cheapest plan is out of reach of any. The control here sees
the clock, the time of the year, the level, its load and PV of the step, and how much sun there was of late;
its orders come from stochastic dynamic programming over plausible years (Bellman, Dynamic Programming,
1957). It is taught with the weeks of one fold and runs through the weeks of the other, as the windows were:
what it saves there was achieved by the project's own replay at the real bill. So it is a lower bound of the
best.

What was sun of late is PV that fades by half in six hours, in three classes of as many days at each hour.
One class alone is worse by 5 % on a home with heat pump and car and alike elsewhere, five are worse by 2 to
3 % on three sites of four; eight years in place of 24 lose up to 1 %, 41 levels in place of 25 change
nothing; another seed moves the figure by 1 % (``tests/bench/without_foresight.py`` has the table).

Where highest powers are charged, it sees the stretch's highest import so far as well, and is taught
otherwise. A month of one fold has two weeks, too few to tell how high its peak may be: taught with days at
most three apart, the control saved half of what windows do on two homes of four. So days within 45 of each
other are alike, once each, as metered; and it sees load less PV of late, for high loads last for hours:
without that it saves up to 12 % less on homes, and 1 % more on one. This was chosen by what it saves
on weeks kept back of the bench's homes, so that its figures there flatter it.

Other parts of a bill count at their price in the plan, and export out of the battery at that of PV; what is
told was billed as it is. Read next: ``without_foresight_kernel``, ``rungs``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from optimizer.base.parallel import side_by_side
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.cost.prices import Prices
from optimizer.evaluation.comparison import NOTHING_TO_SAVE, Judge
from optimizer.evaluation.out_of_sample import AS_METERED
from optimizer.evaluation.rungs import Rungs, counted_in, rungs_of
from optimizer.evaluation.without_foresight_kernel import (
    Days,
    Terms,
    faded,
    run_forward,
    work_backward,
)
from optimizer.forecasting.ensemble import DRAWN
from optimizer.forecasting.weeks import SATURDAY, Weather, Year, by_day
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import Orders, Replay, replay, replay_of
from optimizer.simulation.step import ENTRY, Numbers

SEED = 20_260_119


@dataclass(frozen=True)
class Teaching:
    """With what a control is taught, and what it sees.

    ``years`` are drawn, none means the one as metered. Days like one lie so near to it in each of them;
    workdays are like workdays. What is seen of late, PV or load less PV, fades to 1/e in ``fades_h`` and
    falls into ``classes``; between ``levels`` of the battery costs are joined by straight lines.
    """

    years: int
    near_days: int
    classes: int
    levels: int
    fades_h: float
    sees_load: bool

    def seen(self, load_kwh: FloatArray, pv_kwh: FloatArray, step_h: float) -> FloatArray:
        """Return what is known of late when each step begins, and after the last, shape (T + 1,)."""
        kwh = load_kwh - pv_kwh if self.sees_load else pv_kwh
        known: FloatArray = faded(np.ascontiguousarray(kwh), float(np.exp(-step_h / self.fades_h)))
        return known


ENERGY_ALONE = Teaching(24, 3, 3, 25, 8.0, sees_load=False)
HIGHEST_POWERS = Teaching(0, 45, 2, 16, 3.0, sees_load=True)


@dataclass(frozen=True)
class WithoutForesight:
    """What is saved over no windows on the weeks kept back, as metered, in the mean of both folds. [money]

    ``control`` is what the control found saves, ``windows`` what windows save that were found on the same
    weeks as it.
    """

    control: float
    windows: float

    @property
    def saved(self) -> float:
        """What the best found saves; the windows themselves may be the best. [money]"""
        return max(self.control, self.windows)

    @property
    def is_windows(self) -> bool:
        """Whether no control was found that is better than the windows."""
        return self.windows >= self.control

    @property
    def kept_share(self) -> float | None:
        """Share of the best found that windows keep; None if nothing is saved. [1]"""
        return self.windows / self.saved if self.saved > NOTHING_TO_SAVE else None


def without_foresight(
    fitted_on: Sequence[Settings], weather: Weather, judge: Judge, horizon: Horizon
) -> WithoutForesight | None:
    """Return what the best control without foresight that was found saves on weeks kept back.

    Parameters
    ----------
    fitted_on : sequence of Settings
        Windows fitted to the weeks of either fold; empty if there are too few weeks.
    weather : Weather
        The weeks.
    judge : Judge
        The tariff, and the plan of the forecast: its prices, and the worth of what is left at the end.
    horizon : Horizon
        The site; only its load and PV are exchanged.

    Returns
    -------
    WithoutForesight or None
        None without weeks kept back, and without a battery.
    """
    plant = horizon.plant
    has_battery = plant.charge_kw > 0 and plant.high_kwh > plant.low_kwh
    if not fitted_on or not has_battery:
        return None
    saved = side_by_side(
        [
            partial(_saved_on, 1 - fold, settings, weather, judge, horizon)
            for fold, settings in enumerate(fitted_on)
        ]
    )
    control, windows = np.mean(saved, axis=0)
    return WithoutForesight(float(control), float(windows))


def _saved_on(
    unseen: int, settings: Settings, weather: Weather, judge: Judge, horizon: Horizon
) -> tuple[float, float]:
    """Return what the control and windows save on the weeks of a fold that they have not seen. [money]"""
    luck = np.random.default_rng([SEED, unseen])
    plan = judge.plan
    teaching = HIGHEST_POWERS if counted_in(plan.problem.cost) else ENERGY_ALONE
    years = [weather.year(DRAWN, 1 - unseen, luck) for _ in range(teaching.years)]
    years = years or [weather.year(AS_METERED, 1 - unseen, luck)]
    rungs = rungs_of(plan.problem.cost, plan.flows, years, horizon)
    control = Control.taught(years, horizon, plan.step_prices, judge.end_worth, rungs, teaching)
    year = weather.year(AS_METERED, unseen, luck)
    there = horizon.with_weather(year.load_kwh, year.pv_kwh)
    none = judge.cost_of(replay(there, there.plain()))
    return (
        none - judge.cost_of(control.run(there)),
        none - judge.cost_of(replay(there, settings)),
    )


@dataclass(frozen=True)
class Control:
    """A control without foresight: what each class, rung and level costs from each step on.

    ``cost`` has shape (T + 1, classes, rungs, levels), ``edges``, shape (D, slots, classes − 1), part the
    classes.
    """

    teaching: Teaching
    terms: Terms
    edges: FloatArray
    cost: FloatArray

    @classmethod
    def taught(
        cls,
        years: Sequence[Year],
        horizon: Horizon,
        prices: Prices,
        end_worth: float,
        rungs: Rungs,
        teaching: Teaching,
    ) -> Control:
        """Learn from plausible years what to do.

        Parameters
        ----------
        years : sequence of Year
            K years on the steps of the horizon.
        horizon : Horizon
            The site; its own load and PV are not looked at.
        prices : Prices
            Of import and export at each step.
        end_worth : float
            Of a kWh left at the end. [money per kWh]
        rungs : Rungs
            What highest powers cost.
        teaching : Teaching
            What it sees.
        """
        terms, days = _terms(horizon, prices, rungs), _days(years, horizon.grid, teaching)
        n = Numbers.of(horizon.plant, horizon.grid.step_h)
        shape = (teaching.classes, rungs.caps.shape[1], teaching.levels)
        cost = np.zeros((horizon.grid.count + 1, *shape))
        cost[-1] = -end_worth * np.linspace(n.low, n.high, teaching.levels)
        work_backward(days, terms, n, cost)
        return cls(teaching, terms, days.edges, cost)

    def run(self, horizon: Horizon) -> Replay:
        """Run the site step by step with what the control orders, each step a row of orders."""
        grid = horizon.grid
        table = np.zeros((grid.count, ENTRY + 1))
        load_kwh, pv_kwh = map(np.ascontiguousarray, (horizon.load_kwh, horizon.pv_kwh))
        run_forward(
            load_kwh, pv_kwh, self.teaching.seen(load_kwh, pv_kwh, grid.step_h), self.edges,
            self.terms, Numbers.of(horizon.plant, grid.step_h), horizon.start_kwh, self.cost, table,
        )  # fmt: skip
        return replay_of(horizon, Orders(table, np.arange(grid.count)))


def _terms(horizon: Horizon, prices: Prices, rungs: Rungs) -> Terms:
    plant, grid = horizon.plant, horizon.grid
    cycles = plant.cycles_per_day
    return Terms(
        buy=np.ascontiguousarray(prices.buy),
        sell=np.ascontiguousarray(prices.sell),
        floor=np.maximum(horizon.floors.at_steps(grid), plant.low_kwh),
        limits=np.ascontiguousarray(horizon.limits.kwh),
        day=grid.day,
        slot=_slot(grid),
        caps=rungs.caps,
        ends=rungs.ends,
        charge=rungs.charge,
        wear=float(plant.wear_per_kwh),
        day_discharge=np.inf if cycles is None else float(cycles * plant.capacity_kwh),
    )


def _slot(grid: TimeGrid) -> np.ndarray:
    return np.ascontiguousarray(grid.minute_of_day // grid.step_minutes, dtype=np.int64)


def _days(years: Sequence[Year], grid: TimeGrid, teaching: Teaching) -> Days:
    """Return the days of the years, and those like each day of the grid, each metered one once."""
    suns = []
    for year in years:
        sun = teaching.seen(year.load_kwh, year.pv_kwh, grid.step_h)
        begun = by_day(sun[:-1], grid)
        suns.append(np.column_stack([begun, [*begun[1:, 0], sun[-1]]]))
    sun_of_day = np.concatenate(suns)
    is_free = np.array([day.weekday() >= SATURDAY for day in grid.dates])
    number = np.arange(len(grid.dates))
    first_of_year = len(number) * np.arange(len(years))[:, None]
    metered_on = np.array([day.toordinal() for year in years for day in year.metered_on])
    like, edges = [], []
    for day in number:
        near = number[(abs(number - day) <= teaching.near_days) & (is_free == is_free[day])]
        alike = (first_of_year + near).ravel()
        _, once = np.unique(metered_on[alike], return_index=True)
        like.append(alike[once])
        rising = np.sort(sun_of_day[like[-1], :-1], axis=0)
        cut = np.maximum(np.arange(1, teaching.classes) * len(rising) // teaching.classes, 1)
        edges.append((rising[cut - 1] + rising[np.minimum(cut, len(rising) - 1)]).T / 2)
    return Days(
        load=np.concatenate([by_day(year.load_kwh, grid) for year in years]),
        pv=np.concatenate([by_day(year.pv_kwh, grid) for year in years]),
        sun=sun_of_day,
        like=np.concatenate(like),
        first=np.cumsum([0, *map(len, like)]),
        edges=np.ascontiguousarray(edges),
    )
