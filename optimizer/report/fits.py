"""Whether equipment and loads fit together: findings as text and as data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.report.shapes import FitRecord
from optimizer.report.wrapping import filled

if TYPE_CHECKING:
    from optimizer.evaluation.fit_check import Finding


CAUTIONS = (
    "This is arithmetic from a forecast for a talk with a licensed electrician; what an installation may"
    " carry, and how it is cut off from the grid, is for them and the local authority.",
    "Devices on which a life depends need a plan of their own that does not rest on this battery.",
)


def fits_text(findings: Sequence[Finding]) -> str:
    """Return findings, the serious ones first, as text."""
    order = {"serious": 0, "odd": 1, "information": 2}
    ranked = sorted(findings, key=lambda finding: order[finding.severity])
    lines = [filled(f"{each.severity}: {each.sentence()}", "  - ") for each in ranked]
    return "\n".join([
        "DO EQUIPMENT AND LOADS FIT TOGETHER", *lines, *(filled(each) for each in CAUTIONS)
    ])  # fmt: skip


def fits_record(findings: Sequence[Finding]) -> list[FitRecord]:
    """Return findings as plain data."""
    return [
        {
            "severity": each.severity, "what": each.what, "value": each.value,
            "limit": each.limit, "source": each.source, "mend": each.mend,
        }
        for each in findings
    ]  # fmt: skip
