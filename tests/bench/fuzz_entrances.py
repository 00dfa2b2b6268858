"""Damages whatever a person hands in: each input must end in a result or in an error that is told.

    PYTHONPATH=. python tests/bench/fuzz_entrances.py [--count 60000] [--seconds 3600] [--seed 1] [--only TEXT] [--log FILE]
    PYTHONPATH=. python tests/bench/fuzz_entrances.py --again 12345 --seed 1
    PYTHONPATH=. python tests/bench/fuzz_entrances.py --guided --only tariff

The entrances and their seeds stand in ``entrances.py``: files, forms, fields and words on the command line. A run
fails at an exception that is not the program's own, an input that takes longer than 10 s of the processor, a message of more
than 2,000 characters, a wrong exit code, or when more than 1 GB is asked for; the inputs are then kept. Input n
of a seed is always the same (``--again n`` tells of it alone), so that a run with ``--log`` goes on where the
last one ended, and adds up. With ``--guided`` the library atheris, which is by hand alone, changes the files of
one entrance so as to reach code that no input has reached yet.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import accumulate
from pathlib import Path
from types import FunctionType
from typing import Any

from optimizer.base.errors import OptimizerError
from tests.bench import fuzz_readers
from tests.bench.entrances import ENTRANCES, MOST_WORDS, YAML_TOKENS, beside, results, seeds
from tests.bench.fuzz_readers import TooLongError, damaged, megabytes, ring

LONGEST_S, MOST_BYTES = 10, 1_000_000_000
"""Time of the processor for one input, of the clock ten times as much; memory beyond the program. [s, bytes]"""

MOST_FAILURES = 10
BATCH = 2_000
"""Inputs after which the log is written."""


@dataclass
class Tally:
    """What became of the inputs of each entrance, and what was wrong, by its last line."""

    ends: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    longest_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    longest_message: int = 0
    failures: dict[str, str] = field(default_factory=dict)

    def line(self, seed: int, upto: int, seconds: float) -> str:
        """Return the tally as a line of a log."""
        told = {
            "seed": seed, "upto": upto, "seconds": round(seconds, 1), "mb": megabytes(),
            "longest_message": self.longest_message, "failures": list(self.failures),
            "longest_s": {name: round(most, 3) for name, most in self.longest_s.items()}, "ends": self.ends,
        }  # fmt: skip
        return json.dumps(told)


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
            mark = next((each for each in (b": ", b"=", b",", b" ") if each in lines[at]), b",")
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


@cache
def seeds_of(name: str) -> tuple[list[bytes], list[bytes]]:
    """Return the seeds of an entrance, and those of them that it takes as they stand."""
    if name.startswith("results: "):
        every = [results()[name.removeprefix("results: ")]]
        return every, every
    every = _all_seeds()[name]
    entrance, good = ENTRANCES[name], []
    for data in every:
        with tempfile.TemporaryDirectory() as place, contextlib.suppress(OptimizerError):
            beside(Path(place))
            (Path(place) / entrance.file).write_bytes(data)
            if entrance.read(Path(place) / entrance.file) is not False:
                good.append(data)
    return every, good


_all_seeds = cache(seeds)


def drawn(seed: int, number: int, names: list[str]) -> tuple[str, bytes]:
    """Return the entrance and the bytes of an input, always the same."""
    luck = random.Random(seed * 1_000_000_007 + number)
    name = luck.choices(names, cum_weights=_shares(tuple(names)))[0]
    every, good = seeds_of(name)
    return name, hurt(good if good and luck.random() < 0.8 else every, luck)


@cache
def _shares(names: tuple[str, ...]) -> list[float]:
    return list(accumulate(ENTRANCES[name].share for name in names))


def judge(name: str, data: bytes, folder: Path, tally: Tally) -> str:
    """Hand an input in; return what was wrong, empty if nothing."""
    entrance, begun, wrong = ENTRANCES[name], time.process_time(), ""
    path = folder / entrance.file
    path.write_bytes(data)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.alarm(10 * LONGEST_S)
    try:
        end = "told" if entrance.read(path) is False else "taken"
    except OptimizerError as failure:
        message = len(str(failure))
        tally.longest_message = max(tally.longest_message, message)
        end = "told" if failure.exit_code == 2 and failure.where and failure.mend else "half told"
        if message > MOST_WORDS:
            end, wrong = "too long a message", f"{name}: a message of {message:,} characters"
    except TooLongError:
        end, wrong = "hung", f"{name}: longer than {LONGEST_S} s\n{traceback.format_exc()}"
    except Exception:
        end, wrong = "crashed", f"{name}\n{traceback.format_exc()}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.alarm(0)
    took = time.process_time() - begun
    tally.ends[name][end] += 1
    tally.longest_s[name] = max(tally.longest_s[name], took)
    return wrong


@contextlib.contextmanager
def workplace() -> Iterator[Path]:
    """Give a folder in memory where the system has one: files are most of the time elsewhere."""
    memory = Path("/dev/shm")
    before = tempfile.tempdir
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as place:
        tempfile.tempdir = place
        try:
            yield Path(place)
        finally:
            tempfile.tempdir = before


def tidied(folder: Path, name: str) -> None:
    """Leave in a folder what scenarios name beside them, unless that was handed in, and nothing else."""
    for each in os.scandir(folder):
        if each.is_dir(follow_symlinks=False):
            shutil.rmtree(each.path)
        elif each.name != "forecast.csv" or name in ("forecast", "command line"):
            Path(each.path).unlink()


def fuzz(
    count: int, seconds: float, seed: int, names: list[str], first: int = 0, log: Path | None = None
) -> Tally:
    """Hand in damaged files until the count is full, time is up or too many misbehave."""
    whole = Tally()
    kept = Path(tempfile.gettempdir()) / f"fuzz-entrances-{seed}"
    signal.signal(signal.SIGALRM, ring)
    signal.signal(signal.SIGPROF, ring)
    warnings.simplefilter("error")  # a warning would reach the user's screen
    with workplace() as place:
        folder = place / "in" / "folder"
        folder.mkdir(parents=True)
        for name in names:
            seeds_of(name)
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES + _mapped(), MOST_BYTES + _mapped()))
        begun = since = time.monotonic()
        part = Tally()
        for number in range(first, first + count):
            beside(folder)
            name, data = drawn(seed, number, names)
            wrong = judge(name, data, folder, part)
            tidied(folder, name)
            if wrong and wrong.strip().split("\n")[-1] not in whole.failures:
                part.failures[wrong.strip().split("\n")[-1]] = wrong
                kept.mkdir(exist_ok=True)
                (kept / f"{number}.data").write_bytes(data)
                print(f"FAILED, --again {number}, input kept in {kept}\n{wrong}", flush=True)
            is_over = time.monotonic() - begun > seconds or len(whole.failures) >= MOST_FAILURES
            if is_over or (number + 1 - first) % BATCH == 0 or number + 1 == first + count:
                now = time.monotonic()
                if log is not None:
                    with log.open("a") as lines:
                        lines.write(part.line(seed, number + 1, now - since) + "\n")
                _add(whole, part)
                part, since = Tally(), now
            if is_over:
                break
    return whole


def _add(whole: Tally, part: Tally) -> None:
    for name, ends in part.ends.items():
        whole.ends[name] += ends
        whole.longest_s[name] = max(whole.longest_s[name], part.longest_s[name])
    whole.longest_message = max(whole.longest_message, part.longest_message)
    whole.failures |= part.failures


def read_log(log: Path) -> tuple[Tally, dict[int, int], float, int]:
    """Return what a log adds up to: ends, the next number of each seed, seconds, the most memory. [s, MB]"""
    whole, upto, seconds, most = Tally(), dict[int, int](), 0.0, 0
    for line in log.read_text().splitlines() if log.exists() else []:
        told: dict[str, Any] = json.loads(line)
        ends = defaultdict(Counter, {name: Counter(each) for name, each in told["ends"].items()})
        failures = dict.fromkeys(told["failures"], "")
        _add(whole, Tally(ends, told["longest_s"], told["longest_message"], failures))
        upto[told["seed"]] = told["upto"]
        seconds, most = seconds + told["seconds"], max(most, told["mb"])
    return whole, upto, seconds, most


def guided(name: str, seconds: int, seed: int) -> None:
    """Fuzz one entrance, led by the lines that are reached; libFuzzer ends the process."""
    import atheris

    entrance = ENTRANCES[name]
    ends = Counter[str]()
    place = Path(tempfile.mkdtemp())
    corpus = place / "corpus"
    corpus.mkdir()
    for number, data in enumerate(seeds()[name]):
        (corpus / str(number)).write_bytes(data)
    folder = place / "folder"
    folder.mkdir()
    beside(folder)

    def act(data: bytes) -> None:
        (folder / entrance.file).write_bytes(data)
        try:
            entrance.read(folder / entrance.file)
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


def told_again(seed: int, number: int, names: list[str]) -> None:
    """Print one input and what becomes of it."""
    signal.signal(signal.SIGALRM, ring)
    signal.signal(signal.SIGPROF, ring)
    warnings.simplefilter("error")
    name, data = drawn(seed, number, names)
    with workplace() as place:
        beside(place)
        tally = Tally()
        wrong = judge(name, data, place, tally)
    print(f"{name}: {dict(tally.ends[name])}\n{data[:3000]!r}\n{wrong}")


def main() -> None:
    """Fuzz and print what became of the inputs."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=60_000)
    words.add_argument("--seconds", type=float, default=3600)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--only", default="")
    words.add_argument("--log", type=Path)
    words.add_argument("--again", type=int)
    words.add_argument("--guided", action="store_true")
    asked = words.parse_args()
    if asked.guided:
        guided(asked.only, int(asked.seconds), asked.seed)
    fuzz_readers.TOKENS += YAML_TOKENS
    names = [name for name in ENTRANCES if asked.only in name]
    if asked.again is not None:
        told_again(asked.seed, asked.again, names)
        return
    begun, first = time.monotonic(), 0
    if asked.log is not None:
        first = read_log(asked.log)[1].get(asked.seed, 0)
    tally = fuzz(asked.count, asked.seconds, asked.seed, names, first, asked.log)
    seconds, most = time.monotonic() - begun, megabytes()
    if asked.log is not None:
        tally, _, seconds, most = read_log(asked.log)
    print("| entrance | inputs | taken | longest, s | ends |\n|---|---|---|---|---|")
    for name, ends in sorted(tally.ends.items()):
        told = ", ".join(f"{end} {count:,}" for end, count in sorted(ends.items()))
        share = ends["taken"] / ends.total()
        print(f"| {name} | {ends.total():,} | {share:.0%} | {tally.longest_s[name]:.2f} | {told} |")
    total = sum(ends.total() for ends in tally.ends.values())
    print(
        f"{total:,} inputs in {seconds:.0f} s; longest message {tally.longest_message:,} signs,"
        f" most memory {most} MB, {len(tally.failures)} failures"
    )
    if tally.failures:
        sys.exit(1)


if __name__ == "__main__":
    main()
