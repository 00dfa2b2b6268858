"""The scenario folder, the one truth: the same ``scenario.yaml`` that the command line reads.

Comments and keys of a person stay where they are. An unfinished scenario is an unfinished file.
"""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.error import MarkedYAMLError

from optimizer.base.documents import read_document, read_outside
from optimizer.base.errors import InputError, Place, ScenarioError
from optimizer.base.files import write_file
from optimizer.base.yaml_text import as_typed
from optimizer.page.part import errors_in
from optimizer.scenario.scenario_file import ScenarioFile

SCENARIO = "scenario.yaml"
RESULTS = "results"
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
        self._lock = threading.Lock()

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

    def findings(self) -> list[InputError]:
        """Return what the program finds wrong in ``scenario.yaml``, also what is missing."""
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
            yaml = YAML()
            yaml.width = 110
            yaml.preserve_quotes = True
            content = self._kept(yaml)
            for place, value in changes.items():
                _set(content, place, value)
            text = io.StringIO()
            yaml.dump(content, text)
            write_file(text.getvalue(), self.scenario)

    def _kept(self, yaml: YAML) -> CommentedMap:
        if not self.scenario.exists():
            return CommentedMap()
        read_outside(self.scenario, ScenarioError)  # refuses what is odd or too large
        try:
            found = yaml.load(self.scenario.read_text(encoding="utf-8"))
        except MarkedYAMLError:  # pragma: no cover - refused above
            found = None
        if found is not None and not isinstance(found, CommentedMap):
            raise ScenarioError(
                "the file holds no keys with values", where=self.scenario,
                mend="Mend it with an editor, or move it away.",
            )  # fmt: skip
        return found or CommentedMap()


def _set(content: CommentedMap, place: Place, value: Any) -> None:
    *above, last = place
    node: Any = content
    for key in above:
        if not isinstance(node, list) and not isinstance(node.get(key), dict | list):
            if value is None:
                return
            node[key] = CommentedMap()
        node = node[key]
    if value is None:
        node.pop(last, None)
    else:
        node[last] = as_typed(value)
