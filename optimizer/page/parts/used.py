"""What was used: files of the meter, in any form that ``read`` takes, or a bill alone.

What is read is stored as ``meter.csv`` beside ``scenario.yaml``, tidy, with what was repaired at its head.
PV that was metered apart becomes ``pv.csv``.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from optimizer.base.errors import InputError, Mistake, Place, SeriesError
from optimizer.base.files import write_file
from optimizer.base.questions import Ambiguous, Nonsense
from optimizer.base.typed_numbers import typed_number
from optimizer.base.units import number
from optimizer.base.words import later, say
from optimizer.base.zones import WORLD, machines_zone
from optimizer.metering.bundles import parts_of
from optimizer.metering.csv_text import read_sheet
from optimizer.metering.found import (
    DATE_ORDERS,
    STAMP_ENDS,
    Point,
    Request,
)
from optimizer.metering.outside import read_all, tidy_csv
from optimizer.page.part import Finding, Form, Part, State, Upload
from optimizer.report.reading import looks_like
from optimizer.report.reading_figure import reading_figures
from optimizer.scenario.draft import SITE
from optimizer.scenario.questions import BEHIND, YIELD
from optimizer.workflows.read import shape_named

if TYPE_CHECKING:
    from starlette.requests import Request as Asked

    from optimizer.page.folder import Folder

METER, PV = "meter.csv", "pv.csv"
NOTE = "# noted: "
LOAD: Place = ("forecast", "load")

FIELDS = {
    "zone": later("Zone of the clock"),
    "heads": later("Names of the columns"),
    "dates": later("Order of dates"),
    "stamps": later("What the times name"),
    "profile": later("Shape of the hours"),
    "point": later("Which meter"),
}
"""What the reader may ask for, by its options, and how the page calls it."""

ZONE, YEAR = SITE.by_name["zone"], SITE.by_name["forecast.load.kwh_per_year"]
PROFILES = SITE.by_name["forecast.load.profile"].choices_after({})

COLUMNS = {
    "time": later("date and time"),
    "date": later("date alone"),
    "clock": later("time of day alone"),
    "import_kwh": later("import, kWh"),
    "export_kwh": later("export, kWh"),
    "pv_kwh": later("PV, kWh"),
    "load_kwh": later("used in the building, kWh"),
    "import_kw": later("import, kW"),
    "other": later("does not matter"),
}
"""What a column without a head may hold, and how it is then called."""

FIRST_ROWS, FIRST_BYTES, MOST_COLUMNS = 4, 20_000, 24
"""What is shown of a table without heads."""

DATES = {
    "day-first": later("day first: 31.12."),
    "month-first": later("month first: 12/31"),
    "year-first": later("year first: 2026-12-31"),
}
STAMPS = {
    "start": later("the beginning of the step"),
    "end": later("the end of the step"),
}
SPANS = {
    "year": (later("a year"), 1.0),
    "two months": (later("two months"), 6.0),
    "month": (later("a month"), 12.0),
}
"""What a bill may be of, and how many of it make a year."""


@dataclass(frozen=True)
class Read:
    """What was read: a sentence, notes on repairs, pictures; ``lacks_pv`` if PV stands behind a net meter."""

    sentence: str
    notes: Sequence[str]
    figures: Sequence[Markup] = ()
    lacks_pv: bool = False


class Used(Part):
    """What was used: load, and PV as far as it was metered."""

    name = "used"
    title = later("What was used")
    owns = (("forecast",), ("zone",), ("other_years",))
    needed = (("zone",), ("forecast",), ("forecast", "load"))

    def view(self, folder: Folder, request: Asked) -> dict[str, Any]:
        """Return what was read, and what can be chosen."""
        read, trouble = self._read(folder)
        return {
            "zone": folder.at(("zone",)) or _own_zone(),
            "zones": ZONE.choices_after({}),
            "read": read,
            "trouble": trouble,
            "load": {
                "kwh_per_year": told_kwh(folder),
                "profile": str(folder.at((*LOAD, "profile"))),
            },
            "is_csv": isinstance(folder.at(("forecast",)), str),
            "fields": FIELDS,
            "profiles": PROFILES,
            "dates": DATES,
            "stamps": STAMPS,
            "spans": {name: words for name, (words, _) in SPANS.items()},
            "columns": COLUMNS,
            "first_rows": lambda: first_rows(folder.kept),
            "kept": [upload.name for upload in folder.kept],
        }

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Read what was handed in, or take the bill; store it, and name it in the scenario."""
        try:
            zone = zone_in(form.get("zone"))
        except Nonsense as nonsense:
            is_named = isinstance(nonsense, Ambiguous)
            mend = "" if is_named else say("Choose one such as Europe/Dublin.")
            return [Finding("zone", str(nonsense), mend)]
        if form.get("way") == "bill":
            return _save_bill(folder, form, zone)
        if form.handed_in():
            folder.keep(form.handed_in())
        if not folder.kept:
            if folder.at(("forecast",)) is not None:
                folder.change({("zone",): zone})
                return []
            mend = say("Choose or drop the meter's file, or say that there is only a bill.")
            return [Finding("files", say("No file was chosen."), mend)]
        return _save_meter(folder, form, zone)

    def state(self, folder: Folder) -> State:
        """Return how far the part is, with what is known in a few words."""
        state = super().state(folder)
        kwh = told_kwh(folder)
        if isinstance(folder.at(("forecast",)), str):
            return state if self.findings(folder) else State("done", say("a forecast of its own"))
        if state.kind == "done" and kwh is not None:
            return State("done", say("{kwh} kWh a year", kwh=f"{kwh:,.0f}"))
        return state

    def _read(self, folder: Folder) -> tuple[Read | None, str]:
        """Return what ``meter.csv`` holds, or why it cannot be read."""
        zone = folder.at(("zone",))
        if not isinstance(zone, str) or folder.names_at((*LOAD, "meters")) != [METER]:
            return None, ""
        try:
            of = folder.fingerprint(METER, PV, "scenario.yaml")
            return folder.remembered("read", of, lambda: _what_was_read(folder, zone)), ""
        except InputError as error:
            return None, f"{error.what} {error.mend}"


def told_kwh(folder: Folder) -> float | None:
    """Return what the scenario says is used in a year, None if nothing that could be. [kWh]"""
    kwh = folder.at((*LOAD, "kwh_per_year"))
    is_number = isinstance(kwh, int | float) and 0 < kwh <= YEAR.high
    return float(kwh) if is_number else None


def _what_was_read(folder: Folder, zone: str) -> Read:
    path = folder.path / METER
    point = read_all([path], Request(zone)).chosen(None)
    sentence, figures = looks_like(point), list(reading_figures(point).values())
    has_pv_apart = bool(folder.names_at((*LOAD, "pv_meters")))
    if has_pv_apart:
        pv = read_all([folder.path / PV], Request(zone)).chosen(None)
        sentence += "; " + looks_like(pv)
        figures += reading_figures(pv).values()
    notes = [
        line.removeprefix(NOTE).strip()
        for line in path.read_text(encoding="utf-8").split("time,", 1)[0].splitlines()
        if line.startswith(NOTE)
    ]
    columns = point.even.columns
    lacks_pv = (
        "export_kwh" in columns
        and float(columns["export_kwh"].sum()) > 0
        and not ({"pv_kwh", "load_kwh"} & set(columns) or has_pv_apart)
    )
    return Read(sentence, notes, [Markup(figure) for figure in figures], lacks_pv)


def _save_meter(folder: Folder, form: Form, zone: str) -> Sequence[Finding]:
    meters = [upload for upload in folder.kept if upload.field == "files"]
    apart = [upload for upload in folder.kept if upload.field == "pv_files"]
    findings: list[Finding] = []
    meter = point_of(meters, "files", form, zone, findings)
    pv = point_of(apart, "pv_files", form, zone, findings) if apart else None
    if meter is not None:
        findings += _refused(meter, pv)
    if findings or meter is None:
        return findings
    write_file(with_notes(meter), folder.file(METER))
    changes: dict[Place, Any] = {
        ("zone",): zone,
        (*LOAD, "meters"): [METER],
        (*LOAD, "pv_meters"): [PV] if pv is not None else None,
        (*LOAD, "profile"): None,
        (*LOAD, "kwh_per_year"): None,
        ("forecast", "first"): None,
    }
    if pv is not None:
        write_file(tidy_csv(pv), folder.file(PV))
    if pv is not None or "pv_kwh" in meter.even.columns:
        changes[("forecast", "pv")] = "metered"
    else:
        _forget_metered_pv(folder, changes, is_net="export_kwh" in meter.even.columns)
    folder.change(changes)
    return []


def _forget_metered_pv(folder: Folder, changes: dict[Place, Any], *, is_net: bool) -> None:
    """Take away what was said of PV by meters that are none of those any more."""
    pv = folder.at(("forecast", "pv"))
    if pv == "metered":
        changes[("forecast", "pv")] = None
    elif isinstance(pv, dict) and not is_net:
        changes |= {tuple(key.split(".")): None for key in (BEHIND, YIELD)}


def point_of(
    uploads: Sequence[Upload], field: str, form: Form, zone: str, findings: list[Finding]
) -> Point | None:
    """Return what files hold; errors of the reader become findings at what would mend them."""
    if not uploads:
        findings.append(Finding(field, say("No file was chosen."), say("Choose the meter's file.")))
        return None
    heads = [head.strip() for head in form.get("heads").split(",") if head.strip()]
    heads = heads or [head for head in form.all("head") if head]
    dates, stamps, profile = form.get("dates"), form.get("stamps"), form.get("profile")
    request = Request(
        zone=zone,
        point=form.get("point") or None,
        dates=dates if dates in DATE_ORDERS else None,
        stamps=stamps if stamps in STAMP_ENDS else None,
        heads=tuple(heads) or None,
        shape=shape_named(profile) if profile in PROFILES else None,
    )
    try:
        found = read_all([upload.path for upload in uploads], request)
        return found.chosen(request.point)
    except SeriesError as error:
        findings.append(_finding_of_reader(error, field, uploads))
        return None


def first_rows(uploads: Sequence[Upload]) -> list[list[str]]:
    """Return the first rows of the first table that was handed in; none if it is no text."""
    try:
        part = next(iter(parts_of(uploads[0].path)))
        with part.open() as source:
            sheet = read_sheet(part.path, source.read(FIRST_BYTES))
    except (InputError, OSError, EOFError, IndexError, StopIteration):
        return []
    rows = [row[:MOST_COLUMNS] for row in sheet.rows[:FIRST_ROWS]]
    return [row for row in rows if len(row) == len(rows[0])]


def _finding_of_reader(error: InputError, field: str, uploads: Sequence[Upload]) -> Finding:
    """Return an error of the reader with the person's names of files, at the field that it asks for."""
    if error.what.startswith("no row of heads") and first_rows(uploads):
        return Finding("heads", say("No names stand above the columns of {file}.", file=uploads[0].name),
                       say("Say below what each column holds."))  # fmt: skip
    told = [error.what, error.where, error.mend]
    for upload in uploads:
        told = [text.replace(str(upload.path), upload.name) for text in told]
    asked = re.search(rf"--({'|'.join(FIELDS)})\b", f"{error.mend} {error.where}")
    what, where, mend = (
        re.sub(rf"--({'|'.join(FIELDS)})\b", lambda found: f"“{say(FIELDS[found[1]])}”", text)
        for text in told
    )
    return Finding(asked[1] if asked else field, f"{what} ({where}).", mend)


def _refused(meter: Point, pv: Point | None) -> list[Finding]:
    """Return why what was read makes no load, if it does not."""
    columns = set(meter.even.columns)
    if any(name.startswith("price") for name in columns):
        return [Finding("files", say("This file holds prices, not what was used."),
                        say("Give the meter's file here; prices belong to what it costs."))]  # fmt: skip
    if not columns & {"import_kwh", "load_kwh"}:
        return [Finding("files", say("This file holds PV or export alone, not what was used."),
                        say("Give the file with the import here, and this one below as PV."))]  # fmt: skip
    if pv is not None and "pv_kwh" not in pv.even.columns:
        return [Finding("pv_files", say("This file has no column of PV."),
                        say("Name its columns: time, pv_kwh."))]  # fmt: skip
    return []


def with_notes(point: Point) -> str:
    """Return what was read as a tidy CSV, with what was noted at its head."""
    notes = [" ".join(note.split()) for note in point.notes]
    return "".join(f"{NOTE}{note}\n" for note in notes) + tidy_csv(point)


def _save_bill(folder: Folder, form: Form, zone: str) -> Sequence[Finding]:
    span, profile = form.get("span", "year"), form.get("bill_profile", "H0")
    times = SPANS.get(span, SPANS["year"])[1]
    assert YEAR.usual is not None
    low, high = YEAR.usual
    try:
        kwh = typed_number(form.get("kwh"), (low / times, high / times))
    except Mistake as mistake:
        return [Finding("kwh", f"{mistake.what}.", mistake.mend)]
    if not 0 < kwh * times <= YEAR.high:
        told = say("{kwh} kWh cannot be what was used.", kwh=number(kwh, 6))
        return [Finding("kwh", told, say("Take the kWh from the bill, such as 3500."))]
    today = date.today()  # noqa: DTZ011 - the day at the desk
    changes: dict[Place, Any] = {
        ("zone",): zone,
        LOAD: {
            "profile": profile if profile in PROFILES else "H0",
            "kwh_per_year": round(kwh * times, 3),
        },
        ("forecast", "first"): folder.at(("forecast", "first")) or _next_month(today),
    }
    _forget_metered_pv(folder, changes, is_net=False)
    folder.change(changes)
    return []


def _next_month(day: date) -> date:
    return date(day.year + day.month // 12, day.month % 12 + 1, 1)


def zone_in(text: str) -> str:
    """Return the zone of that name, or of the city or country of that name.

    Raises
    ------
    Nonsense
        If there is none, or more than one.
    """
    is_zone = text in zoneinfo.available_timezones()
    return text if is_zone else str(ZONE.read(text, {}))


def _own_zone() -> str:
    """Return the zone of this machine's clock; empty if it tells none that is anybody's at home."""
    zone = machines_zone()
    return "" if zone == WORLD else zone
