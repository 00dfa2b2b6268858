"""The command ``page``: how soon it answers, how it ends, and what it says if it cannot be."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer.page.folder import Folder
from tests.page.houses import parts_of_others
from tests.page.serving import COMMAND, served

SOON_S = 1.0
"""So soon after the command its port answers, on a machine that does nothing else."""


def test_the_port_answers_at_once_and_the_page_follows(tmp_path: Path) -> None:
    """Best of three; on a busy machine, within three times what telling the version takes there.

    Until the page is ready it says so, and asks again.
    """
    took, plain = list[float](), list[float]()
    for trial in range(3):
        begun = time.monotonic()
        subprocess.run(
            [sys.executable, "-c", COMMAND, "--version"], check=True, capture_output=True
        )
        plain.append(time.monotonic() - begun)
        begun = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-c", COMMAND, "page", str(tmp_path / f"{trial}"), "--no-browser"],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            assert process.stdout is not None
            link = process.stdout.readline().strip()
            with pytest.raises(urllib.error.HTTPError) as told:
                urllib.request.urlopen(link, timeout=5)
            took.append(time.monotonic() - begun)
            assert told.value.code == 503
            assert told.value.headers["refresh"] == "1"
            assert b"opens by itself" in told.value.read()
            told.value.close()
        finally:
            process.terminate()
            process.wait(20)
            process.stdout.close()
    assert min(took) < max(SOON_S, 3 * min(plain))


def test_ctrl_c_ends_it_in_good_order(tmp_path: Path) -> None:
    with served(tmp_path / "house") as page:
        page.process.send_signal(signal.SIGINT)
        assert page.process.wait(10) == 0
    assert not list((tmp_path / "house").iterdir())
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", page.port), 1)


def test_it_listens_on_this_machine_alone(tmp_path: Path) -> None:
    with served(tmp_path / "house") as page:
        others = [
            info[4][0]
            for info in socket.getaddrinfo(socket.gethostname(), page.port, socket.AF_INET)
            if not info[4][0].startswith("127.0.0.1")
        ]
        for address in others:
            with pytest.raises(OSError, match="refused"):
                socket.create_connection((address, page.port), 2)


def test_a_second_page_on_the_same_folder_is_told(tmp_path: Path) -> None:
    with served(tmp_path / "house"):
        second = subprocess.run(
            [sys.executable, "-c", COMMAND, "page", str(tmp_path / "house"), "--no-browser"],
            capture_output=True, text=True, timeout=30,
        )  # fmt: skip
    assert second.returncode == 2
    assert "a page is open on this folder already" in second.stderr
    assert second.stdout == ""


def test_without_the_extra_it_is_named(tmp_path: Path) -> None:
    hidden = "import sys; sys.modules['starlette'] = None; " + COMMAND
    told = subprocess.run(
        [sys.executable, "-c", hidden, "page", str(tmp_path / "house")],
        capture_output=True, text=True, timeout=30,
    )  # fmt: skip
    assert told.returncode == 2
    assert "starlette" in told.stderr
    assert "tariffwright[page]" in told.stderr
    assert not (tmp_path / "house").exists()


def test_a_folder_in_which_nobody_may_write_is_told(tmp_path: Path) -> None:
    (tmp_path / "house").write_text("a file", encoding="utf-8")
    told = subprocess.run(
        [sys.executable, "-c", COMMAND, "page", str(tmp_path / "house"), "--no-browser"],
        capture_output=True, text=True, timeout=30,
    )  # fmt: skip
    assert told.returncode == 2
    assert "cannot be written" in told.stderr


# --- the job ---------------------------------------------------------------------------------------

SERVE_A_JOB = """
import sys, time
from pathlib import Path
from optimizer.page.folder import Folder
folder = Folder(Path(sys.argv[1]))
folder.job.start(["plan", "--effort", "thorough", "--out", sys.argv[1] + "/results"], "x")
print(folder.job._process.pid, flush=True)
time.sleep(60)
"""


def _until(is_so: Callable[[], bool], seconds: float) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if is_so():
            return True
        time.sleep(0.05)
    return False


def _has_ended(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return True
    return state == "Z"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes by /proc")
def test_a_job_does_not_outlive_a_page_that_is_killed(tmp_path: Path) -> None:
    page = subprocess.Popen(
        [sys.executable, "-c", SERVE_A_JOB, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert page.stdout is not None
    pid = int(page.stdout.readline())
    time.sleep(1)
    os.kill(page.pid, signal.SIGKILL)
    page.wait(10)
    page.stdout.close()
    assert _until(lambda: _has_ended(pid), 20)
    assert not (tmp_path / "results").exists()


def test_a_job_is_stopped_at_once_and_writes_nothing(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    words = ["plan", "--effort", "thorough", "--out", str(tmp_path / "results")]
    assert folder.job.start(words, "of")
    assert not folder.job.start(words, "of")
    assert _until(lambda: folder.job.progress.share > 0, 60)
    begun = time.monotonic()
    folder.close()
    took = time.monotonic() - begun
    assert folder.job.progress.kind == "cancelled"
    assert took < 4  # else it was killed
    assert not (tmp_path / "results").exists()


def test_a_mistake_that_stops_a_job_keeps_its_place(tmp_path: Path) -> None:
    folder = Folder(parts_of_others(tmp_path / "house"))
    folder.change({("zone",): "Nowhere/Town", ("forecast",): "lost.csv"})
    folder.job.start(["plan", str(folder.path), "--out", str(folder.results)], folder.fingerprint())
    assert _until(lambda: not folder.job.progress.runs, 60)
    assert folder.job.progress.kind == "failed"
    assert [error.place for error in folder.stopped()] == [("zone",)]
    folder.change({("zone",): "Europe/Dublin"})
    assert folder.stopped() == []  # it is of what stood there before
    folder.close()
