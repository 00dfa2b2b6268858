"""Tell what is wrong or odd in a scenario or a tariff."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from optimizer.base.documents import beginning_of, is_file, is_folder
from optimizer.base.timegrid import zone_remark
from optimizer.billing.odd import odd_values
from optimizer.billing.sample import SampleYear, sample_year
from optimizer.billing.tariff import (
    BILLS_SUFFIX,
    Tariff,
    is_tariff_text,
    read_tariff,
    remarks_over_a_year,
    shipped_tariffs,
)
from optimizer.billing.worked import (
    WorkedResult,
    bills_beside,
    check_worked_bill,
    read_worked_bills,
)
from optimizer.evaluation.fit_check import Finding, findings_of
from optimizer.scenario.brief import Brief
from optimizer.scenario.remarks import remarks
from optimizer.scenario.scenario import SCENARIO_FILE


@dataclass(frozen=True)
class ScenarioCheck:
    """What is odd in a scenario, and whether its equipment fits."""

    remarks: tuple[str, ...]
    fits: tuple[Finding, ...]


@dataclass(frozen=True)
class TariffCheck:
    """The worked bills of a tariff, none if there are none, what is odd in it, and a sample year."""

    tariff: Tariff
    worked: tuple[WorkedResult, ...]
    remarks: tuple[str, ...]
    sample: SampleYear

    @property
    def is_right(self) -> bool:
        """Whether every worked figure comes out."""
        return all(figure.is_right for result in self.worked for figure in result.figures)


def check(brief: Brief) -> ScenarioCheck:
    """Return what is odd in all that a scenario names, and whether its equipment fits."""
    scenario = brief.scenario
    told = (*scenario.forecast.notes, *brief.cost.notes, *remarks(scenario))
    return ScenarioCheck(told, tuple(findings_of(scenario)))


def check_tariff(path: Path) -> TariffCheck:
    """Read a tariff, compile it over a year, and work out the bills that stand beside it.

    Raises
    ------
    InputError
        If the tariff or the bills beside it cannot be read.
    """
    tariff = read_tariff(path)
    odd = (*remarks_over_a_year(tariff), *odd_values(tariff))
    beside, sample = bills_beside(path), sample_year(tariff)
    if not is_file(beside):
        return TariffCheck(tariff, (), odd, sample)
    bills = read_worked_bills(beside)
    results = (
        WorkedResult(worked.entry.shows, tuple(check_worked_bill(tariff, worked)))
        for worked in bills
    )
    return TariffCheck(tariff, tuple(results), (*odd, *_on_zone(bills[0].zone, beside)), sample)


def _on_zone(zone: str, beside: Path) -> list[str]:
    return [f"{beside}: {remark}" for remark in [zone_remark(zone)] if remark]


def tariff_named(what: Path) -> Path | None:
    """Return the tariff file that is meant, or None if a scenario is."""
    if is_folder(what) or what.name == SCENARIO_FILE:
        return None
    if what.name.endswith(BILLS_SUFFIX):
        return what.with_name(what.name.removesuffix(BILLS_SUFFIX) + ".yaml")
    if is_file(what):
        return what if is_tariff_text(beginning_of(what)) else None
    return shipped_tariffs().get(str(what))
