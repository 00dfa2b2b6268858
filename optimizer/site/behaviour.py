"""How the equipment carries out its windows, where makers differ.

The cheapest plan knows none of this: it may do whatever battery, inverter and connection allow. The
replay obeys it. Each default is the behaviour that the README states. Read next: ``equipment``.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake

FULL_PCT = 100.0


class Behaviour(Document):
    """What equipment does where makers differ.

    Outside charge windows ``pv_charges_first`` tells whether PV fills the battery before it covers the
    building, and ``surplus_first`` where PV beyond the building goes as long as that takes it: into
    the ``battery`` or to the ``export``. ``cap_uses_battery`` tells whether the battery helps to keep
    import below a cap, or below the connection's limit, after charging has been reduced, or charging
    is only reduced. ``at_target`` says what a charge window does once its state of charge is reached:
    it ``keeps`` the battery so until it is over, or it ``ends`` early and the battery covers the
    building until the window begins again. ``floor_restart_pct`` is by how much the state of charge
    must rise above a floor that was reached before it discharges again. ``standby_kw`` is what the
    inverter draws at all times, ``running_loss_kw`` what the battery loses beyond its efficiency
    whenever it charges or discharges; the two make small powers inefficient. Below
    ``least_power_kw`` the battery rests. Above a state of charge of ``slow_above_pct`` the power of
    charging falls linearly, to the share ``slow_to_pct`` of ``charge_kw`` in a full battery: common
    practice against wear, for which no published figures are taken; ask the maker.
    """

    pv_charges_first: bool = False
    surplus_first: Literal["battery", "export"] = "battery"
    cap_uses_battery: bool = True
    at_target: Literal["keeps", "ends"] = "keeps"
    floor_restart_pct: float = Field(default=0, ge=0, le=50)
    standby_kw: float = Field(default=0, ge=0, le=100)
    running_loss_kw: float = Field(default=0, ge=0, le=100)
    least_power_kw: float = Field(default=0, ge=0, le=1000)
    slow_above_pct: float = Field(default=FULL_PCT, ge=0, le=FULL_PCT)
    slow_to_pct: float = Field(default=20, ge=1, le=FULL_PCT)

    @property
    def slows(self) -> bool:
        """Whether charging slows near full."""
        return self.slow_above_pct < FULL_PCT and self.slow_to_pct < FULL_PCT

    @model_validator(mode="before")
    @classmethod
    def _in_two_facts(cls, data: Any) -> Any:
        if isinstance(data, dict) and "pv_order" in data:
            raise Mistake(
                "pv_order is no longer known: two keys say where PV goes",
                "Write pv_charges_first: true"
                " where the battery stood before the building, surplus_first: export where export"
                " stood before the battery; neither where the battery stood between.",
                "pv_order",
            )
        return data

    @model_validator(mode="after")
    def _surplus_has_a_choice(self) -> Behaviour:
        if self.pv_charges_first and self.surplus_first == "export":
            raise Mistake(
                "PV that fills the battery before it covers the building leaves nothing to export"
                " before the battery: surplus is then what the battery could not take",
                "Leave surplus_first out, or write pv_charges_first: false.",
                "surplus_first",
            )
        return self


AS_STATED = Behaviour()
"""The behaviour that the README states."""
