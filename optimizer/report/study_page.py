"""A study as one page for a client: the answer first, then figures, verdicts and assumptions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from optimizer.base.units import money, number, percent
from optimizer.economics.cash_flow import SIGNED
from optimizer.report.study_assumptions import assumptions
from optimizer.report.study_figures import (
    draw_along,
    draw_cash_flow,
    draw_chances,
    draw_life,
    draw_sizes,
    draw_swings,
    panels_of,
)
from optimizer.report.study_words import (
    Names,
    advice,
    against_words,
    answer,
    asked_sentence,
    cautions,
    cliff_sentences,
    closely_words,
    columns_of,
    counts_sentence,
    end_text,
    flow_rows,
    marginal_rows,
    money_paragraphs,
    not_done,
    npv_or_failed,
    order_note,
    ranked_once,
    ranking_words,
    size_rows,
    size_sentence,
    size_text,
    source_rows,
    swing_words,
)
from optimizer.report.verified import NOT_YET, marked
from optimizer.settings.windows import floors_text
from optimizer.studies.verdict import Row, StudyResult, Verdict

FIRST = 8
"""So many of the best cases stand on the first page."""

ROWS_OF_A_SITE = 30
"""So many of the best cases of each site stand on the page."""

MOST_VERDICTS = 12
"""So many best cases are shown closely."""

WHOLE_TABLE = "the table beside this page (cases.parquet, cases.csv or cases.xlsx)"

LINE_FOR_EACH = ("inputs_sha256", "families")
"""Parts of the manifest of which each entry stands on a line of its own."""

BEFORE_ENTERING = (
    "Check the connection agreement before the battery is charged from the grid or stored energy is sold.",
    "Stay within the maker's limits of temperature, current and depth of discharge.",
    "Wiring, breakers and backfeed are for licensed people and the local authority.",
)


def study_page(result: StudyResult) -> str:
    """Return a study as one self-contained HTML page.

    Parameters
    ----------
    result : StudyResult
        All that the study came to.
    """
    loader = PackageLoader("optimizer.report", "templates")
    pages = Environment(loader=loader, autoescape=True, undefined=StrictUndefined)
    names = Names.of(result)
    ranked = ranked_once(result)
    return pages.get_template("study.html").render(
        result=result,
        asked=f"{asked_sentence(result, names)} {counts_sentence(result)}",
        answer=answer(result, names),
        advice=advice(result, names),
        against=against_words(result, names),
        ranked_by=ranking_words(result),
        order_note=order_note(result),
        first=_table(result, names, ranked[:FIRST], in_full=False),
        more=_more(result, names, result.ranked_each if result.together else ranked),
        whole_table=WHOLE_TABLE,
        by_size=_by_size(result, names),
        sizes=[
            {
                "sentence": size_sentence(result, names, sized),
                "table": size_rows(result, sized),
                "cliffs": cliff_sentences(result, sized),
                "figure": draw_along(sized, result.currency),
            }
            for sized in result.sized
        ],
        verdicts=[_section(result, names, each) for each in result.verdicts[:MOST_VERDICTS]],
        not_shown=max(len(result.verdicts) - MOST_VERDICTS, 0),
        before_entering=BEFORE_ENTERING,
        assumptions=assumptions(result),
        verified=marked(NOT_YET),
        methods=list(_methods(result)),
        not_done=not_done(result, names),
        cautions=cautions(result),
        manifest=list(_manifest(names, result.manifest)),
    )


# --- the ranked table ------------------------------------------------------------------------


def _table(
    result: StudyResult, names: Names, rows: Sequence[Row], *, in_full: bool
) -> dict[str, Any]:
    columns = columns_of(result, names, in_full=in_full)
    if in_full:  # it stands under the name of its site
        columns = [column for column in columns if column.heading != "site"]
    return {
        "heading": [(column.heading, column.is_number) for column in columns],
        "rows": [[(column.cell(row), column.is_number) for column in columns] for row in rows],
    }


def _more(result: StudyResult, names: Names, ranked: list[Row]) -> list[dict[str, Any]]:
    """Return the best rows of each site, with bills and investments."""
    of_sites = {site: [row for row in ranked if row["site"] == site] for site in names.sites}
    return [
        {
            "site": names.sites[site],
            "table": _table(result, names, rows[:ROWS_OF_A_SITE], in_full=True),
            "shown": min(len(rows), ROWS_OF_A_SITE),
            "all": len(rows),
        }
        for site, rows in of_sites.items()
        if rows
    ]


def _by_size(result: StudyResult, names: Names) -> list[Markup]:
    """Return the figures of worth against size."""
    panels = panels_of(result, names)
    figures = draw_sizes(panels, f"{ranking_words(result)}, {result.currency}")
    return [Markup(svg) for svg in figures]


# --- a verdict -------------------------------------------------------------------------------


def _section(result: StudyResult, names: Names, verdict: Verdict) -> dict[str, Any]:
    row, settings = verdict.row, verdict.settings
    return {
        "site": names.site(row),
        "size": size_text(row),
        "terms": names.terms(row),
        "number": verdict.number,
        "why": closely_words(result, verdict),
        "paragraphs": money_paragraphs(result, verdict),
        "floors": floors_text(settings),
        "elsewhere": settings.elsewhere(),
        "windows": [settings.sentence(place, verdict.whole_kw) for place in settings.places()],
        "sources": [(words, money(amount)) for words, amount in source_rows(result, row)],
        "saved": money(row[f"windows_save_over_no_battery_{result.money}"]),
        "marginal": [(what, money(worth)) for what, worth in marginal_rows(result, row)],
        "flow": _flow_table(verdict),
        "life": _life_rows(verdict),
        "swings": _swing_rows(verdict),
        "chances": _chance_rows(verdict),
        **_verdict_figures(result, verdict),
    }


def _flow_table(verdict: Verdict) -> dict[str, Any]:
    """Return the cash flow by year, without parts that are zero in all years."""
    flow = verdict.money.flow
    parts = [part for part in SIGNED if getattr(flow, part).any()]
    keys = [*parts, "net", "discounted_so_far"]
    return {
        "heading": [*parts, "sum", "all to then, discounted"],
        "rows": [
            (row["year"], [money(row[key]) if row[key] else "–" for key in keys])
            for row in flow_rows(flow)
        ],
    }


def _life_rows(verdict: Verdict) -> list[list[str]]:
    life = verdict.money.life
    return [
        [
            str(year + 1),
            percent(life.health[year], 1),
            percent(life.pv[year], 1),
            money(life.saved[year]),
            money(life.plan_saved[year]),
            number(life.discharged_kwh[year], 0),
            ", ".join(_events(verdict, year)),
        ]
        for year in range(len(life.health))
    ]


def _events(verdict: Verdict, year: int) -> Iterator[str]:
    if verdict.money.life.is_new[year]:
        yield "new battery"
    if verdict.money.life.is_planned[year]:
        yield "planned"


def _swing_rows(verdict: Verdict) -> list[list[str]]:
    return [
        [
            swing_words(swing),
            end_text(swing.name, swing.low),
            npv_or_failed(swing.npv_low),
            end_text(swing.name, swing.high),
            npv_or_failed(swing.npv_high),
        ]
        for swing in verdict.swings
    ]


def _chance_rows(verdict: Verdict) -> list[list[str]]:
    if verdict.chances is None:
        return []
    words = {"first_saving": "saving of the first year", "npv": "net present value"}
    return [
        [words[name], *map(money, values)] for name, values in verdict.chances.quantiles().items()
    ]


def _verdict_figures(result: StudyResult, verdict: Verdict) -> dict[str, Any]:
    flow, life, currency = verdict.money.flow, verdict.money.life, result.currency
    npv, chances = verdict.money.worth.npv, verdict.chances
    return {
        "flow_figure": Markup(draw_cash_flow(flow, currency)),
        "life_figures": [Markup(svg) for svg in draw_life(life, currency)],
        "swings_figure": Markup(
            draw_swings(npv, verdict.swings, currency) if verdict.swings else ""
        ),
        "chances_figure": Markup("" if chances is None else draw_chances(chances, currency)),
    }


# --- notes and manifest ----------------------------------------------------------------------


def _methods(result: StudyResult) -> Iterator[str]:
    yield (
        "Savings in the ranked table are those of the first year with new equipment. They count wear and"
        " the worth of what is left in the battery as the scenarios state them; cash flows count bills"
        " alone, since wear is paid for there when the battery is replaced."
    )
    yield (
        "Where a saving comes from is told by following each stored kWh: what filling it cost goes along with"
        " it, and it counts by whether it came from PV or grid and whether it left to the building or was"
        " sold. Prices are read along the straight way from the meter without the battery to the meter"
        " with it. What peaks explain of the rest is lower demand; what nothing explains is shown as other."
        " So the parts add up to the whole."
    )
    yield (
        "What one unit more would be worth follows from the cheapest plan's shadow prices, for a small"
        " change of new equipment; a large change is worth less."
    )
    if result.terms is not None:
        yield from _methods_of_money(result)
    if result.draws is not None:
        yield (
            "A drawn life keeps one level of load for good, meets another drawn weather every year and its"
            " own rise of prices; windows are kept as they are. It does not contain a change of tariff, a"
            " battery that ages otherwise or fails, other equipment prices, or weather that was never"
            " metered."
        )


def _methods_of_money(result: StudyResult) -> Iterator[str]:
    yield (
        "In planned years the worn battery and PV are planned anew and windows are found anew; in the years"
        " between, saving and energy are taken to change evenly from one planned year to the next."
        " Capacity falls by time and by the cycles of the last planned year."
    )
    yield (
        "Levelised cost is all that is paid for the equipment, less what it is worth at the end, for each"
        " discharged kWh, both discounted. It leaves out the energy that fills the battery, so it is no"
        " price to hold against a tariff's by itself."
    )
    yield (
        "A swing changes one thing and leaves all else as it is; load, PV and ageing are planned anew, the"
        " others are reckoned again from the same plans."
    )
    if result.sized:
        yield (
            "The best size is first guessed by the cheapest plan with equipment that stays as new: its"
            " shadow prices tell on which side the best lies. Then that guess, both ends of the row and its"
            " quarters are valued with windows and ageing, and sizes around the best of them, until one is"
            " worth more than its neighbours among the sizes asked for; listed cases of such sizes count"
            " too. Sizes between were not valued, and one of them may be worth a little more."
        )


def _manifest(names: Names, manifest: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what stands in the manifest line by line; paths are cut to their ends."""
    for key, value in manifest.items():
        name = key.replace("_", " ")
        if isinstance(value, Mapping) and key in LINE_FOR_EACH:
            for part, inner in value.items():
                yield f"{name}: {_without_folders(names, str(part))}", _told(inner)
        else:
            yield name, _told(value)


def _told(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{part} {_told(inner)}" for part, inner in value.items())
    return "none" if value is None else str(value)


def _without_folders(names: Names, text: str) -> str:
    for site, short in names.sites.items():
        if text.startswith(f"{site},"):
            return text.replace(site, short, 1)
    return "/".join(Path(text).parts[-2:]) if "/" in text else text
