"""A command of the program that runs beside the page: its progress, its end, what stopped it.

It is a process of its own, never a thread, so that it can be ended at any moment; one at a time. It ends
by itself when its standard input does, so also if this process is killed.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from optimizer.base.errors import InputError, Where
from optimizer.base.words import later

GRACE_S = 5.0
"""A command that was asked to stop is killed after this."""

LAST_LINES = 20
CANCELLED = 130
GOOD_ENDS = (0, 10)
"""Codes of a good end; 10 says that ``renew`` advises a change."""

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Progress:
    """How far the job is."""

    kind: Literal["none", "running", "done", "failed", "cancelled"] = "none"
    what: str = ""
    share: float = 0.0
    saved: str | None = None
    left_s: float | None = None
    begun: float = 0.0

    @property
    def runs(self) -> bool:
        """Whether it still runs."""
        return self.kind == "running"

    @property
    def seconds(self) -> float:
        """For how long it has run. [s]"""
        return time.monotonic() - self.begun


class Job:
    """At most one command that runs.

    Attributes
    ----------
    progress : Progress
        How far it is, or was at its end.
    findings : sequence of InputError
        What stopped it.
    fault : str
        What stopped it, if it was nothing that a person could mend.
    of : str
        Fingerprint of what it was made of.
    part : str
        Name of the part that started it.
    """

    def __init__(self) -> None:
        self.progress = Progress()
        self.findings: Sequence[InputError] = ()
        self.fault = ""
        self.of = self.part = ""
        self._process: subprocess.Popen[bytes] | None = None
        self._is_cancelled = False
        self._lock = threading.Lock()
        self._ended = threading.Event()

    def start(self, words: Sequence[str], of: str, part: str = "") -> bool:
        """Start a command with ``--json``; return whether it was: not if one still runs.

        Parameters
        ----------
        words : sequence of str
            The command and its arguments.
        of : str
            Fingerprint of what it is made of.
        part : str
            Name of the part that starts it.
        """
        with self._lock:
            if self.progress.runs:
                return False
            path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "optimizer.cli.as_job", *words, "--json"],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                env=os.environ | {"PYTHONPATH": path, "PYTHONIOENCODING": "utf-8"},
                start_new_session=True,  # Ctrl-C in the terminal is ours to pass on
            )  # fmt: skip
            self.findings, self.fault, self._is_cancelled = (), "", False
            self.of, self.part = of, part
            self.progress = Progress("running", later("starting"), begun=time.monotonic())
            self._ended.clear()
        threading.Thread(target=self._watch, args=[self._process], daemon=True).start()
        return True

    def cancel(self) -> None:
        """Stop the command, if one runs, and wait until it has ended."""
        process = self._process
        if process is None or not self.progress.runs:
            return
        self._is_cancelled = True
        assert process.stdin is not None
        process.stdin.close()
        if not self._ended.wait(GRACE_S):
            process.kill()
            self._ended.wait(GRACE_S)

    def _watch(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        assert process.stderr is not None
        last: deque[str] = deque(maxlen=LAST_LINES)
        with process:
            told = threading.Thread(target=self._follow, args=[process.stderr, last], daemon=True)
            told.start()
            written = process.stdout.read()
            code = process.wait()
            told.join(GRACE_S)
        is_good = code in GOOD_ENDS
        if not is_good and not self._is_cancelled:
            self.findings, self.fault = _what_stopped(written, last)
        kind: Literal["done", "failed", "cancelled"] = "done" if is_good else "failed"
        if self._is_cancelled or code == CANCELLED:
            kind = "cancelled"
        self.progress = Progress(kind, begun=self.progress.begun)
        self._ended.set()

    def _follow(self, lines: IO[bytes], last: deque[str]) -> None:
        for line in lines:
            text = line.decode("utf-8", errors="replace").rstrip()
            try:
                told = json.loads(text)
                self.progress = Progress(
                    "running", str(told["what"]), float(told["share"]), told["saved"],
                    told["left_s"], self.progress.begun,
                )  # fmt: skip
            except (ValueError, KeyError, TypeError):
                last.append(text)


def _what_stopped(written: bytes, last: Sequence[str]) -> tuple[Sequence[InputError], str]:
    """Return what a person can mend, by the error that the command printed; else what it said last."""
    try:
        record: Mapping[str, Any] = json.loads(written)
        return [_error_of(each) for each in record["findings"]], ""
    except (ValueError, KeyError, TypeError):
        return (), "\n".join(last)


def _error_of(finding: Mapping[str, Any]) -> InputError:
    file = None if finding["file"] is None else Path(finding["file"])
    where = Where(finding["where"], file, finding["line"], tuple(finding["place"]))
    return InputError(finding["what"], where=where, mend=finding["mend"])
