"""The order of a file's rows changes nothing: any order gives the same series or the same refusal.

One thing only the order can tell: which of two rows came first in an hour that the clock repeats.
There the rows of that day must be in order, or the file is refused in words that say so. Run by hand
for more: ``PYTHONPATH=. python -m tests.readers.test_permutations 2000``.
"""

from __future__ import annotations

import random
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import TimeGrid
from optimizer.metering.forecast_csv import read_forecast
from optimizer.metering.found import Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any
from optimizer.metering.price_csv import read_prices
from optimizer.site.equipment import Connection, Inverter
from tests.builders import simple_plant

DUBLIN, NEW_YORK = "Europe/Dublin", "America/New_York"
SPRING, AUTUMN, SUMMER = ("2026-03-27", "2026-03-31"), ("2026-10-23", "2026-10-27"), (
    "2026-07-01", "2026-07-04")  # fmt: skip
PLANT = simple_plant(
    10, 5, inverter=Inverter(ac_limit_kw=6), connection=Connection(import_limit_kw=15)
)
OPEN = "comes twice on the clock"


def moments(days: tuple[str, str], zone: str, step: int) -> list[datetime]:
    """Return the beginnings of all steps between two local midnights, in the zone."""
    first, last = (datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone)) for day in days)
    count = int((last.astimezone(UTC) - first.astimezone(UTC)) / timedelta(minutes=step))
    begin = first.astimezone(UTC)
    return [(begin + timedelta(minutes=step * n)).astimezone(ZoneInfo(zone)) for n in range(count)]


@dataclass(frozen=True)
class Case:
    """A readable file by head and rows, with the function that gives its series as arrays."""

    name: str
    head: str
    rows: list[str]
    read: Callable[[Path], list[np.ndarray]]


def meter(path: Path) -> list[np.ndarray]:
    flows, _ = read_meter(path, DUBLIN)
    return [flows.grid.utc.asi8, flows.import_kwh, flows.export_kwh]


def forecast(path: Path) -> list[np.ndarray]:
    read = read_forecast(path, DUBLIN, PLANT)
    return [read.grid.utc.asi8, read.load_kwh, read.pv_kwh]


def prices(path: Path) -> list[np.ndarray]:
    grid = TimeGrid(datetime(2026, 7, 1, tzinfo=ZoneInfo(DUBLIN)), 60, 48, DUBLIN)
    return [read_prices(path, "price_per_mwh", grid, "here", [])]


def outside(**asked: str) -> Callable[[Path], list[np.ndarray]]:
    def read(path: Path) -> list[np.ndarray]:
        points = sorted(read_any(path, Request(**asked)).points, key=lambda one: one.name)
        return [
            array for one in points for array in (one.even.instants_s, *one.even.columns.values())
        ]

    return read


def tables() -> list[Case]:
    """Return files in several dialects, over both clock changes and in summer."""
    luck = np.random.default_rng(5)

    def numbered(stamps: list[str], mark: str = ",", columns: int = 2) -> list[str]:
        values = luck.integers(0, 900, (len(stamps), columns)) / 1000
        return [mark.join([s, *map(str, v)]) for s, v in zip(stamps, values.tolist(), strict=True)]

    def wall(
        days: tuple[str, str], zone: str, step: int, form: str = "%Y-%m-%dT%H:%M"
    ) -> list[str]:
        return [one.strftime(form) for one in moments(days, zone, step)]

    def every_hour(days: tuple[str, str], zone: str) -> list[str]:
        """24 hours on every day, also those that the clock skips."""
        dates = sorted({one.date() for one in moments(days, zone, 60)})
        return [f"{day}T{hour:02d}:00" for day in dates for hour in range(24)]

    def iso(days: tuple[str, str], zone: str, step: int) -> list[str]:
        return [one.isoformat(timespec="minutes") for one in moments(days, zone, step)]

    flows = [f"{s},{way},{v:.3f}" for s in wall(AUTUMN, NEW_YORK, 30, "%Y-%m-%d %H:%M")
             for way, v in zip(("Import", "Export"), luck.random(2).tolist(), strict=True)]  # fmt: skip
    both = "time,import_kwh,export_kwh"
    return [
        Case("meter_skips", both, numbered(every_hour(SPRING, DUBLIN)), meter),
        Case("meter_repeats", both, numbered(wall(AUTUMN, DUBLIN, 60)), meter),
        Case("meter_offsets", both, numbered(iso(AUTUMN, DUBLIN, 30)), meter),
        Case("meter_twice", both, 2 * numbered(iso(SUMMER, DUBLIN, 60)), meter),
        Case("forecast_skips", "time,load_kw,pv_kw", numbered(every_hour(SPRING, DUBLIN)), forecast),
        Case("forecast_repeats", "time,load_kw,pv_kw", numbered(wall(AUTUMN, DUBLIN, 15)), forecast),
        Case("prices", "time,price_per_mwh", numbered(wall(SUMMER, DUBLIN, 60), columns=1), prices),
        Case("outside_skips", "time,kWh", numbered(every_hour(SPRING, DUBLIN), columns=1),
             outside(zone=DUBLIN, stamps="start")),
        Case("outside_repeats", both, numbered(wall(AUTUMN, DUBLIN, 15)),
             outside(zone=DUBLIN, stamps="start")),
        Case("outside_ends", "Interval Ending;Import kWh;Export kWh",
             numbered(wall(AUTUMN, DUBLIN, 60, "%d.%m.%Y %H:%M"), ";"), outside(zone=DUBLIN)),
        Case("outside_offsets", both, numbered(iso(SPRING, NEW_YORK, 60)),
             outside(zone=NEW_YORK, stamps="start")),
        Case("outside_flows", "Start,Direction,kWh", flows, outside(zone=NEW_YORK)),
        Case("register", "time,kWh", [f"{s},{n}" for n, s in enumerate(iso(SUMMER, DUBLIN, 60))],
             outside(zone=DUBLIN, stamps="start")),
        Case("contradiction", both, [*numbered(iso(SUMMER, DUBLIN, 60)), "2026-07-01T05:00+01:00,7,7"],
             meter),
    ]  # fmt: skip


def ordered(rows: list[str], luck: random.Random) -> list[str]:
    """Return the rows shuffled, rotated, turned round, in blocks, or with two of them exchanged."""
    kind, cut = (
        luck.choice(["all", "rotate", "turn", "both", "blocks", "swap"]),
        luck.randrange(len(rows)),
    )
    if kind == "all":
        return luck.sample(rows, len(rows))
    if kind == "blocks":
        blocks = [rows[n : n + 24] for n in range(0, len(rows), 24)]
        return [row for block in luck.sample(blocks, len(blocks)) for row in block]
    changed = list(rows)
    if kind == "swap":
        one, other = luck.randrange(len(rows)), luck.randrange(len(rows))
        if (
            re.split("[,;]", rows[one])[0] != re.split("[,;]", rows[other])[0]
        ):  # else it is another file
            changed[one], changed[other] = changed[other], changed[one]
    if kind in {"rotate", "both"}:
        changed = changed[cut:] + changed[:cut]
    return changed[::-1] if kind in {"turn", "both"} else changed


def outcome(case: Case, rows: list[str], folder: Path) -> tuple[list[np.ndarray], str]:
    """Return the series, or the words of the refusal without numbers."""
    path = folder / "rows.csv"
    path.write_text("\n".join([case.head, *rows]) + "\n")
    try:
        return case.read(path), ""
    except SeriesError as failure:
        return [], failure.what if OPEN in failure.what else re.sub(r"[\d.]+", "#", failure.what)


def tried(case: Case, count: int, seed: int) -> Counter[str]:
    """Return how many orders gave the same, were refused as open, or were wrong."""
    luck, ends = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        series, words = outcome(case, case.rows, folder)
        for _ in range(count):
            rows = ordered(case.rows, luck)
            again, told = outcome(case, rows, folder)
            same = told == words and len(again) == len(series) and all(
                np.array_equal(a, b, equal_nan=True) for a, b in zip(series, again, strict=True)
            )  # fmt: skip
            ends["same" if same else "open" if OPEN in told else f"wrong: {told} {rows[:2]}"] += 1
    return ends


CASES = tables()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_any_order_of_the_rows_gives_the_same_series_or_the_same_refusal(case: Case):
    ends = tried(case, 6, seed=3)

    allowed = {"same", "open"} if case.name in OPEN_CASES else {"same"}
    assert set(ends) <= allowed
    assert ends["same"] >= 1


OPEN_CASES = {
    "meter_repeats",
    "forecast_repeats",
    "outside_repeats",
    "outside_ends",
    "outside_flows",
}


@pytest.mark.parametrize("name", sorted(OPEN_CASES))
def test_whole_days_in_any_order_and_newest_first_are_read_over_a_repeated_hour(
    tmp_path: Path, name: str
):
    case = next(one for one in CASES if one.name == name)
    series, told = outcome(case, case.rows, tmp_path)
    days = [[row for row in case.rows if row.startswith(day)]
            for day in dict.fromkeys(row[:10] for row in case.rows)]  # fmt: skip
    orders = [case.rows[::-1]] + [
        [row for day in days[cut:] + days[:cut] for row in day] for cut in range(1, len(days))
    ]

    assert told == ""
    for rows in orders:
        again, _ = outcome(case, rows, tmp_path)
        for one, other in zip(series, again, strict=True):
            np.testing.assert_array_equal(one, other)


def test_a_repeated_hour_whose_rows_are_shuffled_is_refused_only_if_it_matters(tmp_path: Path):
    stamps = [one.strftime("%Y-%m-%dT%H:%M") for one in moments(AUTUMN, DUBLIN, 60)]
    shuffled = random.Random(1).sample(stamps, len(stamps))
    path = tmp_path / "meter.csv"
    path.write_text("time,import_kwh\n" + "".join(f"{s},0.5\n" for s in shuffled))
    flows, _ = read_meter(path, DUBLIN)
    assert flows.grid.count == len(stamps) == 4 * 24 + 1

    path.write_text("time,import_kwh\n" + "".join(f"{s},{n}\n" for n, s in enumerate(shuffled)))
    with pytest.raises(SeriesError, match="2026-10-25T01:00 comes twice") as caught:
        read_meter(path, DUBLIN)
    assert "Sort the rows of that day" in caught.value.mend


if __name__ == "__main__":
    total = Counter[str]()
    wanted = int(sys.argv[1])
    for number, one in enumerate(CASES):
        counts = tried(one, -(-wanted // len(CASES)), seed=number)
        print(one.name, dict(counts))  # noqa: T201
        total.update({key.partition(":")[0]: value for key, value in counts.items()})
    print(dict(total))  # noqa: T201
