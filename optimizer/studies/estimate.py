"""What a study takes, before anything runs: pieces of work, and about how long.

Read next: ``executors``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from optimizer.base.flows import Flows
from optimizer.cost.expression import linear_cost
from optimizer.studies.cases import WITHOUT_BATTERY, Family, Study
from optimizer.studies.study_file import StudyFile


class Seconds(NamedTuple):
    """Seconds of one processor for each step of the year: of a base, and of another run."""

    base: float
    run: float


SECONDS = {
    "quick": Seconds(2.6e-4, 1.3e-4),
    "normal": Seconds(9.0e-4, 2.9e-4),
    "thorough": Seconds(3.6e-3, 8.5e-4),
}
"""By effort, as measured on metered homes; see tests/bench/RESULTS.md."""

INTEGERS_S, SLOPE_S = 2.0e-4, 1.2e-5
"""The same for choices that a plan may need beside, and for a plan without windows."""

START_S = 2.5
"""Until processes have loaded the program and the first work begins. [s]"""

SLOPES = 5
"""Plans that the first guess of a best size takes, about."""

SIZES_VALUED = 8
"""Sizes that are then valued, about."""

LASTING_YEARS = 12
"""A battery that is replaced below a share of its capacity is taken to last so long."""

PLANNED_ANEW = ("load_times", "pv_times", "ageing_times")
"""Ranges whose ends are planned anew; the others are reckoned again."""


@dataclass(frozen=True)
class Extent:
    """How much a study asks for: cases, families, years planned with windows, and seconds."""

    cases: int
    families: int
    pieces: int
    seconds: float


def extent_of(study: Study, lanes: int) -> Extent:
    """Estimate what a study takes on so many lanes; what worn batteries need is not known before."""
    per_base, per_run = SECONDS[study.file.effort]
    worn = years_planned(study.file)
    of_family = Counter(
        family
        for family, _run in {
            (case.family.key, case.run)
            for case in study.cases if case.way not in WITHOUT_BATTERY
        }
    )  # fmt: skip
    closely = sum(name in study.file.ranges.given for name in PLANNED_ANEW) * 2 * worn
    sites = len({family.site for family in study.families})
    seconds, pieces = 0.0, 0
    for family in study.families:
        if not of_family[family.key]:  # only what stands there without a battery is asked of it
            continue
        steps = family.brief.scenario.forecast.grid.count
        integers = INTEGERS_S if may_need_integers(family) else 0.0
        runs = of_family[family.key] * worn + closely * sites / len(study.families)
        if study.file.best_size is not None:
            runs += SIZES_VALUED * worn
            seconds += SLOPES * steps * (SLOPE_S + integers)
        seconds += steps * (per_base + integers + runs * (per_run + integers))
        pieces += round(1 + runs)
    seconds = seconds / max(lanes, 1) + START_S
    return Extent(len(study.cases), len(study.families), pieces, seconds)


def years_planned(file: StudyFile) -> int:
    """Return how many years of each case are planned, about."""
    terms, fading = file.money, file.ageing
    if terms is None:
        return 1
    if not (fading.fades or fading.pv_loses_pct_per_year):
        return 1
    batteries = 1
    if terms.replacement is not None:
        batteries = -(-terms.years // (terms.replacement.after_years or LASTING_YEARS))
    return terms.years // fading.replan_every_years + batteries + 1


def may_need_integers(family: Family) -> bool:
    """Tell whether a plan may take choices: steps in the tariff, selling above buying, or stored above PV."""
    forecast = family.brief.scenario.forecast
    cost = linear_cost(family.brief.cost.total, forecast.grid.count)
    net = forecast.load_kwh - forecast.pv_kwh
    flows = Flows.of_meter(forecast.grid, np.maximum(net, 0), np.maximum(-net, 0))
    buy = cost.marginal("import_kwh", flows)
    sell = -cost.marginal("export_kwh", flows)
    more_for_stored = -cost.marginal("stored_export_kwh", flows)
    pays_more = (sell > buy + 1e-9) | (more_for_stored > 1e-9)
    return not cost.is_convex or bool(pays_more.any())


def work_to_come(study: Study) -> float:
    """Return how much follows once the listed cases are valued, in cases: best sizes, and ends of ranges."""
    families = {case.family.key for case in study.cases if case.way not in WITHOUT_BATTERY}
    sized = SIZES_VALUED * len(families) if study.file.best_size is not None else 0
    sites = len({family.site for family in study.families})
    closely = 2 * sites * sum(name in study.file.ranges.given for name in PLANNED_ANEW)
    return float(sized + closely)


class Pace:
    """How long a study still takes, by what its work took so far.

    Bases are told from other work, and whole cases are what is counted: the first ones say how many plans a
    case takes. The first work of a lane holds its start, so that it is left out where there is any other.

    Parameters
    ----------
    effort : str
        By which a base takes so much longer than another run, as long as none was measured.
    """

    def __init__(self, effort: str) -> None:
        seconds = SECONDS[effort]
        self._times_a_run = seconds.base / seconds.run
        self._took: dict[tuple[bool, bool], list[float]] = {}
        self._spent: dict[int, float] = {}
        self._bases: set[str] = set()
        self.begin([], 0.0)

    def begin(self, weights: Sequence[float], to_come: float) -> None:
        """Begin with other questions of so much work each, and so much after them."""
        self._weights, self._to_come = weights, to_come
        self._spent, self._spent_on_answered = {}, 0.0
        self._open, self._closed = sum(weights), 0.0

    def wants_base(self, key: str) -> None:
        """Note that a base is waited for."""
        self._bases.add(key)

    def took(self, key: str, kind: str, seconds: float, question: int, *, is_first: bool) -> None:
        """Note how long a piece of work took that a question had asked for. [s]"""
        is_base = kind == "base"
        total = self._took.setdefault((is_base, is_first), [0.0, 0.0])
        total[0] += seconds
        total[1] += 1
        self._bases.discard(key)
        if not is_base:
            usual = seconds if not is_first else min(seconds, self._mean(is_base=False) or seconds)
            self._spent[question] = self._spent.get(question, 0.0) + usual

    def answered(self, question: int) -> None:
        """Note that a question is answered; one that took no work of its own tells nothing."""
        weight, spent = self._weights[question], self._spent.pop(question, 0.0)
        self._open -= weight
        if spent and weight:
            self._closed += weight
            self._spent_on_answered += spent

    def _mean(self, *, is_base: bool) -> float | None:
        for is_first in (False, True):
            total, count = self._took.get((is_base, is_first), (0.0, 0.0))
            if count:
                return total / count
        return None

    def left(self, lanes: int) -> float | None:
        """Return about how long the rest takes on so many lanes; None before a case is whole. [s]"""
        if not self._closed:
            return None
        of_case = self._spent_on_answered / self._closed
        of_run = self._mean(is_base=False) or 0.0
        is_measured = (True, False) in self._took
        of_base = (self._mean(is_base=True) or 0.0) if is_measured else of_run * self._times_a_run
        whole = (self._open + self._to_come) * of_case - sum(self._spent.values())
        return max(whole + of_base * len(self._bases), 0.0) / max(lanes, 1)


def duration(seconds: float) -> str:
    """Return a duration as people say it."""
    if seconds < 180:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
