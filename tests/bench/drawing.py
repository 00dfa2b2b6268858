"""The page of a year of quarter-hours: how large, how long it is drawn, how soon a browser can use it.

    PYTHONPATH=. python tests/bench/drawing.py [--rounds 5]

The year is the second demo's, each half-hour told as two quarter-hours; the plan is a quick one. Processor
seconds of one process: the first page, which pays for imports and templates, and the median of later ones.
The browser is Debian's chromium; a page can be used once its day is drawn and a key moves it.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from optimizer.billing.tariff import shipped_folder
from optimizer.report.page import report_html
from optimizer.scenario.brief import read_brief
from optimizer.workflows.plan import plan
from tests.report.browsing import started_browser


def quarter_hours(folder: Path) -> Path:
    """Write the second demo in quarter-hours."""
    demo = shipped_folder("scenarios") / "2_peak_demand"
    shutil.copy(demo / "scenario.yaml", folder)
    *_, last = head = (demo / "forecast.csv").read_text(encoding="utf-8").splitlines()
    lines = head[:3]
    for line in head[3:]:
        stamp, *values = line.split(",")
        minute = int(stamp[14:16])
        lines += [
            ",".join((f"{stamp[:14]}{minute + more:02d}{stamp[16:]}", *values)) for more in (0, 15)
        ]
    assert last.startswith(lines[-1][:11])
    (folder / "forecast.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def processor(job: Callable[[], object]) -> float:
    begun = time.process_time()
    job()
    return time.process_time() - begun


def usable_after(file: Path, rounds: int) -> list[float]:
    """Return how long after it is opened a page shows its day and follows a key. [s]"""
    found = []
    with started_browser() as browser:
        for _ in range(rounds):
            page = browser.new_page()
            begun = time.perf_counter()
            page.goto(file.as_uri(), wait_until="commit")
            days = page.get_by_role("slider", name="through the year")
            days.focus()
            before = page.locator("#year input[type=date]").input_value()
            days.press("ArrowRight")
            while page.locator("#year input[type=date]").input_value() == before:
                pass
            found.append(time.perf_counter() - begun)
            page.close()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        result = plan(read_brief(quarter_hours(folder)), effort="quick")
        first = processor(lambda: report_html(result))
        again = statistics.median(processor(lambda: report_html(result)) for _ in range(rounds))
        html = report_html(result)
        file = folder / "report.html"
        file.write_text(html, encoding="utf-8")
        ready = statistics.median(usable_after(file, rounds))
    print(f"steps {result.scenario.forecast.grid.count}, page {len(html.encode()) / 1e6:.2f} MB")
    print(f"drawn in {first:.3f} s of the processor the first time, then in {again:.3f} s")
    print(f"usable {ready:.2f} s after it is opened")


if __name__ == "__main__":
    main()
