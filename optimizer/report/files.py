"""Gathers the results of a plan and writes them into a folder."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from optimizer.base.files import write_all
from optimizer.evaluation.review import Review
from optimizer.report.manifest import kept_inputs
from optimizer.report.page import report_html
from optimizer.report.record import plan_json, settings_yaml, verified_files
from optimizer.report.renewal import reminders_ics, renewal_file
from optimizer.report.second_card import cards_of, rule_yaml
from optimizer.report.verified import VERIFIED
from optimizer.workflows.in_use import PLAN, SERIES, renewal_yaml
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result, SearchResult
from optimizer.workflows.tomorrow import BRIGHT, DARK, RULE

RENEWAL, REMINDERS = "renewal.yaml", "reminders.ics"
BY_SIZE = "settings_by_size"
"""Folder with the settings of each number of windows."""


def write_result(
    result: Result, folder: Path, past: Review | None = None, language: str = "en"
) -> list[Path]:
    """Write ``plan.json``, ``flows.csv``, ``settings.yaml``, ``report.html``, and other sizes.

    ``scenario_as_read.yaml`` and ``tariff.yaml`` are scenario and tariff as they were read, and
    ``tariff_series`` the price series that it names, against which a later season can be held.
    ``reminders.ics`` has the days on which to act, but for given settings; a renewal adds ``renewal.yaml``
    for the history, and ``plan.json`` tells the ``past`` season where it was metered. Where a second card
    is recommended, it and the one for bright days stand in files of their own, with the rule in
    ``two_cards.yaml``. ``language`` is that of the report's first page, and of ``verdict`` and
    ``expected`` in ``plan.json``; all else is English.

    Returns
    -------
    list of Path
        The files written, and the folder of settings by size.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {
        PLAN: plan_json(result, past, language),
        **verified_files(result),
        "report.html": report_html(result, language=language),
        **kept_inputs(result),
    }
    if isinstance(result, RenewResult):
        texts[RENEWAL] = renewal_yaml(renewal_file(result, date.today()))  # noqa: DTZ011
    if isinstance(result, SearchResult):
        texts[REMINDERS] = reminders_ics(result)
    for size in result.curve if isinstance(result, PlanResult) else ():
        name = f"{BY_SIZE}/{size.entries}_windows.yaml"
        texts[name] = settings_yaml(result, size.settings)
    cards = cards_of(result)
    if cards is not None:
        texts[BRIGHT] = settings_yaml(result, cards.bright)
        texts[DARK] = settings_yaml(result, cards.dark)
        texts[RULE] = rule_yaml(result, cards)
    by_chance = (RENEWAL, REMINDERS, BRIGHT, DARK, RULE, VERIFIED)
    write_all(texts, folder, stale=(f"{BY_SIZE}/*_windows.yaml", f"{SERIES}/*", *by_chance))
    return [folder / name for name in dict.fromkeys(Path(name).parts[0] for name in texts)]
