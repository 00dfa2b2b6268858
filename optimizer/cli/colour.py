"""Colour by meaning, on a terminal only; what it says stands in the words as well.

``NO_COLOR`` turns it off (no-color.org, 2017), a pipe has none.
"""

from __future__ import annotations

import os
from typing import TextIO

BOLD, RED, YELLOW, CYAN, PLAIN = "\x1b[1m", "\x1b[31m", "\x1b[33m", "\x1b[36m", "\x1b[0m"

BEGINNINGS = {
    "error:": RED, "  - serious:": RED, "next:": CYAN, "  note:": YELLOW, "  - odd:": YELLOW,
    "BEFORE YOU": YELLOW + BOLD, "CAUTIONS": YELLOW + BOLD, "FAILED": RED + BOLD,
}  # fmt: skip
"""What begins a line, and its colour: red is wrong, yellow to be heeded, cyan to be done."""


def has_colour(stream: TextIO) -> bool:
    """Tell whether a stream is a terminal that shows colour to somebody who wants it."""
    is_plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or os.name == "nt"
    return stream.isatty() and not is_plain


def coloured(line: str) -> str:
    """Return a line in the colour of its meaning; headings stand bold."""
    for beginning, colour in BEGINNINGS.items():
        if line.startswith(beginning):
            return f"{colour}{line}{PLAIN}"
    return f"{BOLD}{line}{PLAIN}" if line[:2].isupper() and line[:2].isalpha() else line
