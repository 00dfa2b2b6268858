"""``read-tariff``.

Heavy parts are imported inside the command, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.next_steps import command
from optimizer.cli.options import DebugOption, JsonOption, number_from
from optimizer.cli.running import errors_told, print_record, print_text


def read_tariff(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="Swiss statutory JSON, or Norwegian open grid tariffs (YAML)."
        ),
    ],
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name", metavar="TARIFF", help="Number or name of a tariff to take; may be repeated."
        ),
    ] = None,
    fuse: Annotated[
        float | None,
        typer.Option(
            "--fuse",
            parser=number_from(1, 10_000),
            metavar="A",
            help="The main fuse, where a price goes by it.",
        ),
    ] = None,
    only_list: Annotated[
        bool, typer.Option("--list", help="Only list the tariffs that the files offer.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="PATH", help="A .yaml file to write, or a folder for it."),
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Turn open, machine-readable tariffs into one tariff file, each value with its origin."""
    if only_list and (name or out is not None):
        raise typer.BadParameter(
            "nothing is taken or written; leave out --name and --out", param_hint="--list"
        )
    with errors_told(debug=debug, as_json=as_json):
        from optimizer.report.formats import TARIFF_READING
        from optimizer.report.tariff_reading import tariff_reading_record, tariff_reading_text
        from optimizer.workflows.read_tariff import list_open_tariffs, read_open_tariff

        if only_list:
            reading = list_open_tariffs(files, fuse)
        else:
            reading = read_open_tariff(files, name or (), fuse, out)
        if reading.written is not None:
            then = command("check", reading.written)
        else:
            numbers = [
                word
                for each in reading.chosen.numbers or ("NUMBER",)
                for word in ("--name", str(each))
            ]
            asked = () if fuse is None else ("--fuse", f"{fuse:g}")
            then = command("read-tariff", *files, *numbers, *asked, "--out", "tariff.yaml")
        if as_json:
            print_record(TARIFF_READING, tariff_reading_record(reading, then))
            return
        written = () if reading.written is None else (reading.written,)
        remarks = reading.chosen.remarks
        print_text(tariff_reading_text(reading), notes=remarks, files=written, then=then)
