"""The ledger: what has been answered, line by line, so that nothing is ever done twice.

Each answer is a line of ``ledger.jsonl`` in the folder of the results, appended; those that come together
are brought to the disk together. In memory is where each stands, and the answers that were used last.
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
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

from optimizer.base.errors import InputError
from optimizer.base.files import lock
from optimizer.studies.answers import Answer, Failure, Searched, answer_of, text_of

LEDGER = "ledger.jsonl"

ANSWER, SUM = ', "answer": ', ', "crc32": '
"""What stands in a line before the answer, and before the sum over all else in it."""

BEGINNING = re.compile(rb'(?=\{"key": ")')
"""Where an answer begins, also one whose line was joined to a damaged one."""


MOST_IN_MEMORY = 5_000
"""So many answers that were used last are kept in memory; a base is read for each run of its family."""


class Ledger:
    """Answers by key, in a file that only grows; without a folder in memory.

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
        self._used = OrderedDict[str, Answer]()
        self._place: dict[str, tuple[int, int]] = {}
        self._file: BinaryIO | None = None
        self._path: Path | None = None
        self.lost = 0
        if folder is None:
            return
        self._path = path = folder / LEDGER
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
        self._read(self._file, again_failed=again_failed)

    def _read(self, file: BinaryIO, *, again_failed: bool) -> None:
        file.seek(0)
        whole = 0
        for line in file:
            if not line.endswith(b"\n"):
                break
            is_damaged = not line.strip()
            for part in BEGINNING.split(line):
                found = _answer_in(part)
                if found is not None:
                    self._place.pop(found[0], None)
                    if not (again_failed and _has_failed(found[1])):
                        self._place[found[0]] = whole, len(part)
                elif part.strip():
                    is_damaged = True
                whole += len(part)
            self.lost += is_damaged
        file.truncate(whole)  # a torn line
        file.seek(0, os.SEEK_END)

    def __len__(self) -> int:
        return len(self._used if self._path is None else self._place)

    def get(self, key: str) -> Answer | None:
        """Return an answer, or None if it is not known."""
        if key in self._used:
            self._used.move_to_end(key)
        elif key in self._place:
            found = _answer_in(self._line(*self._place[key]))
            if found is None:  # damaged since it was read
                return None
            self._keep(key, found[1])
        return self._used.get(key)

    def _line(self, begin: int, size: int) -> bytes:
        if self._file is not None:
            return os.pread(self._file.fileno(), size, begin)
        assert self._path is not None
        with self._path.open("rb") as file:  # closed to writing, but what stands there stays
            return os.pread(file.fileno(), size, begin)

    def add_all(self, answers: Sequence[tuple[str, Answer]]) -> None:
        """Keep answers; they are on the disk when this returns."""
        for key, answer in answers:
            text = text_of(answer)
            if self._file is not None:
                line = _with_sum(f'{{"key": {json.dumps(key)}{ANSWER}{text}}}'.encode())
                self._place[key] = self._file.tell(), len(line)
                self._file.write(line + b"\n")
            self._keep(key, answer_of(text))
        if answers and self._file is not None:
            self._file.flush()
            os.fsync(self._file.fileno())

    def _keep(self, key: str, answer: Answer) -> None:
        self._used[key] = answer
        if self._path is not None and len(self._used) > MOST_IN_MEMORY:
            self._used.popitem(last=False)

    def close(self) -> None:
        """Let others write; what is known can still be asked for."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _with_sum(text: bytes) -> bytes:
    return text[:-1] + f"{SUM}{zlib.crc32(text)}}}".encode()


def _has_failed(answer: Answer) -> bool:
    return isinstance(answer, Failure) or (isinstance(answer, Searched) and answer.without_base)


def _answer_in(text: bytes) -> tuple[str, Answer] | None:
    whole, _, sum_there = text.rstrip(b"\n").rpartition(SUM.encode())
    try:
        if zlib.crc32(whole + b"}") != int(sum_there.removesuffix(b"}")):
            return None
        key, _, answer = whole.partition(ANSWER.encode())
        return str(json.loads(key + b"}")["key"]), answer_of(answer.decode())
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
