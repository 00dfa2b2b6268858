"""What program answers: a digest of its own code and of the libraries that decide figures.

Answers of another program are not taken for this one's, whatever its version is called.
Read next: ``cases``.
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

DECIDING = ("highspy", "numba", "numpy", "scipy")
"""Libraries in which a figure may change from one release to the next."""

NOT_DECIDING = ("cli", "library", "report")
"""Parts of the program that only show figures."""


@cache
def fingerprint() -> str:
    """Return the digest, as text."""
    package = Path(__file__).parents[1]
    found = hashlib.sha256(repr([version(name) for name in DECIDING]).encode())
    for path in sorted(package.rglob("*.py")):
        place = path.relative_to(package)
        if place.parts[0] not in NOT_DECIDING:
            found.update(place.as_posix().encode() + path.read_bytes())
    return found.hexdigest()[:32]
