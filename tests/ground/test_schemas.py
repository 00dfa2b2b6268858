"""The checker of schemas, on documents judged by hand."""

from __future__ import annotations

import pytest

from tests.schemas import faults

SCHEMA = {
    "$defs": {
        "Leaf": {
            "type": "object",
            "properties": {"size": {"type": "number", "minimum": 0}},
            "required": ["size"],
            "additionalProperties": False,
        }
    },
    "type": "object",
    "properties": {
        "name": {"const": "tree"},
        "leaves": {"type": "array", "items": {"$ref": "#/$defs/Leaf"}},
        "age": {"anyOf": [{"type": "integer"}, {"type": "null"}]},
        "sums": {"type": "object", "additionalProperties": {"type": "number"}},
    },
    "required": ["name", "leaves", "age"],
    "additionalProperties": False,
}
GOOD = {"name": "tree", "leaves": [{"size": 1.5}, {"size": 0}], "age": None, "sums": {"any": 1}}


def test_a_document_that_holds_has_no_faults() -> None:
    assert faults(GOOD, SCHEMA) == []
    assert faults({**GOOD, "age": 3}, SCHEMA) == []


@pytest.mark.parametrize(
    ("changed", "at"),
    [
        ({"name": "bush"}, "$.name"),
        ({"leaves": [{"size": "big"}]}, "$.leaves[0].size"),
        ({"leaves": [{"size": -1}]}, "$.leaves[0].size"),
        ({"leaves": [{}]}, "$.leaves[0].size"),
        ({"leaves": [{"size": 1, "hue": 2}]}, "$.leaves[0].hue"),
        ({"leaves": None}, "$.leaves"),
        ({"age": True}, "$.age"),
        ({"age": 1.5}, "$.age"),
        ({"sums": {"any": "1"}}, "$.sums.any"),
        ({"roots": 1}, "$.roots"),
    ],
)
def test_a_fault_is_found_where_it_is(changed: dict, at: str) -> None:
    (fault,) = faults({**GOOD, **changed}, SCHEMA)
    assert fault.startswith(at)


def test_a_missing_key_is_found() -> None:
    assert faults({"name": "tree", "leaves": []}, SCHEMA) == ["$.age is missing"]


def test_a_word_that_is_not_known_here_ends_the_check() -> None:
    with pytest.raises(KeyError):
        faults(1, {"multipleOf": 2})
