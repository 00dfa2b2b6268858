"""A page that is served for a test, as the command serves it, and a browser that was let in."""

from __future__ import annotations

import re
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from starlette.testclient import TestClient

from optimizer.page.folder import Folder
from optimizer.page.guard import COOKIE, Guard, Secrets
from optimizer.page.shell import page_app

PORT = 4711
OURS = f"http://127.0.0.1:{PORT}"
COMMAND = "import sys; from optimizer.cli.app import main; sys.argv[0] = 'tariffwright'; main()"


@dataclass(frozen=True)
class Served:
    """A running page: its process, its link with the key, its port."""

    process: subprocess.Popen[str]
    link: str
    port: int


@contextmanager
def served(folder: Path, wait_s: float = 60.0) -> Iterator[Served]:
    """Serve the page of a folder by the command, until it is ready; end it afterwards."""
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, "page", str(folder), "--no-browser"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        link = process.stdout.readline().strip()
        found = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/\?key=[\w-]{20,}", link)
        assert found, f"no link: {link!r}"
        _until_ready(link, wait_s)
        yield Served(process, link, int(found[1]))
    finally:
        process.terminate()
        process.wait(20)
        if process.stdout is not None:
            process.stdout.close()


def _until_ready(link: str, wait_s: float) -> None:
    end = time.monotonic() + wait_s
    while True:
        try:
            with urllib.request.urlopen(link, timeout=5) as answer:
                assert answer.status == 200
                return
        except urllib.error.HTTPError as failure:
            if failure.code != 503:
                raise
        assert time.monotonic() < end, "the page was not ready in time"
        time.sleep(0.1)


@dataclass(frozen=True)
class Asked:
    """A page without a port, asked straight: the client sends what a browser in the room would."""

    client: TestClient
    secret: Secrets

    @property
    def room(self) -> str:
        """The path of the room."""
        return f"/{self.secret.room}"

    def headers(self, **changed: str | None) -> dict[str, str]:
        """Return what a browser sends with a form, with changes; None leaves one out."""
        sent = {
            "host": f"127.0.0.1:{PORT}", "origin": OURS, "sec-fetch-site": "same-origin",
            "cookie": f"{COOKIE}={self.secret.cookie}", "accept-language": "en",
        }  # fmt: skip
        sent |= {name.replace("_", "-"): value for name, value in changed.items() if value}
        return {name: value for name, value in sent.items() if changed.get(name.replace("-", "_"), "") is not None}  # fmt: skip


def asked(folder: Path) -> Asked:
    """Return the page of a folder behind its guard."""
    secret = Secrets()
    guard = Guard(page_app(Folder(folder)), PORT, secret)
    return Asked(TestClient(guard, base_url=OURS, follow_redirects=False), secret)
