"""Adds a limit of the import in given hours to settings, as the menu can hold it.

Where the menu has a list of limits, the limit is an entry there, beside all others. Otherwise it is a cap
on what stands in those hours: windows are split at their edges, and what lies between them becomes a
window that does what the equipment does outside. Whether the menu takes that, ``check`` says.

Read next: ``check``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from optimizer.base.calendar import read_span
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BoolArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, clock
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS
from optimizer.settings.windows import (
    DaySet,
    SeasonSet,
    Settings,
    Window,
    habits_of,
    months_text,
)

ALL_MONTHS = tuple(range(1, 13))


@dataclass(frozen=True)
class Limit:
    """The highest import that is wanted in some hours; 0 kW: off the grid.

    Parameters
    ----------
    hours : str
        The span of time by the equipment's clock, as ``17:00-21:00``; over midnight if it ends before it
        begins.
    import_kw : float
        The highest import. [kW]
    months : tuple of int
        In which months.
    days : str
        On which days: a name of ``DAY_SETS``.

    Raises
    ------
    Mistake
        If hours, months, days or power cannot be.
    """

    hours: str
    import_kw: float = 0.0
    months: tuple[int, ...] = ALL_MONTHS
    days: str = "every day"
    window: Window = field(init=False, repr=False, compare=False)
    weekdays: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        begin, end = read_span(self.hours)
        if not (np.isfinite(self.import_kw) and self.import_kw >= 0):
            raise Mistake(
                f"import_kw is {self.import_kw:g}, no power", "Give 0 or more kW.", "import_kw"
            )
        if not self.months or not set(self.months) <= set(ALL_MONTHS):
            raise Mistake(
                f"the months {list(self.months)} are not each one of 1 to 12",
                "Write them as 6-9, or as 6,7,8.",
                "months",
            )
        known = {name: days for sets in DAY_SETS.values() for name, days in sets.items()}
        if self.days not in known:
            raise Mistake(
                f"the days {self.days!r} are none of {', '.join(known)}", "Choose one.", "days"
            )
        window = Window(
            start=clock(begin % MINUTES_PER_DAY), end=clock(end), action="limit",
            import_cap_kw=float(self.import_kw),
        )  # fmt: skip
        object.__setattr__(self, "window", window)
        object.__setattr__(self, "weekdays", known[self.days])

    @property
    def words(self) -> str:
        """The limit as people say it: ``weekdays 17:00–21:00, June–September: stay off the grid``."""
        months = months_text(sorted(set(self.months)))
        return f"{self.days} {self.window.span()}, {months}: {self.window.words()}"

    def span_shifted(self, minutes: int) -> str:
        """Return its hours, so much later by the clock; those of a whole day are the same. [min]"""
        begin, length = self.window.begin, self.window.length
        if length == MINUTES_PER_DAY:
            return self.window.span()
        start, end = (clock((time + minutes) % MINUTES_PER_DAY) for time in (begin, begin + length))
        return self.window.model_copy(update={"start": start, "end": end}).span()

    def holds(self, grid: TimeGrid, controls: Controls) -> BoolArray:
        """Return in which steps it holds by the equipment's clock, shape (T,); a step by its beginning."""
        habits = habits_of(controls) | {"precedence": None}
        day_sets = [
            DaySet(days=days, windows=[self.window] if day in self.weekdays else [])  # type: ignore[arg-type]
            for days, (day,) in DAY_SETS["each_day"].items()
        ]
        alone = Settings(
            settings="limit", floor_pct=0,
            seasons=[SeasonSet(months=sorted(set(self.months)), day_sets=day_sets)], **habits,
        )  # fmt: skip
        every = np.zeros((MINUTES_PER_DAY, 7), dtype=bool)
        for place in alone.places():
            every |= alone.weekdays_of(place, np.arange(MINUTES_PER_DAY))
        minute, weekday = alone.clock_of(grid)
        held = every[minute - minute % grid.step_minutes, weekday]
        return np.asarray(held & np.isin(grid.month, self.months))


def read_months(text: str) -> tuple[int, ...]:
    """Return months as numbers, from ``6-9``, ``11-2`` or ``3,6-8``.

    Raises
    ------
    Mistake
        If the text names none.
    """
    months = list[int]()
    for part in text.replace("–", "-").split(","):
        ends = [int(end) if end.strip().isdecimal() else 0 for end in part.split("-")]
        if len(ends) > 2 or not all(1 <= end <= 12 for end in ends):
            raise Mistake(
                f"{text!r} are no months", "Write 6-9, or 11-2 over the new year, or 3,6.", "months"
            )
        months += [(ends[0] - 1 + n) % 12 + 1 for n in range((ends[-1] - ends[0]) % 12 + 1)]
    return tuple(sorted(set(months)))


def with_limit(settings: Settings, limit: Limit, controls: Controls) -> Settings:
    """Return settings with a limit of the import added; nothing is checked against the controls.

    Months and days that are limited in part are told apart.

    Raises
    ------
    Mistake
        If windows over midnight would have to be split that go on into the next day.
    """
    seasons, free = list[SeasonSet](), set(limit.months)
    for season in settings.seasons:
        inside = [month for month in season.months if month in free]
        outside = [month for month in season.months if month not in free]
        if inside:
            day_sets = _limited(season.day_sets, limit, controls)
            seasons.append(season.model_copy(update={"months": inside, "day_sets": day_sets}))
        if outside:
            seasons.append(season.model_copy(update={"months": outside}))
        free -= set(inside)
    if free:
        bare = [_named(days) for days in controls.day_sets()]
        seasons.append(SeasonSet(months=sorted(free), day_sets=_limited(bare, limit, controls)))
    return Settings.model_validate(
        settings.model_dump() | {"seasons": [season.model_dump() for season in _joined(seasons)]}
    )


def is_split(settings: Settings, limit: Limit, controls: Controls) -> bool:
    """Tell whether any window must be divided where a limit begins or ends."""
    inside = limit.window.minutes()
    return any(
        0 < np.count_nonzero(window.minutes() & inside) < window.length
        for season in settings.seasons if set(season.months) & set(limit.months)
        for part in season.day_sets if set(part.weekdays) & set(limit.weekdays)
        for window in _concerned(part.windows, controls)
    )  # fmt: skip


def _joined(seasons: Sequence[SeasonSet]) -> list[SeasonSet]:
    """Return season sets, those that hold the same as one."""
    joined = list[SeasonSet]()
    for season in seasons:
        for place, other in enumerate(joined):
            if other.day_sets == season.day_sets and other.floor_pct == season.floor_pct:
                months = sorted([*other.months, *season.months])
                joined[place] = other.model_copy(update={"months": months})
                break
        else:
            joined.append(season)
    return joined


def _named(days: str, windows: Sequence[Window] = ()) -> DaySet:
    return DaySet.model_validate({"days": days, "windows": [w.model_dump() for w in windows]})


def _limited(parts: Sequence[DaySet], limit: Limit, controls: Controls) -> list[DaySet]:
    """Return the day sets of a season with the limit on its days, divided where they must be."""
    return [
        _named(part.days, _under(part.windows, limit, controls))
        if set(part.weekdays) <= set(limit.weekdays)
        else part
        for part in _divided(parts, limit.weekdays)
    ]


def _divided(parts: Sequence[DaySet], weekdays: Sequence[int]) -> list[DaySet]:
    """Return day sets so fine that each lies in the weekdays or outside; the coarsest that do."""
    wanted = set(weekdays)
    edges = [wanted, set(range(7)) - wanted, *(set(part.weekdays) for part in parts)]
    if all(set(part.weekdays) <= wanted or not set(part.weekdays) & wanted for part in parts):
        return list(parts)
    kinds = [
        sets for sets in DAY_SETS.values()
        if all(set(days) <= edge or not set(days) & edge for days in sets.values() for edge in edges)
    ]  # fmt: skip
    return [
        _named(days, part.windows)
        for days, numbers in kinds[0].items()
        for part in parts
        if set(numbers) <= set(part.weekdays)
    ]


def _under(windows: Sequence[Window], limit: Limit, controls: Controls) -> list[Window]:
    """Return the windows of a day set under the limit: a list of limits, or caps of all windows."""
    listed = "limit" in controls.menu.actions
    action = "limit" if listed else "hold" if controls.outside == "hold" else "cover"
    concerned = _concerned(windows, controls)
    inside = limit.window.minutes()
    met = [window for window in concerned if (window.minutes() & inside).any()]
    if (
        controls.goes_on_next_day
        and met
        and any(window.is_over_midnight for window in (*met, limit.window))
    ):
        raise Mistake(
            f"the limit {limit.window.span()} would split the windows"
            f" {', '.join(window.span() for window in met)} after midnight, but those go on on the next day",
            "Give hours within one day, or describe a list of limits in controls if the menu has one.",
            "hours",
        )
    empty = inside.copy()
    for window in concerned:
        empty &= ~window.minutes()
    cap = limit.window.import_cap_kw
    holes = [
        Window(start=start, end=end, action=action, import_cap_kw=cap)  # type: ignore[arg-type]
        for start, end in _spans(empty)
    ]
    split = [
        piece
        for window in windows
        for piece in (_split(window, limit) if window in met else [window])
    ]
    return sorted([*split, *holes], key=lambda window: window.begin)


def _concerned(windows: Sequence[Window], controls: Controls) -> list[Window]:
    """Return the windows that a limit must share the day with: other limits, or all without such a list."""
    listed = "limit" in controls.menu.actions
    return [window for window in windows if window.action == "limit" or not listed]


def _split(window: Window, limit: Limit) -> Iterator[Window]:
    """Yield the parts of a window, those inside the limit's hours under its cap."""
    held, inside = window.minutes(), limit.window.minutes()
    for part, caps in ((held & ~inside, ()), (held & inside, (limit.window.import_cap_kw,))):
        cap = min((c for c in (*caps, window.import_cap_kw) if c is not None), default=None)
        for start, end in _spans(part):
            yield window.model_copy(update={"start": start, "end": end, "import_cap_kw": cap})


def _spans(minutes: BoolArray) -> list[tuple[str, str]]:
    """Return the runs of minutes around the clock, as times of begin and end."""
    if minutes.all():
        return [("00:00", "24:00")]
    begins = np.flatnonzero(minutes & ~np.roll(minutes, 1))
    ends = np.flatnonzero(minutes & ~np.roll(minutes, -1)) + 1
    if len(begins) and ends[0] <= begins[0]:
        ends = np.roll(ends, -1)
    return [(clock(int(b)), clock(int(e))) for b, e in zip(begins, ends, strict=True)]
