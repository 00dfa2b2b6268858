"""Lets nobody in but the person who started the page, with a browser, on this machine.

A page on loopback is open to every program of the machine and, through the browser, to every site that
is open beside it. So, in this order:

1. ``Host`` is ours by name and port: a foreign name that was made to lead here gets 421.
2. ``Origin``, where it is sent, is ours; what changes something must send it. ``Sec-Fetch-Site`` is ``none``
   or ``same-origin``. Cookies do not tell ports apart, so this is what keeps forgeries out.
3. Only GET, HEAD and POST; what is sent says beforehand how long it is, and is not read if too long.
4. The key of the printed link is handed out once as a cookie that no script reads, and leaves the address.

A cookie is also sent to other ports of the same host, so where several people share a machine, another
one's server could have it as soon as the browser looks there. Hence all lies in a *room*, a path that nobody
can guess, and the cookie belongs to that path alone: a browser sends it nowhere else. Whoever wants in needs
room and cookie. The room is seen in the address bar, the cookie never.

Read next: ``shell``.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BODY_BYTES = 64_000_000
"""More is not read: a year of minutes as CSV has 20 MB."""

COOKIE = "tariffwright"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    # Not no-referrer: a plain form would then come with "Origin: null".
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""Added to each answer that does not say otherwise."""


@dataclass(frozen=True)
class Secrets:
    """What only the person who started the page has: the key of the link, the room, the cookie."""

    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    room: str = field(default_factory=lambda: secrets.token_urlsafe(12))
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    def link(self, port: int) -> str:
        """Return the link that lets a browser in."""
        return f"http://127.0.0.1:{port}/?key={self.key}"


class Refused(Exception):
    """A request that is not answered, with the status and words that say so."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


STRANGER = "Open the link that the command printed in its terminal.\n"


class Guard:
    """Stands before the page; the page sees paths without the room.

    Parameters
    ----------
    app : ASGI application
        The page.
    port : int
        On which it is served.
    secret : Secrets
        Key, room and cookie.
    """

    def __init__(self, app: App, port: int, secret: Secrets) -> None:
        self._app, self._secret = app, secret
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return
        try:
            headers = _headers(scope)
            self._refuse_other_names(headers)
            if self._has_key(scope):
                await self._let_in(scope, headers, send)
                return
            self._refuse_other_origins(scope, headers)
            inner = self._inside(scope, headers)
            length = _length(scope, headers)
        except Refused as refused:
            await _answer(send, refused.status, refused.words)
            return
        await self._app(inner, _bounded(receive, length), _with_headers(send))

    def _refuse_other_names(self, headers: dict[str, list[str]]) -> None:
        hosts = headers.get("host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            raise Refused(421, "This page answers to 127.0.0.1 and its port alone.\n")

    def _refuse_other_origins(self, scope: Scope, headers: dict[str, list[str]]) -> None:
        ours = f"http://{headers['host'][0].lower()}"
        origins = headers.get("origin", [])
        if any(origin.lower() != ours for origin in origins):
            raise Refused(403, "Another page asked for this.\n")
        if scope["method"] not in ("GET", "HEAD") and not origins:
            raise Refused(403, "What changes something must say where it comes from.\n")
        if any(site not in ("none", "same-origin") for site in headers.get("sec-fetch-site", [])):
            raise Refused(403, "Another page asked for this.\n")

    def _inside(self, scope: Scope, headers: dict[str, list[str]]) -> Scope:
        """Return the request as the page sees it; refuse whoever lacks room or cookie."""
        room = f"/{self._secret.room}"
        path = str(scope["path"])
        first, is_in_room = path[: len(room)], path[len(room) : len(room) + 1] == "/"
        has_room = hmac.compare_digest(first.encode(), room.encode()) and is_in_room
        given = _cookie(headers)
        if not has_room or not hmac.compare_digest(given.encode(), self._secret.cookie.encode()):
            raise Refused(403, STRANGER)
        return {**scope, "root_path": room}

    def _has_key(self, scope: Scope) -> bool:
        if scope["path"] != "/" or scope["method"] != "GET":
            return False
        try:
            given = parse_qs(scope["query_string"].decode("ascii"), max_num_fields=4).get("key", [])
        except ValueError:
            return False
        return len(given) == 1 and hmac.compare_digest(given[0].encode(), self._secret.key.encode())

    async def _let_in(self, scope: Scope, headers: dict[str, list[str]], send: Send) -> None:
        """Hand out the cookie and lead into the room.

        The link may be followed from a file or another program, which browsers call another site. A
        redirect would still count as theirs and come without a strict cookie; a page that leads on is ours.
        """
        room = f"/{self._secret.room}/"
        cookie = f"{COOKIE}={self._secret.cookie}; Path={room}; HttpOnly; SameSite=Strict"
        text = (
            f'<!doctype html><html lang="en"><meta charset="utf-8"><title>tariffwright</title>'
            f'<link rel="icon" href="data:,"><p><a href="{room}">tariffwright</a></p></html>\n'
        )
        more = [("set-cookie", cookie), ("refresh", f"0; url={room}")]
        await _answer(send, 200, text, "text/html; charset=utf-8", more)


def _headers(scope: Scope) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return found


def _cookie(headers: dict[str, list[str]]) -> str:
    try:
        jar = SimpleCookie("; ".join(headers.get("cookie", [])))
    except CookieError:
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""


def _length(scope: Scope, headers: dict[str, list[str]]) -> int:
    """Return how many bytes are sent; refuse what does not say so, or too many, before they are read."""
    if scope["method"] in ("GET", "HEAD"):
        return 0
    if scope["method"] != "POST":
        raise Refused(405, "Only GET, HEAD and POST are answered.\n")
    told = headers.get("content-length", [])
    if len(told) != 1 or not told[0].isdecimal():
        raise Refused(411, "The length of what is sent must be told.\n")
    if int(told[0][:20]) > MAX_BODY_BYTES:
        most = MAX_BODY_BYTES // 1_000_000
        raise Refused(413, f"More than {most} MB are not read. Give fewer or shorter files.\n")
    return int(told[0])


def _bounded(receive: Receive, length: int) -> Receive:
    """Return what receives as many bytes as were told, and no more."""
    left = length

    async def received() -> Message:
        nonlocal left
        message = await receive()
        if message["type"] == "http.request":
            left -= len(message.get("body", b""))
            if left < 0:
                return {"type": "http.disconnect"}
        return message

    return received


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message.get("headers", [])}
            more = [
                (name.encode(), value.encode())
                for name, value in HEADERS.items()
                if name.encode() not in given
            ]
            message = {**message, "headers": [*message.get("headers", []), *more]}
        await send(message)

    return sent


async def _answer(
    send: Send,
    status: int,
    text: str,
    kind: str = "text/plain; charset=utf-8",
    more: list[tuple[str, str]] | None = None,
) -> None:
    """Answer without looking at what else was sent, and close."""
    body = text.encode()
    pairs = [
        *HEADERS.items(), ("content-type", kind), ("content-length", str(len(body))),
        ("connection", "close"), *(more or []),
    ]  # fmt: skip
    headers = [(name.encode("latin-1"), value.encode("latin-1")) for name, value in pairs]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
