"""The results as data: ``plan.json``, ``flows.csv`` and ``settings.yaml``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from optimizer.base.version import __version__
from optimizer.base.words import speaking
from optimizer.base.yaml_text import typed_yaml
from optimizer.evaluation.comparison import Case
from optimizer.evaluation.out_of_sample import Sureness
from optimizer.evaluation.remarks import on_other_months
from optimizer.evaluation.renewal import Valued
from optimizer.evaluation.review import Review
from optimizer.report.advice import advice, cheaper_than_plan, invented, origin
from optimizer.report.bill import bill_record
from optimizer.report.card import card_for
from optimizer.report.card_text import card_text
from optimizer.report.columns import csv_of
from optimizer.report.fits import fits_record
from optimizer.report.formats import PLAN
from optimizer.report.manifest import manifest_of
from optimizer.report.notes import cautions, notes
from optimizer.report.outages import outage_record
from optimizer.report.reserve import reserve_record
from optimizer.report.review import review_record
from optimizer.report.second_card import second_card_record
from optimizer.report.shapes import (
    CaseRecord,
    ChangeFromInUse,
    ChangeRecord,
    PlanRecord,
    PromiseRecord,
    RenewalRecord,
    RicherRecord,
    SizeRecord,
    UnseenRecord,
    WithoutForesightRecord,
    spread_record,
)
from optimizer.report.unseen import promise, rule
from optimizer.report.verdict import verdict
from optimizer.report.wrapping import on_one_line
from optimizer.scenario.scenario import Scenario
from optimizer.search.renewing import OnceChange, RaisedFloor
from optimizer.search.richer import Richer
from optimizer.settings.windows import Settings, Window
from optimizer.workflows.in_use import FLOWS, SETTINGS
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result, SearchResult


def plan_json(result: Result, past: Review | None = None, language: str = "en") -> str:
    """Return all money figures, the kept share and the status as JSON text."""
    return PLAN.text(plan_record(result, past, language))


def plan_record(result: Result, past: Review | None = None, language: str = "en") -> PlanRecord:
    """Return all money figures, the kept share and the status as plain data.

    Units stand in the keys; money is in ``currency``. ``can_save``, ``saved`` and ``kept_share_frac`` are
    of the forecast itself, ``promise`` is what windows save in years that they have not seen; None where
    there are none. ``verdict`` and ``expected`` say in words whether they are worth entering, and what to
    expect, in the ``language``; all else is English. ``unseen`` tells what such windows came to in
    ``years`` plausible years made of weeks that they have not seen: one year in ten is at or below
    ``p10``, half at ``p50``, nine in ten at ``p90``; ``highest_at`` is the metered begin of the
    step with the worst month's highest import. ``without_foresight`` is what the best control without
    foresight that was found saves over no windows on the weeks kept back, as metered, and what windows
    fitted to the others save there. ``curve`` holds the settings of each number of windows, and what they
    save in the mean on weeks that they have seen and not seen; ``rule`` says how one of them is recommended.
    ``second_card`` is what one for dark days saves more on weeks kept back, and by what rule it is used.
    ``past`` is the past season held against its promise, where it was metered.
    """
    grid = result.scenario.forecast.grid
    proof = result.plan.proof
    outcome = result.outcome
    searched = result if isinstance(result, SearchResult) else None
    planned = result if isinstance(result, PlanResult) else None
    sureness = searched.sureness if searched else None
    with speaking(language):
        worth, expected = verdict(result), promise(result)
        renewal = renewal_record(result) if isinstance(result, RenewResult) else None
    return {
        "program": {"name": "tariffwright", "version": __version__},
        "scenario": result.scenario.name,
        "tariff": result.tariff.name,
        "currency": result.tariff.currency,
        "invented": bool(invented(result)),
        "estimate": result.scenario.forecast.estimate or None,
        "horizon": {
            "start": grid.label(0),
            "zone": grid.zone,
            "step_minutes": grid.step_minutes,
            "steps": grid.count,
            "days": round(grid.days, 6),
        },
        "status": {
            "kind": proof.kind,
            "gap_frac": proof.gap,
            "steps_with_integers": proof.integer_steps,
            "integers_of_tariff": proof.tariff_integers,
            "objective": proof.objective,
            "recomputed": proof.recomputed,
            "solve_seconds": round(proof.seconds, 3),
        },
        "cases": [_case(case) for case in outcome.cases.values()],
        "advice": advice(result),
        "verdict": worth,
        "expected": expected,
        "promise": _promise(result, sureness),
        "can_save": outcome.can_save,
        "saved": outcome.saved,
        "kept_share_frac": None if cheaper_than_plan(result) else outcome.kept_share,
        "effort": searched.effort if searched else None,
        "unseen": _unseen(sureness),
        "without_foresight": _without_foresight(planned),
        "rule": rule(result),
        "curve": _curve(result),
        "second_card": second_card_record(result),
        "change_from_in_use": _change(result),
        "renewal": renewal,
        "review": None if past is None else review_record(past),
        "fits": fits_record(searched.fits if searched else ()),
        "reserve": reserve_record(searched.reserve if searched else None),
        "outages": outage_record(searched.outages) if searched else None,
        "settings": settings_record(outcome.settings),
        "windows": [
            {"sentence": r.sentence, "saves": r.saves, "reason": r.why} for r in outcome.reasons
        ],
        "richer_controls": _richer(planned.richer if planned else None),
        "shadow_worth": result.plan.nearby.worths,
        "bill_of_windows": bill_record(outcome.cases["windows"].bill),
        "bill_of_plan": bill_record(outcome.cases["plan"].bill),
        "notes": notes(result),
        "cautions": cautions(result),
        "manifest": manifest_of(result, verified_files(result)),
    }


def verified_files(result: Result) -> dict[str, str]:
    """Return the texts of the results that ``verify`` recomputes, by their names."""
    return {FLOWS: flows_csv(result), SETTINGS: settings_yaml(result, result.settings)}


def _case(case: Case) -> CaseRecord:
    flows = case.flows
    return {
        "case": case.key,
        "label": case.label,
        "bill": case.bill.total,
        "wear": case.wear,
        "left_worth": case.left_worth,
        "cost": case.cost,
        "import_kwh": float(flows.import_kwh.sum()),
        "export_kwh": float(flows.export_kwh.sum()),
        "pv_used_kwh": float(flows.pv_used_kwh.sum()),
        "charge_kwh": float(flows.charge_kwh.sum()),
        "discharge_kwh": float(flows.discharge_kwh.sum()),
        "peak_import_kw": case.peak_import_kw,
        "overload_kwh": case.overload_kwh,
        "days_beyond_cycles": case.days_beyond_cycles,
    }


def _promise(result: Result, sureness: Sureness | None) -> PromiseRecord | None:
    """Return what windows save in the middle of the years they have not seen, and how it spreads."""
    if sureness is None or not result.settings.entries():
        return None
    saved = sureness.saved
    return {"saves": saved.p50, "one_in_ten_at_most": saved.p10, "nine_in_ten_at_most": saved.p90}


def _richer(richer: Richer | None) -> RicherRecord | None:
    if richer is None:
        return None
    return {"lacking": list(richer.lacking), "saves_more": richer.saves_more}


def _unseen(sureness: Sureness | None) -> UnseenRecord | None:
    if sureness is None:
        return None
    worst = sureness.worst
    return {
        "kept_share_frac": None
        if sureness.kept_share is None
        else spread_record(sureness.kept_share),
        "bill": spread_record(sureness.bill),
        "saved": spread_record(sureness.saved),
        "worst_month": {
            "month": worst.month,
            "saved": worst.saved,
            "highest_at": worst.highest.isoformat(timespec="minutes"),
            "highest_kw": worst.highest_kw,
            "step_minutes": worst.step_minutes,
        },
        "years": sureness.years,
    }


def _without_foresight(planned: PlanResult | None) -> WithoutForesightRecord | None:
    best = planned.without_foresight if planned else None
    if best is None:
        return None
    return {
        "best_found_saves": best.saved,
        "control_saves": best.control,
        "windows_save": best.windows,
        "kept_share_frac": best.kept_share,
    }


def _curve(result: Result) -> list[SizeRecord]:
    if not isinstance(result, PlanResult):
        return []
    return [
        {
            "entries": size.entries,
            "saved_seen": size.seen,
            "saved_unseen": size.unseen,
            "recommended": place == result.found.recommended,
            "handed_out": place == result.found.chosen,
            "settings": settings_record(size.settings),
        }
        for place, size in enumerate(result.curve)
    ]


def _change(result: Result) -> ChangeFromInUse | None:
    saved = result.outcome.saved_by_change
    if saved is None:
        return None
    return {"saved": saved, "is_worth_it": result.outcome.is_change_worth_it}


def renewal_record(result: RenewResult) -> RenewalRecord:
    """Return a renewal as plain data; money is a month's, but in the curve the season's."""
    renewal = result.renewal
    return {
        "advice": renewal.advice(result.currency),
        "change_nothing": renewal.is_nothing_to_do,
        "months": renewal.months,
        "least_per_change_per_month": renewal.least,
        "saves_per_month": renewal.saves_per_month,
        "saves_seen_per_month": renewal.saving.seen / renewal.months,
        "saves_unseen_per_month": None
        if renewal.saving.unseen is None
        else renewal.saving.unseen / renewal.months,
        "entries": renewal.entries,
        "floor_raised": renewal.is_floor_raised,
        "changes": [change_record(each, result.scenario.whole_kw) for each in renewal.listed],
        "changes_anew": renewal.changes_anew,
        "others_per_month": renewal.others_per_month,
        "curve": [
            {"changes": count, "saved_seen": saving.seen, "saved_unseen": saving.unseen}
            for count, saving in renewal.curve
        ],
        "settings_in_use": settings_record(renewal.before),
    }


def change_record(valued: Valued, whole_kw: float | None) -> ChangeRecord:
    """Return a change to what is typed in as plain data; what it has not is None."""
    change = valued.change
    record: ChangeRecord = {
        "kind": change.kind,
        "what": change.sentence(whole_kw),
        "months": list(change.months),
        "weekdays": None,
        "list": None,
        "field": None,
        "before": None,
        "after": None,
        "floor_before_pct": None,
        "floor_after_pct": None,
        "saves_per_month": valued.per_month,
    }
    if isinstance(change, RaisedFloor):
        record["floor_before_pct"], record["floor_after_pct"] = change.before_pct, change.after_pct
        return record
    record["before"], record["after"] = _window(change.before), _window(change.after)
    if isinstance(change, OnceChange):
        record["kind"], record["list"], record["field"] = "field", change.list_name, change.field
    else:
        record["weekdays"] = list(change.weekdays)
    return record


def _window(window: Window | None) -> dict[str, Any] | None:
    return None if window is None else window.model_dump(mode="json", exclude_none=True)


def settings_record(settings: Settings) -> dict[str, Any]:
    """Return settings as they stand in a settings file."""
    return settings.model_dump(exclude_none=True)


def settings_yaml(result: Result, settings: Settings) -> str:
    """Return settings as a file that a person can read aloud, with the card as its comments."""
    months = result.scenario.forecast.grid.months
    head = [
        f"# Settings for {result.scenario.name} on tariff {result.tariff.name}.",
        f"# {origin(result).capitalize()}.",
        *(f"# {line}" for line in on_other_months(settings, result.scenario.controls, months)),
    ]
    return commented_settings(head, result.scenario, settings)


def commented_settings(head: Sequence[str], scenario: Scenario, settings: Settings) -> str:
    """Return a settings file that begins with some comments and the card."""
    with speaking("en"):
        card = card_text(card_for(scenario, settings)).splitlines()
    lines = [*head, "#", *(f"#   {line}".rstrip() for line in card), "#"]
    return "\n".join(map(on_one_line, lines)) + "\n" + typed_yaml(settings_record(settings))


def flows_csv(result: Result) -> str:
    """Return the steps of the plan and of the windows as CSV text, energies in kWh per step.

    Load and PV stand as they were read, so that a replay of the file is the same; all else has six digits.
    """
    grid = result.scenario.forecast.grid
    columns: dict[str, Any] = {
        "time": grid.labels,
        "load_kwh": result.scenario.forecast.load_kwh,
        "pv_kwh": result.scenario.forecast.pv_kwh,
        "buy_per_kwh": result.prices.buy,
        "sell_per_kwh": result.prices.sell,
        "stored_worth_per_kwh": result.prices.stored,
    }
    if (result.prices.sell_stored != result.prices.sell).any():
        columns["sell_stored_per_kwh"] = result.prices.sell_stored
    for key in ("plan", "windows", "no_windows"):
        case = result.outcome.cases[key]
        for name in ("import_kwh", "export_kwh", "charge_kwh", "discharge_kwh", "pv_used_kwh"):
            columns[f"{key}_{name}"] = getattr(case.flows, name)
        columns[f"{key}_stored_kwh"] = case.stored_kwh
    as_read = ("time", "load_kwh", "pv_kwh")
    return csv_of({
        name: column if name in as_read else np.round(column, 6) + 0.0
        for name, column in columns.items()
    })  # fmt: skip
