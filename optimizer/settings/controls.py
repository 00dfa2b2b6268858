"""What the equipment can store: how many windows, for which days and seasons, in which steps.

Controls belong to the site: what the equipment stores is a fact about the equipment.

Read next: ``metering.forecast``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from optimizer.base.calendar import DAY_NAMES, AfterMidnight
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake

Action = Literal["charge", "hold", "cover", "sell"]
DayTypes = Literal["every_day", "weekday_weekend", "weekday_saturday_sunday", "each_day"]

DAY_SETS: dict[DayTypes, dict[str, tuple[int, ...]]] = {
    "every_day": {"every day": tuple(range(7))},
    "weekday_weekend": {"weekdays": tuple(range(5)), "weekends": (5, 6)},
    "weekday_saturday_sunday": {"weekdays": tuple(range(5)), "Saturdays": (5,), "Sundays": (6,)},
    "each_day": {f"{name.capitalize()}s": (number,) for number, name in enumerate(DAY_NAMES)},
}
"""Names of the day sets and the weekdays (Monday is 0) in each. Equipment knows no holidays.

A name means the same days wherever it stands.
"""


class Controls(Document):
    """What settings the equipment accepts.

    ===================  ======================================================================
    key                  what it tells
    ===================  ======================================================================
    ``windows_per_day``  most windows of one day set in one season
    ``most_entries``     most windows of all seasons and day sets, for equipment with one list
    ``day_types``        which days can have windows of their own
    ``season_sets``      how many sets of months are stored; equipment with one has no calendar
    ``minutes``          granularity of starts and ends [min]
    ``over_midnight``    whether a window may begin on one day and end on the next
    ``after_midnight``   whose the hours after midnight of such a window are: ``same day``, those of the
                         days it stands for; ``next day``, those of the mornings after them
    ``actions``          what a window can do
    ``floor_by_season``  whether each set of months has a floor of its own
    ``import_cap``       whether a window may carry a limit of the import
    ``power_step_kw``    granularity of powers [kW]
    ``power_step_pct``   the same of charging and selling powers, where the equipment takes them in
                         per cent of the inverter's AC limit; import caps stay in kW [%]
    ``soc_step_pct``     granularity of states of charge [%]
    ===================  ======================================================================
    """

    windows_per_day: int = Field(default=4, ge=0, le=12)
    most_entries: int | None = Field(default=None, ge=0)
    day_types: DayTypes = "weekday_weekend"
    season_sets: int = Field(default=2, ge=1, le=12)
    minutes: Literal[5, 10, 15, 30, 60] = 30
    over_midnight: bool = True
    after_midnight: AfterMidnight = "same day"
    actions: Annotated[list[Action], Field(min_length=1)] = ["charge", "hold", "cover", "sell"]
    floor_by_season: bool = False
    import_cap: bool = False
    power_step_kw: float = Field(default=0.1, gt=0)
    power_step_pct: float | None = Field(default=None, ge=0.1, le=100)
    soc_step_pct: float = Field(default=5, gt=0, le=50)

    @field_validator("soc_step_pct", "power_step_pct", mode="after")
    @classmethod
    def _divides_the_whole(cls, step: float | None, info: ValidationInfo) -> float | None:
        if step is not None and abs(100 / step - round(100 / step)) > 1e-9:
            raise Mistake(
                f"{info.field_name} is {step:g}, which does not divide 100 %",
                "Give a step such as 1, 2, 5, 10 or 25.",
            )
        return step

    @property
    def has_calendar(self) -> bool:
        """Whether windows can be kept to some months; without, they hold until they are changed."""
        return self.season_sets > 1

    @property
    def goes_on_next_day(self) -> bool:
        """Whether day sets differ and a window over midnight goes on into the day that follows."""
        return self.after_midnight == "next day" and len(self.day_sets()) > 1

    def day_sets(self) -> dict[str, tuple[int, ...]]:
        """Return the weekdays of each day set that can have windows of its own."""
        return DAY_SETS[self.day_types]

    def power_step_of(self, ac_limit_kw: float) -> float:
        """Return the granularity of charging and selling powers. [kW]

        Parameters
        ----------
        ac_limit_kw : float
            The inverter's limit on its AC side, which is 100 % where powers are in per cent. [kW]
        """
        if self.power_step_pct is None:
            return self.power_step_kw
        return self.power_step_pct / 100 * ac_limit_kw

    def whole_kw_of(self, ac_limit_kw: float) -> float | None:
        """Return the power that is 100 %; None where powers are typed in kW. [kW]"""
        return None if self.power_step_pct is None else ac_limit_kw
