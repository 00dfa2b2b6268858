"""The results as data: ``plan.json``, ``flows.csv`` and ``settings.yaml``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import optimizer
from optimizer.base.yaml_text import typed_yaml
from optimizer.billing.bill import Bill, BillLine
from optimizer.billing.reconcile import Reconciled
from optimizer.billing.worked import WorkedResult
from optimizer.evaluation.remarks import on_other_months
from optimizer.report.fits import fits_record
from optimizer.report.outages import outage_record
from optimizer.report.reserve import reserve_record
from optimizer.report.unseen import rule
from optimizer.report.wrapping import on_one_line
from optimizer.settings.windows import Settings, floors_text

if TYPE_CHECKING:
    from optimizer.evaluation.comparison import Case
    from optimizer.evaluation.out_of_sample import Sureness
    from optimizer.workflows.results import Account, ProofLine


def plan_json(account: Account) -> str:
    """Return all money figures, the kept share and the status as JSON text."""
    return json.dumps(plan_record(account), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plan_record(account: Account) -> dict[str, Any]:
    """Return all money figures, the kept share and the status as plain data.

    Units stand in the keys; money is in ``currency``. ``can_save``, ``saved`` and ``kept_share_frac`` are
    of the forecast itself, ``promise`` is what windows save in years that they have not seen; None where
    there are none. ``unseen`` tells what such windows came to in ``years`` plausible years made of weeks
    that they have not seen: one year in ten is at or
    below ``p10``, half at ``p50``, nine in ten at ``p90``; ``highest_at`` is the metered begin of the
    step with the worst month's highest import. ``curve`` holds the settings of each number of
    windows, and what they save in the mean on weeks that they have seen and not seen; ``rule`` says how
    one of them is recommended.
    """
    grid = account.scenario.forecast.grid
    proof = account.plan.proof
    outcome = account.outcome
    return {
        "program": {"name": "tariffwright", "version": optimizer.__version__},
        "scenario": account.scenario.name,
        "tariff": account.tariff.name,
        "currency": account.currency,
        "invented": account.is_invented,
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
        "advice": account.advice,
        "promise": _promise(account),
        "can_save": outcome.can_save,
        "saved": outcome.saved,
        "kept_share_frac": None if account.cheaper_than_plan else outcome.kept_share,
        "effort": account.effort,
        "unseen": _unseen(account.sureness),
        "rule": rule(account),
        "curve": _curve(account),
        "change_from_in_use": _change(account),
        "renewal": renewal_record(account),
        "proof": _proof(account.proof),
        "fits": fits_record(account.fits),
        "reserve": reserve_record(account.reserve),
        "outages": None if account.outages is None else outage_record(account.outages),
        "settings": settings_record(outcome.settings),
        "windows": [
            {"sentence": r.sentence, "saves": r.saves, "reason": r.why} for r in outcome.reasons
        ],
        "richer_controls": None
        if account.richer is None
        else {"lacking": list(account.richer.lacking), "saves_more": account.richer.saves_more},
        "shadow_worth": account.plan.nearby.worths,
        "bill_of_windows": bill_record(outcome.cases["windows"].bill),
        "bill_of_plan": bill_record(outcome.cases["plan"].bill),
        "notes": account.notes(),
        "cautions": account.cautions(),
    }


def _case(case: Case) -> dict[str, Any]:
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


def _promise(account: Account) -> dict[str, float] | None:
    """Return what windows save in the middle of the years they have not seen, and how it spreads."""
    if account.sureness is None or not account.outcome.settings.entries():
        return None
    saved = account.sureness.saved
    return {"saves": saved.p50, "one_in_ten_at_most": saved.p10, "nine_in_ten_at_most": saved.p90}


def _unseen(sureness: Sureness | None) -> dict[str, Any] | None:
    if sureness is None:
        return None
    worst = sureness.worst
    return {
        "kept_share_frac": None if sureness.kept_share is None else vars(sureness.kept_share),
        "bill": vars(sureness.bill),
        "saved": vars(sureness.saved),
        "worst_month": {
            "month": worst.month,
            "saved": worst.saved,
            "highest_at": worst.highest.isoformat(timespec="minutes"),
            "highest_kw": worst.highest_kw,
            "step_minutes": worst.step_minutes,
        },
        "years": sureness.years,
    }


def _curve(account: Account) -> list[dict[str, Any]]:
    return [
        {
            "entries": size.entries,
            "saved_seen": size.seen,
            "saved_unseen": size.unseen,
            "recommended": place == account.found.recommended,
            "handed_out": place == account.found.chosen,
            "settings": settings_record(size.settings),
        }
        for place, size in enumerate(account.curve)
        if account.found is not None
    ]


def _proof(proof: ProofLine | None) -> dict[str, Any] | None:
    if proof is None:
        return None
    return {
        "gap": proof.gap_money,
        "gap_share_frac": proof.gap_share,
        "is_exact": proof.is_exact,
    }


def _change(account: Account) -> dict[str, Any] | None:
    saved = account.outcome.saved_by_change
    if saved is None:
        return None
    return {"saved": saved, "is_worth_it": account.outcome.is_change_worth_it}


def renewal_record(account: Account) -> dict[str, Any] | None:
    """Return a renewal as plain data; money is a month's, but in the curve the season's."""
    renewal = account.renewal
    if renewal is None:
        return None
    return {
        "advice": renewal.advice(account.currency),
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
        "changes": [
            {
                "kind": valued.change.kind,
                "what": valued.change.sentence(account.scenario.whole_kw),
                "saves_per_month": valued.per_month,
            }
            for valued in renewal.changes
        ],
        "changes_anew": renewal.changes_anew,
        "others_per_month": renewal.others_per_month,
        "curve": [
            {"changes": count, "saved_seen": saving.seen, "saved_unseen": saving.unseen}
            for count, saving in renewal.curve
        ],
        "settings_in_use": settings_record(renewal.before),
    }


def bill_record(bill: Bill, *, with_why: bool = False) -> dict[str, Any]:
    """Return an itemised bill as plain data, each line with the tree that made it if asked for."""
    return {
        "currency": bill.currency,
        "total": bill.total,
        "by_charge": bill.by_charge(),
        "by_period": bill.by_period(),
        "lines": [
            _line_record(line) | ({"why": line.why.record()} if with_why else {})
            for line in bill.lines
        ],
    }


def _line_record(line: BillLine) -> dict[str, Any]:
    keys = ("charge", "name", "period", "quantity", "unit", "rate", "amount", "because", "where")
    return {key: getattr(line, key) for key in keys}


def reconciled_record(result: Reconciled) -> dict[str, Any]:
    """Return a comparison with a paid bill as plain data; differences are paid less ours."""
    return {
        "bill": result.paid.bill,
        "first": str(result.paid.first),
        "last": str(result.paid.last),
        "currency": result.bill.currency,
        "paid": result.paid.sum,
        "ours": result.paid.sum - result.difference,
        "difference": result.difference,
        "fits": result.fits,
        "lines": [vars(line) | {"difference": line.difference} for line in result.lines],
        "likely_causes": list(result.causes),
    }


def worked_record(results: Sequence[WorkedResult], remarks: Sequence[str]) -> dict[str, Any]:
    """Return the worked bills of a tariff, and what is odd in it, as plain data."""
    return {
        "remarks": list(remarks),
        "bills": [
            {
                "bill": result.bill,
                "figures": [vars(f) | {"is_right": f.is_right} for f in result.figures],
            }
            for result in results
        ],
    }


def settings_record(settings: Settings) -> dict[str, Any]:
    """Return settings as they stand in a settings file."""
    return settings.model_dump(exclude_none=True)


def settings_yaml(account: Account, settings: Settings) -> str:
    """Return settings as a file that a person can read aloud, each window said in words."""
    whole_kw = account.scenario.whole_kw
    months = account.scenario.forecast.grid.months
    head = [
        f"# Settings for {account.scenario.name} on tariff {account.tariff.name}.",
        f"# {account.origin.capitalize()}.",
        *(f"# {line}" for line in on_other_months(settings, account.scenario.controls, months)),
        *(f"#   {settings.sentence(place, whole_kw)}" for place in settings.places()),
        "# At all other times the battery covers the building down to the floor.",
        f"# Floor: {floors_text(settings)}.",
    ]
    return "\n".join(map(on_one_line, head)) + "\n" + typed_yaml(settings_record(settings))


def flows_csv(account: Account) -> str:
    """Return the steps of the plan and of the windows as CSV text, energies in kWh per step."""
    grid = account.scenario.forecast.grid
    columns: dict[str, Any] = {
        "time": [stamp.isoformat(timespec="minutes") for stamp in grid.local],
        "load_kwh": account.scenario.forecast.load_kwh,
        "pv_kwh": account.scenario.forecast.pv_kwh,
        "buy_per_kwh": account.prices.buy,
        "sell_per_kwh": account.prices.sell,
        "stored_worth_per_kwh": account.prices.stored,
    }
    for key in ("plan", "windows", "no_windows"):
        case = account.outcome.cases[key]
        for name in ("import_kwh", "export_kwh", "charge_kwh", "discharge_kwh", "pv_used_kwh"):
            columns[f"{key}_{name}"] = getattr(case.flows, name)
        columns[f"{key}_stored_kwh"] = case.stored_kwh
    table = pd.DataFrame(columns)
    numbers = table.select_dtypes(np.number).columns
    table[numbers] = table[numbers].round(6) + 0.0
    return table.to_csv(index=False, lineterminator="\n")
