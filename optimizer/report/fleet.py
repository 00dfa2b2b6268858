"""A fleet of sites: one table, as text, page and CSV, and one calendar file.

Read next: ``wrapping``.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.base.documents import is_file
from optimizer.base.errors import EXIT_CODES
from optimizer.base.files import write_file
from optimizer.base.units import money, number
from optimizer.report.fleet_site import CHANGE, FAILED
from optimizer.report.shapes import FleetRecord, FleetSiteRecord
from optimizer.report.templates import rendered
from optimizer.report.verified import NOT_YET, marked
from optimizer.report.wrapping import cut, filled, table

if TYPE_CHECKING:
    from icalendar import Event

TABLE, PAGE, REMINDERS = "fleet.csv", "fleet.html", "reminders.ics"

SOMETHING_TO_CHANGE = 10
"""What a fleet ends with where a site needs a change and none failed."""

MOST_NOTES = 3
"""So many notes of a site stand in the terminal; all stand on the page."""

NAME_WIDTH = 24

TITLES = {
    "plan": "WHAT TO TYPE IN", "renew": "WHAT TO CHANGE", "review": "WHAT THE PAST SEASON BROUGHT",
    "check": "WHAT IS WRONG OR ODD", "forecast": "WHAT IS EXPECTED", "tomorrow": "WHICH CARD TO USE",
}  # fmt: skip


def fleet_record(
    job: str, rows: Sequence[FleetSiteRecord], files: Sequence[Path], notes: Sequence[str]
) -> FleetRecord:
    """Return what a fleet came to as a whole."""
    return {
        "job": job, "sites": len(rows),
        "to_change": [row["site"] for row in rows if row["state"] == CHANGE],
        "failed": [row["site"] for row in rows if row["state"] == FAILED],
        "kept": sum(row["is_kept"] for row in rows), "files": [str(file) for file in files],
        "notes": list(notes), "code": code_of(rows),
    }  # fmt: skip


def code_of(rows: Sequence[FleetSiteRecord]) -> int:
    """Return the exit code: the highest of sites that failed, else whether any needs a change."""
    worst = max((row["code"] for row in rows), default=0)
    return worst or SOMETHING_TO_CHANGE * any(row["state"] == CHANGE for row in rows)


def fleet_text(job: str, rows: Sequence[FleetSiteRecord]) -> str:
    """Return the table of a fleet, and below it what to change, notes and failures, site by site."""
    heads = [["site", "to do", "worth", "in eight of ten", "notes"]]
    cells = [
        [
            cut(row["site"], NAME_WIDTH),
            to_do(row),
            worth_text(row),
            spread_text(row),
            notes_text(row),
        ]
        for row in rows
    ]
    lines = [TITLES[job], *table(heads, cells, [NAME_WIDTH, 19, 24, 17, 12])]
    for row in rows:
        lines += ["", f"{row['site']}: {to_do(row)}"]
        lines += [filled(each, "  - ") for each in row["change"]]
        lines += [filled(row["sure"], "  ")] if row["sure"] else []
        more = len(row["notes"]) - MOST_NOTES
        for place, each in enumerate(row["notes"][:MOST_NOTES]):
            lines.append(
                filled(each, f"  {'serious' if place < row['serious'] else 'note'}: ", "    ")
            )
        lines += [f"  and {more} more notes on the page"] if more > 0 else []
        lines += [filled(each, "  ") for each in failure_lines(row)]
    return "\n".join([*lines, "", filled(closing(rows))])


def to_do(row: FleetSiteRecord) -> str:
    """Return in two words what is to be done at a site."""
    if row["state"] == FAILED:
        return "failed"
    if row["state"] != CHANGE:
        return "nothing to change"
    things = len(row["change"])
    return f"{things} {'thing' if things == 1 else 'things'} to do"


def worth_text(row: FleetSiteRecord) -> str:
    """Return what a change is worth, and over what time; empty where that is not told."""
    if row["worth"] is None or row["worth_days"] is None:
        return ""
    return f"{money(row['worth'], row['currency'] or '')} in {number(row['worth_days'], 2)} days"


def spread_text(row: FleetSiteRecord) -> str:
    """Return between what the worth lies in eight of ten years not seen; empty where that is not told."""
    unseen = row["unseen"]
    return "" if unseen is None else f"{money(unseen['p10'])} to {money(unseen['p90'])}"


def notes_text(row: FleetSiteRecord) -> str:
    """Return how many notes there are, and how many of them are serious."""
    serious = f", {row['serious']} serious" if row["serious"] else ""
    return f"{len(row['notes'])}{serious}"


def failure_lines(row: FleetSiteRecord) -> list[str]:
    """Return what failed at a site, where, and how to mend it."""
    error = row["error"]
    if error is None:
        return []
    return [
        line
        for each in error["findings"]
        for line in (f"error: {each['what']}", f"where: {each['where']}", f"mend: {each['mend']}")
    ]


def closing(rows: Sequence[FleetSiteRecord]) -> str:
    """Return how many sites need a change, how many failed, and what the command ends with."""
    record, code = fleet_record("", rows, (), ()), code_of(rows)
    kept = f" {record['kept']} were done before, with the same inputs." if record["kept"] else ""
    return (
        f"{len(rows)} sites: {len(record['to_change'])} with something to change,"
        f" {len(record['failed'])} failed.{kept} Exit code {code}:"
        f" {EXIT_CODES[code] if code != SOMETHING_TO_CHANGE else 'a site needs a change'}."
    )


def write_fleet(
    job: str, rows: Sequence[FleetSiteRecord], out: Path, notes: Sequence[str]
) -> list[Path]:
    """Write table, page and, where there are days to act on, one calendar file for all sites.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {TABLE: fleet_csv(rows), PAGE: fleet_page(job, rows, notes)}
    calendar = fleet_calendar(rows)
    if calendar is not None:
        texts[REMINDERS] = calendar
    return [write_file(text, out / name) for name, text in texts.items()]


COLUMNS = ("site", "state", "change", "worth", "worth_days", "currency", "p10", "p90", "sure", "serious",
           "notes", "card", "code", "error", "folder", "results")  # fmt: skip


def fleet_csv(rows: Sequence[FleetSiteRecord]) -> str:
    """Return the table as CSV, a row for each site; lists stand in a cell, parted by ' | '."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        told = {
            **row, "p10": row["unseen"] and row["unseen"]["p10"],
            "p90": row["unseen"] and row["unseen"]["p90"],
            "change": " | ".join(row["change"]), "notes": " | ".join(row["notes"]),
            "error": " | ".join(failure_lines(row)),
        }  # fmt: skip
        writer.writerow(["" if told[name] is None else _harmless(told[name]) for name in COLUMNS])
    return text.getvalue()


def _harmless(value: object) -> object:
    """Return a cell that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in "=+-@":
        return f"'{value}"
    return value


def fleet_page(job: str, rows: Sequence[FleetSiteRecord], notes: Sequence[str]) -> str:
    """Return the table as a page, with links to the report of each site."""
    shown = [
        {
            "row": row, "to_do": to_do(row), "worth": worth_text(row), "spread": spread_text(row),
            "notes": notes_text(row), "failure": failure_lines(row),
            "link": f"{row['site']}/{report}" if report else "",
        }
        for row in rows
        for report in [_report_of(row)]
    ]  # fmt: skip
    return rendered(
        "fleet_page.html", title=TITLES[job].capitalize(), sites=shown, notes=notes,
        closing=closing(rows), verified=marked(NOT_YET),
    )  # fmt: skip


def _report_of(row: FleetSiteRecord) -> str:
    """Return the name of the report in a site's results; empty if there is none."""
    if row["results"] is None or row["state"] == FAILED:
        return ""
    name = {"forecast": "forecast.html", "review": "review.html"}.get(row["job"], "report.html")
    return name if is_file(Path(row["results"]) / name) else ""


def fleet_calendar(rows: Sequence[FleetSiteRecord]) -> str | None:
    """Return the days on which something is to be done at any site (RFC 5545); None if there are none."""
    from icalendar import Calendar

    whole = Calendar()
    whole.add("prodid", "-//tariffwright//battery settings of a fleet//EN")
    whole.add("version", "2.0")
    for row in rows:
        path = Path(row["results"] or "") / REMINDERS
        if row["job"] in ("plan", "renew") and row["state"] != FAILED and is_file(path):
            for event in Calendar.from_ical(path.read_bytes()).walk("VEVENT"):
                whole.add_component(event)
        elif row["job"] == "tomorrow" and row["state"] == CHANGE:
            whole.add_component(_event_tonight(row))
    return whole.to_ical().decode("utf-8") if whole.subcomponents else None


def _event_tonight(row: FleetSiteRecord) -> Event:
    from icalendar import Event

    event, now = Event(), datetime.now(UTC)
    event.add("uid", f"{now:%Y%m%d}-{row['key']}@tariffwright")
    event.add("dtstamp", now)
    event.add("dtstart", now.astimezone().date())
    event.add("summary", f"Battery of {row['site']}: card {row['card']}")
    event.add("description", "\n".join(row["change"]))
    event.add("transp", "TRANSPARENT")
    return event
