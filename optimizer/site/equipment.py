"""What stands at the site: battery, inverter, PV, grid connection, and what is permitted.

The pydantic models hold what a person writes (kWh, kW, per cent); ``Plant`` holds the same facts
per step, in the shape in which the plan and the replay use them.

Standing loss counts above the lowest level in use, so an idle battery at its floor stays feasible
where it may not charge from the grid.

Read next: ``settings.controls``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import TimeGrid
from optimizer.site.behaviour import AS_STATED, Behaviour
from optimizer.site.limits import Phases, StepLimits, TimedLimit, Way
from optimizer.site.loads import Warranty

MAX_HOURS_TO_FILL = 200
"""No battery for a building is this slow; one that seems so has its capacity in Wh."""


class Battery(Document):
    """A battery, measured at its own terminals.

    ``floor_pct`` and ``ceiling_pct`` are the maker's limits of the state of charge in per cent of
    the capacity. ``standing_loss_pct_per_day`` is the share of the energy above the lowest allowed
    level that an idle battery loses in a day, so that a battery at its floor stays there.
    """

    capacity_kwh: float = Field(gt=0, le=1e6)
    charge_kw: float = Field(gt=0, le=1e6)
    discharge_kw: float = Field(gt=0, le=1e6)
    floor_pct: float = Field(default=0, ge=0, le=100)
    ceiling_pct: float = Field(default=100, ge=0, le=100)
    charge_efficiency_pct: float = Field(default=96, gt=30, le=100)
    discharge_efficiency_pct: float = Field(default=96, gt=30, le=100)
    standing_loss_pct_per_day: float = Field(default=0, ge=0, le=50)
    wear_per_kwh: float = Field(default=0, ge=0, le=100_000)
    cycles_per_day: float | None = Field(default=None, gt=0)
    warranty: Warranty | None = None

    @model_validator(mode="after")
    def _room(self) -> Battery:
        if self.floor_pct >= self.ceiling_pct:
            raise Mistake(
                f"the battery's floor of {self.floor_pct:g} % is not below its ceiling of"
                f" {self.ceiling_pct:g} %",
                "Lower the floor or raise the ceiling.",
            )
        hours = self.capacity_kwh / max(self.charge_kw, self.discharge_kw)
        if hours < 0.05:
            raise Mistake(
                f"the battery of {self.capacity_kwh:g} kWh would be empty in {hours * 60:.1f} minutes"
                f" at {self.charge_kw:g} or {self.discharge_kw:g} kW",
                "Check that power is in kW and capacity in kWh.",
            )
        if hours > MAX_HOURS_TO_FILL:
            raise Mistake(
                f"the battery of {self.capacity_kwh:g} kWh would need {hours:,.0f} hours at"
                f" {self.charge_kw:g} or {self.discharge_kw:g} kW",
                "Check that power is in kW and capacity in kWh.",
            )
        return self


class Inverter(Document):
    """The inverter between the battery and the building (in a hybrid plant also the PV's).

    ``ac_limit_kw`` limits its AC side in either direction; ``surge_kw`` it gives for ``surge_s`` while
    loads start. Without them no surge is reckoned with.
    """

    ac_limit_kw: float = Field(gt=0, le=1e6)
    surge_kw: float | None = Field(default=None, gt=0, le=1e6)
    surge_s: float | None = Field(default=None, gt=0, le=3600)
    efficiency_pct: float = Field(default=97, gt=30, le=100)
    charging_efficiency_pct: float | None = Field(default=None, gt=30, le=100)

    @model_validator(mode="after")
    def _seconds_of_a_surge(self) -> Inverter:
        if self.surge_s is not None and self.surge_kw is None:
            raise Mistake(
                f"surge_s is {self.surge_s:g}, but surge_kw is missing",
                "Give both from the data sheet, or leave both out.",
                "surge_s",
            )
        return self


class Photovoltaic(Document):
    """How the PV is connected.

    ``coupling: dc`` puts it on the battery's side of a hybrid inverter: the forecast is DC energy,
    and what exceeds the inverter's AC limit can still charge the battery. ``coupling: ac`` gives
    it an inverter of its own: the forecast is AC energy, cut at ``ac_limit_kw`` if stated.
    """

    coupling: Literal["dc", "ac"]
    peak_kw: float | None = Field(default=None, gt=0, le=1e6)
    ac_limit_kw: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _one_inverter(self) -> Photovoltaic:
        if self.coupling == "dc" and self.ac_limit_kw is not None:
            raise Mistake(
                f"pv.ac_limit_kw is {self.ac_limit_kw:g} kW although the PV is coupled on the DC"
                " side",
                "Remove it; the limit of a hybrid plant is inverter.ac_limit_kw.",
            )
        return self


UNLIMITED_KW = 1e9
"""Stands for a connection without a stated limit; far above any power that can flow."""


class Connection(Document):
    """The grid connection's limits; a limit left out does not bind, of several the lowest does.

    ``fill_limit_kw`` is the greatest power of filling the battery from the grid, at all times;
    ``export_limit_pct_of_pv`` the greatest export as a share of ``pv.peak_kw``. ``limits`` are rules
    with hours; ``phases`` gives a limit of import and export by an approximation.
    """

    import_limit_kw: float | None = Field(default=None, gt=0)
    export_limit_kw: float | None = Field(default=None, ge=0)
    export_limit_pct_of_pv: float | None = Field(default=None, ge=0, le=100)
    fill_limit_kw: float | None = Field(default=None, ge=0)
    limits: list[TimedLimit] = []
    phases: Phases | None = None

    def rules(self, pv: Photovoltaic) -> tuple[TimedLimit, ...]:
        """Return the limits that settings may not ask for more than, each with the rule's name.

        Raises
        ------
        Mistake
            If an export limit is a share of a PV whose power is not known.
        """
        found = list(self.limits)
        if self.fill_limit_kw is not None:
            found.append(TimedLimit(rule="connection.fill_limit_kw", fill_kw=self.fill_limit_kw))
        share = self.export_limit_pct_of_pv
        if share is not None:
            if pv.peak_kw is None:
                raise Mistake(
                    f"export_limit_pct_of_pv is {share:g} %, but pv.peak_kw, of which it is a share, is"
                    " missing",
                    "Give pv.peak_kw, or the limit in kW as export_limit_kw.",
                    ("connection", "export_limit_pct_of_pv"),
                )
            found.append(
                TimedLimit(
                    rule="connection.export_limit_pct_of_pv", export_kw=share / 100 * pv.peak_kw
                )
            )
        return tuple(found)


class Permissions(Document):
    """What the connection agreement and the equipment allow."""

    charge_from_grid: bool = True
    export_stored_energy: bool = True
    export: bool = True


@dataclass(frozen=True)
class Plant:
    """The equipment as plain numbers: what the plan and the replay compute with.

    Energies in kWh, powers in kW, efficiencies as fractions. ``low_kwh`` is the lowest level in
    daily use: the floor or the reserve, whichever is higher. ``rules`` limit import, export and what
    fills the battery from the grid beside the connection's limits, at all times or in their hours.
    """

    low_kwh: float
    high_kwh: float
    capacity_kwh: float
    charge_kw: float
    discharge_kw: float
    charge_efficiency: float
    discharge_efficiency: float
    standing_loss_per_day: float
    wear_per_kwh: float
    cycles_per_day: float | None
    ac_limit_kw: float
    to_ac_efficiency: float
    to_dc_efficiency: float
    pv_on_dc_side: bool
    pv_ac_limit_kw: float
    import_limit_kw: float
    export_limit_kw: float
    may_charge_from_grid: bool
    may_export_stored: bool
    behaviour: Behaviour = AS_STATED
    rules: tuple[TimedLimit, ...] = ()

    @classmethod
    def of(
        cls,
        battery: Battery,
        inverter: Inverter,
        pv: Photovoltaic,
        connection: Connection,
        permissions: Permissions,
        reserve_pct: float,
        behaviour: Behaviour = AS_STATED,
    ) -> Plant:
        """Return the plant of the described equipment. [kWh, kW, 1]"""
        low = max(battery.floor_pct, reserve_pct) / 100
        phases_kw = UNLIMITED_KW if connection.phases is None else connection.phases.limit_kw
        import_kw, export_kw = (
            phases_kw if limit_kw is None else min(limit_kw, phases_kw)
            for limit_kw in (connection.import_limit_kw, connection.export_limit_kw)
        )
        own_limit = pv.ac_limit_kw if pv.ac_limit_kw is not None else UNLIMITED_KW
        return cls(
            low_kwh=low * battery.capacity_kwh,
            high_kwh=battery.ceiling_pct / 100 * battery.capacity_kwh,
            capacity_kwh=battery.capacity_kwh,
            charge_kw=battery.charge_kw,
            discharge_kw=battery.discharge_kw,
            charge_efficiency=battery.charge_efficiency_pct / 100,
            discharge_efficiency=battery.discharge_efficiency_pct / 100,
            standing_loss_per_day=battery.standing_loss_pct_per_day / 100,
            wear_per_kwh=battery.wear_per_kwh,
            cycles_per_day=battery.cycles_per_day,
            ac_limit_kw=inverter.ac_limit_kw,
            to_ac_efficiency=inverter.efficiency_pct / 100,
            to_dc_efficiency=(inverter.charging_efficiency_pct or inverter.efficiency_pct) / 100,
            pv_on_dc_side=pv.coupling == "dc",
            pv_ac_limit_kw=own_limit,
            import_limit_kw=import_kw,
            export_limit_kw=export_kw if permissions.export else 0.0,
            may_charge_from_grid=permissions.charge_from_grid,
            may_export_stored=permissions.export_stored_energy and permissions.export,
            behaviour=behaviour,
            rules=connection.rules(pv),
        )

    def limits_on(self, grid: TimeGrid) -> StepLimits:
        """Return the import, the export and the filling from the grid that are allowed in each step."""
        fill_kw = UNLIMITED_KW if self.may_charge_from_grid else 0.0
        always_kw = (self.import_limit_kw, self.export_limit_kw, fill_kw)
        return StepLimits.of(always_kw, self.rules, grid)

    def rule_at(self, grid: TimeGrid, step: int, way: Way) -> str | None:
        """Return the name of the rule that limits something in a step more than the connection does."""
        moment = grid.part(step, 1)
        always = replace(self, rules=()).limits_on(moment).of_way(way)[0] / moment.step_h
        holding = [
            rule for rule in self.rules if rule.at_steps(moment)[0] and rule.kw(way) < always
        ]
        return min(holding, key=lambda rule: rule.kw(way)).rule if holding else None

    def full_power_kw(self, action: str) -> float:
        """Return the power of an action above which a limit does not bind. [kW]"""
        if action == "charge":
            return min(self.charge_kw / self.to_dc_efficiency, self.ac_limit_kw)
        return min(self.discharge_kw, self.ac_limit_kw) if action == "sell" else 0.0

    @property
    def pv_to_ac_efficiency(self) -> float:
        """What arrives on the AC side of what the PV delivers on its own side. [1]"""
        return self.to_ac_efficiency if self.pv_on_dc_side else 1.0

    @property
    def usable_kwh(self) -> float:
        """Energy between the lowest and the highest allowed level. [kWh]"""
        return self.high_kwh - self.low_kwh

    @property
    def size_kw(self) -> float:
        """About how much the site can draw: its connection's limit, or three times its equipment's. [kW]"""
        if self.import_limit_kw < UNLIMITED_KW:
            return self.import_limit_kw
        return max(self.ac_limit_kw, self.discharge_kw, 1.0) * 3

    def without_battery(self) -> Plant:
        """Return the plant with a battery of 0 kWh and 0 kW."""
        return replace(
            self,
            low_kwh=0.0,
            high_kwh=0.0,
            charge_kw=0.0,
            discharge_kw=0.0,
            cycles_per_day=None,
            behaviour=AS_STATED,
        )

    def kept_per_step(self, step_h: float) -> float:
        """Share of the energy above the lowest level that is left after a step. [1]"""
        return float((1 - self.standing_loss_per_day) ** (step_h / 24))

    def level_kwh(self, soc_pct: float) -> float:
        """Return the stored energy at a state of charge, kept within the allowed levels. [kWh]"""
        return min(max(soc_pct / 100 * self.capacity_kwh, self.low_kwh), self.high_kwh)

    def soc_pct(self, stored_kwh: float) -> float:
        """Return the state of charge of a stored energy. [%]"""
        return 100 * stored_kwh / self.capacity_kwh
