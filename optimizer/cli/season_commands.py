"""``renew`` and ``review``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.base.errors import UsageMistake
from optimizer.cli.next_steps import after_accepting, after_renewal, command
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
from optimizer.cli.plan_command import show
from optimizer.cli.running import errors_told, job, print_record, print_text

if TYPE_CHECKING:
    from optimizer.evaluation.review import Review
    from optimizer.workflows.renew import RenewResult

SOMETHING_TO_CHANGE = 10
"""Exit code of ``renew`` where it advises a change; 0 says that all may stay as it is."""

MISSING_PROMISE = UsageMistake(
    "nothing tells what was promised for the metered season",
    where="--metered",
    mend="Name the folder of that season's results with --previous.",
)

ONE_AT_A_TIME = UsageMistake(
    "--accept and --undo are given together", where="the command line", mend="Give one of them."
)

WHOSE_HISTORY = UsageMistake(
    "no scenario is named whose history it is",
    where="the command line",
    mend="Name the scenario's folder: tariffwright renew FOLDER --accept DIR.",
)

SAME_FOLDER = UsageMistake(
    "the results would be written over those of last season",
    where="--out",
    mend="Name another folder: a later review needs what was promised.",
)


def renew(
    scenario: ScenarioArgument = None,
    previous: Annotated[
        Path | None,
        typer.Option(
            "--previous",
            metavar="RESULTS",
            help="Last season's results, or a settings file; else what the history says.",
        ),
    ] = None,
    out: OutOption = Path("renewed"),
    least: Annotated[
        float | None,
        typer.Option(
            "--least",
            parser=number_from(0),
            metavar="MONEY",
            help="Money that each change must earn a month.",
        ),
    ] = None,
    metered: Annotated[
        Path | None,
        typer.Option(
            "--metered",
            metavar="FILE",
            help="What was metered since: told beside what was promised.",
        ),
    ] = None,
    accept: Annotated[
        Path | None,
        typer.Option(
            "--accept",
            metavar="RESULTS",
            help="Keep these results in the history: they are typed in now.",
        ),
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Go back to what was in use before the last renewal.")
    ] = False,
    effort: EffortOption = "normal",
    first: FirstOption = None,
    last: LastOption = None,
    days: DaysOption = None,
    language: LanguageOption = "en",
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Say what to change about the settings in use; exit code 10 if there is something to change."""
    if accept is not None or undo:
        with errors_told(debug=debug, as_json=as_json):
            if accept is not None and undo:
                raise ONE_AT_A_TIME
            if scenario is None:
                raise WHOSE_HISTORY
            _keep_history(scenario, accept, as_json=as_json)
        return
    with job(debug=debug, as_json=as_json, out=out) as progress:
        from optimizer.report.files import write_result
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows.in_use import in_use_of
        from optimizer.workflows.renew import renew as renewed
        from optimizer.workflows.review import review as reviewed

        _refuse_odd_renewal(previous, out, least, metered)
        past = None
        if metered is not None and previous is not None:
            progress("reading the scenario, the promise and the meter")
            past = reviewed(read_brief(folder_of(scenario)), previous, metered, progress)
        progress("reading the scenario, its tariff and the settings in use")
        brief = read_brief(folder_of(scenario), days_of(first, last, days))
        result = renewed(
            brief,
            in_use_of(brief.scenario, previous),
            least_per_month=least,
            effort=effort,
            time_limit_s=time_limit,
            progress=progress,
        )
        files = write_result(result, out, past, language)
    is_changed = not result.renewal.is_nothing_to_do
    then = after_renewal(scenario, out, folder_of(None), is_changed=is_changed)
    _show_renewal(result, past, files, as_json=as_json, then=then)
    if is_changed:
        raise typer.Exit(SOMETHING_TO_CHANGE)


def _show_renewal(
    result: RenewResult, past: Review | None, files: list[Path], *, as_json: bool, then: str
) -> None:
    from optimizer.report.review import review_text

    if past is not None and not as_json:
        print_text(f"{review_text(past)}\n")
    show(result, files, as_json=as_json, then=then, past=past)


def _refuse_odd_renewal(
    previous: Path | None, out: Path, least: float | None, metered: Path | None
) -> None:
    if previous is not None and previous.resolve() == out.resolve():
        raise SAME_FOLDER
    if least is not None and not math.isfinite(least):
        raise endless("--least")
    if metered is not None and previous is None:
        raise MISSING_PROMISE


def _keep_history(folder: Path, accepted: Path | None, *, as_json: bool) -> None:
    from datetime import date

    from optimizer.report.formats import HISTORY
    from optimizer.report.renewal import changes_back, history_record
    from optimizer.scenario.scenario import read_scenario
    from optimizer.workflows.in_use import accept_results, undo

    scenario, today = read_scenario(folder), date.today()  # noqa: DTZ011 - a person's calendar
    if accepted is not None:
        path = accept_results(scenario, accepted, today)
        told, record = f"Kept in the history: {path}", history_record(kept=path)
        then = after_accepting(folder, accepted)
    else:
        path, file = undo(scenario.folder, today)
        told = f"Undone in the history: {path}\n{changes_back(file)}"
        record = history_record(undone=path, in_use=file.before)
        then = command("renew", folder)
    if as_json:
        print_record(HISTORY, record)
    else:
        print_text(told, then=then)


def review(
    scenario: ScenarioArgument = None,
    previous: Annotated[
        Path,
        typer.Option(
            "--previous",
            metavar="RESULTS",
            help="The results of the past season's plan or renewal.",
        ),
    ] = Path("out"),
    metered: Annotated[
        Path,
        typer.Option(
            "--metered",
            metavar="FILE",
            help="CSV: import_kwh, export_kwh, pv_kwh, and the load or battery.",
        ),
    ] = Path("meter.csv"),
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Folder for the page.")
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Hold what was metered against what was promised, and tell why they differ."""
    with job(debug=debug, as_json=as_json, out=out) as progress:
        from optimizer.report.formats import REVIEW
        from optimizer.report.review import review_file_record, review_text
        from optimizer.report.review_page import write_review
        from optimizer.scenario.brief import read_brief
        from optimizer.workflows.review import review as reviewed

        progress("reading the scenario, the promise and the meter")
        brief = read_brief(folder_of(scenario))
        result = reviewed(brief, previous, metered, progress)
        files = write_review(result, brief.scenario, out) if out else []
    if as_json:
        print_record(REVIEW, review_file_record(result, brief.scenario))
    else:
        then = command("renew", scenario, "--previous", previous, "--metered", metered)
        print_text(review_text(result), files=files, then=then)
