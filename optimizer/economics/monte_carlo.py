"""How sure a value is: drawn weather, loads and prices, each member a life of its own.

A member keeps one level of load all its life, meets other weather every year, and its prices rise by
another per cent every year. What a year saves is replayed, with the windows found for it, for each level
and each drawn weather, in every planned year; between planned years it changes evenly. So the faded
battery of a bad year is replayed as such.

Drawn lives replay windows, they do not scale a saving: a worn battery in a bad year is replayed
as such. The value on the forecast lies high among them where demand counts, for its windows were
fitted to it; the report says so.

Read next: ``evaluation.comparison``.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from pydantic import Field

from optimizer.base.documents import Document
from optimizer.base.timegrid import FloatArray
from optimizer.economics.assumptions import Terms
from optimizer.economics.cash_flow import CashFlow, Life

QUANTILES = (10, 50, 90)
"""What one member in ten, half of them, and nine in ten stay at or below. [%]"""


class Draws(Document):
    """What is drawn, and how often.

    ``load_sd_pct`` is the standard deviation of the load of a member about the forecast's,
    ``prices_rise_sd_pct`` that of each year's rise of prices about the stated one. Weather years are
    put together from metered weeks; ``seed`` makes all of it come out the same again.
    """

    members: int = Field(default=1000, ge=10, le=100_000)
    seed: int = Field(default=1, ge=0)
    weather_years: int = Field(default=8, ge=1, le=200)
    load_levels: int = Field(default=5, ge=1, le=50)
    load_sd_pct: float = Field(default=10, ge=0, le=50)
    prices_rise_sd_pct: float = Field(default=2, ge=0, le=50)

    def load_factors(self) -> list[float]:
        """Return equally likely load factors: middles of equal shares of a normal law. [1]"""
        law = NormalDist()
        places = [(level + 0.5) / self.load_levels for level in range(self.load_levels)]
        return [max(1 + self.load_sd_pct / 100 * law.inv_cdf(place), 0.0) for place in places]


@dataclass(frozen=True)
class Chances:
    """What members come to, shapes (M,): the first year's saving, and the net present value. [money]"""

    first_saving: FloatArray
    npv: FloatArray

    def quantiles(self) -> dict[str, tuple[float, ...]]:
        """Return P10, P50 and P90 of both."""
        return {
            name: tuple(float(value) for value in np.percentile(values, QUANTILES))
            for name, values in (("first_saving", self.first_saving), ("npv", self.npv))
        }

    @property
    def share_that_pays(self) -> float:
        """Share of members whose net present value is above zero. [1]"""
        return float((self.npv > 0).mean())


def chances_of(
    draws: Draws, terms: Terms, life: Life, flow: CashFlow, saved: FloatArray
) -> Chances:
    """Draw members and value each.

    Parameters
    ----------
    draws : Draws
        How many, how far apart, and the seed.
    terms : Terms
        Rates and years.
    life : Life
        The expected years.
    flow : CashFlow
        The expected money; all but the saving is kept.
    saved : array
        What each planned year saves at each level of load in each weather, in the prices of year 1,
        shape (planned years, levels, weather years). [money]
    """
    luck = np.random.default_rng(draws.seed)
    years = np.arange(terms.years)
    of_year = life.between_planned(saved)
    level = luck.integers(saved.shape[1], size=(draws.members, 1))
    weather = luck.integers(saved.shape[2], size=(draws.members, terms.years))
    rises = luck.normal(
        terms.prices_rise_pct_per_year, draws.prices_rise_sd_pct, (draws.members, terms.years - 1)
    )
    steps = np.maximum(1 + rises / 100, 0.0)
    prices = np.concatenate([np.ones((draws.members, 1)), np.cumprod(steps, axis=1)], axis=1)
    stated = (1 + terms.prices_rise_pct_per_year / 100) ** years
    of_parts = (
        flow.saving[1:] - life.saved * stated
    )  # what parts of the bill rise otherwise than the rest
    savings = of_year[years, level, weather] * prices + of_parts
    discount = (1 + terms.discount) ** -np.arange(terms.years + 1.0)
    rest = float(((flow.net - flow.saving) * discount).sum())
    return Chances(savings[:, 0], savings @ discount[1:] + rest)
