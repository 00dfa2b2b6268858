"""``verify``.

Heavy parts are imported inside the command, so that help and mistakes answer at once.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.options import DebugOption, JsonOption, number_from
from optimizer.cli.running import job, print_record, print_text

DIFFERS = 11
"""Exit code of ``verify`` where something does not agree."""


def verify(
    results: Annotated[
        Path,
        typer.Argument(metavar="RESULTS", help="A folder that plan, renew, replay or study wrote."),
    ] = Path("out"),
    scenario: Annotated[
        Path | None,
        typer.Option(
            "--scenario",
            metavar="FOLDER",
            help="The scenario's folder: are its files still those planned with?",
        ),
    ] = None,
    as_json: JsonOption = False,
    time_limit: Annotated[
        float,
        typer.Option(
            "--time-limit",
            parser=number_from(1),
            metavar="SECONDS",
            help="Most time for the printed equations.",
        ),
    ] = 40.0,
    debug: DebugOption = False,
) -> None:
    """Recompute results from their own files by other ways; exit code 11 if something differs.

    What comes out is kept in verification.json beside them, and in the last line of the report.
    """
    with job(debug=debug, as_json=as_json) as progress:
        from optimizer.base.errors import InputError
        from optimizer.report.formats import VERIFICATION
        from optimizer.report.verification import verification_text
        from optimizer.report.verified import keep, record_to_keep
        from optimizer.workflows.verify import verify as verified

        at = datetime.now(UTC)
        result = verified(results, scenario, time_limit_s=time_limit, progress=progress)
        record = record_to_keep(result, at)
        files, notes = list[Path](), list[str]()
        try:
            files = keep(record, results)
        except InputError as failure:  # the answer counts also where it cannot be kept
            notes = [f"the report does not tell of this, {failure.what}"]
    if as_json:
        print_record(VERIFICATION, record)
    else:
        print_text(verification_text(result), notes=notes, files=files)
    if result.first is not None:
        raise typer.Exit(DIFFERS)
