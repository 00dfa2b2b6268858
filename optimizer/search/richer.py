"""Tells what richer controls would bring, where the ones there are leave much on the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.forecasting.weeks import Weather
from optimizer.search.choose import EFFORTS, Found, find_settings
from optimizer.search.fit import MonthGroups
from optimizer.search.score import Task
from optimizer.settings.controls import Controls
from optimizer.settings.menu import Action

POOR_SHARE = 0.1
"""Richer controls are told of if they save at least this share of the possible saving more."""

RICH_WINDOWS, RICH_SEASONS = 4, 2


@dataclass(frozen=True)
class Richer:
    """What is lacking, in words, and what having it would save more, on weeks not fitted to."""

    lacking: tuple[str, ...]
    saves_more: float


def what_richer_would_bring(
    task: Task, weather: Weather, found: Found, groupings: Sequence[MonthGroups]
) -> Richer | None:
    """Return what richer controls would save more; None if nothing is lacking, or little gained.

    Parameters
    ----------
    task : Task
        What was searched for.
    weather : Weather
        The weeks; without folds nothing is told.
    found : Found
        What the search found with the controls as they are.
    groupings : sequence of groups of months
        Those that richer controls would store, the tariff's own first.
    """
    lacking = lacks(task.controls, has_peaks=any(task.cost.peaks()), sells=task.plant.may_export_stored,
                    buys=task.plant.may_charge_from_grid)  # fmt: skip
    if not lacking or not weather.has_folds or task.can_save <= 0:
        return None
    rich = find_settings(
        replace(task, controls=enriched(task.controls)), weather, "richer", groupings,
        EFFORTS["quick"],
    )  # fmt: skip
    more = (rich.sizes[rich.recommended].unseen or 0.0) - (
        found.sizes[found.recommended].unseen or 0.0
    )
    return Richer(tuple(lacking), more) if more >= POOR_SHARE * task.can_save else None


def lacks(controls: Controls, *, has_peaks: bool, sells: bool, buys: bool) -> list[str]:
    """Return what the controls lack that could matter for a tariff and a plant."""
    menu = controls.menu
    wanted: list[tuple[Action, bool]] = [("charge", buys), ("hold", True), ("sell", sells)]
    missing = [f"the action '{action}'" for action, matters in wanted
               if matters and action not in menu.actions]  # fmt: skip
    if sum(each.entries for each in menu.lists if not each.only_limits) < RICH_WINDOWS:
        missing.insert(0, f"{RICH_WINDOWS} windows a day")
    for each in menu.lists:
        missing += [f"a {field} of its own for each entry of {each.name!r}" for field in each.once]
    if controls.season_sets < RICH_SEASONS:
        missing.append(f"{RICH_SEASONS} season sets")
    if len(menu.day_sets) == 1:
        missing.append("windows of their own for weekends")
    if has_peaks and not any(each.has("cap") for each in menu.lists):
        missing.append("import caps")
    if menu.outside != "cover":
        missing.append("covering the building outside its entries")
    return missing


def enriched(controls: Controls) -> Controls:
    """Return the controls with all that they may lack: one list of all actions and fields."""
    return controls.model_copy(
        update={
            "windows_per_day": max(controls.windows_per_day, RICH_WINDOWS),
            "most_entries": None,
            "season_sets": max(controls.season_sets, RICH_SEASONS),
            "day_types": "weekday_weekend"
            if controls.day_types == "every_day"
            else controls.day_types,
            "actions": ["charge", "hold", "cover", "sell"],
            "import_cap": True,
            "lists": None,
            "overlap": False,
            "precedence": None,
            "outside": "cover",
        }
    )
