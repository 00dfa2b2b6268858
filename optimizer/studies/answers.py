"""What pieces of work are asked with and answer: one record for each kind, kept as JSON.

Money is that of the horizon, in the tariff's currency. Read next: ``executors``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pydantic import TypeAdapter

from optimizer.economics.assumptions import Against
from optimizer.economics.monte_carlo import Draws
from optimizer.economics.valued import Part, Summary
from optimizer.evaluation.savings_breakdown import Sources
from optimizer.search.choose import Likeness
from optimizer.settings.windows import Settings
from optimizer.studies.cases import Run


@dataclass(frozen=True)
class SlopeAsked:
    """Asks for the slope of a size: whether its power grows with it, and what it is held against.

    ``against`` is None where that is another case.
    """

    with_power: bool
    against: Against | None


@dataclass(frozen=True)
class BoundsAsked:
    """Asks for the least cost of each of some runs."""

    runs: tuple[Run, ...]


@dataclass(frozen=True)
class DrawsAsked:
    """Asks what ways of running a site cost in drawn weather.

    ``end_worth`` [money per kWh] is the worth of what is left beyond ``end_kwh``. [kWh] Settings hold for
    windows, and for the floors of a battery without.
    """

    settings: Settings | None
    draws: Draws
    ways: tuple[str, ...]
    end_worth: float
    end_kwh: float


@dataclass(frozen=True)
class Sums:
    """Asks what the money of a decision comes to: of one site, or of several together."""

    parts: tuple[Part, ...]


@dataclass(frozen=True)
class SumsAsked:
    """Asks for several sums in one piece of work, for each takes little."""

    each: tuple[Sums, ...]


Asked = SlopeAsked | BoundsAsked | DrawsAsked | SumsAsked | None
"""What a kind of work needs beside its run."""


@dataclass(frozen=True)
class BillFigures:
    """One way of running the site: bill, cost and worth of what is left [money], energies and peak.

    ``parts`` are what of the bill is import, export and demand. [money]
    """

    bill: float
    cost: float
    left_worth: float
    import_kwh: float
    export_kwh: float
    peak_kw: float
    parts: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class RunFigures:
    """Every figure of a run that a row may want.

    ``bills`` are by case (see ``comparison.LABELS``). ``saved_seen`` and ``saved_unseen`` are means over
    the years that windows were fitted to, and over those kept back. [money] The four worths are what
    one kWh or kW more would save. [money per kWh, money per kW]
    """

    bills: dict[str, BillFigures]
    sources: Sources
    plan_kind: str
    plan_gap: float
    windows: int
    saved_seen: float
    saved_unseen: float | None
    discharged_kwh: float
    full_cycles: float
    cycles_counted: float
    end_worth: float
    end_kwh_plan: float
    worth_battery: float
    worth_battery_and_power: float
    worth_inverter: float
    worth_connection: float
    settings: Settings


@dataclass(frozen=True)
class Searched:
    """A run, planned and searched.

    ``likeness`` and ``bases`` are what other runs of the family start from, there for its base alone.
    ``without_base`` marks a run that was searched in full since the family's base had failed.
    """

    figures: RunFigures
    likeness: Likeness | None = None
    bases: tuple[str, ...] = ()
    without_base: bool = False
    kind: Literal["searched"] = "searched"


@dataclass(frozen=True)
class Slope:
    """A plan, the bill it is held against [money], and what a kWh more would save. [money per kWh]"""

    bill_before: float
    cost_plan: float
    worth_kwh: float
    is_linear: bool
    kind: Literal["slope"] = "slope"


@dataclass(frozen=True)
class Bounds:
    """What the plans of runs cost at least, in the order asked; None where shadow prices do not tell."""

    least_costs: tuple[float, ...] | None
    kind: Literal["bounds"] = "bounds"


@dataclass(frozen=True)
class Drawn:
    """What each way costs in drawn years, shape (load levels, weather years). [money]"""

    costs: dict[str, tuple[tuple[float, ...], ...]]
    kind: Literal["drawn"] = "drawn"


@dataclass(frozen=True)
class Bare:
    """A site without a battery: its bills, by way."""

    bills: dict[str, BillFigures]
    kind: Literal["bare"] = "bare"


@dataclass(frozen=True)
class Failure:
    """Work that failed, and why."""

    reason: str
    kind: Literal["failure"] = "failure"


@dataclass(frozen=True)
class Summed:
    """What each of several sums came to. It follows from other answers, and is not kept."""

    each: tuple[Summary | Failure, ...]


Answer = Searched | Slope | Bounds | Drawn | Bare | Failure
"""What a piece of work answers and is kept; ``kind`` tells them apart as text."""

_ANSWERS: TypeAdapter[Answer] = TypeAdapter(Answer, config={"ser_json_inf_nan": "constants"})


def text_of(answer: Answer) -> str:
    """Return an answer as JSON; numbers keep all their digits."""
    return _ANSWERS.dump_json(answer).decode()


def answer_of(text: str) -> Answer:
    """Return the answer that a JSON text holds.

    Raises
    ------
    ValidationError
        If it holds none.
    """
    return _ANSWERS.validate_json(text)
