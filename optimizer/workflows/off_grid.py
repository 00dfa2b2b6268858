"""Say beforehand what it takes to stay off the grid, or below a power, in given hours.

The settings are replayed with and without the limit. Read next: ``settings.limiting``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.documents import Source
from optimizer.base.errors import InputError, Mistake, SettingsError
from optimizer.base.progress import Progress, quiet
from optimizer.base.units import number
from optimizer.evaluation.comparison import Case, Judge
from optimizer.evaluation.kept_limit import AT_NO_LEVEL, Spell, spells_under
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import DAYS_PER_YEAR
from optimizer.settings.check import refuse
from optimizer.settings.limiting import ALL_MONTHS, Limit, with_limit
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of, with_floor_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan

if TYPE_CHECKING:
    import pandas as pd

WITH_THE_LIMIT = Path("the settings with the limit")
"""How settings that no file holds are called in refusals."""

SHARES = (0.5, 0.9, 1.0)
"""For which shares of the days it is told how full the battery must be."""


@dataclass(frozen=True, repr=False)
class OffGrid:
    """What a limit of the import comes to.

    ``spells`` are the limit's hours of each day; ``settings`` are those with it, ``without`` those
    without; ``before`` and ``after`` are what they cost over the forecast, without and with it.
    """

    brief: Brief
    limit: Limit
    without: Settings
    settings: Settings
    spells: tuple[Spell, ...]
    before: Case
    after: Case
    notes: tuple[str, ...]

    @property
    def frame(self) -> pd.DataFrame:
        """A row for each day of the limit, with the fields of ``Spell``."""
        import pandas as pd

        return pd.DataFrame(self.spells)

    @property
    def broken(self) -> tuple[Spell, ...]:
        """The days on which the limit is not kept."""
        return tuple(spell for spell in self.spells if spell.missing_kwh > 0)

    @property
    def highest(self) -> Spell:
        """The day with the highest import in the limit's hours."""
        return max(self.spells, key=lambda spell: spell.highest_kw)

    @property
    def worst(self) -> Spell:
        """The day on which most energy is missing."""
        return max(self.spells, key=lambda spell: spell.missing_kwh)

    @property
    def missing_kwh(self) -> float:
        """What is imported above the limit on all days together. [kWh]"""
        return sum(spell.missing_kwh for spell in self.spells)

    @property
    def begins_at_pct(self) -> float:
        """What is in the battery at least on half of the days when the hours begin. [%]"""
        return float(np.median([spell.begin_pct for spell in self.spells]))

    @property
    def costs_a_year(self) -> float:
        """What the limit costs more a year; negative if it saves. [money]"""
        return (self.after.cost - self.before.cost) * self._times

    @property
    def _times(self) -> float:
        return DAYS_PER_YEAR / self.brief.scenario.forecast.grid.days

    def level_for(self, share: float) -> float | None:
        """Return how full the battery must be when the hours begin to keep a share of the days. [%]

        None if no level does.
        """
        needed = sorted(spell.needed_pct for spell in self.spells)
        level = needed[math.ceil(share * len(needed) - 1e-9) - 1]
        return None if level == AT_NO_LEVEL else level

    def at_no_level(self, lacks: str) -> int:
        """Return on how many days even a full battery lacks ``energy``, or ``power``."""
        return sum(spell.lacks == lacks for spell in self.spells)

    def __repr__(self) -> str:
        return f"<OffGrid {self.limit.words!r}: not kept on {len(self.broken)} of {len(self.spells)} days>"


def limit_of(hours: str, import_kw: float, months: tuple[int, ...], days: str) -> Limit:
    """Return a limit of the import.

    Raises
    ------
    InputError
        If hours, months, days or power cannot be.
    """
    try:
        return Limit(hours, import_kw, months, days)
    except Mistake as mistake:
        raise InputError(mistake.what, where="the limit", mend=mistake.mend) from None


def stay_off(
    brief: Brief,
    limit: Limit,
    settings: Settings | None = None,
    *,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress = quiet,
) -> OffGrid:
    """Say how often a limit of the import is kept, what it costs, and how full the battery must be.

    Parameters
    ----------
    brief : Brief
        The scenario with its tariff.
    limit : Limit
        The hours, and the highest import in them.
    settings : Settings, optional
        What is typed in beside; no windows without.
    time_limit_s : float
        Most time for the linear program, which says what is left in the battery is worth. [s]
    progress : callable
        Is told what goes on.

    Raises
    ------
    InputError
        If the menu cannot hold the limit, or the forecast has none of its hours.
    SolveError
        If no plan can be made.
    """
    scenario = brief.scenario
    controls, plant, grid = scenario.controls, scenario.plant, scenario.forecast.grid
    if not any(each.has("cap") for each in controls.menu.lists):
        power = number(limit.import_kw, 2)
        asked = f"an import of at most {power} kW" if limit.import_kw else "staying off the grid"
        raise InputError(
            f"the menu has no limit of the import, so {asked} cannot be typed in",
            where=scenario.source.where(("controls",)),
            mend="If the screen has one, say import_cap: true in controls, or add 'cap' to the fields"
            " of a list there; if not, the equipment cannot do it.",
        )
    held_by = limit if controls.has_calendar else replace(limit, months=ALL_MONTHS)
    held = held_by.holds(grid, controls)
    if not held.any():
        raise InputError(
            f"the forecast has none of these hours: {limit.words}",
            where=scenario.source.where(("forecast",)),
            mend="Give other months or hours, or a forecast that holds them.",
        )
    if settings is None:
        floor_pct = round(plant.soc_pct(plant.low_kwh), 9)
        settings = Settings(settings="stay off the grid", floor_pct=floor_pct)
    try:
        limited = with_limit(settings, held_by, controls)
    except Mistake as mistake:
        raise SettingsError(mistake.what, where=str(WITH_THE_LIMIT), mend=mistake.mend) from None
    refuse(limited, controls, plant, Source(WITH_THE_LIMIT, limited.model_dump()))
    limited = limited.as_stored(controls)
    brief = with_floor_of(settings, brief)
    plan = cheapest_plan(brief, time_limit_s, progress)
    progress("replaying the settings with the limit and without")
    horizon, judge = horizon_of(brief), Judge(brief.cost, plan)
    run = replay(horizon, limited)
    return OffGrid(
        brief,
        held_by,
        settings,
        limited,
        spells_under(horizon, limited, run, held_by, held),
        judge.of_replay("no_windows", replay(horizon, settings), plant),
        judge.of_replay("windows", run, plant),
        tuple(_notes(brief, limit, settings)),
    )


def _notes(brief: Brief, limit: Limit, before: Settings) -> list[str]:
    scenario = brief.scenario
    controls, step = scenario.controls, scenario.forecast.grid.step_minutes
    notes = [scenario.forecast.estimate] if scenario.forecast.estimate else []
    if not controls.has_calendar and set(limit.months) != set(ALL_MONTHS):
        notes.append(
            "The equipment has no calendar (controls.season_sets: 1): the limit is counted in all months,"
            " for it holds until it is taken out."
        )
    if any(time % step for time in (limit.window.begin, limit.window.finish)):
        notes.append(
            f"The forecast has steps of {step} min; a step is counted if the limit holds where it begins."
        )
    if controls.outside != "cover" and not before.entries():
        notes.append(
            f"Once an entry is stored the equipment does not cover the building outside its entries"
            f" (controls.outside: {controls.outside}); the cost of that is counted too."
        )
    if not scenario.plant.behaviour.cap_uses_battery:
        notes.append(
            "The battery does not help to keep a cap (behaviour.cap_uses_battery: false): it only does"
            " where a window gives anyway."
        )
    if limit.window.is_over_midnight:
        notes.append(
            "A night of which only a part lies in the forecast, or in the limit's months, is counted too."
        )
    return notes
