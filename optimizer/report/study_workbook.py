"""The workbook of a study for whoever audits it: assumptions, money with live formulas, cases, runs.

Net present values, sums and savings are formulas of the cells that they come from, so that another
discount rate or price rise moves them. Everything else is a value, and each case names the pieces of
work that it came from. No arithmetic of its own: each formula keeps beside it what the program found.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np

from optimizer.economics.cash_flow import CashFlow, Money
from optimizer.report.study_assumptions import NO_SOURCE, assumptions
from optimizer.report.study_tables import all_columns, is_formula_like
from optimizer.report.study_words import Names, advice, against_words, answer, cautions
from optimizer.studies.verdict import Row, StudyResult

LONGEST = 32_000
"""Signs that a cell holds; Excel's limit is 32,767."""

MOST_ROWS = 100_000
"""Rows of the sheets of years and runs: about 6,000 cases of 15 years, which still can be opened."""

MOST_LINKS = 30_000
"""Links of a sheet; Excel's limit is 65,530."""

LINE_PT, UNEVEN = 15.0, 1.1
"""Height of a line of text, and how much longer a text gets that is broken into lines."""

RATE = "discount_rate"
"""The name of the cell that holds the discount rate."""

PARTS = ("investment", "incentive", "replacement", "operating", "taxes")
"""Parts of a cash flow that stand as values."""

FLOWS = {
    "case": "", "year": "", **dict.fromkeys(PARTS, "money"),
    "measured from: bill, prices of year 1": "money", "bill of this case, prices of year 1": "money",
    "prices rise": "%/year", "saving": "money", "residual": "money", "net": "money",
    "discount factor": "", "net, discounted": "money", "all to then, discounted": "money",
    "measured from: paid beside the bill": "money", "all that is paid, bill included": "money",
    "battery left": "%", "discharged": "kWh",
}  # fmt: skip
"""Columns of the cash flows, with their units."""

LETTERS = dict(zip(FLOWS, "ABCDEFGHIJKLMNOPQRST", strict=True))
"""The letter of each column of the cash flows."""

FORMATS = {
    "input": {"bg_color": "#FFF2CC", "border": 1, "num_format": "0.00%"},
    "head": {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1},
    "unit": {"italic": True, "font_color": "#595959"},
    "text": {"valign": "top"},
    "wrapped": {"text_wrap": True, "valign": "top"},
    "inert": {"quote_prefix": True, "valign": "top"},
    "title": {"bold": True, "font_size": 14},
    "": {"num_format": "0.######"},
    "money": {"num_format": "#,##0.00;[Red]-#,##0.00"},
    "found": {"num_format": "#,##0.00;[Red]-#,##0.00", "bg_color": "#E2EFDA"},
    "tiny": {"num_format": "0.0E+00"},
    "%": {"num_format": "0.00"},
    "%/year": {"num_format": "0.00"},
    "kWh": {"num_format": "#,##0.00"},
}  # fmt: skip


@dataclass
class _Sheet:
    """A sheet while it is written, row by row; texts stay texts whatever they begin with."""

    sheet: Any
    formats: Mapping[str, Any]
    widths: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        """Make it one page wide on paper."""
        self.sheet.set_landscape()
        self.sheet.fit_to_pages(1, 0)

    def put(self, row: int, column: int, value: Any, look: str = "") -> None:
        """Write a value; what is not known is left empty."""
        if value is None or value == "":
            return
        if not isinstance(value, str):
            self.sheet.write_number(row, column, value, self.formats[look])
            return
        text = value
        if len(text) > LONGEST:
            text = f"{text[:LONGEST]} … cut here: a cell holds no more; cases.csv has all of it"
        look = "inert" if is_formula_like(text) else look or "text"
        self.sheet.write_string(row, column, text, self.formats[look])

    def formula(self, row: int, column: int, formula: str, value: float, look: str) -> None:
        """Write a formula of cells, with what it comes to."""
        self.sheet.write_formula(row, column, formula, self.formats[look], value)

    def link(self, row: int, column: int, sheet: str, to: int) -> None:
        """Write the number of a row of another sheet, as a link to it while there is room for links."""
        if row > MOST_LINKS:
            self.put(row, column, to)
        else:
            self.sheet.write_url(row, column, f"internal:'{sheet}'!A{to}", string=f"row {to}")

    def heads(self, heads: Mapping[str, str], currency: str, frozen: int = 1) -> None:
        """Write units, names beneath, and keep both in sight, on paper too."""
        for column, unit in enumerate(heads.values()):
            self.put(0, column, unit.replace("money", currency), "unit")
        for column, name in enumerate(heads):
            self.put(1, column, name, "head")
            self.sheet.set_column(column, column, min(max(len(name) * 0.6, 12), 24))
        self.sheet.freeze_panes(2, frozen)
        self.sheet.repeat_rows(0, 1)

    def sized(self, *widths: int) -> None:
        """Give the first columns their widths, in signs."""
        self.widths = widths
        for column, width in enumerate(widths):
            self.sheet.set_column(column, column, width)

    def broken(self, row: int, texts: Iterable[str]) -> None:
        """Write a row of texts that are broken into lines; it is as high as the longest needs."""
        cells = list(texts)
        lines = max(
            ceil(len(text) * UNEVEN / width)
            for text, width in zip(cells, self.widths, strict=False)
        )
        self.sheet.set_row(row, LINE_PT * max(lines, 1))
        for column, text in enumerate(cells):
            self.put(row, column, text, "wrapped")


def workbook(result: StudyResult) -> bytes:
    """Return a study as a workbook (xlsx).

    Parameters
    ----------
    result : StudyResult
        All that the study came to.
    """
    import xlsxwriter

    sink = io.BytesIO()
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(sink, options) as book:
        formats = {name: book.add_format(look) for name, look in FORMATS.items()}
        names = ["read me", "assumptions"]
        names += ["money", "cash flows"] if result.terms is not None else []
        sheets = {
            name: _Sheet(book.add_worksheet(name), formats)
            for name in (*names, "cases", "runs", "manifest")
        }
        first_run = _runs(sheets["runs"], result)
        first_flow = {}
        if result.terms is not None:
            book.define_name(RATE, "=assumptions!$B$2")
            first_flow = _flows(sheets["cash flows"], result)
            _money(sheets["money"], result, first_flow, first_run)
        _read_me(sheets["read me"], result, len(first_flow), len(first_run))
        _assumptions(sheets["assumptions"], result)
        _cases(sheets["cases"], result)
        _manifest(sheets["manifest"], result)
    return sink.getvalue()


def _read_me(to: _Sheet, result: StudyResult, with_flows: int, with_runs: int) -> None:
    names = Names.of(result)
    invented = " (invented)" if result.invented else ""
    to.sized(110)
    to.put(0, 0, f"{result.name}{invented}", "title")
    lines = [result.about, *answer(result, names), *advice(result, names)]
    lines += [f"All is measured from {against_words(result, names)}."]
    lines += [*_how_to_read(result, with_flows, with_runs), *cautions(result)]
    for row, line in enumerate((line for line in lines if line), start=2):
        to.broken(row, [line])


def _how_to_read(result: StudyResult, with_flows: int, with_runs: int) -> Iterator[str]:
    if result.terms is not None:
        yield (
            "Sheet 'assumptions': what is taken for granted, with sources. Its yellow cell is the discount"
            " rate: change it, and every net present value moves."
        )
        yield (
            "Sheet 'money': a line for each case. Green cells are formulas of the sheet 'cash flows'; beside"
            " them stands what the program found, and how far apart the two are."
        )
        yield (
            "Sheet 'cash flows': the years of every case; year 0 is today, the others count at their ends,"
            " and what is paid is negative. Savings are formulas of two bills and the rise of prices."
        )
        done = len(result.moneys)
        if with_flows < done:
            yield (
                f"Of {done:,} cases the best {with_flows:,} have cash flows here, or the workbook would be"
                " too big to open."
            )
    yield "Sheet 'cases': every column of the table, units above the names."
    yield (
        "Sheet 'runs': the planned years that a case came from; each key stands in ledger.jsonl beside this"
        " file, with the whole answer. The years between two planned ones change evenly."
    )
    done = sum(bool(sources) for sources in result.sources.values())
    if with_runs < done:
        yield f"Of {done:,} cases the first {with_runs:,} have their runs here."
    yield "Sheet 'manifest': hashes of the inputs, versions and seeds, to do all of it again."


def _assumptions(to: _Sheet, result: StudyResult) -> None:
    to.sized(44, 70, 44)
    for column, head in enumerate(("what", "value", "source")):
        to.put(0, column, head, "head")
    to.sheet.freeze_panes(1, 0)
    row = 1
    if result.terms is not None:
        to.put(1, 0, "discount rate a year: change it here", "text")
        to.put(1, 1, result.terms.discount, "input")
        to.put(1, 2, result.terms.sources.get("discount_pct", NO_SOURCE), "wrapped")
        row = 2
    for number, each in enumerate(assumptions(result), start=row):
        to.broken(number, (each.what, each.value, each.source))


# --- money -----------------------------------------------------------------------------------


def _flows(to: _Sheet, result: StudyResult) -> dict[int, int]:
    """Write the years of every case, the best first; return the row in which each begins, from 1 on."""
    to.heads(FLOWS, result.currency, 2)
    first, row = {}, 2
    for each in result.ranked:
        money = result.moneys.get(each["case"])
        if money is None or row + len(money.flow.net) > MOST_ROWS:
            continue
        first[each["case"]] = row + 1
        for year, values in enumerate(_years(money, each)):
            _one_year(to, row, year, values)
            row += 1
    to.sheet.autofilter(1, 0, max(row - 1, 1), len(FLOWS) - 1)
    return first


def _years(money: Money, row: Row) -> Iterator[dict[str, Any]]:
    """Yield every column of each year of a case, formulas by what they come to."""
    flow, life, rise_pct = money.flow, money.life, row["prices_rise_pct_per_year"]
    left = 100 * np.concatenate([life.health[:1], life.health])
    rises = np.concatenate([[0.0], (1 + rise_pct / 100) ** np.arange(len(life.saved))])
    before = np.concatenate([[0.0], np.broadcast_to(life.before, life.saved.shape)])
    saved = np.concatenate([[0.0], life.saved])
    factors = (1 + flow.rate) ** -np.arange(float(len(flow.net)))
    table: dict[str, Any] = {name: getattr(flow, name) for name in PARTS}
    table |= {
        "measured from: bill, prices of year 1": before,
        "bill of this case, prices of year 1": before - saved,
        "prices rise": np.full(len(flow.net), rise_pct), "saving": flow.saving,
        "residual": flow.residual, "net": flow.net, "discount factor": factors,
        "net, discounted": flow.net * factors,
        "all to then, discounted": np.cumsum(flow.net * factors),
        "measured from: paid beside the bill": flow.before - before * rises,
        "all that is paid, bill included": flow.before - flow.net,
        "battery left": left if row["battery_kwh"] else None,
        "discharged": flow.discharged_kwh,
    }  # fmt: skip
    for year in range(len(flow.net)):
        yield {
            "case": row["case"], "year": year,
            **{
                name: None if column is None else float(column[year]) + 0.0
                for name, column in table.items()
            },
        }  # fmt: skip


def _one_year(to: _Sheet, row: int, year: int, values: Mapping[str, Any]) -> None:
    """Write a year of a case; ``row`` counts from 0."""
    at = {name: f"{letter}{row + 1}" for name, letter in LETTERS.items()}
    before, own = (
        at[name] for name in (
            "measured from: bill, prices of year 1", "bill of this case, prices of year 1",
        )
    )  # fmt: skip
    risen = f"(1+{at['prices rise']}/100)^({at['year']}-1)"
    so_far = f"{LETTERS['all to then, discounted']}{row}+" if year else ""
    formulas = {
        "saving": f"=({before}-{own})*{risen}",
        "net": f"=SUM({at['investment']}:{at['taxes']})+{at['saving']}+{at['residual']}",
        "discount factor": f"=1/(1+{RATE})^{at['year']}",
        "net, discounted": f"={at['net']}*{at['discount factor']}",
        "all to then, discounted": f"={so_far}{at['net, discounted']}",
        "all that is paid, bill included": (
            f"={before}*{risen}+{at['measured from: paid beside the bill']}-{at['net']}"
        ),
    }
    for column, (name, unit) in enumerate(FLOWS.items()):
        if name in formulas:
            to.formula(row, column, formulas[name], values[name], "found" if unit else unit)
        else:
            to.put(row, column, values[name], unit)


@dataclass(frozen=True)
class _Total:
    """A sum or present value of a case: a formula, and what the program found."""

    formula: str
    value: float


TOTALS = (
    "investment", "incentive", "savings of all years", "paid later", "residual", "net of all years",
    "net present value", "present value of all that is paid",
)  # fmt: skip


def _totals(flow: CashFlow, npv: float, cost: float, begin: int) -> dict[str, _Total]:
    """Return the totals of a case whose years begin in a row of the cash flows."""
    end = begin + len(flow.net) - 1

    def span(first: str, last: str | None = None, begin: int = begin) -> str:
        return f"'cash flows'!{LETTERS[first]}{begin}:{LETTERS[last or first]}{end}"

    def cell(name: str) -> str:
        return f"'cash flows'!{LETTERS[name]}{begin}"

    def present(name: str) -> str:
        return f"={cell(name)}+NPV({RATE},{span(name, begin=begin + 1)})"

    paid = sum(float(getattr(flow, name).sum()) for name in ("replacement", "operating", "taxes"))
    return {
        "investment": _Total(f"={cell('investment')}", float(flow.investment[0])),
        "incentive": _Total(f"={cell('incentive')}", float(flow.incentive[0])),
        "savings of all years": _Total(f"=SUM({span('saving')})", float(flow.saving.sum())),
        "paid later": _Total(f"=SUM({span('replacement', 'taxes')})", paid),
        "residual": _Total(f"=SUM({span('residual')})", float(flow.residual.sum())),
        "net of all years": _Total(f"=SUM({span('net')})", float(flow.net.sum())),
        "net present value": _Total(present("net"), npv),
        "present value of all that is paid": _Total(
            present("all that is paid, bill included"), cost
        ),
    }


TOLD = {
    "case": "case", "role": "role", "site": "site", "tariff_name": "tariff", "way": "run",
    "battery_kwh": "battery", "discharge_kw": "power", "status": "status",
}  # fmt: skip
"""Columns that tell which case a line of the money is, and their heads there."""


def _money(
    to: _Sheet, result: StudyResult, first_flow: Mapping[int, int], first_run: Mapping[int, int]
) -> None:
    unit = result.money
    values = {
        f"npv_{unit}": ("net present value as the program found it", "money"),
        f"cost_present_value_{unit}": ("all that is paid, as the program found it", "money"),
        "internal_rate_pct": ("internal rate of return", "%"),
        "discounted_payback_years": ("discounted payback, years", "years"),
        f"break_even_price_{unit}_per_kwh": ("battery's price that breaks even", "money/kWh"),
    }
    heads = {
        **{head: _unit_of(name, result.currency) for name, head in TOLD.items()},
        **dict.fromkeys(TOTALS, "money"), **dict(values.values()),
        "difference of the net present values": "money", "years stand in": "", "runs stand in": "",
    }  # fmt: skip
    to.heads(heads, result.currency)
    places = {name: place for place, name in enumerate(heads)}
    for line, row in enumerate(_best_first(result), start=2):
        case, money = row["case"], result.moneys.get(row["case"])
        for name, head in TOLD.items():
            to.put(line, places[head], row[name], "kWh" if heads[head] else "")
        for name, (head, look) in values.items():
            to.put(line, places[head], row[name], "money" if look.startswith("money") else "%")
        if case in first_run:
            to.link(line, places["runs stand in"], "runs", first_run[case])
        if money is None or case not in first_flow:
            continue
        found = _totals(money.flow, money.worth.npv, money.worth.cost, first_flow[case])
        for name, total in found.items():
            to.formula(line, places[name], total.formula, total.value, "found")
        live, kept = (
            f"{_letters(places[name])}{line + 1}" for name in
            ("net present value", "net present value as the program found it")
        )  # fmt: skip
        to.formula(
            line, places["difference of the net present values"], f"={live}-{kept}", 0.0, "tiny"
        )
        to.link(line, places["years stand in"], "cash flows", first_flow[case])
    to.sheet.autofilter(1, 0, max(len(result.rows) + 1, 1), len(heads) - 1)


def _best_first(result: StudyResult) -> list[Row]:
    ranked = result.ranked
    done = {row["case"] for row in ranked}
    return [*ranked, *(row for row in result.rows if row["case"] not in done)]


def _letters(place: int) -> str:
    """Return the letters of a column, from 0 on."""
    first, last = divmod(place, 26)
    return (chr(64 + first) if first else "") + chr(65 + last)


# --- cases, runs, manifest -------------------------------------------------------------------


def _cases(to: _Sheet, result: StudyResult) -> None:
    columns = all_columns(result.rows)
    units = {name: _unit_of(name, result.currency) for name in columns}
    to.heads(units, result.currency)
    for line, row in enumerate(result.rows, start=2):
        for column, name in enumerate(columns):
            look = (
                "money" if units[name].startswith(result.currency) else "kWh" if units[name] else ""
            )
            to.put(line, column, row.get(name), look)
    to.sheet.autofilter(1, 0, len(result.rows) + 1, max(len(columns) - 1, 0))


def _unit_of(name: str, currency: str) -> str:
    """Return the unit that stands in a column's name."""
    unit = currency.lower()
    endings = {
        f"_{unit}_per_kwh": f"{currency}/kWh", f"_{unit}_per_kw": f"{currency}/kW",
        f"_{unit}": currency, "_pct_per_year": "%/year", "_pct": "%", "_kwh": "kWh", "_kw": "kW",
        "_years": "years", "_times": "times",
    }  # fmt: skip
    return next((told for ending, told in endings.items() if name.endswith(ending)), "")


RUNS = {
    "case": "", "year": "", "kind": "", "battery left": "%", "PV left": "%",
    "key in ledger.jsonl": "", "site": "", "tariff": "", "controls": "",
}  # fmt: skip


def _runs(to: _Sheet, result: StudyResult) -> dict[int, int]:
    """Write where each case came from; return the row in which each begins, from 1 on."""
    to.heads(RUNS, result.currency)
    to.sheet.set_column(5, 6, 36)
    first, line = {}, 2
    for row in result.rows:
        sources = result.sources.get(row["case"], ())
        if not sources or line + len(sources) > MOST_ROWS:
            continue
        first[row["case"]] = line + 1
        for source in sources:
            left = 100 * source.health if row["battery_kwh"] else None
            told = (row["case"], source.year, source.kind, left, 100 * source.pv,
                    source.key, row["site"], row["tariff"], row["controls"])  # fmt: skip
            for column, value in enumerate(told):
                to.put(line, column, value, "%" if column in {3, 4} else "")
            line += 1
    return first


def _manifest(to: _Sheet, result: StudyResult) -> None:
    to.sized(50, 90)
    for line, (name, value) in enumerate(_flat("", result.manifest)):
        to.put(line, 0, name, "text")
        to.put(line, 1, value, "text")


def _flat(name: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(f"{name} {key}".strip(), inner)
    else:
        yield name, "none" if value is None else str(value)
