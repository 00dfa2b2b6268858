"""Recompute a folder of a forecast from its own files: what it and its plausible seasons sum up to.

How the seasons were drawn from metered weeks, and a back-test, nothing recomputes yet: that is said.
Read next: ``verify``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from typing_extensions import TypedDict

from optimizer.base.documents import digest_of
from optimizer.metering.forecast import FORECAST as STEPS
from optimizer.plain.bill import Words
from optimizer.plain.outage import at_or_below
from optimizer.workflows.checked import Check, Pair, Verification, first_of
from optimizer.workflows.read_again import columns_in, inputs_of_now, record_in, texts_in

FORECAST, MEMBERS, PAGE = "forecast.json", "members", "forecast.html"

WRITTEN_KWH = 5e-7
"""Energies have six digits after the point. [kWh]"""

FIGURES = ("load_kwh", "pv_kwh", "highest_load_kw", "highest_net_kw")

_Figures = dict[str, float]


class _Spread(TypedDict):
    p10: float
    p50: float
    p90: float


class Needed(TypedDict):
    """What of ``forecast.json`` is recomputed."""

    scenario: str
    first: str
    last: str
    step_minutes: int
    as_expected: _Figures
    spread: dict[str, _Spread]
    members: int
    inputs_sha256: dict[str, str]


def verify_forecast(folder: Path, inputs: Path | None = None) -> Verification:
    """Recompute a folder that ``forecast`` has written.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    record = record_in(folder / FORECAST, "forecast", Needed)
    paths = sorted((folder / MEMBERS).glob("member_*.csv"))
    step_h = record["step_minutes"] / 60
    expected, count = _sums(folder / STEPS, step_h)
    of_sum, of_step = WRITTEN_KWH * count, 4 * WRITTEN_KWH / step_h
    slack = dict(zip(FIGURES, (of_sum, of_sum, of_step, of_step), strict=True))
    members = [_sums(path, step_h)[0] for path in paths]

    def of_forecast() -> Iterator[Pair]:
        for key in FIGURES:
            again = expected[key]
            yield (
                f"as_expected.{key}",
                record["as_expected"][key],
                again,
                slack[key] + 1e-9 * abs(again),
            )

    def of_members() -> Iterator[Pair]:
        yield "members", record["members"], len(paths), 0.0
        for key in FIGURES if members else ():
            values = [member[key] for member in members]
            for name, pct in (("p10", 10), ("p50", 50), ("p90", 90)):
                again = at_or_below(values, pct)
                written = record["spread"][key][name]
                yield f"spread.{key}.{name}", written, again, slack[key] + 1e-9 * abs(again)

    told = f"energies and highest powers of {STEPS} added up, {count:,} steps"
    checks = [
        first_of("forecast", FORECAST, of_forecast(), told),
        first_of("plausible seasons", FORECAST, of_members(), f"the spread of {len(paths)} files"),
        _days(record, folder / STEPS),
        Check(
            "how seasons were drawn",
            "not checked",
            "nothing recomputes yet from which weeks and seed",
        ),
        Check(PAGE, "not checked", "its text and drawings are not read"),
    ]
    if record.get("back_test") is not None:
        checks.append(Check("back-test", "not checked", "nothing recomputes it yet"))
    checks.append(inputs_of_now(record["inputs_sha256"], inputs))
    read = [FORECAST, STEPS, *(f"{MEMBERS}/{path.name}" for path in paths)]
    files = {name: digest_of(folder / name) for name in read}
    return Verification(folder, record["scenario"], "", "", tuple(checks), files)


def _days(record: Words, path: Path) -> Check:
    """Hold the first and the last day told against the series."""
    times = texts_in(path, "time")
    for key, time in (("first", times[0]), ("last", times[-1])):
        if time[:10] != record[key]:
            where = f"{FORECAST}, {key}: {record[key]!r}, but the series has {time[:10]}"
            return Check("days", "differs", "another day than in the series", where=where)
    return Check("days", "agrees", "the first and the last day are those of the series")


def _sums(path: Path, step_h: float) -> tuple[_Figures, int]:
    """Return what a series sums up to, by the names of ``FIGURES``, and its steps."""
    columns = columns_in(path, "load_kwh", "pv_kwh")
    load, pv = columns["load_kwh"], columns["pv_kwh"]
    found = {
        "load_kwh": sum(load), "pv_kwh": sum(pv), "highest_load_kw": max(load) / step_h,
        "highest_net_kw": max(a - b for a, b in zip(load, pv, strict=True)) / step_h,
    }  # fmt: skip
    return found, len(load)
