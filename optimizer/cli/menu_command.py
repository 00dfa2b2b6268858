"""``menu``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.options import (
    DebugOption,
    EffortOption,
    JsonOption,
    ScenarioArgument,
    TimeOption,
    folder_of,
)
from optimizer.cli.running import job, print_json, print_text


def menu(
    scenario: ScenarioArgument = None,
    worth: Annotated[
        bool,
        typer.Option("--worth", help="Say what one thing more would bring: an entry, a field, …"),
    ] = False,
    effort: EffortOption = "quick",
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Show the equipment's menu as the scenario describes it, as an empty card."""
    with job(debug=debug) as progress:
        from optimizer.report.menu import menu_record, menu_text
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows.menu import menu_worth

        progress("reading the scenario and its tariff")
        brief = read_brief(folder_of(scenario))
        site, told = brief.scenario, None
        if worth:
            told = menu_worth(brief, effort=effort, time_limit_s=time_limit, progress=progress)
    if as_json:
        print_json(menu_record(site.controls, told))
    else:
        print_text(f"{site.name}\n\n{menu_text(site.controls, site.plant, told)}")
