"""Progress messages of long jobs."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str], None]
"""Is handed a line of text at each stage of a job."""


def quiet(_text: str) -> None:
    """Ignore progress."""
