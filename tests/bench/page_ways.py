"""Counts what three people do from an empty folder to the printed card: typed, asked, waited for.

PYTHONPATH=. python tests/bench/page_ways.py [--effort quick]

The homes are those of ``tests/page/walking.py`` with a whole year of the meter, filled in by a browser.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.page.looking import DESK, opened
from tests.page.serving import served
from tests.page.walking import Hand, ask, start, take_home, walk_bill, walk_net, walk_portal
from tests.report.browsing import started_browser

YEAR = {"first": "2026-01-01", "end": "2027-01-01"}
EFFORTS = {"quick": "a quick look, less sure", "normal": "as usual"}


def main() -> None:
    """Walk the three ways and print a row for each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--effort", choices=EFFORTS, default="normal")
    effort = EFFORTS[parser.parse_args().effort]
    ways: dict[str, Callable[[Hand, Path], None]] = {
        "net meter, roof facts, rates by rows": partial(walk_net, **YEAR),
        "portal's file with PV, shipped tariff": partial(walk_portal, **YEAR),
        "bill and roof, rates by rows": lambda hand, _place: walk_bill(hand),
    }
    print(
        "| home | signs typed | words typed | questions | buttons | s of the parts | s of the answer |"
    )
    print("|---|---|---|---|---|---|---|")
    with started_browser() as browser:
        for name, walk in ways.items():
            with tempfile.TemporaryDirectory() as place:
                folder = Path(place) / "house"
                with served(folder) as page, opened(browser, page, DESK) as tab:
                    hand, begun = Hand(tab), time.perf_counter()
                    start(hand)
                    walk(hand, Path(place))
                    walked = time.perf_counter()
                    ask(hand, effort)
                    answered = time.perf_counter()
                    take_home(hand, folder)
            print(
                f"| {name} | {hand.typed} | {len(hand.words)} | {hand.questions} | {hand.pressed}"
                f" | {walked - begun:.0f} | {answered - walked:.0f} |"
            )


if __name__ == "__main__":
    main()
