"""The best size of each site, tariff and set of controls: guessed by the plan, then really valued.

The cheapest plan's slope names a size in a handful of plans, for equipment that stays as new. Windows keep
less than the plan, and a battery ages; so that guess and the quarters of the row are valued as every case
is, and then sizes around the best, until one is worth more than its neighbours. Listed cases of such sizes
count too. Read next: ``run``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.economics.best_size import BestSize, at_cliffs, quarters_of, sizes_to_value
from optimizer.economics.monte_carlo import Chances
from optimizer.studies.cases import Case, Study
from optimizer.studies.questions import Failed, Valued, chances_for, resized, size_for, value_of
from optimizer.studies.scheduler import CarryingOut
from optimizer.studies.verdict import AtSize, Sized

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
        every, worths = sorted({*self.sizes, *self.listed}), self.worths
        first = [self.guess.size_kwh, *quarters_of(every)]
        if lacking := [size for size in dict.fromkeys(first) if size not in worths]:
            return lacking
        return at_cliffs(every, self.replacements) or sizes_to_value(every, worths)

    @property
    def replacements(self) -> dict[float, int]:
        """How often the battery is replaced, by the sizes that came to something."""
        every = self.listed | self.tried
        return {size: each.money.replacements for size, each in every.items() if each.money}

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

    def sized(self, case: int, spreads: Mapping[int, tuple[float, ...]]) -> Sized:
        """Return what was found; ``case`` is the number of its row, ``spreads`` are by the rows valued."""
        family = self.case.family
        every = sorted((self.listed | self.tried).items())
        along = tuple(
            AtSize(
                size, each.money.worth.npv, each.money.break_even,
                each.money.worth.payback_years, each.money.worth.discounted_payback_years,
                each.money.replacements,
                spreads.get(id(each)), each.case.stated_price,
            )
            for size, each in every if each.money
        )  # fmt: skip
        asked = len({*self.sizes, *self.listed})
        return Sized(family.site, family.tariff, family.controls, self.guess, case, along, asked)


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
    every = [each for row in rows for each in (row.listed | row.tried).values() if each.money]
    spreads = _spreads(study, carrying_out, every)
    sized = [row.sized(len(listed) + number, spreads) for number, row in enumerate(rows, start=1)]
    return sized, [*(row.best for row in rows), *(each for row in rows for each in row.others)]


def _spreads(
    study: Study, carrying_out: CarryingOut, every: Sequence[Valued]
) -> dict[int, tuple[float, ...]]:
    """Return between what drawn lives of each size lie, by its identity; empty where none are drawn."""
    draws = study.file.draws
    if draws is None:
        return {}
    found: list[Chances | Failed | None] = carrying_out.results(
        [chances_for(valued, draws) for valued in every]
    )
    return {
        id(valued): chances.quantiles()["npv"]
        for valued, chances in zip(every, found, strict=True)
        if isinstance(chances, Chances)
    }


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
        replace(like[family.key], terms=terms, run=family.own, package=None)
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
        and each.case.package is None
        and (each.case.family.key, each.case.terms) == (case.family.key, case.terms)
        and each.case.run == resized(case.run, each.case.run.battery_kwh, with_power=with_power)
    }
