"""A past season held against its promise, as a page: from the promised saving to the real one.

Read next: ``page``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from optimizer.base.files import write_all
from optimizer.report.drawing import HALF, Drawing, Look, Panel, cut, width_of
from optimizer.report.drawing_scales import Scale, span_of
from optimizer.report.formats import REVIEW
from optimizer.report.review import (
    HOW_COMPARED,
    Row,
    evidence,
    review_csv,
    review_file_record,
    rows,
)
from optimizer.report.templates import rendered
from optimizer.report.verified import NOT_YET, marked

if TYPE_CHECKING:
    from optimizer.evaluation.review import Review
    from optimizer.scenario.scenario import Scenario

PAGE, RECORD, STEPS = "review.html", "review.json", "review.csv"

SAVED = Look("green", kind="area")
MORE, LESS = Look("sky", kind="area"), Look("orange", kind="area", hatch="|")
HIGH = 26.0
"""Height of a line with its bar. [px]"""


def write_review(review: Review, scenario: Scenario, folder: Path) -> list[Path]:
    """Write ``review.json``, ``review.csv`` and the page ``review.html``.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {
        RECORD: REVIEW.text(review_file_record(review, scenario)),
        STEPS: review_csv(review),
        PAGE: review_page(review, scenario),
    }
    write_all(texts, folder)
    return [folder / name for name in texts]


def review_page(review: Review, scenario: Scenario) -> str:
    """Return a page that tells of a past season alone."""
    return rendered(
        "review_page.html",
        scenario=scenario,
        review=review,
        figure=Markup(draw_causes(rows(review)[:-1], review.currency)),
        rows=rows(review),
        evidence=evidence(review),
        how_compared=HOW_COMPARED,
        verified=marked(NOT_YET),
    )


def draw_causes(told: list[Row], currency: str) -> str:
    """Return savings as bars from zero, and between them each cause from where the one before it ended."""
    ends, at = list[tuple[float, float]](), 0.0
    for row in told:
        begin = at if row.is_cause else 0.0
        at = begin + row.amount
        ends.append((begin, at))
    spoken = f"Savings, {currency}: {'; '.join(f'{row.name} {row.told}' for row in told)}."
    drawing = Drawing(HALF, HIGH * len(told) + 44, spoken)
    left = max(width_of(row.name) for row in told) + 12
    room = max(width_of(row.told) for row in told) + 10
    low, high = span_of([end for pair in ends for end in pair], margin=0.0, with_zero=True)
    begin = left + (room if low < 0 else 0)
    scale = Scale(low, high, begin, HALF - room)
    for place, (row, pair) in enumerate(zip(told, ends, strict=True)):
        top = HIGH * place + 4
        drawing.text(left - 8, top + 14, row.name, "" if row.is_cause else "strong", "end")
        panel = Panel(drawing, scale, Scale(0, 1, top + 20, top))
        panel.block(pair, (0, 1), (MORE if row.amount >= 0 else LESS) if row.is_cause else SAVED)
        is_right = max(pair) > 0
        at_text = scale(max(pair)) + 5 if is_right else scale(min(pair)) - 5
        drawing.text(at_text, top + 14, row.told, "", "start" if is_right else "end")
    whole = Panel(drawing, scale, Scale(0, 1, HIGH * len(told) + 4, 0))
    whole.upright(0.0, "axis")
    words = f"saved over no windows, {currency}"
    drawing.text(begin, HIGH * len(told) + 24, cut(words, HALF - 8 - begin))
    return drawing.svg()
