"""``fleet``.

Heavy parts are imported inside the command, so that help and mistakes answer at once.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from optimizer.base.errors import Interrupted, UsageMistake
from optimizer.cli.next_steps import command
from optimizer.cli.options import (
    DaysOption,
    DebugOption,
    EffortOption,
    FirstOption,
    LastOption,
    TimeOption,
    day_of,
    days_of,
    number_from,
)
from optimizer.cli.running import errors_told, print_text, progress_told

if TYPE_CHECKING:
    from optimizer.base.progress import Progress
    from optimizer.report.shapes import FleetSiteRecord
    from optimizer.workflows.fleet import FleetTask

FLEET_INTERRUPTED = Interrupted(
    "interrupted; sites that are done are kept",
    where="the command line",
    mend="Give the same command again: it goes on from there.",
)

LOOK_BACK = ("review", "tomorrow")
"""Jobs that need results of before."""


def fleet(
    job: Annotated[
        Literal["plan", "renew", "review", "check", "forecast", "tomorrow"],
        typer.Argument(
            metavar="JOB", help="What to do: plan, renew, review, check, forecast or tomorrow."
        ),
    ],
    sites: Annotated[
        list[Path],
        typer.Argument(
            metavar="SITES...",
            help="Scenario folders, a folder that holds some, or a text file that lists them.",
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FOLDER", help="Folder for the table and each site's results."
        ),
    ] = Path("fleet"),
    previous: Annotated[
        Path | None,
        typer.Option(
            "--previous",
            metavar="FOLDER",
            help="What an earlier fleet wrote; plan and renew else go by each site's history.",
        ),
    ] = None,
    metered: Annotated[
        str,
        typer.Option(
            "--metered", metavar="NAME", help="review: the meter's file in each site's folder."
        ),
    ] = "meter.csv",
    pv: Annotated[
        Path | None,
        typer.Option("--pv", metavar="FILE", help="tomorrow: a CSV of site and pv_kwh expected."),
    ] = None,
    first: FirstOption = None,
    last: LastOption = None,
    days: DaysOption = None,
    day: Annotated[
        str | None,
        typer.Option("--day", metavar="DAY", help="tomorrow: another day, as 2026-01-31."),
    ] = None,
    least: Annotated[
        float | None,
        typer.Option(
            "--least",
            parser=number_from(0, 1e12),
            metavar="MONEY",
            help="renew: money that each change must earn a month.",
        ),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option(
            "--processes",
            parser=number_from(0, 256, whole=True),
            metavar="COUNT",
            help="Sites side by side; 0 for this process alone.",
        ),
    ] = None,
    effort: EffortOption = "normal",
    as_json: Annotated[
        bool,
        typer.Option("--json", help="Print one JSON object a line: each site, then the whole."),
    ] = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Do a job for many sites: one table, one calendar; exit code 10 if any site needs a change."""
    with errors_told(debug=debug, as_json=as_json), progress_told() as progress:
        from optimizer.base.files import writing_to
        from optimizer.report.fleet import code_of, fleet_record, fleet_text, write_fleet
        from optimizer.report.formats import FLEET, FLEET_SITE
        from optimizer.workflows.fleet import FleetTask, sites_named, yields_named

        if job in LOOK_BACK and previous is None:
            raise UsageMistake(
                f"nothing tells what {job} looks back on",
                where="--previous",
                mend="Name the folder that fleet plan or fleet renew has written.",
            )
        found, notes = sites_named(sites)
        yields = {} if pv is None else yields_named(pv)
        notes += [
            f"{pv} names {name!r}, which is no site here." for name in yields if name not in found
        ]
        asked = days_of(first, last, days)
        of_day = None if day is None else day_of(day, "--day")
        tasks = [
            FleetTask(
                job, name, folder, out / name, None if previous is None else previous / name, asked,
                effort, least, metered, yields.get(name), of_day, time_limit,
            )
            for name, folder in found.items()
        ]  # fmt: skip
        _refuse_odd_places(tasks, job)
        rows: list[FleetSiteRecord] = []
        try:
            with writing_to(out):
                for row in _done(tasks, processes, progress):
                    rows.append(row)
                    if as_json:
                        print(FLEET_SITE.text(row, indent=None), end="", flush=True)
                files = write_fleet(job, rows, out, notes)
        except (KeyboardInterrupt, Interrupted):
            raise FLEET_INTERRUPTED from None
    code = code_of(rows)
    if as_json:
        print(FLEET.text(fleet_record(job, rows, files, notes), indent=None), end="")
    else:
        again = command(*sys.argv[1:])
        then = f"mend what failed, then {again}: only that is done" if code else f"open {files[1]}"
        if code == 10:
            then = f"open {files[1]}"
        print_text(fleet_text(job, rows), notes=notes, files=files, then=then)
    if code:
        raise typer.Exit(code)


def _refuse_odd_places(tasks: Sequence[FleetTask], job: str) -> None:
    """Refuse results in the folder of a site, and a renewal over the results of last season."""
    for task in tasks:
        if task.out.resolve() == task.folder.resolve():
            raise UsageMistake(
                f"the results of {task.site} would be written into the site's own folder",
                where="--out",
                mend="Name another folder.",
            )
        if (
            job == "renew"
            and task.previous is not None
            and task.previous.resolve() == task.out.resolve()
        ):
            raise UsageMistake(
                "the results would be written over those of last season",
                where="--out",
                mend="Name another folder: a later review needs what was promised.",
            )


def _done(
    tasks: Sequence[FleetTask], processes: int | None, progress: Progress
) -> Iterator[FleetSiteRecord]:
    """Yield what each task came to, in their order, as soon as that is known."""
    from optimizer.base.processes import each_in_a_process
    from optimizer.planning.solver import processors, use_one_thread
    from optimizer.report.fleet_site import died, do

    count = processors() if processes is None else processes
    come = (
        ((place, do(task)) for place, task in enumerate(tasks))
        if count == 0 or len(tasks) == 1
        else each_in_a_process(do, tasks, count, use_one_thread, died)
    )
    ready: dict[int, FleetSiteRecord] = {}
    following = 0
    for told, (place, row) in enumerate(come, start=1):
        ready[place] = row
        progress(f"{told} of {len(tasks)} sites: {row['site']}, {row['state']}")
        while following in ready:
            yield ready.pop(following)
            following += 1
