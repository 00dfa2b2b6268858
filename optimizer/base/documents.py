"""How a YAML file becomes a checked model, with file, line and column in every complaint.

Read next: ``timegrid``.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.composer import Composer
from ruamel.yaml.constructor import DuplicateKeyError
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import AliasEvent

from optimizer.base.errors import (
    InputError,
    Mistake,
    Place,
    Where,
    raise_findings,
    refuse_irregular,
)

ModelT = TypeVar("ModelT", bound="Document")

MAX_SHOWN = 80
"""A longer value is cut in messages."""

MAX_BYTES = 1_000_000
"""YAML files of people are small; series belong in CSV."""

MAX_VALUES = 40_000
"""Keys and values of one file, aliases written out: what is read in some seconds."""

MAX_DEPTH = 40
"""Lists and keys inside each other."""

MAX_DIGITS = 100
"""A longer number is a slip, and Python refuses to print one of thousands of digits."""

MAX_TOLD = 1_600
"""Characters of findings of one file; further findings are only counted."""


class Document(BaseModel):
    """Base of all models read from YAML: unknown keys refused, no silent conversions."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


@dataclass(frozen=True)
class Source:
    """Where a document came from: the line of each of its values, and its ``text`` as it was read."""

    path: Path
    content: Any
    text: str = ""

    def where(self, location: Place = ()) -> Where:
        """Return ``file:line:col (path.in.file)`` of a value, or of the nearest thing around it."""
        dotted = _dotted(location)
        inside = f" ({dotted})" if dotted else ""
        if isinstance(self.content, dict) and not isinstance(self.content, CommentedMap):
            return Where(f"{self.path}{inside}", place=location)  # records that no file holds
        line, column = self._position(location)
        return Where(f"{self.path}:{line}:{column}{inside}", self.path, line, location)

    def _position(self, location: Place) -> tuple[int, int]:
        node: Any = self.content
        position = (1, 1)
        for part in location:
            if isinstance(node, CommentedMap) and part in (node.lc.data or {}):
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


def read_document(
    path: Path, model: type[ModelT], error: type[InputError]
) -> tuple[ModelT, Source]:
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
    return checked(Source(path, *_read_yaml(path, error)), model, error)


def checked(source: Source, model: type[ModelT], error: type[InputError]) -> tuple[ModelT, Source]:
    """Return the content of a source as a model, and the source.

    Raises
    ------
    InputError
        The given kind, one finding for each mistake.
    """
    if not isinstance(source.content, dict):
        kind = {"NoneType": "nothing", "CommentedSeq": "a list"}
        held = kind.get(type(source.content).__name__, "a single value")
        raise error(
            f"the file holds {held}, not keys with values",
            where=source.where(),
            mend="Start with keys, e.g. 'currency: EUR'.",
        )
    try:
        return model.model_validate(_plain(source.content)), source
    except ValidationError as failure:
        raise_findings(_findings(failure.errors(), model, source, error))
        raise  # not reached: pydantic's failure has at least one detail


def read_outside(path: Path, error: type[InputError]) -> Source:
    """Read a YAML or JSON file of a form that is not ours, each value with its line.

    Parts of it become models by ``checked_part``.

    Raises
    ------
    InputError
        The given kind, if the file is no such text, too large or too deep.
    """
    return Source(path, *_read_yaml(path, error))


def checked_part(
    source: Source, place: Place, model: type[ModelT], error: type[InputError]
) -> ModelT:
    """Return the part of a source at a path of keys as a model.

    Raises
    ------
    InputError
        The given kind, one finding for each mistake.
    """
    part = _plain(source.content)
    for key in place:
        part = part[key]
    try:
        return model.model_validate(part)
    except ValidationError as failure:
        details = failure.errors()
        for detail in details:
            detail["loc"] = (*place, *detail["loc"])
        raise_findings(_findings(details, model, source, error))
        raise  # not reached: pydantic's failure has at least one detail


def json_schema(model: type[Document]) -> str:
    """Return the JSON Schema of a document as text, for editors that check YAML while it is typed.

    It knows keys, types and limits; what only the reader can tell (holes, overlaps, names) it does
    not. Source of the form: JSON Schema draft 2020-12, https://json-schema.org/draft/2020-12.
    """
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema"} | model.model_json_schema()
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def _dotted(location: Place) -> str:
    """Return a location as people write it: ``versions[0].charges[2].rates``."""
    parts = [f"[{part}]" if isinstance(part, int) else f".{_cut(part)}" for part in location]
    text = "".join(parts)
    return text.lstrip(".")


def is_folder(path: Path) -> bool:
    """Tell whether a folder is there; a path that no system takes is none."""
    with suppress(OSError, ValueError):
        return path.is_dir()
    return False


def is_file(path: Path) -> bool:
    """Tell whether a file is there; a path that no system takes is none."""
    with suppress(OSError, ValueError):
        return path.is_file()
    return False


def beginning_of(path: Path) -> str:
    """Return the text at the beginning of a file, as far as a document may be; none if there is none."""
    with suppress(OSError, ValueError), path.open("rb") as file:
        return file.read(MAX_BYTES).decode("utf-8", errors="replace")
    return ""


class _Refused(MarkedYAMLError):  # type: ignore[misc]  # ruamel is untyped
    """A file asks for what is not read here."""

    def __init__(self, what: str, mark: Any, mend: str) -> None:
        super().__init__(None, None, what, mark)
        self.mend = mend


class _Bounded(Composer):  # type: ignore[misc]  # ruamel is untyped
    """Puts a file together while it is small: an alias counts as what it stands for.

    Otherwise ten lines of aliases of aliases become more values than a machine can hold.
    """

    def __init__(self, loader: Any = None) -> None:
        super().__init__(loader)
        self.warn_double_anchors = False
        self._values = 0
        self._sizes: dict[str, int] = {}

    def compose_node(self, parent: Any, index: Any) -> Any:
        event, before = self.parser.peek_event(), self._values
        if isinstance(event, AliasEvent):
            self._values += self._size_of(event)
        else:
            self._values += 1
            self._refuse_odd(event)
        if self._values > MAX_VALUES:
            what = f"the file has more than {MAX_VALUES:,} values"
            mend = "Put series into a CSV file; an alias counts as what it stands for."
            raise _Refused(what, event.start_mark, mend)
        node = super().compose_node(parent, index)
        if event.anchor is not None and not isinstance(event, AliasEvent):
            self._sizes[event.anchor] = self._values - before
        return node

    def _size_of(self, event: Any) -> int:
        if event.anchor in self.anchors and event.anchor not in self._sizes:
            what = f"the alias *{_cut(event.anchor)} stands inside what it stands for"
            raise _Refused(what, event.start_mark, "Write out what is meant.")
        return self._sizes.get(event.anchor, 1)

    def _refuse_odd(self, event: Any) -> None:
        if self.depth >= MAX_DEPTH:
            what = f"lists and keys stand more than {MAX_DEPTH} deep inside each other"
            raise _Refused(what, event.start_mark, "Check brackets and indentation.")
        if event.ctag is not None:
            tag = str(event.ctag).replace("tag:yaml.org,2002:", "!!")
            what = f"the tag {_cut(tag)} is not understood here"
            mend = "Leave out tags that begin with '!'; quotes make text of anything."
            raise _Refused(what, event.start_mark, mend)

    def compose_scalar_node(self, anchor: Any) -> Any:
        node = super().compose_scalar_node(anchor)
        if str(node.tag).endswith((":int", ":float")) and len(node.value) > MAX_DIGITS:
            what = f"the number {_cut(node.value)} has {len(node.value):,} characters"
            mend = f"Write a number of at most {MAX_DIGITS} characters, or quotes around text."
            raise _Refused(what, node.start_mark, mend)
        return node


def _read_yaml(path: Path, error: type[InputError]) -> tuple[Any, str]:
    """Return what a YAML file holds, and its text."""
    text = _text_of(path, error)
    if text.lstrip().startswith("{"):  # JSON is YAML, but for tabs between its values
        text = text.replace("\t", " ")
    yaml = YAML(typ="rt")
    yaml.Composer = _Bounded
    try:
        return yaml.load(text), text
    except DuplicateKeyError as failure:
        key = str(failure.problem).split(" with value")[0]
        raise error(
            f"a key stands twice: {_cut(key)}",
            where=_marked(path, failure),
            mend="Keep one of the two.",
        ) from None
    except _Refused as failure:
        raise error(failure.problem, where=_marked(path, failure), mend=failure.mend) from None
    except MarkedYAMLError as failure:
        raise error(
            f"this is not YAML: {_cut(str(failure.problem or failure.context))}",
            where=_marked(path, failure),
            mend="Check indentation, colons and quotes near this line.",
        ) from None
    except Exception as failure:  # what the library lets through on odd input is told nowhere
        line, value = _impossible_date(text) if isinstance(failure, ValueError) else (0, "")
        if value:
            raise error(
                f"{value} is no date",
                where=f"{path}:{line}",
                mend="Give a day that the month has, e.g. 2025-07-03.",
            ) from None
        told = (str(failure) or repr(failure)).splitlines()[0]
        raise error(
            f"this is not YAML that is understood here: {_cut(told)}",
            where=path,
            mend="Check dates and odd characters.",
        ) from None


def _text_of(path: Path, error: type[InputError]) -> str:
    """Return the text of a small file; what could be read without end is not begun."""
    try:
        refuse_irregular(path, error)
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
        if len(content) > MAX_BYTES:
            raise error(
                f"the file has {path.stat().st_size:,} bytes, more than {MAX_BYTES:,}",
                where=path,
                mend="Put time series into a CSV file and name it here.",
            )
        return content.decode("utf-8")
    except FileNotFoundError:
        raise error("there is no such file", where=path, mend="Check the path.") from None
    except (OSError, ValueError) as failure:  # no right to read, a name no system takes, no UTF-8
        told = failure.strerror if isinstance(failure, OSError) else failure
        raise error(
            f"the file cannot be read as UTF-8 text: {told}",
            where=path,
            mend="Give a readable text file in UTF-8.",
        ) from None


def _impossible_date(text: str) -> tuple[int, str]:
    """Return line and text of the first thing that looks like a date and is none."""
    for number, line in enumerate(text.splitlines(), start=1):
        for found in re.findall(r"\b\d{4}-\d{2}-\d{2}\b", line.partition("#")[0]):
            try:
                date.fromisoformat(found)
            except ValueError:
                return number, found
    return 0, ""


def _marked(path: Path, failure: MarkedYAMLError) -> str:
    mark = failure.problem_mark or failure.context_mark
    if "end of stream" in str(failure.problem) and failure.context_mark:
        mark = failure.context_mark  # where the quote or bracket was opened
    return f"{path}:{mark.line + 1}:{mark.column + 1}" if mark else str(path)


def _plain(node: Any) -> Any:
    """Return plain Python values: no anchors' leftovers, no comment-keeping scalars."""
    if isinstance(node, dict):
        return {key: _plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value) for value in node]
    for kind in (bool, int, float, str):
        if isinstance(node, kind):
            return kind(node)
    return node


def _findings(
    details: Sequence[ErrorDetails], model: type[Document], source: Source, error: type[InputError]
) -> list[InputError]:
    """Return one finding for each wrong value, though a union complains once for each member.

    Where one member complains of a value inside, the others' complaints about the whole are moot.
    """
    by_place: dict[Place, list[ErrorDetails]] = {}
    for detail in details:
        by_place.setdefault(_in_file(detail, source), []).append(detail)
    around = {place[:size] for place in by_place for size in range(1, len(place))}
    wrong = {place: group for place, group in by_place.items() if place not in around}
    told: list[InputError] = []
    room = MAX_TOLD
    for place, group in wrong.items():
        finding = _told(place, group, model, source, error)
        room -= len(str(finding))
        if told and room < 0:
            break
        told.append(finding)
    if more := len(wrong) - len(told):
        what = f"{more:,} more values of this file are wrong"
        told.append(error(what, where=source.path, mend="Mend the first ones, then ask again."))
    return told


def _in_file(detail: ErrorDetails, source: Source) -> Place:
    """Return a location without the tags that pydantic puts between a union and its members."""
    node: Any = source.content
    location: list[int | str] = []
    is_entered = False
    for number, part in enumerate(detail["loc"]):
        if is_entered and isinstance(node, dict) and node.get("kind") == part:
            is_entered = False  # the tag of its kind, which may be called like one of its keys
            continue
        is_last = number == len(detail["loc"]) - 1
        named = is_last and detail["type"] in {"missing", "extra_forbidden"}
        inside = isinstance(node, dict) and part in node
        if inside or (isinstance(node, list) and isinstance(part, int)):
            node, is_entered = node[part], True
            location.append(part)
        elif named:
            location.append(part)
    return tuple(location)


def _told(
    place: Place,
    details: Sequence[ErrorDetails],
    model: type[Document],
    source: Source,
    error: type[InputError],
) -> InputError:
    key = _dotted(place[-2:] if place and isinstance(place[-1], int) else place[-1:]) or "the file"
    # Of a union, the member whose form fits says most: the others only say that theirs does not.
    details = [detail for detail in details if detail["type"] == "value_error"] or details
    if len(details) > 1:
        allowed = " or ".join(dict.fromkeys(_allowed(detail) for detail in details))
        what, mend = f"{key} is {_shown(details[0]['input'])}", f"It may be {allowed}."
    elif isinstance(mistake := details[0].get("ctx", {}).get("error"), Mistake):
        what, mend, place = mistake.what, mistake.mend, place + mistake.place
    else:
        what, mend = _words(details[0], key, _models_at(model, place[:-1], source.content))
    return error(what, where=source.where(place), mend=mend)


_FORMS = {
    "float_type": ("a number", "12"),
    "finite_number": ("a finite number", "12"),
    "int_type": ("a whole number", "12"),
    "int_from_float": ("a whole number", "12"),
    "string_type": ("text", "'...'"),
    "bool_type": ("true or false", "true"),
    "date_type": ("a date", "2025-07-03 (no quotes)"),
    "list_type": ("a list", "[...]"),
    "too_short": ("a list with an entry", "[...]"),
}
"""What a value must be, and how that is written."""


def _example(field: FieldInfo | None = None) -> str:
    """Return a value that a key might have: its own example, or one of its kind."""
    if field is not None and field.examples:
        return str(field.examples[0])
    annotation = None if field is None else field.annotation
    documents = [m for m in _members(annotation) if get_origin(annotation) is not list]
    if documents:
        needed = documents[0].model_fields.items()
        inner = [f"{name}: {_example(f)}" for name, f in needed if f.is_required()]
        return "{" + ", ".join(inner) + "}"
    if get_origin(annotation) is Literal:
        return str(get_args(annotation)[0])
    kinds = {float: "5", int: "5", bool: "true", date: "2025-07-03", str: "a name"}
    return kinds.get(annotation, "[]" if get_origin(annotation) is list else "5")  # type: ignore[arg-type]


def _allowed(detail: ErrorDetails) -> str:
    if detail["type"] == "literal_error":
        return str(detail["ctx"]["expected"])
    form, _ = _FORMS.get(detail["type"], (detail["msg"].lower(), ""))
    return form


def _words(detail: ErrorDetails, key: str, models: Sequence[type[BaseModel]]) -> list[str]:
    """Return what is wrong and how to mend it."""
    kind, found = detail["type"], _shown(detail["input"])
    context = detail.get("ctx", {})
    known = sorted({f.alias or name for m in models for name, f in m.model_fields.items()})
    if kind == "missing":
        fields = [m.model_fields[key] for m in models if key in m.model_fields]
        return [f"the key {key!r} is missing", f"Add it, e.g. {key}: {_example(*fields[:1])}"]
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        choice = f"Did you mean {near[0]!r}?" if near else f"Known here: {', '.join(known)}."
        return [f"the key {key!r} is unknown", choice]
    if kind == "invalid_key":
        return [f"the key {found} is not text", f"Known here: {', '.join(known)}."]
    if kind == "string_type" and detail["loc"][-1:] == ("[key]",):
        return [f"the key {found} is not text", f"Write it in quotes, as '{found}'."]
    if kind in {"value_error", "assertion_error"}:
        return [str(context["error"]), "Correct this value."]
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        kinds = ", ".join(name for m in models for name in _kinds(m)) or "see the tariffs' README"
        given = detail["input"].get("kind") if isinstance(detail["input"], dict) else None
        told = f"kind is {_shown(given)}" if given is not None else "the key 'kind' is missing"
        return [told, f"Write kind: with one of {kinds}."]
    return _plain_words(kind, key, found, context, detail["msg"])


def _plain_words(kind: str, key: str, found: str, context: Any, message: str) -> list[str]:
    if kind == "literal_error":
        return [f"{key} is {found}; allowed: {context['expected']}", "Choose one of these."]
    if kind in {"too_short", "too_long"} and context["actual_length"]:
        count, allowed = context["actual_length"], _length_allowed(context)
        return [
            f"{key} has {count} {'entry' if count == 1 else 'entries'}; it must have {allowed}",
            f"Write a list of {allowed}, e.g. {key}: [...]",
        ]
    if kind in _COMPARISONS:
        limit = f"{next(iter(context.values())):,.10g}"
        return [f"{key} is {found}; it must be {_COMPARISONS[kind]} {limit}", "Check the unit."]
    if kind == "finite_number":
        return [f"{key} is {found}, no finite number", "Write a number, or leave the key out."]
    if kind in _FORMS:
        form, example = _FORMS[kind]
        if (meant := _meant(kind, found)) is not None:
            value, why = meant
            value = value if key.endswith("]") else f"{key}: {value}"
            return [f"{key} is {found}, not {form}", f"Write {value}{why}."]
        example = example if key.endswith("]") else f"{key}: {example}"
        return [f"{key} is {found}, not {form}", f"Write {form}, e.g. {example}"]
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return [f"{key} is {found}, not keys with values", f"Write keys below {key}:, indented."]
    return [f"{key} is {found}: {message.lower()}", "Correct this value."]


def _meant(kind: str, found: str) -> tuple[str, str] | None:
    """Return the value that a text was most likely meant as, and what is wrong with the text."""
    text = found.strip("'\"").strip()
    if kind in {"float_type", "int_type"}:
        plain = text.removesuffix("%").rstrip()
        percent = ", without the per cent sign" if plain != text else ""
        if re.fullmatch(r"[-+]?\d+,\d+", plain):
            return plain.replace(",", "."), f", with a decimal point and no comma{percent}"
        if percent and re.fullmatch(r"[-+]?\d+(\.\d+)?", plain):
            return plain, percent
    if kind == "list_type" and found.startswith("'") and not found.endswith("…"):
        return f'["{text}"]' if '"' not in text else f"[{found}]", ", a list in brackets"
    return None


_COMPARISONS = {
    "greater_than": "greater than",
    "greater_than_equal": "at least",
    "less_than": "less than",
    "less_than_equal": "at most",
}


def _length_allowed(context: Any) -> str:
    least = context.get("min_length")
    return f"at most {context['max_length']}" if least is None else f"at least {least}"


def _shown(found: Any) -> str:
    """Return a value as the file has it, cut if it is long."""
    text = "blank" if found is None else repr(found)
    if isinstance(found, bool | date):
        text = str(found).replace("True", "true").replace("False", "false")
    return _cut(text)


def _cut(text: str) -> str:
    return text if len(text) <= MAX_SHOWN else f"{text[:MAX_SHOWN]}…"


def _models_at(model: type[BaseModel], location: Place, content: Any) -> list[type[BaseModel]]:
    """Return the models that describe a place in the file; of a union those of the written kind."""
    found: list[type[BaseModel]] = [model]
    node = content
    for part in location:
        node = node[part] if _has(node, part) else None
        if isinstance(part, int):
            kind = node.get("kind") if isinstance(node, dict) else None
            found = [m for m in found if kind in _kinds(m)] or found
            continue
        fields = [m.model_fields[part] for m in found if part in m.model_fields]
        if fields:
            found = [member for field in fields for member in _members(field.annotation)]
    return found


def _has(node: Any, part: int | str) -> bool:
    if isinstance(node, dict):
        return part in node
    return isinstance(node, list) and isinstance(part, int) and part < len(node)


def _kinds(model: type[BaseModel]) -> tuple[str, ...]:
    field = model.model_fields.get("kind")
    return getattr(field.annotation, "__args__", ()) if field else ()


def _members(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    inner = getattr(annotation, "__args__", ()) or ()
    return [member for argument in inner for member in _members(argument)]


def files_of(source: Source) -> Iterator[Path]:
    """Yield a document and the files that it names, from its folder."""
    yield source.path
    for text in _texts_in(source.content):
        path = source.path.parent / text
        if is_file(path):
            yield path


def _texts_in(content: Any) -> Iterator[str]:
    if isinstance(content, str):
        yield content
    elif isinstance(content, dict):
        for value in content.values():
            yield from _texts_in(value)
    elif isinstance(content, list):
        for value in content:
            yield from _texts_in(value)


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def digest_of_text(text: str) -> str:
    """Return the SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
