"""Damages meter files at random: each must end in a result or in an error that is told.

    PYTHONPATH=. python tests/bench/fuzz_readers.py [--count 100000] [--seconds 3600] [--seed 1]

Seeds are small invented files of each kind. A run fails at the first other exception, at an input
that takes longer than 5 s, or when the process has grown beyond 500 MB; the input is then kept.
"""

from __future__ import annotations

import argparse
import gzip
import io
import random
import re
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from openpyxl import Workbook

from optimizer.base.errors import OptimizerError
from optimizer.metering.found import Request, Shape
from optimizer.metering.outside import read_any, tidy_csv
from optimizer.report.reading import next_step, reading_record, reading_text
from tests.readers.feeds import Meter, feed_xml, hourly, wall

LONGEST_S = 5
MOST_MB = 500
START = 1711231200
"""2024-03-23T22:00Z, a week before clocks change in Europe."""

TOKENS = [
    b"", b"0", b"-1", b"1e308", b"nan", b"inf", b"99999999999999999999", b"-9223372036854775808",
    b"2147483648", b"24:00", b"25:61", b"12:30 PM", b"2024-02-30", b"0000-00-00", b"31/12/9999",
    b"1970-01-01T00:00Z", b"2024-10-27 02:30", b"+14:00", b"-99:99", b",", b";", b"\t", b'"', b"\n",
    b"\r\n", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"<", b">", b"&", b"]]>", b"<!--", b"<![CDATA[",
    b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"&b;", b"<value/>", b"<entry>", b"</entry>", b"<start>",
    b"kWh", b"kW", b"Wh", b"MWh", b"Import", b"Export", b"net", b"Direction", b"Unit", b"Meter",
    b"1,234", b"1.234,5", b"''", "\u00a0".encode(), "\u0663".encode(), b"3599", b"900", b"86400",
    b"19", b"4", b"38", b"73", b"-3", b"12", b"360E2000", b"FFFFFFFF", b"1f8b",
]  # fmt: skip

REQUESTS = [
    Request(), Request(zone="Europe/Dublin"), Request(zone="America/New_York", fill="previous-day"),
    Request(zone="Australia/Lord_Howe", fill="linear", stamps="end"),
    Request(zone="Europe/Dublin", dates="day-first", stamps="start"), Request(zone="Nowhere/Town"),
    Request(zone="Asia/Kolkata", point="1"), Request(dates="month-first", zone="America/Havana"),
    Request(dates="year-first", zone="Pacific/Kiritimati", stamps="end"),
    Request(zone="Europe/Dublin", heads=("time", "import kWh")),
    Request(zone="Europe/Dublin", shape=Shape("flat", lambda grid: np.ones(grid.count))),
]  # fmt: skip


def seeds() -> list[bytes]:
    """Return small files of each kind that can be read."""
    week = range(60)
    quarter = Meter(hourly(START, [100 + 7 * n % 50 for n in week], 900), length=900)
    export = Meter(hourly(START, [3 * n % 40 for n in week], 900), {"flowDirection": 19}, 900)
    net = Meter(hourly(START, [(-1) ** n * 100 * n for n in range(30)]), {"flowDirection": 4})
    cost = Meter([
        {"start": START + 3600 * n, "duration": 3600, "value": 5 + n % 3, "cost": 99, "quality": n % 20}
        for n in range(30)
    ])  # fmt: skip
    untimed = Meter([], length=900, blocks=[(START, 9000, [{"value": n} for n in range(10)])])
    power = Meter(hourly(START, [900 + n % 4 for n in range(30)]), {"uom": 38, "kind": 8})
    feeds = [
        feed_xml([("home", 0, [quarter, export])]),
        feed_xml([("a", 0, [net]), ("b", 1, [cost]), ("c", 0, [cost])], prefix="e:"),
        feed_xml([("u", 0, [untimed])]), feed_xml([("p", 0, [power])], None),
    ]  # fmt: skip
    return [one.encode() for one in (*feeds, *tables())] + [_archive(), _workbook()]


def _archive() -> bytes:
    """Return a ZIP of two successive tables."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for name, first in (("a.csv", "2024-03-28"), ("b.csv", "2024-03-29")):
            rows = [f"{t:%Y-%m-%d %H:%M},{n % 7}" for n, t in enumerate(wall(first, 24, 60))]
            archive.writestr(name, "\n".join(["time,import kWh", *rows]))
    return packed.getvalue()


def _workbook() -> bytes:
    """Return a workbook of a day, its parts not packed, so that damages reach them."""
    workbook, saved, plain = Workbook(), io.BytesIO(), io.BytesIO()
    sheet: Any = workbook.active
    sheet.append(["time", "import kWh"])
    for n, t in enumerate(wall("2024-03-28", 24, 60)):
        sheet.append([t, n % 7])
    workbook.save(saved)
    with zipfile.ZipFile(saved) as packed, zipfile.ZipFile(plain, "w") as archive:
        for name in packed.namelist():
            archive.writestr(name, packed.read(name))
    return plain.getvalue()


def tables() -> list[str]:
    """Return small CSVs in several dialects."""
    hours, quarters = wall("2024-03-30", 49, 60)[:48], wall("2024-10-26", 130, 15)
    iso = [f"{t:%Y-%m-%dT%H:%M}+00:00,{n % 7}.5,{n % 3}" for n, t in enumerate(quarters)]
    days = [f"{t:%d.%m.%Y;%H:%M};{n % 9},25;{n % 4},5" for n, t in enumerate(hours)]
    halves = [f'"{t:%m/%d/%Y %I:%M %p}","1,{n % 9}00.5"' for n, t in enumerate(hours[1:])]
    wide = [f"2024-10-{d}," + ",".join(str((d * n) % 11) for n in range(24)) for d in (26, 27, 28)]
    flows = [
        f"{t:%Y-%m-%d %H:%M},{way},{n % 5}"
        for n, t in enumerate(hours)
        for way in ("Import", "Export")
    ]
    register = [f"{t:%Y-%m-%dT%H:%M}Z,{900 + n},{70 + n // 2}" for n, t in enumerate(quarters)]
    epochs = [f"{START + 3600 * n},{n % 5},{n % 3},{n % 7}" for n in range(48)]
    prices = [f"{t:%Y-%m-%d %H:%M},{n - 9}" for n, t in enumerate(hours)]
    return [
        "\n".join(["time,import_kwh,export_kwh", *iso]),
        "\n".join(["Report;x", "", "Datum;Zeit;Bezug kWh;Einspeisung kWh", *days, "Total;;1;2"]),
        "\n".join(['"Interval Ending","Usage (Wh)"', *halves]),
        "\n".join(["Date," + ",".join(f"{n:02d}:00" for n in range(24)), *wide]),
        "\n".join(["Start,Direction,kWh", *flows]),
        "\n".join(["time,price EUR/MWh", *prices]),
        "\n".join(["Date," + ",".join(map(str, range(1, 25))), *wide]),
        "\n".join(["time,import T1 kWh,import T2 kWh", *register]),
        "\n".join(["epoch,import kWh,export kWh,PV kWh", *epochs]),
    ]


Change = Callable[[bytearray, random.Random, list[bytes]], None]


def flip(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    for _ in range(luck.choice([1, 1, 2, 8])):
        data[luck.randrange(len(data))] = luck.randrange(256)


def cut(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    first = luck.randrange(len(data))
    del data[first : first + luck.choice([1, 3, 20, 200, len(data)])]


def double(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    first = luck.randrange(len(data))
    part = data[first : first + luck.choice([1, 10, 100, 1000])]
    place = luck.randrange(len(data) + 1)
    data[place:place] = part * luck.choice([1, 1, 2, 5])


def swap(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    lines = bytes(data).split(b"\n")
    one, other = luck.randrange(len(lines)), luck.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    data[:] = b"\n".join(lines)


def replace_token(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    first = luck.randrange(len(data))
    token = luck.choice(TOKENS)
    data[first : first + luck.choice([0, 1, len(token), 12])] = token


def replace_word(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    """Put a token in place of a whole word or number."""
    at = luck.randrange(len(data))
    first = last = at
    inside = set(b"0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-:")
    while first > 0 and data[first - 1] in inside:
        first -= 1
    while last < len(data) and data[last] in inside:
        last += 1
    data[first:last] = luck.choice(TOKENS)


def splice(data: bytearray, luck: random.Random, every: list[bytes]) -> None:
    other = luck.choice(every)
    first = luck.randrange(len(other))
    place = luck.randrange(len(data) + 1)
    data[place:place] = other[first : first + luck.choice([10, 100, 1000])]


def change_text(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    """Put a token, or another text of the file, in place of an element's text or a cell."""
    pieces = re.split(rb"([<>,;\n\"]+)", bytes(data))
    place = luck.randrange(len(pieces))
    pieces[place] = luck.choice(TOKENS) if luck.random() < 0.5 else luck.choice(pieces)
    data[:] = b"".join(pieces)


def change_element(data: bytearray, luck: random.Random, _all: list[bytes]) -> None:
    """Drop, repeat or move a whole element or row, so that the rest stays as it was."""
    name = luck.choice([b"entry", b"IntervalReading", b"timePeriod", b"interval", b"value", b"uom",
                        b"kind", b"link", b"tzOffset", b"IntervalBlock", b"ReadingType"])  # fmt: skip
    pattern = rb"<(?:e:)?%b\b[^>]*/>|<(e:)?%b\b.*?</(?:e:)?%b>" % (name, name, name)
    found = [match.span() for match in re.finditer(pattern, bytes(data), flags=re.DOTALL)]
    found = found or [match.span() for match in re.finditer(rb"[^\n]+\n", bytes(data))]
    if not found:
        return
    (first, last), (place, _) = luck.choice(found), luck.choice(found)
    part = bytes(data[first:last])
    if luck.random() < 0.5:
        data[place:place] = part
    else:
        del data[first:last]


CHANGES: list[Change] = [
    flip, cut, double, swap, replace_token, replace_word, splice, change_text, change_text,
    change_text, change_element, change_element, change_element,
]  # fmt: skip


def damaged(every: list[bytes], luck: random.Random) -> bytes:
    """Return one of the files with one to four damages."""
    data = bytearray(luck.choice(every))
    for _ in range(luck.choice([1, 1, 2, 3, 4])):
        if data:
            luck.choice(CHANGES)(data, luck, every)
    return gzip.compress(bytes(data), 1) if luck.random() < 0.02 else bytes(data)


def megabytes() -> int:
    """Return the most memory that this process has ever held. [MB]"""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


class TooLongError(Exception):
    """An input took longer than is allowed."""


def ring(*_: object) -> None:
    raise TooLongError


@dataclass
class Tally:
    """What became of the inputs."""

    ends: Counter[str] = field(default_factory=Counter)
    longest_s: float = 0.0
    failure: str = ""
    culprit: bytes = b""


def fuzz(count: int, seconds: float, seed: int) -> Tally:
    """Read damaged files until one misbehaves, the count is full or time is up."""
    luck, every, tally = random.Random(seed), seeds(), Tally()
    signal.signal(signal.SIGALRM, ring)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "meter.data"
        for _ in range(count):
            if time.monotonic() - begun > seconds or tally.failure:
                break
            data, request = damaged(every, luck), luck.choice(REQUESTS)
            path.write_bytes(data)
            with warnings.catch_warnings():
                _one(path, request, tally)
            if megabytes() > MOST_MB:
                tally.failure = f"the process has grown to {megabytes()} MB"
            if tally.failure:
                tally.culprit = data
    return tally


def read_whole(path: Path, request: Request) -> None:
    """Read a file and tell all that ``read`` tells of it."""
    found = read_any(path, request)
    reading_text(found)
    reading_record(found, request, None)
    with suppress(OptimizerError):
        tidy_csv(found.chosen(request.point))
        next_step(found, request, path)


def _one(path: Path, request: Request, tally: Tally) -> None:
    begun = time.monotonic()
    signal.alarm(LONGEST_S)
    try:
        warnings.simplefilter("error")  # a warning would reach the user's screen
        read_whole(path, request)
        end = "read"
    except OptimizerError as failure:
        end = "told" if failure.exit_code == 2 and failure.where and failure.mend else "half told"
    except TooLongError:
        end = "hung"
        tally.failure = f"longer than {LONGEST_S} s with {request}"
    except Exception:
        end = "crashed"
        tally.failure = f"{request}\n{traceback.format_exc()}"
    finally:
        signal.alarm(0)
    kind = "xml" if b"<feed" in path.read_bytes()[:400] else "csv"
    tally.ends[f"{kind} {end}"] += 1
    tally.longest_s = max(tally.longest_s, time.monotonic() - begun)


def main() -> None:
    """Fuzz and print what became of the inputs."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=100_000)
    words.add_argument("--seconds", type=float, default=3600)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    begun = time.monotonic()
    tally = fuzz(asked.count, asked.seconds, asked.seed)
    told = ", ".join(f"{name} {count:,}" for name, count in sorted(tally.ends.items()))
    print(f"{tally.ends.total():,} inputs in {time.monotonic() - begun:.0f} s: {told}")
    print(f"longest {tally.longest_s:.2f} s, most memory {megabytes()} MB")
    if tally.failure:
        kept = Path(tempfile.gettempdir()) / f"fuzz-{asked.seed}.data"
        kept.write_bytes(tally.culprit)
        print(f"FAILED, input kept in {kept}\n{tally.failure}")
        sys.exit(1)


if __name__ == "__main__":
    main()
