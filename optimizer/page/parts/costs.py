"""What it costs: rates typed row by row, a shipped tariff, or a file; and a bill beside the paid one.

What is typed becomes ``tariff.yaml`` beside ``scenario.yaml``; a paid bill becomes ``paid.yaml``, as
``bill --paid`` reads it. A tariff file that rows would write otherwise is kept as ``tariff.before.yaml``.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.base.documents import is_file
from optimizer.base.errors import InputError, Mistake
from optimizer.base.files import write_file
from optimizer.base.typed_numbers import typed_number
from optimizer.base.words import language, later, say
from optimizer.base.writing import PLAIN
from optimizer.base.yaml_text import typed_yaml
from optimizer.billing.open_tariffs.combined import listed
from optimizer.billing.rate_rows import (
    OTHER_UNITS,
    RateSheet,
    ReadSheet,
    read_sheet,
    rows_of,
    tariff_of,
    tariff_yaml,
)
from optimizer.billing.rate_week import gaps_of, open_nights, rate_weeks
from optimizer.billing.rate_words import DAY_CHOICES, days_said
from optimizer.billing.reconcile import PaidBill, PaidLine, read_paid_bill
from optimizer.billing.tariff import (
    Tariff,
    find_tariff,
    is_tariff_text,
    read_tariff,
    remarks_over_a_year,
    shipped_tariffs,
)
from optimizer.metering.meter_csv import read_meter
from optimizer.page.part import Finding, Form, Part, State, errors_in, field_of
from optimizer.page.parts.used import METER, PROFILES, told_kwh
from optimizer.page.rate_form import EMPTY, changed, is_sheet, sheet_of
from optimizer.report.rates_week import rates_painted
from optimizer.report.tariff_week import PaintedWeek, weeks_painted
from optimizer.workflows.rates import (
    DaysBill,
    bill_of_made_up_year,
    bill_of_meter,
    price_by_hour,
)
from optimizer.workflows.read_tariff import list_open_tariffs, read_open_tariff

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

    from optimizer.page.folder import Folder

TARIFF, BEFORE, PAID = "tariff.yaml", "tariff.before.yaml", "paid.yaml"
OPEN_FORMS = ("open_tariff.json", "open_tariff.yaml")
SCRIPT = Path(__file__).parent.parent / "static" / "costs.js"
A_YEAR = 2026
"""The year of the made-up bill and of the painted week of tariffs that rows cannot hold."""


@dataclass(frozen=True)
class Chosen:
    """The tariff that the scenario names, as far as it can be read; no ``sheet`` if rows cannot hold it."""

    name: str = ""
    path: Path | None = None
    tariff: Tariff | None = None
    sheet: RateSheet | None = None
    why_no_rows: Sequence[str] = ()
    trouble: Sequence[Finding] = ()

    @property
    def is_own(self) -> bool:
        """Whether its file lies in the folder."""
        return self.path is not None and self.path.name == TARIFF


class Costs(Part):
    """What it costs: tariff, painted week, worked bill."""

    name = "costs"
    title = later("What it costs")
    owns = (("tariff",),)
    needed = (("tariff",),)

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return the chosen tariff, the shipped ones, and what looks at the rows as typed."""
        chosen = _chosen(folder)
        name = request.query_params.get("see", "")
        return {
            "chosen": chosen,
            "look": lambda typed: _look(_sheet_to_show(chosen, typed)),
            "painted_of": _painted,
            "shipped": _shipped(),
            "looked_at": _looked_at(folder, name) if name in shipped_tariffs() else None,
            "worked": lambda: _worked(folder, chosen),
            "offers": _offers(folder),
            "has_before": (folder.path / BEFORE).exists(),
            "day_choices": [(", ".join(days), days_said(days)) for days in DAY_CHOICES],
            "other_units": OTHER_UNITS,
        }

    def findings(self, folder: Folder) -> list[Finding]:
        """Return what is wrong with the tariff that the scenario names."""
        if folder.at(("tariff",)) is None:
            return []
        names = ("scenario.yaml", TARIFF)
        of = f"{language()} {folder.fingerprint(*names)}"
        return folder.remembered("tariff findings", of, lambda: _wrong_with(_chosen(folder)))

    def seen(self, folder: Folder) -> str:
        """Return a sign of the tariff, and of its file where that lies in the folder."""
        return f"{super().seen(folder)} {folder.fingerprint(TARIFF)}"

    def state(self, folder: Folder) -> State:
        """Return how far the part is, with the name of the tariff."""
        state = super().state(folder)
        chosen = _chosen(folder)
        if state.kind == "done" and chosen.tariff is not None:
            return State("done", chosen.tariff.name)
        return state

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Save rows, a choice, a file or a paid bill."""
        action, _, name = form.get("do").partition(" ")
        if action in ("use", "change") and name in shipped_tariffs():
            return _take_shipped(folder, name, to_change=action == "change")
        if action == "upload":
            return _take_file(folder, form)
        if action == "take":
            return _take_open(folder, form.all("offer"), form.get("fuse"))
        if action == "paid":
            return _keep_paid(folder, form)
        if action == "forget":
            (folder.path / PAID).unlink(missing_ok=True)
            return []
        return _save_rows(folder, form)

    def routes(self, folder: Folder) -> Sequence[Route]:
        """Return where rows are added and removed, where typing is looked at, and the script."""
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse
        from starlette.routing import Route

        from optimizer.page.shell import form_of

        async def rows(request: Request) -> Response:
            if request.method == "GET":  # loaded again by its address
                return RedirectResponse(f"{request.scope['app_root_path']}/{self.name}", 303)
            form = await _form(request, form_of)
            return HTMLResponse(await run_in_threadpool(self._with_rows, folder, request, form))

        async def look(request: Request) -> Response:
            form = await _form(request, form_of)
            return JSONResponse(await run_in_threadpool(_while_typing, form))

        def script(_request: Request) -> Response:
            return FileResponse(SCRIPT, media_type="text/javascript")

        return [
            Route("/rows", rows, methods=["GET", "POST"]),
            Route("/look", look, methods=["POST"]),
            Route("/costs.js", script),
        ]

    def _with_rows(self, folder: Folder, request: Request, form: Form) -> str:
        from starlette.requests import Request as Asked

        from optimizer.page.registry import PARTS
        from optimizer.page.shell import Told, shown

        home = request.scope[
            "app_root_path"
        ]  # addresses are those of the part, not of what lies below it
        request = Asked({**request.scope, "root_path": home, "path": f"{home}/{self.name}"})
        at = PARTS.index(self) + 1
        return shown(
            folder, request, "costs.html", Told((), form), part=self, title=say(self.title),
            following=PARTS[at] if at < len(PARTS) else None,
            seen=form.get("seen") or self.seen(folder), **self.view(folder, request),
        )  # fmt: skip


async def _form(request: Request, form_of: Any) -> Form:
    with tempfile.TemporaryDirectory(prefix="tariffwright-") as place:
        form: Form = await form_of(request, Path(place))
    return form


# --- the tariff that is chosen ---------------------------------------------------------------------


def _chosen(folder: Folder) -> Chosen:
    name = folder.at(("tariff",))
    if not isinstance(name, str):
        return Chosen()
    of = f"{name} {folder.fingerprint('scenario.yaml', TARIFF)}"
    return folder.remembered("chosen tariff", of, lambda: _read_chosen(folder, name))


def _read_chosen(folder: Folder, name: str) -> Chosen:
    path = None
    try:
        path = find_tariff(name, folder.path, "scenario.yaml")
        tariff = read_tariff(path)
    except InputError as error:
        found = [Finding("", each.what, each.mend) for each in errors_in(error)]
        return Chosen(name, path, trouble=found)
    sheet, why = rows_of(tariff.file)
    return Chosen(name, path, tariff, sheet, why)


def _wrong_with(chosen: Chosen) -> list[Finding]:
    if chosen.tariff is None:
        return list(chosen.trouble)
    if chosen.sheet is not None:
        read = read_sheet(chosen.sheet)
        tariff_of(read)
        told = [_finding(each) for each in (*read.findings, *_gaps(read))]
        if told:
            return told
    try:
        remarks_over_a_year(chosen.tariff)
    except InputError as error:
        return [Finding("", each.what, each.mend) for each in errors_in(error)]
    return []


def _gaps(read: ReadSheet) -> list[Mistake]:
    gaps: list[Mistake] = []
    for table in ("energy", "export"):
        rows = getattr(read, table)
        rest = getattr(read.sheet, table).rest_price.strip()
        if not rows and (rest or table == "export"):
            continue
        weeks = rate_weeks(rows, has_rest=bool(rest), has_holidays=read.holidays.any())
        gaps += gaps_of(weeks, table)
    return gaps


def _finding(mistake: Mistake) -> Finding:
    what = mistake.what[:1].upper() + mistake.what[1:]
    return Finding(field_of(mistake.place), f"{what.rstrip('.')}.", mistake.mend)


# --- the rows as typed -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Look:
    """A sheet as typed: its week, what is open in it by field, and what was taken as something else."""

    sheet: RateSheet
    painted: Sequence[PaintedWeek]
    findings: Sequence[Finding]
    gaps: Sequence[Finding]
    notes: Sequence[Finding]

    def nights(self) -> set[str]:
        """Return the fields that ask which night is meant."""
        return {note.field for note in self.notes if note.field.endswith(".night")}


def _sheet_to_show(chosen: Chosen, typed: Form) -> RateSheet:
    if is_sheet(typed):
        return changed(sheet_of(typed), typed.get("do"))
    return chosen.sheet or EMPTY


def _look(sheet: RateSheet) -> Look:
    read = read_sheet(sheet)
    nights = list(open_nights(read))
    gaps = _gaps(read) if read.energy or sheet.energy.rest_price.strip() else []
    rest = _number_or_none(sheet.energy.rest_price)
    painted = rates_painted(read, rest) if read.energy or rest is not None else []
    tariff_of(read)
    notes = [_finding(note) for note in (*nights, *read.remarks)]
    findings = [_finding(each) for each in read.findings]
    return Look(sheet, painted, findings, [_finding(gap) for gap in gaps], notes)


def _number_or_none(text: str) -> float | None:
    try:
        return typed_number(text) if text.strip() else None
    except Mistake:
        return None


def _while_typing(form: Form) -> dict[str, Any]:
    """Return the painted week, and what is wrong with what was typed so far; nothing of what is missing."""
    from optimizer.page.templates import rendered

    look = _look(sheet_of(form))
    wrong = [*look.findings, *look.gaps]
    return {
        "painted": rendered("costs_week.html", look=look),
        "wrong": {each.field: f"{each.what} {each.mend}" for each in wrong if form.get(each.field)},
        "told": " ".join(gap.what for gap in look.gaps),
        "noted": {each.field: f"{each.what} {each.mend}".strip() for each in look.notes},
    }


def _save_rows(folder: Folder, form: Form) -> list[Finding]:
    sheet = sheet_of(form)
    read = read_sheet(sheet)
    tariff = tariff_of(read)
    if tariff is None:
        return [_finding(each) for each in read.findings]
    _write_tariff(folder, tariff_yaml(tariff))
    return []


def _write_tariff(folder: Folder, text: str) -> None:
    """Write the tariff; one that rows did not write is kept beside it."""
    place = folder.file(TARIFF)
    if is_file(place) and not _is_of_rows(place):
        write_file(place.read_bytes(), folder.file(BEFORE))
    write_file(text, place)
    folder.change({("tariff",): TARIFF})


def _is_of_rows(place: Path) -> bool:
    """Return whether a file is what its rows would write, so that writing them loses nothing."""
    try:
        sheet, _ = rows_of(read_tariff(place).file)
    except InputError:
        return False
    made = tariff_of(read_sheet(sheet)) if sheet is not None else None
    return made is not None and tariff_yaml(made) == place.read_text(encoding="utf-8")


# --- shipped tariffs and files ---------------------------------------------------------------------


@dataclass(frozen=True)
class Shipped:
    """A shipped tariff: what it is, where its figures come from, and whether any utility has it."""

    name: str
    title: str
    about: str
    source: str
    is_invented: bool
    painted: Sequence[PaintedWeek] = ()
    why_no_rows: Sequence[str] = ()


@cache
def _shipped() -> list[tuple[str, str, bool]]:
    """Return name, title and whether it is invented of each shipped tariff, published ones first."""
    found = []
    for name, path in shipped_tariffs().items():
        text = path.read_text(encoding="utf-8")
        title = re.search(r"^tariff: (.+)$", text, re.MULTILINE)
        is_invented = re.search(r"^invented: true$", text, re.MULTILINE) is not None
        found.append((name, title[1].strip("\"'") if title else name, is_invented))
    return sorted(found, key=lambda each: (each[2], each[1]))


def _looked_at(folder: Folder, name: str) -> Shipped:
    path = shipped_tariffs()[name]

    def read() -> Shipped:
        tariff = read_tariff(path)
        file, (_, why) = tariff.file, rows_of(tariff.file)
        return Shipped(
            name, file.tariff, file.about, file.versions[-1].source, file.invented, _painted(tariff), why,
        )  # fmt: skip

    return folder.remembered("tariff looked at", f"{language()} {name}", read)


def _painted(tariff: Tariff) -> Sequence[PaintedWeek]:
    """Return the week of a tariff: by its rows, or by the price of one more kWh where rows cannot hold it."""
    sheet, _ = rows_of(tariff.file)
    if sheet is not None:
        return _look(sheet).painted
    try:
        grid, prices = price_by_hour(tariff, _year_of(tariff))
    except InputError:  # prices from a file that holds another year
        return ()
    return weeks_painted(prices, grid, [], tariff.currency, PLAIN)


def _year_of(tariff: Tariff) -> int:
    """Return a year through which the last version of a tariff holds."""
    first = tariff.file.versions[-1].from_date
    return max(A_YEAR, first.year + (first > date(first.year, 1, 1)))


def _take_shipped(folder: Folder, name: str, *, to_change: bool) -> list[Finding]:
    if not to_change:
        folder.change({("tariff",): name})
        return []
    _write_tariff(folder, shipped_tariffs()[name].read_text(encoding="utf-8"))
    return []


def _take_file(folder: Folder, form: Form) -> list[Finding]:
    uploads = form.files.get("tariff_file", ())
    if not uploads:
        return [Finding("tariff_file", say("No file was chosen."), say("Choose a tariff file."))]
    try:
        text = uploads[0].path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        return [Finding("tariff_file", say("This is no text file."),
                        say("Give a tariff in YAML, or an open tariff in JSON."))]  # fmt: skip
    if is_tariff_text(text):
        try:
            remarks_over_a_year(read_tariff(uploads[0].path))
        except InputError as error:
            return [Finding("tariff_file", _told(each, uploads[0].name), each.mend)
                    for each in errors_in(error)]  # fmt: skip
        _write_tariff(folder, text)
        return []
    kept = OPEN_FORMS[not text.lstrip().startswith(("{", "["))]
    try:
        list_open_tariffs([uploads[0].path])
    except InputError as error:
        return [Finding("tariff_file", each.what, each.mend) for each in errors_in(error)]
    for other in OPEN_FORMS:
        (folder.path / other).unlink(missing_ok=True)
    shutil.copyfile(uploads[0].path, folder.file(kept))
    return _take_open(folder, [], "") if len(_offers(folder)) == 1 else []


def _told(error: InputError, name: str) -> str:
    line = say("line {line}", line=error.line) if error.line else ""
    return f"{', '.join(filter(None, (name, line)))}: {error.what}"


def _open_file(folder: Folder) -> Path | None:
    return next((path for name in OPEN_FORMS if is_file(path := folder.path / name)), None)


def _offers(folder: Folder) -> list[str]:
    """Return what the open tariff in the folder offers, a line each."""
    path = _open_file(folder)
    if path is None:
        return []
    try:
        return listed(list_open_tariffs([path]).chosen.listings)
    except InputError:
        return []


def _take_open(folder: Folder, numbers: Sequence[str], fuse: str) -> list[Finding]:
    path = _open_file(folder)
    if path is None:
        return [Finding("tariff_file", say("No file was chosen."), say("Choose a tariff file."))]
    try:
        fuse_a = typed_number(fuse) if fuse else None
        reading = read_open_tariff([path], numbers, fuse_a)
    except Mistake as mistake:
        return [Finding("fuse", mistake.what, mistake.mend)]
    except InputError as error:
        return [Finding("offer", each.what, say("Choose above, one of each type."))
                for each in errors_in(error)]  # fmt: skip
    _write_tariff(folder, reading.chosen.text)
    return []


# --- the bill --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Worked:
    """A bill of the chosen tariff, of the meter or of a made-up year; or why there is none."""

    bill: DaysBill | None
    is_metered: bool
    trouble: str = ""
    paid: PaidBill | None = None
    profile: str = ""
    kwh: float = 0.0


def _worked(folder: Folder, chosen: Chosen) -> Worked | None:
    if chosen.tariff is None:
        return None
    of = f"{language()} {chosen.name} {folder.fingerprint('scenario.yaml', TARIFF, METER, PAID)}"
    return folder.remembered("worked bill", of, lambda: _work_out(folder, chosen.tariff))


def _work_out(folder: Folder, tariff: Tariff | None) -> Worked:
    assert tariff is not None
    zone, profile = folder.at(("zone",)), str(folder.at(("forecast", "load", "profile")))
    meters = folder.names_at(("forecast", "load", "meters"))
    try:
        if isinstance(zone, str) and meters and is_file(meter := folder.path / meters[0]):
            flows, _ = read_meter(meter, zone)
            paid = read_paid_bill(folder.path / PAID)[0] if is_file(folder.path / PAID) else None
            return Worked(bill_of_meter(tariff, flows, paid, PAID), is_metered=True, paid=paid)
        profile = profile if profile in PROFILES else "H0"  # what is odd is told where it stands
        kwh = told_kwh(folder) or 3500.0
        bill = bill_of_made_up_year(tariff, _year_of(tariff), profile, kwh)
        return Worked(bill, is_metered=False, profile=profile, kwh=kwh)
    except InputError as error:
        first = errors_in(error)[0]
        return Worked(None, is_metered=bool(meters), trouble=f"{first.what}. {first.mend}")


def _keep_paid(folder: Folder, form: Form) -> list[Finding]:
    """Keep what the paper says as ``paid.yaml``: its days, the lines that were typed, its total."""
    findings: list[Finding] = []

    def read(name: str, reader: Any) -> Any:
        try:
            return reader(form.get(name))
        except (Mistake, ValueError) as failure:
            what = failure.what if isinstance(failure, Mistake) else say("This is no date.")
            mend = failure.mend if isinstance(failure, Mistake) else say("Write it as 2026-01-31.")
            findings.append(Finding(name, what, mend))
            return None

    first, last = read("paid.first", date.fromisoformat), read("paid.last", date.fromisoformat)
    total = read("paid.total", typed_number) if form.get("paid.total") else None
    lines = []
    for number in range(200):
        name = f"paid.{number}.amount"
        if form.get(name) and (amount := read(name, typed_number)) is not None:
            lines.append(PaidLine(name=form.get(f"paid.{number}.name"), amount=amount))
    if findings:
        return findings
    try:
        paid = PaidBill(bill=say("the paid bill"), first=first, last=last, lines=lines, total=total)
    except ValueError:
        wrong = "paid.total" if first <= last else "paid.last"
        mend = say("Type an amount, or the total; the last day is not before the first.")
        return [Finding(wrong, say("The paid bill says too little."), mend)]
    text = typed_yaml(paid.model_dump(exclude_defaults=True))
    head = say("What a paid bill said; the program compares its own with it.")
    write_file(f"# {head}\n{text}", folder.file(PAID))
    return []
