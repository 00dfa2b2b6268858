"""The best size of each site, tariff and set of controls: guessed by the plan, then really valued.

The cheapest plan's slope names a size in a handful of plans, for equipment that stays as new. Windows keep
less than the plan, and a battery ages; so sizes around that guess are valued as every case is, until one
is worth more than its neighbours. Listed cases of such sizes count too. Read next: ``run``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from optimizer.economics.best_size import BestSize, sizes_to_value
from optimizer.studies.cases import Case, Study
from optimizer.studies.questions import Failed, Valued, resized, size_for, value_of
from optimizer.studies.scheduler import CarryingOut
from optimizer.studies.verdict import Sized

BEST, TRIED = "best size", "tried size"
"""The roles of cases that are valued for it."""


@dataclass
class _Row:
    """A row of sizes of one family, as far as it is valued.

    ``case`` is the family's own equipment; ``listed`` holds sizes that the study lists anyway.
    """

    case: Case
    guess: BestSize
    sizes: tuple[float, ...]
    with_power: bool
    listed: dict[float, Valued]
    tried: dict[float, Valued] = field(default_factory=dict)

    @property
    def worths(self) -> dict[float, float]:
        """The net present value of each size that was valued; less than any for one that failed."""
        return {size: _npv(valued) for size, valued in (self.listed | self.tried).items()}

    @property
    def wanted(self) -> list[float]:
        """The sizes to be valued next."""
        if self.guess.size_kwh not in self.worths:
            return [self.guess.size_kwh]
        every = sorted({*self.sizes, *self.listed})
        return sizes_to_value(every, self.worths)

    @property
    def best(self) -> Valued:
        """The valued size that is worth most, as a row of its own."""
        worths = self.worths
        valued = (self.listed | self.tried)[max(worths, key=worths.__getitem__)]
        return replace(valued, case=replace(valued.case, role=BEST))

    @property
    def others(self) -> list[Valued]:
        """The sizes that were valued for this alone, and are not the best."""
        best = self.best.case.run
        found = [self.tried[size] for size in sorted(self.tried)]
        return [valued for valued in found if valued.case.run != best]

    def case_of(self, size_kwh: float) -> Case:
        """Return the case of a size."""
        run = resized(self.case.run, size_kwh, with_power=self.with_power)
        return replace(self.case, run=run, role=TRIED)

    def sized(self, case: int) -> Sized:
        """Return what was found; ``case`` is the number of its row."""
        family = self.case.family
        worths = {size: worth for size, worth in sorted(self.worths.items()) if worth > -_NEVER}
        asked = len({*self.sizes, *self.listed})
        return Sized(
            family.site, family.tariff, family.controls, self.guess, case, worths, asked
        )  # fmt: skip


_NEVER = float("inf")


def _npv(valued: Valued) -> float:
    return -_NEVER if valued.money is None else valued.money.worth.npv


def find_best_sizes(
    study: Study, carrying_out: CarryingOut, listed: Sequence[Valued], notes: list[str]
) -> tuple[list[Sized], list[Valued]]:
    """Find the best size of each family; note what failed.

    Parameters
    ----------
    study : Study
        Its ``best_size`` is the row of sizes.
    carrying_out : CarryingOut
        Does the work.
    listed : sequence of Valued
        The listed cases; the rows that are returned come behind them.
    notes : list of str
        Is told which families have no best size, and why.
    """
    rows = _guessed(study, carrying_out, listed, notes)
    while wanted := [(row, size) for row in rows for size in row.wanted]:
        found = carrying_out.results([value_of(row.case_of(size)) for row, size in wanted])
        for (row, size), valued in zip(wanted, found, strict=True):
            row.tried[size] = valued
    sized = [row.sized(len(listed) + number) for number, row in enumerate(rows, start=1)]
    return sized, [*(row.best for row in rows), *(each for row in rows for each in row.others)]


def _guessed(
    study: Study, carrying_out: CarryingOut, listed: Sequence[Valued], notes: list[str]
) -> list[_Row]:
    """Let the cheapest plan guess the best size of each family."""
    sizes, terms = study.file.best_size, study.file.money
    if sizes is None or terms is None:
        return []
    with_power = study.file.vary.battery_kw is None
    like = {case.family.key: case for case in reversed(study.cases) if case.way == "windows"}
    cases = [
        replace(like[family.key], terms=terms, run=family.own)
        for family in study.families if family.key in like
    ]  # fmt: skip
    found: list[BestSize | Failed] = carrying_out.results(
        [size_for(case, terms, sizes, with_power=with_power) for case in cases]
    )
    rows = []
    for case, guess in zip(cases, found, strict=True):
        if isinstance(guess, Failed):
            notes.append(f"{case.family.name}: the best size could not be found. {guess}")
            continue
        known = _listed_sizes(case, listed, with_power=with_power)
        rows.append(_Row(case, guess, tuple(sizes.sizes()), with_power, known))
    return rows


def _listed_sizes(case: Case, listed: Sequence[Valued], *, with_power: bool) -> dict[float, Valued]:
    """Return listed cases that differ from the family's own equipment in the size alone."""
    return {
        each.case.run.battery_kwh: each
        for each in listed
        if each.status != "left out"
        and each.case.way == "windows"
        and (each.case.family.key, each.case.terms) == (case.family.key, case.terms)
        and each.case.run == resized(case.run, each.case.run.battery_kwh, with_power=with_power)
    }
