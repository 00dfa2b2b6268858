"""Sites at the edges of what is planned: the largest, the smallest, the longest, the oddest, each start to finish.

    PYTHONPATH=. python tests/bench/largest.py [--only NAME] [--effort quick] [--most 900] [--verify]

Each case is an invented site, written into a folder of its own and planned by the command in a process of its
own, one after another. Told are to how many digits objective and bill agree, the gap, the kept share, the
peak memory of the process (its largest resident set), the seconds by the clock, and what time the command
itself had told: at what moment first, and how long it would take in all by that. ``--verify`` also recomputes
the results.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from optimizer.workflows.checked import digits

RUN = "from optimizer.cli.app import main; main()"
LEFT = re.compile(r"^\[ *([\d.]+) s\].*about ([\d,]+) s (?:left|in all)")
ZONE = "America/New_York"

SITE = """\
# An invented site in the invented town of Quillmere.
scenario: {name}
invented: true
zone: America/New_York
forecast: forecast.csv
tariff: {tariff}
battery:
  capacity_kwh: {kwh}
  charge_kw: {kw}
  discharge_kw: {kw}
  floor_pct: 10
  standing_loss_pct_per_day: 0.5
{battery}inverter:
  ac_limit_kw: {kw}
  efficiency_pct: 97
pv:
  coupling: ac
connection:
  import_limit_kw: {limit}
  export_limit_kw: {limit}
controls:
  windows_per_day: 3
  day_types: every_day
  season_sets: 2
  minutes: 60
  actions: [charge, hold, cover, sell]
"""

NEGATIVE = """\
# An invented tariff: who takes energy is paid for it, at every hour of the year.
tariff: Quillmere negative
currency: USD
invented: true
versions:
  - from: 2010-01-01
    source: invented for this bench
    charges:
      - kind: energy
        name: Energy
        rates:
          - name: noon
            per_kwh: -0.06
            hours: ["10:00-15:00"]
          - name: other hours
            per_kwh: -0.01
            otherwise: true
      - kind: export_credit
        name: Export
        rates:
          - name: always
            per_kwh: -0.02
            otherwise: true
"""


@dataclass(frozen=True)
class Case:
    """A site: its mean load, battery and limit [kW, kWh], steps, days, and the tariff."""

    minutes: int = 60
    days: int = 365
    load_kw: float = 1.0
    battery_kwh: float = 10.0
    battery_kw: float = 5.0
    limit_kw: float = 25.0
    tariff: str = "peak_demand"
    own_tariff: str = ""
    battery: str = ""


CASES = {
    "home, for comparison": Case(),
    "10 MW": Case(load_kw=1800.0, battery_kwh=20_000.0, battery_kw=10_000.0, limit_kw=12_000.0),
    "a milliwatt": Case(load_kw=1e-6, battery_kwh=1e-5, battery_kw=5e-6, limit_kw=2.5e-5),
    "a cycle in 100 days": Case(battery="  cycles_per_day: 0.01\n"),
    "negative all year": Case(tariff="tariff.yaml", own_tariff=NEGATIVE),
    "integers for a year": Case(tariff="evening_export"),
    "5-minute steps": Case(minutes=5),
    "three years of 15 min": Case(minutes=15, days=1096),
}


def forecast(case: Case) -> Iterator[str]:
    """Yield the lines of a forecast that no site had, with a fixed seed: load and sun, in kWh."""
    luck, h = np.random.default_rng(7), case.minutes / 60
    zone = ZoneInfo(ZONE)
    begin = datetime(2026, 1, 1, tzinfo=zone)
    end = datetime(2026, 1, 1) + timedelta(days=case.days)  # noqa: DTZ001 - by the wall clock
    count = round((end.replace(tzinfo=zone).timestamp() - begin.timestamp()) / (60 * case.minutes))
    hour = (np.arange(count) * h) % 24
    day = (np.arange(count) * h // 24).astype(int)
    season = np.cos(2 * np.pi * (day - 10) / 365)
    sky = luck.uniform(0.2, 1.0, day[-1] + 1)[day]
    sun = (
        np.maximum(np.sin(np.pi * (hour - 6 - season) / (12 - 2 * season)), 0)
        * (hour > 4)
        * (hour < 20)
    )
    pv = 2.5 * sky * sun * (1 - 0.4 * season) * luck.uniform(0.8, 1, count)
    evening = np.exp(-(((hour - 19) / 2) ** 2))
    load = (0.6 + 0.2 * season + evening) * luck.gamma(4, 0.25, count)
    yield "time,load_kwh,pv_kwh"
    first = begin.timestamp()
    for t in range(count):
        stamp = datetime.fromtimestamp(first + t * 60 * case.minutes, zone)
        kwh = case.load_kw * h
        yield f"{stamp.isoformat(timespec='minutes')},{load[t] * kwh:.9g},{pv[t] * kwh:.9g}"


def written(name: str, case: Case, folder: Path) -> Path:
    folder.mkdir(parents=True)
    text = SITE.format(
        name=name, tariff=case.tariff, kwh=f"{case.battery_kwh:.9f}".rstrip("0").rstrip("."),
        kw=f"{case.battery_kw:.9f}".rstrip("0").rstrip("."), battery=case.battery,
        limit=f"{case.limit_kw:.9f}".rstrip("0").rstrip("."),
    )  # fmt: skip
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    if case.own_tariff:
        (folder / case.tariff).write_text(case.own_tariff, encoding="utf-8")
    (folder / "forecast.csv").write_text("\n".join(forecast(case)) + "\n", encoding="utf-8")
    return folder


@dataclass(frozen=True)
class Ran:
    """A process that has ended: code, peak memory [MB], seconds by the clock, and what it said."""

    code: int
    memory: float
    seconds: float
    said: str


def ran(*words: str, most_s: float) -> Ran:
    """Run a command to its end, or end it after so many seconds."""
    with tempfile.TemporaryFile("w+") as said:
        begun = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-c", RUN, *words], stdout=said, stderr=subprocess.STDOUT,
            preexec_fn=lambda: os.nice(5),
        )  # fmt: skip
        watch = threading.Timer(most_s, process.kill)
        watch.start()
        _, status, used = os.wait4(process.pid, 0)
        watch.cancel()
        process.returncode = os.waitstatus_to_exitcode(status)
        seconds = time.monotonic() - begun
        said.seek(0)
        return Ran(process.returncode, used.ru_maxrss / 1024, seconds, said.read())


def told_time(said: str) -> str:
    """Return the moment at which a time was first told, and how long all would have taken by it. [s]"""
    for line in said.splitlines():
        found = LEFT.match(line)
        if found:
            at, left = float(found[1]), float(found[2].replace(",", ""))
            whole = left if "in all" in line else at + left
            return f"{whole:.0f} (at {at:.0f})"
    return "none"


def row_of(name: str, case: Case, folder: Path, effort: str, most_s: float, *, verify: bool) -> str:
    site, out = written(name, case, folder / "site"), folder / "out"
    run = ran("plan", str(site), "--effort", effort, "--out", str(out), most_s=most_s)
    (folder / "said.txt").write_text(run.said, encoding="utf-8")
    cells = [name, f"{run.seconds:.0f}", told_time(run.said), f"{run.memory:.0f}"]
    if run.code != 0 or not (out / "plan.json").is_file():
        last = [line for line in run.said.splitlines() if line.strip()][-3:]
        return " | ".join([*cells, f"code {run.code}: {' / '.join(last)}"])
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    status, share = record["status"], record["kept_share_frac"]
    cells += [
        str(digits(status["objective"], status["recomputed"])), f"{status['gap_frac']:.1e}",
        str(status["steps_with_integers"]), f"{status['solve_seconds']:.0f}",
        f"{record['can_save']:.6g}", f"{record['saved']:.6g}",
        "none" if share is None else f"{100 * share:.0f} %",
    ]  # fmt: skip
    if verify:
        again = ran("verify", str(out), most_s=most_s)
        verdict = [line for line in again.said.splitlines() if "erified" in line]
        (folder / "verified.txt").write_text(again.said, encoding="utf-8")
        cells += [f"{again.seconds:.0f}", f"{again.memory:.0f}", verdict[-1] if verdict else "?"]
    return " | ".join(cells)


HEAD = ("case | s | s told (at) | MB | digits | gap | steps with integers | s of the plan | can save | saved"
        " | kept")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", help="cases whose name holds this")
    parser.add_argument("--effort", default="quick")
    parser.add_argument("--most", type=float, default=900.0, help="most seconds of a command")
    parser.add_argument("--verify", action="store_true")
    parser.add_argument("--keep", type=Path, help="a folder to keep sites and results in")
    asked = parser.parse_args()
    tell: Callable[[str], None] = lambda line: print(line, flush=True)  # noqa: E731
    tell(HEAD + (" | s to verify | MB to verify | verdict" if asked.verify else ""))
    with tempfile.TemporaryDirectory() as place:
        for number, (name, case) in enumerate(CASES.items()):
            if asked.only and asked.only not in name:
                continue
            folder = (asked.keep or Path(place)) / f"case{number}"
            tell(row_of(name, case, folder, asked.effort, asked.most, verify=asked.verify))


if __name__ == "__main__":
    main()
