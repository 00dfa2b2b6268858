"""Measures time and memory of reading a large invented ESPI feed.

    PYTHONPATH=. python tests/bench/big_feed.py [--megabytes 200]

The feed holds usage points of five years of quarter-hours each, with costs, until it is as large
as asked. Memory is the most that the process ever held; before the reading it is shown too.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from optimizer.metering.found import Request
from optimizer.metering.outside import read_any, tidy_csv
from tests.readers.feeds import Meter, feed_xml

START, QUARTERS = 1388552400, 5 * 365 * 96
BYTES_PER_READING = 147


def write_feed(path: Path, megabytes: int) -> int:
    """Write such a feed point by point; return how many readings it holds."""
    points = max(round(megabytes * 1e6 / BYTES_PER_READING / QUARTERS), 1)
    with path.open("w", encoding="utf-8") as out:
        for number in range(points):
            readings = [
                {"start": START + 900 * n, "duration": 900, "value": 100 + n % 977, "cost": 974}
                for n in range(QUARTERS)
            ]
            text = feed_xml([("home", 0, [Meter(readings, length=900)])])
            text = text.replace("C/1/UsagePoint/1", f"C/1/UsagePoint/{number}")
            text = text.replace("T/1/1", f"T/{number}/1").replace("LTP/1", f"LTP/{number}")
            head, _, body = text.partition("\n")
            out.write(head + "\n" if number == 0 else "")
            out.write(body.removesuffix("</feed>\n"))
        out.write("</feed>\n")
    return points * QUARTERS


def megabytes_held() -> int:
    """Return the most memory that this process has ever held. [MB]"""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def main() -> None:
    """Write a feed in a process of its own, read it in this one, print what it took."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--megabytes", type=int, default=200)
    words.add_argument("--write", type=Path, help="only write the feed to this path")
    asked = words.parse_args()
    if asked.write:
        print(f"{write_feed(asked.write, asked.megabytes):,} readings")
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "feed.xml"
        subprocess.run(
            [sys.executable, __file__, "--megabytes", str(asked.megabytes), "--write", path],
            check=True,
        )
        before, begun = megabytes_held(), time.monotonic()
        found = read_any(path, Request())
        took = time.monotonic() - begun
        size = path.stat().st_size / 1e6
        tidy = tidy_csv(found.points[0])
    print(f"{size:.0f} MB, {len(found.points)} usage points: {took:.1f} s, {size / took:.0f} MB/s")
    print(
        f"memory {before} MB before, {megabytes_held()} MB after (tidy CSV of one point {len(tidy) / 1e6:.0f} MB)"
    )


if __name__ == "__main__":
    main()
