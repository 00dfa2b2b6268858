"""The commands; the only file that prints or exits.

Heavy parts are imported inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

import codecs
import contextlib
import errno
import gc
import io
import json
import math
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from optimizer import __version__
from optimizer.base.errors import InputError, Interrupted, OptimizerError
from optimizer.base.files import writing_to

if TYPE_CHECKING:
    from optimizer.workflows.results import Account

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Turns a PV forecast, a load forecast and a tariff into battery settings a person can type in.",
)

INTERRUPTED = Interrupted(
    "interrupted; nothing was written", where="the command line", mend="Run it again."
)

STUDY_INTERRUPTED = Interrupted(
    "interrupted; what was done is kept",
    where="the command line",
    mend="Give the same command again: it goes on from there.",
)

STUDY_FILE = "study.yaml"

SOMETHING_TO_CHANGE = 10
"""Exit code of ``renew`` where it advises a change; 0 says that all may stay as it is."""

MISSING_PROMISE = InputError(
    "nothing tells what was promised for the metered season",
    where="--metered",
    mend="Name the folder of that season's results with --previous.",
)

ONE_AT_A_TIME = InputError(
    "--accept and --undo are given together", where="the command line", mend="Give one of them."
)

WHOSE_HISTORY = InputError(
    "no scenario is named whose history it is",
    where="the command line",
    mend="Name the scenario's folder: tariffwright renew FOLDER --accept DIR.",
)

SAME_FOLDER = InputError(
    "the results would be written over those of last season",
    where="--out",
    mend="Name another folder: a later review needs what was promised.",
)


def _endless(option: str) -> InputError:
    return InputError(
        f"{option} is no finite sum of money", where=option, mend="Give a number, or leave it out."
    )


Effort = Literal["quick", "normal", "thorough"]

FIRST_DEMO, STUDY_DEMO = "1_two_rates", "6_which_battery"

ScenarioArgument = Annotated[
    Path | None,
    typer.Argument(help="A scenario folder, or its scenario.yaml. Without it: the first demo."),
]
OutOption = Annotated[Path, typer.Option("--out", help="Folder for the results.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
TimeOption = Annotated[
    float, typer.Option("--time-limit", min=1, help="Most seconds for the linear program.")
]
DebugOption = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]


@app.command()
def plan(
    scenario: ScenarioArgument = None,
    out: OutOption = Path("out"),
    effort: Annotated[
        Effort, typer.Option("--effort", help="How long to search; the same gives the same.")
    ] = "normal",
    in_use: Annotated[
        Path | None,
        typer.Option("--in-use", help="Settings typed in today: a start, and a bill beside ours."),
    ] = None,
    windows: Annotated[
        int | None,
        typer.Option(
            "--windows", min=0, help="Hand out at most so many windows, not the number recommended."
        ),
    ] = None,
    worth: Annotated[
        float | None,
        typer.Option("--worth", min=0, help="Money that a window must save a year to be entered."),
    ] = None,
    no_curve: Annotated[
        bool, typer.Option("--no-curve", help="Leave out what other numbers of windows save.")
    ] = False,
    no_proof: Annotated[
        bool, typer.Option("--no-proof", help="Leave out how much more any windows could save.")
    ] = False,
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Find the windows to enter, and show what they save."""
    with _errors_told(debug=debug), _progress() as progress, writing_to(out):
        from optimizer.workflows.plan import plan_scenario

        if worth is not None and not math.isfinite(worth):
            raise _endless("--worth")
        account = plan_scenario(
            _folder(scenario),
            effort=effort,
            in_use_path=in_use,
            most_windows=windows,
            with_curve=not no_curve,
            with_proof=not no_proof,
            worth_typing=worth,
            time_limit_s=time_limit,
            progress=progress,
        )
        from optimizer.report.files import write_outcome

        progress("drawing the report")
        files = write_outcome(account, out)
        progress("done")
    _show(account, files, as_json=as_json)


@app.command()
def forecast(
    scenario: ScenarioArgument = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the forecast and its members, as CSV.")
    ] = None,
    members: Annotated[
        int, typer.Option("--members", min=1, max=200, help="How many plausible seasons.")
    ] = 12,
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed draws the same.")] = 1,
    back_test: Annotated[
        bool,
        typer.Option(
            "--back-test",
            help="Make it from the first part of the meters; hold it against the rest.",
        ),
    ] = False,
    effort: Annotated[
        Effort, typer.Option("--effort", help="How long to search windows in the back-test.")
    ] = "normal",
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Show the forecast that a scenario makes, how it spreads, and how good such forecasts were."""
    with _errors_told(debug=debug), _progress() as progress, writing_to(out):
        from optimizer.report.forecast import forecast_record, forecast_text, write_forecast
        from optimizer.workflows.paperwork import make_forecast, refuse_own_forecast

        progress("making the forecast")
        brief, ensemble = make_forecast(_folder(scenario), members, seed)
        if out is not None:
            refuse_own_forecast(brief.scenario, out)
        tested = None
        if back_test:
            from optimizer.workflows.seasons import back_test as held_against_the_past

            tested = held_against_the_past(brief, effort, progress)
        files = write_forecast(brief.scenario, ensemble, out) if out else []
        progress("done")
        if as_json:
            print(json.dumps(forecast_record(brief.scenario, ensemble, tested), indent=2))
        else:
            print(forecast_text(brief.scenario, ensemble, tested, brief.tariff.currency))
            _tell_files(files)


@app.command()
def replay(
    scenario: ScenarioArgument = None,
    settings: Annotated[Path, typer.Option("--settings", help="A settings file.")] = Path(
        "settings.yaml"
    ),
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Say what given settings would cost on a scenario."""
    with _errors_told(debug=debug), _progress() as progress, writing_to(out):
        from optimizer.report.files import write_outcome
        from optimizer.workflows.plan import replay_settings

        account = replay_settings(
            _folder(scenario), settings, time_limit_s=time_limit, progress=progress
        )
        files = write_outcome(account, out) if out else []
        progress("done")
    _show(account, files, as_json=as_json)


@app.command()
def renew(
    scenario: ScenarioArgument = None,
    previous: Annotated[
        Path | None,
        typer.Option(
            "--previous",
            help="Last season's results, or a settings file; else what the history says.",
        ),
    ] = None,
    out: OutOption = Path("renewed"),
    least: Annotated[
        float | None,
        typer.Option("--least", min=0, help="Money that each change must earn a month."),
    ] = None,
    metered: Annotated[
        Path | None,
        typer.Option("--metered", help="What was metered since: told beside what was promised."),
    ] = None,
    accept: Annotated[
        Path | None,
        typer.Option("--accept", help="Keep these results in the history: they are typed in now."),
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Go back to what was in use before the last renewal.")
    ] = False,
    effort: Annotated[
        Effort, typer.Option("--effort", help="How long to search; the same gives the same.")
    ] = "normal",
    as_json: JsonOption = False,
    time_limit: TimeOption = 600.0,
    debug: DebugOption = False,
) -> None:
    """Say what to change about the settings in use; exit code 10 if there is something to change."""
    if accept is not None or undo:
        with _errors_told(debug=debug):
            if accept is not None and undo:
                raise ONE_AT_A_TIME
            if scenario is None:
                raise WHOSE_HISTORY
            _keep_history(scenario, accept, as_json=as_json)
        return
    with _errors_told(debug=debug), _progress() as progress:
        from optimizer.report.files import write_outcome
        from optimizer.workflows.seasons import renew_settings, review_season

        _refuse_odd_renewal(previous, out, least, metered)
        review = None
        with writing_to(out):
            if metered is not None and previous is not None:
                review = review_season(_folder(scenario), previous, metered, progress)
            account = renew_settings(
                _folder(scenario), previous, least_per_month=least, effort=effort,
                time_limit_s=time_limit, progress=progress,
            )  # fmt: skip
            files = write_outcome(account, out)
        progress("done")
    if review is not None and not as_json:
        from optimizer.report.review import review_text

        print(review_text(review), end="\n\n")
    if review is not None and as_json:
        from optimizer.report.record import plan_record
        from optimizer.report.review import review_record

        print(json.dumps(plan_record(account) | {"review": review_record(review)}, indent=2))
    else:
        _show(account, files, as_json=as_json)
    if account.renewal is not None and not account.renewal.is_nothing_to_do:
        raise typer.Exit(SOMETHING_TO_CHANGE)


def _refuse_odd_renewal(
    previous: Path | None, out: Path, least: float | None, metered: Path | None
) -> None:
    if previous is not None and previous.resolve() == out.resolve():
        raise SAME_FOLDER
    if least is not None and not math.isfinite(least):
        raise _endless("--least")
    if metered is not None and previous is None:
        raise MISSING_PROMISE


def _keep_history(scenario: Path, accepted: Path | None, *, as_json: bool) -> None:
    from datetime import date

    from optimizer.report.renewal import changes_back
    from optimizer.workflows.paperwork import accept_results, undo_last

    today = date.today()  # noqa: DTZ011 - the day on a person's calendar
    if accepted is not None:
        path = accept_results(scenario, accepted, today)
        print(json.dumps({"kept": str(path)}) if as_json else f"Kept in the history: {path}")
        return
    path, file = undo_last(scenario, today)
    if as_json:
        print(json.dumps({"undone": str(path)}))
        return
    print(f"Undone in the history: {path}\n{changes_back(file)}")


@app.command()
def review(
    scenario: ScenarioArgument = None,
    previous: Annotated[
        Path, typer.Option("--previous", help="The results of the past season's plan or renewal.")
    ] = Path("out"),
    metered: Annotated[
        Path,
        typer.Option(
            "--metered", help="CSV: import_kwh, export_kwh, pv_kwh, and the load or battery."
        ),
    ] = Path("meter.csv"),
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Hold what was metered against what was promised, and tell why they differ."""
    with _errors_told(debug=debug), _progress() as progress:
        from optimizer.report.review import review_record, review_text
        from optimizer.workflows.seasons import review_season

        result = review_season(_folder(scenario), previous, metered, progress)
        progress("done")
    if as_json:
        print(json.dumps(review_record(result), indent=2))
    else:
        print(review_text(result))


@app.command()
def outage(
    scenario: ScenarioArgument = None,
    settings: Annotated[
        Path | None,
        typer.Option(
            "--settings", help="A settings file, or results; else what the history says is in use."
        ),
    ] = None,
    critical: Annotated[
        bool, typer.Option("--critical", help="Carry the critical loads alone, not the building.")
    ] = False,
    floors: Annotated[
        bool, typer.Option("--floors", help="Say instead what higher floors cost, by season.")
    ] = False,
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
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
    with _errors_told(debug=debug), _progress() as progress, writing_to(out):
        from optimizer.report.outages import outage_record, outage_text, write_outages
        from optimizer.workflows.seasons import study_outages

        brief, in_use, outages = study_outages(
            _folder(scenario), settings, critical_only=critical, progress=progress
        )
        files = write_outages(brief.scenario, in_use, outages, out) if out else []
        progress("done")
    if as_json:
        print(json.dumps(outage_record(outages), indent=2))
    else:
        print(outage_text(brief.scenario, in_use, outages))
        _tell_files(files)


def _price_floors(scenario: Path | None, out: Path | None, *, as_json: bool, debug: bool) -> None:
    with _errors_told(debug=debug), _progress() as progress, writing_to(out):
        from optimizer.report.reserve import floors_record, price_text, write_prices
        from optimizer.workflows.reserve import price_reserve

        brief, curve = price_reserve(_folder(scenario), progress)
        currency = brief.tariff.currency
        files = write_prices(brief.scenario, curve, currency, out) if out else []
        progress("done")
    if as_json:
        print(json.dumps(floors_record(curve), indent=2))
    else:
        print(price_text(brief.scenario, curve, currency))
        _tell_files(files)


@app.command()
def study(
    study: Annotated[
        Path | None,
        typer.Argument(help="A study file, or a folder with study.yaml. Without it: the demo's."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder for the results.")] = Path("study"),
    only_list: Annotated[
        bool, typer.Option("--list", help="Say which cases there are and what they take; do none.")
    ] = False,
    tables: Annotated[
        list[str] | None,
        typer.Option("--table", help="A kind of table: parquet, csv or xlsx; may be given again."),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option("--processes", min=0, max=256, help="Processes here; 0 for this one alone."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option("--cluster", help="Address of a Dask scheduler to work on.")
    ] = None,
    again_failed: Annotated[
        bool, typer.Option("--again-failed", help="Try again what failed before.")
    ] = False,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Value many cases: sizes, tariffs, sites and prices; what was done before is not done again."""
    with _errors_told(debug=debug), _progress() as progress:
        from optimizer.base.documents import is_folder
        from optimizer.report.study_files import list_text, write_study
        from optimizer.report.study_tables import kinds_named, write_tables
        from optimizer.studies.run import list_study, run_study

        path = _folder(study, STUDY_DEMO)
        path = path / STUDY_FILE if is_folder(path) else path
        if only_list:
            extent, cases = list_study(path, processes)
            listed = json.dumps({**extent, "cases": cases}, indent=2)
            print(listed if as_json else list_text(extent, cases))
            return
        kinds = kinds_named(tables or ["parquet"])
        try:
            result = run_study(
                path, out, processes=processes, cluster=cluster, again_failed=again_failed,
                so_far=lambda rows: write_tables(rows, out, kinds), progress=progress,
            )  # fmt: skip
            progress("writing tables and report")
            files = write_study(result, out, kinds)
        except (KeyboardInterrupt, Interrupted):
            raise STUDY_INTERRUPTED from None
        progress("done")
    if as_json:
        from optimizer.report.study_text import study_record

        print(json.dumps(study_record(result), indent=2))
    else:
        from optimizer.report.study_text import study_text

        print(study_text(result))
        _tell_files(files)


@app.command()
def bill(
    meter: Annotated[Path, typer.Argument(help="CSV with time, import_kwh and export_kwh.")],
    tariff: Annotated[str, typer.Option("--tariff", "-t", help="A tariff file or shipped name.")],
    zone: Annotated[str, typer.Option("--zone", help="IANA time zone of the wall clock.")],
    paid: Annotated[
        Path | None, typer.Option("--paid", help="The bill that was paid, to compare line by line.")
    ] = None,
    history: Annotated[
        Path | None,
        typer.Option("--history", help="What went before: past_peaks_kw, banked, peak_so_far_kw."),
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Under each line, what made it, down to the meter.")
    ] = False,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Bill meter data: every line with its quantity, rate and amount, and what made it."""
    with _errors_told(debug=debug):
        if paid is not None:
            _reconcile(meter, tariff, zone, paid, as_json=as_json)
            return
        from optimizer.report.record import bill_record
        from optimizer.report.text import bill_text
        from optimizer.workflows.paperwork import bill_meter

        itemised, notes = bill_meter(meter, tariff, zone, history)
        if as_json:
            print(json.dumps({**bill_record(itemised, with_why=True), "notes": notes}, indent=2))
        else:
            print(bill_text(itemised, f"BILL OF {meter} ON {tariff}", with_why=explain))
            for note in notes:
                print(f"  note: {note}")


def _reconcile(meter: Path, tariff: str, zone: str, paid: Path, *, as_json: bool) -> None:
    from optimizer.report.record import reconciled_record
    from optimizer.report.text import reconciled_text
    from optimizer.workflows.paperwork import reconcile_bill

    compared, notes = reconcile_bill(meter, tariff, zone, paid)
    if as_json:
        print(json.dumps({**reconciled_record(compared), "notes": notes}, indent=2))
        return
    print(reconciled_text(compared))
    for note in notes:
        print(f"  note: {note}")


@app.command()
def read(
    file: Annotated[Path, typer.Argument(help="Green Button (ESPI) XML, or a CSV of intervals.")],
    zone: Annotated[
        str | None, typer.Option("--zone", help="IANA time zone of the meter's clock.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="CSV to write.")] = None,
    point: Annotated[
        str | None, typer.Option("--point", help="Number or name of a usage point or meter.")
    ] = None,
    fill: Annotated[
        Literal["previous-day", "linear"] | None, typer.Option("--fill", help="Fill gaps so.")
    ] = None,
    dates: Annotated[
        Literal["day-first", "month-first", "year-first"] | None,
        typer.Option("--dates", help="Order of the dates of a CSV."),
    ] = None,
    stamps: Annotated[
        Literal["start", "end"] | None,
        typer.Option("--stamps", help="Edge of the interval that a CSV's stamps name."),
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Bring meter data or prices, as they were handed out, into the form that the others read."""
    with _errors_told(debug=debug), _progress() as progress:
        from optimizer.metering.found import Request
        from optimizer.report.reading import next_step, reading_record, reading_text
        from optimizer.workflows.paperwork import read_outside

        request = Request(zone, point, fill, dates, stamps)
        progress(f"reading {file}")
        found = read_outside(file, request, out)
        progress("done")
        if as_json:
            print(json.dumps(reading_record(found, request, out), indent=2))
        else:
            print(reading_text(found))
            print(next_step(found, request, out))


@app.command()
def check(
    what: Annotated[
        Path | None,
        typer.Argument(help="A scenario folder, its scenario.yaml, or a tariff file or name."),
    ] = None,
    as_json: JsonOption = False,
    debug: DebugOption = False,
) -> None:
    """Tell what is wrong or odd in a scenario; of a tariff, also whether its worked bills come out."""
    with _errors_told(debug=debug):
        from optimizer.workflows.paperwork import check_scenario, check_tariff, tariff_named

        if what is not None and (tariff := tariff_named(what)) is not None:
            from optimizer.report.record import worked_record
            from optimizer.report.text import worked_text

            results, remarks = check_tariff(tariff)
            if as_json:
                print(json.dumps(worked_record(results, remarks), indent=2))
            else:
                print(worked_text(results, remarks))
            if not all(figure.is_right for result in results for figure in result.figures):
                raise typer.Exit(2)
            return
        from optimizer.report.fits import fits_record, fits_text

        findings, fits = check_scenario(_folder(what))
        if as_json:
            print(json.dumps({"findings": findings, "fits": fits_record(fits)}, indent=2))
        else:
            print("\n".join(f"  - {finding}" for finding in findings) or "  nothing to remark")
            print(f"\n{fits_text(fits)}")


def _version(wanted: bool) -> None:
    if wanted:
        print(__version__)
        raise typer.Exit


@app.callback()
def _options(
    _version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Hold what all commands share."""


def _folder(given: Path | None, demo: str = FIRST_DEMO) -> Path:
    if given is not None:
        return given
    from optimizer.billing.tariff import shipped_folder

    return shipped_folder("scenarios") / demo


def _show(account: Account, files: list[Path], *, as_json: bool) -> None:
    from optimizer.report.record import plan_json
    from optimizer.report.text import summary

    if as_json:
        print(plan_json(account), end="")
        return
    print(summary(account))
    _tell_files(files)


def _tell_files(files: list[Path]) -> None:
    if files:
        print(f"\nWritten to {files[0].parent}: {', '.join(file.name for file in files)}")


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Give a function that tells on standard error what goes on, and for how long already."""
    begun = time.monotonic()

    def told(text: str) -> None:
        with contextlib.suppress(OSError):  # work does not stop because nobody can be told of it
            print(f"[{time.monotonic() - begun:5.1f} s] {text}", file=sys.stderr, flush=True)

    yield told


@contextmanager
def _errors_told(*, debug: bool) -> Iterator[None]:
    """Turn errors into text and an exit code: 2 bad input, 3 no plan, 4 our own fault."""
    try:
        yield
    except (Interrupted, KeyboardInterrupt) as stop:
        stopped = stop if isinstance(stop, Interrupted) else INTERRUPTED
        print(stopped, file=sys.stderr, flush=True)
        # A cancelled solver leaves threads behind that abort an orderly exit.
        os._exit(stopped.exit_code)
    except OptimizerError as failure:
        if debug:
            raise
        print(failure, file=sys.stderr)
        raise typer.Exit(failure.exit_code) from None


class _Patient(io.FileIO):
    """A stream that keeps its first failure for the end: until then the work goes on."""

    failure: OSError | None = None

    def write(self, data: Any) -> int:
        """Write, or act as if."""
        try:
            return super().write(data)
        except OSError as failure:
            self.failure = self.failure or failure
            return len(data)


PLAIN = {
    "–": "-", "—": "-", "−": "-", "×": "x", "÷": "/", "…": "...", "≥": ">=", "≤": "<=", "→": "->",
    "·": "*", "°": " deg", "€": "EUR", "£": "GBP", "±": "+-", "’": "'", "“": '"', "”": '"',
}  # fmt: skip
"""What stands for signs that a terminal cannot show."""


def _plainly(failure: UnicodeError) -> tuple[str, int]:
    if not isinstance(failure, UnicodeEncodeError):
        raise failure
    found = failure.object[failure.start : failure.end]
    return "".join(PLAIN.get(sign, "?") for sign in found), failure.end


def _ready_streams() -> _Patient:
    """Let printing fail nowhere; return what knows, at the end, whether standard output was written."""
    for _ in range(3):  # a closed one would be taken by the next file that is opened
        handle = os.open(os.devnull, os.O_RDWR)
        if handle > 2:  # not one of the three standard streams
            os.close(handle)
            break
    codecs.register_error("plainly", _plainly)
    patient = [_Patient(number, "w", closefd=False) for number in (1, 2)]
    for name, raw in zip(("stdout", "stderr"), patient, strict=True):
        now = getattr(sys, name)
        encoding = now.encoding if now is not None else "utf-8"
        lines = name == "stderr" or raw.isatty()
        stream = io.TextIOWrapper(io.BufferedWriter(raw), encoding, "plainly", line_buffering=lines)
        setattr(sys, name, stream)
    return patient[0]


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # as Ctrl-C: told, and tidied up
    stdout, ended = _ready_streams(), None
    try:
        app()
    except SystemExit as ending:
        ended = ending.code
    finally:
        # Otherwise half a second goes into looking through all that is about to vanish anyway.
        gc.freeze()
    sys.stdout.flush()
    # Who closes a pipe has read enough; anything else that was not written is told.
    if stdout.failure is not None and stdout.failure.errno != errno.EPIPE:
        print(_untold(stdout.failure), file=sys.stderr)
        ended = InputError.exit_code
    sys.exit(ended)


def _untold(failure: OSError) -> InputError:
    return InputError(
        f"standard output cannot be written: {failure.strerror}",
        where="the command line",
        mend="Check free space where it goes to; files named with --out are not touched by this.",
    )
