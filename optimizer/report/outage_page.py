"""Outages as a page and as files.

Read next: ``page``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.files import write_all
from optimizer.outages.outages import IN_TEN, Outages
from optimizer.report.figures import draw_hours_reached
from optimizer.report.formats import OUTAGES
from optimizer.report.outages import (
    carried_text,
    hours_text,
    outage_cautions,
    outage_csv,
    outage_sentences,
    outages_record,
    share_rows,
)
from optimizer.report.templates import rendered
from optimizer.report.verified import NOT_YET, marked
from optimizer.workflows.outage import OutageResult


def write_outages(result: OutageResult, folder: Path) -> list[Path]:
    """Write ``outages.csv``, ``outages.json`` and ``outages.html``.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {
        "outages.csv": outage_csv(result),
        "outages.json": OUTAGES.text(outages_record(result)),
        "outages.html": outage_page(result),
    }
    write_all(texts, folder)
    return [folder / name for name in texts]


def outage_page(result: OutageResult) -> str:
    """Return a page that tells of outages alone."""
    return rendered(
        "outage_page.html",
        scenario=result.brief.scenario,
        settings=result.settings,
        outages=outage_section(result.outages),
        verified=marked(NOT_YET),
    )


def outage_section(outages: Outages) -> dict[str, Any]:
    """Return what the page shows of outages."""
    table = outages.by_month_and_hour()
    return {
        "carried": carried_text(outages),
        "figures": _figures(outages),
        "rows": share_rows(outages),
        "sentences": outage_sentences(outages),
        "reasons": outages.reasons(),
        "cautions": outage_cautions(outages),
        "hours": [f"{hour:02d}" for hour in range(24)],
        "table": [
            (MONTH_NAMES[month], [hours_text(value) for value in row])
            for month, row in enumerate(table)
            if not np.isnan(row).all()
        ],
    }


def _figures(outages: Outages) -> list[Markup]:
    """Return the hours that outages reach, by clock hour and by month, as two pictures."""
    months = [name[:3] for name in MONTH_NAMES]
    return [
        Markup(draw_hours_reached(
            dict(zip(IN_TEN, reached.tolist(), strict=True)), ticks, when, outages.horizon_h
        ))
        for reached, ticks, when in (
            (outages.reached_by_hour(), [f"{h:02d}:00" for h in range(24)], "grid fails at"),
            (outages.reached_by_month(), months, "grid fails in"),
        )
    ]  # fmt: skip
