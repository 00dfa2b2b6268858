"""How the equipment carries out its windows, where makers differ.

The cheapest plan knows none of this: it may do whatever battery, inverter and connection allow. The
replay obeys it. Each default is the behaviour that the README states. Read next: ``equipment``.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator

from optimizer.documents import Document

PvGoal = Literal["building", "battery", "export"]

PV_ORDERS: tuple[tuple[PvGoal, ...], ...] = (
    ("building", "battery", "export"),
    ("battery", "building", "export"),
    ("building", "export", "battery"),
)
"""Orders in which equipment lets PV go; a charge window always fills the battery first."""


class Behaviour(Document):
    """What equipment does where makers differ.

    ``pv_order`` says where PV goes first outside charge windows. ``cap_uses_battery`` tells whether
    the battery helps to keep import below a cap, or below the connection's limit, after charging
    has been reduced, or charging is only reduced. ``at_target`` says what a charge window does once
    its state of charge is reached: it ``keeps`` the battery so until it is over, or it ``ends``
    early and the battery covers the building until the window begins again. ``floor_restart_pct``
    is by how much the state of charge must rise above a floor that was reached before it discharges
    again. ``standby_kw`` is what the inverter draws at all times, ``running_loss_kw`` what the
    battery loses beyond its efficiency whenever it charges or discharges; the two make small powers
    inefficient. Below ``least_power_kw`` the battery rests.
    """

    pv_order: tuple[PvGoal, ...] = Field(default=PV_ORDERS[0], strict=False)
    cap_uses_battery: bool = True
    at_target: Literal["keeps", "ends"] = "keeps"
    floor_restart_pct: float = Field(default=0, ge=0, le=50)
    standby_kw: float = Field(default=0, ge=0, le=100)
    running_loss_kw: float = Field(default=0, ge=0, le=100)
    least_power_kw: float = Field(default=0, ge=0, le=1000)

    @field_validator("pv_order", mode="after")
    @classmethod
    def _known_order(cls, order: tuple[PvGoal, ...]) -> tuple[PvGoal, ...]:
        if order not in PV_ORDERS:
            known = "; ".join(", ".join(known) for known in PV_ORDERS)
            raise ValueError(
                f"pv_order is [{', '.join(order)}], which no equipment follows | Give one of: {known}."
            )
        return order


AS_STATED = Behaviour()
"""The behaviour that the README states."""
