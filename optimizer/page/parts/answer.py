"""The answer: one button, how far the plan is, and what came out, with the card."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import re
from collections.abc import AsyncIterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import FileResponse, HTMLResponse, Response, StreamingResponse
from starlette.routing import Route

from optimizer.base.documents import read_document
from optimizer.base.errors import InputError, ScenarioError
from optimizer.base.words import language, later, say
from optimizer.page.folder import RESULTS
from optimizer.page.job import Progress
from optimizer.page.part import Finding, Form, Part, State, finding_of
from optimizer.report.card import CardDays, card_of
from optimizer.report.day_drawing import draw_day
from optimizer.report.verified import standing, with_standing
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.check import read_settings
from optimizer.settings.short_text import short_text
from optimizer.site.equipment import Plant

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder

PLAN, SETTINGS, REPORT, REMINDERS = "plan.json", "settings.yaml", "report.html", "reminders.ics"
READ_AS = "scenario_as_read.yaml"
DOWNLOADS = {SETTINGS: "application/yaml", REMINDERS: "text/calendar", PLAN: "application/json"}
EFFORTS = {
    "quick": later("a quick look, less sure"),
    "normal": later("as usual"),
    "thorough": later("thorough, takes several times as long"),
}
LOOK_S = 0.25
"""So often a stream looks whether there is something to tell. [s]"""


class Answer(Part):
    """One button, and the answer."""

    name = "answer"
    title = later("The answer")

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return how far the job is, or what it came to."""
        return {
            **job_shown(folder, self),
            "efforts": EFFORTS,
            "result": _result(folder),
        }

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Start the plan, or cancel it."""
        if form.get("do") == "cancel":
            folder.job.cancel()
            return []
        findings = still_missing(folder)
        if findings:
            return findings
        effort = form.get("effort", "normal")
        words = [
            "plan", str(folder.path), "--out", str(folder.results),
            "--effort", effort if effort in EFFORTS else "normal", "--language", language(),
        ]  # fmt: skip
        if not folder.job.start(words, folder.fingerprint(), self.name):
            return [Finding("", say("A plan is being made already."))]
        return []

    def seen(self, folder: Folder) -> str:
        """Return what changes when there is another answer."""
        return folder.fingerprint(f"{RESULTS}/{PLAN}")

    def findings(self, folder: Folder) -> list[Finding]:
        """Return nothing: what stopped a plan is told beside the part that it belongs to."""
        return []

    def state(self, folder: Folder) -> State:
        """Return whether there is an answer, and whether it is of what stands in the parts now."""
        if is_at_work(folder, self):
            return State("open", say("being worked out"))
        if not (folder.results / PLAN).is_file():
            return State("open", say("not asked yet"))
        if _is_old(folder):
            return State("open", say("of what stood here before"))
        return State("done", say("there"))

    def routes(self, folder: Folder) -> Sequence[Route]:
        """Return progress, report and downloads."""
        return [
            Route("/progress", partial(_progress, folder)),
            *reports_in(folder.results),
            Route("/files/{name}", partial(_file, folder)),
        ]


def still_missing(folder: Folder) -> list[Finding]:
    """Return the parts that must be filled in or mended first."""
    from optimizer.page.registry import PARTS, owner_of  # parts are listed there

    told = [
        Finding("", f"{say(part.title)}: {part.state(folder).words}")
        for part in PARTS
        if part.needed and part.state(folder).kind != "done"
    ]
    known = {finding.what for finding in told}
    rest = [finding_of(error) for error in folder.findings() if owner_of(error.place) is None]
    if not folder.scenario.exists() and not told:
        return [Finding("", say("Nothing is filled in yet."))]
    return told or [each for each in rest if each.what not in known]


def is_at_work(folder: Folder, part: Part) -> bool:
    """Return whether the job that runs was started by a part."""
    return folder.job.progress.runs and folder.job.part == part.name


def job_shown(folder: Folder, part: Part) -> dict[str, Any]:
    """Return what ``job.html`` shows of the last job, if this part started it."""
    job, is_own = folder.job, folder.job.part == part.name
    return {
        "progress": job.progress if is_own else Progress(),
        "progress_words": progress_words(job.progress),
        "other_runs": job.progress.runs and not is_own,
        "stopped": _stopped(folder) if is_own else [],
        "fault": job.fault if is_own else "",
    }


def _stopped(folder: Folder) -> list[dict[str, Any]]:
    """Return what stopped the last plan, each with the part to which it belongs."""
    from optimizer.page.registry import owner_of  # parts are listed there

    if folder.job.of != folder.fingerprint():
        return []
    return [
        {"finding": finding_of(error), "part": owner_of(error.place)} for error in folder.stopped()
    ]


# --- progress --------------------------------------------------------------------------------------


def progress_words(progress: Progress) -> dict[str, str]:
    """Return what is told of a job that runs: what goes on, the best saving so far, time left."""
    left = ""
    if progress.left_s is not None:
        minutes, seconds = divmod(max(5, 5 * round(progress.left_s / 5)), 60)
        left = (
            say("about {minutes} min left", minutes=minutes + (seconds > 30))
            if minutes
            else say("about {seconds} s left", seconds=seconds)
        )
    saved = say("best so far saves {saved}", saved=progress.saved) if progress.saved else ""
    return {
        "what": say(progress.what) if progress.what else "",
        "percent": f"{100 * progress.share:.0f}",
        "saved": saved,
        "left": left,
    }


async def _progress(folder: Folder, request: Request) -> Response:
    """Stream the progress as server-sent events, until the job has ended."""

    async def events() -> AsyncIterator[str]:
        told = None
        while not await request.is_disconnected():
            progress = folder.job.progress
            if not progress.runs:
                yield "event: ended\ndata: {}\n\n"
                return
            now = progress_words(progress)
            if now != told:
                told = now
                yield f"data: {json.dumps(now)}\n\n"
            await asyncio.sleep(LOOK_S)

    return StreamingResponse(events(), media_type="text/event-stream")


# --- what came out ---------------------------------------------------------------------------------


def _is_old(folder: Folder) -> bool:
    """Return whether something in the folder was changed after the answer was made."""
    made = (folder.results / PLAN).stat().st_mtime_ns
    inputs = [*folder.path.glob("*.yaml"), *folder.path.glob("*.csv")]
    return any(path.stat().st_mtime_ns > made for path in inputs)


def _result(folder: Folder) -> dict[str, Any] | None:
    """Return what the answer shows of the results in the folder; None without any that can be read."""
    is_running = folder.job.progress.runs and folder.job.part == Answer.name
    if is_running or not (folder.results / PLAN).is_file():
        return None
    try:
        plan: Mapping[str, Any] = json.loads((folder.results / PLAN).read_text(encoding="utf-8"))
        as_read = folder.results / READ_AS
        scenario = as_read if as_read.is_file() else folder.scenario
        file, _ = read_document(scenario, ScenarioFile, ScenarioError)
        plant = Plant.of(
            file.battery, file.inverter, file.pv, file.connection, file.permissions,
            file.reserve_pct, file.behaviour,
        )  # fmt: skip
        settings = read_settings(folder.results / SETTINGS, file.controls, plant)
        return {
            "verdict": plan["verdict"],
            "expected": plan["expected"],
            "facts": [(say("Site"), plan["scenario"]), (say("Tariff"), plan["tariff"])],
            "invented": _invented_words(file, is_told=plan["invented"]),
            "cautions": plan["cautions"],
            "card": card_of(file.controls, plant, settings, file.writing),
            "draw": lambda part, name: _drawn(part, name, file),
            "short": short_text(settings),
            "estimate": plan.get("estimate") or "",
            "verified": standing(folder.results),
            "is_old": _is_old(folder),
            "has_report": (folder.results / REPORT).is_file(),
            "has_reminders": (folder.results / REMINDERS).is_file(),
        }
    except (InputError, OSError, ValueError, KeyError):
        return None


def _invented_words(file: ScenarioFile, *, is_told: bool) -> str:
    """Return what of the site is invented: it, or the tariff alone; empty if nothing is."""
    if file.invented:
        return say("This site is invented.")
    return say("The tariff is an invented one.") if is_told else ""


def _drawn(part: CardDays, name: str, file: ScenarioFile) -> Markup:
    return Markup(draw_day(part, name, file.writing))


SHEET = re.compile(r'<section class="card sheet.*?</section>', re.DOTALL)


def reports_in(results: Path) -> list[Route]:
    """Return the addresses of the report in a folder of results, and of its handover sheet."""
    return [
        Route("/report", partial(_report, results / REPORT)),
        Route("/sheet", partial(_report, results / REPORT, sheet_alone=True)),
    ]


def _report(path: Path, _request: Request, *, sheet_alone: bool = False) -> Response:
    """Show the finished report, or its handover sheet alone, shut off from the page.

    It brings its own style and script. It runs in a sandbox as a site of its own, with the scripts that
    stand in it alone, and asks for nothing.
    """
    if not path.is_file():
        return Response(say("There is no report yet."), 404, media_type="text/plain")
    text = with_standing(path.read_text(encoding="utf-8"), path.parent)
    if sheet_alone:
        head, sheets = text.partition("<body>")[0], SHEET.findall(text)
        text = f"{head}<body><main>{''.join(sheets)}</main></body></html>\n"
    scripts = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    hashes = " ".join(f"'sha256-{_sha256(script)}'" for script in scripts) or "'none'"
    policy = (
        f"sandbox allow-scripts allow-modals; default-src 'none'; script-src {hashes};"
        " style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none';"
        " frame-ancestors 'none'"
    )
    return HTMLResponse(text, headers={"content-security-policy": policy})


def _sha256(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _file(folder: Folder, request: Request) -> Response:
    """Hand out a file of the results, one of those that are meant for it."""
    name = request.path_params["name"]
    path = Path(folder.results / name) if name in DOWNLOADS else None
    if path is None or not path.is_file():
        return Response(say("There is no such file."), 404, media_type="text/plain")
    return FileResponse(path, media_type=DOWNLOADS[name], filename=name)
