"""Rows of the table: every figure with its unit in the name of its column.

Read next: ``scheduler``.
"""

from __future__ import annotations

import math
from typing import Any

from optimizer.economics.cash_flow import Worth
from optimizer.evaluation.comparison import LABELS, NOTHING_TO_SAVE
from optimizer.studies.cases import Case
from optimizer.studies.questions import Valued
from optimizer.studies.worker import Answer

ASIDE = ("in_use", "anew")


def row_of(number: int, valued: Valued, currency: str) -> dict[str, Any]:
    """Return a row; what is unknown is None."""
    money = currency.lower()
    row: dict[str, Any] = {"case": number, "status": valued.status, "reason": valued.reason}
    row |= _of_case(valued.case)
    figures = valued.figures or {}
    row |= _of_year(figures, money)
    if valued.case.terms is not None:
        known = valued.money
        row |= _of_money(None if known is None else known.worth, money, "")
        row |= _of_money(None if known is None else known.worth_of_plan, money, "_of_plan")
        flow, life = (None, None) if known is None else (known.flow, known.life)
        row[f"investment_{money}"] = None if flow is None else -float(flow.investment[0])
        row[f"incentive_{money}"] = None if flow is None else float(flow.incentive[0])
        row["against"] = valued.case.terms.against
        row["health_at_end_pct"] = None if life is None else 100 * life.health_after
        row["replacements"] = None if life is None else int(life.is_new.sum())
    row["settings_json"] = figures.get("settings")
    return {name: _plain(value) for name, value in row.items()}


def _of_case(case: Case) -> dict[str, Any]:
    run, family = case.run, case.family
    return {
        "role": case.role,
        "days": len(family.brief.scenario.forecast.grid.dates),
        "site": family.site,
        "tariff": family.tariff,
        "tariff_name": family.brief.tariff.name,
        "controls": family.controls,
        "battery_kwh": run.battery_kwh,
        "charge_kw": run.charge_kw,
        "discharge_kw": run.discharge_kw,
        "inverter_kw": run.inverter_kw,
        "load_times": run.load_times,
        "pv_times": run.pv_times,
        "prices_rise_pct_per_year": None
        if case.terms is None
        else case.terms.prices_rise_pct_per_year,
    }


def _of_year(figures: Answer, money: str) -> dict[str, Any]:
    """Return the year of the new equipment: bills, savings, energies, worths, sources."""
    get = figures.get
    row: dict[str, Any] = {}
    for key in LABELS:
        if key not in ASIDE:
            row[f"bill_{key}_{money}"] = get(f"bill_{key}")
    for key in ("no_battery", "no_windows", "neither"):
        row[f"windows_save_over_{key}_{money}"] = _less(figures, f"cost_{key}", "cost_windows")
        row[f"plan_saves_over_{key}_{money}"] = _less(figures, f"cost_{key}", "cost_plan")
    possible = row[f"plan_saves_over_no_windows_{money}"]
    has_share = possible is not None and possible > NOTHING_TO_SAVE
    saved = row[f"windows_save_over_no_windows_{money}"]
    row["kept_share_pct"] = 100 * saved / possible if has_share else None
    row[f"saved_in_years_fitted_to_{money}"] = get("saved_seen_years")
    row[f"saved_in_years_kept_back_{money}"] = get("saved_unseen_years")
    row["windows_to_type"] = get("windows")
    for key in ("no_battery", "no_windows", "windows", "plan"):
        row[f"import_{key}_kwh"] = get(f"import_kwh_{key}")
        row[f"export_{key}_kwh"] = get(f"export_kwh_{key}")
        row[f"peak_import_{key}_kw"] = get(f"peak_kw_{key}")
    row["discharged_kwh"] = get("discharged_kwh")
    row["full_cycles"] = get("full_cycles")
    for source in ("self_consumption", "moved_purchases", "sales", "demand", "other"):
        row[f"from_{source}_{money}"] = get(f"from_{source}")
    row[f"worth_of_battery_{money}_per_kwh"] = get("worth_battery_kwh")
    row[f"worth_of_battery_and_its_power_{money}_per_kwh"] = get("worth_battery_kwh_and_its_kw")
    row[f"worth_of_inverter_{money}_per_kw"] = get("worth_inverter_kw")
    row[f"worth_of_connection_{money}_per_kw"] = get("worth_connection_kw")
    row["plan_is_a"] = get("plan_kind")
    gap = get("plan_gap")
    row["plan_gap_pct"] = None if gap is None else 100 * gap
    return row


def _less(figures: Answer, one: str, other: str) -> float | None:
    if one not in figures:
        return None
    return float(figures[one] - figures[other])


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
