"""Whole commands from start to finish, as ratios to a plain linear program solved in between.

    PYTHONPATH=. python tests/bench/seconds.py [DATA] [--rounds 5] [--only NAME]

Each round runs the plain program of ``plain_lp.py`` (six columns a step, twelve demand charges, the solver
cold with its defaults; in this process, its imports not counted), then each command in a process of its own.
Processor seconds count all threads, and children; other work on the machine moves them less than the clock.
Compiled code is kept in a folder of the bench's own, emptied before each first run. With DATA, a year of
quarter-hours of an office, beside the plain program of as many steps.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from tests.bench.cells import SITES, brief_of
from tests.bench.measure import year
from tests.bench.plain_lp import plain_cost

DEMO = Path(__file__).parents[2] / "scenarios" / "1_two_rates"
RUN = "from optimizer.cli.app import main; main()"


class Took(NamedTuple):
    """What a run took. [s of processors, s by the clock, MB at most]"""

    processor: float
    wall: float
    memory: float


@dataclass(frozen=True)
class Command:
    """A command to measure, the steps of its plain program, and the ratio asked for."""

    name: str
    step_minutes: int
    arguments: tuple[str, ...]
    bar: float
    is_first_run: bool = False


def took(job: Callable[[], object], whose: int) -> Took:
    before, begun = resource.getrusage(whose), time.perf_counter()
    job()
    wall, after = time.perf_counter() - begun, resource.getrusage(whose)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Took(used, wall, 0.0)


def run(command: Command, compiled: Path) -> Took:
    """Run a command in a process of its own; another process between tells its memory apart."""
    if command.is_first_run:
        shutil.rmtree(compiled, ignore_errors=True)
    between = (
        "import resource, subprocess, sys;"
        "subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL);"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    environment = os.environ | {"XDG_CACHE_HOME": str(compiled)}
    memory: list[float] = []

    def job() -> None:
        done = subprocess.run(
            [sys.executable, "-c", between, sys.executable, "-c", RUN, *command.arguments],
            check=True, capture_output=True, text=True, env=environment,
        )  # fmt: skip
        memory.append(float(done.stdout) / 1024)

    return took(job, resource.RUSAGE_CHILDREN)._replace(memory=memory[0])


def commands(data: Path | None, folder: Path) -> list[Command]:
    demo = ("plan", str(DEMO), "--out", str(folder / "out"))
    found = [
        Command("first run of the first demo", 60, demo, 8.0, is_first_run=True),
        Command("first demo", 60, demo, 4.0),
        Command("first demo, quick", 60, (*demo, "--effort", "quick"), 2.5),
    ]
    if data:
        office = folder / "office"
        office.mkdir()
        brief_of(data, SITES["office"], "two_rates", office)
        found.append(Command(
            "a year of quarter-hours", 15, ("plan", str(office), "--out", str(folder / "out2")), 3.0
        ))  # fmt: skip
    return found


def main() -> None:
    """Measure in rounds and print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("data", nargs="?", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", default="", help="a command's name, to measure it alone")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        measured = [each for each in commands(asked.data, folder) if asked.only in {"", each.name}]
        plain: dict[int, list[Took]] = {each.step_minutes: [] for each in measured}
        runs: dict[str, list[Took]] = {each.name: [] for each in measured}
        problems = {minutes: year(minutes) for minutes in plain}
        for each in measured:
            run(each, folder / "compiled")  # so that later runs find compiled code
        for number in range(asked.rounds):
            for minutes, problem in problems.items():
                plain[minutes].append(
                    took(lambda p=problem: plain_cost(p), resource.RUSAGE_SELF)  # type: ignore[misc]
                )
            for each in measured:
                runs[each.name].append(run(each, folder / "compiled"))
            print(f"round {number + 1} of {asked.rounds}", file=sys.stderr, flush=True)
    print(
        "| command | plain, s | processor, s | ÷ plain | asked | by the clock, s (÷ plain) | memory, MB |"
    )
    print("|---|---|---|---|---|---|---|")
    for each in measured:
        beside, done = plain[each.step_minutes], runs[each.name]
        ratio = statistics.median(
            a.processor / b.processor for a, b in zip(done, beside, strict=True)
        )
        clock = statistics.median(a.wall / b.wall for a, b in zip(done, beside, strict=True))
        base, processor, wall = (
            statistics.median(values)
            for values in (
                [b.processor for b in beside], [a.processor for a in done], [a.wall for a in done],
            )
        )  # fmt: skip
        print(
            f"| {each.name} | {base:.2f} | {processor:.1f} | {ratio:.1f} | {each.bar:g}"
            f" | {wall:.1f} ({clock:.1f}) | {max(a.memory for a in done):.0f} |"
        )


if __name__ == "__main__":
    main()
