"""How a YAML file becomes a checked model, with file, line and column in every complaint.

Read next: ``timegrid``.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.constructor import DuplicateKeyError
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from optimizer.errors import InputError, raise_findings

Location = tuple[int | str, ...]
ModelT = TypeVar("ModelT", bound="Document")

MAX_BYTES = 5_000_000
"""YAML files of people are small; series belong in CSV."""


class Document(BaseModel):
    """Base of all models read from YAML: unknown keys refused, no silent conversions."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


@dataclass(frozen=True)
class Source:
    """Where a document came from; knows the line of each of its values."""

    path: Path
    content: Any

    def where(self, location: Location = ()) -> str:
        """Return ``file:line:col (path.in.file)`` of a value, or of the nearest thing around it."""
        line, column = self._position(location)
        dotted = _dotted(location)
        return f"{self.path}:{line}:{column}" + (f" ({dotted})" if dotted else "")

    def _position(self, location: Location) -> tuple[int, int]:
        node: Any = self.content
        position = (1, 1)
        for part in location:
            if isinstance(node, CommentedMap) and part in node:
                line, column = node.lc.value(part)
            elif isinstance(node, CommentedSeq) and isinstance(part, int) and part < len(node):
                line, column = node.lc.item(part)
            elif isinstance(node, (CommentedMap, CommentedSeq)):
                continue  # a tag that pydantic adds for a member of a union, or a missing key
            else:
                break
            position = (line + 1, column + 1)
            node = node[part]
        return position


def read_document(path: Path, model: type[ModelT], error: type[InputError]) -> tuple[ModelT, Source]:
    """Read a YAML file into a model.

    Parameters
    ----------
    path : Path
        The file.
    model : type
        The document's model.
    error : type of InputError
        What kind of error its mistakes are.

    Returns
    -------
    model, Source
        The checked document and the lines of its values.

    Raises
    ------
    InputError
        The given kind, one finding for each mistake, with line, value and mend.
    """
    source = Source(path, _read_yaml(path, error))
    if not isinstance(source.content, CommentedMap):
        raise error(
            f"the file holds {type(source.content).__name__}, not a list of keys with values",
            where=source.where(),
            mend="Start with keys, e.g. 'currency: EUR'.",
        )
    try:
        return model.model_validate(_plain(source.content)), source
    except ValidationError as failure:
        raise_findings([_told(detail, model, source, error) for detail in failure.errors()])
        raise  # not reached: pydantic's failure has at least one detail


def _dotted(location: Location) -> str:
    """Return a location as people write it: ``versions[0].charges[2].rates``."""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in location)
    return text.lstrip(".")


def _read_yaml(path: Path, error: type[InputError]) -> Any:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise error(
                f"the file has {path.stat().st_size:,} bytes, more than {MAX_BYTES:,}",
                where=str(path),
                mend="Put time series into a CSV file and name it here.",
            )
        return YAML(typ="rt").load(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise error("there is no such file", where=str(path), mend="Check the path.") from None
    except (OSError, UnicodeDecodeError) as failure:
        raise error(
            f"the file cannot be read as UTF-8 text: {failure}",
            where=str(path),
            mend="Give a readable text file in UTF-8.",
        ) from None
    except DuplicateKeyError as failure:
        raise error(
            f"a key stands twice: {str(failure.problem).split(' with value')[0]}",
            where=_marked(path, failure),
            mend="Keep one of the two.",
        ) from None
    except MarkedYAMLError as failure:
        raise error(
            f"this is not YAML: {failure.problem or failure.context}",
            where=_marked(path, failure),
            mend="Check indentation, colons and quotes near this line.",
        ) from None
    except (YAMLError, ValueError, RecursionError) as failure:
        raise error(
            f"this is not YAML: {str(failure).splitlines()[0] if str(failure) else failure!r}",
            where=str(path),
            mend="Check for odd characters and malformed dates.",
        ) from None


def _marked(path: Path, failure: MarkedYAMLError) -> str:
    mark = failure.problem_mark or failure.context_mark
    return f"{path}:{mark.line + 1}:{mark.column + 1}" if mark else str(path)


def _plain(node: Any) -> Any:
    """Return plain Python values: no anchors' leftovers, no comment-keeping scalars."""
    if isinstance(node, CommentedMap):
        return {key: _plain(value) for key, value in node.items()}
    if isinstance(node, CommentedSeq):
        return [_plain(value) for value in node]
    for kind in (bool, int, float, str):
        if isinstance(node, kind):
            return kind(node)
    return node


def _told(
    detail: ErrorDetails, model: type[Document], source: Source, error: type[InputError]
) -> InputError:
    location = tuple(part for part in detail["loc"] if _is_in_file(part, detail, source))
    key = str(detail["loc"][-1]) if detail["loc"] else "the file"
    what, mend = _words(detail, key, _known_keys(model, location))
    return error(what, where=source.where(location), mend=mend)


def _is_in_file(part: int | str, detail: ErrorDetails, source: Source) -> bool:
    """Leave out the tags that pydantic puts between a union and its member's fields."""
    if detail["loc"] and part == detail["loc"][-1]:
        return True
    return isinstance(part, int) or _contains_key(source.content, part)


def _contains_key(node: Any, key: str) -> bool:
    if isinstance(node, CommentedMap):
        return key in node or any(_contains_key(value, key) for value in node.values())
    if isinstance(node, CommentedSeq):
        return any(_contains_key(value, key) for value in node)
    return False


def _words(detail: ErrorDetails, key: str, known: Sequence[str]) -> tuple[str, str]:
    kind, found = detail["type"], detail["input"]
    context = detail.get("ctx", {})
    if kind == "missing":
        return f"the key {key!r} is missing", f"Add it, e.g. {key}: ..."
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        choice = f"Did you mean {near[0]!r}?" if near else f"Known here: {', '.join(known)}."
        return f"the key {key!r} is unknown", choice
    if kind in {"float_type", "int_type", "float_parsing", "int_parsing", "int_from_float"}:
        whole = "a whole number" if kind.startswith("int") else "a number"
        return f"{key} is {found!r}, not {whole}", f"Write {whole}, e.g. {key}: 12"
    if kind == "literal_error":
        return f"{key} is {found!r}; allowed: {context['expected']}", "Choose one of these."
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        tags = context.get("expected_tags", "see the README of tariffs/")
        return f"{context.get('discriminator', 'kind')} is {_tag(found)}", f"Allowed: {tags}."
    if kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        limit = next(iter(context.values()))
        return f"{key} is {found!r}; it must be {kind.replace('_', ' ')} {limit}", "Check the unit."
    if kind in {"value_error", "assertion_error"}:
        what, _, mend = str(context["error"]).partition(" | ")
        return what, mend or "Correct this value."
    return f"{key} is {found!r}: {detail['msg'].lower()}", "Correct this value."


def _tag(found: Any) -> str:
    return repr(found.get("kind")) if isinstance(found, dict) else repr(found)


def _known_keys(model: type[Document], location: Location) -> list[str]:
    """Return the keys that the model knows where the unknown one stood."""
    models = _models_at(model, location[:-1])
    return sorted({key for found in models for key in found.model_fields})


def _models_at(model: type[Document], location: Location) -> list[type[BaseModel]]:
    found: list[type[BaseModel]] = [model]
    for part in location:
        if isinstance(part, int):
            continue
        fields = [m.model_fields[part] for m in found if part in m.model_fields]
        if fields:
            found = [member for field in fields for member in _members(field.annotation)]
    return found


def _members(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    inner = getattr(annotation, "__args__", ()) or ()
    return [member for argument in inner for member in _members(argument)]
