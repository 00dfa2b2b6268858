"""How long the building goes on when the grid fails: as text and as data."""

from __future__ import annotations

import numpy as np
import pandas as pd

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number, percent
from optimizer.base.words import say
from optimizer.outages.outages import IN_TEN, TOLD_HOURS, WHY, Outages
from optimizer.report.fits import CAUTIONS
from optimizer.report.shapes import InTenRecord, OutageRecord, OutagesRecord, spread_record
from optimizer.report.wrapping import filled, table
from optimizer.workflows.inputs import horizon_of
from optimizer.workflows.outage import OutageResult

EVERY_H = 3
"""The terminal shows every third hour of the clock."""

LASTING_H = 24.0
"""Energy short is told for an outage that lasts so long. [h]"""


def outage_cautions(outages: Outages) -> list[str]:
    """Return what to mind, and that load and sun were estimated, if they were."""
    return [*CAUTIONS, *([outages.estimate] if outages.estimate else [])]


def outage_text(result: OutageResult) -> str:
    """Return shares, hours reached by the clock, the worst hour and the simple estimate as text."""
    scenario, outages = result.brief.scenario, result.outages
    invented = " (invented)" if scenario.is_invented else ""
    grid = outages.grid
    return "\n".join([
        f"HOW LONG THE BUILDING GOES ON WHEN THE GRID FAILS: {scenario.name}{invented}",
        filled(f"{grid.count:,} outages, {grid.dates[0]} to {grid.dates[-1]}, with the settings"
               f" {result.settings.settings!r}; carried: {carried_text(outages)}"),
        "",
        *_share_lines(outages),
        "",
        *_clock_lines(outages),
        "",
        *(filled(sentence) for sentence in outage_sentences(outages)),
        "",
        "WHY THE SIMPLE ESTIMATE DIFFERS",
        *(filled(reason, "  - ") for reason in outages.reasons()),
        "",
        "CAUTIONS",
        *(filled(caution, "  - ") for caution in outage_cautions(result.outages)),
    ])  # fmt: skip


def carried_text(outages: Outages) -> str:
    """Return what is carried in words."""
    what = say("the critical loads") if outages.critical_only else say("the whole building")
    sun = say("with PV") if outages.pv_kwh.any() else say("without PV")
    kw = number(outages.mean_kw, 2)
    return say("{what}, {kw} kW in the mean, {sun}", what=what, kw=kw, sun=sun)


def _clock_lines(outages: Outages) -> list[str]:
    """Return the hours that so many outages in ten reach, every third clock hour."""
    hours = range(0, 24, EVERY_H)
    head = ["grid fails at", *(f"{hour:02d}:00" for hour in hours)]
    rows = [
        [f"{name} reach, h", *(hours_text(row[hour]) for hour in hours)]
        for name, row in zip(IN_TEN, outages.reached_by_hour(), strict=True)
    ]
    return table([head], rows, [22, *[8] * len(hours)])


def _share_lines(outages: Outages) -> list[str]:
    """Return the share of outages that last so many hours."""
    shares = share_rows(outages)
    head = ["goes on for at least", *(f"{hours} h" for hours, _ in shares)]
    row = ["share of outages", *(share for _, share in shares)]
    return table([head], [row], [22, *[8] * len(shares)])


def hours_text(value: float) -> str:
    """Return hours as they are printed; a dash where nothing is known."""
    return "–" if np.isnan(value) else number(float(value))


def share_rows(outages: Outages) -> list[tuple[int, str]]:
    """Return the share of outages that last at least so many hours."""
    return [(h, percent(outages.share_lasting(h))) for h in TOLD_HOURS if h <= outages.horizon_h]


def nine_in_ten(hours: float) -> str:
    """Return for how long nine outages in ten are carried; or that more go dark at once."""
    if hours <= 0:
        return say("In one outage in ten, or in more, the building goes dark at once")
    return say("Nine outages in ten are carried for {hours} h or more", hours=number(hours))


def outage_sentences(outages: Outages) -> list[str]:
    """Return the hours that outages reach, the worst hour, energy short, the simple estimate."""
    spread, (month, hour, worst) = outages.spread, outages.worst
    short = outages.short_kwh(LASTING_H)
    return [
        f"{nine_in_ten(spread.p10)}; half of all outages are carried for {number(spread.p50)} h or more,"
        f" one in ten for {number(spread.p90)} h or more; each is followed for"
        f" {number(outages.horizon_h)} h.",
        f"Worst: {MONTH_NAMES[month - 1]} from {hour:02d}:00. {nine_in_ten(worst)} then.",
        f"Of an outage of {number(LASTING_H, 0)} h, {number(float(short.mean()))} kWh are not carried in the"
        f" mean, {number(float(np.percentile(short, 90)))} kWh or more in the worst tenth.",
        "Simple estimate: usable energy of a full battery ÷ mean power ="
        f" {f'{number(outages.simple_h)} h' if np.isfinite(outages.simple_h) else 'endless'}.",
        *(
            ["The forecast is shorter than that: behind its last step it begins anew."]
            if outages.grid.days * 24 < outages.horizon_h
            else []
        ),
    ]


def outage_record(outages: Outages) -> OutageRecord:
    """Return the same as plain data; hours are at most ``horizon_h``."""
    month, hour, worst = outages.worst
    short = outages.short_kwh(LASTING_H)
    table = outages.by_month_and_hour()
    return {
        "horizon_h": outages.horizon_h,
        "carried": "critical" if outages.critical_only else "building",
        "mean_kw": outages.mean_kw,
        "share_lasting": {str(h): outages.share_lasting(h) for h, _ in share_rows(outages)},
        "hours": spread_record(outages.spread),
        "worst": {"month": month, "hour": hour, "p10_h": worst},
        "short_kwh_of_24_h": {
            "mean": float(short.mean()),
            "p90": float(np.percentile(short, 90)),
        },
        "simple_estimate_h": outages.simple_h if np.isfinite(outages.simple_h) else None,
        "reasons": outages.reasons(),
        "hours_reached_by_clock_hour": _in_ten_record(outages.reached_by_hour()),
        "hours_reached_by_month": _in_ten_record(outages.reached_by_month()),
        "p10_h_by_month_and_hour": [None if np.isnan(row).all() else _known(row) for row in table],
        "cautions": outage_cautions(outages),
    }


def outages_record(result: OutageResult) -> OutagesRecord:
    """Return the same with what it was made of, from which ``verify`` follows the outages again."""
    scenario = result.brief.scenario
    return {
        **outage_record(result.outages),
        "scenario": scenario.name,
        "made_of": {
            "scenario_as_read": scenario.file.model_dump(mode="json", exclude_unset=True),
            "settings": result.settings.model_dump(mode="json", exclude_none=True),
            "inputs_sha256": dict(scenario.inputs),
            "step_minutes": result.outages.grid.step_minutes,
            "start_kwh": horizon_of(result.brief).start_kwh,
            "low_kwh": scenario.plant.low_kwh,
            "makers_floor_kwh": result.outages.floor_kwh,
        },
    }


def _in_ten_record(reached: FloatArray) -> InTenRecord:
    nine, five, one = map(_known, reached)  # the order of IN_TEN
    return {"nine_in_ten": nine, "five_in_ten": five, "one_in_ten": one}


def _known(row: FloatArray) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), 3) for value in row]


def outage_csv(result: OutageResult) -> str:
    """Return for each step what is stored when it begins, and for how long an outage from it on is carried.

    Load and PV are those of the building, as they were read.
    """
    outages, forecast = result.outages, result.brief.scenario.forecast
    table = pd.DataFrame({
        "time": [stamp.isoformat(timespec="minutes") for stamp in outages.grid.local],
        "load_kwh": forecast.load_kwh,
        "pv_kwh": forecast.pv_kwh,
        "stored_kwh": outages.level_kwh.round(6),
        "hours": outages.hours.round(6),
        "ends_because": [WHY[int(why)] for why in outages.why],
    })  # fmt: skip
    return table.to_csv(index=False, lineterminator="\n")
