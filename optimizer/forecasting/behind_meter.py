"""PV behind a net meter that nobody metered: estimated from import, export and the clear sky.

A net meter tells import − export = load − PV, so one of the two tells the other. What is known besides:

- PV is at least what is exported, and at most what the roofs give under a clear sky, and a little more
  beside bright clouds.
- At night the load is what is imported; the load by day is like that of other days at the same hour
  and time of the year, whatever the sky: a habit does not know of clouds.
- The sky changes little from step to step, and is often clear.

So the PV of a step is a share of the clear sky's, which goes from step to step of a day as a hidden
Markov chain; a share is as likely as the load is that it leaves. How loads are spread, by hour and
month, and how the sky goes are learned from the meter itself, by turns (expectation and maximisation),
from nights at first. The estimate is the mean of the shares by their likelihood, never below export,
so load = import − export + PV gives back import and export.

How little the roof facts matter is seen where they are wrong: tilts off by 15°, azimuths by 45° and
sizes by 15 % move the PV of a year by less than 3 % where half of it or more is exported, for on clear
days the export itself tells the height of the curve. Where little is exported, loads that
last are taken for clouds and PV comes out far too low; so as far as the export does not tell, the year
is brought to what is typical under clouds, or to a yield that is given, by leaning all likelihoods
alike. Loads that depend on one another from step to step, or all likelihoods made weaker, were tried and
came out worse.

References (from memory): a clear-sky model as the upper envelope of a net meter is in Chen and Irwin,
"SunDance", ACM e-Energy (2017); hidden chains by turns in Baum, Petrie, Soules and Weiss, Annals of
Mathematical Statistics 41 (1970) 164–171. Measured by ``tests/bench/behind_the_meter.py``.
Read next: ``build``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.base.units import number
from optimizer.forecasting.sun import RoofModel
from optimizer.forecasting.weeks import DAYS_PER_YEAR
from optimizer.metering.forecast import Forecast
from optimizer.metering.forecast_csv import Net

SHARES = np.linspace(0.01, 1.25, 60)
"""Shares of the clear sky's PV that a step may have; beside bright clouds it is more than 1."""

CLEAR_STEPS, CLEAR_WIDTH = 0.5, 0.06
"""Before anything is learned, so many steps are clear, give or take so much; the others have any share."""

STAYS, NEAR, NEAR_WIDTH = 0.6, 0.2, 0.04
"""Before anything is learned, the sky stays, or goes to a near share, so often; else to any."""

SKY_STEPS, DAWN_DAYS, LOAD_STEPS = 72.0, 60.0, 20.0
"""How many steps, mornings, and loads of an hour what is believed beforehand counts as much as."""

TURNS = 8
"""So often loads and sky are learned anew; more change the PV of a year by less than 0.5 %."""

LEVELS = 28
"""Bins of the load, each a fixed share wider than the one below."""

LIT_SHARE = 0.01
"""Below this share of the highest clear-sky power it is night."""

TELLING_SHARE = 0.5
"""From so much of a typical year's PV exported on, the export alone tells the year."""

MOST_BEYOND = 0.1
"""More of the export than this beyond what the roofs can give is another roof's."""

NOTED_BEYOND = 0.01
STEEPEST = 1e3
MEASURED = ((0.5, "-5 to +5 %", "-5 to +12 %"), (0.0, "-23 to +3 %", "-5 to +1 %"))
"""From which exported share on a year of PV and of load was off by what (tests/bench/RESULTS.md)."""


def estimated_pv(net: Net, model: RoofModel, through: float) -> Forecast:
    """Return the PV behind a net meter, as a forecast without load, shape (T,). [kWh per step]

    Parameters
    ----------
    net : Net
        What the meter counted.
    model : RoofModel
        The roofs.
    through : float
        Share of the PV that reaches the meter's side: the inverter's efficiency where PV is on its DC side.

    Raises
    ------
    SeriesError
        If more is exported than such roofs can give, or the yield given is out of reach.
    """
    grid, recipe = net.grid, model.recipe
    clear_kw, typical_share = model.cleared(grid)
    least = net.export_kwh / through
    lit = np.flatnonzero(clear_kw > LIT_SHARE * clear_kw.max())
    pv = model.out_kw(clear_kw[lit, None] * SHARES) * grid.step_h
    beyond = _beyond(net, least, lit, pv)
    typical = typical_share * float(model.out_kw(clear_kw).sum()) * grid.step_h
    likely = _likelihoods(net, lit, pv, least, through)
    estimate = _Estimate(pv, likely, lit, least)
    told = min(float(least.sum()) / (TELLING_SHARE * typical), 1.0) if typical > 0 else 1.0
    wanted = told * float(estimate.at(0.0).sum()) + (1 - told) * typical
    given = recipe.kwh_per_year
    if given is not None:
        wanted = given * grid.days / DAYS_PER_YEAR
        _refuse_out_of_reach(wanted, estimate, net)
    pv_kwh = estimate.at(0.0) if told == 1.0 and given is None else estimate.of_sum(wanted)
    return Forecast(
        grid,
        np.zeros(grid.count),
        pv_kwh,
        tuple(beyond),
        _words(float(pv_kwh.sum()), float(least.sum()), typical, given is not None),
    )


def _words(pv: float, exported: float, typical: float, is_given: bool) -> str:
    """Return how far the estimate can be trusted."""
    share = exported / pv if pv > 0 else 0.0
    _, of_pv, of_load = next(each for each in MEASURED if share >= each[0])
    told = (
        f"PV and load are estimated from a net meter and the roofs, not metered. Of {number(pv, 0)} kWh PV,"
        f" {number(exported, 0)} kWh were exported and are certain, the rest is inferred; import less export"
        " is as metered."
    )
    if is_given:
        return f"{told} The sum of the PV is the yield given."
    if exported < TELLING_SHARE * typical:
        told += (
            " So little is exported that the year rests largely on typical cloudiness: give kwh_per_year from"
            " the inverter's display, if it has one."
        )
    return (
        f"{told} On metered sites that export such a share, a year's PV was off by {of_pv}, the load by"
        f" {of_load}."
    )


def _beyond(net: Net, least: FloatArray, lit: IntArray, pv: FloatArray) -> list[str]:
    """Return a note on export that the roofs cannot give.

    Raises
    ------
    SeriesError
        If that is much of it.
    """
    most = np.zeros(net.grid.count)
    most[lit] = pv[:, -1]
    over = np.maximum(least - most, 0.0)
    beyond, exported = float(over.sum()), float(least.sum())
    told = (
        f"{number(beyond, 0)} of {number(exported, 0)} kWh exported are more than such roofs give under a"
        f" clear sky, most at {net.grid.label(int(over.argmax()))}"
    )
    if beyond > MOST_BEYOND * exported:
        raise SeriesError(
            told,
            where=net.path,
            mend="Check peak_kw, tilt, azimuth and place of the roofs, pv.ac_limit_kw, and the meter's clock;"
            " a battery that gives at night makes such export too.",
        )
    return [f"{net.path.name}: {told}."] if beyond > NOTED_BEYOND * exported else []


def _refuse_out_of_reach(wanted: float, estimate: _Estimate, net: Net) -> None:
    low, high = (float(estimate.at(lean).sum()) for lean in (-STEEPEST, STEEPEST))
    if not low <= wanted <= high:
        raise SeriesError(
            f"kwh_per_year comes to {number(wanted, 0)} kWh PV in the meter's time, but with such roofs and"
            f" this export it lies between {number(low, 0)} and {number(high, 0)} kWh",
            where=net.path,
            mend="Check kwh_per_year, and peak_kw of the roofs.",
        )


@dataclass(frozen=True)
class _Estimate:
    """PV by share [kWh per step] and its likelihoods [1], shapes (L, K), at the L lit of T steps."""

    pv: FloatArray
    likely: FloatArray
    lit: IntArray
    least: FloatArray

    def at(self, lean: float) -> FloatArray:
        """Return the mean by likelihood, leaned towards more or less PV, never below export, (T,). [kWh]"""
        with np.errstate(divide="ignore"):
            log = np.log(self.likely) + lean * self.pv / self.pv.max(initial=1e-9)
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        found = np.zeros(len(self.least))
        found[self.lit] = (weight * self.pv).sum(axis=1) / weight.sum(axis=1)
        return np.maximum(found, self.least)

    def of_sum(self, wanted: float) -> FloatArray:
        """Return the one whose sum is as wanted, or as near as can be."""
        low, high = -STEEPEST, STEEPEST
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if self.at(middle).sum() < wanted else (low, middle)
        return self.at(high)


# --- the hidden chain ----------------------------------------------------------------------------


def _likelihoods(
    net: Net, lit: IntArray, pv: FloatArray, least: FloatArray, through: float
) -> FloatArray:
    """Return how likely each share is at each lit step, shape (L, K); rows add up to 1."""
    used = net.import_kwh - net.export_kwh
    can_be = pv >= least[lit, None]
    can_be[~can_be.any(axis=1), -1] = True
    loads = _Loads.of(net, lit, pv * through + used[lit, None])
    days = _Days.of(net.grid, lit)
    clear = np.exp(-0.5 * ((SHARES - 1) / CLEAR_WIDTH) ** 2)
    cloudy = (SHARES < 1).astype(float)
    any_share = CLEAR_STEPS * clear / clear.sum() + (1 - CLEAR_STEPS) * cloudy / cloudy.sum()
    near = np.exp(-0.5 * ((SHARES[:, None] - SHARES) / NEAR_WIDTH) ** 2)
    believed = STAYS * np.eye(len(SHARES)) + NEAR * near / near.sum(axis=1, keepdims=True)
    believed = believed + (1 - STAYS - NEAR) * any_share
    dawn, moves = any_share, believed
    likely = np.zeros_like(pv)
    for _ in range(TURNS):
        seen = np.where(can_be, loads.density() + 1e-12, 0.0)
        likely, moved = days.forward_backward(seen, dawn, moves)
        moves = moved + SKY_STEPS * believed
        moves = moves / moves.sum(axis=1, keepdims=True)
        dawn = likely[days.is_first].sum(axis=0) + DAWN_DAYS * any_share
        dawn = dawn / dawn.sum()
        loads.learn(likely)
    return likely


class _Loads:
    """How loads are spread by month and hour: counts of bins, those of nights once and for all.

    ``bin_of`` tells the bin of the load that each share leaves, (L, K), ``hour_of`` the month and hour, (L,).
    """

    def __init__(
        self, edges: FloatArray, bin_of: IntArray, hour_of: IntArray, night: FloatArray
    ) -> None:
        self.width = np.diff(edges)
        self.bin_of, self.hour_of, self.night = bin_of, hour_of, night
        self.spread = np.broadcast_to(night.sum(axis=(0, 1)) + 1e-9, night.shape)

    @classmethod
    def of(cls, net: Net, lit: IntArray, load: FloatArray) -> _Loads:
        """Return what nights tell; ``load`` are the loads that shares leave, (L, K). [kWh]"""
        grid = net.grid
        dark = np.ones(grid.count, dtype=bool)
        dark[lit] = False
        night_load = net.import_kwh[dark]
        top = max(1.5 * float(net.import_kwh.max()), float(load[:, -1].min()), 1e-3)
        low = max(float(np.quantile(night_load, 0.02)) if len(night_load) else 0.0, top / 500)
        edges = np.concatenate([[0.0], np.geomspace(0.7 * low, 1.2 * top, LEVELS)])

        def bins(values: FloatArray) -> IntArray:
            return np.clip(np.searchsorted(edges, values, "right") - 1, 0, LEVELS - 1)

        hour = (grid.month - 1) * 24 + grid.minute_of_day // 60
        night = _counted(hour[dark], bins(night_load), np.ones(len(night_load)))
        return cls(edges, bins(load), hour[lit], night)

    def learn(self, likely: FloatArray) -> None:
        """Count the loads by day, as likely as they are, beside those of nights."""
        hours = np.broadcast_to(self.hour_of[:, None], likely.shape)
        counts = self.night + _counted(hours.ravel(), self.bin_of.ravel(), likely.ravel())
        every = counts.sum(axis=(0, 1))
        for axis in (0, 1):  # months and hours go round
            counts = 0.5 * counts + 0.25 * (np.roll(counts, 1, axis) + np.roll(counts, -1, axis))
        blurred = counts.copy()
        blurred[..., 1:] += 0.5 * counts[..., :-1]
        blurred[..., :-1] += 0.5 * counts[..., 1:]
        self.spread = blurred / 2 + LOAD_STEPS * every / every.sum()

    def density(self) -> FloatArray:
        """Return the density of the load that each share leaves, shape (L, K). [1/kWh]"""
        spread = self.spread / self.spread.sum(axis=2, keepdims=True) / self.width
        found: FloatArray = spread.reshape(12 * 24, LEVELS)[self.hour_of[:, None], self.bin_of]
        return found


def _counted(hour: IntArray, bin_of: IntArray, weight: FloatArray) -> FloatArray:
    counts = np.bincount(hour * LEVELS + bin_of, weights=weight, minlength=12 * 24 * LEVELS)
    return np.asarray(counts.reshape(12, 24, LEVELS), dtype=np.float64)


@dataclass(frozen=True)
class _Days:
    """The L lit steps as D days of S places; a day that is shorter leaves its last places empty."""

    day: IntArray
    place: IntArray
    is_there: BoolArray

    @classmethod
    def of(cls, grid: TimeGrid, lit: IntArray) -> _Days:
        """Return the days of lit steps, by the wall clock."""
        _, first, day = np.unique(grid.day[lit], return_index=True, return_inverse=True)
        place = np.arange(len(lit)) - first[day]
        there = np.zeros((len(first), int(place.max(initial=0)) + 1), dtype=bool)
        there[day, place] = True
        return cls(day, place, there)

    @property
    def is_first(self) -> BoolArray:
        """Whether a lit step is the first of its day, shape (L,)."""
        return np.asarray(self.place == 0)

    def forward_backward(
        self, seen: FloatArray, dawn: FloatArray, moves: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return how likely each share is, (L, K), and how often shares followed each other, (K, K).

        ``seen`` is the likelihood of what the meter shows, (L, K), ``dawn`` of a day's first share, (K,), and
        ``moves`` of each share after each, (K, K).
        """
        shape = (*self.is_there.shape, seen.shape[1])
        shown = np.ones(shape)
        shown[self.day, self.place] = seen / seen.max(axis=1, keepdims=True)
        ahead, behind = np.zeros(shape), np.ones(shape)
        for place in range(shape[1]):
            before = dawn if place == 0 else ahead[:, place - 1] @ moves
            now = before * shown[:, place]
            ahead[:, place] = now / now.sum(axis=1, keepdims=True)
        moved = np.zeros_like(moves)
        for place in range(shape[1] - 2, -1, -1):
            after = shown[:, place + 1] * behind[:, place + 1]
            back = after @ moves.T
            behind[:, place] = back / back.sum(axis=1, keepdims=True)
            there = self.is_there[:, place + 1, None]
            whole = (ahead[:, place] * back).sum(axis=1, keepdims=True)
            moved += ahead[:, place].T @ (there * after / whole)
        likely = (ahead * behind)[self.day, self.place]
        return likely / likely.sum(axis=1, keepdims=True), moved * moves
