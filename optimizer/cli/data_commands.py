"""``bill``, ``read`` and ``check``.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from optimizer.base.errors import InputError, UsageMistake
from optimizer.cli.next_steps import command
from optimizer.cli.options import DebugOption, JsonOption, dates_in, folder_of
from optimizer.cli.running import errors_told, job, print_record, print_text

if TYPE_CHECKING:
    from optimizer.workflows.bill import TwoBills


def bill(
    meter: Annotated[
        Path, typer.Argument(metavar="METER", help="CSV with time, import_kwh and export_kwh.")
    ],
    tariff: Annotated[
        str, typer.Option("--tariff", "-t", metavar="TARIFF", help="A tariff file or shipped name.")
    ],
    zone: Annotated[
        str, typer.Option("--zone", metavar="ZONE", help="IANA time zone of the wall clock.")
    ],
    beside: Annotated[
        str | None,
        typer.Option("--beside", metavar="TARIFF", help="Another tariff, to compare sums."),
    ] = None,
    paid: Annotated[
        Path | None,
        typer.Option(
            "--paid", metavar="FILE", help="The bill that was paid, to compare line by line."
        ),
    ] = None,
    history: Annotated[
        Path | None,
        typer.Option(
            "--history",
            metavar="FILE",
            help="What went before: past_peaks_kw, banked, peak_so_far_kw.",
        ),
    ] = None,
    read_dates: Annotated[
        str | None,
        typer.Option(
            "--read-dates",
            metavar="DATES",
            help="Days at whose midnight the meter was read: 2026-01-05,2026-02-04.",
        ),
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Under each line, what made it, down to the meter.")
    ] = False,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Bill meter data: every line with its quantity, rate and amount, and what made it."""
    with errors_told(debug=debug, as_json=as_json):
        if paid is not None:
            _reconcile(meter, tariff, zone, paid, as_json=as_json)
            return
        reads = dates_in(read_dates)
        if beside is not None:
            from optimizer.workflows.bill import two_bills

            both = two_bills(meter, (tariff, beside), zone, history, reads)
            _print_two(both, str(meter), as_json=as_json)
            return
        from optimizer.report.bill import bill_record, bill_text
        from optimizer.report.formats import BILL
        from optimizer.report.shapes import MeterBillRecord
        from optimizer.workflows import bill as jobs

        result = jobs.bill(meter, tariff, zone, history, reads)
        if as_json:
            record: MeterBillRecord = {
                **bill_record(result.bill, with_why=explain),
                "notes": list(result.notes),
            }
            print_record(BILL, record)
            return
        title = f"BILL OF {meter} ON {tariff}"
        more = ("--paid", "paid.yaml") if explain else ("--explain",)
        then = command("bill", meter, "--tariff", tariff, "--zone", zone, *more)
        print_text(bill_text(result.bill, title, with_why=explain), notes=result.notes, then=then)


def _print_two(both: TwoBills, meter: str, *, as_json: bool) -> None:
    from optimizer.report.bill import two_bills_record, two_bills_text
    from optimizer.report.formats import TWO_BILLS

    if as_json:
        print_record(TWO_BILLS, two_bills_record(both))
    else:
        print_text(two_bills_text(both, meter), notes=both.notes)


def _reconcile(meter: Path, tariff: str, zone: str, paid: Path, *, as_json: bool) -> None:
    from optimizer.report.bill import reconciled_record, reconciled_text
    from optimizer.report.formats import PAID_BILL
    from optimizer.workflows.bill import reconciled

    result = reconciled(meter, tariff, zone, paid)
    if as_json:
        print_record(PAID_BILL, reconciled_record(result.compared, result.notes))
    else:
        then = (
            f"the tariff holds; name it in a scenario, tariff: {tariff}"
            if result.compared.fits
            else command("bill", meter, "--tariff", tariff, "--zone", zone, "--explain")
        )
        print_text(reconciled_text(result.compared), notes=result.notes, then=then)


def read(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...",
            help="Green Button (ESPI) XML, CSV or workbook (XLSX), or a ZIP; several files are joined.",
        ),
    ],
    zone: Annotated[
        str | None,
        typer.Option("--zone", metavar="ZONE", help="IANA time zone of the meter's clock."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="CSV to write.")] = None,
    point: Annotated[
        str | None,
        typer.Option("--point", metavar="POINT", help="Number or name of a usage point or meter."),
    ] = None,
    fill: Annotated[
        Literal["previous-day", "linear"] | None,
        typer.Option("--fill", metavar="HOW", help="Fill gaps: previous-day or linear."),
    ] = None,
    dates: Annotated[
        Literal["day-first", "month-first", "year-first"] | None,
        typer.Option(
            "--dates", metavar="ORDER", help="Order of dates: day-first, month-first or year-first."
        ),
    ] = None,
    stamps: Annotated[
        Literal["start", "end"] | None,
        typer.Option(
            "--stamps", metavar="EDGE", help="Edge of the interval that stamps name: start or end."
        ),
    ] = None,
    heads: Annotated[
        str | None,
        typer.Option(
            "--heads",
            metavar="NAMES",
            help="Heads of a table that has none: time,import_kwh,export_kwh.",
        ),
    ] = None,
    profile: Annotated[
        Literal["H0", "G0", "G1", "G2", "G3", "G4", "G5", "G6", "L0", "L1", "L2"] | None,
        typer.Option(
            "--profile",
            metavar="NAME",
            help="Spread totals of days or months over a published load profile, e.g. H0: an estimate.",
        ),
    ] = None,
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--pictures", metavar="DIR", help="Draw each column by day and hour, as SVG files."
        ),
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Bring meter data or prices, as they were handed out, into the form that the others read."""
    with job(debug=debug, as_json=as_json) as progress:
        from optimizer.metering.found import Request
        from optimizer.report.formats import READING
        from optimizer.report.reading import next_step, reading_record, reading_text
        from optimizer.workflows.read import read as read_outside
        from optimizer.workflows.read import shape_named

        names = None if heads is None else tuple(name.strip() for name in heads.split(","))
        shape = None if profile is None else shape_named(profile)
        request = Request(zone, point, fill, dates, stamps, names, shape)
        progress(f"reading {', '.join(map(str, files))}")
        found = read_outside(files, request, out)
        drawn = list[Path]()
        if pictures is not None:
            from optimizer.report.reading_figure import write_reading

            drawn = write_reading(found.chosen(point), pictures)
    if as_json:
        print_record(READING, reading_record(found, request, out))
    else:
        seen = "".join(f"drawn: {path}\n" for path in drawn)
        print_text(f"{reading_text(found)}\n{seen}{next_step(found, request, out)}")


def check(
    what: Annotated[
        Path | None,
        typer.Argument(
            metavar="WHAT", help="A scenario folder, its scenario.yaml, or a tariff file or name."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="Folder for a page of a tariff."),
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Tell what is wrong or odd in a scenario; of a tariff, also whether its worked bills come out."""
    with errors_told(debug=debug, as_json=as_json):
        from optimizer.workflows import check as jobs

        if what is not None and (tariff := jobs.tariff_named(what)) is not None:
            _check_tariff(tariff, out, as_json=as_json)
            return
        if out is not None:
            raise UsageMistake(
                "only of a tariff a page is written",
                where="--out",
                mend="Name a tariff, or leave it out.",
            )
        from optimizer.report.fits import fits_record, fits_text
        from optimizer.report.formats import CHECK
        from optimizer.report.shapes import CheckRecord
        from optimizer.report.wrapping import filled
        from optimizer.scenario.brief import read_brief

        result = jobs.check(read_brief(folder_of(what)))
        if as_json:
            record: CheckRecord = {
                "findings": list(result.remarks),
                "fits": fits_record(result.fits),
            }
            print_record(CHECK, record)
            return
        remarks = "\n".join(filled(remark, "  - ") for remark in result.remarks)
        told = f"{remarks or '  nothing to remark'}\n\n{fits_text(result.fits)}"
        print_text(told, then=command("plan", what))


def _check_tariff(path: Path, out: Path | None, *, as_json: bool) -> None:
    from optimizer.report.bill import worked_record, worked_text
    from optimizer.report.formats import WORKED_BILLS
    from optimizer.report.tariff_picture import tariff_picture
    from optimizer.workflows.check import check_tariff

    result, files = check_tariff(path), list[Path]()
    if out is not None:
        from optimizer.report.tariff_page import write_tariff_page

        files = write_tariff_page(result, out)
    if as_json:
        print_record(WORKED_BILLS, worked_record(result.worked, result.remarks))
    else:
        then = (
            command("bill", "meter.csv", "--tariff", path, "--zone", "ZONE")
            if result.is_right
            else f"mend the figures that differ, then {command('check', path)}"
        )
        picture = tariff_picture(result.sample)
        print_text(
            f"{picture}\n\n{worked_text(result.worked, result.remarks)}", files=files, then=then
        )
    if not result.is_right:
        raise typer.Exit(InputError.exit_code)
