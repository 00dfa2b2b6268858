"""How much of a sweep runs: all of it where long tests are asked for, else a share of each kind."""

from __future__ import annotations

SHORT = "not long"
"""The mark expression of the default run, as in pyproject.toml."""

SHARE = 8
"""A short run tries one example where a full one tries so many."""

LEAST = 10
"""Examples that a short run tries at least, if there are as many."""


class Run:
    """What kind of run this is; set before any test is imported."""

    is_full: bool = False


def examples(full: int) -> int:
    """Return how many examples of a law to try in this run."""
    return full if Run.is_full else min(full, max(LEAST, full // SHARE))
