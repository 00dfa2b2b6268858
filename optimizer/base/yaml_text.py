"""Data as YAML that a person could have typed."""

from __future__ import annotations

import io
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.scalarstring import DoubleQuotedScalarString


def typed_yaml(data: dict[str, Any]) -> str:
    """Return data as YAML that a person could have typed."""
    yaml = YAML()
    yaml.default_flow_style = None
    yaml.width = 120
    text = io.StringIO()
    yaml.dump(as_typed(data), text)
    return text.getvalue()


def as_typed(node: Any) -> Any:
    """Return data as a person would type it: 80 instead of 80.0, and clock times in quotes.

    Without quotes, readers of older YAML take 16:00 for the number 960, and signs that are not to be
    seen are lost.
    """
    if isinstance(node, dict):
        return {key: as_typed(value) for key, value in node.items()}
    if isinstance(node, list):
        return [as_typed(value) for value in node]
    if isinstance(node, float) and node.is_integer():
        return int(node)
    if isinstance(node, str) and (":" in node or not node.isprintable()):
        return DoubleQuotedScalarString(node)
    return node
