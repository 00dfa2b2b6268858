"""``forecast``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.next_steps import command
from optimizer.cli.options import (
    DaysOption,
    DebugOption,
    Effort,
    FirstOption,
    JsonOption,
    LastOption,
    ScenarioArgument,
    days_of,
    folder_of,
    number_from,
)
from optimizer.cli.running import job, print_record, print_text


def forecast(
    scenario: ScenarioArgument = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FOLDER", help="Folder for the forecast and its members, as CSV."
        ),
    ] = None,
    first: FirstOption = None,
    last: LastOption = None,
    days: DaysOption = None,
    members: Annotated[
        int,
        typer.Option(
            "--members",
            parser=number_from(1, 200, whole=True),
            metavar="COUNT",
            help="How many plausible seasons.",
        ),
    ] = 12,
    seed: Annotated[
        int,
        typer.Option(
            "--seed",
            parser=number_from(0, whole=True),
            metavar="NUMBER",
            help="The same seed draws the same.",
        ),
    ] = 1,
    back_test: Annotated[
        bool,
        typer.Option(
            "--back-test",
            help="Make it from the first part of the meters; hold it against the rest.",
        ),
    ] = False,
    effort: Annotated[
        Effort,
        typer.Option(
            "--effort",
            metavar="EFFORT",
            help="How long to search windows in the back-test: quick, normal or thorough.",
        ),
    ] = "normal",
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Show the forecast that a scenario makes, how it spreads, and how good such forecasts were."""
    with job(debug=debug, as_json=as_json, out=out) as progress:
        from optimizer.report.forecast import forecast_record, forecast_text
        from optimizer.report.formats import FORECAST
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows import forecast as jobs

        progress("making the forecast")
        brief = read_brief(folder_of(scenario), days_of(first, last, days))
        if out is not None:
            jobs.refuse_own_forecast(brief.scenario, out)
        result, tested = jobs.forecast(brief, members, seed), None
        if back_test:
            from optimizer.workflows import back_test as tests

            tested = tests.back_test(brief, effort, progress)
        files: list[Path] = []
        if out is not None:
            from optimizer.report.forecast_page import write_forecast  # loads what figures need

            files = write_forecast(result, out, tested)
    if as_json:
        print_record(FORECAST, forecast_record(result, tested))
    else:
        print_text(forecast_text(result, tested), files=files, then=command("plan", scenario))
