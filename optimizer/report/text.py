"""The summary that the terminal shows, in plain text that can be read aloud."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.base.units import money, number, price
from optimizer.billing.bill import Bill
from optimizer.billing.explain import MONEY
from optimizer.billing.reconcile import Compared, Reconciled
from optimizer.billing.worked import WorkedResult
from optimizer.report.renewal import renewal_text
from optimizer.report.reserve import reserve_text
from optimizer.report.unseen import (
    SPREAD_HEADING,
    about_the_curve,
    after_the_spread,
    curve_rows,
    how_judged,
    promise,
    spread_rows,
)
from optimizer.report.wrapping import filled
from optimizer.settings.windows import floors_text

if TYPE_CHECKING:
    from optimizer.workflows.results import Account


def summary(account: Account) -> str:
    """Return settings, bills, how sure they are, other sizes, notes and cautions as text."""
    parts = [
        _head(account), renewal_text(account), settings_text(account), bills_text(account),
        reserve_text(account.reserve, account.currency),
        sureness_text(account), curve_text(account), _notes(account), _cautions(account),
    ]  # fmt: skip
    return "\n\n".join(part for part in parts if part)


def _head(account: Account) -> str:
    invented = f" ({account.invented})" if account.invented else ""
    grid = account.scenario.forecast.grid
    return (
        f"{account.scenario.name} on tariff {account.tariff.name}{invented}\n"
        f"{account.span}, {number(grid.days, 2)} days in steps of {grid.step_minutes} min"
    )


def settings_text(account: Account) -> str:
    """Return what to type in, with one line of reason for each window."""
    settings = account.outcome.settings
    title = "SETTINGS TO ENTER" if account.given is None else "THESE SETTINGS"
    lines = [title, f"  floor: {floors_text(settings)}"]
    if account.why_no_windows:
        return "\n".join([
            *lines,
            filled(
                f"No windows: {account.why_no_windows} The battery then covers the building, down to"
                " the floor, and PV surplus is stored first."
            ),
        ])  # fmt: skip
    for reason in account.outcome.reasons:
        why = filled(reason.why, "      ", "        ")
        lines += [f"  {reason.sentence}", why]
    lines.append("  all other times: cover the building from the battery, down to the floor")
    return "\n".join(lines)


def bills_text(account: Account) -> str:
    """Return the bills side by side, what to expect, and whether to change what is in use."""
    outcome = account.outcome
    cases = outcome.cases.values()
    has_wear = outcome.costs_differ_from_bills
    known = "" if account.scenario.so_far is None else ", with what was metered so far"
    lines = [f"BILLS FOR {account.span}{known}, {account.currency}"]
    heading = f"  {'':26}{'bill':>12}{'import kWh':>13}{'export kWh':>13}{'peak kW':>10}"
    lines.append(heading + (f"{'cost*':>12}" if has_wear else ""))
    for case in cases:
        line = (
            f"  {case.label:26}{money(case.bill.total):>12}{case.flows.import_kwh.sum():>13,.0f}"
            f"{case.flows.export_kwh.sum():>13,.0f}{case.peak_import_kw:>10.2f}"
        )
        lines.append(line + (f"{money(case.cost):>12}" if has_wear else ""))
    if has_wear:
        lines.append("  * bill, plus wear of the battery, less the worth of what is left in it")
    lines += ["", *map(filled, promise(account))]
    if account.on_changing:
        lines.append(filled(account.on_changing))
    if account.proof is not None:
        lines.append(filled(account.proof.sentence(account.currency)))
    return "\n".join(lines)


def sureness_text(account: Account) -> str:
    """Return what such windows came to on weeks that they had not seen."""
    lines = ["HOW SURE THIS IS", filled(how_judged(account))]
    if account.sureness is not None:
        rows = spread_rows(account, account.sureness)
        lines.append(_spread_line("at most, in", SPREAD_HEADING))
        lines += [_spread_line(name, values) for name, *values in rows]
        lines += [filled(line) for line in after_the_spread(account, account.sureness)]
    return "\n".join(lines)


def _spread_line(name: str, values: Sequence[str]) -> str:
    return f"  {name:34}" + "".join(f"{value:>14}" for value in values)


def curve_text(account: Account) -> str:
    """Return what fewer and more windows save, and which number is recommended."""
    rows = curve_rows(account)
    if not rows:
        return ""
    lines = [
        f"HOW MANY WINDOWS TO ENTER, {account.currency}",
        f"  {'windows':>9}{'saved on weeks':>22}{'saved on weeks':>22}",
        f"  {'to enter':>9}{'they have seen':>22}{'not seen':>22}",
    ]
    for row in rows:
        line = f"  {row.entries:>9}{row.seen:>22}{row.unseen:>22}   {row.mark}"
        lines.append(line.rstrip())
    return "\n".join([*lines, filled(about_the_curve(account))])


def _notes(account: Account) -> str:
    return _listed("NOTES", account.notes())


def _cautions(account: Account) -> str:
    return _listed("BEFORE YOU ENTER THEM", account.cautions())


def _listed(title: str, items: list[str]) -> str:
    if not items:
        return ""
    return "\n".join([title, *(filled(item, "  - ") for item in items)])


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
                lines.append(
                    f"    {line.name:40.40}{line.quantity:>13,.3f} {unit:7}×{price(line.rate):>9}"
                    f" ={money(line.amount):>13}"
                )
                if with_why:
                    lines += [f"      {text}" for text in line.why.lines(bill.currency)]
                elif line.because:
                    lines.append(f"      {line.because}")
        lines.append(f"    {'':40}{'':33}{money(total):>12}")
    lines.append(f"  total {money(bill.total, bill.currency)}")
    return "\n".join(lines)


def reconciled_text(result: Reconciled) -> str:
    """Return the paid bill and ours line by line, where they differ, and the likely causes."""
    paid = result.paid
    lines = [
        f"{paid.bill}: PAID AND OURS, {paid.first} to {paid.last}, {result.bill.currency}",
        f"  {'':40}{'paid':>12}{'ours':>12}{'difference':>12}",
    ]
    lines += [
        f"  {line.name:40.40}{_or_none(line.paid):>12}{_or_none(line.ours):>12}"
        f"{money(line.difference):>12}{_quantities(line)}"
        for line in result.lines
    ]
    ours = paid.sum - result.difference
    lines.append(
        f"  {'total':40}{money(paid.sum):>12}{money(ours):>12}{money(result.difference):>12}"
    )
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
    lines = [f"  - {remark}" for remark in remarks]
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
