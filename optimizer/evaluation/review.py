"""What a past season brought, held against what was promised, and why it differs.

The saving is that of the windows over no windows, on bills alone. It is worked out again and again,
each time with one more thing as it really was: the sun, then the load, then whether the windows were at
work, then what the meter counted in place of the replay, then the tariff. What each step changes is what
that cause brought; together they are the whole difference. What the meter counted beyond the replay
has no cause that could be known: it is called not explained.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import number
from optimizer.base.words import later
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import Tariff, TariffCost
from optimizer.evaluation.shape import Battery, Shape, net_of, shape_of
from optimizer.metering.forecast import Forecast
from optimizer.metering.series import read_table
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay

CAUSES = (
    later("weather"),
    later("load"),
    later("windows not at work"),
    later("not explained"),
    later("tariff"),
)
FEW_DAYS = 14
MOST_DAYS = 3
"""So many days are named on which the meter was farthest from the replay."""


@dataclass(frozen=True)
class Seen:
    """What a review was made of: promise and season on the same steps, the meter, settings and tariffs."""

    promised: Horizon
    real: Horizon
    metered: Flows
    settings: Settings
    then: Tariff
    now: Tariff


@dataclass(frozen=True)
class Review:
    """A past season: the saving promised, the one that came, and the causes between, in money.

    ``real`` is at the tariff of the promise, ``real_now`` at the one that was in force. ``shape`` tells
    whether the windows were at work; the replay with them, or else the one without, is what the meter
    is held against: ``net_above_kwh`` is what a day's import less export lay above it, ``apart_kwh``
    the mean distance of a day's import, ``worst_days`` the days on which it was largest. ``battery``
    has what it took and gave a day, metered and replayed, where that was metered. ``seen`` is what it was
    made of.
    """

    currency: str
    first: date
    last: date
    promised: float
    causes: dict[str, float]
    real: float
    real_now: float
    metered_bill: float
    shape: Shape
    net_above_kwh: float
    battery: dict[str, float] | None
    apart_kwh: float
    worst_days: tuple[tuple[date, float], ...]
    notes: tuple[str, ...] = ()
    seen: Seen | None = None


def review_of(
    promised: Horizon,
    real: Horizon,
    metered: Flows,
    settings: Settings,
    then: TariffCost,
    now: TariffCost,
    currency: str,
    battery: Battery | None = None,
) -> Review:
    """Hold a past season against its promise.

    Parameters
    ----------
    promised, real : Horizon
        Load and PV as forecast, and as they were, on the same steps.
    metered : Flows
        What the meter counted on these steps.
    settings : Settings
        What was to be typed in.
    then, now : TariffCost
        The tariff of the promise and the one in force.
    currency : str
        That of both.
    battery : Battery, optional
        What the battery did on these steps, where it was metered.
    """
    plain = settings.without_windows()

    def saved(horizon: Horizon, cost: TariffCost) -> float:
        return _bill(cost, replay(horizon, plain).flows) - _bill(
            cost, replay(horizon, settings).flows
        )

    sunny = Horizon(promised.plant, real.grid, promised.load_kwh, real.pv_kwh, promised.start_kwh)
    with_windows, without = replay(real, settings), replay(real, plain)
    bare_bill, shape = (
        _bill(then, without.flows),
        shape_of(real, metered, battery, with_windows, without),
    )
    replayed = (with_windows if shape.were_at_work else without).flows
    steps = [
        saved(promised, then),
        saved(sunny, then),
        saved(real, then),
        bare_bill - _bill(then, replayed),
        bare_bill - _bill(then, metered),
        _bill(now, without.flows) - _bill(now, metered),
    ]
    causes = dict(zip(CAUSES, np.diff(steps).tolist(), strict=True))
    grid = real.grid
    apart = np.abs(
        np.bincount(grid.day, weights=metered.import_kwh)
        - np.bincount(grid.day, weights=replayed.import_kwh)
    )
    worst = np.argsort(-apart, kind="stable")[:MOST_DAYS]
    return Review(
        currency, grid.dates[0], grid.dates[-1], steps[0], causes, steps[4], steps[5],
        _bill(now, metered), shape, float((net_of(metered) - net_of(replayed)).sum()) / grid.days,
        None if battery is None else _per_day(battery, replayed), float(apart.mean()),
        tuple((grid.dates[int(n)], float(apart[n])) for n in worst),
    )  # fmt: skip


def _per_day(battery: Battery, replayed: Flows) -> dict[str, float]:
    """Return what the battery took and gave a day, metered and replayed. [kWh]"""
    series = {
        "metered_charge": battery[0], "metered_discharge": battery[1],
        "replayed_charge": replayed.charge_kwh, "replayed_discharge": replayed.discharge_kwh,
    }  # fmt: skip
    days = replayed.grid.days
    return {f"{name}_kwh_per_day": float(kwh.sum()) / days for name, kwh in series.items()}


def refuse_what_hides_the_load(path: Path, *, has_pv: bool) -> None:
    """Refuse meter data from which load and sun of a building with a battery cannot be told.

    Raises
    ------
    SeriesError
        If there is neither the load nor what the battery did, or no PV or export where there is PV.
    """
    found = {name.rpartition("_")[0] for name in read_table(path).cells.columns}
    if not found & {"load", "discharge"}:
        raise SeriesError(
            "the meter alone does not tell the load: the battery charged and discharged behind it",
            where=path,
            mend="Add a column load_kwh, or charge_kwh and discharge_kwh of the battery's inverter.",
        )
    missing = [name for name in ("pv", "export") if has_pv and name not in found]
    if missing:
        raise SeriesError(
            f"a site with PV is reviewed, but there is no column {missing[0]}_kwh",
            where=path,
            mend=f"Add {' and '.join(f'{name}_kwh' for name in missing)}; zeros if nothing flowed.",
        )


def coverage_notes(promised_days: float, real_days: float) -> tuple[str, ...]:
    """Return notes where only a part of the promise, or little of it, was metered."""
    if real_days > promised_days - 1:
        return ()
    notes = [
        f"{number(real_days, 0)} of the {number(promised_days, 0)} days of the promise were metered; it is"
        " worked out for these alone."
    ]
    if real_days < FEW_DAYS:
        notes.append("So few days tell little.")
    return tuple(notes)


def overlap(
    promised: Forecast, real: Forecast, meter: Flows, path: Path, pv_to_ac: float = 1.0
) -> tuple[Forecast, Forecast, Flows]:
    """Return promise, load and PV as they were, and the meter on the steps that all of them have.

    ``pv_to_ac`` is what arrives of the PV on the AC side, for the origin of what was exported. [1]

    Raises
    ------
    SeriesError
        If steps differ in length, or there are none in common.
    """
    steps = {promised.grid.step_minutes, real.grid.step_minutes}
    if len(steps) > 1:
        raise SeriesError(
            f"the promise has steps of {promised.grid.step_minutes} min, the meter of"
            f" {real.grid.step_minutes} min",
            where=path,
            mend="Bring the meter data to the steps of the promise.",
        )
    first = max(promised.grid.utc[0], real.grid.utc[0])
    last = min(promised.grid.utc[-1], real.grid.utc[-1])
    if last < first:
        raise SeriesError(
            f"the promise covers {promised.grid.dates[0]} to {promised.grid.dates[-1]}, the meter"
            f" {real.grid.dates[0]} to {real.grid.dates[-1]}: they have no day in common",
            where=path,
            mend="Name the results of the season that was metered.",
        )

    def part(grid: TimeGrid) -> slice:
        inside = np.flatnonzero((grid.utc >= first) & (grid.utc <= last))
        return slice(int(inside[0]), int(inside[-1]) + 1)

    a, b, c = (part(each.grid) for each in (promised, real, meter))
    count = b.stop - b.start
    reactive = None if meter.reactive_kvarh is None else meter.reactive_kvarh[c]
    sold = meter.export_kwh[c]
    return (
        promised.part(a.start, count),
        real.part(b.start, count),
        Flows.of_meter(
            meter.grid.part(c.start, count), meter.import_kwh[c], sold, reactive,
            stored_export_kwh=np.maximum(sold - pv_to_ac * real.pv_kwh[b], 0.0),
        ),
    )  # fmt: skip


def _bill(cost: TariffCost, flows: Flows) -> float:
    return bill_flows(cost, flows).total
