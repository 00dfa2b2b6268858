"""Settings tried by hand: each change replayed and billed exactly, two versions side by side.

A version is worked out from the whole of its settings, so that nothing is carried over from the change
before. Read next: ``evaluation.step_reason``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np

from optimizer.base.documents import Source, checked
from optimizer.base.errors import SettingsError
from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.base.words import later
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.explain import MONEY
from optimizer.cost.expression import LinearCost, Peak, linear_cost, nodes_in
from optimizer.evaluation.step_reason import StepReason, StepReasons
from optimizer.evaluation.typical_day import ALL_WEEK, TypicalDay, mean_by_clock, typical_day
from optimizer.scenario.brief import Brief
from optimizer.scenario.horizon import Horizon
from optimizer.settings.check import refuse
from optimizer.settings.menu import Action, OnceField
from optimizer.settings.windows import KEY_OF, DaySet, SeasonSet, Settings, WindowPlace
from optimizer.simulation.replay import Replay, replay
from optimizer.workflows.inputs import horizon_of, with_floor_of

Field = Literal["start", "end", "action", "level", "power", "grid", "cap"]
"""A field of a window as a person types it; ``settings.windows.KEY_OF`` says what it is in a file."""

KEYED: tuple[OnceField, ...] = ("level", "power", "cap")
"""Fields whose key depends on the action."""

FIELD_WORDS: dict[str, str] = {
    "start": later("from"),
    "end": later("to"),
    "action": later("what"),
    "level": later("level, %"),
    "power": later("power, kW"),
    "grid": later("from the grid"),
    "cap": later("import at most, kW"),
}


@dataclass(frozen=True)
class Version:
    """Settings of one site, replayed and billed on its forecast. ``name`` is what people call them."""

    name: str
    settings: Settings
    brief: Brief
    horizon: Horizon
    run: Replay
    bill: Bill
    linear: LinearCost

    @cached_property
    def prices(self) -> Mapping[str, FloatArray]:
        """What one kWh more of import and of export costs, apart from demand, shape (T,). [money per kWh]"""
        flows = self.run.flows
        return {
            "import_kwh": self.linear.marginal("import_kwh", flows),
            "export_kwh": self.linear.marginal("export_kwh", flows),
        }

    @cached_property
    def demand_steps(self) -> Mapping[str, IntArray]:
        """The steps of the intervals that set a demand of the bill, by the name of its line."""
        found: dict[str, IntArray] = {}
        for line in self.brief.cost.lines:
            # A tax on an amount is set by no step of its own.
            for peak in nodes_in(line.quantity, Peak) if line.unit != MONEY else ():
                energy = getattr(self.run.flows, peak.flow)
                if peak.value(energy) > 0:
                    inside = np.isin(peak.interval, peak.highest_intervals(energy))
                    before = found.get(line.name, np.zeros(0, dtype=np.int64))
                    found[line.name] = np.union1d(before, peak.steps[inside])
        return found

    @cached_property
    def reasons(self) -> StepReasons:
        """What each step is held to; made when it is first asked for."""
        return StepReasons(
            self.horizon,
            self.settings,
            self.run,
            self.prices,
            self.brief.currency,
            self.demand_steps,
        )

    def why(self, step: int) -> StepReason:
        """Return why a step is as it is, 0 to T − 1: the rule, the limit, level and price in one sentence."""
        return self.reasons.of(step)

    @property
    def wear(self) -> float:
        """Wear of the battery, which no bill shows. [money]"""
        return self.horizon.plant.wear_per_kwh * float(self.run.flows.discharge_kwh.sum())

    def average_day(self, months: Sequence[int], weekdays: Sequence[int] = ALL_WEEK) -> TypicalDay:
        """Return the average day of some weekdays of some months, by clock slots. [kW, %]"""
        return typical_day(self.run, self.horizon.plant.capacity_kwh, list(months), weekdays)

    def average_price(
        self, months: Sequence[int], weekdays: Sequence[int] = ALL_WEEK
    ) -> FloatArray:
        """Return the mean price of import by clock slots of such days, shape (S,). [money per kWh]"""
        return mean_by_clock(self.prices["import_kwh"], self.horizon.grid, list(months), weekdays)

    def steps_of_day(self, day: int) -> slice:
        """Return the steps of a day of the forecast, 0 the first."""
        first, behind = np.searchsorted(self.horizon.grid.day, [day, day + 1])
        return slice(int(first), int(behind))

    def single_day(self, day: int) -> TypicalDay:
        """Return a day of the forecast, 0 the first, step by step: shapes (steps of that day,). [kW, %]"""
        part, grid, flows = self.steps_of_day(day), self.horizon.grid, self.run.flows
        count = part.stop - part.start
        names = (
            "load_kwh",
            "pv_used_kwh",
            "charge_kwh",
            "discharge_kwh",
            "import_kwh",
            "export_kwh",
        )
        capacity = max(self.horizon.plant.capacity_kwh, 1e-9)
        return TypicalDay(
            np.arange(count, dtype=np.float64) * grid.step_h,
            {name: getattr(flows, name)[part] / grid.step_h for name in names},
            100 * self.run.stored_kwh[part] / capacity,
        )

    @cached_property
    def import_by_day(self) -> FloatArray:
        """Return what is imported on each day, shape (D,). [kWh]"""
        return np.bincount(self.horizon.grid.day, self.run.flows.import_kwh).astype(np.float64)


@dataclass(frozen=True)
class Trying:
    """A site on which settings are tried; nothing in it changes."""

    brief: Brief

    @cached_property
    def linear(self) -> LinearCost:
        """The tariff as a linear cost, for the price of a kWh at each step."""
        return linear_cost(self.brief.cost.total, self.brief.scenario.forecast.grid.count)

    @cached_property
    def _horizon(self) -> Horizon:
        return horizon_of(self.brief)

    def horizon_under(self, settings: Settings) -> Horizon:
        """Return what settings are run through; floors that are typed in and higher are kept."""
        plant = self._horizon.plant
        floors = [settings.floor_pct, *(season.floor_pct or 0.0 for season in settings.seasons)]
        if plant.level_kwh(max(floors)) <= plant.low_kwh:
            return self._horizon
        return horizon_of(with_floor_of(settings, self.brief))

    def version(self, name: str, settings: Settings) -> Version:
        """Return settings replayed over the whole forecast, and their exact bill.

        Raises
        ------
        SettingsError
            If the controls refuse them.
        """
        scenario = self.brief.scenario
        source = Source(Path(name), settings.model_dump())
        refuse(settings, scenario.controls, scenario.plant, source)
        settings = settings.as_stored(scenario.controls)
        horizon = self.horizon_under(settings)
        run = replay(horizon, settings)
        bill = bill_flows(self.brief.cost, run.flows)
        return Version(name, settings, self.brief, horizon, run, bill, self.linear)

    def plain(self, name: str) -> Version:
        """Return the equipment as it comes, with no windows."""
        return self.version(name, self._horizon.plain())

    def typed(self, name: str, content: Mapping[str, Any]) -> Version:
        """Return settings as they were typed, in the keys of a settings file, replayed and billed.

        Raises
        ------
        SettingsError
            If they are none, or the controls refuse them; each finding has its ``place``.
        """
        settings, _ = checked(Source(Path(name), dict(content)), Settings, SettingsError)
        return self.version(name, settings)

    def moved(self, before: Version, place: WindowPlace, **fields: object) -> Version:
        """Return a version with a window changed: any ``Field`` by name, as it is typed.

        A window behind the last of its day set is added, ``action=None`` removes one. Another action keeps
        times and cap alone: a level to fill up to is none to go down to.

        Raises
        ------
        SettingsError
            If the changed settings are refused; each finding has its ``place``.
        """
        content = before.settings.model_dump(exclude_none=True)
        windows = content["seasons"][place.season]["day_sets"][place.day_set]["windows"]
        if place.window == len(windows):
            windows.append({})
        if "action" in fields and fields["action"] is None:
            del windows[place.window]
        else:
            old = fields_of(windows[place.window]) if windows[place.window] else {}
            if fields.get("action", old.get("action")) != old.get("action"):
                old = {key: value for key, value in old.items() if key in ("start", "end", "cap")}
            windows[place.window] = window_of({**old, **fields})
        return self.typed(before.name, content)

    def blank(self, name: str) -> Settings:
        """Return settings without windows that hold all day sets of the menu, to be filled in."""
        controls = self.brief.scenario.controls
        plain = self._horizon.plain()
        seasons = plain.seasons or [
            SeasonSet(months=list(range(1, 13)), day_sets=[DaySet(days="every day")])
        ]
        sets = [DaySet.model_validate({"days": days}) for days in controls.day_sets()]
        return plain.model_copy(
            update={
                "settings": name,
                "seasons": [season.model_copy(update={"day_sets": sets}) for season in seasons],
            }
        )


def fields_of(window: Mapping[str, Any]) -> dict[str, Any]:
    """Return a window of a settings file as a person types it, by ``Field``; what is not limited is None."""
    action: Action = window["action"]
    found: dict[str, Any] = {key: window[key] for key in ("start", "end", "action")}
    for field in KEYED:
        key = KEY_OF.get((field, action))
        found[field] = None if key is None else window.get(key)
    found["grid"] = None
    if action == "charge":
        found["grid"] = window.get("grid_kw") != 0
        found["power"] = window.get("grid_kw") or None
    return found


def window_of(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of a window as a settings file holds them; what its action has not is left out.

    PV alone fills a window of charging whose ``grid`` is False.
    """
    action = fields["action"]
    window = {key: fields[key] for key in ("start", "end", "action")}
    for field in KEYED:
        key, value = KEY_OF.get((field, action)), fields.get(field)
        if key is not None and value is not None:
            window[key] = value
    if action == "charge" and fields.get("grid") is False:
        window["grid_kw"] = 0.0
    return window


def field_of(key: str, fields: Mapping[str, Any]) -> Field | None:
    """Return at which field a finding about a key of a settings file stands; None for none of them."""
    for field in KEYED:
        if KEY_OF.get((field, str(fields.get("action")))) == key:
            return "grid" if field == "power" and fields.get("grid") is False else field
    return key if key in FIELD_WORDS else None  # type: ignore[return-value]


def changes_by_charge(ours: Bill, other: Bill) -> dict[str, tuple[float, float]]:
    """Return the amount of each charge in one bill and in another, in the order of the tariff. [money]"""
    mine, theirs = ours.by_charge(), other.by_charge()
    names = dict.fromkeys([*theirs, *mine])
    return {name: (mine.get(name, 0.0), theirs.get(name, 0.0)) for name in names}
