"""Opens the port, answers at once, and ends with the command.

What the page needs takes seconds to load. Until then a thread answers that it is being made ready, on the
same socket, with a page that asks again by itself; it reads nothing of what is asked.

Read next: ``guard``.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from pathlib import Path

from optimizer.base.errors import InputError
from optimizer.base.files import lock
from optimizer.page.guard import Guard, Secrets

LOCK = ".page-is-open"
WAY_IN = "open_the_page.html"
WAITING_S = 0.2
BACKLOG = 64
NOT_READY = (
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/html; charset=utf-8\r\nRefresh: 1\r\n"
    b"Retry-After: 1\r\nCache-Control: no-store\r\nReferrer-Policy: same-origin\r\n"
    b"Content-Security-Policy: default-src 'none'; img-src data:\r\nConnection: close\r\n\r\n"
    b'<!doctype html><html lang="en"><meta charset="utf-8"><title>Being made ready</title>'
    b'<meta name="viewport" content="width=device-width"><meta name="color-scheme" content="light dark">'
    b'<link rel="icon" href="data:,"><main><h1>Being made ready</h1>'
    b"<p>The page opens by itself in a few seconds.</p></main></html>\r\n"
)


def opened_port() -> socket.socket:
    """Return a socket that listens on a free port of 127.0.0.1."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.bind(("127.0.0.1", 0))
    listening.listen(BACKLOG)
    return listening


@contextlib.contextmanager
def answered_meanwhile(listening: socket.socket) -> Iterator[None]:
    """Answer whoever asks that the page is being made ready, until the work within is done."""
    ended = threading.Event()

    def answer() -> None:
        while not ended.is_set():
            if not select.select([listening], [], [], WAITING_S)[0]:
                continue
            with contextlib.suppress(OSError):
                asking, _ = listening.accept()
                with asking:
                    asking.settimeout(WAITING_S)
                    with contextlib.suppress(OSError):
                        asking.recv(65_536)
                    asking.sendall(NOT_READY)

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


@contextlib.contextmanager
def alone_on(folder: Path) -> Iterator[None]:
    """Keep a folder for this page.

    Raises
    ------
    InputError
        If another page is open on it, or it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as failure:
        raise InputError(
            f"the folder cannot be written: {failure.strerror}", where=folder,
            mend="Name a folder in which you may write.",
        ) from None  # fmt: skip
    try:
        try:
            lock(handle)
        except OSError:
            raise InputError(
                "a page is open on this folder already", where=folder,
                mend="Its link stands in the terminal where it was started; Ctrl-C ends it there.",
            ) from None  # fmt: skip
        try:
            yield
        finally:
            (folder / LOCK).unlink(missing_ok=True)
    finally:
        os.close(handle)


@contextlib.contextmanager
def shown_in_a_browser(folder: Path, link: str, *, wanted: bool) -> Iterator[None]:
    """Open the link in the person's browser.

    By way of a file that nobody else may read: the words of a command, and so a link handed to a browser,
    can be seen by all users of a machine.
    """
    path = folder.absolute() / WAY_IN
    if wanted:
        text = (
            '<!doctype html><html lang="en"><meta charset="utf-8"><title>tariffwright</title>'
            f'<meta http-equiv="refresh" content="0; url={link}"><p><a href="{link}">tariffwright</a></p>'
            "</html>\n"
        )
        path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
            threading.Thread(target=webbrowser.open, args=[path.as_uri()], daemon=True).start()
    try:
        yield
    finally:
        if wanted:
            path.unlink(missing_ok=True)


def serve(folder: Path, *, browser: bool, tell: Callable[[str], None]) -> None:
    """Serve the page of a folder until the command is ended.

    Parameters
    ----------
    folder : Path
        The scenario's folder; made if it is missing.
    browser : bool
        Whether to open a browser.
    tell : callable
        Is handed the link, once the port answers.

    Raises
    ------
    InputError
        If a page is open on the folder already, or it cannot be written.
    """
    secret = Secrets()
    with contextlib.suppress(KeyboardInterrupt), alone_on(folder), opened_port() as listening:
        port = listening.getsockname()[1]
        link = secret.link(port)
        with shown_in_a_browser(folder, link, wanted=browser):
            with answered_meanwhile(listening):
                tell(link)
                server = _made_ready(folder, port, secret)
            server(listening)


def _made_ready(folder: Path, port: int, secret: Secrets) -> Callable[[socket.socket], None]:
    """Load all that the page needs, and return what serves it; a job ends with it."""
    import uvicorn

    from optimizer.page.folder import Folder
    from optimizer.page.shell import page_app

    opened = Folder(folder)
    config = uvicorn.Config(
        Guard(page_app(opened), port, secret),
        http="h11", ws="none", lifespan="off", access_log=False, log_level="warning",
        server_header=False, timeout_graceful_shutdown=1, timeout_keep_alive=30,
    )  # fmt: skip
    server = uvicorn.Server(config)

    def run(listening: socket.socket) -> None:
        try:
            server.run(sockets=[listening])
        finally:
            opened.close()

    return run
