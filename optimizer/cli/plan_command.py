"""``plan`` and ``replay``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli.next_steps import after_plan, command
from optimizer.cli.options import (
    DaysOption,
    DebugOption,
    EffortOption,
    FirstOption,
    JsonOption,
    LanguageOption,
    LastOption,
    OutOption,
    ScenarioArgument,
    TimeOption,
    days_of,
    endless,
    folder_of,
    number_from,
)
from optimizer.cli.running import job, print_text

if TYPE_CHECKING:
    from optimizer.evaluation.review import Review
    from optimizer.workflows.results import Result


def plan(
    scenario: ScenarioArgument = None,
    out: OutOption = Path("out"),
    effort: EffortOption = "normal",
    first: FirstOption = None,
    last: LastOption = None,
    days: DaysOption = None,
    in_use: Annotated[
        Path | None,
        typer.Option(
            "--in-use",
            metavar="FILE",
            help="Settings typed in today: a start, and a bill beside ours.",
        ),
    ] = None,
    windows: Annotated[
        int | None,
        typer.Option(
            "--windows",
            parser=number_from(0, whole=True),
            metavar="COUNT",
            help="Hand out at most so many windows, not the number recommended.",
        ),
    ] = None,
    worth: Annotated[
        float | None,
        typer.Option(
            "--worth",
            parser=number_from(0),
            metavar="MONEY",
            help="Money that a window must save a year to be entered.",
        ),
    ] = None,
    no_curve: Annotated[
        bool, typer.Option("--no-curve", help="Leave out what other numbers of windows save.")
    ] = False,
    no_proof: Annotated[bool, typer.Option("--no-proof", hidden=True)] = False,
    language: LanguageOption = "en",
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Find the windows to enter, and show what they save."""
    with job(debug=debug, as_json=as_json, out=out) as progress:
        progress("reading the scenario and its tariff")  # before what takes seconds to load
        from optimizer.base.parallel import ahead
        from optimizer.scenario.brief import read_brief
        from optimizer.settings.check import read_settings
        from optimizer.workflows import plan as jobs

        if worth is not None and not math.isfinite(worth):
            raise endless("--worth")
        if no_proof:
            progress("no proof is made any more: --no-proof may be left out")
        brief = read_brief(folder_of(scenario), days_of(first, last, days))
        site = brief.scenario
        ahead(_load_the_report)
        result = jobs.plan(
            brief,
            effort=effort,
            in_use=read_settings(in_use, site.controls, site.plant) if in_use else None,
            most_windows=windows,
            worth_typing=worth,
            time_limit_s=time_limit,
            progress=progress,
        )
        if no_curve:
            result = replace(result, curve=())
        progress("drawing the report")
        files = _write(result, out, language)
    then = after_plan(scenario, out, folder_of(None))
    show(result, files, as_json=as_json, then=then)


def replay(
    scenario: ScenarioArgument = None,
    settings: Annotated[
        Path, typer.Option("--settings", metavar="FILE", help="A settings file.")
    ] = Path("settings.yaml"),
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Folder for the results.")
    ] = None,
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Say what given settings would cost on a scenario."""
    with job(debug=debug, as_json=as_json, out=out) as progress:
        from optimizer.scenario.brief import read_brief
        from optimizer.settings.check import read_settings
        from optimizer.workflows import replay as jobs

        progress("reading the scenario, its tariff and the settings")
        brief = read_brief(folder_of(scenario))
        given = read_settings(settings, brief.scenario.controls, brief.scenario.plant)
        result = jobs.replay(brief, given, time_limit_s=time_limit, progress=progress)
        files = _write(result, out) if out else []
    then = command("outage", scenario, "--settings", settings)
    show(result, files, as_json=as_json, then=then)


def _load_the_report() -> None:
    """Load what draws the report while the plan is solved."""
    import optimizer.report.files  # noqa: F401


def _write(result: Result, out: Path, language: str = "en") -> list[Path]:
    from optimizer.report.files import write_result

    return write_result(result, out, language=language)


def show(
    result: Result, files: list[Path], *, as_json: bool, then: str, past: Review | None = None
) -> None:
    """Print what a job with a plan came to."""
    from optimizer.report.record import plan_json
    from optimizer.report.text import summary

    if as_json:
        print(plan_json(result, past), end="")
    else:
        print_text(summary(result), files=files, then=then)
