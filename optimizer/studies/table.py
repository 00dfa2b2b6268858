"""Rows of the table: every figure with its unit in the name of its column.

Read next: ``scheduler``.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from optimizer.economics.cash_flow import Worth
from optimizer.evaluation.comparison import LABELS, NOTHING_TO_SAVE
from optimizer.evaluation.savings_breakdown import Sources
from optimizer.settings.windows import no_windows
from optimizer.studies.answers import BillFigures, RunFigures
from optimizer.studies.cases import WITHOUT_BATTERY, Case, Joint
from optimizer.studies.questions import Question, Valued

WAYS = {
    "windows": "with windows",
    "no_windows": "no windows",
    "no_battery": "no battery",
    "neither": "neither PV nor battery",
}
"""How a case is run, in words."""

TODAY = "today"
"""What stands under ``against`` where savings are measured from a reference."""

SHOWN = tuple(key for key in LABELS if key not in ("in_use", "anew"))
"""The cases that have a bill in a row."""

WORDS: dict[str, Any] = {
    "bills": {key: BillFigures(0.0, 0.0, 0.0, 0.0, 0.0, 0.0) for key in SHOWN},
    "sources": Sources(*[0.0] * 5),
    "plan_kind": "",
    "windows": 0,
    "settings": no_windows(0.0),
}
UNKNOWN = RunFigures(**dict.fromkeys([field.name for field in fields(RunFigures)], 0.0) | WORDS)
"""Figures that name the columns of a row of which none is known."""


NONE, WHOLE, NUMBER, WORDS_AT = range(4)
"""Kinds of cells; of words it is kept where they stand."""


class Rows:
    """Rows as they become known, by column, for a hundred thousand mappings take gigabytes."""

    def __init__(self) -> None:
        self.names: dict[str, int] = {}
        self._places: dict[int, int] = {}
        self._values, self._kinds = array("d"), array("b")
        self._words: dict[str, int] = {}
        self._told: list[str] = []

    def put(self, number: int, row: Mapping[str, Any]) -> None:
        """Keep a row; all rows have the same columns."""
        if not self.names:
            self.names = {name: at for at, name in enumerate(row)}
        self._places[number] = len(self._places)
        for name in self.names:
            value = row[name]
            if isinstance(value, str):
                at = self._words.setdefault(value, len(self._words))
                if at == len(self._told):
                    self._told.append(value)
                value, kind = at, WORDS_AT
            else:
                kind = NONE if value is None else WHOLE if isinstance(value, int) else NUMBER
            self._values.append(0.0 if value is None else value)
            self._kinds.append(kind)

    def value(self, number: int, name: str) -> Any:
        """Return a cell of a row."""
        at = self._places[number] * len(self.names) + self.names[name]
        kind, value = self._kinds[at], self._values[at]
        if kind == NONE:
            return None
        return (
            value if kind == NUMBER else self._told[int(value)] if kind == WORDS_AT else int(value)
        )

    def in_order(self) -> list[Mapping[str, Any]]:
        """Return the rows that are known, by their numbers."""
        return [KeptRow(self, number) for number in sorted(self._places)]


class KeptRow(Mapping[str, Any]):
    """A row of the table, read where it is kept."""

    __slots__ = ("_number", "_rows")

    def __init__(self, rows: Rows, number: int) -> None:
        self._rows, self._number = rows, number

    def __getitem__(self, name: str) -> Any:
        return self._rows.value(self._number, name)

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows.names)

    def __len__(self) -> int:
        return len(self._rows.names)


def tabled(table: Rows, number: int, question: Question, currency: str) -> Question:
    """Ask a question, put its row into the table, and keep no more than is needed then."""
    valued: Valued = yield from question
    table.put(number, row_of(number, valued, currency))
    return valued.brief


def row_of(number: int, valued: Valued, currency: str) -> dict[str, Any]:
    """Return a row; what is unknown is None."""
    money = currency.lower()
    row: dict[str, Any] = {"case": number, "status": valued.status, "reason": valued.reason}
    joint = valued.joint
    row |= _of_case(valued.case) if joint is None else _of_joint(joint)
    year = _of_year(valued.figures or UNKNOWN, money)
    row |= year if valued.figures else dict.fromkeys(year)
    row |= _of_first_bill(valued, money)
    if valued.case.terms is not None:
        known = valued.money
        row |= _of_money(None if known is None else known.worth, money, "")
        of_plan = None if known is None or valued.figures is None else known.worth_of_plan
        row |= _of_money(of_plan, money, "_of_plan")
        row[f"investment_{money}"] = known and known.investment
        row[f"incentive_{money}"] = known and known.incentive
        paid = None if known is None else known.worth.cost
        row[f"cost_present_value_{money}"] = paid
        row[f"price_{money}_per_kwh"] = valued.decided.stated_price
        row[f"break_even_price_{money}_per_kwh"] = known and known.break_even
        row["against"] = valued.case.against or TODAY
        aged = None if valued.case.way in WITHOUT_BATTERY else known
        row["health_at_end_pct"] = aged and 100 * aged.health_after
        row["replacements"] = aged and aged.replacements
    found = valued.figures if joint is None else None
    row["settings_json"] = found and found.settings.model_dump_json(exclude_none=True)
    return {name: _plain(value) for name, value in row.items()}


def _of_joint(joint: Joint) -> dict[str, Any]:
    """Return what is alike at all sites that are decided together; what differs is None."""
    first, *others = (_of_case(case) for _, case in joint.parts)
    alike = {
        name: value if all(other[name] == value for other in others) else None
        for name, value in first.items()
    }
    name = alike["tariff_name"] or "each site's own"
    return alike | {"role": joint.role, "site": joint.group, "tariff_name": name}


def _of_case(case: Case) -> dict[str, Any]:
    run, family = case.run, case.family
    has_battery = case.way not in WITHOUT_BATTERY
    return {
        "role": case.role,
        "days": len(family.brief.scenario.forecast.grid.dates),
        "site": family.site,
        "tariff": family.tariff,
        "tariff_name": family.brief.tariff.name,
        "controls": family.controls,
        "way": WAYS[case.way],
        "package": case.choice.package if case.package else None,
        "battery_kwh": run.battery_kwh if has_battery else 0.0,
        "charge_kw": run.charge_kw if has_battery else 0.0,
        "discharge_kw": run.discharge_kw if has_battery else 0.0,
        "inverter_kw": run.inverter_kw,
        "endurance_hours": case.endurance_hours if has_battery else 0.0,
        "load_times": run.load_times,
        "pv_times": run.pv_times,
        "prices_rise_pct_per_year": None
        if case.terms is None
        else case.terms.prices_rise_pct_per_year,
    }


def _of_first_bill(valued: Valued, money: str) -> dict[str, Any]:
    """Return the first year's bill as the case is run, and what it saves over what it is measured from."""
    own, before, plan = valued.own, valued.before, valued.figures and valued.figures.bills["plan"]
    return {
        f"bill_{money}": own and own.bill,
        f"saves_{money}": own and before and before.cost - own.cost,
        f"plan_saves_{money}": plan and before and before.cost - plan.cost,
    }


def _of_year(figures: RunFigures, money: str) -> dict[str, Any]:
    """Return the year of the new equipment: bills, savings, energies, worths, sources."""
    bills, sources = figures.bills, figures.sources
    row: dict[str, Any] = {f"bill_{key}_{money}": bills[key].bill for key in SHOWN}
    for key in ("no_battery", "no_windows", "neither"):
        row[f"windows_save_over_{key}_{money}"] = bills[key].cost - bills["windows"].cost
        row[f"plan_saves_over_{key}_{money}"] = bills[key].cost - bills["plan"].cost
    possible = row[f"plan_saves_over_no_windows_{money}"]
    saved = row[f"windows_save_over_no_windows_{money}"]
    row["kept_share_pct"] = 100 * saved / possible if possible > NOTHING_TO_SAVE else None
    row[f"saved_in_years_fitted_to_{money}"] = figures.saved_seen
    row[f"saved_in_years_kept_back_{money}"] = figures.saved_unseen
    row["windows_to_type"] = figures.windows
    for key in ("no_battery", "no_windows", "windows", "plan"):
        row[f"import_{key}_kwh"] = bills[key].import_kwh
        row[f"export_{key}_kwh"] = bills[key].export_kwh
        row[f"peak_import_{key}_kw"] = bills[key].peak_kw
    row["discharged_kwh"] = figures.discharged_kwh
    row["full_cycles"] = figures.full_cycles
    row |= {f"from_{name}_{money}": worth for name, worth in vars(sources).items()}
    row[f"worth_of_battery_{money}_per_kwh"] = figures.worth_battery
    row[f"worth_of_battery_and_its_power_{money}_per_kwh"] = figures.worth_battery_and_power
    row[f"worth_of_inverter_{money}_per_kw"] = figures.worth_inverter
    row[f"worth_of_connection_{money}_per_kw"] = figures.worth_connection
    row["plan_is_a"] = figures.plan_kind
    row["plan_gap_pct"] = 100 * figures.plan_gap
    return row


def _of_money(worth: Worth | None, money: str, whose: str) -> dict[str, Any]:
    columns: tuple[str, ...] = (
        f"npv{whose}_{money}", f"internal_rate{whose}_pct", f"internal_rates_found{whose}",
        f"payback{whose}_years", f"discounted_payback{whose}_years",
        f"levelised_cost{whose}_{money}_per_kwh", f"benefit_cost_ratio{whose}",
    )  # fmt: skip
    if whose:  # energy and cost of the equipment are those of the windows
        columns = tuple(name for name in columns if not name.startswith("levelised"))
    if worth is None:
        return dict.fromkeys(columns)
    values: list[Any] = [
        worth.npv, None if worth.rate is None else 100 * worth.rate, len(worth.rates),
        worth.payback_years, worth.discounted_payback_years,
    ]  # fmt: skip
    values += [] if whose else [worth.levelised]
    return dict(zip(columns, [*values, worth.benefit_cost_ratio], strict=True))


def _plain(value: Any) -> Any:
    """Return a value as it stands in a table: no endless numbers, no minus before a zero."""
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    return value
