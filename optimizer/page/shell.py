"""The page put together: its addresses, the list of parts, saving, the language that is spoken.

Forms work without script: what is sent is saved and leads on by a redirect, or the part is shown again with
what was typed and each mistake at its field.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route

from optimizer.base.errors import InputError
from optimizer.base.words import LANGUAGES, language, say, speaking
from optimizer.page.folder import Folder
from optimizer.page.guard import MAX_BODY_BYTES, App, Receive, Scope, Send
from optimizer.page.part import Finding, Form, Part, Upload, errors_in, finding_of
from optimizer.page.registry import PARTS, owner_of, part_named
from optimizer.page.templates import rendered

STATIC = Path(__file__).with_name("static")
REPORT_STYLE = "report.css"
KINDS = {"page.css": "text/css", REPORT_STYLE: "text/css", "page.js": "text/javascript"}
MAX_FILES, MAX_FIELDS = 40, 2_000
MAX_NAME = 80
LANGUAGE_COOKIE = "language"
YEAR_S = 31_536_000


@dataclass(frozen=True)
class Told:
    """What was wrong with what was just sent, and what had been typed."""

    findings: Sequence[Finding] = ()
    typed: Form = field(default_factory=Form)


def page_app(folder: Folder) -> Starlette:
    """Return the page of a folder, as an ASGI application that stands behind the guard."""
    below: list[BaseRoute] = [
        Mount(f"/{part.name}", routes=more) for part in PARTS if (more := part.routes(folder))
    ]
    routes: list[BaseRoute] = [
        Route("/", partial(_overview, folder)),
        Route("/static/{name}", _static),
        Route("/language", _choose_language, methods=["POST"]),
        *below,
        Route("/{name}", partial(_show, folder)),
        Route("/{name}", partial(_save, folder), methods=["POST"]),
    ]
    return Starlette(
        routes=routes,
        middleware=[Middleware(Speaking)],
        exception_handlers={HTTPException: _not_there, InputError: partial(_told_at_large, folder)},  # type: ignore[dict-item]
    )


class Speaking:
    """Speaks the language that was chosen, or the first one of the browser's that there is."""

    def __init__(self, app: App) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer in the language of the person."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        chosen = request.query_params.get("language") or request.cookies.get(LANGUAGE_COOKIE)
        if chosen not in LANGUAGES:
            chosen = spoken_of(request.headers.get("accept-language", ""))
        with speaking(chosen):
            await self._app(scope, receive, send)


def spoken_of(accepted: str) -> str:
    """Return the language that fits best to the header ``Accept-Language``; English if none does."""
    weighed = []
    for at, entry in enumerate(accepted[:400].split(",")):
        code, _, quality = entry.strip().partition(";q=")
        try:
            weighed.append((-float(quality or 1), at, code.strip().lower().split("-")[0]))
        except ValueError:
            continue
    return next((code for _, _, code in sorted(weighed) if code in LANGUAGES), "en")


def shown(
    folder: Folder, request: Request, template: str, told: Told | None = None, **values: Any
) -> str:
    """Return a page with its frame: the list of parts, the languages, what was wrong."""
    return rendered(
        template,
        home=request.scope["root_path"],
        parts=[(part, say(part.title), part.state(folder)) for part in PARTS],
        languages=LANGUAGES,
        spoken=language(),
        path=request.url.path,
        folder_name=folder.path.name,
        findings=told.findings if told else (),
        typed=told.typed if told else Form(),
        is_saved="saved" in request.query_params,
        **values,
    )


def _overview(folder: Folder, request: Request) -> Response:
    return HTMLResponse(shown(folder, request, "overview.html", part=None))


async def _show(folder: Folder, request: Request) -> Response:
    part = _part_of(request)
    return HTMLResponse(await run_in_threadpool(_page_of, folder, request, part))


def _page_of(folder: Folder, request: Request, part: Part, told: Told | None = None) -> str:
    told = told or Told(part.findings(folder))
    view = part.view(folder, request)
    following = _after(part)
    return shown(
        folder, request, f"{part.name}.html", told,
        part=part, title=say(part.title), following=following, seen=part.seen(folder), **view,
    )  # fmt: skip


def _part_of(request: Request) -> Part:
    part = part_named(request.path_params["name"])
    if part is None:
        raise HTTPException(404)
    return part


def _after(part: Part) -> Part | None:
    at = PARTS.index(part) + 1
    return PARTS[at] if at < len(PARTS) else None


async def _save(folder: Folder, request: Request) -> Response:
    part = _part_of(request)
    with tempfile.TemporaryDirectory(prefix="tariffwright-") as place:
        form = await form_of(request, Path(place))
        return await run_in_threadpool(_saved, folder, request, part, form)


def _saved(folder: Folder, request: Request, part: Part, form: Form) -> Response:
    try:
        changed = "seen" in form and form.get("seen") != part.seen(folder)
        findings = [_changed_meanwhile()] if changed else part.save(folder, form)
    except InputError as error:
        findings = [finding_of(each) for each in errors_in(error)]
    if findings:
        page = _page_of(folder, request, part, Told(findings, form))
        return HTMLResponse(page, 422)
    home, following = request.scope["root_path"], _after(part)
    if form.get("then") == "next" and following is not None:
        return RedirectResponse(f"{home}/{following.name}", 303)
    return RedirectResponse(f"{home}/{part.name}?saved", 303)


def _changed_meanwhile() -> Finding:
    return Finding(
        "",
        say("This part was changed meanwhile: in another tab, by someone else, or in the file."),
        say("Below is what you typed. Save again to put it in place of what stands there now."),
    )


async def form_of(request: Request, place: Path) -> Form:
    """Return what was sent; files are laid into a folder under names of our own."""
    limits = {"max_files": MAX_FILES, "max_fields": MAX_FIELDS, "max_part_size": MAX_BODY_BYTES}
    values: dict[str, list[str]] = {}
    files: dict[str, list[Upload]] = {}
    async with request.form(**limits) as sent:
        for name, value in sent.multi_items():
            if not isinstance(value, UploadFile):
                values.setdefault(name, []).append(value)
            elif value.filename:
                path = place / f"file_{sum(map(len, files.values())) + 1}"
                path.write_bytes(await value.read())
                files.setdefault(name, []).append(Upload(harmless(value.filename), path, name))
    return Form(values, files)


def harmless(name: str) -> str:
    """Return a file's name as words: without folders and odd signs, not too long."""
    last = re.split(r"[/\\]", name)[-1]
    shown_name = "".join(sign for sign in last if sign.isprintable()).strip()
    return shown_name[:MAX_NAME] or "file"


async def _choose_language(request: Request) -> Response:
    form = await request.form(max_files=0, max_fields=4)
    home = request.scope["root_path"]
    back = str(form.get("back", ""))
    known = {f"{home}/", *(f"{home}/{part.name}" for part in PARTS)}
    answer = RedirectResponse(back if back in known else f"{home}/", 303)
    chosen = str(form.get("language", ""))
    if chosen in LANGUAGES:
        answer.set_cookie(
            LANGUAGE_COOKIE,
            chosen,
            max_age=YEAR_S,
            path=f"{home}/",
            httponly=True,
            samesite="strict",
        )
    return answer


def _static(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in KINDS:
        raise HTTPException(404)
    if name == REPORT_STYLE:
        style = rendered("style.html").replace("<style>", "").replace("</style>", "")
        return Response(style, media_type=KINDS[name])
    return Response((STATIC / name).read_bytes(), media_type=KINDS[name])


def _not_there(_request: Request, failure: HTTPException) -> Response:
    return Response(f"{failure.detail}\n", failure.status_code, media_type="text/plain")


def _told_at_large(folder: Folder, request: Request, error: InputError) -> Response:
    """Tell an error that no part took: of its owner, if it has one."""
    owner = owner_of(error.place)
    findings = [finding_of(each) for each in errors_in(error)]
    page = shown(folder, request, "overview.html", Told(findings), part=owner)
    return HTMLResponse(page, 422)
