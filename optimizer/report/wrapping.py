"""How long texts are broken into lines for the terminal."""

from __future__ import annotations

import textwrap

WIDTH = 96


def filled(text: str, first: str = "  ", then: str | None = None) -> str:
    """Return a text on lines of at most ``WIDTH``; ``first`` begins the first line, ``then`` the others.

    Without ``then``, the others are set in as far as the first is.
    """
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first) if then is None else then,
        break_on_hyphens=False,
    )


def on_one_line(text: str) -> str:
    """Return text with line ends, control characters and halves of characters written as escapes."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )
