"""Next season: what the past one brought by the new meter file, and what to change, to be ticked.

The new file is stored as ``meter_2.csv`` and so on, beside those before, and joins what the load is made
of. What is accepted goes into the history, as ``renew --accept`` does, and its results take the place of
the results before, which are kept as ``results_before_DATE``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.base.errors import Place
from optimizer.base.files import write_file
from optimizer.base.words import language, later, say
from optimizer.page.folder import RESULTS
from optimizer.page.part import Finding, Form, Part, State
from optimizer.page.parts.answer import PLAN, is_at_work, job_shown, reports_in
from optimizer.page.parts.used import LOAD, METER, point_of, with_notes
from optimizer.scenario.scenario import read_scenario
from optimizer.workflows.in_use import FLOWS, accept_results

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.routing import Route

    from optimizer.page.folder import Folder

RENEWED = "renewed"
FILE = "files"
SAVINGS = (
    ("promised_saving", later("promised")),
    ("real_saving_same_tariff", later("saved, at the prices of then")),
    ("real_saving", later("saved, at the prices that held")),
)


class Season(Part):
    """Next season: review and renewal."""

    name = "season"
    title = later("Next season")

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return what the last season brought, and what to change."""
        return {
            **job_shown(folder, self),
            "has_results": (folder.results / FLOWS).is_file(),
            "renewed": None if is_at_work(folder, self) else _renewed(folder),
        }

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Read the new meter file and ask what to change; stop; or keep what was typed in."""
        if form.get("do") == "cancel":
            folder.job.cancel()
            return []
        if form.get("do") == "accept":
            return _accepted(folder, form)
        if folder.job.progress.runs:
            return [Finding("", say("Something is being worked out already."))]
        words = ["renew", str(folder.path), "--previous", str(folder.results), "--out",
                 str(folder.path / RENEWED), "--effort", "quick", "--language", language()]  # fmt: skip
        if form.handed_in():
            name, findings = _metered_since(folder, form)
            if findings:
                return findings
            words += ["--metered", str(folder.path / name)]
        folder.job.start(words, folder.fingerprint(), self.name)
        return []

    def seen(self, folder: Folder) -> str:
        """Return what changes when other changes are advised, or are kept."""
        return folder.fingerprint(f"{RENEWED}/{PLAN}", f"{RESULTS}/{PLAN}")

    def findings(self, folder: Folder) -> list[Finding]:
        """Return nothing: it has no keys of its own."""
        return []

    def routes(self, folder: Folder) -> Sequence[Route]:
        """Return the report of the changes."""
        return reports_in(folder.path / RENEWED)

    def state(self, folder: Folder) -> State:
        """Return whether there is something to change."""
        if is_at_work(folder, self):
            return State("open", say("being worked out"))
        if not (folder.results / FLOWS).is_file():
            return State("open", say("after the answer"))
        renewed = _renewed(folder)
        if renewed is None:
            return State("open", say("when it is time"))
        return State("open", say("changes to type in")) if renewed["changes"] else State(
            "done", say("nothing to change")
        )  # fmt: skip


def _metered_since(folder: Folder, form: Form) -> tuple[str, list[Finding]]:
    """Store a new file of the meter, and let the load be made of it as well."""
    zone = str(folder.at(("zone",)) or "")
    findings: list[Finding] = []
    uploads = [upload for upload in form.handed_in() if upload.field == FILE]
    point = point_of(uploads, FILE, form, zone, findings)
    if point is None:
        return "", [Finding(FILE, finding.what, finding.mend) for finding in findings]
    meters = folder.names_at((*LOAD, "meters"))
    name = next(
        name
        for name in (METER, *(f"meter_{number}.csv" for number in range(2, 1000)))
        if name not in meters and not (folder.path / name).exists()
    )
    write_file(with_notes(point), folder.file(name))
    changes: dict[Place, Any] = {
        (*LOAD, "meters"): [*meters, name],
        (*LOAD, "profile"): None,
        (*LOAD, "kwh_per_year"): None,
        ("forecast", "first"): None,
        ("forecast", "last"): None,
    }
    folder.change(changes)
    return name, []


def _renewed(folder: Folder) -> dict[str, Any] | None:
    """Return what ``renew`` found; None if it was not asked, or not since the results of now."""
    path = folder.path / RENEWED / PLAN
    try:
        record: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        renewal, review = record["renewal"], record["review"]
    except (OSError, ValueError, KeyError):
        return None
    if renewal is None:
        return None
    return {
        "advice": renewal["advice"],
        "changes": [(each["what"], each["saves_per_month"]) for each in renewal["changes"]],
        "currency": record["currency"],
        "review": None if review is None else [(say(words), review[key]) for key, words in SAVINGS],
        "causes": [] if review is None else list(review["causes"].items()),
        "from_to": None if review is None else (review["first"], review["last"]),
    }


def _accepted(folder: Folder, form: Form) -> Sequence[Finding]:
    renewed = _renewed(folder)
    if renewed is None:
        return [Finding("", say("There is nothing to keep."))]
    ticked = {int(each) for each in form.all("change") if each.isdecimal() and len(each) < 4}
    left = [what for at, (what, _) in enumerate(renewed["changes"]) if at not in ticked]
    if left:
        mend = say("Tick each when it is typed in; or leave all as it was, and keep nothing.")
        return [Finding("changes", say("Not ticked: {count}.", count=len(left)), mend)]
    today = date.today()  # noqa: DTZ011 - a person's calendar
    accept_results(read_scenario(folder.path), folder.path / RENEWED, today)
    folder.results.rename(_free(folder.path / f"results_before_{today}"))
    (folder.path / RENEWED).rename(folder.results)
    return []


def _free(path: Path) -> Path:
    """Return the path, or the next that is free."""
    others = (path.with_name(f"{path.name}_{number}") for number in range(2, 1000))
    return next(each for each in (path, *others) if not each.exists())
