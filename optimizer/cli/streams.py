"""Standard streams that fail nowhere in the middle of work, and show signs that a terminal lacks."""

from __future__ import annotations

import codecs
import io
import os
import shutil
import sys
from typing import Any

from optimizer.base.errors import InputError
from optimizer.report.wrapping import WIDEST


class PatientStream(io.FileIO):
    """A stream that keeps its first failure for the end: until then the work goes on."""

    failure: OSError | None = None

    def write(self, data: Any) -> int:
        """Write, or act as if."""
        try:
            return super().write(data)
        except OSError as failure:
            self.failure = self.failure or failure
            return len(data)


PLAIN = {
    "–": "-", "—": "-", "−": "-", "×": "x", "÷": "/", "…": "...", "≥": ">=", "≤": "<=", "→": "->",
    "·": "*", "▁": "1", "▂": "2", "▃": "3", "▄": "4", "▅": "5", "▆": "6", "▇": "7", "█": "8",
    "▲": "^", "■": "#", "▼": "v", "»": ">",
    "☐": "[ ]", "☑": "[x]", "°": " deg", "€": "EUR", "£": "GBP", "±": "+-", "’": "'", "“": '"', "”": '"',
    "\u2068": "", "\u2069": "",
}  # fmt: skip
"""What stands for signs that a terminal cannot show; levels of a chart are then eighths."""


def _plainly(failure: UnicodeError) -> tuple[str, int]:
    if not isinstance(failure, UnicodeEncodeError):
        raise failure
    found = failure.object[failure.start : failure.end]
    return "".join(PLAIN.get(sign, "?") for sign in found), failure.end


def ready_streams() -> PatientStream:
    """Let printing fail nowhere; return what knows, at the end, whether standard output was written."""
    for _ in range(3):  # a closed one would be taken by the next file that is opened
        handle = os.open(os.devnull, os.O_RDWR)
        if handle > 2:  # not one of the three standard streams
            os.close(handle)
            break
    codecs.register_error("plainly", _plainly)
    patient = [PatientStream(number, "w", closefd=False) for number in (1, 2)]
    for name, raw in zip(("stdout", "stderr"), patient, strict=True):
        now = getattr(sys, name)
        encoding = now.encoding if now is not None else "utf-8"
        lines = name == "stderr" or raw.isatty()
        stream = io.TextIOWrapper(io.BufferedWriter(raw), encoding, "plainly", line_buffering=lines)
        setattr(sys, name, stream)
    return patient[0]


def columns() -> int:
    """Return how many columns there are to print on: those of the terminal, or as many as is usual."""
    if os.environ.get("COLUMNS", "").isdigit():
        return int(os.environ["COLUMNS"])
    if not sys.stdout.isatty():
        return WIDEST
    return shutil.get_terminal_size((WIDEST, 24)).columns


def untold(failure: OSError) -> InputError:
    """Return the error that standard output could not be written."""
    return InputError(
        f"standard output cannot be written: {failure.strerror}",
        where="the command line",
        mend="Check free space where it goes to; files named with --out are not touched by this.",
    )
