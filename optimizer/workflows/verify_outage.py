"""Recompute a folder of outages from its own files: each outage followed in a plain loop.

The level at which each begins comes of a replay of the settings in plain steps. How much the critical loads
take in the mean is taken over from the reader of the scenario. Read next: ``verify``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from typing_extensions import TypedDict

from optimizer.base.documents import digest_of
from optimizer.plain.bill import Words
from optimizer.plain.outage import at_or_below, lasted, not_carried
from optimizer.plain.replay import Site, replayed
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.workflows.checked import Check, Pair, Verification, digits, first_of
from optimizer.workflows.read_again import (
    columns_in,
    damaged,
    inputs_of_now,
    record_in,
    scenario_in,
    texts_in,
)

OUTAGES, STEPS, PAGE = "outages.json", "outages.csv", "outages.html"

WRITTEN_KWH = 1e-6
"""Levels have six digits after the point. [kWh]"""

WRITTEN_H = 2e-6
"""So have hours. [h]"""

ROUNDED_H = 1e-3
"""Hours by the clock and by month have three. [h]"""

MOST_STEPS = 1_500_000
"""So many steps are followed in all; of more outages an even sample is taken: some ten seconds."""


class _MadeOf(TypedDict):
    scenario_as_read: dict[str, Any]
    settings: dict[str, Any]
    inputs_sha256: dict[str, str]
    step_minutes: int
    start_kwh: float
    low_kwh: float
    makers_floor_kwh: float


class _Spread(TypedDict):
    p10: float
    p50: float
    p90: float


class _Short(TypedDict):
    mean: float
    p90: float


class _InTen(TypedDict):
    nine_in_ten: list[float | None]
    five_in_ten: list[float | None]
    one_in_ten: list[float | None]


class _Worst(TypedDict):
    month: int
    hour: int
    p10_h: float


class Needed(TypedDict):
    """What of ``outages.json`` is recomputed."""

    scenario: str
    horizon_h: float
    carried: Literal["critical", "building"]
    mean_kw: float
    share_lasting: dict[str, float]
    hours: _Spread
    short_kwh_of_24_h: _Short
    simple_estimate_h: float | None
    hours_reached_by_clock_hour: _InTen
    hours_reached_by_month: _InTen
    p10_h_by_month_and_hour: list[list[float | None] | None]
    worst: _Worst
    made_of: _MadeOf


def verify_outage(folder: Path, inputs: Path | None = None) -> Verification:
    """Recompute a folder that ``outage`` has written.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    path = folder / OUTAGES
    record = record_in(path, "outage", Needed)
    made: Words = record["made_of"]
    file = scenario_in(made["scenario_as_read"], path)
    steps = columns_in(folder / STEPS, "load_kwh", "pv_kwh", "stored_kwh", "hours")
    try:
        followed = [*_checked(record, made, file, steps, folder)]
    except (KeyError, IndexError, ValueError, ZeroDivisionError) as failure:
        raise damaged(path, failure, "outage") from None
    checks = [
        *followed,
        Check(PAGE, "not checked", "its text and drawings are not read, nor the reasons told"),
        inputs_of_now(made["inputs_sha256"], inputs),
    ]
    files = {name: digest_of(folder / name) for name in (OUTAGES, STEPS)}
    return Verification(folder, record["scenario"], "", "", tuple(checks), files)


def _checked(
    record: Words, made: Words, file: ScenarioFile, steps: dict[str, list[float]], folder: Path
) -> Iterator[Check]:
    words, minutes = file.model_dump(exclude_none=True), made["step_minutes"]
    load, pv, count = steps["load_kwh"], steps["pv_kwh"], len(steps["hours"])
    times = texts_in(folder / STEPS, "time")
    site = Site(words, minutes, made["low_kwh"])
    runs = replayed(
        site, made["settings"], datetime.fromisoformat(times[0]), file.zone, load, pv,
        made["start_kwh"],
    )  # fmt: skip
    levels = [made["start_kwh"], *(step.stored_kwh for step in runs[:-1])]
    yield first_of(
        "levels when the grid fails", STEPS,
        ((f"stored_kwh at {time}", written, level, WRITTEN_KWH + 1e-9 * level)
         for time, written, level in zip(times, steps["stored_kwh"], levels, strict=True)),
        f"a plain replay of the settings, each of {count:,} steps",
    )  # fmt: skip
    is_critical = record["carried"] == "critical"
    if is_critical:
        load = [sum(each.mean_kw for each in file.loads if each.critical) * site.h] * count
    if not file.outage.pv_runs:
        pv = [0.0] * count
    island = Site(words, minutes, made["makers_floor_kwh"])
    yield _followed(record, steps["hours"], levels, island, load, pv, times, folder)
    yield first_of(
        "hours of outages", OUTAGES, _figures(record, steps["hours"], island, load),
        "shares, spread, energy not carried, simple estimate",
    )  # fmt: skip
    by_clock = first_of(
        "hours by the clock", OUTAGES, _by_clock(record, steps["hours"], times),
        "what nine, five and one in ten outages reach, by hour and month, and the worst",
    )  # fmt: skip
    yield replace(by_clock, digits=None) if by_clock.outcome == "agrees" else by_clock


def _followed(
    record: Words,
    written: list[float],
    levels: list[float],
    island: Site,
    load: list[float],
    pv: list[float],
    times: list[str],
    folder: Path,
) -> Check:
    """Follow each outage in a plain loop, or an even sample of them."""
    name, most = "outages", math.ceil(record["horizon_h"] / island.h - 1e-9)
    why = texts_in(folder / STEPS, "ends_because")
    every = max(math.ceil(sum(written) / island.h / MOST_STEPS), 1)
    told = f"each of {len(written):,} followed in a plain loop"
    if every > 1:
        told = f"one in {every} of {len(written):,} followed in a plain loop, of the others nothing"
    for first in range(0, len(written), every):
        steps, because = lasted(island, load, pv, levels[first], first, most)
        hours = steps * island.h
        if abs(hours - written[first]) > WRITTEN_H + 1e-9 * hours:
            place = f"{STEPS}, hours at {times[first]}"
            same = digits(hours, written[first])
            return Check(
                name, "differs", "it lasts otherwise [h]", same, written[first], hours, place
            )
        if because != why[first]:
            place = f"{STEPS}, ends_because at {times[first]}: {because}"
            return Check(name, "differs", "it ends for another reason", where=place)
    return Check(name, "agrees", told, 6)


def _figures(record: Words, hours: list[float], island: Site, load: list[float]) -> Iterator[Pair]:
    count = len(hours)
    for key, share in record["share_lasting"].items():
        again = sum(each >= float(key) - 1e-6 for each in hours) / count
        yield f"share lasting {key} h", share, again, 1e-9
    for key, pct in (("p10", 10), ("p50", 50), ("p90", 90)):
        yield f"hours.{key}", record["hours"][key], at_or_below(hours, pct), WRITTEN_H
    mean_kw = sum(load) / count / island.h
    yield "mean_kw", record["mean_kw"], mean_kw, 1e-9 * (1 + mean_kw)
    usable = (island.high - island.low) * island.out_of * island.to_ac
    simple = usable / mean_kw if mean_kw > 0 else None
    yield "simple_estimate_h", record["simple_estimate_h"], simple, 1e-9 * (1 + (simple or 0.0))
    short = [
        not_carried(load, first, each / island.h, 24 / island.h) for first, each in enumerate(hours)
    ]
    slack = WRITTEN_H * max(load, default=0.0) / island.h + 1e-9
    named = record["short_kwh_of_24_h"]
    yield "short_kwh_of_24_h.mean", named["mean"], sum(short) / count, slack
    yield "short_kwh_of_24_h.p90", named["p90"], at_or_below(short, 90), slack


def _by_clock(record: Words, hours: list[float], times: list[str]) -> Iterator[Pair]:
    of_hour, of_month, of_both = (dict[Any, list[float]]() for _ in range(3))
    for time, each in zip(times, hours, strict=True):
        at = datetime.fromisoformat(time)
        of_hour.setdefault(at.hour, []).append(each)
        of_month.setdefault(at.month, []).append(each)
        of_both.setdefault((at.month, at.hour), []).append(each)
    by_hour, by_month = record["hours_reached_by_clock_hour"], record["hours_reached_by_month"]
    for key, pct in (("nine_in_ten", 10), ("five_in_ten", 50), ("one_in_ten", 90)):
        for hour in range(24):
            there = at_or_below(of_hour[hour], pct) if hour in of_hour else None
            yield f"{key} at {hour:02d}:00", by_hour[key][hour], there, ROUNDED_H
        for month in range(1, 13):
            there = at_or_below(of_month[month], pct) if month in of_month else None
            yield f"{key} in month {month}", by_month[key][month - 1], there, ROUNDED_H
    tenth = {both: at_or_below(each, 10) for both, each in of_both.items()}
    for month, row in enumerate(record["p10_h_by_month_and_hour"], 1):
        for hour in range(24):
            place = f"p10_h_by_month_and_hour, month {month} at {hour:02d}:00"
            yield place, row and row[hour], tenth.get((month, hour)), ROUNDED_H
    worst, least = record["worst"], min(tenth.values())
    yield "worst.p10_h", worst["p10_h"], least, WRITTEN_H
    of_worst = tenth.get((worst["month"], worst["hour"]))
    yield "worst: month and hour", worst["p10_h"], of_worst, WRITTEN_H
