"""Measures how near the search comes to a much longer one, on the halves of ``unseen.py``.

    PYTHONPATH=. python tests/bench/long_search.py DATA OUT [--only TEXT] [--minutes 10] [--plans FOLDER]
    PYTHONPATH=. python tests/bench/long_search.py DATA OUT --compare [--effort normal]

The long search fits the same windows to the same plausible years again and again with other seeds
until its minutes are over, now and then starting from its best; OUT keeps its best score of each
cell. ``--compare`` runs the search of an effort and prints what share of that saving it finds.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np

from optimizer.search.choose import EFFORTS, groupings_for
from optimizer.search.fit import fit, years_for
from tests.bench.cells import Cell, cells
from tests.bench.unseen import Half, half_of

REPLAYS = 60_000
"""Work of one seed of the long search."""


def search_long(cell: Cell, half: Half, minutes: float) -> dict[str, float | int]:
    """Return the best score that many seeds find, and how many there were."""
    groups, years = _groups(cell, half), years_for(half.weather, None)
    begun, best, seeds, settings = time.monotonic(), np.inf, 0, None
    while time.monotonic() - begun < minutes * 60:
        again = settings is not None and seeds % 3 == 2
        found = fit(
            half.task, years, groups, REPLAYS, [settings] if again else [], seed=1000 + 17 * seeds
        )
        if found.score < best:
            best, settings = found.score, found.settings("long")
        seeds += 1
    return {"score": best, "seeds": seeds, "minutes": (time.monotonic() - begun) / 60}


def search_once(cell: Cell, half: Half, effort: str) -> tuple[float, float]:
    """Return the score and the seconds of the search as it is when windows are handed out."""
    groups, work = _groups(cell, half), EFFORTS[effort]
    begun = time.monotonic()
    folds = [
        fit(half.task, years_for(half.weather, fold), groups, work.fold_replays) for fold in (0, 1)
    ]
    starts = [found.settings("fold") for found in folds]
    found = fit(half.task, years_for(half.weather, None), groups, work.replays, starts)
    return found.score, time.monotonic() - begun


def _groups(cell: Cell, half: Half) -> tuple[tuple[int, ...], ...]:
    seasons = cell.brief.tariff.season_of_months(half.task.grid)
    return groupings_for(seasons, half.task.grid.months, half.task.controls.season_sets)[0]


def main() -> None:
    """Search long, or compare."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    words.add_argument("out", type=Path)
    words.add_argument("--only", default="")
    words.add_argument("--minutes", type=float, default=10)
    words.add_argument("--plans", type=Path)
    words.add_argument("--compare", action="store_true")
    words.add_argument("--effort", default="normal")
    asked = words.parse_args()
    asked.out.mkdir(exist_ok=True, parents=True)
    shares = []
    for cell in cells(asked.data, asked.only):
        kept = asked.out / f"{cell.name}.json"
        if asked.compare and not kept.exists():
            continue
        half = half_of(cell, 0, asked.plans)
        if not asked.compare:
            found = search_long(cell, half, asked.minutes)
            kept.write_text(json.dumps(found))
            print(cell.name, found, flush=True)
            continue
        long = json.loads(kept.read_text())
        score, seconds = search_once(cell, half, asked.effort)
        shares.append(score / long["score"])
        print(
            f"{cell.name:36}{-long['score']:9.2f}{long['seeds']:5d}{-score:9.2f}"
            f"{shares[-1]:8.1%}{seconds:7.1f} s",
            flush=True,
        )
    if shares:
        print(f"least {min(shares):.1%}")


if __name__ == "__main__":
    main()
