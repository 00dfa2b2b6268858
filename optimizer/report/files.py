"""Gathers the results of a plan and writes them into a folder."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from optimizer.base.files import write_all
from optimizer.report.page import report_html
from optimizer.report.record import flows_csv, plan_json, settings_yaml
from optimizer.report.renewal import reminders_ics, renewal_file
from optimizer.report.second_card import cards_of, rule_yaml
from optimizer.workflows.in_use import SERIES, TARIFF, renewal_yaml
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result, SearchResult
from optimizer.workflows.tomorrow import BRIGHT, DARK, RULE

RENEWAL, REMINDERS = "renewal.yaml", "reminders.ics"
BY_SIZE = "settings_by_size"
"""Folder with the settings of each number of windows."""


def write_result(result: Result, folder: Path) -> list[Path]:
    """Write ``plan.json``, ``flows.csv``, ``settings.yaml``, ``report.html``, and other sizes.

    ``tariff.yaml`` is the tariff as it was read, and ``tariff_series`` the price series that it names,
    against which a later season can be held. ``reminders.ics`` has the days on which to act, but for
    given settings; a renewal adds ``renewal.yaml`` for the history. Where a second card is recommended, it
    and the one for bright days stand in files of their own, with the rule in ``two_cards.yaml``.

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
        "plan.json": plan_json(result),
        "flows.csv": flows_csv(result),
        "settings.yaml": settings_yaml(result, result.settings),
        "report.html": report_html(result),
        TARIFF: result.tariff.source.text,
    }
    texts |= {f"{SERIES}/{name}": text for name, text in result.tariff.series_by_name().items()}
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
    by_chance = (RENEWAL, REMINDERS, BRIGHT, DARK, RULE)
    write_all(texts, folder, stale=(f"{BY_SIZE}/*_windows.yaml", f"{SERIES}/*", *by_chance))
    return [folder / name for name in dict.fromkeys(Path(name).parts[0] for name in texts)]
