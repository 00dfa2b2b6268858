"""The language of settings: what a person types into the equipment.

A window is part of the day on which one action holds. Outside windows the equipment covers the
building's net load from the battery down to the floor, unless its menu says otherwise. A window that
ends at or before its start runs over midnight: its hours after midnight are those of the same
weekdays, so 22:00-06:00 on weekdays holds on each of them before 06:00 and from 22:00. On equipment
that goes on into the next day they are those of the mornings after, where a window that begins on that
day takes precedence.

Windows of one action never overlap. A window that only limits the import stands beside the others:
what holds in its hours goes on, under its cap. Where a menu lets other windows overlap, settings say
which action comes first (``precedence``).

Settings keep kW where the equipment takes per cent, so that replays, the search and other
equipment read them alike; sentences and card add the per cent of the inverter's AC limit, and a
refusal offers the kW of the next step.

Read next: ``check``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import numpy as np
from pydantic import Field, ValidationInfo, field_validator, model_validator

from optimizer.base.calendar import (
    DAY_NAMES,
    MONTH_NAMES,
    AfterMidnight,
    minutes_between,
    span_text,
)
from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BoolArray, IntArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, clock, number, read_clock
from optimizer.base.words import later, say
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS, USES, Action, Menu, OnceField, Outside

if TYPE_CHECKING:
    import pandas as pd

LIMITS_OF_ACTION: dict[str, tuple[str, ...]] = {
    "charge": ("until_pct", "grid_kw", "import_cap_kw"),
    "hold": ("import_cap_kw",),
    "cover": ("down_to_pct", "import_cap_kw"),
    "sell": ("down_to_pct", "power_kw", "import_cap_kw"),
    "limit": ("import_cap_kw",),
}
"""Which limits an action can carry."""


KEY_OF: dict[tuple[OnceField, str], str] = {
    ("level", "charge"): "until_pct",
    ("level", "cover"): "down_to_pct",
    ("level", "sell"): "down_to_pct",
    ("power", "charge"): "grid_kw",
    ("power", "sell"): "power_kw",
    **{("cap", action): "import_cap_kw" for action in USES["cap"]},
}
"""The key of a window that holds a field of the menu."""


class Window(Document):
    """Part of the day on which one action holds.

    ========  =================================================================================
    action    what the equipment does
    ========  =================================================================================
    charge    fills the battery, PV first and the grid up to ``grid_kw``, until ``until_pct``
    hold      keeps what is stored; PV surplus may still be stored
    cover     the battery covers the net load, down to ``down_to_pct``
    sell      discharges at ``power_kw`` to building and grid, down to ``down_to_pct``
    limit     leaves all else as it is, and limits the import to ``import_cap_kw``; 0 kW: off the grid
    ========  =================================================================================

    ``import_cap_kw`` may go with any action: import above it first reduces charging, then is met
    by the battery down to the floor.
    """

    start: str
    end: str
    action: Action
    until_pct: float | None = Field(default=None, ge=0, le=100)
    down_to_pct: float | None = Field(default=None, ge=0, le=100)
    grid_kw: float | None = Field(default=None, ge=0)
    power_kw: float | None = Field(default=None, gt=0)
    import_cap_kw: float | None = Field(default=None, ge=0)

    @field_validator("start", "end", mode="after")
    @classmethod
    def _is_clock(cls, text: str, info: ValidationInfo) -> str:
        try:
            minute = read_clock(text)
        except ValueError as failure:
            raise Mistake(f"{info.field_name}: {failure}", "Write it as 05:30.") from None
        if info.field_name == "start" and minute == MINUTES_PER_DAY:
            raise Mistake("start is '24:00', the end of the day", "Write 00:00.")
        return text

    @model_validator(mode="after")
    def _limits_fit_the_action(self) -> Window:
        if self.begin % MINUTES_PER_DAY == self.finish % MINUTES_PER_DAY and not self.whole_day:
            raise Mistake(
                f"the window {self.start} to {self.end} holds no time",
                "Write the whole day as 00:00 to 24:00.",
            )
        for name in ("until_pct", "down_to_pct", "grid_kw", "power_kw"):
            if getattr(self, name) is not None and name not in LIMITS_OF_ACTION[self.action]:
                raise Mistake(
                    f"the action {self.action!r} takes no {name}",
                    f"It takes {', '.join(LIMITS_OF_ACTION[self.action])}.",
                    name,
                )
        if self.action == "limit" and self.import_cap_kw is None:
            raise Mistake(
                "a window that limits the import says no import_cap_kw",
                "Add the highest import [kW]; 0 stays off the grid.",
            )
        return self

    @property
    def begin(self) -> int:
        """Time at which the window begins, since midnight. [min]"""
        return read_clock(self.start)

    @property
    def finish(self) -> int:
        """Time at which it ends, since midnight; at or before ``begin`` if over midnight. [min]"""
        return read_clock(self.end)

    @property
    def length(self) -> int:
        """How long it lasts. [min]"""
        return (self.finish - self.begin - 1) % MINUTES_PER_DAY + 1

    @property
    def whole_day(self) -> bool:
        """Whether the window never ends."""
        return (self.begin, self.finish) == (0, MINUTES_PER_DAY)

    @property
    def is_over_midnight(self) -> bool:
        """Whether the window holds time of two days; one that ends at midnight does not."""
        return 0 < self.finish <= self.begin

    def minutes(self) -> BoolArray:
        """Return the minutes of the day inside, shape (1440,)."""
        return minutes_between(self.begin, self.finish)

    def small_hours(self) -> BoolArray:
        """Return the minutes inside that lie after a midnight, shape (1440,)."""
        return (np.arange(MINUTES_PER_DAY) < self.finish) & self.is_over_midnight

    def words(self, whole_kw: float | None = None) -> str:
        """Return what is done, as a person reads it aloud.

        ``whole_kw`` is the power that is 100 %, where the equipment takes per cent. [kW]
        """
        parts = [_ACTION_WORDS[self.action](self, whole_kw)]
        if self.import_cap_kw is not None:
            parts.append(_cap_words(self.import_cap_kw))
        return ", ".join(part for part in parts if part)

    def span(self) -> str:
        """Return the clock times, e.g. ``05:00–09:00``."""
        return span_text(self.begin, self.finish)


def field_text(window: Window, field: OnceField, whole_kw: float | None = None) -> str:
    """Return what a window says of a field of the menu, as it is typed in; powers as ``power_text``."""
    if field == "grid":
        return say("PV only") if window.grid_kw == 0 else say("from the grid too")
    value = getattr(window, KEY_OF[field, window.action])
    if value is None:
        return say("none")
    if field == "level":
        return f"{number(value)} %"
    return power_text(value, whole_kw if field == "power" else None)


def power_text(power_kw: float, whole_kw: float | None) -> str:
    """Return a power as it is typed in: ``2 kW``, or ``40 % (2 kW)`` if 5 kW are 100 %. [kW]"""
    kw = f"{number(power_kw, 2)} kW"
    return kw if whole_kw is None else f"{number(100 * power_kw / whole_kw, 2)} % ({kw})"


def _charge_words(window: Window, whole_kw: float | None) -> str:
    until = (
        say("charge")
        if window.until_pct is None
        else say("charge to {level} %", level=number(window.until_pct))
    )
    if window.grid_kw is None:
        return until
    if window.grid_kw == 0:
        return say("{charge}, from PV only", charge=until)
    kw = power_text(window.grid_kw, whole_kw)
    return say("{charge}, at most {kw} from the grid", charge=until, kw=kw)


def _cap_words(cap_kw: float) -> str:
    return say("import at most {kw} kW", kw=number(cap_kw)) if cap_kw else say("stay off the grid")


def _down_to(window: Window) -> str:
    if window.down_to_pct is None:
        return ""
    return say(", down to {level} %", level=number(window.down_to_pct))


def _sell_words(window: Window, whole_kw: float | None) -> str:
    if window.power_kw is None:
        return say("sell") + _down_to(window)
    return say("sell at {kw}", kw=power_text(window.power_kw, whole_kw)) + _down_to(window)


_ACTION_WORDS: dict[str, Callable[[Window, float | None], str]] = {
    "charge": _charge_words,
    "hold": lambda _window, _whole_kw: say("hold what is stored"),
    "cover": lambda window, _whole_kw: (
        say("cover the building from the battery") + _down_to(window)
    ),
    "sell": _sell_words,
    "limit": lambda _window, _whole_kw: "",
}

OUTSIDE_WORDS: dict[Outside, str] = {
    "cover": later("cover the building from the battery, down to the floor"),
    "hold": later("hold what is stored"),
    "idle": later("neither fill the battery nor draw from it"),
}

ItemT = TypeVar("ItemT")
DaySetName = Literal[
    "every day", "weekdays", "weekends", "Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays",
    "Saturdays", "Sundays",
]  # fmt: skip


class DaySet(Document):
    """The windows of one set of weekdays in one season."""

    days: DaySetName
    windows: list[Window] = []

    @property
    def weekdays(self) -> tuple[int, ...]:
        """The weekdays, Monday is 0."""
        return next(sets[self.days] for sets in DAY_SETS.values() if self.days in sets)

    @model_validator(mode="after")
    def _never_overlap(self) -> DaySet:
        for action in dict.fromkeys(window.action for window in self.windows):
            refuse_overlap([window for window in self.windows if window.action == action])
        return self


def refuse_overlap(windows: Sequence[Window]) -> None:
    """Refuse windows of which two hold at the same time.

    Raises
    ------
    Mistake
        If two do.
    """
    taken = np.full(MINUTES_PER_DAY, -1)
    for place, window in enumerate(windows):
        inside = window.minutes()
        double = np.flatnonzero(inside & (taken >= 0))
        if len(double):
            other = windows[int(taken[double[0]])]
            raise Mistake(
                f"the windows {other.span()} and {window.span()} overlap at"
                f" {clock(int(double[0]))}",
                "Let each time of the day lie in one window.",
            )
        taken[inside] = place


class SeasonSet(Document):
    """The windows of some months of the year, and their floor where it is higher than the settings'."""

    months: list[int] = Field(min_length=1)
    floor_pct: float | None = Field(default=None, ge=0, le=100)
    day_sets: list[DaySet]

    @model_validator(mode="after")
    def _days_stand_once(self) -> SeasonSet:
        wrong = [month for month in self.months if not 1 <= month <= 12]
        if wrong or len(set(self.months)) != len(self.months):
            raise Mistake(
                f"the months {self.months} are not each one of 1 to 12, once",
                "List each month once, e.g. [6, 7, 8, 9].",
            )
        weekdays = [day for part in self.day_sets for day in part.weekdays]
        if sorted(weekdays) != list(range(7)):
            raise Mistake(
                f"the day sets {[part.days for part in self.day_sets]} do not hold each weekday once:"
                f" {_not_once(weekdays)}",
                "Give 'every day', or 'weekdays' and 'weekends', or"
                " 'weekdays', 'Saturdays' and 'Sundays', or the seven from 'Mondays' to 'Sundays'; a"
                " day set may have no windows.",
                "day_sets",
            )
        return self

    def name(self) -> str:
        """Return the months as people say them: ``June–September``."""
        return months_text(self.months)


def _not_once(weekdays: list[int]) -> str:
    names = [name.capitalize() for name in DAY_NAMES]
    absent = [name for day, name in enumerate(names) if day not in weekdays]
    double = [name for day, name in enumerate(names) if weekdays.count(day) > 1]
    told = [f"{', '.join(absent)} in none"] if absent else []
    return "; ".join([*told, f"{', '.join(double)} in more than one"] if double else told)


class Settings(Document):
    """All windows of all seasons and day sets, plus the floor: what a person enters.

    Months that no season set names have no windows. Equipment without a calendar stores one set,
    which holds in all months; ``found_for`` then lists the months for which it was found.
    ``after_midnight`` says whose the hours after midnight of a window are: of the same day if it is
    not given. ``outside`` says what the equipment does outside windows in months that have some; it
    covers the building if that is not given, and in months without any. ``precedence`` names actions,
    first the one that holds where windows overlap. ``summer_time: false`` says that times are those of a
    clock that stays on winter time.
    """

    settings: str
    floor_pct: float = Field(ge=0, le=100)
    found_for: list[Annotated[int, Field(ge=1, le=12)]] | None = None
    after_midnight: AfterMidnight | None = None
    outside: Outside | None = None
    precedence: list[Action] | None = None
    summer_time: bool | None = None
    seasons: list[SeasonSet] = []

    @model_validator(mode="after")
    def _months_stand_once(self) -> Settings:
        months = [month for season in self.seasons for month in season.months]
        double = sorted({month for month in months if months.count(month) > 1})
        if double:
            second = [s for s, season in enumerate(self.seasons) if double[0] in season.months][1]
            raise Mistake(
                f"{MONTH_NAMES[double[0] - 1]} stands in two season sets",
                "Let each month stand in one.",
                ("seasons", second, "months"),
            )
        return self

    def as_stored(self, controls: Controls) -> Settings:
        """Return the settings as the equipment holds them.

        Without a calendar they are at work in all months; what the controls say of windows over
        midnight, of hours outside windows, of windows that overlap and of its clock stands in them.
        """
        told = {
            key: value
            for key, value in habits_of(controls).items()
            if value is not None and getattr(self, key) is None
        }
        if told:
            return self.model_copy(update=told).as_stored(controls)
        if controls.has_calendar or len(self.seasons) != 1 or len(self.seasons[0].months) == 12:
            return self
        (season,) = self.seasons
        whole = season.model_copy(update={"months": list(range(1, 13))})
        found_for = self.found_for or sorted(season.months)
        return self.model_copy(update={"seasons": [whole], "found_for": found_for})

    def clock_of(self, grid: TimeGrid) -> tuple[IntArray, IntArray]:
        """Return minute of the day and weekday by the equipment's clock, each of shape (T,)."""
        return clock_of(grid, summer_time=self.summer_time is not False)

    def elsewhere(self) -> str:
        """Return what the equipment does outside windows, in words."""
        return OUTSIDE_WORDS[self.outside or "cover"]

    def floor_in(self, month: int) -> float:
        """Return the floor of a month: that of its season where it is the higher one. [%]"""
        own = [season.floor_pct or 0.0 for season in self.seasons if month in season.months]
        return max([self.floor_pct, *own])

    def without_windows(self) -> Settings:
        """Return the same floors and no windows."""
        floors = {month: self.floor_in(month) for month in range(1, len(MONTH_NAMES) + 1)}
        return no_windows(self.floor_pct, floors)

    def places(self) -> list[WindowPlace]:
        """Return where each window stands, in reading order."""
        return [
            WindowPlace(s, d, w)
            for s, season in enumerate(self.seasons)
            for d, day_set in enumerate(season.day_sets)
            for w in range(len(day_set.windows))
        ]

    def places_of_entries(self, menu: Menu) -> list[list[WindowPlace]]:
        """Return the windows of each entry, in reading order: one on several days may be typed in once."""
        found: dict[object, list[WindowPlace]] = {}
        known = list(menu.day_sets)
        for place in self.places():
            window, day_sets = self.window(place), self.seasons[place.season].day_sets
            key: object = place
            if window.action in menu.actions and [part.days for part in day_sets] == known:
                each = menu.list_of(window.action)
                group = next(group for group in menu.groups(each) if place.day_set in group)
                key = (place.season, group, window)
            found.setdefault(key, []).append(place)
        return list(found.values())

    def window(self, place: WindowPlace) -> Window:
        """Return the window at a place."""
        return self.seasons[place.season].day_sets[place.day_set].windows[place.window]

    def without(self, place: WindowPlace) -> Settings:
        """Return the settings with one window left out."""
        season = self.seasons[place.season]
        day_set = season.day_sets[place.day_set]
        fewer = [w for number, w in enumerate(day_set.windows) if number != place.window]
        day_sets = _replaced(
            season.day_sets, place.day_set, day_set.model_copy(update={"windows": fewer})
        )
        changed = season.model_copy(update={"day_sets": day_sets})
        return self.model_copy(update={"seasons": _replaced(self.seasons, place.season, changed)})

    def sentence(
        self, place: WindowPlace, whole_kw: float | None = None, days: str | None = None
    ) -> str:
        """Return a window as one sentence: ``weekdays 05:00–09:00, June–September: charge …``.

        ``whole_kw`` is the power that is 100 %, where the equipment takes per cent; [kW] ``days`` stand in
        place of its day set's, where it holds on more.
        """
        season = self.seasons[place.season]
        window = self.window(place)
        days = days or say(season.day_sets[place.day_set].days)
        span = window.span()
        if window.is_over_midnight and self.after_midnight == "next day":
            span = say("{span} of the next day", span=span)
        months = season.name()
        if self.found_for is not None:
            found = months_text(self.found_for)
            months = say("{months} (found for {found})", months=months, found=found)
        return f"{days} {span}, {months}: {window.words(whole_kw)}"

    def weekdays_of(self, place: WindowPlace, minute: IntArray) -> BoolArray:
        """Return on which weekdays a window holds at each of N minutes of the day, shape (N, 7)."""
        held = self._held_on(place, minute)
        action, ranks = self.window(place).action, self.precedence or []
        for other in self.places() if action in ranks else []:
            theirs = self.window(other).action
            if other.season == place.season and theirs in ranks[: ranks.index(action)]:
                held &= ~self._held_on(other, minute)
        return held

    def _held_on(self, place: WindowPlace, minute: IntArray) -> BoolArray:
        window = self.window(place)
        named = np.isin(np.arange(7), self.seasons[place.season].day_sets[place.day_set].weekdays)
        after = np.roll(named, 1) if self.after_midnight == "next day" else named
        holds, small = window.minutes()[minute, None], window.small_hours()[minute, None]
        return np.asarray(np.where(small, after, named) & holds)

    @property
    def frame(self) -> pd.DataFrame:
        """One row for each window to type in, as it stands in a settings file; powers in kW, levels in %."""
        import pandas as pd

        rows = []
        for place in self.places():
            season = self.seasons[place.season]
            window = self.window(place)
            rows.append({
                "season": season.name(), "days": season.day_sets[place.day_set].days,
                **window.model_dump(),
            })  # fmt: skip
        return pd.DataFrame(rows, columns=["season", "days", *Window.model_fields])

    def with_window(self, place: int, **changes: Any) -> Settings:
        """Return the settings with one window changed; ``place`` counts windows in reading order.

        Raises
        ------
        ValueError
            If the changed window cannot be.
        """
        at = self.places()[place]
        season = self.seasons[at.season]
        day_set = season.day_sets[at.day_set]
        window = Window.model_validate(self.window(at).model_dump() | changes)
        windows = _replaced(day_set.windows, at.window, window)
        day_set = DaySet.model_validate(day_set.model_dump() | {"windows": windows})
        if self.precedence is None:
            refuse_overlap([one for one in day_set.windows if one.action != "limit"])
        season = season.model_copy(
            update={"day_sets": _replaced(season.day_sets, at.day_set, day_set)}
        )
        return self.model_copy(update={"seasons": _replaced(self.seasons, at.season, season)})

    def __repr__(self) -> str:
        return f"<Settings {self.settings!r}: {self.entries()} windows, floor {self.floor_pct:g} %>"

    __str__ = __repr__

    def _repr_html_(self) -> str:
        table = self.frame.dropna(axis="columns", how="all").to_html(index=False, na_rep="–")
        return f"<p>{escape(repr(self))}</p>{table}"

    def entries(self, menu: Menu | None = None) -> int:
        """Return how many windows there are; with a menu, how many entries a person types in there.

        What is equal on several days is typed in once where the menu takes it so.
        """
        if menu is None:
            return len(self.places())
        count = 0
        for season in self.seasons:
            parts = [part.windows for part in season.day_sets]
            if len(parts) == len(menu.day_sets):
                in_lists = [[menu.entries_of(each, part) for part in parts] for each in menu.lists]
                count += sum(map(menu.typed, menu.lists, in_lists))
            else:
                count += sum(map(len, parts))
        return count


def habits_of(controls: Controls) -> dict[str, Any]:
    """Return what settings say of the equipment that holds them; None where it does the usual."""
    return {
        "after_midnight": "next day" if controls.goes_on_next_day else None,
        "outside": None if controls.outside == "cover" else controls.outside,
        "precedence": controls.menu.ranks and list(controls.menu.ranks),
        "summer_time": None if controls.summer_time else False,
    }


def clock_of(grid: TimeGrid, *, summer_time: bool) -> tuple[IntArray, IntArray]:
    """Return minute of the day and weekday by a clock that follows summer time or not, each (T,)."""
    return (grid.minute_of_day, grid.weekday) if summer_time else grid.winter_clock


@dataclass(frozen=True)
class WindowPlace:
    """Where a window stands in settings."""

    season: int
    day_set: int
    window: int


def floors_text(settings: Settings) -> str:
    """Return the floor of settings in words, with those of seasons that have their own."""
    raised = [
        season
        for season in settings.seasons
        if season.floor_pct is not None and season.floor_pct > settings.floor_pct
    ]
    own = [f"{season.floor_pct:g} % in {months_text(season.months)}" for season in raised]
    if not own:
        return f"{settings.floor_pct:g} % state of charge"
    if sum(len(season.months) for season in raised) < len(MONTH_NAMES):
        own.append(f"{settings.floor_pct:g} % otherwise")
    return "state of charge of " + ", ".join(own)


def no_windows(floor_pct: float, floors_pct: Mapping[int, float] | None = None) -> Settings:
    """Return the equipment as it comes: it covers the net load down to its floor. [%]

    ``floors_pct`` are higher floors of single months.
    """
    groups: dict[float, list[int]] = {}
    for month, floor in sorted((floors_pct or {}).items()):
        groups.setdefault(round(floor, 9), []).append(month)
    seasons = [
        SeasonSet(months=months, floor_pct=floor, day_sets=[DaySet(days="every day")])
        for floor, months in groups.items()
        if floor > floor_pct
    ]
    return Settings(settings="no windows", floor_pct=floor_pct, seasons=seasons)


def months_text(months: list[int]) -> str:
    """Return months as people say them: ``all year``, ``June–September, December``."""
    if len(months) == 12:
        return say("all year")
    runs = []
    inside = set(months)
    for month in sorted(months):
        if (month - 2) % 12 + 1 in inside:
            continue  # not the first of its run; runs may go over the new year
        last = month
        while last % 12 + 1 in inside:
            last = last % 12 + 1
        name = say(MONTH_NAMES[month - 1])
        runs.append(name if last == month else f"{name}–{say(MONTH_NAMES[last - 1])}")
    return ", ".join(runs)


def _replaced(items: list[ItemT], place: int, item: ItemT) -> list[ItemT]:
    return [item if number == place else old for number, old in enumerate(items)]
