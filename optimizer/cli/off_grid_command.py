"""``stay-off``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.base.errors import InputError, Mistake
from optimizer.cli.next_steps import command
from optimizer.cli.options import (
    DebugOption,
    JsonOption,
    ScenarioArgument,
    TimeOption,
    folder_of,
    number_from,
)
from optimizer.cli.running import job, print_record, print_text


def stay_off(
    scenario: ScenarioArgument = None,
    hours: Annotated[
        str,
        typer.Option(
            "--hours",
            metavar="HOURS",
            help="A span of time by the equipment's clock, such as 17:00-21:00; if that stays on winter"
            " time (controls.summer_time: false), it is an hour later by the wall in summer.",
        ),
    ] = "17:00-21:00",
    months: Annotated[
        str,
        typer.Option(
            "--months", metavar="MONTHS", help="Such as 6-9, 11-2 over the new year, or 3,6."
        ),
    ] = "1-12",
    days: Annotated[
        str,
        typer.Option(
            "--days", metavar="DAYS", help="'every day', weekdays, weekends, Saturdays, …"
        ),
    ] = "every day",
    import_kw: Annotated[
        float,
        typer.Option(
            "--import-kw",
            parser=number_from(0),
            metavar="KW",
            help="The highest import; 0 is off the grid.",
        ),
    ] = 0.0,
    settings: Annotated[
        Path | None,
        typer.Option(
            "--settings",
            metavar="FILE",
            help="A settings file or a folder of results; without: no windows.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="A file for the settings with the limit added."),
    ] = None,
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Say beforehand how often the battery can keep the building off the grid in given hours."""
    with job(debug=debug, as_json=as_json) as progress:
        from optimizer.base.files import write_file
        from optimizer.report.formats import OFF_GRID
        from optimizer.report.off_grid import limited_yaml, off_grid_record, off_grid_text
        from optimizer.scenario.brief import read_brief
        from optimizer.settings.check import read_settings
        from optimizer.settings.limiting import read_months
        from optimizer.workflows.in_use import settings_path
        from optimizer.workflows.off_grid import limit_of
        from optimizer.workflows.off_grid import stay_off as told_beforehand

        try:
            numbers = read_months(months)
        except Mistake as mistake:
            raise InputError(mistake.what, where="--months", mend=mistake.mend) from None
        limit = limit_of(hours, import_kw, numbers, days)
        progress("reading the scenario and its tariff")
        brief = read_brief(folder_of(scenario))
        site = brief.scenario
        given = (
            read_settings(settings_path(settings), site.controls, site.plant) if settings else None
        )
        result = told_beforehand(brief, limit, given, time_limit_s=time_limit, progress=progress)
        files = [write_file(limited_yaml(result), out)] if out else []
    if as_json:
        print_record(OFF_GRID, off_grid_record(result))
    else:
        asked = ["--hours", hours, "--months", months, "--days", days]
        asked += ["--import-kw", f"{import_kw:g}"]
        asked += ["--settings", str(settings)] if settings else []
        then = (
            command("replay", scenario, "--settings", out)
            if out
            else command("stay-off", scenario, *asked, "--out", "limited.yaml")
        )
        print_text(off_grid_text(result), files=files, then=then)
