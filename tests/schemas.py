"""Checks a document against a JSON Schema: the words of draft 2020-12 that ours use, and no others.

Source of what the words mean: JSON Schema Validation, draft 2020-12. ``tests/ground/test_schemas.py``
holds it to documents judged by hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

SILENT = {
    "$schema",
    "$defs",
    "title",
    "description",
    "default",
    "discriminator",
    "format",
    "examples",
}
"""Words that ask nothing of a document."""

TYPES: dict[str, Callable[[Any], bool]] = {
    "object": lambda value: isinstance(value, dict),
    "array": lambda value: isinstance(value, list),
    "string": lambda value: isinstance(value, str),
    "boolean": lambda value: isinstance(value, bool),
    "null": lambda value: value is None,
    "number": lambda value: isinstance(value, int | float) and not isinstance(value, bool),
    "integer": lambda value: (
        not isinstance(value, bool)
        and (isinstance(value, int) or (isinstance(value, float) and value.is_integer()))
    ),
}


def faults(document: Any, schema: dict[str, Any]) -> list[str]:
    """Return what is wrong in a document, each with its place; nothing if it holds to the schema."""
    return list(_faults(document, schema, schema.get("$defs", {}), "$"))


def _faults(value: Any, schema: Any, parts: dict[str, Any], at: str) -> Iterator[str]:
    for word, said in schema.items():
        if word not in SILENT:
            yield from WORDS[word](value, said, schema, parts, at)


def _of_type(value, said, _schema, _parts, at):
    kinds = [said] if isinstance(said, str) else said
    if not any(TYPES[kind](value) for kind in kinds):
        yield f"{at} is no {' or '.join(kinds)}: {value!r:.40}"


def _reference(value, said, _schema, parts, at):
    yield from _faults(value, parts[said.rpartition("/")[2]], parts, at)


def _any_of(value, said, _schema, parts, at):
    found = [list(_faults(value, each, parts, at)) for each in said]
    if all(found):
        yield f"{at} is none of what it may be: {min(found, key=len)}"


def _properties(value, said, _schema, parts, at):
    for key in set(said) & set(value if isinstance(value, dict) else {}):
        yield from _faults(value[key], said[key], parts, f"{at}.{key}")


def _required(value, said, _schema, _parts, at):
    for key in said if isinstance(value, dict) else ():
        if key not in value:
            yield f"{at}.{key} is missing"


def _additional(value, said, schema, parts, at):
    for key in set(value if isinstance(value, dict) else {}) - set(schema.get("properties", {})):
        if said is False:
            yield f"{at}.{key} is unknown"
        elif said is not True:
            yield from _faults(value[key], said, parts, f"{at}.{key}")


def _names(value, said, _schema, parts, at):
    for key in value if isinstance(value, dict) else ():
        yield from _faults(key, said, parts, f"{at}, key")


def _items(value, said, schema, parts, at):
    if isinstance(value, list):
        for place, each in enumerate(value[len(schema.get("prefixItems", ())) :]):
            if said is False:
                yield f"{at}[{place}] is too many"
            else:
                yield from _faults(each, said, parts, f"{at}[{place}]")


def _prefix(value, said, _schema, parts, at):
    for place, (each, its) in enumerate(zip(value, said, strict=False)):
        yield from _faults(each, its, parts, f"{at}[{place}]")


def _bound(is_kept: Callable[[Any, Any], bool], kinds: type | tuple[type, ...]):
    def check(value, said, _schema, _parts, at):
        if isinstance(value, kinds) and not isinstance(value, bool) and not is_kept(value, said):
            yield f"{at} is beyond {said}: {value!r:.40}"

    return check


WORDS: dict[str, Callable[..., Iterator[str]]] = {
    "type": _of_type,
    "$ref": _reference,
    "anyOf": _any_of,
    "oneOf": _any_of,
    "properties": _properties,
    "required": _required,
    "additionalProperties": _additional,
    "propertyNames": _names,
    "items": _items,
    "prefixItems": _prefix,
    "const": _bound(lambda value, said: value == said, object),
    "enum": _bound(lambda value, said: value in said, object),
    "minimum": _bound(lambda value, said: value >= said, (int, float)),
    "maximum": _bound(lambda value, said: value <= said, (int, float)),
    "exclusiveMinimum": _bound(lambda value, said: value > said, (int, float)),
    "exclusiveMaximum": _bound(lambda value, said: value < said, (int, float)),
    "minLength": _bound(lambda value, said: len(value) >= said, str),
    "maxLength": _bound(lambda value, said: len(value) <= said, str),
    "minItems": _bound(lambda value, said: len(value) >= said, list),
    "maxItems": _bound(lambda value, said: len(value) <= said, list),
    "pattern": _bound(lambda value, said: re.search(said, value) is not None, str),
}
"""What each word asks; a word that stands here not at all ends the check with a KeyError."""
