"""The commands put together, and the way in and out of the program.

An orderly exit at once. Taking apart all that was loaded took half a second; it is frozen before.
"""

from __future__ import annotations

import errno
import gc
import signal
import sys
from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperCommand, TyperGroup

from optimizer.base.errors import InputError
from optimizer.base.version import __version__
from optimizer.cli.data_commands import bill, check, read
from optimizer.cli.fleet_command import fleet
from optimizer.cli.forecast_command import forecast
from optimizer.cli.menu_command import menu
from optimizer.cli.new_command import new
from optimizer.cli.off_grid_command import stay_off
from optimizer.cli.outage_command import outage
from optimizer.cli.page_command import page
from optimizer.cli.plan_command import plan, replay
from optimizer.cli.running import INTERRUPTED, mistake_of, tell_error
from optimizer.cli.season_commands import renew, review
from optimizer.cli.streams import columns, ready_streams, untold
from optimizer.cli.study_command import study
from optimizer.cli.tariff_command import read_tariff
from optimizer.cli.tomorrow_command import tomorrow
from optimizer.cli.verify_command import verify
from optimizer.report.wrapping import set_width

UsageError: type[Exception] = typer.BadParameter.__bases__[0]  # of the click that typer brings


class OneCommand(TyperCommand):
    """A command; an option is no value of the option before it: ``--out=--name`` is how to mean that."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words after the command; a mistake in them tells which command it is of."""
        words = args[: args.index("--")] if "--" in args else args
        valued = {
            name
            for param in self.params
            if param.param_type_name == "option" and not getattr(param, "is_flag", False)
            for name in param.opts
        }
        for option, value in pairwise(words):
            if option in valued and value.startswith("--"):
                ctx.fail(f"Option {option!r} needs a value before {value!r}.")
        try:
            return super().parse_args(ctx, args)
        except UsageError as failure:
            failure.ctx = failure.ctx or ctx  # type: ignore[attr-defined]
            raise


class Commands(TyperGroup):
    """The commands; mistakes in how one is given are told as all errors are."""

    def main(self, args: Sequence[str] | None = None, *more: Any, **options: Any) -> NoReturn:
        """Run the command that is named, and exit with its code."""
        given = list(sys.argv[1:] if args is None else args) or ["--help"]
        options["standalone_mode"] = False
        set_width(columns())
        try:
            ended = super().main(given, *more, **options)
        except UsageError as failure:
            mistake = mistake_of(failure)
            tell_error(mistake, as_json="--json" in given)
            ended = mistake.exit_code
        if ended == INTERRUPTED.exit_code:  # before the command's own work began
            tell_error(INTERRUPTED, as_json="--json" in given)
        sys.exit(ended)


app = typer.Typer(
    cls=Commands,
    rich_markup_mode=None,  # help that can be read aloud, and on a narrow terminal
    pretty_exceptions_enable=False,
    help="Turns a PV forecast, a load forecast and a tariff into battery settings a person can type in.",
)

for command in (
    plan, tomorrow, forecast, replay, renew, review, fleet, outage, stay_off, study, verify, bill,
    read, read_tariff, check, menu, new, page,
):  # fmt: skip
    app.command(cls=OneCommand, short_help=(command.__doc__ or "").partition("\n")[0])(command)


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
        app(prog_name="tariffwright")
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
