"""Words for parts of the year, the week and the day, as tariffs and equipment use them.

Seasons are ranges of dates, day kinds are weekdays, weekends and holidays, spans are clock times.
Holidays are an explicit list or rules of the tariff itself: utilities differ in whether a holiday
on a Sunday or a Saturday moves, so a general list of public holidays is no source (compare
https://www.pge.com/tariffs/en/rate-information/tou-holidays.html: Sunday moves to Monday,
Saturday does not move).

Calendar on the ground floor. Windows and tariffs both speak of seasons, days and clock spans, so
``calendar.py`` lies below both rooms. ``documents.py`` (YAML with lines) is ground for the same
reason.

Holidays are the tariff's own list or rules. Utilities differ in whether a holiday moves.
Equipment knows no holidays: replays use weekdays and weekends only.

Read next: ``flows``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Annotated, Literal

import numpy as np
from dateutil.easter import easter
from pydantic import AfterValidator, Field, field_validator, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, Place
from optimizer.base.timegrid import BoolArray, IntArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, clock, read_clock

DAY_NAMES = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip

DayWord = Literal[
    "all", "weekdays", "weekends", "holidays",
    "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday",
]  # fmt: skip
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]

HOLIDAY = 7
"""Day kind of a holiday; 0 to 6 are Monday to Sunday that are none."""

DAYS_OF_WORD = {
    "all": range(8),
    "weekdays": range(5),
    "weekends": (5, 6),
    "holidays": (HOLIDAY,),
} | {name: (number,) for number, name in enumerate(DAY_NAMES)}

LEAP_YEAR = 2024
"""A year that has every month and day; used to check that seasons leave no hole."""

FIRST_OF_MONTH = [date(LEAP_YEAR, month, 1).timetuple().tm_yday - 1 for month in range(1, 13)]
"""The day of that year, counted from 0, on which each month begins."""


@dataclass(frozen=True)
class Days:
    """Which days of a forecast are asked for: from the first to the last, or so many."""

    first: date | None = None
    last: date | None = None
    count: int | None = None

    def within(self, first: date, last: date) -> tuple[date, date]:
        """Return first and last day; those given stand for what is not asked for."""
        first = self.first or first
        if self.count is not None:
            return first, first + timedelta(days=self.count - 1)
        return first, self.last or last


EVERY_DAY = Days()


def minutes_in_spans(spans: Sequence[str]) -> BoolArray:
    """Return which minutes of the day lie in spans such as ``16:00-21:00``, shape (1440,).

    A span that ends at or before its start runs over midnight: ``22:00-06:00``.

    Raises
    ------
    Mistake
        If a span is malformed, empty, or overlaps another.
    """
    inside = np.zeros(MINUTES_PER_DAY, dtype=bool)
    for span in spans:
        begin, end = read_span(span)
        mask = minutes_between(begin, end)
        if (inside & mask).any():
            raise Mistake(f"the span {span!r} overlaps another one", "Let each minute stand once.")
        inside |= mask
    return inside


def read_span(span: str) -> tuple[int, int]:
    """Return where ``HH:MM-HH:MM`` begins and ends, as minutes of the day. [min]

    Raises
    ------
    Mistake
        If the text is no span, or holds no time.
    """
    parts = span.replace("–", "-").split("-")
    if len(parts) != 2:
        raise Mistake(f"{span!r} is not a span of time", "Write it as 16:00-21:00.")
    try:
        begin, end = (read_clock(part) for part in parts)
    except ValueError as failure:
        raise Mistake(str(failure), "Write a span as 16:00-21:00.") from None
    if begin in (end, MINUTES_PER_DAY):
        raise Mistake(f"the span {span!r} holds no time", "Write the whole day as 00:00-24:00.")
    return begin, end


def hours_of_span(span: str) -> float:
    """Return how long a span such as ``22:00-06:00`` is. [h]"""
    begin, end = read_span(span)
    return ((end - begin - 1) % MINUTES_PER_DAY + 1) / 60


def minutes_between(begin: int, end: int) -> BoolArray:
    """Return which minutes lie between two times, over midnight if need be, shape (1440,)."""
    minutes = np.arange(MINUTES_PER_DAY)
    if begin < end:
        return (minutes >= begin) & (minutes < end)
    return (minutes >= begin) | (minutes < end)


class HolidayRule(Document):
    """One holiday: a fixed date, a weekday of a month, or days from Easter Sunday.

    A weekday is the ``nth`` of its month, or the first on or after a ``day`` of it. ``if_sunday``
    and ``if_saturday`` say which day is kept instead; without them nothing moves.
    """

    name: str
    month: int | None = Field(default=None, ge=1, le=12)
    day: int | None = Field(default=None, ge=1, le=31)
    nth: Literal[1, 2, 3, 4, 5, "last"] | None = None
    weekday: Weekday | None = None
    days_from_easter: int | None = Field(default=None, ge=-100, le=100)
    if_saturday: Literal["friday", "monday"] | None = None
    if_sunday: Literal["monday"] | None = None

    @model_validator(mode="after")
    def _one_way_of_saying_it(self) -> HolidayRule:
        given = {
            key for key in ("month", "day", "nth", "weekday", "days_from_easter")
            if getattr(self, key) is not None
        }  # fmt: skip
        fixed = given == {"month", "day"}
        others = ({"month", "nth", "weekday"}, {"month", "day", "weekday"}, {"days_from_easter"})
        if not fixed and given not in others:
            raise Mistake(
                f"the holiday {self.name!r} is not said in one way, but by {sorted(given)}",
                "Give month and day, or month, nth (or day) and weekday, or days_from_easter.",
            )
        if not fixed and (self.if_saturday or self.if_sunday):
            raise Mistake(
                f"the holiday {self.name!r} always falls on the same weekday, yet says where it"
                " moves",
                "Leave out if_saturday and if_sunday.",
            )
        if self.day is not None:
            _day_of_year(f"{self.month:02d}-{self.day:02d}")
        return self

    def dates(self, year: int) -> list[date]:
        """Return the day on which this holiday is kept, if the year has one."""
        if self.days_from_easter is not None:
            return [easter(year) + timedelta(days=self.days_from_easter)]
        assert self.month is not None
        if self.day is not None:
            if (self.month, self.day) == (2, 29) and not _is_leap(year):
                return []
            day = date(year, self.month, self.day)
            return [self._moved(day) if self.weekday is None else _on_or_after(day, self.weekday)]
        assert self.weekday is not None
        number = DAY_NAMES.index(self.weekday)
        days = [d for d in _days_of_month(year, self.month) if d.weekday() == number]
        if self.nth == "last":
            return [days[-1]]
        assert self.nth is not None
        return days[self.nth - 1 : self.nth]

    def _moved(self, day: date) -> date:
        if day.weekday() == 6 and self.if_sunday:
            return day + timedelta(days=1)
        if day.weekday() == 5 and self.if_saturday:
            return day + timedelta(days=-1 if self.if_saturday == "friday" else 2)
        return day


class Holidays(Document):
    """The holidays of a tariff: an explicit list of dates, rules, or both."""

    dates: list[date] = []
    rules: list[HolidayRule] = []

    def any(self) -> bool:
        """Return whether there is any holiday."""
        return bool(self.dates or self.rules)

    def among(self, days: Iterable[date]) -> set[date]:
        """Return which of the days are holidays."""
        days = set(days)
        years = {d.year + shift for d in days for shift in (-1, 0, 1)}
        kept = {d for rule in self.rules for year in years for d in rule.dates(year)}
        return days & (kept | set(self.dates))


def day_kinds(days: Sequence[date], holidays: Holidays) -> list[int]:
    """Return the kind of each day: 0 to 6 for Monday to Sunday, 7 for a holiday."""
    kept = holidays.among(days)
    return [HOLIDAY if d in kept else d.weekday() for d in days]


class Seasons:
    """Named parts of the year that cover every day once.

    Parameters
    ----------
    ranges : mapping of name to ranges
        Ranges ``MM-DD to MM-DD`` (both days included; a range may run over the new year), or the
        word ``otherwise`` for all days that no other season has. Empty: no seasons.

    Raises
    ------
    Mistake
        If a range is malformed, or a day lies in two seasons or in none.
    """

    def __init__(self, ranges: Mapping[str, str | Sequence[str]]) -> None:
        self.ranges = {
            name: [spans] if isinstance(spans, str) else list(spans)
            for name, spans in ranges.items()
        }
        self._table = _season_table(self.ranges) if self.ranges else [""] * 366

    @property
    def names(self) -> list[str]:
        """Names of the seasons; one empty name where the tariff has none."""
        return list(self.ranges) or [""]

    def held(self, name: str) -> Seasons:
        """Return the same names with one season all the year."""
        held = Seasons({})
        held.ranges, held._table = self.ranges, [name] * 366
        return held

    def of_day(self, day: date) -> str:
        """Return the season's name of a day."""
        return self._table[FIRST_OF_MONTH[day.month - 1] + day.day - 1]


def _season_table(ranges: Mapping[str, Sequence[str]]) -> list[str]:
    table: list[str | None] = [None] * 366
    rest = [name for name, spans in ranges.items() if list(spans) == ["otherwise"]]
    for name, spans in ranges.items():
        if not spans:
            raise Mistake(f"the season {name!r} has no days", "Give ranges, or 'otherwise'.")
    for name, spans in ranges.items():
        for span in spans if name not in rest else ():
            for number in _days_of_range(span):
                if table[number] is not None:
                    raise Mistake(
                        f"{_date_name(number)} lies in the seasons {table[number]!r} and {name!r}",
                        "Let each day of the year stand in one season.",
                    )
                table[number] = name
    if len(rest) > 1:
        raise Mistake(f"the seasons {rest} all say 'otherwise'", "Only one may.")
    for number, season in enumerate(table):
        if season is None and not rest:
            raise Mistake(
                f"{_date_name(number)} lies in no season",
                "Add it to a season, or let one season say 'otherwise'.",
            )
    return [season or rest[0] for season in table]


def _days_of_range(text: str) -> list[int]:
    parts = text.split(" to ")
    if len(parts) != 2:
        raise Mistake(f"{text!r} is not a range of dates", "Write it as 06-01 to 09-30.")
    first, last = (_day_of_year(part.strip()) for part in parts)
    span = range(first, last + 1) if first <= last else [*range(first, 366), *range(last + 1)]
    return list(span)


def month_and_day(text: str) -> tuple[int, int]:
    """Return the month and the day of a text such as ``04-01``.

    Raises
    ------
    Mistake
        If it is none that exists.
    """
    day = date(LEAP_YEAR, 1, 1) + timedelta(days=_day_of_year(text))
    return day.month, day.day


def _of_every_year(text: str) -> str:
    if month_and_day(text) == (2, 29):
        raise Mistake(f"{text!r} is no day of every year", "Write 02-28 or 03-01.")
    return text


MonthDay = Annotated[str, AfterValidator(_of_every_year)]
"""A month and a day that every year has, such as ``04-01``."""


def year_of(day: date, begins: str | None) -> int:
    """Return the year of a day, where years begin on a month and day; the calendar year without one."""
    if begins is None or (day.month, day.day) >= month_and_day(begins):
        return day.year
    return day.year - 1


def _day_of_year(text: str) -> int:
    try:
        month, day = (int(part) for part in text.split("-"))
        return date(LEAP_YEAR, month, day).timetuple().tm_yday - 1
    except ValueError:
        raise Mistake(
            f"{text!r} is no month and day", "Give a day that the month has, written as 06-01."
        ) from None


def _date_name(number: int) -> str:
    day = date(LEAP_YEAR, 1, 1) + timedelta(days=number)
    return f"{day.day} {MONTH_NAMES[day.month - 1]}"


def _is_leap(year: int) -> bool:
    return (date(year, 3, 1) - timedelta(days=1)).day == 29


def _on_or_after(day: date, weekday: str) -> date:
    return day + timedelta(days=(DAY_NAMES.index(weekday) - day.weekday()) % 7)


def _days_of_month(year: int, month: int) -> list[date]:
    first = date(year, month, 1)
    return [
        first + timedelta(days=n) for n in range(31) if (first + timedelta(days=n)).month == month
    ]


AfterMidnight = Literal["same day", "next day"]
"""On which day the hours after midnight lie of a span that runs over it: the one named, or the next."""

WHEN_KEYS = ("seasons", "days", "dates", "hours", "after_midnight")
"""The words that say when something holds."""


class When(Document):
    """A part of the calendar: seasons, days and clock spans, each "all" where left out.

    ``dates`` are single days, such as those a utility calls for events; of these, all that the
    other words name as well. Of a span over midnight the hours after it lie on the same day
    that is named, before the span's begin; with ``after_midnight: next day`` they follow on it: the
    night that begins on the day. Seasons are those of the moment in either case.
    """

    seasons: list[str] | None = None
    days: Annotated[list[DayWord], Field(min_length=1)] = ["all"]
    dates: Annotated[list[date], Field(min_length=1)] | None = None
    hours: Annotated[list[str], Field(min_length=1)] = ["00:00-24:00"]
    after_midnight: AfterMidnight = "same day"

    @field_validator("hours", mode="after")
    @classmethod
    def _readable(cls, hours: list[str]) -> list[str]:
        minutes_in_spans(hours)
        return hours

    def day_kind_mask(self) -> BoolArray:
        """Return which day kinds are meant, shape (8,)."""
        mask = np.zeros(HOLIDAY + 1, dtype=bool)
        for word in self.days:
            mask[list(DAYS_OF_WORD[word])] = True
        return mask

    @model_validator(mode="after")
    def _has_a_night(self) -> When:
        if self.after_midnight == "next day" and not self.is_over_midnight:
            raise Mistake(
                f"after_midnight is given, but no span of {self.hours} runs over midnight",
                "Remove it, or write a span such as 22:00-06:00.",
                "after_midnight",
            )
        return self

    @property
    def is_over_midnight(self) -> bool:
        """Whether a span holds time of both ends of the day."""
        return bool(self.small_hours().any())

    def small_hours(self) -> BoolArray:
        """Return the minutes after midnight of spans that run over it, shape (1440,)."""
        found = np.zeros(MINUTES_PER_DAY, dtype=bool)
        for begin, end in map(read_span, self.hours):
            if end <= begin:
                found[:end] = True
        return found

    def minutes_on_and_after(self) -> tuple[BoolArray, BoolArray]:
        """Return the minutes of a named day, and of the day after it, each of shape (1440,)."""
        inside = minutes_in_spans(self.hours)
        after = self.small_hours() & (self.after_midnight == "next day")
        return inside & ~after, after

    def mask(self, grid: TimeGrid, calendar: DayCalendar) -> BoolArray:
        """Return which steps are meant, shape (T,)."""
        on, after = self.minutes_on_and_after()
        days = calendar.days_of(grid)
        named = self._names(days.days_and_before, days.kinds_and_before)
        in_season = np.ones(len(days.seasons), dtype=bool)
        if self.seasons is not None:
            in_season = np.array([name in self.seasons for name in days.seasons])
        mask = (named[1:] & in_season)[grid.day] & on[grid.minute_of_day]
        if after.any():
            mask |= (named[:-1] & in_season)[grid.day] & after[grid.minute_of_day]
        return np.asarray(mask)

    def _names(self, days: Sequence[date], kinds: Sequence[int] | IntArray) -> BoolArray:
        """Return which days, of these kinds, are named by kind and date, shape (D,)."""
        named = self.day_kind_mask()[kinds]
        if self.dates is not None:
            named &= np.isin(
                np.array(days, dtype="datetime64[D]"), np.array(self.dates, "datetime64[D]")
            )
        return named

    def holds_on(self, day: date, calendar: DayCalendar) -> bool:
        """Return whether a day is one of the named kinds of day."""
        return bool(self._names([day], day_kinds([day], calendar.holidays))[0])

    def in_season_of(self, day: date, calendar: DayCalendar) -> bool:
        """Return whether a day lies in one of the named seasons."""
        return self.seasons is None or calendar.seasons.of_day(day) in self.seasons

    def edges(self) -> set[int]:
        """Return the times at which this part of the day begins or ends. [min]"""
        inside = minutes_in_spans(self.hours)
        return {int(m) for m in np.flatnonzero(inside != np.roll(inside, 1))}

    def parts(self) -> list[tuple[Place, When]]:
        """Return the parts of the calendar of which it is the union, each with its place."""
        return [((), self)]


class Times(When):
    """A part of the calendar, or the union of several, each with words of its own: ``any_of``."""

    any_of: Annotated[Sequence[When], Field(min_length=2)] | None = None

    @model_validator(mode="after")
    def _said_in_one_way(self) -> Times:
        beside = sorted(self.model_fields_set & set(WHEN_KEYS))
        if self.any_of is not None and beside:
            raise Mistake(
                f"any_of stands beside {', '.join(beside)}, so it is open whether both must hold",
                "Write these words into each part of any_of.",
                "any_of",
            )
        return self

    def parts(self) -> list[tuple[Place, When]]:
        """Return the parts of the calendar of which it is the union, each with its place."""
        if self.any_of is None:
            return super().parts()
        return [(("any_of", number), part) for number, part in enumerate(self.any_of)]

    @property
    def all_seasons(self) -> list[str] | None:
        """The seasons in which some part lies; None for all of the year."""
        named = [part.seasons for _, part in self.parts()]
        if None in named:
            return None
        return list(dict.fromkeys(name for names in named for name in names or ()))


@dataclass(frozen=True)
class DaysOfGrid:
    """The days of a grid, with the one before: their kinds, shape (D + 1,), and the D seasons."""

    days_and_before: list[date]
    kinds_and_before: IntArray
    seasons: list[str]


@dataclass(frozen=True)
class DayCalendar:
    """The seasons and holidays of one tariff: what kind of day each day is."""

    seasons: Seasons
    holidays: Holidays
    _known: dict[TimeGrid, DaysOfGrid] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def days_of(self, grid: TimeGrid) -> DaysOfGrid:
        """Return kinds and seasons of a grid's days, looked up once for all rates of a tariff."""
        if grid not in self._known:
            days = [grid.dates[0] - timedelta(days=1), *grid.dates]
            kinds = np.array(day_kinds(days, self.holidays), dtype=np.int64)
            seasons = [self.seasons.of_day(day) for day in grid.dates]
            self._known[grid] = DaysOfGrid(days, kinds, seasons)
        return self._known[grid]

    def kinds_and_seasons(self, grid: TimeGrid) -> tuple[IntArray, list[str]]:
        """Return day kind, shape (D,), and season of each local day."""
        days = self.days_of(grid)
        return days.kinds_and_before[1:], days.seasons


def span_text(begin: int, end: int) -> str:
    """Return a span of clock time as people read it: ``16:00–21:00``."""
    return f"{clock(begin)}–{clock(end)}"
