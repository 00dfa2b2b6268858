"""The commands put together, and the way in and out of the program.

An orderly exit at once. Taking apart all that was loaded took half a second; it is frozen before.
"""

from __future__ import annotations

import errno
import gc
import signal
import sys
from typing import Annotated

import typer

from optimizer.base.errors import InputError
from optimizer.base.version import __version__
from optimizer.cli.data_commands import bill, check, read
from optimizer.cli.forecast_command import forecast
from optimizer.cli.menu_command import menu
from optimizer.cli.off_grid_command import stay_off
from optimizer.cli.outage_command import outage
from optimizer.cli.plan_command import plan, replay
from optimizer.cli.season_commands import renew, review
from optimizer.cli.streams import ready_streams, untold
from optimizer.cli.study_command import study
from optimizer.cli.tomorrow_command import tomorrow

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Turns a PV forecast, a load forecast and a tariff into battery settings a person can type in.",
)

for command in (
    plan, tomorrow, forecast, replay, renew, review, outage, stay_off, study, bill, read, check, menu,
):  # fmt: skip
    app.command()(command)


def _version(wanted: bool) -> None:
    if wanted:
        print(__version__)
        raise typer.Exit


@app.callback()
def _options(
    _version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Hold what all commands share."""


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # as Ctrl-C: told, and tidied up
    stdout, ended = ready_streams(), None
    try:
        app()
    except SystemExit as ending:
        ended = ending.code
    finally:
        # Otherwise half a second goes into looking through all that is about to vanish anyway.
        gc.freeze()
    sys.stdout.flush()
    # Who closes a pipe has read enough; anything else that was not written is told.
    if stdout.failure is not None and stdout.failure.errno != errno.EPIPE:
        print(untold(stdout.failure), file=sys.stderr)
        ended = InputError.exit_code
    sys.exit(ended)
