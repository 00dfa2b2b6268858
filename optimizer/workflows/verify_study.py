"""Recompute a folder of a study from its own files: money year by year, what it comes to, rows, tables.

The money of the cases that were looked at closely is followed by ``plain.money``. The years themselves
(savings of planned years, use of the battery) are taken as they are written: those are plans, and
``verify`` of a plan is for them. Read next: ``report.verified``.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError
from typing_extensions import TypedDict

from optimizer.base.documents import MAX_SHOWN, digest_of, is_file
from optimizer.base.errors import InputError, Mistake
from optimizer.economics.assumptions import Terms
from optimizer.economics.cash_flow import Fading
from optimizer.plain.money import (
    PARTS,
    Flow,
    Words,
    back_after,
    beyond,
    figures_of,
    flow_of,
    given_to,
    odd_years,
    price_of,
    worth_now,
)
from optimizer.workflows.checked import Check, Pair, Verification, first_of

STUDY, TABLE = "study.json", "cases.csv"
FILES = (STUDY, "manifest.json", TABLE, "cases.parquet", "cases.xlsx")

RELATIVE = 1e-9
"""Sums agree that differ by less than this share of what was added up."""

YEARS_TO = 1e-3
"""A payback agrees to so much where the sum of the flows only just comes back. [years]"""


class _Life(TypedDict):
    health_frac: list[float]
    pv_frac: list[float]
    saved: list[float]
    plan_saved: list[float]
    before: list[float]
    parts: dict[str, dict[str, list[float]]]
    discharged_kwh: list[float]
    is_planned: list[bool]
    is_new: list[bool]
    health_after: float


class _Bought(TypedDict):
    battery_kwh: float
    battery_kw: float
    inverter_kw: float
    pv: bool
    stands: bool


class _Worth(TypedDict):
    npv: float
    rates: list[float]
    payback_years: float | None
    discounted_payback_years: float | None
    levelised: float | None
    benefit_cost_ratio: float | None
    cost: float


class _Swing(TypedDict):
    name: str
    low: float
    high: float
    npv_low: float | None
    npv_high: float | None


class _Verdict(TypedDict):
    case: int
    terms: Terms
    bought: _Bought
    flow_of_reference: list[dict[str, float]] | None
    worth: _Worth
    worth_of_plan: _Worth
    flow: list[dict[str, float]]
    life: _Life
    swings: list[_Swing]


class Needed(TypedDict):
    """What of ``study.json`` is recomputed."""

    study: str
    currency: str
    ranked_by: str
    decided_together: dict[str, dict[str, int]]
    ranked_cases: list[int]
    rows: list[dict[str, int | float | str | bool | None]]
    verdicts: list[_Verdict]
    money: Terms | None
    ageing: Fading


def verify_study(folder: Path) -> Verification:
    """Recompute a folder of a study from its own files.

    Raises
    ------
    InputError
        If a file is missing or damaged.
    """
    files = {name: digest_of(folder / name) for name in FILES if is_file(folder / name)}
    record = _record_in(folder / STUDY)
    checks: list[Check] = []
    for verdict in record["verdicts"]:
        try:
            checks += _of_verdict(record, verdict)
        except (KeyError, IndexError, ValueError, ZeroDivisionError, OverflowError) as failure:
            raise _damaged(
                folder / STUDY, f"verdict of case {verdict['case']}: {failure!r}"
            ) from None
    checks += [
        _rows(record), *_together(record), *_untold(record), _ranking(record),
        _table(record, folder / TABLE), _not_followed(folder),
    ]  # fmt: skip
    tariffs = dict.fromkeys(str(row.get("tariff_name")) for row in record["rows"])
    return Verification(
        folder, record["study"], ", ".join(tariffs), record["currency"], tuple(checks), files
    )


def _record_in(path: Path) -> Words:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as failure:
        raise _damaged(path, f"this is no JSON: {failure}") from None
    if not isinstance(found, dict) or found.get("format") != "tariffwright study":
        raise _damaged(path, "this is not the record of a study")
    try:
        needed: Any = TypeAdapter(Needed).validate_python(found)
    except ValidationError as failure:
        first = failure.errors()[0]
        raise _damaged(path, f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from None
    except Mistake as failure:
        raise _damaged(path, failure.what) from None
    for node in (needed, *needed["verdicts"]):
        for key in {"terms", "money", "ageing"} & node.keys():
            node[key] = node[key] and node[key].model_dump()
    record: Words = needed
    return record


def _damaged(path: Path, what: str) -> InputError:
    return InputError(
        what[: 4 * MAX_SHOWN], where=path,
        mend="The record is of an earlier version, was changed by hand, or is damaged: run study again.",
    )  # fmt: skip


def _first_of(name: str, pairs: Iterable[Pair], told: str) -> Check:
    return first_of(name, STUDY, pairs, told)


# Money of a case ------------------------------------------------------------------------------------


def _of_verdict(record: Words, verdict: Words) -> Iterator[Check]:
    case, terms, life = verdict["case"], verdict["terms"], verdict["life"]
    named, reference = f"verdict of case {case}", verdict["flow_of_reference"]
    flow, of_plan = (_flow(verdict, terms, of_plan=is_plan) for is_plan in (False, True))
    gross = 1.0 + max(sum(map(abs, row.values())) for row in (*flow, *(reference or [])))
    odd = (
        (f"{named}, {name} of year {year}", written, again, 2e-3 + RELATIVE * gross)
        for name, year, written, again in odd_years(terms, record["ageing"], life)
    )
    yield _terms(record, verdict)
    yield _first_of(f"years of case {case}", odd, "PV, health, and years between planned ones")
    told = "investment, loan, lease, tax, operation, replacement, savings as prices rise"
    yield _first_of(f"cash flow of case {case}", _flow_pairs(verdict, flow, named, gross), told)
    told = "present value, payback, levelised cost, ratio, internal rates"
    pairs = [
        *_worth_pairs(verdict, "worth", flow, f"{named}, worth", gross),
        *_worth_pairs(verdict, "worth_of_plan", of_plan, f"{named}, worth_of_plan", gross),
    ]
    yield _first_of(f"worth of case {case}", pairs, told)
    row = {row["case"]: row for row in record["rows"]}[case]
    yield _first_of(
        f"row of case {case}", _row_pairs(record, row, verdict, gross), "as its verdict"
    )
    if reference is None and not (terms["replacement"] or {}).get("only_if_it_pays"):
        yield from _swings(verdict, named, gross)


def _terms(record: Words, verdict: Words) -> Check:
    """Hold the terms of a verdict against those of the study; a package has prices of its own."""
    case: int = verdict["case"]
    name, row = f"terms of case {case}", {row["case"]: row for row in record["rows"]}[case]
    stated = {**record["money"], "prices_rise_pct_per_year": row["prices_rise_pct_per_year"]}
    own = {"battery", "inverter", "pv"} if row["package"] else set()
    for key, value in verdict["terms"].items():
        if key not in own and value != stated.get(key):
            where = f"{STUDY}, verdict of case {case}, terms.{key}: {value}, the study has {stated.get(key)}"
            return Check(name, "differs", "other terms than the study's", where=where)
    return Check(name, "agrees", "prices, rates and rules are those of the study")


def _flow(verdict: Words, terms: Words, *, of_plan: bool = False) -> Flow:
    flow = flow_of(terms, verdict["life"], verdict["bought"], of_plan=of_plan)
    reference = verdict["flow_of_reference"]
    return flow if reference is None else beyond(flow, _parts_of(reference))


def _parts_of(flow: Sequence[Words]) -> Flow:
    return [{part: float(row[part]) for part in PARTS} for row in flow]


def _flow_pairs(verdict: Words, flow: Flow, named: str, gross: float) -> Iterator[Pair]:
    rate, net = verdict["terms"]["discount_pct"] / 100, list[float]()
    allowed = RELATIVE * gross
    if len(verdict["flow"]) != len(flow):
        yield f"{named}, number of years", len(verdict["flow"]) - 1, len(flow) - 1, 0.0
    for year, (written, again) in enumerate(zip(verdict["flow"], flow, strict=True)):
        for part in PARTS:
            yield f"{named}, {part} of year {year}", written[part], again[part], allowed
        net.append(sum(again.values()))
        yield f"{named}, net of year {year}", written["net"], net[-1], allowed
        so_far = worth_now(rate, net)
        place = f"{named}, discounted_so_far of year {year}"
        yield place, written["discounted_so_far"], so_far, allowed * (year + 1)


def _worth_pairs(verdict: Words, key: str, flow: Flow, named: str, gross: float) -> Iterator[Pair]:
    terms, reference = verdict["terms"], verdict["flow_of_reference"]
    known = None if reference is None else _parts_of(reference)
    again = figures_of(terms, verdict["life"], verdict["bought"], flow, known)
    written, allowed = verdict[key], RELATIVE * gross * len(flow)
    for name, value in again.items():
        if name == "levelised" and key != "worth":
            continue  # energy and cost of the equipment are those of the windows
        slack = YEARS_TO if name.endswith("years") else allowed if name in ("npv", "cost") else 1e-6
        size = 0.0 if value is None else abs(value)
        yield f"{named}.{name}", written[name], value, slack + RELATIVE * size
    net = [sum(row.values()) for row in flow]
    for rate in written["rates"]:
        if rate > -0.99:
            sizes = worth_now(rate, [abs(each) for each in net])
            yield f"{named}.rates, worth at {rate:.6g}", 0.0, worth_now(rate, net), 1e-7 * sizes


def _row_pairs(record: Words, row: Words, verdict: Words, gross: float) -> Iterator[Pair]:
    money, case = record["currency"].lower(), verdict["case"]
    for key, whose in (("worth", ""), ("worth_of_plan", "_of_plan")):
        worth = verdict[key]
        for column, value in (
            (f"npv{whose}_{money}", worth["npv"]),
            (f"payback{whose}_years", worth["payback_years"]),
            (f"discounted_payback{whose}_years", worth["discounted_payback_years"]),
            (f"benefit_cost_ratio{whose}", worth["benefit_cost_ratio"]),
        ):
            yield f"row of case {case}, {column}", row.get(column), value, RELATIVE * gross


def _swings(verdict: Words, named: str, gross: float) -> Iterator[Check]:
    """Recompute the swings that leave the years as they are."""
    pairs = list[Pair]()
    for swing in verdict["swings"]:
        for end in ("low", "high"):
            terms = _otherwise(verdict["terms"], swing["name"], swing[end])
            if terms is not None:
                rate = terms["discount_pct"] / 100
                net = [sum(row.values()) for row in _flow(verdict, terms)]
                place = f"{named}, {swing['name']} at {swing[end]:g}"
                allowed = RELATIVE * 10 * gross * len(net)
                pairs.append((place, swing[f"npv_{end}"], worth_now(rate, net), allowed))
    if pairs:
        told = "net present value at both ends of discount, rise of prices, price, operation"
        yield _first_of(f"swings of case {verdict['case']}", pairs, told)


def _otherwise(terms: Words, name: str, end: float) -> Words | None:
    match name:
        case "discount_pct":
            return {**terms, "discount_pct": end}
        case "prices_rise_pct":
            return {**terms, "prices_rise_pct_per_year": end}
        case "battery_price_pct":
            return {
                **terms,
                "battery": {k: v * (1 + end / 100) for k, v in terms["battery"].items()},
            }
        case "operating_pct":
            moved = {
                key: value if key.startswith("rises") else value * (1 + end / 100)
                for key, value in terms["operating"].items()
            }
            return {**terms, "operating": moved}
    return None


# Rows, order and table ------------------------------------------------------------------------------


def _rows(record: Words) -> Check:
    """Recompute what of each row follows from the row and the stated prices."""
    money, terms = record["currency"].lower(), record["money"]

    def pairs() -> Iterator[Pair]:
        for row in record["rows"]:
            if row["status"] != "done" or row["site"] in record["decided_together"]:
                continue
            place = f"row of case {row['case']}"
            possible = row.get(f"plan_saves_over_no_windows_{money}")
            saved, share = (
                row.get(f"windows_save_over_no_windows_{money}"),
                row.get("kept_share_pct"),
            )
            if share is not None and possible and saved is not None:
                yield f"{place}, kept_share_pct", share, 100 * saved / possible, 1e-6
            if terms is None or row.get(f"investment_{money}") is None:
                continue
            invested = row[f"investment_{money}"]
            if row["against"] in ("no_battery", "no_windows", "neither") and not row["package"]:
                again = price_of(terms["battery"], row["battery_kwh"], row["discharge_kw"])
                again += price_of(terms["inverter"], 0.0, row["inverter_kw"]) + terms["pv"]
                yield f"{place}, investment_{money}", invested, again, RELATIVE * (1 + again)
                given = given_to(terms["incentive"], again)
                column = f"incentive_{money}"
                yield f"{place}, {column}", row[column], given, RELATIVE * (1 + again)

    return _first_of("rows", pairs(), "investment, incentive and kept shares")


DECIDED = (
    "way", "tariff", "controls", "package", "battery_kwh", "charge_kw", "discharge_kw", "inverter_kw",
    "endurance_hours", "load_times", "pv_times", "prices_rise_pct_per_year",
)  # fmt: skip
"""What is decided for a site; of a group it is empty where its sites differ."""

ADDED = (
    "bill_", "saves_", "plan_saves_", "windows_save_", "investment_", "incentive_", "cost_present_value_",
    "npv_", "import_", "export_", "from_", "discharged_kwh", "windows_to_type",
)  # fmt: skip
"""What of a group is the sum of its sites, by how the column begins."""


def _together(record: Words) -> Iterator[Check]:
    """Add up each group of sites that are decided together, by rows and, where they are kept, by years."""
    flows, lacking = {verdict["case"]: verdict for verdict in record["verdicts"]}, 0
    pairs = list[Pair]()
    rows = [row for row in record["rows"] if row["site"] in record["decided_together"]]
    for row in rows if record["decided_together"] else ():
        if row["status"] != "done":
            continue
        parts = _parts_of_group(record, row)
        if parts is None:
            lacking += 1
            continue
        place = f"row of case {row['case']}, {row['site']}"
        for column in row:
            if column.startswith(ADDED):
                each = [(times, part.get(column)) for times, part in parts]
                sizes = [times * value for times, value in each if value is not None]
                again = sum(sizes) if len(sizes) == len(each) else None
                allowed = RELATIVE * (1 + sum(map(abs, sizes)))
                pairs.append((f"{place}, {column}", row[column], again, 1e-6 + allowed))
        pairs += _share_of_group(record, row, place)
        known = [(times, flows[part["case"]]) for times, part in parts if part["case"] in flows]
        if len(known) == len(parts):
            pairs += _years_of_group(record, row, known, place)
    if rows:
        told = "sums of their sites, so many times each; paybacks where the years are kept"
        yield _first_of("decided together", pairs, told)
    if lacking:
        told = (
            f"of {lacking:,} of {len(rows):,} rows of groups the sites' own rows are not told apart"
        )
        yield Check("other groups", "not checked", told)


def _parts_of_group(record: Words, row: Words) -> list[tuple[int, Words]] | None:
    """Return the row of each site of a group, and how many times it counts; None if one is not plain."""
    found = []
    for site, times in record["decided_together"][row["site"]].items():
        of_site = [
            each for each in record["rows"]
            if each["site"] == site and each["status"] == "done"
            and all(row[key] is None or row[key] == each[key] for key in DECIDED if key in row)
        ]  # fmt: skip
        if len(of_site) != 1:
            return None
        found.append((times, of_site[0]))
    return found


def _share_of_group(record: Words, row: Words, place: str) -> Iterator[Pair]:
    money = record["currency"].lower()
    possible = row.get(f"plan_saves_over_no_windows_{money}")
    if row.get("kept_share_pct") is not None and possible:
        saved = row[f"windows_save_over_no_windows_{money}"]
        yield f"{place}, kept_share_pct", row["kept_share_pct"], 100 * saved / possible, 1e-6


def _years_of_group(
    record: Words, row: Words, known: Sequence[tuple[int, Words]], place: str
) -> Iterator[Pair]:
    """Yield what the years of all sites together come to."""
    money, rate = record["currency"].lower(), known[0][1]["terms"]["discount_pct"] / 100
    each = [(times, verdict, verdict["terms"]) for times, verdict in known]
    nets = [
        [times * sum(year.values()) for year in _flow(verdict, terms)]
        for times, verdict, terms in each
    ]
    net = [sum(year) for year in zip(*nets, strict=True)]
    sizes = worth_now(rate, list(map(abs, net)))
    yield f"{place}, npv", row[f"npv_{money}"], worth_now(rate, net), RELATIVE * (1 + sizes)
    for column, of_rate in (("payback_years", 0.0), ("discounted_payback_years", rate)):
        yield f"{place}, {column}", row[column], back_after(of_rate, net), YEARS_TO


def _not_followed(folder: Path) -> Check:
    """Say what of a study nothing holds against anything."""
    also = [name for name in ("cases.parquet", "cases.xlsx") if is_file(folder / name)]
    told = "plans and replays behind the rows, ageing by use, windows, sources, best sizes, draws"
    told += ", levelised cost, whether it stays paid back"
    told += ", and swings of weather: verify a plan of the case"
    names = ", ".join(["study.html", *also])
    return Check("other figures", "not checked", f"{told}; nor are {names} read")


def _untold(record: Words) -> Iterator[Check]:
    """Say how many cases have no cash flow in the record."""
    with_money = [row for row in record["rows"] if row["status"] == "done"]
    left = len(with_money) - len(record["verdicts"])
    if record["money"] is not None and left > 0:
        told = (
            f"of {left:,} of {len(with_money):,} cases only the row is kept, not the years:"
            " their money is in the workbook (--table xlsx), as formulas"
        )
        yield Check("money of other cases", "not checked", told)


def _ranking(record: Words) -> Check:
    """Hold the order of the cases against what they are ranked by: those as stated first."""
    terms, measure = record["money"], record["ranked_by"]
    stated = None if terms is None else terms["prices_rise_pct_per_year"]
    by_case = {row["case"]: row for row in record["rows"]}
    last: tuple[bool, float] | None = None
    ranked: list[int] = record["ranked_cases"]
    twice = [case for case, count in Counter(ranked).items() if count > 1]
    if twice:
        where = f"{STUDY}, ranked_cases: case {twice[0]}"
        return Check("order", "differs", "a case stands twice", where=where)
    for case in record["ranked_cases"]:
        row = by_case.get(case, {})
        value = row.get(measure)
        if not isinstance(value, int | float):
            return Check(
                "order", "differs", f"case {case} has no {measure}", where=f"{STUDY}, case {case}"
            )
        assumed = [row.get(key) for key in ("load_times", "pv_times", "prices_rise_pct_per_year")]
        now = (assumed != [1, 1, stated], -value)
        if last is not None and now < last:
            return Check(
                "order", "differs", f"by {measure} a worse case stands before a better one",
                where=f"{STUDY}, ranked_cases: case {case}",
            )  # fmt: skip
        last = now
    return Check("order", "agrees", f"{len(record['ranked_cases']):,} cases by {measure}")


def _table(record: Words, path: Path) -> Check:
    """Hold ``cases.csv`` against the rows of the record, cell by cell."""
    if not is_file(path):
        return Check("table", "not checked", f"there is no {TABLE}: study --table csv writes it")
    try:
        with path.open(newline="", encoding="utf-8") as file:
            lines = list(csv.DictReader(file))
    except (OSError, ValueError, csv.Error) as failure:
        return Check("table", "differs", f"it cannot be read: {failure}", where=TABLE)
    if len(lines) != len(record["rows"]):
        told = f"{len(lines):,} rows, but {len(record['rows']):,} in {STUDY}"
        return Check("table", "differs", told, where=TABLE)
    for line, row in zip(lines, record["rows"], strict=True):
        for name, value in row.items():
            if not _is_same(line.get(name), value):
                told = f"another value than in {STUDY}"
                place = f"{TABLE}, case {row['case']}, {name}: {line.get(name)!r}, not {value!r}"
                return Check("table", "differs", told, where=place)
    return Check("table", "agrees", f"{len(lines):,} rows as in {STUDY}")


def _is_same(cell: str | None, value: float | str | bool | None) -> bool:
    if value is None or isinstance(value, str):
        return cell in ((value or ""), f"'{value}")
    if isinstance(value, bool):
        return cell == str(value)
    try:
        return float(cell or "nan") == value
    except ValueError:
        return False
