"""Holds forecasts against what was metered, on real sites times invented tariffs.

    PYTHONPATH=. python tests/bench/back_tests.py DATA [--only TEXT] [--effort normal]

Each cell of ``cells.py`` (no day-ahead prices) is divided once: the forecast is made from the first two
thirds and held against the rest, beside the last week again and the mean day of each month. The sum of
the money lost over the four tariffs tells, for each site, which forecast is best.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from optimizer.report.forecast import back_test_record
from optimizer.workflows.back_test import back_test
from tests.bench.cells import TARIFFS, cells


def main() -> None:
    """Print a row for each cell, and the sums of each site."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    words.add_argument("--only", default="")
    words.add_argument("--effort", default="normal")
    words.add_argument("--out", type=Path)
    given = words.parse_args()
    sums: dict[str, list[float]] = {}
    records = {}
    for cell in cells(given.data, given.only):
        if cell.tariff not in TARIFFS:
            continue
        result = back_test(cell.brief, given.effort, lambda _told: None)
        records[cell.name] = back_test_record(result)
        lost = [one.lost for one in result.tried]
        sums[cell.site] = [a + b for a, b in zip(sums.get(cell.site, [0.0] * 3), lost, strict=True)]
        told = "".join(
            f" | {one.load_error_kwh:.2f} {one.pv_error_kwh:.2f} {one.peak_error_kw:.2f}"
            f" {one.lost:.1f}"
            for one in result.tried
        )
        print(f"{cell.name}: could lose {result.no_windows - result.plan:.1f}{told}", flush=True)
    for site, lost in sums.items():
        best = "beats both" if lost[0] < min(lost[1:]) else "does not"
        print(f"{site}: {' '.join(f'{amount:.1f}' for amount in lost)}: {best}", flush=True)
    if given.out is not None:
        given.out.write_text(json.dumps(records, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
