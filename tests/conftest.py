"""Marks the larger part of each sweep as long, and tells how many tests of each kind have run."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from tests.sweeps import SHORT, Run

IS_LONG = ("long", True)
"""Travels with the report of a long test, from whichever worker ran it."""


def pytest_configure(config: pytest.Config) -> None:
    Run.is_full = config.option.markexpr != SHORT


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the first of so many cases as it is, ``sweep(every=...)``; the others are long."""
    seen: Counter[str] = Counter()
    for item in items:
        mark = item.get_closest_marker("sweep")
        if mark is not None:
            test = item.nodeid.split("[")[0]
            if seen[test] % mark.kwargs["every"]:
                item.add_marker(pytest.mark.long)
            seen[test] += 1
        if item.get_closest_marker("long") is not None:
            item.user_properties.append(IS_LONG)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    called = [
        report
        for outcome in ("passed", "failed")
        for report in terminalreporter.stats.get(outcome, [])
        if report.when == "call"
    ]
    if not called:
        return
    long = sum(IS_LONG in map(tuple, report.user_properties) for report in called)
    laws = "all examples" if Run.is_full else "some examples"
    terminalreporter.write_line(f"{len(called) - long} short and {long} long tests; laws: {laws}")
