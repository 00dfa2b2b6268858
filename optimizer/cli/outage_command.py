"""``outage``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.next_steps import command
from optimizer.cli.options import DebugOption, JsonOption, ScenarioArgument, folder_of
from optimizer.cli.running import job, print_record, print_text


def outage(
    scenario: ScenarioArgument = None,
    settings: Annotated[
        Path | None,
        typer.Option(
            "--settings",
            metavar="FILE",
            help="A settings file, or results; else what the history says is in use.",
        ),
    ] = None,
    critical: Annotated[
        bool, typer.Option("--critical", help="Carry the critical loads alone, not the building.")
    ] = False,
    floors: Annotated[
        bool, typer.Option("--floors", help="Say instead what higher floors cost, by season.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Folder for the results.")
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Say how long the building goes on when the grid fails, by the clock and by month."""
    if floors:
        if settings is not None or critical:
            raise typer.BadParameter(
                "floors are priced in the cheapest plan, for what outage.carries in the scenario says;"
                " leave out --settings and --critical",
                param_hint="--floors",
            )
        _price_floors(scenario, out, as_json=as_json, debug=debug)
        return
    with job(debug=debug, as_json=as_json, out=out) as progress:
        from optimizer.report.formats import OUTAGES
        from optimizer.report.outage_page import write_outages
        from optimizer.report.outages import outage_text, outages_record
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows.in_use import in_use_if_any
        from optimizer.workflows.outage import outage as outages_of

        progress("reading the scenario and the settings in use")
        brief = read_brief(folder_of(scenario))
        in_use = in_use_if_any(brief.scenario, settings)
        result = outages_of(brief, in_use, critical_only=critical, progress=progress)
        files = write_outages(result, out) if out else []
    if as_json:
        print_record(OUTAGES, outages_record(result))
    else:
        print_text(outage_text(result), files=files, then=command("outage", scenario, "--floors"))


def _price_floors(scenario: Path | None, out: Path | None, *, as_json: bool, debug: bool) -> None:
    with job(debug=debug, as_json=as_json, out=out) as progress:
        from optimizer.report.floors_page import write_floors
        from optimizer.report.formats import FLOORS
        from optimizer.report.reserve import floors_record, price_text
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows.reserve import price_floors

        progress("reading the scenario and its tariff")
        prices = price_floors(read_brief(folder_of(scenario)), progress)
        files = write_floors(prices, out) if out else []
    if as_json:
        print_record(FLOORS, floors_record(prices.curve))
    else:
        told = "set outage.hours in the scenario to what you wish for, then "
        print_text(price_text(prices), files=files, then=told + command("plan", scenario))
