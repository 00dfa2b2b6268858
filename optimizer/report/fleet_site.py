"""One job for one site of a fleet: done, written into the site's results, and told as a row.

What fails is a row too. A row is kept beside the results with a key of all that it was made of, so that a
run that was stopped goes on where it was, and a site that has not changed is not done again.
Read next: ``fleet``.
"""

from __future__ import annotations

import hashlib
import json
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import cast

from optimizer.base.documents import digest_of, files_of, is_file, read_document
from optimizer.base.errors import Interrupted, OptimizerError, ScenarioError
from optimizer.base.files import write_file
from optimizer.base.progress import quiet
from optimizer.base.units import money
from optimizer.base.version import __version__
from optimizer.billing.tariff import find_tariff, read_tariff
from optimizer.evaluation.fit_check import Finding
from optimizer.evaluation.renewal import DAYS_PER_MONTH
from optimizer.report.errors import error_record
from optimizer.report.formats import FLEET_SITE
from optimizer.report.shapes import FleetSiteRecord, spread_record
from optimizer.scenario.brief import Brief, read_brief
from optimizer.scenario.scenario import SCENARIO_FILE
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.studies.fingerprint import fingerprint
from optimizer.workflows.fleet import FleetTask
from optimizer.workflows.in_use import FLOWS, SETTINGS, TARIFF, history_of, in_use_if_any, in_use_of

DIED = "the process died over it; it may have run out of memory"

CHANGE, NO_CHANGE, FAILED = "change", "no change", "failed"


def row_file(job: str) -> str:
    """Return the name of the file in a site's results that holds the row of a job."""
    return f"fleet_{job}.json"


def do(task: FleetTask) -> FleetSiteRecord:
    """Do a job for a site, or take what a run before made of the same inputs."""
    try:
        key = _key_of(task)
        before = _row_before(task)
        if before is not None and before["key"] == key and before["state"] != FAILED:
            return {**before, "is_kept": True}
        row: FleetSiteRecord = {**JOBS[task.job](task), "key": key}
        write_file(FLEET_SITE.text(row), task.out / row_file(task.job))
    except Interrupted:
        raise
    except OptimizerError as failure:
        return failed(task, failure)
    except Exception as failure:  # a slip of ours at one site is no end of the others
        traceback.print_exc()
        fault = OptimizerError(
            f"the program failed: {type(failure).__name__}: {failure}",
            where=task.site,
            mend="This is a fault of the program, not of what was given. Report the lines above.",
        )
        return failed(task, fault)
    return row


def failed(task: FleetTask, failure: OptimizerError) -> FleetSiteRecord:
    """Return the row of a site at which a job failed."""
    return {
        **_row(task), "state": "failed", "error": error_record(failure), "code": failure.exit_code,
    }  # fmt: skip


def died(task: FleetTask) -> FleetSiteRecord:
    """Return the row of a site over which the process died."""
    return failed(
        task,
        OptimizerError(
            DIED, where=task.site, mend="Give the command again, with fewer --processes."
        ),
    )


def _row(task: FleetTask) -> FleetSiteRecord:
    """Return a row of which nothing is known yet."""
    return {
        "job": task.job, "site": task.site, "folder": str(task.folder), "state": "no change",
        "change": [], "worth": None, "worth_days": None, "currency": None, "unseen": None,
        "sure": "", "notes": [], "serious": 0, "card": None, "results": None, "error": None,
        "code": 0, "key": "", "is_kept": False,
    }  # fmt: skip


def _row_before(task: FleetTask) -> FleetSiteRecord | None:
    """Return the row that a run before left; None if there is none that can be read."""
    with suppress(OSError, ValueError):
        found = json.loads((task.out / row_file(task.job)).read_text(encoding="utf-8"))
        if isinstance(found, dict) and set(_row(task)) <= set(found):
            return cast(FleetSiteRecord, {name: found[name] for name in _row(task)})
    return None


def _key_of(task: FleetTask) -> str:
    """Return what stands for all that a row is made of: program, task, and what its files hold."""
    asked = {name: str(value) for name, value in vars(task).items() if name != "out"}
    digests = {str(path): digest_of(path) for path in _files(task) if is_file(path)}
    made_of = [__version__, fingerprint(), asked, digests]
    return hashlib.sha256(json.dumps(made_of, sort_keys=True).encode()).hexdigest()[:32]


def _files(task: FleetTask) -> Sequence[Path]:
    previous = task.previous
    found = [task.folder / task.metered]
    if previous is not None:
        names = (
            SETTINGS,
            FLOWS,
            TARIFF,
            "settings_bright.yaml",
            "settings_dark.yaml",
            "two_cards.yaml",
        )
        found += [previous / name for name in names]
    if task.job == "tomorrow":
        return found
    file, source = read_document(task.folder / SCENARIO_FILE, ScenarioFile, ScenarioError)
    tariff = read_tariff(find_tariff(file.tariff, task.folder, source.where(("tariff",))))
    history = [path for path, _ in history_of(task.folder)]
    return [*found, *files_of(source), *files_of(tariff.source), *history]


# --- the jobs --------------------------------------------------------------------------------


def _plan(task: FleetTask) -> FleetSiteRecord:
    """Plan a site; what is in use, if that is known, is changed only where it is worth it."""
    from optimizer.report.advice import on_changing
    from optimizer.report.files import write_result
    from optimizer.report.notes import notes
    from optimizer.report.verdict import verdict
    from optimizer.search.renewing import changes_of
    from optimizer.workflows.plan import plan

    brief = read_brief(task.folder, task.days)
    scenario, in_use = brief.scenario, in_use_if_any(brief.scenario, task.previous)
    result = plan(
        brief, effort=task.effort, in_use=in_use, time_limit_s=task.time_limit_s, progress=quiet
    )
    write_result(result, task.out)
    settings, sureness, outcome = result.settings, result.sureness, result.outcome
    if in_use is None:
        worth = outcome.saved if sureness is None else sureness.saved.p50
        places = settings.places() if worth > 0 else []
        change = [settings.sentence(place, scenario.whole_kw) for place in places]
    else:
        found = changes_of(in_use, settings, scenario.plant, scenario.controls.menu)
        change = [each.sentence(scenario.whole_kw) for each in found if outcome.is_change_worth_it]
        worth = outcome.saved_by_change or 0.0
    return {
        **_row(task), **_of_site(brief, result.fits, notes(result)), "results": str(task.out),
        "state": "change" if change else "no change", "change": change,
        "worth": worth if change else 0.0, "worth_days": scenario.forecast.grid.days,
        "unseen": spread_record(sureness.saved) if change and sureness and not in_use else None,
        "sure": verdict(result) if in_use is None else on_changing(result),
    }  # fmt: skip


def _renew(task: FleetTask) -> FleetSiteRecord:
    """Say what to change about the settings in use of a site."""
    from optimizer.report.files import write_result
    from optimizer.report.notes import notes
    from optimizer.workflows.renew import renew

    brief = read_brief(task.folder, task.days)
    result = renew(
        brief, in_use_of(brief.scenario, task.previous), least_per_month=task.least,
        effort=task.effort, time_limit_s=task.time_limit_s, progress=quiet,
    )  # fmt: skip
    write_result(result, task.out)
    renewal = result.renewal
    return {
        **_row(task), **_of_site(brief, result.fits, notes(result)), "results": str(task.out),
        "state": "no change" if renewal.is_nothing_to_do else "change",
        "change": [each.change.sentence(brief.scenario.whole_kw) for each in renewal.listed],
        "worth": renewal.saves_per_month if renewal.changes else 0.0, "worth_days": DAYS_PER_MONTH,
        "sure": renewal.advice(brief.currency),
    }  # fmt: skip


def _review(task: FleetTask) -> FleetSiteRecord:
    """Hold a site's past season against its promise, and write its page."""
    from optimizer.report.review_page import write_review
    from optimizer.workflows.review import review

    brief = read_brief(task.folder)
    found = review(brief, _previous(task), task.folder / task.metered)
    write_review(found, brief.scenario, task.out)
    at_work = found.shape.were_at_work or not found.shape.days
    by_cause = ", ".join(f"{name} {money(by)}" for name, by in found.causes.items())
    return {
        **_row(task), **_of_site(brief, (), found.notes),
        "state": "no change" if at_work else "change",
        "change": [] if at_work else ["look whether the card is what is typed in"],
        "results": str(task.out), "worth": found.real_now,
        "worth_days": float((found.last - found.first).days + 1),
        "sure": f"promised were {money(found.promised, found.currency)}; {by_cause}",
    }  # fmt: skip


def _check(task: FleetTask) -> FleetSiteRecord:
    """Tell what is wrong or odd at a site; what is serious asks for a change."""
    from optimizer.workflows.check import check

    brief = read_brief(task.folder)
    found = check(brief)
    serious = [each.mend or each.what for each in found.fits if each.severity == "serious"]
    return {
        **_row(task), **_of_site(brief, found.fits, found.remarks),
        "state": "change" if serious else "no change", "change": serious,
    }  # fmt: skip


def _forecast(task: FleetTask) -> FleetSiteRecord:
    """Make the forecast of a site, and write it."""
    from optimizer.report.forecast import figure_rows
    from optimizer.report.forecast_page import write_forecast
    from optimizer.workflows.forecast import forecast, refuse_own_forecast

    brief = read_brief(task.folder, task.days)
    refuse_own_forecast(brief.scenario, task.out)
    result = forecast(brief)
    write_forecast(result, task.out)
    told = "; ".join(
        f"{name} {cells[0]} (eight in ten {cells[1]} to {cells[3]})"
        for name, cells in figure_rows(result)
    )
    notes = brief.scenario.forecast.notes
    return {**_row(task), **_of_site(brief, (), notes), "results": str(task.out), "sure": told}


def _tomorrow(task: FleetTask) -> FleetSiteRecord:
    """Choose the card of a site for a day; it is a change if another was told the last time."""
    from optimizer.report.tomorrow import entries_told, tomorrow_text
    from optimizer.workflows.tomorrow import tomorrow

    told = tomorrow(_previous(task), task.pv_kwh, task.day)
    before = _row_before(task)
    is_other = bool(told.card) and told.card != ((before and before["card"]) or "A")
    entries = [line.strip() for line in entries_told(told.settings, {told.day.month})]
    evening = told.day - timedelta(days=1)
    change = [f"use card {told.card} from {told.switched_at} on {evening} on", *entries]
    return {
        **_row(task), "state": "change" if is_other else "no change",
        "change": change if is_other else [], "card": told.card or None,
        "sure": tomorrow_text(told).partition("\n    -")[0].replace("\n", " "),
    }  # fmt: skip


JOBS: dict[str, Callable[[FleetTask], FleetSiteRecord]] = {
    "plan": _plan, "renew": _renew, "review": _review, "check": _check, "forecast": _forecast,
    "tomorrow": _tomorrow,
}  # fmt: skip


def _previous(task: FleetTask) -> Path:
    assert task.previous is not None, "the command asks for it"
    return task.previous


def _of_site(brief: Brief, fits: Sequence[Finding], notes: Sequence[str]) -> FleetSiteRecord:
    """Return what rows of several jobs have alike: the currency, and notes, what is serious first."""
    serious = [each.sentence() for each in fits if each.severity == "serious"]
    odd = [each.sentence() for each in fits if each.severity == "odd"]
    return cast(
        FleetSiteRecord,
        {"currency": brief.currency, "serious": len(serious), "notes": [*serious, *odd, *notes]},
    )
