"""What was found in a file from outside: as text, as a record, and what to run next."""

from __future__ import annotations

import shlex
from datetime import date
from pathlib import Path
from typing import Any, cast

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import day_text, money, number
from optimizer.base.words import later, say
from optimizer.metering.found import Found, Point, Request
from optimizer.metering.gaps import gap_runs
from optimizer.metering.readings import counted
from optimizer.report.shapes import ReadPoint, ReadRecord
from optimizer.report.wrapping import filled

COST_DECIMALS = 5
MINUTES_OF_HOUR = 60
UNIT_NAMES = {"kwh": ("kWh", "kW"), "kvarh": ("kvarh", "kvar")}
"""Last word of a column: its unit, and that of its mean power."""


def reading_text(found: Found) -> str:
    """Return what was found: each point with period, energy, peak, cost and notes."""
    lines = [f"READ {', '.join(map(str, (found.path, *found.others)))}: {found.kind}"]
    for point in found.points:
        lines += ["", *_point_lines(point)]
    lines += [""] if found.refused or found.notes else []
    lines += [filled(words) for words in found.refused]
    lines += [filled(f"note: {note}", "  ", "    ") for note in found.notes]
    return "\n".join(lines)


def _point_lines(point: Point) -> list[str]:
    even = point.even
    name = f"{point.number}" + (f", {point.name}" if point.name else "")
    days = even.count * even.step_minutes / (24 * 60)
    lines = [
        f"  point {name}",
        filled(f"{looks_like(point)}.", "    ", "      "),
        f"    {_first(point)} to {_end(point)}: {even.count:,} steps of {even.step_minutes} min"
        f" ({number(days, 2)} × 24 h) by {even.clock.name}",
    ]
    lines += [f"    {_column_text(point, column)}" for column in even.columns]
    if point.cost is not None:
        lines.append(f"    cost in the file: {money(point.cost, point.currency or '')}")
    return lines + [filled(f"note: {note}", "    ", "      ") for note in point.notes]


SMALL_NUMBERS = (
    "no", "one", later("two"), later("three"), later("four"), later("five"),
    later("six"), later("seven"), later("eight"), later("nine"),
)  # fmt: skip


def looks_like(point: Point) -> str:
    """Return in a sentence what was made out, to hold against what one knows: time, step, sums, gaps."""
    even = point.even
    sums = [_sum_text(name, values) for name, values in even.columns.items()]
    missing = np.any([np.isnan(values) for values in even.columns.values()], axis=0)
    gaps = len(gap_runs(np.where(missing, np.nan, 0.0)))
    told = say(SMALL_NUMBERS[gaps]) if gaps < len(SMALL_NUMBERS) else number(gaps, 0)
    step = (
        say("every hour")
        if even.step_minutes == MINUTES_OF_HOUR
        else say("every {minutes} minutes", minutes=even.step_minutes)
    )
    return say(
        "this looks like {period}, {step}, {sums}, {gaps}",
        period=_period(point), step=step, sums=", ".join(sums),
        gaps=say("no gaps") if gaps == 0 else say("one gap") if gaps == 1
        else say("{count} gaps", count=told),
    )  # fmt: skip


def _sum_text(name: str, values: FloatArray) -> str:
    if name.startswith("price"):
        return say(
            "prices around {price} per {unit}",
            price=number(float(f"{np.nanmedian(values):.4g}"), 4),
            unit=f"{name.rpartition('_')[2][0].upper()}Wh",
        )
    word, _, unit = name.rpartition("_")
    named = "PV" if word == "pv" else say(word)
    return f"{named} {number(float(np.nansum(values)), 0)} {UNIT_NAMES[unit][0]}"


def _period(point: Point) -> str:
    """Return ``2025`` of a whole year, else the first and the last day."""
    first, last, end = _first(point)[:10], _stamp(point, -1)[:10], _end(point)
    if first[4:] == "-01-01" and end[4:16] == "-01-01T00:00" and first[:4] == last[:4]:
        return first[:4]
    first, last = (day_text(date.fromisoformat(day)) for day in (first, last))
    return first if first == last else say("{first} to {last}", first=first, last=last)


def _column_text(point: Point, column: str) -> str:
    values = point.even.columns[column]
    if column.startswith("price"):
        low, high = np.nanmin(values), np.nanmax(values)
        return f"{column}: {low:.6g} to {high:.6g}, mean {np.nanmean(values):.6g}"
    name, _, word = column.rpartition("_")
    unit, power = UNIT_NAMES[word]
    peak, step = _peak(point, column)
    told = f"{name}: {number(float(np.nansum(values)), 3)} {unit}"
    if peak <= 0:
        return told
    at = point.even.clock.stamp(int(point.even.instants_s[step]))
    return f"{told}; highest interval {number(peak, 3)} {power} at {at}"


def _peak(point: Point, column: str) -> tuple[float, int]:
    """Return the highest mean power of a step [kW or kvar] and its step; 0 if nothing is known."""
    values = np.nan_to_num(point.even.columns[column], nan=-np.inf)
    step = int(values.argmax())
    highest = float(values[step])
    return (highest * 60 / point.even.step_minutes if np.isfinite(highest) else 0.0), step


def _first(point: Point) -> str:
    return point.even.clock.stamp(point.even.start_s)


def _stamp(point: Point, step: int) -> str:
    return point.even.clock.stamp(int(point.even.instants_s[step]))


def _end(point: Point) -> str:
    even = point.even
    return even.clock.stamp(even.start_s + even.count * even.step_minutes * 60)


def reading_record(found: Found, request: Request, out: Path | None) -> ReadRecord:
    """Return what was found as plain values, with what to run next."""
    return {
        "file": str(found.path),
        "more_files": [str(path) for path in found.others],
        "kind": found.kind,
        "points": [_point_record(point) for point in found.points],
        "left_out": list(found.refused),
        "notes": list(found.notes),
        "written": None if out is None else str(out),
        "next": next_step(found, request, out).splitlines(),
    }


def _point_record(point: Point) -> ReadPoint:
    even = point.even
    record: dict[str, Any] = {
        "number": point.number,
        "name": point.name,
        "looks_like": looks_like(point),
        "from": _first(point),
        "to": _end(point),
        "steps": even.count,
        "step_minutes": even.step_minutes,
        "clock": even.clock.name,
        "steps_missing": point.gaps,
        "cost": None if point.cost is None else round(point.cost, COST_DECIMALS),
        "currency": point.currency,
        "notes": list(point.notes),
    }
    for column, values in even.columns.items():
        if column.startswith("price"):
            record[column] = {
                "lowest": float(np.nanmin(values)),
                "highest": float(np.nanmax(values)),
            }
        else:
            power = column.removesuffix("h")
            record[column] = round(float(np.nansum(values)), 6)
            record[f"highest_{power}"] = round(_peak(point, column)[0], 6)
    return cast(ReadPoint, record)


def next_step(found: Found, request: Request, out: Path | None) -> str:
    """Return what was written and the next command to run."""
    if out is None:
        return f"next: {_again(found, request, Path('meter.csv'), fill=False)}"
    point = found.chosen(request.point)
    written = f"Written to {out}"
    price = next((name for name in point.even.columns if name.startswith("price")), None)
    if price is not None:
        return (
            f"{written}\nnext: name it in a tariff, series: {{file: {out.name}, column: {price}}}"
        )
    if "import_kwh" not in point.even.columns:
        return f"{written}\n{_to_a_forecast(point, out)}"
    if point.gaps and request.fill is None:
        return (
            f"{written}; {counted(point.gaps, 'step')} missing, and a bill needs every interval\n"
            f"next: {_again(found, request, out, fill=True)}"
        )
    if point.gaps:
        return (
            f"{written}; {counted(point.gaps, 'step')} missing before the first or after the last"
            " reading of a column, which are never invented\nnext: delete their rows, then run tariffwright"
            f" bill {shlex.quote(str(out))}"
        )
    zone = request.zone or "ZONE"
    hint = "" if request.zone else "  (ZONE: the IANA zone of the tariff's clock)"
    bill = f"next: tariffwright bill {shlex.quote(str(out))} --tariff TARIFF --zone {zone}{hint}"
    if "pv_kwh" not in point.even.columns:
        return f"{written}\n{bill}{_with_pv_behind(point, out)}"
    return f"{written}\n{bill}\n  or, for a plan, name it in a scenario: forecast: {out.name}"


def _with_pv_behind(point: Point, out: Path) -> str:
    """Return how a net meter's file leads to a plan, if it exports: what gave that was not metered."""
    if not np.nansum(point.even.columns["export_kwh"]) > 0:
        return ""
    return (
        f"\n  or, for a plan, have the PV behind it estimated from the roofs: forecast: {{load: {{meters:"
        f" [{out.name}]}}, place: {{...}}, pv: {{roofs: [...], behind_meters: true}}}}"
    )


def _to_a_forecast(point: Point, out: Path) -> str:
    """Return what to do with a file that is no meter's at the grid, and so cannot be billed."""
    if "load_kwh" in point.even.columns:
        return f"next: for a plan, name it in a scenario: forecast: {out.name}"
    return (
        f"next: name it in a scenario beside the meter's own file: forecast: {{load: {{meters: [METER],"
        f" pv_meters: [{out.name}]}}}}"
    )


def _again(found: Found, request: Request, out: Path, *, fill: bool) -> str:
    """Return the command that was given, with what it still needs."""
    several = len(found.points) > 1
    point = request.point or (str(found.points[0].number) if several else None)
    rule = request.fill or ("previous-day" if fill else None)
    options = {
        "--zone": request.zone, "--point": point, "--fill": rule, "--dates": request.dates,
        "--stamps": request.stamps, "--heads": ",".join(request.heads or ()),
        "--profile": request.shape.name if request.shape else None, "--out": str(out),
    }  # fmt: skip
    told = " ".join(f"{name} {shlex.quote(value)}" for name, value in options.items() if value)
    files = " ".join(shlex.quote(str(path)) for path in (found.path, *found.others))
    return f"tariffwright read {files} {told}"
