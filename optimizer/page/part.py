"""A part of the page: what it shows of the folder, what it saves there, and how far it is."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from optimizer.base.errors import InputError, Place, SeveralInputErrors
from optimizer.base.words import later, say

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.routing import Route

    from optimizer.page.folder import Folder


@dataclass(frozen=True)
class Finding:
    """What is wrong with something given: the name of its field, empty for the part as a whole.

    What the field asks stands before it where all of it is told on top: several may read alike.
    """

    field: str
    what: str
    mend: str = ""
    asks: str = ""


@dataclass(frozen=True)
class State:
    """How far a part is, and a word or two on it for people."""

    kind: Literal["done", "open", "wrong"]
    words: str


@dataclass(frozen=True)
class Upload:
    """A file that was handed in: the name it had, made harmless, and where it lies while it is read."""

    name: str
    path: Path
    field: str = ""


@dataclass(frozen=True)
class Form:
    """What was sent: the values of each field, and the files."""

    values: Mapping[str, Sequence[str]] = field(default_factory=dict)
    files: Mapping[str, Sequence[Upload]] = field(default_factory=dict)

    def get(self, name: str, without: str = "") -> str:
        """Return the last value of a field, without blanks around it."""
        return self.values[name][-1].strip() if self.values.get(name) else without

    def all(self, name: str) -> list[str]:
        """Return all values of a field."""
        return list(self.values.get(name, ()))

    def handed_in(self) -> list[Upload]:
        """Return all files."""
        return [upload for uploads in self.files.values() for upload in uploads]

    def __contains__(self, name: str) -> bool:
        return name in self.values


DONE, OPEN, WRONG = later("filled in"), later("still open"), later("to be mended")


class Part:
    """One heading of the page, and of the list on top.

    Attributes
    ----------
    name : str
        In the address, and of the template ``NAME.html``.
    title : str
        For people; marked by ``later``.
    owns : tuple of Place
        Paths of keys in ``scenario.yaml`` whose findings are told here; the longest one that fits wins.
    needed : tuple of Place
        Those without which the part is still open.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    owns: ClassVar[tuple[Place, ...]] = ()
    needed: ClassVar[tuple[Place, ...]] = ()

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return what the template shows."""
        raise NotImplementedError

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Save what was sent; return what is wrong with it, and then save nothing."""
        raise NotImplementedError

    def state(self, folder: Folder) -> State:
        """Return how far the part is."""
        if any(folder.at(place) is None for place in self.needed):
            return State("open", say(OPEN))
        if self.findings(folder):
            return State("wrong", say(WRONG))
        return State("done", say(DONE))

    def findings(self, folder: Folder) -> list[Finding]:
        """Return what is wrong with this part of the folder, but not what is still missing."""
        from optimizer.page.registry import owner_of  # parts are listed there

        return [
            finding_of(error)
            for error in folder.findings()
            if owner_of(error.place) is self and not self._is_missing(error.place, folder)
        ]

    def _is_missing(self, place: Place, folder: Folder) -> bool:
        """Return whether a place is nothing yet, as is to be expected while the part is open."""
        is_needed = any(needed[: len(place)] == place for needed in self.needed)
        return is_needed and folder.at(place) is None

    def seen(self, folder: Folder) -> str:
        """Return a sign of what the part holds now; a form that sends it back is told if it has changed.

        In a template: ``<input type="hidden" name="seen" value="{{ seen }}">``.
        """
        held = [json.dumps(folder.at(place), default=str) for place in self.owns]
        return hashlib.sha256("\n".join(held).encode()).hexdigest()[:16]

    def routes(self, folder: Folder) -> Sequence[Route]:
        """Return addresses of this part beside its own, below it: ``/NAME/...``."""
        return ()


def finding_of(error: InputError) -> Finding:
    """Return an error of the program at the field that is named as its path of keys."""
    return Finding(field_of(error.place), error.what, error.mend)


def field_of(place: Place) -> str:
    """Return the name of a field for a path of keys: ``battery.capacity_kwh``."""
    return ".".join(map(str, place))


def errors_in(error: InputError) -> Sequence[InputError]:
    """Return each finding of an error by itself."""
    return error.findings if isinstance(error, SeveralInputErrors) else (error,)
