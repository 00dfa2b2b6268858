"""What stands in ``scenario.yaml``: one site, its equipment, what it may do, its tariff and its forecast.

Read next: ``scenario``.
"""

from __future__ import annotations

from datetime import date
from typing import Literal

from pydantic import Field, field_validator, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import (
    zone_named,
)
from optimizer.base.writing import Writing
from optimizer.billing.history import History
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.settings.controls import Controls
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import (
    Battery,
    Connection,
    Inverter,
    Permissions,
    Photovoltaic,
)
from optimizer.site.loads import Dwelling, InAnOutage, Load, Panel

WORTH_TYPING = 5.0
"""What a window must save a year to be worth entering, in the tariff's currency.

Common practice, no published source: a few minutes at the equipment, each season once, and the risk of
a slip. In a currency of small units it is nothing; a share of the saving then decides.
"""


class State(History):
    """State of charge at the start and at the end of the forecast.

    ``end_pct: same`` returns to the start; ``free`` lets the battery end anywhere and values what
    is left at ``leftover_per_kwh``. What went before and still counts is told by the name of the
    tariff's charge: ``peak_so_far_kw`` the highest demand already reached in a running billing
    month, ``past_peaks_kw`` the demand of earlier months (``2025-03``), for ratchets and means of
    months, ``banked`` the credit brought forward, in kWh or money. ``metered`` names what the meter
    has counted up to the forecast's first step; from it all of that is known, whatever the charge.
    """

    start_pct: float | None = Field(default=None, ge=0, le=100)
    end_pct: float | Literal["same", "free"] = "same"
    leftover_per_kwh: float = Field(default=0, ge=0)
    metered: str | None = None

    @model_validator(mode="after")
    def _leftover_only_if_free(self) -> State:
        if self.leftover_per_kwh and self.end_pct != "free":
            raise Mistake(
                f"leftover_per_kwh is {self.leftover_per_kwh:g} although the end is pinned",
                "Write end_pct: free, or remove it.",
                "leftover_per_kwh",
            )
        if self.metered is not None and self.peak_so_far_kw:
            raise Mistake(
                "peak_so_far_kw is given although metered tells what was reached",
                "Keep one of the two.",
                "peak_so_far_kw",
            )
        if not isinstance(self.end_pct, str) and not 0 <= self.end_pct <= 100:
            raise Mistake(
                f"end_pct is {self.end_pct:g}; it must lie in 0 to 100 %",
                "Check the unit.",
                "end_pct",
            )
        return self


class ScenarioFile(Document):
    """What stands in ``scenario.yaml``."""

    scenario: str = Field(examples=["My house"])
    about: str = ""
    invented: bool = False
    zone: str = Field(examples=["Europe/Dublin"])
    forecast: str | ForecastRecipe = Field(examples=["forecast.csv"])
    other_years: list[str] = []
    tariff: str = Field(examples=["two_rates"])
    battery: Battery
    inverter: Inverter
    pv: Photovoltaic
    connection: Connection = Connection()
    permissions: Permissions = Permissions()
    reserve_pct: float = Field(default=0, ge=0, le=100)
    worth_typing: float = Field(default=WORTH_TYPING, ge=0, allow_inf_nan=False)
    state: State = State()
    controls: Controls = Controls()
    writing: Writing = Writing()
    behaviour: Behaviour = Behaviour()
    read_dates: list[date] | None = None
    loads: list[Load] = []
    outage: InAnOutage = InAnOutage()
    panel: Panel | None = None
    dwelling: Dwelling | None = None

    @field_validator("zone", mode="after")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        zone_named(zone)
        return zone

    @model_validator(mode="after")
    def _share_of_a_known_pv(self) -> ScenarioFile:
        self.connection.rules(self.pv)
        return self

    @model_validator(mode="after")
    def _levels_fit(self) -> ScenarioFile:
        battery = self.battery
        if self.reserve_pct >= battery.ceiling_pct:
            raise Mistake(
                f"the reserve of {self.reserve_pct:g} % is not below the battery's ceiling of"
                f" {battery.ceiling_pct:g} %",
                "Lower the reserve: nothing is left to work with.",
                "reserve_pct",
            )
        low = max(battery.floor_pct, self.reserve_pct)
        for name, level in (("start_pct", self.state.start_pct), ("end_pct", self.state.end_pct)):
            if isinstance(level, float | int) and not low <= level <= battery.ceiling_pct:
                raise Mistake(
                    f"state.{name} is {level:g} %, outside the allowed {low:g} to"
                    f" {battery.ceiling_pct:g} %",
                    "Put it between floor or reserve and ceiling.",
                    ("state", name),
                )
        self._check_levels_of_lists(low)
        if self.outage.carries == "critical" and not any(load.critical for load in self.loads):
            raise Mistake(
                "outage.carries is 'critical', but no load is",
                "List loads, and write critical: true for those that must go on.",
                ("outage", "carries"),
            )
        if self.controls.lists is None and "cover" not in self.controls.actions:
            raise Mistake(
                "controls.actions lacks 'cover', which is how equipment works without windows",
                "Add cover to the actions.",
                ("controls", "actions"),
            )
        return self

    def _check_levels_of_lists(self, low_pct: float) -> None:
        for number, each in enumerate(self.controls.menu.lists):
            if each.has("level") and each.level.high < low_pct:
                raise Mistake(
                    f"the list {each.name!r} takes levels up to {each.level.high:g} %, below the floor or"
                    f" reserve of {low_pct:g} %",
                    "Correct the list's level, or battery.floor_pct and reserve_pct.",
                    ("controls", "lists", number, "level"),
                )
