"""What all commands do: tell what goes on, turn errors into an exit code, print what came out."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
import traceback
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from optimizer.base.errors import Interrupted, OptimizerError, UsageMistake
from optimizer.base.files import writing_to
from optimizer.base.progress import Course, Progress, Told
from optimizer.cli.colour import coloured, has_colour

if TYPE_CHECKING:
    from optimizer.report.formats import Format

T = TypeVar("T", bound=Mapping[str, Any])

INTERRUPTED = Interrupted(
    "interrupted; nothing was written", where="the command line", mend="Run it again."
)


@contextmanager
def job(*, debug: bool, as_json: bool = False, out: Path | None = None) -> Iterator[Progress]:
    """Run a command's work: errors end it with a code, results in ``out`` are switched in one step."""
    with errors_told(debug=debug, as_json=as_json), progress_told() as progress, writing_to(out):
        yield progress
        progress("done")


class Lines:
    """How lines of progress are written: for people, or ``as_data`` for the program that runs this one."""

    as_data = False

    @classmethod
    def line(cls, text: str, seconds: float) -> str:
        """Return a line, so many seconds after the work began."""
        if not cls.as_data:
            return f"[{seconds:5.1f} s] {text}"
        told = text if isinstance(text, Told) else Told(text, 0.0)
        return json.dumps(
            {
                "what": told.what,
                "share": told.share,
                "saved": told.saved,
                "left_s": told.seconds_left,
            }
        )


@contextmanager
def progress_told() -> Iterator[Progress]:
    """Give a function that tells on standard error what goes on, and for how long already."""
    begun = time.monotonic()

    def told(text: str) -> None:
        with contextlib.suppress(OSError):  # work does not stop because nobody can be told of it
            print(Lines.line(text, time.monotonic() - begun), file=sys.stderr, flush=True)

    yield Course(told)


@contextmanager
def errors_told(*, debug: bool, as_json: bool = False) -> Iterator[None]:
    """Turn errors into text and an exit code; see ``errors.EXIT_CODES``."""
    try:
        yield
    except (Interrupted, KeyboardInterrupt) as stop:
        stopped = stop if isinstance(stop, Interrupted) else INTERRUPTED
        tell_error(stopped, as_json=as_json)
        # A cancelled solver leaves threads behind that abort an orderly exit.
        os._exit(stopped.exit_code)
    except OptimizerError as failure:
        if debug:
            raise
        tell_error(failure, as_json=as_json)
        raise typer.Exit(failure.exit_code) from None
    except (typer.Exit, typer.Abort, typer.BadParameter):
        raise
    except Exception as failure:  # a slip of ours: never told as if the user had made it
        if debug:
            raise
        traceback.print_exc()
        fault = fault_of(failure)
        tell_error(fault, as_json=as_json)
        raise typer.Exit(fault.exit_code) from None


def fault_of(failure: Exception) -> OptimizerError:
    """Return what is told of a failure that no part of the program foresaw."""
    last = traceback.extract_tb(failure.__traceback__)[-1]
    return OptimizerError(
        f"the program failed: {type(failure).__name__}: {failure}",
        where=f"{Path(last.filename).name}, line {last.lineno}",
        mend="This is a fault of the program, not of what was given. Report the lines above.",
    )


def mistake_of(failure: Any) -> UsageMistake:
    """Return what is told of options or arguments that a command does not take."""
    command = failure.ctx.command_path if failure.ctx is not None else "tariffwright"
    told = failure.format_message().replace(": Value error, ", ": ")  # words of typer's reader
    return UsageMistake(told, where=command, mend=f"{command} --help tells what it takes.")


def tell_error(failure: OptimizerError, *, as_json: bool) -> None:
    """Print an error on standard error; as JSON also as the one object on standard output."""
    text = str(failure)
    if has_colour(sys.stderr):
        text = "\n".join(map(coloured, text.split("\n")))
    print(text, file=sys.stderr, flush=True)
    if as_json:
        from optimizer.report.errors import error_record
        from optimizer.report.formats import ERROR

        print(ERROR.text(error_record(failure)), end="", flush=True)


def print_record(kind: Format[T], record: T) -> None:
    """Print a record as JSON of its format."""
    print(kind.text(record), end="")


def print_text(
    text: str, *, notes: Sequence[str] = (), files: Sequence[Path] = (), then: str = ""
) -> None:
    """Print text, what was noticed, the files that were written, and what to do next."""
    from optimizer.base.writing import isolated
    from optimizer.report.wrapping import filled, folded

    lines = [text, *(filled(f"note: {note}", "  ", "    ") for note in notes)]
    if files:
        names = ", ".join(file.name for file in files)
        lines += ["", filled(f"Written to {files[0].parent}: {names}", "", "  ")]
    if then:
        lines += ["", f"next: {then}"]
    show_colour = has_colour(sys.stdout)
    for line in isolated("\n".join(lines)).split("\n"):
        # A command is one line, however long, so that it can be copied.
        for part in [line] if line.startswith("next:") else folded(line):
            print(coloured(part) if show_colour else part)
