"""The scenario folder, the one truth: the same ``scenario.yaml`` that the command line reads.

Comments and keys of a person stay where they are. An unfinished scenario is an unfinished file.
"""

from __future__ import annotations

import re
import shutil
import tempfile
import threading
import weakref
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from ruamel.yaml.comments import CommentedMap

from optimizer.base.documents import read_document, read_outside
from optimizer.base.errors import InputError, Place, ScenarioError, Where
from optimizer.base.files import write_file
from optimizer.page.job import Job
from optimizer.page.part import Upload, errors_in
from optimizer.scenario.draft import names_at, read_draft, with_values
from optimizer.scenario.scenario_file import ScenarioFile

SCENARIO = "scenario.yaml"
RESULTS = "results"
T = TypeVar("T")

PLAIN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,80}")
"""Names of files below the folder: nothing that leads elsewhere, nothing hidden."""


class Folder:
    """A scenario folder.

    Parameters
    ----------
    path : Path
        The folder; its ``scenario.yaml`` may still be missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        self.scenario = self.path / SCENARIO
        self.results = self.path / RESULTS
        self.job = Job()
        self.kept: list[Upload] = []
        """Files that were handed in last, as they came, for as long as the page is open."""
        self._aside: Path | None = None
        self._lock = threading.RLock()
        self._remembered: dict[str, tuple[str, Any]] = {}

    def close(self) -> None:
        """End a job that runs, and throw away what was handed in."""
        self.job.cancel()
        if self._aside is not None:
            shutil.rmtree(self._aside, ignore_errors=True)

    def keep(self, uploads: Sequence[Upload]) -> None:
        """Keep files that were handed in, in place of those before."""
        with self._lock:
            for old in self.kept:
                old.path.unlink(missing_ok=True)
            self.kept = []
            if self._aside is None:
                self._aside = Path(tempfile.mkdtemp(prefix="tariffwright-"))
                weakref.finalize(self, shutil.rmtree, self._aside, ignore_errors=True)
            for upload in uploads:
                path = self._aside / upload.path.name
                shutil.move(upload.path, path)
                self.kept.append(Upload(upload.name, path, upload.field))

    def fingerprint(self, *names: str) -> str:
        """Return what changes as soon as one of some files changes; ``scenario.yaml`` if none is named."""
        told = []
        for name in names or (SCENARIO,):
            try:
                found = (self.path / name).stat()
            except OSError:
                told.append(f"{name} -")
            else:
                told.append(f"{name} {found.st_mtime_ns} {found.st_size}")
        return "; ".join(told)

    def remembered(self, name: str, of: str, make: Callable[[], T]) -> T:
        """Return what was made before, or make it, for as long as what it is made of stays the same.

        Parameters
        ----------
        name : str
            What it is called.
        of : str
            The fingerprint of what it is made of.
        make : callable
            Makes it.
        """
        with self._lock:
            known = self._remembered.get(name)
            if known is None or known[0] != of:
                known = self._remembered[name] = (of, make())
            return known[1]

    def file(self, name: str) -> Path:
        """Return where a file of a plain name lies in the folder.

        Raises
        ------
        InputError
            If the name leads elsewhere.
        """
        if not PLAIN_NAME.fullmatch(name) or not self._is_inside(self.path / name):
            raise InputError(
                f"{name[:80]!r} is no name of a file in the scenario's folder",
                where=self.path, mend="Give a name of letters, digits, dots and dashes.",
            )  # fmt: skip
        return self.path / name

    def _is_inside(self, path: Path) -> bool:
        return path.resolve().parent == self.path

    def content(self) -> Any:
        """Return what stands in ``scenario.yaml``; nothing if there is none, or if it is no YAML."""
        return self.remembered("content", self.fingerprint(), self._content)

    def _content(self) -> Any:
        try:
            found = read_outside(self.scenario, ScenarioError).content
        except InputError:
            return CommentedMap()
        return found if isinstance(found, CommentedMap) else CommentedMap()

    def at(self, place: Place) -> Any:
        """Return what stands at a path of keys, or None."""
        node = self.content()
        for key in place:
            try:
                node = node[key]
            except (KeyError, IndexError, TypeError):  # nothing, or of another form
                return None
        return node

    def names_at(self, place: Place) -> list[str]:
        """Return the names of files at a path of keys; none if no list of names stands there."""
        return names_at(self.content(), place)

    def findings(self) -> list[InputError]:
        """Return what is wrong in ``scenario.yaml``, also what is missing, and what stopped the last job."""
        found = self.remembered("findings", self.fingerprint(), self._findings)
        known = {error.place for error in found}
        return [*found, *(error for error in self.stopped() if error.place not in known)]

    def stopped(self) -> list[InputError]:
        """Return what stopped the last job, if ``scenario.yaml`` is still the same."""
        if self.job.of != self.fingerprint():
            return []
        return [_placed(error) for error in self.job.findings]

    def _findings(self) -> list[InputError]:
        if not self.scenario.exists():
            return []
        try:
            read_document(self.scenario, ScenarioFile, ScenarioError)
        except InputError as error:
            return list(errors_in(error))
        return []

    def change(self, changes: Mapping[Place, Any]) -> None:
        """Set values at paths of keys, and remove those whose value is None; the rest stays as it is.

        Raises
        ------
        InputError
            If ``scenario.yaml`` is no YAML that could be kept, or cannot be written.
        """
        with self._lock:
            text = read_draft(self.path).text  # refuses what is odd or too large
            write_file(with_values(text, changes), self.scenario)

    def rewrite(self, text: Callable[[], str]) -> None:
        """Write ``scenario.yaml`` anew, made while nobody else changes it.

        Raises
        ------
        InputError
            If it cannot be written.
        """
        with self._lock:
            write_file(text(), self.scenario)


def _placed(error: InputError) -> InputError:
    """Return an error in another file at the key of the scenario that names such files."""
    if error.file is not None and error.file.name == SCENARIO:
        return error
    is_series = ".csv" in error.where.lower()
    is_tariff = error.file is not None and error.file.suffix in (".yaml", ".yml")
    place: Place = ("forecast",) if is_series else ("tariff",) if is_tariff else ()
    told = f"{error.what} ({Path(error.where).name if is_series or is_tariff else error.where})"
    return InputError(
        told, where=Where(error.where, error.file, error.line, place), mend=error.mend
    )
