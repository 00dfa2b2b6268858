"""Two sheets in one: of several groups of charges one is billed, by hours of use or as the lower or higher.

All charges stand above and have their lines; the line of this charge takes back the branches that do not
hold: what is due less all of them. So the bill is the lower (min, a binary for each period or year) or the
higher branch (max, convex), and of a plan nothing else is left once equal parts have cancelled. Over a year
each period pays what the year so far comes to, less what it came to before; in a plan only the end of the
year is left. Read next: ``percentage``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from optimizer.base.calendar import MonthDay, month_and_day, year_of
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.flows import Flows
from optimizer.billing.charges.base import ChargeBase, Context, Line
from optimizer.billing.charges.blocks import refuse_wrong_starts
from optimizer.cost.expression import (
    ZERO,
    Choice,
    FlowSum,
    Largest,
    Metered,
    Node,
    Scale,
    Sum,
    Tally,
    evaluate,
    minus,
)


class Branch(Document):
    """Charges that are billed together, and the hours of use from which on they are."""

    of: Annotated[list[str], Field(min_length=1)]
    from_h: float | None = Field(default=None, ge=0, le=8784)


@dataclass(frozen=True)
class _SoFar:
    """What a period or a year has come to: each branch, energy, demand and days; what was due of it."""

    branches: tuple[tuple[Node, ...], ...]
    energy: tuple[Node, ...] = ()
    demand: tuple[Node, ...] = ()
    days: float = 0.0
    due: Node = ZERO
    is_of_year: bool = False


class BranchesCharge(ChargeBase):
    """Bills one of several branches: the ``taken`` lower or higher one, or that of the hours of use.

    Hours of use are imported energy ÷ the highest kW of ``demand``, of a billing period or
    ``counted_over: year``; of what the meter data cover in part, the hours count in proportion.
    """

    kind: Literal["branches"]
    branches: Annotated[list[Branch], Field(min_length=2)]
    taken: Literal["lower", "higher"] | None = None
    demand: str | None = None
    counted_over: Literal["period", "year"] = "period"
    year_begins: MonthDay | None = None

    @model_validator(mode="after")
    def _decided_in_one_way(self) -> BranchesCharge:
        starts = [branch.from_h for branch in self.branches if branch.from_h is not None]
        if (self.taken is None) == (not starts):
            found = "taken and from_h both say" if starts else "nothing says"
            raise Mistake(
                f"{found} which branch of {self.name!r} holds",
                "Write taken: lower (or higher), or from_h in each branch.",
            )
        if starts and len(starts) < len(self.branches):
            raise Mistake("a branch has no from_h", "Give each of them one.", "branches")
        if starts:
            refuse_wrong_starts(starts, "branch", " h", "branches")
        if bool(starts) != (self.demand is not None):
            raise Mistake(
                "hours of use are energy ÷ demand" if starts else "demand is for branches by hours",
                "Name the demand charge above as demand." if starts else "Remove it.",
                "demand",
            )
        if self.year_begins is not None and self.counted_over != "year":
            raise Mistake(
                "year_begins is for branches that are counted over the year",
                "Write counted_over: year, or remove it.",
                "year_begins",
            )
        return self

    def lines(self, context: Context) -> list[Line]:
        """Return one line for each billing period: what is due less all branches."""
        for number, branch in enumerate(self.branches):
            context.refuse_unknown(branch.of, self.name, "branches", number, "of")
        if self.demand is not None and context.declared.get(self.demand) != "demand":
            raise context.no_demand(
                self.name, "hours of use", self.demand, "is no demand charge above it"
            )
        count = len(self.branches)
        years: dict[int, _SoFar] = context.remembered(f"{count} branches of {self.name}", dict)
        lines = []
        for period in range(context.period_count()):
            named = list(dict.fromkeys(name for branch in self.branches for name in branch.of))
            own = context.lines_of(named, period)
            if not own:
                continue
            nothing = _SoFar(((),) * count, is_of_year=self.counted_over == "year")
            year = year_of(context.periods.periods[period].middle, self.year_begins)
            before = years.get(year, nothing) if nothing.is_of_year else nothing
            now = self._with(context, before, period)
            now = replace(now, due=self._due(now, self._length(context, year, period)))
            years[year] = now
            moved = Sum((now.due, minus(before.due), *(minus(line.cost) for line in own)))
            where = context.where("branches")
            lines.append(Line.of_money(self.name, period, moved, where))
        self._note(context, years)
        return lines

    def _with(self, context: Context, before: _SoFar, period: int) -> _SoFar:
        """Return what there is so far with a period, or the part of it in which a version holds."""
        sums: list[Node] = [
            Sum(tuple(line.cost for line in context.lines_of(branch.of, period)))
            for branch in self.branches
        ]
        if before.is_of_year:
            sums = [Tally(branch) for branch in sums]
        steps = context.steps_of_period(np.ones(context.grid.count, dtype=bool), period)
        demand = [] if self.demand is None else context.lines_of([self.demand], period)
        if self.demand is not None and not (demand or before.demand):
            raise context.no_demand(self.name, "hours of use", self.demand, "has no kW in a period")
        kw = Sum(tuple(line.quantity for line in demand))
        return replace(
            before,
            branches=tuple((*b, s) for b, s in zip(before.branches, sums, strict=True)),
            energy=(*before.energy, FlowSum("import_kwh", steps, np.ones(len(steps)))),
            demand=(*before.demand, kw),
            days=before.days + context.days_in_force(period),
        )

    def _length(self, context: Context, year: int, period: int) -> int:
        """Return the days of the whole period or year. [days]"""
        if self.counted_over == "period":
            return context.periods.periods[period].days
        month, day = month_and_day(self.year_begins or "01-01")
        return (date(year + 1, month, day) - date(year, month, day)).days

    def _due(self, now: _SoFar, length: int) -> Node:
        branches = tuple(Sum(terms) for terms in now.branches)
        if self.taken == "higher":
            return Largest(branches)
        lower = Scale(-1.0, Largest(tuple(minus(branch) for branch in branches)))
        if self.taken == "lower":
            return lower
        energy, demand = Sum(now.energy), Largest(now.demand)

        def hours(flows: Flows) -> float:
            kw = evaluate(demand, flows)
            return evaluate(energy, flows) / kw if kw else 0.0

        share = now.days / length
        edges = tuple((branch.from_h or 0.0) * share for branch in self.branches[1:])
        held = Choice(Metered(hours, energy, how="hours of use, from"), edges, branches)
        return Metered(lambda flows: evaluate(held, flows), lower, (held,), "by hours of use, from")

    def _note(self, context: Context, years: dict[int, _SoFar]) -> None:
        if self.demand is not None:
            context.notes.append(
                f"{self.name}: billed by the hours of use (energy ÷ demand); a plan counts the lowest of the"
                " branches, which is the same where they meet at the hours at which they change."
            )
        partly = [year for year, now in years.items() if now.is_of_year and now.days < 365]
        if partly and context.in_force[-1]:  # a later version may go on with the year
            context.notes.append(
                f"{self.name}: of the year that begins in {partly[0]} only {years[partly[0]].days:.4g} days"
                " are counted, and hours of use in proportion."
            )
