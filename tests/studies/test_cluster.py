"""A study on a Dask scheduler with two workers on loopback, one of which is killed."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from optimizer.studies.answer_store import LEDGER
from optimizer.studies.run import run_study
from tests.studies.small import SMALL, study_of, write_sites

COMMAND = [sys.executable, "-c", "from optimizer.cli.app import main; main()", "study"]


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def started(*words: str) -> Iterator[subprocess.Popen]:
    process = subprocess.Popen(
        [sys.executable, "-m", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@contextmanager
def scheduler() -> Iterator[str]:
    port = free_port()
    with started(
        "distributed.cli.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        str(port),
        "--no-dashboard",
    ):
        yield f"tcp://127.0.0.1:{port}"


def worker(address: str):
    return started(
        "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
        "--host", "127.0.0.1",
    )  # fmt: skip


def lines_of(path: Path) -> int:
    return path.read_text().count("\n") if path.exists() else 0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cluster")
    write_sites(folder)
    study_of(folder, SMALL)
    return folder


@pytest.mark.long
def test_a_worker_that_is_killed_takes_nothing_along(folder: Path, tmp_path: Path) -> None:
    here = run_study(folder / "study.yaml", None, processes=2, progress=lambda _told: None)
    with scheduler() as address, worker(address) as first, worker(address):
        study = subprocess.Popen(
            [*COMMAND, str(folder), "--out", str(tmp_path), "--cluster", address, "--json"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        deadline = time.monotonic() + 120
        while lines_of(tmp_path / LEDGER) < 4 and time.monotonic() < deadline:
            time.sleep(0.05)
        killed_at = lines_of(tmp_path / LEDGER)
        first.send_signal(signal.SIGKILL)
        told, errors = study.communicate(timeout=240)
    assert study.returncode == 0, errors
    assert killed_at < lines_of(tmp_path / LEDGER), "it was killed in the middle"
    rows = json.loads(told)["rows"]
    assert rows == json.loads(json.dumps([dict(row) for row in here.rows]))


@pytest.mark.long
def test_a_scheduler_that_does_not_answer_is_told(folder: Path, tmp_path: Path) -> None:
    result = subprocess.run(
        [*COMMAND, str(folder), "--out", str(tmp_path), "--cluster", f"tcp://127.0.0.1:{free_port()}"],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert result.returncode == 2
    assert "does not answer" in result.stderr
    assert "Traceback" not in result.stderr
    assert not result.stdout
