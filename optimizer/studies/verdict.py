"""What a study says of a case that is looked at closely: money by year, what may differ, how sure.

Stated is not chosen. A rise of prices, load and PV that vary are what if; cases with the stated
ones are ranked first and looked at closely. Ranked together, the most favourable assumption won
in the demo.

Read next: ``studies``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from optimizer.economics.assumptions import Terms
from optimizer.economics.best_size import BestSize
from optimizer.economics.cash_flow import Fading, Money
from optimizer.economics.monte_carlo import Chances, Draws
from optimizer.settings.windows import Settings
from optimizer.studies.study_file import Reference

LEAST_DAYS = 355
"""A forecast of so many days is one of a year."""

LATE_SHARE = 0.5
"""A replacement of which less than this share of the life before is looked at comes late."""

Row = Mapping[str, Any]
"""A row of the table; every figure has its unit in the name of its column."""


@dataclass(frozen=True)
class Swing:
    """What one thing that turns out otherwise does to the net present value. [money]

    ``low`` and ``high`` are the range's ends, in the unit of its name.
    """

    name: str
    low: float
    high: float
    npv_low: float | None
    npv_high: float | None

    @property
    def reach(self) -> float:
        """How far apart the ends are; 0 where one of them failed. [money]"""
        if self.npv_low is None or self.npv_high is None:
            return 0.0
        return abs(self.npv_high - self.npv_low)


@dataclass(frozen=True)
class Verdict:
    """The best case of a site, looked at closely.

    ``whole_kw`` is the power that is 100 % where the equipment takes per cent. [kW] ``floors_cost`` is by how
    much more the case were worth without floors for an endurance; None if none is wished for. [money]
    """

    number: int
    row: Row
    settings: Settings
    whole_kw: float | None
    money: Money
    swings: tuple[Swing, ...]
    chances: Chances | None
    floors_cost: float | None = None


@dataclass(frozen=True)
class AtSize:
    """What a battery of a size comes to, with windows and ageing.

    ``npv`` is its net present value [money], ``spread`` what one in ten, half, and nine in ten drawn lives
    stay at or below; ``break_even`` the price at which it is worth as much as none, ``price`` the stated
    one, both of all of the battery. [money per kWh]
    """

    size_kwh: float
    npv: float
    break_even: float | None = None
    payback_years: float | None = None
    discounted_payback_years: float | None = None
    replacements: int = 0
    spread: tuple[float, ...] | None = None
    price: float | None = None


@dataclass(frozen=True)
class Sized:
    """The best size found for one site, tariff and set of controls.

    ``best`` is the first guess, by the cheapest plan of equipment that stays as new; ``case`` the number
    of the row that is worth most of ``along``, the sizes that were valued, rising. ``asked`` is how many
    sizes were to be looked at.
    """

    site: str
    tariff: str
    controls: str
    best: BestSize
    case: int
    along: tuple[AtSize, ...] = ()
    asked: int = 0

    @property
    def valued(self) -> dict[float, float]:
        """The net present value of each size that was valued. [money]"""
        return {each.size_kwh: each.npv for each in self.along}


@dataclass(frozen=True)
class Source:
    """A year of a case that was planned, and the key under which its answer stands in the ledger.

    ``health`` and ``pv`` are the shares of battery and PV that the year finds; ``year`` counts from 1.
    """

    year: int
    kind: str
    health: float
    pv: float
    key: str


Kept = TypeVar("Kept")


class OnDemand(Mapping[int, Kept]):
    """What can be told of each of some cases, worked out when it is asked for, and not kept."""

    def __init__(self, cases: Iterable[int], told: Callable[[int], Kept]) -> None:
        self._cases, self._told = dict.fromkeys(cases), told

    def __getitem__(self, case: int) -> Kept:
        if case not in self._cases:
            raise KeyError(case)
        return self._told(case)

    def __iter__(self) -> Iterator[int]:
        return iter(self._cases)

    def __len__(self) -> int:
        return len(self._cases)


@dataclass(frozen=True)
class StudyResult:
    """All that a study came to.

    ``rows`` stand in the order in which the cases are listed, best sizes behind them; ``verdicts`` are the
    best case of each site. ``terms``, ``draws`` are None where the study states none. ``manifest`` has
    what it takes to do all of it again: hashes of the inputs, versions, solver, seeds. ``notes`` tell what
    of the scenarios does not count here. ``moneys`` and ``sources`` are by the number of the case: its years,
    and the pieces of work that they came from. ``together`` has, by name, the groups of sites for which one
    thing is decided, each site with how many times it stands there.
    """

    name: str
    about: str
    invented: bool
    currency: str
    effort: str
    rows: tuple[Row, ...]
    verdicts: tuple[Verdict, ...]
    sized: tuple[Sized, ...]
    terms: Terms | None
    fading: Fading
    draws: Draws | None
    manifest: Mapping[str, Any]
    notes: tuple[str, ...] = ()
    reference: Reference | None = None
    moneys: Mapping[int, Money] = field(default_factory=dict)
    sources: Mapping[int, tuple[Source, ...]] = field(default_factory=dict)
    together: Mapping[str, Mapping[str, int]] = field(default_factory=dict)

    @property
    def money(self) -> str:
        """The currency as it stands in the names of columns."""
        return self.currency.lower()

    @property
    def done(self) -> list[Row]:
        """The rows that came to something."""
        return [row for row in self.rows if row["status"] == "done"]

    @property
    def measure(self) -> str:
        """The column by which cases are ranked: net present value, or without money the saving."""
        if self.terms is not None:
            return f"npv_{self.money}"
        return f"saves_{self.money}"

    @property
    def measure_of_plan(self) -> str:
        """The same of the cheapest plan."""
        return self.measure.replace("npv", "npv_of_plan").replace("saves", "plan_saves")

    def is_as_stated(self, row: Row) -> bool:
        """Whether a row has the stated rise of prices, load and PV: what is assumed, not chosen."""
        rise = None if self.terms is None else self.terms.prices_rise_pct_per_year
        assumed = row["load_times"], row["pv_times"], row["prices_rise_pct_per_year"]
        return assumed == (1, 1, rise)

    @property
    def ranked(self) -> list[Row]:
        """What is to be decided among: a group's rows in place of those of its sites."""
        members = {site for group in self.together.values() for site in group}
        return [row for row in self.ranked_each if row["site"] not in members]

    @property
    def ranked_each(self) -> list[Row]:
        """The rows that came to something, those as stated before others, the best of each first."""
        return sorted(self.done, key=lambda row: (not self.is_as_stated(row), -row[self.measure]))

    @property
    def is_of_years(self) -> bool:
        """Whether a row tells of a year; without money it may be of a season."""
        return all(row["days"] >= LEAST_DAYS for row in self.rows)
