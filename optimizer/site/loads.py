"""Loads by name, how they start, and what is to be carried when the grid fails.

Read next: ``scenario.scenario``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake

CodeLetter = Literal[
    "A", "B", "C", "D", "E", "F", "G", "H", "J", "K", "L", "M", "N", "P", "R", "S", "T", "U", "V",
]  # fmt: skip
Watts = Annotated[float, Field(gt=0, le=1e7)]


class Motor(Document):
    """A motor's plate: its power, voltage, and what it draws while it starts.

    One of ``code_letter`` and ``locked_rotor_a`` tells the starting current.
    """

    hp: float = Field(gt=0, le=10_000)
    volts: float = Field(gt=0, le=1000)
    phases: Literal[1, 3] = 1
    code_letter: CodeLetter | None = None
    locked_rotor_a: float | None = Field(default=None, gt=0, le=1e5)

    @model_validator(mode="after")
    def _told_in_one_way(self) -> Motor:
        if (self.code_letter is None) == (self.locked_rotor_a is None):
            found = "neither" if self.code_letter is None else "both"
            raise Mistake(
                f"the motor's start is told by {found} of code_letter and locked_rotor_a",
                "Give the one that its plate shows.",
            )
        return self


class Load(Document):
    """A load: what it draws while it runs and while it starts, how often it runs, and on which leg.

    ``starting_factor`` is its starting power ÷ its running power; resistive loads have 1, motors
    more, which their ``motor`` plate tells best. ``duty_pct`` is the share of the time it runs.
    """

    name: str = Field(min_length=1)
    running_w: Watts
    starting_factor: float | None = Field(default=None, ge=1, le=20)
    motor: Motor | None = None
    duty_pct: float = Field(default=100, gt=0, le=100)
    leg: Literal["1", "2", "both"] = "both"
    critical: bool = False

    @model_validator(mode="after")
    def _one_start(self) -> Load:
        if self.motor is not None and self.starting_factor is not None:
            raise Mistake(
                f"the start of {self.name!r} is told twice",
                "Keep motor or starting_factor.",
                "starting_factor",
            )
        return self

    @property
    def mean_kw(self) -> float:
        """Mean power over its duty. [kW]"""
        return self.running_w / 1000 * self.duty_pct / 100


MOST_HOURS = 72
"""Longest outage that is followed. [h]"""


class InAnOutage(Document):
    """What works without the grid, and for how long it is wanted to.

    ``pv_runs`` tells whether the PV does, on its inverter or the hybrid's. With ``hours`` the plan
    and the windows hold so much back that ``share_pct`` of all outages last as long, for the whole
    building or for its critical loads.
    """

    pv_runs: bool = True
    hours: float | None = Field(default=None, gt=0)
    share_pct: float = Field(default=90, gt=0, le=100)
    carries: Literal["building", "critical"] = "building"

    @model_validator(mode="after")
    def _is_followed_so_long(self) -> InAnOutage:
        if self.hours is not None and self.hours > MOST_HOURS:
            raise Mistake(
                f"hours is {self.hours:g}, but outages are followed for {MOST_HOURS} h only",
                f"Wish for at most {MOST_HOURS} hours.",
                "hours",
            )
        return self


class Panel(Document):
    """The panel to which the inverter is connected: its busbar, its main breaker, its voltage."""

    busbar_a: float = Field(gt=0, le=10_000)
    main_breaker_a: float = Field(gt=0, le=10_000)
    volts: float = Field(default=240, gt=0, le=1000)

    @model_validator(mode="after")
    def _main_protects_the_busbar(self) -> Panel:
        if self.main_breaker_a > self.busbar_a:
            raise Mistake(
                f"the main breaker of {self.main_breaker_a:g} A is larger than the busbar of"
                f" {self.busbar_a:g} A",
                "Check that the two are not exchanged.",
                "main_breaker_a",
            )
        return self


class Warranty(Document):
    """What a battery's maker promises: so many cycles, or so much throughput, within so many years."""

    years: float = Field(gt=0, le=50)
    cycles: float | None = Field(default=None, gt=0)
    throughput_kwh: float | None = Field(default=None, gt=0)


class Dwelling(Document):
    """A dwelling for the optional demand calculation; areas in square feet, all else in VA.

    ``appliances_va`` are the plate ratings of fixed appliances, range, dryer and water heater.
    Heating is resistive (``heating_va`` in so many separately controlled units) or a heat pump with
    supplementary heat; the larger of heating and cooling counts.
    """

    floor_ft2: float = Field(gt=0, le=1e6)
    small_appliance_circuits: int = Field(default=2, ge=2, le=20)
    laundry_circuits: int = Field(default=1, ge=0, le=5)
    appliances_va: list[Watts] = []
    cooling_va: float = Field(default=0, ge=0)
    heating_va: float = Field(default=0, ge=0)
    heating_units: int = Field(default=1, ge=1, le=100)
    heat_pump_va: float = Field(default=0, ge=0)
    supplementary_va: float = Field(default=0, ge=0)
    volts: float = Field(default=240, gt=0, le=1000)
