"""What the equipment can store: how many windows, for which days and seasons, in which steps.

Controls belong to the site: what the equipment stores is a fact about the equipment. Its menu is
described in short, as one list of all actions, or as ``lists``; ``Controls.menu`` is the same of both.

Read next: ``metering.forecast``.
"""

from __future__ import annotations

from math import inf
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from optimizer.base.calendar import AfterMidnight
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.settings.menu import (
    DAY_SETS,
    BatteryAction,
    DayTypes,
    EntryField,
    EntryList,
    Menu,
    MenuList,
    Minutes,
    Outside,
    Steps,
)

SHORT_KEYS = ("windows_per_day", "actions", "import_cap")
"""Keys that describe one list of all actions; ``lists`` stand in their place."""


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
    ``lists``            the lists of the menu, where it holds several or other fields; they stand in
                         place of ``windows_per_day``, ``actions`` and ``import_cap``
    ``overlap``          whether entries of two lists may overlap
    ``precedence``       the lists by name, first the one that holds where they do; else as listed
    ``outside``          what the equipment does outside all entries, once one is stored: ``cover`` the
                         building, ``hold`` what is stored, or ``idle``: neither fill nor give
    ``whole_day``        whether an entry may last 24 hours
    ``last_minute``      what the end of the day is called: ``24:00``, ``23:59`` or ``00:00``
    ``unused``           what an entry without use must hold, as it is typed in
    ``summer_time``      whether the equipment's clock follows summer time, or stays on winter time
    ===================  ======================================================================
    """

    windows_per_day: int = Field(default=4, ge=0, le=12)
    most_entries: int | None = Field(default=None, ge=0)
    day_types: DayTypes = "weekday_weekend"
    season_sets: int = Field(default=2, ge=1, le=12)
    minutes: Minutes = 30
    over_midnight: bool = True
    after_midnight: AfterMidnight = "same day"
    actions: Annotated[list[BatteryAction], Field(min_length=1)] = [
        "charge",
        "hold",
        "cover",
        "sell",
    ]
    floor_by_season: bool = False
    import_cap: bool = False
    power_step_kw: float = Field(default=0.1, gt=0)
    power_step_pct: float | None = Field(default=None, ge=0.1, le=100)
    soc_step_pct: float = Field(default=5, gt=0, le=50)
    lists: Annotated[list[EntryList], Field(min_length=1)] | None = None
    overlap: bool = False
    precedence: list[str] | None = None
    outside: Outside = "cover"
    whole_day: bool = True
    last_minute: Literal["24:00", "23:59", "00:00"] = "24:00"
    unused: str | None = Field(default=None, max_length=60)
    summer_time: bool = True

    @field_validator("soc_step_pct", "power_step_pct", mode="after")
    @classmethod
    def _divides_the_whole(cls, step: float | None, info: ValidationInfo) -> float | None:
        if step is not None and abs(100 / step - round(100 / step)) > 1e-9:
            raise Mistake(
                f"{info.field_name} is {step:g}, which does not divide 100 %",
                "Give a step such as 1, 2, 5, 10 or 25.",
            )
        return step

    @model_validator(mode="after")
    def _lists_or_short_keys(self) -> Controls:
        if self.lists is None:
            if self.overlap or self.precedence is not None:
                raise Mistake(
                    "overlap or precedence is given, but there is one list",
                    "Describe the lists under 'lists', or leave both out.",
                )
            return self
        doubled = [key for key in SHORT_KEYS if key in self.model_fields_set]
        if doubled:
            raise Mistake(
                f"{doubled[0]} and lists both say what the menu holds",
                f"Leave out {', '.join(doubled)}; each list has entries, actions and fields.",
                doubled[0],
            )
        _refuse_doubled([each.name for each in self.lists], "lists are called")
        _refuse_doubled([a for each in self.lists for a in each.actions], "lists hold the action")
        self._check_precedence(self.lists)
        self._check_steps()
        for number, each in enumerate(self.lists):
            if each.fills_day:
                self._check_filled_day(each, number)
        return self

    def _check_filled_day(self, each: EntryList, number: int) -> None:
        if self.outside == "idle":
            raise Mistake(
                f"the list {each.name!r} is to fill the day, so that nothing lies outside its entries",
                "Say outside: cover or hold, whichever its entries do between windows.",
                "outside",
            )
        if self.outside not in each.actions:
            raise Mistake(
                f"the list {each.name!r} is to fill the day, but has no action {self.outside!r} for"
                " what lies between windows",
                "Add it to the list's actions, or correct controls.outside.",
                ("lists", number, "actions"),
            )
        if "days" in each.fields:
            raise Mistake(
                f"the list {each.name!r} is to fill the day, and its entries have days of their own",
                "Leave 'days' out of its fields, and say day_types.",
                ("lists", number, "fields"),
            )
        if each.entries == 1 and not self.whole_day:
            raise Mistake(
                f"the one entry of {each.name!r} is to fill the day, but may not last 24 hours",
                "Correct entries, or controls.whole_day.",
                ("lists", number, "entries"),
            )
        if self.goes_on_next_day:
            raise Mistake(
                f"the list {each.name!r} is to fill the day, and its windows go on into the next one",
                "Say after_midnight: same day, or over_midnight: false.",
                "after_midnight",
            )

    def _check_steps(self) -> None:
        for number, each in enumerate(self.menu.lists):
            for name, steps in (("level", each.level), ("power", each.power), ("cap", each.cap)):
                ends = [end for end in (steps.low, steps.high) if end < inf]
                off = [end for end in ends if not steps.is_multiple(end)]
                if off or steps.low > steps.high:
                    upto = f" to {steps.high:g}" if steps.high < inf else " on"
                    raise Mistake(
                        f"the {name} of the list {each.name!r} goes from {steps.low:g}{upto} in steps of"
                        f" {steps.step:g}",
                        "Give ends that are multiples of the step, the lower one first; a finer step if"
                        " the menu counts from its lowest value.",
                        ("lists", number, name),
                    )
        powers = {each.power_in_pct for each in self.menu.lists if each.has("power")}
        if len(powers) > 1:
            raise Mistake(
                "powers of one list are in kW, those of another in per cent",
                "Describe them all in kW: a per cent is a hundredth of inverter.ac_limit_kw.",
                "lists",
            )

    def _check_precedence(self, lists: list[EntryList]) -> None:
        if self.precedence is None:
            return
        if not self.overlap:
            raise Mistake(
                "precedence is given, but entries of two lists may not overlap",
                "Say overlap: true, or leave precedence out.",
                "precedence",
            )
        if sorted(self.precedence) != sorted(each.name for each in lists):
            raise Mistake(
                f"precedence names {', '.join(self.precedence)}; the lists are"
                f" {', '.join(each.name for each in lists)}",
                "Name each list once, first the one that holds.",
                "precedence",
            )

    @property
    def has_calendar(self) -> bool:
        """Whether windows can be kept to some months; without, they hold until they are changed."""
        return self.season_sets > 1

    @property
    def goes_on_next_day(self) -> bool:
        """Whether day sets differ and a window over midnight goes on into the day that follows."""
        return self.after_midnight == "next day" and len(self.day_sets()) > 1

    def day_sets(self) -> dict[str, tuple[int, ...]]:
        """Return the weekdays of each day set that can have windows of its own, in any list."""
        kinds = [each.day_types or self.day_types for each in self.lists or []]
        return max((DAY_SETS[kind] for kind in kinds or [self.day_types]), key=len)

    @property
    def menu(self) -> Menu:
        """The menu, with all that lists leave out filled in."""
        lists = tuple(map(self._filled_in, self.lists)) if self.lists else (self._one_list(),)
        names = tuple(self.precedence or [each.name for each in lists]) if self.overlap else ()
        return Menu(lists, self.day_sets(), self.over_midnight, self.whole_day, self.outside, names)

    def _one_list(self) -> MenuList:
        """Return the list that the short keys describe."""
        fields: list[EntryField] = ["start", "end", "action", "level", "power"]
        if self.power_step_pct is None:
            power = Steps(self.power_step_kw)
        else:
            power = Steps(self.power_step_pct, 0.0, 100.0)
        return MenuList(
            "windows", tuple(self.actions), self.windows_per_day,
            (*fields, "cap") if self.import_cap else tuple(fields), (), self.day_types,
            self.minutes, Steps(self.soc_step_pct, 0.0, 100.0), power,
            self.power_step_pct is not None,
            Steps(self.power_step_kw),
        )  # fmt: skip

    def _filled_in(self, each: EntryList) -> MenuList:
        """Return a list with what it leaves out taken from the keys for all lists."""
        fields = list(each.fields)
        grid_tells = "grid" in fields and set(each.actions) == {"charge", "cover"}
        if len(each.actions) > 1 and "action" not in fields and not grid_tells:
            fields.insert(
                max(fields.index(f) for f in ("start", "end") if f in fields) + 1, "action"
            )
        in_pct = each.power.in_pct or (
            self.power_step_pct is not None and each.power.step_kw is None
        )
        if in_pct:
            step = each.power.step_pct or self.power_step_pct or 1.0
            power = Steps(step, each.power.from_pct or 0.0, each.power.to_pct or 100.0)
        else:
            step = each.power.step_kw or self.power_step_kw
            power = Steps(step, each.power.from_kw or 0.0, each.power.to_kw or inf)
        level = Steps(
            each.level.step_pct or self.soc_step_pct, each.level.from_pct, each.level.to_pct
        )
        cap = Steps(each.cap.step_kw or self.power_step_kw, each.cap.from_kw, each.cap.to_kw or inf)
        return MenuList(
            each.name, tuple(each.actions), each.entries, tuple(fields), tuple(each.once),
            each.day_types or self.day_types, each.minutes or self.minutes, level, power, in_pct,
            cap, each.fills_day, each.beside,
        )  # fmt: skip

    def whole_kw_of(self, ac_limit_kw: float) -> float | None:
        """Return the power that is 100 %; None where powers are typed in kW. [kW]"""
        return ac_limit_kw if any(each.power_in_pct for each in self.menu.lists) else None


def _refuse_doubled(names: list[str], told: str) -> None:
    double = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    if double:
        raise Mistake(f"two {told} {double[0]!r}", "Name each once.", "lists")
