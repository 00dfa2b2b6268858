"""What floors cost, as a page and as files."""

from __future__ import annotations

from pathlib import Path

from markupsafe import Markup

from optimizer.base.files import write_all
from optimizer.report.figures import draw_floors
from optimizer.report.fits import CAUTIONS
from optimizer.report.formats import FLOORS
from optimizer.report.reserve import (
    AFTER_PRICES,
    about_prices,
    floors_record,
    group_names,
    price_rows,
)
from optimizer.report.templates import rendered
from optimizer.report.verified import marked, nothing_yet
from optimizer.workflows.reserve import FloorPrices


def write_floors(prices: FloorPrices, folder: Path) -> list[Path]:
    """Write ``floors.json`` and ``floors.html``.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    curve, currency = prices.curve, prices.brief.currency
    estimate = prices.brief.scenario.forecast.estimate
    names = group_names(curve)
    figures = draw_floors(
        curve.levels_pct, dict(zip(names, curve.price, strict=True)),
        dict(zip(names, curve.lasting, strict=True)), currency, curve.hours,
    )  # fmt: skip
    shown = {
        "figures": [Markup(svg) for svg in figures], "names": names, "rows": price_rows(curve),
        "about": about_prices(curve, currency), "after": AFTER_PRICES,
        "verified": marked(nothing_yet(prices.brief.scenario.inputs)),
        "cautions": [*CAUTIONS, *([estimate] if estimate else [])],
    }  # fmt: skip
    texts = {
        "floors.json": FLOORS.text(floors_record(curve)),
        "floors.html": rendered("floors_page.html", scenario=prices.brief.scenario, **shown),
    }
    write_all(texts, folder)
    return [folder / name for name in texts]
