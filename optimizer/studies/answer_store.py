"""The ledger: what has been answered, line by line, so that nothing is ever done twice.

Each answer is a line of ``ledger.jsonl`` in the folder of the results, written and flushed as it comes.
A line is found by the key of its work, which holds the hashes of all inputs; so a study that is
changed and run again uses what still holds. A process killed in the middle of a line leaves a
torn one at the end, which is dropped. Each line bears a sum of what stands in it: one that was damaged
is lost, alone, and counted. Read next: ``questions``.
"""

from __future__ import annotations

import json
import os
import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from optimizer.base.errors import InputError
from optimizer.base.files import lock
from optimizer.studies.answers import Answer, Failure, Searched, answer_of, text_of

LEDGER = "ledger.jsonl"

SUM = "crc32"
"""The key of a line's sum over all else in it."""

BEGINNING = re.compile(rb'(?=\{"key": ")')
"""Where an answer begins, also one whose line was joined to a damaged one."""


class Ledger:
    """Answers by key, in memory and in a file that only grows.

    Parameters
    ----------
    folder : Path, optional
        Where the file is; without one, answers are kept in memory only.
    again_failed : bool
        Forget answers that say that something failed, and those that came about without a failed base.

    Attributes
    ----------
    lost : int
        Lines of the file that are blank or damaged.

    Raises
    ------
    InputError
        If the folder cannot be written, or another study writes there now.
    """

    def __init__(self, folder: Path | None, *, again_failed: bool = False) -> None:
        self._answers: dict[str, Answer] = {}
        self._file: BinaryIO | None = None
        self.lost = 0
        if folder is None:
            return
        path = folder / LEDGER
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file = path.open("a+b")
            lock(self._file.fileno())
        except BlockingIOError:
            self.close()
            raise InputError(
                "another study is writing its results here",
                where=path,
                mend="Wait until it is done, or name another folder with --out.",
            ) from None
        except OSError as failure:
            raise InputError(
                f"the results cannot be written: {failure.strerror}",
                where=path,
                mend="Choose a folder with --out in which you may write.",
            ) from None
        self._read(self._file)
        if again_failed:
            self._answers = {
                key: answer for key, answer in self._answers.items() if not _has_failed(answer)
            }

    def _read(self, file: BinaryIO) -> None:
        file.seek(0)
        whole = 0
        for line in file:
            if not line.endswith(b"\n"):
                break
            found = list(_answers_in(line))
            self.lost += not found or None in found
            self._answers.update(filter(None, found))
            whole += len(line)
        file.truncate(whole)  # a torn line
        file.seek(0, os.SEEK_END)

    def __len__(self) -> int:
        return len(self._answers)

    def get(self, key: str) -> Answer | None:
        """Return an answer, or None if it is not known."""
        return self._answers.get(key)

    def add(self, key: str, answer: Answer) -> None:
        """Keep an answer; it is on the disk when this returns."""
        text = json.dumps({"key": key, "answer": json.loads(text_of(answer))})
        if self._file is not None:
            self._file.write(_with_sum(text).encode() + b"\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        self._answers[key] = answer_of(text_of(answer))

    def close(self) -> None:
        """Let others write."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _with_sum(text: str) -> str:
    return f'{text[:-1]}, "{SUM}": {zlib.crc32(text.encode())}}}'


def _has_failed(answer: Answer) -> bool:
    return isinstance(answer, Failure) or (isinstance(answer, Searched) and answer.without_base)


def _answers_in(line: bytes) -> Iterator[tuple[str, Answer] | None]:
    """Yield key and answer of a line, and None for each part of it that is none."""
    for part in BEGINNING.split(line):
        if part.strip():
            yield _answer_in(part)


def _answer_in(text: bytes) -> tuple[str, Answer] | None:
    try:
        record = json.loads(text)
        sum_there = record.pop(SUM)
        if zlib.crc32(json.dumps(record).encode()) != sum_there:
            return None
        return str(record["key"]), answer_of(json.dumps(record["answer"]))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
