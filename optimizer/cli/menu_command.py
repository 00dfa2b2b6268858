"""``menu``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.next_steps import command
from optimizer.cli.options import (
    DebugOption,
    EffortOption,
    JsonOption,
    ScenarioArgument,
    TimeOption,
    folder_of,
)
from optimizer.cli.running import errors_told, job, print_record, print_text


def menu(
    scenario: ScenarioArgument = None,
    worth: Annotated[
        bool,
        typer.Option("--worth", help="Say what one thing more would bring: an entry, a field, …"),
    ] = False,
    effort: EffortOption = "quick",
    questions: Annotated[
        bool,
        typer.Option("--ask", help="Ask instead what the menu holds, and write it as 'controls'."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="With --ask: a file for what was answered."),
    ] = None,
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Show the equipment's menu as the scenario describes it, as an empty card."""
    if questions:
        if scenario is not None or worth or as_json:
            raise typer.BadParameter(
                "what is answered describes a menu by itself; leave out the scenario, --worth and --json",
                param_hint="--ask",
            )
        _ask(out, debug=debug)
        return
    if out is not None:
        raise typer.BadParameter("only answers are written to a file", param_hint="--out")
    with job(debug=debug, as_json=as_json) as progress:
        from optimizer.report.formats import MENU
        from optimizer.report.menu import menu_record, menu_text
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows.menu import menu_worth

        progress("reading the scenario and its tariff")
        brief = read_brief(folder_of(scenario))
        site, told = brief.scenario, None
        if worth:
            told = menu_worth(brief, effort=effort, time_limit_s=time_limit, progress=progress)
    if as_json:
        print_record(MENU, menu_record(site.controls, told))
    else:
        words = ("plan", scenario) if worth else ("menu", scenario, "--worth")
        print_text(menu_text(site, told), then=command(*words))


def _ask(out: Path | None, *, debug: bool) -> None:
    with errors_told(debug=debug):
        from optimizer.base.files import refuse_unwritable_file, write_file
        from optimizer.cli.asking import ask, read_line
        from optimizer.settings.questions import MENU, controls_from, section_yaml

        if out is not None:
            refuse_unwritable_file(out)
        answers, unknown = ask(MENU, read_line, lambda line: print(line, file=sys.stderr))
        controls_from(answers)
        text = section_yaml(answers, unknown)
        if out is not None:
            write_file(text, out)
    if out is None:
        print(text, end="")
    else:
        print(f"Written to {out}: put it in place of 'controls' in scenario.yaml.")
