"""Damages whatever a person hands in: each input must end in a result or in an error that is told.

    PYTHONPATH=. python tests/bench/fuzz_entrances.py [--count 60000] [--seconds 3600] [--seed 1] [--only TEXT] [--guided]

Entrances are scenarios, tariffs, settings, studies, paid bills, worked bills, histories, renewals, ledgers, weather
files, tables of meters, forecasts and prices, and words on the command line; seeds are what is shipped, the
gallery of broken inputs, and small invented files. A run fails at the first exception that is not the program's
own, at an input that takes longer than 10 s, at a message of more than 2,000 characters, or when more than
1 GB is asked for; the input is then kept. ``fuzz_readers.py`` does the same to meter data from outside.
With ``--guided`` the library atheris, which is by hand alone, changes the files of one entrance so as to
reach code that no input has reached yet.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import io
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import FunctionType

import pvlib
from typer.testing import CliRunner

from optimizer.base.documents import read_document
from optimizer.base.errors import OptimizerError, ScenarioError, SettingsError, TariffError
from optimizer.base.timegrid import TimeGrid, calendar_months
from optimizer.billing.history import History
from optimizer.billing.reconcile import read_paid_bill
from optimizer.billing.tariff import compile_cost, read_tariff
from optimizer.billing.worked import read_worked_bills
from optimizer.cli.app import app
from optimizer.forecasting.sun import read_typical_year
from optimizer.metering.forecast_csv import read_forecast
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.price_csv import read_prices
from optimizer.scenario.scenario import read_scenario
from optimizer.settings.check import read_settings
from optimizer.settings.controls import Controls
from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.study_file import StudyFile
from optimizer.workflows.in_use import RenewalFile
from tests.bench import fuzz_readers
from tests.bench.fuzz_readers import TooLongError, damaged, megabytes, ring, tables
from tests.laws.cases import AC_PLANT

LONGEST_S, MOST_BYTES, MOST_WORDS = 10, 1_000_000_000, 2_000
ROOT = Path(__file__).parents[2]
GALLERY = ROOT / "tests" / "broken"
GRID = TimeGrid(datetime(2026, 3, 1, tzinfo=UTC), 60, 72, "Europe/Dublin")

YAML_TOKENS = [
    b"null", b"true", b"no", b"~", b"[]", b"{}", b"[1, 2]", b"{a: 1}", b"!!float \"\"", b"!!python/none", b"&a", b"*a",
    b"<<: *a", b"0x" + b"f" * 300, b"1_000", b"0o17", b"1e400", b".nan", b"-.inf", b"'", b"|\n  x", b"? ", b"- ", b": ",
    b"2026-02-30", b"2026-03-01", b"22:00-06:00", b"24:00", b"13,5", b"10%", b"# ", b"---\n", b"...\n", b"%YAML 9.9\n",
    b"[" * 60, b"kind: energy", b"per_kwh: 34", b"otherwise: true", b"months: [13]", b"\t", b"weekdays", b"next day",
    "\u2028".encode(), "\u202e".encode(), b"\xed\xa0\x80", b"$$", b"../../x", b"/dev/zero", b"a" * 5000,
]  # fmt: skip

WORDS = [
    "plan", "bill", "read", "check", "study", "outage", "renew", "review", "replay", "forecast", "--list", "--json",
    "--out", "--tariff", "--zone", "Europe/Dublin", "two_rates", "--paid", "--history", "--explain", "--accept",
    "--undo", "--previous", "--settings", "--critical", "--floors", "--members", "0", "-1", "1e9", "nan", "", "-", "--",
    "--help", "--version", "--effort", "quick", "--windows", "--worth", "--least", "--metered", "--point", "--fill",
    "linear", "--dates", "day-first", "--stamps", "end", "\u0000", "\ud800", "a" * 5000, "/dev/null", "/dev/zero", ".",
    "..", "/", "nowhere", "no/where/else", "--debug", "--table", "csv", "--processes", "--seed", "\u202e", "*", "~",
]  # fmt: skip

SCENARIO = """\
scenario: Tarn Hollow
zone: Europe/Dublin
forecast: forecast.csv
tariff: two_rates
battery: {capacity_kwh: 12, charge_kw: 4, discharge_kw: 5, floor_pct: 10, ceiling_pct: 90}
inverter: {ac_limit_kw: 6, efficiency_pct: 97}
pv: {coupling: dc, peak_kw: 6}
connection: {import_limit_kw: 15, export_limit_kw: 5}
permissions: {charge_from_grid: true, export_stored_energy: false}
reserve_pct: 20
worth_typing: 5
outage: {hours: 4, share_pct: 80, carries: building}
loads:
  - {name: pump, running_w: 700, starting_factor: 3, critical: true}
behaviour: {at_target: ends, floor_restart_pct: 5, standby_kw: 0.05}
state: {start_pct: 30, end_pct: free, leftover_per_kwh: 0.1}
controls:
  windows_per_day: 2
  day_types: weekday_weekend
  minutes: 30
  after_midnight: next day
  power_step_pct: 10
"""

Entrance = Callable[[Path], object]
"""Reads one file; whatever it returns is thrown away."""


def _tariff(path: Path) -> None:
    tariff = read_tariff(path)
    compile_cost(tariff, GRID, calendar_months(GRID))


def _renewal(path: Path) -> None:
    read_document(path, RenewalFile, SettingsError)


def _ledger(path: Path) -> None:
    path.replace(path.parent / LEDGER)
    Ledger(path.parent).close()


ENTRANCES: dict[str, tuple[str, Entrance]] = {
    "scenario": ("scenario.yaml", read_scenario),
    "tariff": ("tariff.yaml", _tariff),
    "settings": ("settings.yaml", lambda path: read_settings(path, Controls(), AC_PLANT)),
    "study": ("study.yaml", lambda path: read_document(path, StudyFile, ScenarioError)),
    "paid bill": ("bill.yaml", read_paid_bill),
    "worked bills": ("x.bills.yaml", read_worked_bills),
    "history": ("history.yaml", lambda path: read_document(path, History, TariffError)),
    "renewal": ("renewal.yaml", _renewal),
    "ledger": ("some.jsonl", _ledger),
    "weather": ("weather.epw", read_typical_year),
    "weather, other": ("weather.csv", read_typical_year),
    "meter": ("meter.csv", lambda path: read_meter(path, "Europe/Dublin")),
    "forecast": ("forecast.csv", lambda path: read_forecast(path, "Europe/Dublin", AC_PLANT)),
    "prices": ("prices.csv", lambda path: read_prices(path, "price_per_kwh", GRID, "here", [])),
}


def _texts(*patterns: str) -> list[bytes]:
    found = [path for pattern in patterns for path in sorted(ROOT.glob(pattern)) if path.is_file()]
    return [path.read_bytes() for path in found if path.stat().st_size < 100_000]


def seeds() -> dict[str, list[bytes]]:
    """Return files of each kind, good and broken ones."""
    weather = (Path(pvlib.__file__).parent / "data" / "723170TYA.CSV").read_bytes()
    short = b"".join(weather.splitlines(keepends=True)[:200])
    hour = b"1990,1,1,%d,60,?," + b",".join([b"10"] * 29) + b"\n"
    hours = b"".join(hour % (number % 24 + 1) for number in range(8760))
    epw = b"LOCATION,X,-,-,x,1,53.3,-6.3,0.0,85.0\n" + b"-\n" * 7 + hours
    settings = _texts("tests/broken/settings/*.yaml")
    whole = b"settings: x\nfloor_pct: 10\nseasons:\n  - months: [1, 2]\n    day_sets:\n      - {days: every day}\n"
    renewal = b"renewed: 2026-01-01\nscenario: x\ntariff: t\ncurrency: EUR\nadvice: keep\nafter:\n  settings: x\n  floor_pct: 10\n"
    answers = b'{"key": "a", "value": 1, "crc32": 5}\n' * 3 + b'{"key": "b"}\n'
    rows = [f"2026-03-{1 + n // 24:02d}T{n % 24:02d}:00,0.{n % 7},0.{n % 5}" for n in range(72)]
    table = lambda head: "\n".join([head, *rows]).encode()  # noqa: E731 - three times, here alone
    outside = [one.encode() for one in tables()]
    return {
        "scenario": [*[SCENARIO.encode()] * 10, *_texts("scenarios/*/scenario.yaml", "tests/broken/scenarios/*.yaml")],
        "tariff": _texts("tariffs/*.yaml", "tests/broken/tariffs/*.yaml"),
        "settings": [*[whole] * 20, *settings],
        "study": [*_texts("scenarios/*/study.yaml"), b"study: x\nsites: [a]\nvary: {battery_kwh: [5, 10]}\n"],
        "paid bill": [b"bill: x\nfirst: 2026-01-01\nlast: 2026-01-31\nlines:\n  - {name: a, amount: 1}\ntotal: 1\n"],
        "worked bills": _texts("tariffs/*.bills.yaml"),
        "history": [b"past_peaks_kw: {Demand: {2025-12: 7.4}}\nbanked: {Net: 3}\npeak_so_far_kw: {Demand: 3}\n"],
        "renewal": [renewal],
        "ledger": [answers],
        "weather": [epw, short],
        "weather, other": [weather, short, epw],
        "meter": [table("time,import_kwh,export_kwh"), *outside],
        "forecast": [table("time,load_kwh,pv_kwh"), *_texts("tests/broken/forecasts/*.csv")],
        "prices": [table("time,price_per_kwh,other"), *_texts("tests/broken/prices/*.csv")],
    }  # fmt: skip


@dataclass
class Tally:
    """What became of the inputs of each entrance."""

    ends: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    longest_s: float = 0.0
    longest_message: int = 0
    failure: str = ""
    culprit: bytes = b""


def hurt(every: list[bytes], luck: random.Random) -> bytes:
    """Return one of the files with a number, a value, a cell or a line changed, or damaged anyhow."""
    if luck.random() < 0.2:
        return damaged(every, luck)
    lines = luck.choice(every).split(b"\n")
    for _ in range(luck.choice([1, 1, 1, 2, 3])):
        at, other = luck.randrange(len(lines)), luck.randrange(len(lines))
        chance = luck.random()
        if chance < 0.1:
            lines[at:at] = [lines[other]]
        elif chance < 0.2 and len(lines) > 1:
            del lines[at]
        elif chance < 0.6:
            lines[at] = _other_number(lines[at], luck)
        else:
            mark = b": " if b": " in lines[at] else b","
            parts, others = lines[at].split(mark), lines[other].split(mark)
            tokens = fuzz_readers.TOKENS if chance < 0.8 else others
            parts[luck.randrange(len(parts))] = luck.choice(tokens)
            lines[at] = mark.join(parts)
    return b"\n".join(lines)


def _other_number(line: bytes, luck: random.Random) -> bytes:
    """Return a line with one of its numbers made larger, smaller, negative or nought."""
    numbers = list(re.finditer(rb"(?<![\w:.-])\d+(?:\.\d+)?(?![\w:.-])", line))
    if not numbers:
        return line
    match = luck.choice(numbers)
    changed = float(match[0]) * luck.choice(
        [0, -1, 0.1, 0.5, 0.999, 1.001, 2, 10, 1e3, 1e6, 1e-6, 1e12]
    )
    return line[: match.start()] + f"{changed:.12g}".encode() + line[match.end() :]


def good_ones(name: str, every: list[bytes]) -> list[bytes]:
    """Return the files that an entrance takes as they stand."""
    file, entrance = ENTRANCES[name]
    found = []
    for data in every:
        with tempfile.TemporaryDirectory() as place, contextlib.suppress(OptimizerError):
            _beside(Path(place))
            (Path(place) / file).write_bytes(data)
            entrance(Path(place) / file)
            found.append(data)
    return found


def _beside(folder: Path) -> None:
    """Write what scenarios and tariffs name beside them."""
    rows = [f"2026-03-{1 + n // 24:02d}T{n % 24:02d}:00,1,{n % 3}" for n in range(72)]
    (folder / "forecast.csv").write_text("\n".join(["time,load_kwh,pv_kwh", *rows]))


def _judged(act: Callable[[], object], tally: Tally, name: str) -> None:
    begun = time.monotonic()
    signal.alarm(LONGEST_S)
    try:
        warnings.simplefilter("error")
        act()
        end = "taken"
    except OptimizerError as failure:
        message = len(str(failure))
        tally.longest_message = max(tally.longest_message, message)
        end = "told" if failure.exit_code == 2 and failure.where and failure.mend else "half told"
        if message > MOST_WORDS:
            tally.failure = f"{name}: a message of {message:,} characters"
    except TooLongError:
        end, tally.failure = "hung", f"{name}: longer than {LONGEST_S} s"
    except Exception:
        end, tally.failure = "crashed", f"{name}\n{traceback.format_exc()}"
    finally:
        signal.alarm(0)
    tally.ends[name][end] += 1
    tally.longest_s = max(tally.longest_s, time.monotonic() - begun)


def _command(luck: random.Random, folder: Path, tally: Tally) -> bytes:
    """Give words to the command line; no plan or study is let run, for these take their time."""
    words = [luck.choice(WORDS) for _ in range(luck.choice([1, 2, 3, 4, 6]))]
    if words and words[0] in {"plan", "study", "outage", "renew", "forecast", "replay"}:
        words = [words[0], "nowhere", *words[1:]] if luck.random() < 0.8 else [words[0], "--help"]

    def act() -> None:
        with contextlib.chdir(folder), contextlib.redirect_stderr(io.StringIO()) as errors:
            done = CliRunner().invoke(app, words)
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        if done.exit_code not in {0, 2, 3, 10, 64}:
            raise AssertionError(f"exit code {done.exit_code} of {words!r}")
        said = max(len(done.stderr), len(errors.getvalue()))
        if "a" * 1000 in "".join(words):
            return  # the library that reads the words repeats them
        tally.longest_message = max(tally.longest_message, said)
        if said > MOST_WORDS:
            raise AssertionError(f"{said:,} characters of {words!r}")

    _judged(act, tally, "command line")
    return repr(words).encode()


def fuzz(count: int, seconds: float, seed: int, only: str) -> Tally:
    """Hand in damaged files until one misbehaves, the count is full or time is up."""
    luck, every, tally = random.Random(seed), seeds(), Tally()
    good = {name: good_ones(name, every[name]) for name in ENTRANCES}
    fuzz_readers.TOKENS += YAML_TOKENS
    names = [name for name in [*ENTRANCES, "command line"] if only in name]
    signal.signal(signal.SIGALRM, ring)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES + _mapped(), MOST_BYTES + _mapped()))
    begun = time.monotonic()
    for number in range(count):
        if time.monotonic() - begun > seconds or tally.failure:
            break
        name = names[number % len(names)]
        with tempfile.TemporaryDirectory() as place, warnings.catch_warnings():
            folder = Path(place)
            _beside(folder)
            if name == "command line":
                data = _command(luck, folder, tally)
            else:
                file, entrance = ENTRANCES[name]
                data = hurt(good[name] if good[name] and luck.random() < 0.8 else every[name], luck)
                (folder / file).write_bytes(data)
                path = folder / file
                _judged(lambda path=path, read=entrance: read(path), tally, name)  # type: ignore[misc]
        if tally.failure:
            tally.culprit = data
    return tally


def guided(name: str, seconds: int, seed: int) -> None:
    """Fuzz one entrance, led by the lines that are reached; libFuzzer ends the process."""
    import atheris

    file, entrance = ENTRANCES[name]
    ends = Counter[str]()
    place = Path(tempfile.mkdtemp())
    corpus = place / "corpus"
    corpus.mkdir()
    for number, data in enumerate(seeds()[name]):
        (corpus / str(number)).write_bytes(data)
    folder = place / "folder"
    folder.mkdir()
    _beside(folder)

    def act(data: bytes) -> None:
        (folder / file).write_bytes(data)
        try:
            entrance(folder / file)
            ends["taken"] += 1
        except OptimizerError as failure:
            if failure.exit_code != 2 or not (failure.where and failure.mend):
                raise AssertionError(f"half told: {failure}") from failure
            if len(str(failure)) > MOST_WORDS:
                raise AssertionError(f"a message of {len(str(failure)):,} characters") from failure
            ends["told"] += 1
        if ends.total() % 500 == 0:
            print(f"{name}: {ends.total():,} inputs, taken {ends['taken']:,}", flush=True)

    for each in gc.get_objects():
        if isinstance(each, FunctionType) and (each.__module__ or "").startswith("optimizer."):
            atheris.instrument_func(each)
    limits = [
        f"-max_total_time={seconds}",
        f"-timeout={LONGEST_S}",
        "-rss_limit_mb=2000",
        f"-seed={seed}",
    ]
    atheris.Setup([sys.argv[0], *limits, f"-artifact_prefix={place}/", str(corpus)], act)
    atheris.Fuzz()


def _mapped() -> int:
    """Return how much the process has mapped before it begins. [bytes]"""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    return pages * os.sysconf("SC_PAGE_SIZE")


def main() -> None:
    """Fuzz and print what became of the inputs."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=60_000)
    words.add_argument("--seconds", type=float, default=3600)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--only", default="")
    words.add_argument("--guided", action="store_true")
    asked = words.parse_args()
    if asked.guided:
        guided(asked.only, int(asked.seconds), asked.seed)
    begun = time.monotonic()
    tally = fuzz(asked.count, asked.seconds, asked.seed, asked.only)
    for name, ends in tally.ends.items():
        told = ", ".join(f"{end} {count:,}" for end, count in sorted(ends.items()))
        print(f"{name:16}{ends.total():8,}  taken {ends['taken'] / ends.total():.0%}  ({told})")
    print(
        f"{sum(ends.total() for ends in tally.ends.values()):,} inputs in {time.monotonic() - begun:.0f} s;"
        f" longest {tally.longest_s:.2f} s, longest message {tally.longest_message:,}, {megabytes()} MB"
    )
    if tally.failure:
        kept = Path(tempfile.gettempdir()) / f"fuzz-entrances-{asked.seed}.data"
        kept.write_bytes(tally.culprit)
        print(f"FAILED, input kept in {kept}\n{tally.failure}")
        sys.exit(1)


if __name__ == "__main__":
    main()
