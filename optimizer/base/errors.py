"""Errors: what is wrong, where, and how to mend it.

::

    Mistake                       found inside a document; its reader makes an InputError of it
    OptimizerError
    ├── UsageMistake              exit code 64: a command was given in a way it does not take
    ├── InputError                exit code 2: something the user wrote
    │   ├── ScenarioError         scenario.yaml
    │   ├── TariffError           a tariff file
    │   ├── SeriesError           a forecast or price CSV
    │   ├── SettingsError         a settings file, or windows the controls refuse
    │   └── SeveralInputErrors    all findings of one reading
    ├── SolveError                exit code 3: no plan
    │   ├── Infeasible            limits clash
    │   ├── Unbounded             nothing limits the gain
    │   └── StoppedEarly          out of time
    │       ├── Undecided         numerical trouble
    │       └── Interrupted       exit code 130: the user pressed Ctrl-C
    └── DisagreementError         exit code 4: two computations differ, or the program failed; our fault

``EXIT_CODES`` says what each code means. 130 is what shells report of Ctrl-C (128 + signal 2), 64 the
code of a mistake of usage in ``sysexits.h`` of the Berkeley Software Distribution (1993).

Read next: ``units``.
"""

from __future__ import annotations

import copyreg
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

Place = tuple[int | str, ...]
"""A path of keys in a file, as ``("versions", 0, "charges", 2, "per_kw")``."""

EXIT_CODES = {
    0: "done",
    2: "bad input",
    3: "no plan possible",
    4: "a fault of the program",
    10: "renew, or a site of a fleet, needs a change",
    11: "verify finds a difference",
    64: "a mistake in the command",
    130: "interrupted",
}
"""What the program ends with, the same in all commands."""

MAX_WHAT, MAX_WHERE, MAX_MEND = 1_000, 450, 450
MAX_MESSAGE = 2_000
"""Largest length of a message, whatever it quotes from a file. [characters]"""

MAX_SEVERAL = MAX_MESSAGE - 60


def bounded(text: str, limit: int) -> str:
    """Return a text of at most ``limit`` characters; a longer one loses its middle."""
    if len(text) <= limit:
        return text
    head = (limit - 3) * 2 // 3
    return f"{text[:head]} … {text[len(text) - (limit - 3 - head) :]}"


class Where(str):
    """Words for where something stands, with the file, the line and the path of keys if known."""

    file: Path | None
    line: int | None
    place: Place

    def __new__(
        cls, words: str, file: Path | None = None, line: int | None = None, place: Place = ()
    ) -> Self:
        """Return the words, which are the text itself."""
        self = super().__new__(cls, words)
        self.file, self.line, self.place = file, line, place
        return self

    @classmethod
    def of(cls, where: str | Path) -> Self:
        """Return plain words, or a file as a whole."""
        return cls(str(where), where if isinstance(where, Path) else None)


class Mistake(ValueError):
    """What a part of a document finds wrong in itself, without knowing file or line.

    Parameters
    ----------
    what : str
        What is wrong, with the value found and the value allowed, both with units.
    mend : str
        What the user can do about it.
    place : str or tuple
        The key inside that part, or the path of keys; empty for the part itself.
    """

    def __init__(self, what: str, mend: str, place: str | Place = ()) -> None:
        super().__init__(what, mend, place)
        self.what, self.mend = what, mend
        self.place: Place = (place,) if isinstance(place, str) else place

    def __str__(self) -> str:
        return self.what


class OptimizerError(Exception):
    """Base of all errors that the program raises on purpose.

    Parameters
    ----------
    what : str
        What is wrong, with the value found and the value allowed, both with units.
    where : str or Path
        ``file:line:col (path.in.file)``, ``file, row N, column C`` or ``step TIME``. A ``Where``
        also fills the attributes ``file``, ``line`` and ``place``, the path of keys in the file.
    mend : str
        What the user can do about it.

    Each class has an ``exit_code`` and a ``kind``, a word by which programs tell errors apart.
    """

    exit_code = 4
    kind = "fault"

    def __init__(self, what: str, *, where: str | Path, mend: str) -> None:
        self.what = bounded(what, MAX_WHAT)
        self.where = bounded(str(where), MAX_WHERE)
        self.mend = bounded(mend, MAX_MEND)
        spot = where if isinstance(where, Where) else Where.of(where)
        self.file, self.line, self.place = spot.file, spot.line, spot.place
        super().__init__(self.what)

    def __reduce__(self) -> tuple[Any, ...]:
        return copyreg.__newobj__, (type(self), self.what), self.__dict__  # type: ignore[attr-defined]

    def __str__(self) -> str:
        return f"error: {self.what}\n  where: {self.where}\n  mend:  {self.mend}"


class UsageMistake(OptimizerError):
    """A command was given with options or values that it does not take."""

    exit_code = 64
    kind = "usage"


class InputError(OptimizerError):
    """Something the user wrote cannot be used."""

    exit_code = 2
    kind = "input"


class ScenarioError(InputError):
    """A scenario file holds something impossible or unknown."""

    kind = "scenario"


class TariffError(InputError):
    """A tariff file holds something impossible, unknown, missing or double."""

    kind = "tariff"


class SeriesError(InputError):
    """A time series (forecast or prices) cannot be used as it stands."""

    kind = "series"


class SettingsError(InputError):
    """Settings overlap, ask for what the controls refuse, or cannot be read."""

    kind = "settings"


class SeveralInputErrors(InputError):
    """All findings of one reading, so that a user can mend them in one go."""

    def __init__(self, findings: Sequence[InputError]) -> None:
        first = findings[0]
        super().__init__(
            f"{len(findings)} things to mend", where=first.where, mend="see each finding"
        )
        self.findings = tuple(findings)

    def __str__(self) -> str:
        told: list[str] = []
        for finding in map(str, self.findings):
            if told and sum(map(len, told)) + len(told) + len(finding) > MAX_SEVERAL:
                return "\n".join([*told, f"… and {len(self.findings) - len(told)} more to mend"])
            told.append(finding)
        return "\n".join(told)


class SolveError(OptimizerError):
    """No plan could be made."""

    exit_code = 3
    kind = "no plan"


class Infeasible(SolveError):
    """No operation obeys all limits at once."""

    kind = "infeasible"


class Unbounded(SolveError):
    """The cost can fall without end."""

    kind = "unbounded"


class StoppedEarly(SolveError):
    """The solver stopped before it had proven an optimum."""

    kind = "stopped early"


class Undecided(StoppedEarly):
    """The solver came to no answer, though its time was not over."""


class Interrupted(StoppedEarly):
    """The user stopped the work."""

    exit_code = 130
    kind = "interrupted"


class DisagreementError(OptimizerError):
    """Two computations of the same figure differ: a fault of this program."""


def raise_findings(findings: Sequence[InputError]) -> None:
    """Raise the findings of a reading: nothing, the single one, or all of them together."""
    if len(findings) == 1:
        raise findings[0]
    if findings:
        raise SeveralInputErrors(findings)


def refuse_irregular(path: Path, error: type[InputError]) -> None:
    """Refuse a folder, device or pipe, which has no end or cannot be read twice.

    Raises
    ------
    InputError
        The given kind.
    OSError
        If there is no such file.
    """
    mode = path.stat().st_mode
    if stat.S_ISREG(mode):
        return
    kind = next(
        (
            words
            for is_kind, words in (
                (stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"),
            )
            if is_kind(mode)
        ),
        "a device",
    )  # fmt: skip
    raise error(f"this is {kind}, not a file", where=path, mend="Give the path of a plain file.")
