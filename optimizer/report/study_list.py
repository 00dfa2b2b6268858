"""The cases of a study as text, before anything runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, cast

from optimizer.base.units import number
from optimizer.report.shapes import StudyListRecord
from optimizer.report.wrapping import cells as cells_of
from optimizer.report.wrapping import padded
from optimizer.studies.estimate import duration

SHOWN = 40
"""How many cases a list shows."""

LISTED = ("site", "tariff", "controls", "way", "battery_kwh", "discharge_kw", "inverter_kw", "load_times",
          "pv_times", "prices_rise_pct_per_year")  # fmt: skip
"""What a list tells of each case."""


def list_text(extent: Mapping[str, Any], cases: Sequence[Mapping[str, Any]]) -> str:
    """Return the cases of a study and what they take, before anything runs.

    Parameters
    ----------
    extent : mapping
        ``study``, ``families``, ``pieces`` of work, ``about_seconds``.
    cases : sequence of mappings
        The cases, with the columns of the table that are known before.
    """
    varied = [name for name in LISTED if len({case[name] for case in cases}) > 1] or ["site"]
    rows = [["case", *varied]]
    rows += [[str(case["case"]), *(_cell(case[name]) for name in varied)] for case in cases[:SHOWN]]
    widths = [max(cells_of(row[place]) for row in rows) for place in range(len(rows[0]))]
    lines = [
        "  "
        + "  ".join(
            padded(cell, width, right=True) for cell, width in zip(row, widths, strict=True)
        )
        for row in rows
    ]
    if len(cases) > SHOWN:
        lines.append(f"  … and {len(cases) - SHOWN:,} more")
    counts = f"{len(cases):,} cases, {extent['families']} compiled models"
    takes = duration(extent["about_seconds"])
    return "\n".join([
        f"CASES OF THE STUDY: {extent['study']}",
        *lines,
        f"{counts}, about {extent['pieces']:,} plans with windows: about {takes}.",
        "That is an estimate from a like machine; what is known already is not done again.",
    ])  # fmt: skip


def _cell(value: Any) -> str:
    return number(value) if isinstance(value, float) else str(value)


def list_record(extent: Mapping[str, Any], cases: Sequence[Mapping[str, Any]]) -> StudyListRecord:
    """Return the same as plain data."""
    return cast(StudyListRecord, {**extent, "cases": [dict(case) for case in cases]})
