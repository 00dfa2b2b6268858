"""Attacks on the page: nothing is read, nothing is changed.

The rules are those of a page on loopback: key, host, origin, policy, uploads, paths. Each is tried with all
else as it should be, so that a test fails if its own rule is missing.
"""

from __future__ import annotations

import gzip
import io
import socket
import stat
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from optimizer.page.guard import COOKIE, MAX_BODY_BYTES, Secrets
from optimizer.page.server import shown_in_a_browser
from tests.page.serving import OURS, PORT, Asked, asked, served
from tests.report.browsing import started_browser

SECRET_WORD = "Quillmere"
SCENARIO = f"scenario: {SECRET_WORD}\nzone: Europe/Dublin\n"
PORTAL = "time,import_kwh\n" + "".join(
    f"2026-01-{day:02d}T{hour:02d}:00:00+00:00,0.5\n" for day in range(1, 29) for hour in range(24)
)


@pytest.fixture
def page(tmp_path: Path) -> Asked:
    """A page on a folder with a scenario in it, which no attack may read or change."""
    folder = tmp_path / "house"
    folder.mkdir()
    (folder / "scenario.yaml").write_text(SCENARIO, encoding="utf-8")
    return asked(folder)


def files_below(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


BILL = {"zone": "Europe/Paris", "way": "bill", "kwh": "3500", "span": "year"}


def test_what_the_attacks_try_works_from_the_page_itself(page: Asked, tmp_path: Path) -> None:
    sent = page.client.post(f"{page.room}/used", data=BILL, headers=page.headers())
    assert sent.status_code == 303
    assert "Europe/Paris" in (tmp_path / "house/scenario.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("changed", "status"),
    [
        ({"origin": "https://elsewhere.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": f"http://127.0.0.1:{PORT + 1}"}, 403),  # the same site, another port
        ({"origin": f"https://127.0.0.1:{PORT}"}, 403),
        ({"origin": f"http://localhost:{PORT}"}, 403),  # ours, but not the one that was asked
        ({"origin": None}, 403),
        ({"sec_fetch_site": "cross-site"}, 403),
        ({"sec_fetch_site": "same-site"}, 403),
        ({"host": f"elsewhere.example:{PORT}"}, 421),  # a name made to lead here
        ({"host": "127.0.0.1"}, 421),
        ({"host": f"127.0.0.1:{PORT + 1}"}, 421),
        ({"host": f"127.0.0.1.elsewhere.example:{PORT}"}, 421),
        ({"host": f"[::1]:{PORT}"}, 421),
        ({"cookie": None}, 403),
        ({"cookie": f"{COOKIE}=guessed"}, 403),
        ({"cookie": f'{COOKIE}="; {COOKIE}'}, 403),
    ],
    ids=str,
)
def test_a_forged_request_reads_and_changes_nothing(
    changed: dict[str, str | None], status: int, page: Asked, tmp_path: Path
) -> None:
    before = files_below(tmp_path)
    sent = page.client.post(f"{page.room}/used", data=BILL, headers=page.headers(**changed))
    assert sent.status_code == status
    assert files_below(tmp_path) == before
    if changed.get("origin", "") is not None:  # a plain look sends no origin
        looked = page.client.get(f"{page.room}/used", headers=page.headers(**changed))
        assert looked.status_code == status
        assert SECRET_WORD not in looked.text + sent.text
        assert "set-cookie" not in looked.headers


def test_a_name_given_twice_is_refused(page: Asked) -> None:
    headers = [*page.headers().items(), ("host", f"127.0.0.1:{PORT}")]
    assert page.client.get(f"{page.room}/used", headers=headers).status_code in (400, 421)


@pytest.mark.parametrize("path", ["/used", "/", "/static/page.css", "/guessed/used", "//used"])
def test_the_cookie_without_the_room_opens_nothing(path: str, page: Asked) -> None:
    assert page.client.get(f"{OURS}{path}", headers=page.headers()).status_code == 403


@pytest.mark.parametrize("query", ["", "?key=", "?key=guessed", "?key=a&key=b", "?key=%ff%fe"])
def test_without_the_key_nobody_is_let_in(query: str, page: Asked) -> None:
    told = page.client.get(f"/{query}", headers=page.headers(cookie=None))
    assert told.status_code == 403
    assert page.secret.room not in told.text + str(told.headers)


def test_the_key_becomes_a_cookie_of_the_room_and_leaves_the_address(page: Asked) -> None:
    headers = page.headers(cookie=None, origin=None, sec_fetch_site="cross-site")
    told = page.client.get(f"/?key={page.secret.key}", headers=headers)
    cookie = told.headers["set-cookie"]
    assert told.headers["refresh"] == f"0; url={page.room}/"
    assert f"Path={page.room}/" in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert page.secret.key not in told.text + str(told.headers)


def test_the_key_opens_nothing_under_another_name(page: Asked) -> None:
    headers = page.headers(cookie=None, host=f"elsewhere.example:{PORT}")
    assert page.client.get(f"/?key={page.secret.key}", headers=headers).status_code == 421


def test_every_answer_carries_the_policy(page: Asked) -> None:
    for path in (f"{page.room}/", f"{page.room}/static/page.css", f"{page.room}/nothing", "/"):
        told = page.client.get(path, headers=page.headers())
        policy = told.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert told.headers["referrer-policy"] == "same-origin"
        assert told.headers["x-content-type-options"] == "nosniff"


def test_templates_bring_no_style_or_script_of_their_own(page: Asked) -> None:
    for name in ("", "used", "answer"):
        text = page.client.get(f"{page.room}/{name}", headers=page.headers()).text
        assert " style=" not in text
        assert "<style" not in text
        assert " onclick=" not in text
        assert text.count("<script") == text.count("<script src=") == 1


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_are_refused(method: str, page: Asked, tmp_path: Path) -> None:
    before = files_below(tmp_path)
    told = page.client.request(method, f"{page.room}/used", headers=page.headers())
    assert told.status_code == 405
    assert files_below(tmp_path) == before


def test_a_look_never_changes_anything(page: Asked, tmp_path: Path) -> None:
    before = files_below(tmp_path)
    page.client.get(f"{page.room}/used", params=BILL, headers=page.headers())
    page.client.get(f"{page.room}/answer", params={"do": "start"}, headers=page.headers())
    assert files_below(tmp_path) == before


# --- uploads ---------------------------------------------------------------------------------------


def _uploaded(page: Asked, name: str, content: bytes, **more: str) -> tuple[int, str]:
    answer = page.client.post(
        f"{page.room}/used",
        data={"zone": "Europe/Dublin", "way": "meter", **more},
        files={"files": (name, content, "text/csv")},
        headers=page.headers(),
    )
    return answer.status_code, answer.text


@pytest.mark.parametrize(
    "name",
    [
        "../../scenario.yaml", "..\\..\\scenario.yaml", "/etc/cron.d/job", "C:\\Windows\\a.csv",
        "scenario.yaml", ".bashrc", "a\x00.csv", "con", "x" * 4000 + ".csv", "<img src=x onerror=a()>.csv",
        "\u202egpj.csv", "%2e%2e%2fa.csv",
    ],
)  # fmt: skip
def test_the_name_of_an_upload_is_never_a_path(name: str, page: Asked, tmp_path: Path) -> None:
    status, _ = _uploaded(page, name, PORTAL.encode())
    assert status == 303
    assert set(files_below(tmp_path)) == {"house/scenario.yaml", "house/meter.csv"}


def test_a_hostile_name_is_shown_as_words(page: Asked) -> None:
    status, text = _uploaded(
        page, "<img src=x onerror=a()>.csv", b"nothing, that, is\nmeter,data,,\n"
    )
    assert status == 422
    assert "<img" not in text
    assert "&lt;img" in text


def _zip(*parts: tuple[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts:
            archive.writestr(name, content)
    return packed.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(_zip(("a.csv", b"0" * 310_000_000)), id="zip that unpacks to 310 MB"),
        pytest.param(gzip.compress(b"time,import_kwh\n" + b"0" * 310_000_000, 9), id="gzip bomb"),
        pytest.param(_zip(*((f"{n}.csv", b"1") for n in range(500))), id="zip of 500 files"),
        pytest.param(_zip(("../../scenario.yaml", b"scenario: theirs\n")), id="zip that leads out"),
        pytest.param(b"PK\x03\x04" + b"\x00" * 40, id="broken zip"),
        pytest.param(b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>',
                     id="xml that reads a file"),
        pytest.param(b"\xff\xfe\x00\x00\xd8" * 40, id="no text"),
        pytest.param(b"", id="empty"),
    ],
)  # fmt: skip
def test_a_hostile_file_is_refused_in_words(content: bytes, page: Asked, tmp_path: Path) -> None:
    before = files_below(tmp_path)
    status, text = _uploaded(page, "meter.csv", content)
    assert status == 422
    assert 'class="finding"' in text
    assert "root:" not in text
    assert files_below(tmp_path) == before


def test_a_mistake_in_a_file_is_told_by_the_name_that_it_had(page: Asked) -> None:
    _, text = _uploaded(page, "July 2026.csv", PORTAL.replace(",0.5\n", ",much\n").encode())
    assert "July 2026.csv" in text
    assert "/tmp" not in text
    assert "file_1" not in text


LENGTHS = {
    f"Content-Length: {MAX_BODY_BYTES + 1}": 413,
    f"Content-Length: {'9' * 40}": 400,
    "Content-Length: 999999999999": 413,
    "Content-Length: -1": 400,
    "Content-Length: 1e3": 400,
    "Transfer-Encoding: chunked": 411,
    "X-Nothing: told": 411,
}


def test_too_long_or_untold_a_length_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    """Only the head is sent: an answer that comes was given without reading on."""
    with served(tmp_path / "house") as page:
        room, cookie = _let_in(page.link, page.port)
        told = {}
        for length in LENGTHS:
            head = (
                f"POST {room}used HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\nCookie: {cookie}\r\n"
                f"Origin: http://127.0.0.1:{page.port}\r\n{length}\r\n\r\n"
            )
            with socket.create_connection(("127.0.0.1", page.port), 5) as line:
                line.settimeout(5)
                line.sendall(head.encode())
                told[length] = int(line.recv(100).split()[1])
    assert told == LENGTHS
    assert not list((tmp_path / "house").glob("*"))


def _let_in(link: str, port: int) -> tuple[str, str]:
    with socket.create_connection(("127.0.0.1", port), 5) as line:
        path = link.partition(str(port))[2]
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        told = b""
        while more := line.recv(4096):
            told += more
    text = told.decode()
    room = text.partition("refresh: 0; url=")[2].split("\r\n")[0]
    return room, text.partition("set-cookie: ")[2].split(";")[0]


# --- paths -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "static/../folder.py", "static/..%2f..%2fpyproject.toml", "static/%2e%2e/folder.py",
        "static//etc/passwd", "static/page.css/../../guard.py", "..%2f..%2fetc%2fpasswd",
        "answer/files/..%2f..%2fscenario.yaml", "answer/files/%2fetc%2fpasswd",
        "answer/files/../scenario.yaml", "answer/files/report.html", "scenario.yaml", "used%00",
    ],
)  # fmt: skip
def test_a_path_that_leads_elsewhere_finds_nothing(path: str, page: Asked) -> None:
    told = page.client.get(f"{page.room}/{path}", headers=page.headers())
    assert told.status_code in (403, 404, 405)
    assert SECRET_WORD not in told.text
    assert "root:" not in told.text


def test_a_link_in_the_folder_is_not_followed_out_of_it(page: Asked, tmp_path: Path) -> None:
    """Somebody else's file that a link of ``meter.csv`` leads to is neither written nor read."""
    theirs = tmp_path / "theirs.csv"
    theirs.write_text("theirs", encoding="utf-8")
    (tmp_path / "house/meter.csv").symlink_to(theirs)
    status, _ = _uploaded(page, "meter.csv", PORTAL.encode())
    assert status == 422
    assert theirs.read_text(encoding="utf-8") == "theirs"


# --- several people on one machine, and foreign pages in the same browser --------------------------


@contextmanager
def another_port() -> Iterator[tuple[int, list[str]]]:
    """Serve a page on another port of the same host; give the cookies that a browser sent it."""
    cookies: list[str] = []

    class Theirs(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            cookies.append(self.headers.get("cookie", ""))
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>theirs</title>")

        def log_message(self, *_words: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Theirs)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_port, cookies
    finally:
        server.shutdown()
        server.server_close()


FORGE = """async ([url, how]) => {
  if (how === "frame") {
    const frame = document.createElement("iframe"); frame.src = url; document.body.append(frame);
    await new Promise((done) => { frame.onload = done; setTimeout(done, 1500); });
    try { return frame.contentDocument ? frame.contentDocument.body.innerText : "shut"; } catch { return "shut"; }
  }
  const options = how === "post" ? {method: "POST", body: new URLSearchParams({zone: "Europe/Paris", way: "bill",
    kwh: "3500", span: "year"}), mode: "no-cors", credentials: "include"} : {credentials: "include"};
  try { const told = await fetch(url, options); return told.type + " " + await told.text(); } catch { return "shut"; }
}"""


def test_a_page_on_another_port_gets_no_cookie_reads_nothing_and_changes_nothing(
    tmp_path: Path,
) -> None:
    """It is the same site to the browser, and may know the room: a person showed the address bar."""
    folder = tmp_path / "house"
    folder.mkdir()
    (folder / "scenario.yaml").write_text(SCENARIO, encoding="utf-8")
    with served(folder) as page, another_port() as (port, cookies), started_browser() as browser:
        tab = browser.new_page()
        tab.goto(page.link)
        tab.get_by_role("heading", level=1).wait_for()
        room = tab.url
        tab.goto(f"http://127.0.0.1:{port}/")
        assert cookies
        assert not any(cookies)
        told = [tab.evaluate(FORGE, [f"{room}used", how]) for how in ("get", "post", "frame")]
        tab.evaluate(
            """(url) => { const form = document.createElement("form"); form.method = "post"; form.action = url;
              for (const [name, value] of Object.entries({zone: "Europe/Paris", way: "bill", kwh: "1"})) {
                const field = document.createElement("input"); field.name = name; field.value = value;
                form.append(field); }
              document.body.append(form); form.submit(); }""",
            f"{room}used",
        )
        tab.wait_for_url(f"{room}used")
        assert "Another page asked for this" in tab.content()
    assert not any(SECRET_WORD in text or "Dublin" in text for text in told)
    assert (folder / "scenario.yaml").read_text(encoding="utf-8") == SCENARIO


@pytest.mark.parametrize("named", ["from the root", "as the README names it"])
def test_the_browser_is_opened_by_a_file_that_nobody_else_may_read(
    named: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The words of a command are seen by all users of a machine; the key is not among them."""
    opened: list[str] = []
    done = threading.Event()
    monkeypatch.setattr("webbrowser.open", lambda url: (opened.append(url), done.set()))
    monkeypatch.chdir(tmp_path)
    house = tmp_path / "my_house"
    house.mkdir()
    link = Secrets().link(PORT)
    folder = house if named == "from the root" else Path("my_house")
    with shown_in_a_browser(folder, link, wanted=True):
        assert done.wait(5)
        (path,) = house.iterdir()
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert link in path.read_text(encoding="utf-8")
        assert opened == [path.as_uri()]
    assert not list(house.iterdir())
