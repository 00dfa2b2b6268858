"""The formats of what is written and printed as JSON: their names, versions and schemas.

A record begins with ``format`` and ``format_version``, by which a program knows what it reads. A version
rises when a key goes away or changes its meaning; a new key alone does not raise it. JSON is written in
ASCII, so that no terminal or pipe changes it. Read next: ``record``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from optimizer.report import shapes

T = TypeVar("T", bound=Mapping[str, Any])

OF_COLUMNS: dict[str, Any] = {
    "StudyRow": {"type": ["number", "string", "boolean", "null"]},
    "ReadPoint": {
        "type": ["number", "object"],
        "properties": {"lowest": {"type": "number"}, "highest": {"type": "number"}},
        "required": ["lowest", "highest"],
    },
}
"""What may stand in columns that records have beside the keys described; others have none."""


@dataclass(frozen=True)
class Format(Generic[T]):
    """A kind of record, and the description of its keys."""

    kind: str
    version: int
    shape: type[T]

    @property
    def name(self) -> str:
        """The name that stands in the record."""
        return f"tariffwright {self.kind}"

    @property
    def file(self) -> str:
        """The name of the schema's file."""
        return f"{self.kind.replace(' ', '_')}.json"

    def text(self, record: T, indent: int | None = 2) -> str:
        """Return a record as JSON text; without an indent on one line.

        Raises
        ------
        ValueError
            If a figure is endless or not a number, which JSON does not know.
        """
        head = {"format": self.name, "format_version": self.version}
        return json.dumps(head | dict(record), indent=indent, allow_nan=False) + "\n"

    def schema(self) -> str:
        """Return the JSON Schema (draft 2020-12) of the record as text."""
        from pydantic import TypeAdapter

        shapes.name_models()
        schema = TypeAdapter(self.shape).json_schema(ref_template="#/$defs/{model}")
        parts = schema.setdefault("$defs", {})
        if "properties" not in schema:  # a shape that refers to itself stands among its parts
            schema |= parts[schema.pop("$ref").rpartition("/")[2]]
        head = {"format": {"const": self.name}, "format_version": {"const": self.version}}
        schema["properties"] = head | schema["properties"]
        schema["required"] = [*head, *schema["required"]]
        for part in (schema, *parts.values()):
            if "properties" in part:
                part["additionalProperties"] = OF_COLUMNS.get(part.get("title", ""), False)
        schema["title"] = f"{self.name}, version {self.version}"
        whole = {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema
        return json.dumps(whole, indent=2, ensure_ascii=False) + "\n"


ERROR = Format("error", 1, shapes.ErrorRecord)
PLAN = Format("plan", 1, shapes.PlanRecord)
OUTAGES = Format("outages", 1, shapes.OutagesRecord)
FLOORS = Format("floors", 1, shapes.FloorsRecord)
FORECAST = Format("forecast", 1, shapes.ForecastRecord)
REVIEW = Format("review", 1, shapes.ReviewFileRecord)
HISTORY = Format("history", 1, shapes.HistoryRecord)
OFF_GRID = Format("stay off", 1, shapes.OffGridRecord)
TOMORROW = Format("tomorrow", 1, shapes.TomorrowRecord)
MENU = Format("menu", 1, shapes.MenuRecord)
BILL = Format("bill", 1, shapes.MeterBillRecord)
TWO_BILLS = Format("two bills", 1, shapes.TwoBillsRecord)
PAID_BILL = Format("paid bill", 1, shapes.ReconciledRecord)
READING = Format("reading", 1, shapes.ReadRecord)
TARIFF_READING = Format("tariff reading", 1, shapes.TariffReadingRecord)
CHECK = Format("check", 1, shapes.CheckRecord)
WORKED_BILLS = Format("worked bills", 1, shapes.WorkedRecord)
FLEET_SITE = Format("fleet site", 1, shapes.FleetSiteRecord)
FLEET = Format("fleet", 1, shapes.FleetRecord)
STUDY = Format("study", 1, shapes.StudyRecord)
STUDY_LIST = Format("study list", 1, shapes.StudyListRecord)
MANIFEST = Format("manifest", 1, shapes.ManifestRecord)
VERIFICATION = Format("verification", 1, shapes.VerificationRecord)

FORMATS: tuple[Format[Any], ...] = (
    ERROR, PLAN, OUTAGES, FLOORS, FORECAST, REVIEW, HISTORY, OFF_GRID, TOMORROW, MENU, BILL, TWO_BILLS,
    PAID_BILL, READING, TARIFF_READING, CHECK, WORKED_BILLS, FLEET_SITE, FLEET, STUDY, STUDY_LIST,
    MANIFEST, VERIFICATION,
)  # fmt: skip
"""All formats, the schemas of which are published."""
