"""``tomorrow``.

Heavy parts are imported inside the command, so that help and mistakes answer at once.
"""

from __future__ import annotations

import math
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

import typer

from optimizer.base.errors import InputError
from optimizer.cli.options import DebugOption, JsonOption
from optimizer.cli.running import errors_told, print_json


def tomorrow(
    results: Annotated[Path, typer.Argument(help="Folder of results that plan has written.")],
    pv: Annotated[
        float | None,
        typer.Option("--pv", help="Yield expected of that day, from your forecast [kWh]."),
    ] = None,
    day: Annotated[
        str | None, typer.Option("--day", help="Another day than tomorrow, as 2026-01-31.")
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Say which card to use tonight, where a plan has two; nothing is fetched."""
    with errors_told(debug=debug):
        from optimizer.report.tomorrow import tomorrow_record, tomorrow_text
        from optimizer.workflows import tomorrow as jobs

        if pv is not None and not (math.isfinite(pv) and pv >= 0):
            raise InputError(
                f"a yield of {pv} kWh cannot be",
                where="--pv",
                mend="Give 0 or more kWh of the day.",
            )
        told = jobs.tomorrow(results, _day(day), pv)
    if as_json:
        print_json(tomorrow_record(told))
    else:
        print(tomorrow_text(told))


def _day(given: str | None) -> date:
    if given is None:
        return date.today() + timedelta(days=1)  # noqa: DTZ011 - a person's calendar
    try:
        return date.fromisoformat(given)
    except ValueError:
        raise InputError(
            f"there is no day {given!r}", where="--day", mend="Write it as 2026-01-31."
        ) from None
