"""Credits carried from one period to the next: how much is due, and what is left in the bank.

With S the sum of a period (what is charged less what is credited), a bank that only ever pays for
later periods leaves due in all, up to period p,

    D(p) = max(D(p − 1), S(1) + … + S(p) − brought forward),    D(0) = 0

so period p is due D(p) − D(p − 1), and the bank holds D(p) − (S(1) + … + S(p)) + brought forward.
Written this way what is due is convex in the sums, as long as the price does not rise later on.
Read next: ``net_energy``, ``credit_bank``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from optimizer.base.calendar import month_and_day
from optimizer.base.timegrid import BillingPeriod
from optimizer.billing.charges.base import Context
from optimizer.cost.expression import ZERO, Constant, Largest, Node, Sum, Tally, minus


@dataclass(frozen=True)
class Settled:
    """A period settled: what is due of it, what was lost, and what the bank holds after it.

    ``year`` is what was due of its year before it and with it, where the whole year is netted.
    """

    due: Node
    lost: Node
    bank: Node
    year: tuple[Node, Node] | None = None


class Bank:
    """Settles one period after another; prices may change between them, the bank goes on.

    Parameters
    ----------
    brought_forward : float
        What the bank holds before the first period, in kWh or money.
    expire_after : int, optional
        Periods after which a credit is lost; the oldest are used first.
    """

    def __init__(self, brought_forward: float = 0.0, expire_after: int | None = None) -> None:
        self._expire_after = expire_after
        self._begin(brought_forward)

    def _begin(self, brought_forward: float) -> None:
        self._sums: list[Tally] = []
        self._forward = brought_forward
        self._due_in_all: Node = ZERO
        self._made: Node = Constant(brought_forward)
        self._made_before: list[Node] = [self._made]  # for each period, and for the one to come
        self._gone: Node = ZERO

    def settle(self, charged: Node, *, is_reset: bool, is_closed: bool = True) -> Settled:
        """Settle a period, or the part of it on which a version of the tariff holds.

        Parameters
        ----------
        charged : Node
            What the period is charged less what it is credited.
        is_reset : bool
            Whether the bank is emptied at the end of the period; what it held is lost.
        is_closed : bool
            Whether the period ends here; nothing expires, and nothing is reset, before it does.
        """
        self._sums.append(Tally(charged))
        result = self._in_order() if self._expire_after is None else self._oldest_first(is_closed)
        if not (is_reset and is_closed):
            return result
        self._begin(0.0)
        return Settled(result.due, Sum((result.lost, result.bank)), ZERO)

    def _in_order(self) -> Settled:
        so_far = Sum((*self._sums, Constant(-self._forward)))
        before, self._due_in_all = self._due_in_all, Largest((self._due_in_all, so_far))
        bank = Sum((self._due_in_all, minus(so_far)))
        return Settled(Sum((self._due_in_all, minus(before))), ZERO, bank)

    def _oldest_first(self, is_closed: bool) -> Settled:
        """Settle with credits that expire.

        With C the credits made so far and R those gone (used or lost), a period uses
        min(its need, C − R) of the credits before it; those older than allowed are then gone.
        """
        assert self._expire_after is not None
        charged = self._sums[-1]
        credit = Largest((minus(charged), ZERO))
        need = Sum((charged, credit))
        unused = Sum((self._made, minus(self._gone)))
        used = minus(Largest((minus(need), minus(unused))))
        after_use = self._gone = Tally(Sum((self._gone, used)))
        self._made = Sum((self._made, credit))
        if is_closed:
            old = len(self._made_before) - self._expire_after
            if old >= 0:
                self._gone = Largest((after_use, self._made_before[old]))
            self._made_before.append(self._made)
        lost = Sum((self._gone, minus(after_use)))
        bank = Sum((self._made, minus(self._gone)))
        return Settled(Sum((need, minus(used))), lost, bank)


def resets(periods: Sequence[BillingPeriod], month_day: str | None) -> list[bool]:
    """Return for each period whether the bank is emptied at its end.

    That is so where the day of the reset lies after the period's first day and not after its end.
    """
    if month_day is None:
        return [False] * len(periods)
    month, day = month_and_day(month_day)
    return [
        any(
            period.first < date(year, month, day) <= period.end
            for year in (period.first.year, period.end.year)
        )
        for period in periods
    ]


def settled_in_turn(
    context: Context, name: str, expire_after: int | None, reset: str | None, sums: dict[int, Node]
) -> dict[int, Settled]:
    """Settle the sums of some periods with the bank of a name, which lives through all versions.

    Credits also age, and are lost, in periods in which nothing is charged or credited.
    """
    banked = context.history.banked.get(name, 0.0)
    bank = context.remembered(f"bank of {name}", lambda: Bank(banked, expire_after))
    is_reset = resets(context.periods.periods, reset)
    if not is_reset[-1]:
        context.notes.append(
            f"{name}: credits that are left at the end of the series are not counted."
        )
    settled = {}
    for period in range(context.period_count()):
        ages = bool(expire_after or is_reset[period]) and context.days_in_force(period) > 0
        if period in sums or ages:
            settled[period] = bank.settle(
                sums.get(period, ZERO),
                is_reset=is_reset[period],
                is_closed=context.holds_at_end(period),
            )
    return settled


def settled_alone(node: Node) -> Settled:
    """Settle a period with no bank: what is left over is lost."""
    return Bank().settle(node, is_reset=True)
