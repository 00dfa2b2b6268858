"""Bills, paid bills beside ours, and worked bills of a tariff: as text and as data."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

from optimizer.base.units import money, number, price
from optimizer.billing.bill import Bill, BillLine
from optimizer.billing.explain import MONEY
from optimizer.billing.reconcile import Compared, Reconciled
from optimizer.billing.worked import CheckedFigure, WorkedResult
from optimizer.report.shapes import (
    BillLineRecord,
    BillRecord,
    ComparedLine,
    ReconciledRecord,
    TwoBillsRecord,
    WhyRecord,
    WorkedFigure,
    WorkedRecord,
)
from optimizer.report.wrapping import cells, cut, filled, padded, table
from optimizer.workflows.bill import TwoBills


def bill_text(bill: Bill, title: str, *, with_why: bool = False) -> str:
    """Return an itemised bill: every line with quantity, rate, amount, and what made it.

    With ``with_why`` the whole tree stands under each line, down to the steps of the meter.
    """
    lines = [title]
    sums = bill.by_period()
    for period, total in sums.items():
        lines.append(f"  {period}")
        for line in bill.lines:
            if line.period == period:
                unit = bill.currency if line.unit == MONEY else line.unit
                name = padded(cut(line.name, 40), 40)
                lines.append(
                    f"    {name}{line.quantity:>13,.3f} {unit:7}×{price(line.rate):>9}"
                    f" ={money(line.amount):>13}"
                )
                if with_why:
                    lines += [f"      {text}" for text in line.why.lines(bill.currency)]
                elif line.because:
                    lines.append(f"      {line.because}")
        lines.append(f"    {'':40}{'':33}{money(total):>12}")
    lines.append(f"  total {money(bill.total, bill.currency)}")
    return "\n".join(lines)


def two_bills_text(result: TwoBills, meter: str) -> str:
    """Return two bills side by side, by period and by charge; a difference is the second less the first."""
    one, other = result.bills
    names = [cut(Path(name).stem, 16) for name in result.names]
    rows = [
        _beside(label, of_one, other.by_period()[label])
        for label, of_one in one.by_period().items()
    ]
    rows.append(_beside("total", one.total, other.total))
    heads = [["by period", *names, "difference"]]
    lines = [f"TWO TARIFFS ON {meter}, {one.currency}", *table(heads, rows, [34, 18, 18, 14])]
    first, second = one.by_charge(), other.by_charge()
    rows = [
        _beside(cut(name, 34), first.get(name), second.get(name))
        for name in dict.fromkeys((*first, *second))
    ]
    return "\n".join([*lines, *table([["by charge", *names, ""]], rows, [34, 18, 18, 14])])


def _beside(name: str, one: float | None, other: float | None) -> list[str]:
    difference = "" if one is None or other is None else money(other - one)
    return [name, _or_none(one), _or_none(other), difference]


def two_bills_record(result: TwoBills) -> TwoBillsRecord:
    """Return two bills side by side as plain data."""
    one, other = result.bills
    theirs = other.by_period()
    return {
        "currency": one.currency,
        "tariffs": list(result.names),
        "totals": [one.total, other.total],
        "by_period": {label: [sum_, theirs[label]] for label, sum_ in one.by_period().items()},
        "by_charge": [one.by_charge(), other.by_charge()],
        "notes": list(result.notes),
    }


def reconciled_text(result: Reconciled) -> str:
    """Return the paid bill and ours line by line, where they differ, and the likely causes."""
    paid = result.paid
    lines = [
        f"{paid.bill}: PAID AND OURS, {paid.first} to {paid.last}, {result.bill.currency}",
    ]
    rows = [
        [cut(line.name, 40), _or_none(line.paid), _or_none(line.ours), money(line.difference),
         _quantities(line)]
        for line in result.lines
    ]  # fmt: skip
    ours = paid.sum - result.difference
    rows.append(["total", money(paid.sum), money(ours), money(result.difference), ""])
    heads = [["", "paid", "ours", "difference", ""]]
    widest = max(map(cells, (row[-1] for row in rows)))
    lines += table(heads, rows, [40, 12, 12, 12, widest])
    if result.fits:
        lines.append(f"  All lines agree within {number(paid.tolerance, 4)}.")
    elif result.causes:
        lines += ["LIKELY CAUSES, each tried out", *(f"  - {cause}" for cause in result.causes)]
    else:
        lines.append("  None of the usual causes explains the difference.")
    return "\n".join(lines)


def _or_none(amount: float | None) -> str:
    return "–" if amount is None else money(amount)


def _quantities(line: Compared) -> str:
    if line.paid_quantity is None or line.our_quantity is None:
        return ""
    return f"   quantity {number(line.paid_quantity, 3)}, ours {number(line.our_quantity, 3)}"


def worked_text(results: Sequence[WorkedResult], remarks: Sequence[str]) -> str:
    """Return what is odd in a tariff, and its worked bills, each figure beside what the tariff gives."""
    lines = [filled(remark, "  - ") for remark in remarks]
    if not results:
        whole = "  the tariff holds together over a year; no worked bills stand beside it"
        return "\n".join([*lines, whole])
    for result in results:
        lines.append(result.bill)
        for figure in result.figures:
            mark = "agrees" if figure.is_right else f"DIFFERS  {figure.where}"
            name = f"{figure.line} {figure.period}".strip()
            lines.append(
                f"  {name:44.44}{figure.what:9}{figure.expected:>14,.4f}{figure.got:>14,.4f}  {mark}"
            )
    figures = [figure for result in results for figure in result.figures]
    wrong = sum(not figure.is_right for figure in figures)
    lines.append(f"{len(figures)} figures of {len(results)} worked bills, {wrong} differ")
    return "\n".join(lines)


def bill_record(bill: Bill, *, with_why: bool = False) -> BillRecord:
    """Return an itemised bill as plain data, each line with the tree that made it if asked for."""
    return {
        "currency": bill.currency,
        "total": bill.total,
        "by_charge": bill.by_charge(),
        "by_period": bill.by_period(),
        "lines": [_line_record(line, with_why=with_why) for line in bill.lines],
    }


def _line_record(line: BillLine, *, with_why: bool) -> BillLineRecord:
    record: BillLineRecord = {
        "charge": line.charge, "name": line.name, "period": line.period,
        "quantity": line.quantity, "unit": line.unit, "rate": line.rate,
        "amount": line.amount, "because": line.because, "where": line.where,
    }  # fmt: skip
    return {**record, "why": cast(WhyRecord, line.why.record())} if with_why else record


def reconciled_record(result: Reconciled, notes: Sequence[str]) -> ReconciledRecord:
    """Return a comparison with a paid bill as plain data; differences are paid less ours."""
    return {
        "bill": result.paid.bill,
        "first": str(result.paid.first),
        "last": str(result.paid.last),
        "currency": result.bill.currency,
        "paid": result.paid.sum,
        "ours": result.paid.sum - result.difference,
        "difference": result.difference,
        "fits": result.fits,
        "lines": [_compared_record(line) for line in result.lines],
        "likely_causes": list(result.causes),
        "notes": list(notes),
    }


def _compared_record(line: Compared) -> ComparedLine:
    return {
        "name": line.name, "paid": line.paid, "ours": line.ours,
        "paid_quantity": line.paid_quantity, "our_quantity": line.our_quantity,
        "printed": line.printed, "difference": line.difference,
    }  # fmt: skip


def worked_record(results: Sequence[WorkedResult], remarks: Sequence[str]) -> WorkedRecord:
    """Return the worked bills of a tariff, and what is odd in it, as plain data."""
    return {
        "remarks": list(remarks),
        "bills": [
            {
                "bill": result.bill,
                "figures": [_figure_record(figure) for figure in result.figures],
            }
            for result in results
        ],
    }


def _figure_record(figure: CheckedFigure) -> WorkedFigure:
    return {
        "line": figure.line, "period": figure.period, "what": figure.what,
        "expected": figure.expected, "got": figure.got, "tolerance": figure.tolerance,
        "where": figure.where, "is_right": figure.is_right,
    }  # fmt: skip
