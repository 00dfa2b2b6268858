"""``study``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.base.errors import Interrupted
from optimizer.cli.next_steps import command
from optimizer.cli.options import DebugOption, JsonOption, folder_of, number_from
from optimizer.cli.running import errors_told, print_record, print_text, progress_told

STUDY_DEMO = "6_which_battery"

STUDY_INTERRUPTED = Interrupted(
    "interrupted; what was done is kept",
    where="the command line",
    mend="Give the same command again: it goes on from there.",
)
NO_PARQUET = (
    "the table is CSV: pyarrow, which writes parquet tables, is not installed "
    "(pip install 'tariffwright[study]')."
)


STUDY_FILE = "study.yaml"


def study(
    study: Annotated[
        Path | None,
        typer.Argument(
            metavar="STUDY",
            help="A study file, or a folder with study.yaml. Without it: the demo's.",
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Folder for the results.")
    ] = Path("study"),
    only_list: Annotated[
        bool, typer.Option("--list", help="Say which cases there are and what they take; do none.")
    ] = False,
    tables: Annotated[
        list[str] | None,
        typer.Option(
            "--table",
            metavar="KIND",
            help="A kind of table: parquet, csv or xlsx; may be given again.",
        ),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option(
            "--processes",
            parser=number_from(0, 256, whole=True),
            metavar="COUNT",
            help="Processes here; 0 for this one alone.",
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster", metavar="ADDRESS", help="Address of a Dask scheduler to work on."
        ),
    ] = None,
    again_failed: Annotated[
        bool, typer.Option("--again-failed", help="Try again what failed before.")
    ] = False,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Value many cases: sizes, tariffs, sites and prices; what was done before is not done again."""
    with errors_told(debug=debug, as_json=as_json), progress_told() as progress:
        from optimizer.base.documents import is_folder
        from optimizer.report.formats import STUDY, STUDY_LIST
        from optimizer.report.study_files import write_study
        from optimizer.report.study_list import list_record, list_text
        from optimizer.report.study_tables import kinds_named, write_tables_so_far
        from optimizer.studies.run import list_study, run_study

        path = folder_of(study, STUDY_DEMO)
        path = path / STUDY_FILE if is_folder(path) else path
        if only_list:
            extent, cases = list_study(path, processes)
            if as_json:
                print_record(STUDY_LIST, list_record(extent, cases))
            else:
                print_text(list_text(extent, cases), then=command("study", study, "--out", out))
            return
        kinds = kinds_named(tables or [])
        try:
            result = run_study(
                path, out, processes=processes, cluster=cluster, again_failed=again_failed,
                so_far=lambda rows: write_tables_so_far(rows, out, kinds), progress=progress,
            )  # fmt: skip
            progress("writing tables and report")
            files = write_study(result, out, kinds)
        except (KeyboardInterrupt, Interrupted):
            raise STUDY_INTERRUPTED from None
        progress("done")
    from optimizer.report.study_text import study_record, study_text

    notes = [] if tables or "parquet" in kinds else [NO_PARQUET]

    if as_json:
        print_record(STUDY, study_record(result))
    else:
        print_text(study_text(result), notes=notes, files=files, then=f"open {files[0]}")
