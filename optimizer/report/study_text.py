"""What a study came to, as text for the terminal and as data.

Read next: ``study_page``.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.economics.assumptions import PARTS_OF_BILL
from optimizer.economics.cash_flow import Worth
from optimizer.economics.monte_carlo import QUANTILES, Chances
from optimizer.report.shapes import (
    BestSizeRecord,
    ChancesRecord,
    LifeParts,
    LifeRecord,
    ManifestRecord,
    PlannedSize,
    ReferenceRecord,
    SpreadRecord,
    StudyRecord,
    StudyRow,
    SwingRecord,
    ValuedSize,
    VerdictRecord,
    WorthRecord,
)
from optimizer.report.study_words import (
    SOURCES,
    Column,
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
    marginal_sentence,
    money_paragraphs,
    not_done,
    npv_or_failed,
    order_note,
    ranked_once,
    ranking_words,
    size_rows,
    size_sentence,
    size_text,
    sources_sentence,
    swing_words,
)
from optimizer.report.wrapping import cells as cells_of
from optimizer.report.wrapping import cut, filled, padded, table, wrapped
from optimizer.studies.verdict import AtSize, Row, Sized, StudyResult, Verdict

BEST = 10
"""So many of the best cases are shown."""

WIDEST = 3
"""So many swings are told."""

NAME_WIDTH = 18
"""Names of sites and tariffs are cut to this width."""


def study_text(result: StudyResult) -> str:
    """Return what a study came to as text for the terminal.

    Parameters
    ----------
    result : StudyResult
        All that the study came to.
    """
    names = Names.of(result)
    parts = [
        _head(result, names), _listed("THE VERDICT", _verdict_words(result, names)),
        _ranked_text(result, names), _sizes_text(result, names),
        *(_verdict_text(result, names, verdict) for verdict in result.verdicts),
        _listed("FAILED OR LEFT OUT", not_done(result, names)),
        _listed("BEFORE YOU ACT ON IT", cautions(result)),
    ]  # fmt: skip
    return "\n\n".join(part for part in parts if part)


def _head(result: StudyResult, names: Names) -> str:
    invented = " (invented)" if result.invented else ""
    lines = [f"{result.name}{invented}"]
    if result.about:
        lines.append(filled(result.about))
    asked = f"{asked_sentence(result, names)} {counts_sentence(result)} Search: {result.effort}."
    return "\n".join([*lines, filled(asked)])


def _verdict_words(result: StudyResult, names: Names) -> list[str]:
    return [*answer(result, names)[:1], *advice(result, names)] if result.ranked else []


def _ranked_text(result: StudyResult, names: Names) -> str:
    ranked = ranked_once(result)
    rows = ranked[:BEST]
    if not rows:
        return ""
    columns = _narrow(columns_of(result, names, in_full=False))
    cells = [[cut(column.cell(row), NAME_WIDTH) for column in columns] for row in rows]
    widths = [
        max(*map(len, column.heading.split()), *(cells_of(line[place]) for line in cells))
        for place, column in enumerate(columns)
    ]
    lines = [
        f"CASES, BEST FIRST BY {ranking_words(result).upper()}, {result.currency}",
        *_heading(columns, widths),
    ]
    for row, line in zip(rows, cells, strict=True):
        lines.append(_line(columns, widths, line))
        if names.otherwise(row):
            lines.append(filled(names.otherwise(row), "      "))
    if len(ranked) > len(rows):
        lines.append(f"  and {len(ranked) - len(rows):,} more in the whole table")
    against = against_words(result, names)
    return "\n".join([*lines, filled(f"Savings are over {against}. {order_note(result)}".rstrip())])


def _narrow(columns: Sequence[Column]) -> list[Column]:
    """Return the columns that a line has room for, tariffs by their files' names."""
    by_file = Column("tariff", lambda row: Path(str(row["tariff"])).stem, is_number=False)
    return [
        by_file if column.heading == "tariff" else column
        for column in columns
        if column.heading != "otherwise"
    ]


def _heading(columns: Sequence[Column], widths: Sequence[int]) -> list[str]:
    words = [wrapped(column.heading, width) for column, width in zip(columns, widths, strict=True)]
    height = max(map(len, words))
    tall = [[""] * (height - len(each)) + each for each in words]
    return [_line(columns, widths, line) for line in zip(*tall, strict=True)]


def _line(columns: Sequence[Column], widths: Sequence[int], cells: Sequence[str]) -> str:
    told = [
        padded(cell, width, right=column.is_number)
        for column, width, cell in zip(columns, widths, cells, strict=True)
    ]
    return ("  " + "  ".join(told)).rstrip()


def _sizes_text(result: StudyResult, names: Names) -> str:
    lines = ["BEST SIZES"] if result.sized else []
    for sized in result.sized:
        lines += [filled(size_sentence(result, names, sized), "  - "), *_size_table(result, sized)]
        lines += [filled(each, "    ") for each in cliff_sentences(result, sized)]
    return "\n".join(lines)


def _size_table(result: StudyResult, sized: Sized) -> list[str]:
    heads, rows = size_rows(result, sized)
    parted = [wrapped(head, 12) for head in heads]
    height = max(map(len, parted))
    tall = [[""] * (height - len(each)) + each for each in parted]
    return table(list(zip(*tall, strict=True)), rows, [10, *[14] * (len(heads) - 1)])


def _verdict_text(result: StudyResult, names: Names, verdict: Verdict) -> str:
    row = verdict.row
    paragraphs = [
        *money_paragraphs(result, verdict), sources_sentence(result, row),
        marginal_sentence(result, row), _swings_sentence(verdict),
    ]  # fmt: skip
    why = closely_words(result, verdict).upper()
    title = f"{why} OF {names.site(row)}: {size_text(row)}, {names.terms(row)}"
    return "\n".join([filled(title, "", "  "), *(filled(each) for each in paragraphs if each)])


def _swings_sentence(verdict: Verdict) -> str:
    told = "; ".join(
        f"{swing_words(swing)} {npv_or_failed(swing.npv_low)} at {end_text(swing.name, swing.low)},"
        f" {npv_or_failed(swing.npv_high)} at {end_text(swing.name, swing.high)}"
        for swing in verdict.swings[:WIDEST]
    )
    return f"Widest swings of the net present value: {told}." if told else ""


def _listed(title: str, items: Sequence[str]) -> str:
    return "\n".join([title, *(filled(item, "  - ") for item in items)]) if items else ""


# --- as data ---------------------------------------------------------------------------------


def study_record(result: StudyResult) -> StudyRecord:
    """Return all that a study came to as plain data.

    ``rows`` have units in their keys; money elsewhere is in ``currency``, and what is paid is
    negative. ``flow`` holds today, year 0, and the ends of the years.
    """
    return {
        "study": result.name,
        "about": result.about,
        "invented": result.invented,
        "currency": result.currency,
        "effort": result.effort,
        "reference": None
        if result.reference is None
        else cast(ReferenceRecord, result.reference.model_dump()),
        "verdict": _verdict_words(result, Names.of(result)),
        "ranked_by": result.measure,
        "decided_together": {name: dict(sites) for name, sites in result.together.items()},
        "ranked_cases": [row["case"] for row in result.ranked],
        "rows": cast(list[StudyRow], [dict(row) for row in result.rows]),
        "verdicts": [_verdict_record(result, verdict) for verdict in result.verdicts],
        "best_sizes": [_size_record(sized, result.rows) for sized in result.sized],
        "money": None
        if result.terms is None
        else result.terms.model_dump(mode="json", warnings=False),
        "ageing": result.fading.model_dump(mode="json", warnings=False),
        "draws": None
        if result.draws is None
        else result.draws.model_dump(mode="json", warnings=False),
        "cautions": cautions(result),
        "manifest": cast(ManifestRecord, dict(result.manifest)),
    }


def _verdict_record(result: StudyResult, verdict: Verdict) -> VerdictRecord:
    row, money, chances = verdict.row, verdict.money, verdict.chances
    return {
        "case": verdict.number,
        "terms": money.terms.model_dump(mode="json", warnings=False),
        "bought": {
            "battery_kwh": money.size.battery_kwh,
            "battery_kw": money.size.battery_kw,
            "inverter_kw": money.size.inverter_kw,
            "pv": money.size.with_pv,
            "stands": money.size.stands,
        },
        "flow_of_reference": None if money.reference is None else flow_rows(money.reference),
        "settings": verdict.settings.model_dump(exclude_none=True),
        "worth": _worth_record(money.worth),
        "worth_of_plan": _worth_record(money.worth_of_plan),
        "flow": flow_rows(money.flow),
        "life": _life_record(verdict),
        "sources": {key: row[f"from_{key}_{result.money}"] for key in SOURCES},
        "swings": [cast(SwingRecord, vars(swing)) for swing in verdict.swings],
        "chances": None if chances is None else _chances_record(chances),
        "floors_cost": verdict.floors_cost,
    }


def _worth_record(worth: Worth) -> WorthRecord:
    return cast(WorthRecord, vars(worth) | {"rates": list(worth.rates)})


def _chances_record(chances: Chances) -> ChancesRecord:
    spread = {
        name: dict(zip((f"p{share}" for share in QUANTILES), values, strict=True))
        for name, values in chances.quantiles().items()
    }
    return cast(ChancesRecord, {"share_that_pays_frac": chances.share_that_pays, **spread})


def _life_record(verdict: Verdict) -> LifeRecord:
    life, years = verdict.money.life, len(verdict.money.life.health)
    parts = {
        which: {name: _each_year(of, years) for name, of in zip(PARTS_OF_BILL, each, strict=True)}
        for which, each in zip(("saved", "plan_saved", "before"), life.parts, strict=True)
    }
    return {
        "health_frac": life.health.tolist(),
        "pv_frac": life.pv.tolist(),
        "saved": life.saved.tolist(),
        "plan_saved": life.plan_saved.tolist(),
        "before": _each_year(life.before, years),
        "parts": cast(LifeParts, parts),
        "discharged_kwh": life.discharged_kwh.tolist(),
        "is_planned": life.is_planned.tolist(),
        "is_new": life.is_new.tolist(),
        "health_after": life.health_after,
    }


def _each_year(values: FloatArray, years: int) -> list[float]:
    """Return a value for each year; a single one holds for all."""
    found: list[float] = np.broadcast_to(values, (years,)).tolist()
    return found


def _at_size_record(each: AtSize) -> ValuedSize:
    spread = (
        None if each.spread is None else dict(zip(("p10", "p50", "p90"), each.spread, strict=True))
    )
    return {
        "size_kwh": each.size_kwh, "npv": each.npv, "price_per_kwh": each.price,
        "break_even_price_per_kwh": each.break_even, "payback_years": each.payback_years,
        "discounted_payback_years": each.discounted_payback_years,
        "replacements": each.replacements, "npv_spread": cast(SpreadRecord | None, spread),
    }  # fmt: skip


def _size_record(sized: Sized, rows: Sequence[Row]) -> BestSizeRecord:
    best = sized.best
    row = next(row for row in rows if row["case"] == sized.case)
    return {
        "site": sized.site,
        "tariff": sized.tariff,
        "controls": sized.controls,
        "case": sized.case,
        "size_kwh": row["battery_kwh"],
        "valued": [_at_size_record(each) for each in sized.along],
        "asked": sized.asked,
        "first_guess_kwh": best.size_kwh,
        "value_of_plan": best.value,
        "is_proven": best.is_proven,
        "planned": [
            cast(PlannedSize, {"size_kwh": size} | vars(found))
            for size, found in best.planned.items()
        ],
    }
