"""What all commands do: tell what goes on, turn errors into an exit code, print what came out."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer

from optimizer.base.errors import Interrupted, OptimizerError
from optimizer.base.files import writing_to
from optimizer.base.progress import Course, Progress

INTERRUPTED = Interrupted(
    "interrupted; nothing was written", where="the command line", mend="Run it again."
)


@contextmanager
def job(*, debug: bool, out: Path | None = None) -> Iterator[Progress]:
    """Run a command's work: errors end it with a code, results in ``out`` are switched in one step."""
    with errors_told(debug=debug), progress_told() as progress, writing_to(out):
        yield progress
        progress("done")


@contextmanager
def progress_told() -> Iterator[Progress]:
    """Give a function that tells on standard error what goes on, and for how long already."""
    begun = time.monotonic()

    def told(text: str) -> None:
        with contextlib.suppress(OSError):  # work does not stop because nobody can be told of it
            print(f"[{time.monotonic() - begun:5.1f} s] {text}", file=sys.stderr, flush=True)

    yield Course(told)


@contextmanager
def errors_told(*, debug: bool) -> Iterator[None]:
    """Turn errors into text and an exit code: 2 bad input, 3 no plan, 4 our own fault."""
    try:
        yield
    except (Interrupted, KeyboardInterrupt) as stop:
        stopped = stop if isinstance(stop, Interrupted) else INTERRUPTED
        print(stopped, file=sys.stderr, flush=True)
        # A cancelled solver leaves threads behind that abort an orderly exit.
        os._exit(stopped.exit_code)
    except OptimizerError as failure:
        if debug:
            raise
        print(failure, file=sys.stderr)
        raise typer.Exit(failure.exit_code) from None


def print_json(data: Any) -> None:
    """Print plain data as JSON."""
    print(json.dumps(data, indent=2))


def print_text(text: str, *, notes: Sequence[str] = (), files: Sequence[Path] = ()) -> None:
    """Print text, what was noticed, and the files that were written."""
    print(text)
    for note in notes:
        print(f"  note: {note}")
    if files:
        print(f"\nWritten to {files[0].parent}: {', '.join(file.name for file in files)}")
