"""What a study takes, before anything runs: pieces of work, and about how long.

Read next: ``executors``.
"""

from __future__ import annotations

from collections import Counter
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

SLOPES = 5
"""Plans that the first guess of a best size takes, about."""

SIZES_VALUED = 5
"""Sizes around it that are then valued, about."""

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
    return Extent(len(study.cases), len(study.families), pieces, seconds / max(lanes, 1))


def years_planned(file: StudyFile) -> int:
    """Return how many years of each case are planned, about."""
    terms, fading = file.money, file.ageing
    if terms is None:
        return 1
    fades = fading.calendar_pct_per_year or fading.pct_per_1000_cycles
    if not (fades or fading.pv_loses_pct_per_year):
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


def duration(seconds: float) -> str:
    """Return a duration as people say it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
