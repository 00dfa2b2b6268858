"""``tomorrow``.

Heavy parts are imported inside the command, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.options import DebugOption, JsonOption, day_of, number_from
from optimizer.cli.running import errors_told, print_record, print_text


def tomorrow(
    results: Annotated[Path, typer.Argument(help="Folder of results that plan has written.")],
    pv: Annotated[
        float | None,
        typer.Option(
            "--pv",
            parser=number_from(0, 100_000),
            metavar="KWH",
            help="Yield expected of that day, from your forecast [kWh].",
        ),
    ] = None,
    day: Annotated[
        str | None,
        typer.Option("--day", metavar="DATE", help="Another day than tomorrow, as 2026-01-31."),
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Say which card to use tonight, where a plan has two; nothing is fetched."""
    with errors_told(debug=debug, as_json=as_json):
        from optimizer.report.formats import TOMORROW
        from optimizer.report.tomorrow import tomorrow_record, tomorrow_text
        from optimizer.workflows import tomorrow as jobs

        told = jobs.tomorrow(results, pv, None if day is None else day_of(day, "--day"))
    if as_json:
        print_record(TOMORROW, tomorrow_record(told))
    else:
        then = "type in what differs" if told.card else "nothing to do"
        print_text(tomorrow_text(told), then=then)
