"""Settings in use and what to change about them: the fewest entries that each earn their sum.

The search starts from what is typed in. Every entry that differs from it must earn a stated sum over
the coming season, on weeks that it was fitted to and on weeks that it was not; what earns less stays
as it is. Months that the coming season does not hold keep their windows.

A renewal is the same search with another zero. Sizes count entries to type; where settings are in
use, the entries that differ. Each pays a toll, the way windows did before; the curve of
simplicity becomes one of changes. What is advised must gain its toll on weeks not fitted to *and*
in the mean of both, and going to the equipment counts as one change more. Without the second
condition a home's demand settings were changed for the worse in one quarter of four (68 to 62 of
78).

Margins spare what is in use: caps and levels typed in have theirs already.

Read next: ``richer``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.units import number
from optimizer.base.words import later, say
from optimizer.forecasting.weeks import Weather
from optimizer.search.choose import Effort, Found, find_settings
from optimizer.search.drafts import Draft, draft_of, drafts_of, not_below
from optimizer.search.fit import MonthGroups, settings_of
from optimizer.search.score import InUse, Task
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS, Menu, OnceField
from optimizer.settings.windows import (
    KEY_OF,
    DaySet,
    SeasonSet,
    Settings,
    Window,
    field_text,
    months_text,
    refuse_overlap,
)
from optimizer.site.equipment import Plant

SAME_PCT = 1e-6
"""Floors that differ by less are the same. [%]"""

LOWEST = later("the lowest level that the scenario allows")
WISHED = later("for the endurance that is wished for")


@dataclass(frozen=True)
class Change:
    """One entry to change, add or remove: on which weekdays of which months, and where it stands.

    ``place`` is its season and its day sets in the new settings, several where the menu takes it for them
    together; None for one that is removed with the whole set in which it stood. ``is_whole`` tells
    whether it holds for all of that place's days. ``once`` are fields that stand once for its list, which
    a change of an entry does not tell.
    """

    months: tuple[int, ...]
    weekdays: tuple[int, ...]
    before: Window | None
    after: Window | None
    place: tuple[int, tuple[int, ...]] | None
    is_whole: bool
    once: tuple[OnceField, ...] = ()

    @property
    def kind(self) -> Literal["change", "add", "remove"]:
        """What a person does."""
        if self.before is None:
            return "add"
        return "remove" if self.after is None else "change"

    def sentence(self, whole_kw: float | None = None) -> str:
        """Return what to do in words; ``whole_kw`` is 100 % where powers are typed in per cent."""
        where = f"{days_text(self.weekdays)}, {months_text(list(self.months))}"
        told = [
            f"{window.span()} {_without(window, self.once).words(whole_kw)}".rstrip()
            for window in (self.before, self.after)
            if window is not None
        ]
        if self.kind == "change":
            return say(
                "{where}: change {before} into {after}", where=where, before=told[0], after=told[1]
            )
        if self.kind == "add":
            return say("{where}: add {window}", where=where, window=told[0])
        return say("{where}: remove {window}", where=where, window=told[0])


@dataclass(frozen=True)
class OnceChange:
    """A field that stands once for a list, to be typed in anew: for the months of a season.

    ``before`` and ``after`` are windows that show its values.
    """

    months: tuple[int, ...]
    list_name: str
    field: OnceField
    before: Window
    after: Window
    season: int
    kind: Literal["change"] = "change"

    def sentence(self, whole_kw: float | None = None) -> str:
        """Return what to do in words; ``whole_kw`` is 100 % where powers are typed in per cent."""
        was, now = (
            field_text(window, self.field, whole_kw) for window in (self.before, self.after)
        )
        return say(
            "{months}, all entries of {list}: change {field} from {before} to {after}",
            months=months_text(list(self.months)), list=repr(self.list_name), field=say(self.field),
            before=was, after=now,
        )  # fmt: skip


@dataclass(frozen=True)
class RaisedFloor:
    """A floor to be typed in higher in some months, and what for. [%]"""

    months: tuple[int, ...]
    before_pct: float
    after_pct: float
    why: str
    kind: Literal["floor"] = "floor"

    def sentence(self, _whole_kw: float | None = None) -> str:
        """Return what to do in words."""
        months = months_text(list(self.months))
        return say("{months}: raise the floor {span}", months=months, span=self.span())

    def span(self) -> str:
        """Return the floor before and after: ``from 10 to 30 %``."""
        low, high = number(self.before_pct), number(self.after_pct)
        return say("from {low} to {high} %", low=low, high=high)


def raised_floors(before: Settings, after: Settings, plant: Plant) -> tuple[RaisedFloor, ...]:
    """Return the floors that new settings raise: to the plant's own, or above it for an endurance."""
    of_floors: dict[tuple[float, float], list[int]] = {}
    for month in range(1, len(MONTH_NAMES) + 1):
        floors = before.floor_in(month), after.floor_in(month)
        if floors[1] > floors[0] + SAME_PCT:
            of_floors.setdefault(floors, []).append(month)
    lowest = plant.soc_pct(plant.low_kwh)
    return tuple(
        RaisedFloor(tuple(months), *floors, LOWEST if floors[1] <= lowest + SAME_PCT else WISHED)
        for floors, months in of_floors.items()
    )


def days_text(weekdays: Sequence[int]) -> str:
    """Return weekdays as a day set is called, or one after another."""
    for sets in DAY_SETS.values():
        for name, days in sets.items():
            if set(days) == set(weekdays):
                return say(name)
    return ", ".join(say(name) for name, (day,) in DAY_SETS["each_day"].items() if day in weekdays)


def groups_in_use(settings: Settings, months: Sequence[int], controls: Controls) -> MonthGroups:
    """Return the months of a forecast as the settings in use group them.

    Months that no season set names are a group of their own, if the controls store one more set, or
    if the coming season leaves one unused that can be written over.
    """
    sets = [tuple(m for m in season.months if m in months) for season in settings.seasons]
    named = {month for season in settings.seasons for month in season.months}
    rest = tuple(month for month in months if month not in named)
    used = sum(map(bool, sets))
    if rest and used < controls.season_sets:
        sets.append(rest)
    return tuple(group for group in sets if group)


def holds_all_months(settings: Settings, months: Sequence[int]) -> bool:
    """Tell whether a forecast holds every month for which windows are typed in."""
    return all(set(season.months) <= set(months) for season in settings.seasons)


def find_changes(
    task: Task,
    weather: Weather,
    settings: Settings,
    effort: Effort,
    per_change: float,
    progress: Callable[[str], None] = lambda _told: None,
) -> Found:
    """Find what to change about settings in use.

    Parameters
    ----------
    task : Task
        Equipment, cost and the plan of the coming season.
    weather : Weather
        The weeks from which plausible seasons are made.
    settings : Settings
        What is typed in.
    effort : Effort
        Work allowed.
    per_change : float
        What each change must earn over the season. [money]
    progress : callable
        Is told what is being done.

    Returns
    -------
    Found
        Sizes count changes, the first of them none; each size's settings are whole.
    """
    groups = groups_in_use(settings, task.grid.months, task.controls)
    in_use = [
        InUse(drafts_of(settings, group, task.controls, task.plant), per_change)
        for group in groups
    ]  # fmt: skip
    found = find_settings(task, weather, settings.settings, [groups], effort, (), progress, in_use)
    sizes = tuple(
        replace(size, settings=renewed(settings, groups, size.settings, task.plant, task.controls))
        for size in found.sizes
    )
    return replace(found, sizes=sizes)


def renewed(
    before: Settings, groups: MonthGroups, found: Settings, plant: Plant, controls: Controls
) -> Settings:
    """Return settings in use with what was found for each group of months put in their place.

    Windows for months that no set names go into a new set, or over one that no group uses.
    """
    seasons = list(before.seasons)
    unused = [
        n for n, old in enumerate(before.seasons)
        if not any(set(group) & set(old.months) for group in groups)
    ]  # fmt: skip
    for group, season in zip(groups, found.seasons, strict=True):
        place = next(
            (n for n, old in enumerate(before.seasons) if set(group) <= set(old.months)), None
        )
        if place is not None:
            floors = before.floor_in(group[0]), found.floor_in(season.months[0])
            seasons[place] = _as_typed(before.seasons[place], season, plant, floors)
        elif season.floor_pct is not None or any(part.windows for part in season.day_sets):
            if len(seasons) < controls.season_sets:
                seasons.append(season)
            else:
                seasons[unused[0]] = season
    floor_pct = max(before.floor_pct, found.floor_pct)
    found_for = before.found_for if seasons == before.seasons else found.found_for
    return before.model_copy(
        update={"seasons": seasons, "floor_pct": floor_pct, "found_for": found_for}
    )


def find_anew(
    task: Task,
    weather: Weather,
    settings: Settings,
    groupings: Sequence[MonthGroups],
    effort: Effort,
    progress: Callable[[str], None] = lambda _told: None,
) -> Found:
    """Find settings without regard to those in use.

    Where the forecast holds only some of the months that are typed in, months stay grouped as they
    are, and the others keep their windows.
    """
    if holds_all_months(settings, task.grid.months):
        return find_settings(task, weather, settings.settings, groupings, effort, (), progress)
    groups = groups_in_use(settings, task.grid.months, task.controls)
    found = find_settings(task, weather, settings.settings, [groups], effort, [settings], progress)
    sizes = tuple(
        replace(
            size,
            settings=renewed(
                settings, groups, _with_all_groups(size.settings, groups, task), task.plant,
                task.controls,
            ),
        )
        for size in found.sizes
    )  # fmt: skip
    return replace(found, sizes=sizes)


def _with_all_groups(settings: Settings, groups: MonthGroups, task: Task) -> Settings:
    """Return settings with a season set for each group; the size without windows has none."""
    if settings.seasons:
        return settings
    return settings_of(
        settings.settings, groups, [((),) * len(task.controls.day_sets())] * len(groups), task
    )


def _as_typed(
    before: SeasonSet, after: SeasonSet, plant: Plant, floors: tuple[float, float]
) -> SeasonSet:
    """Return a season's new windows and floor; what means what was typed in stays as it was typed.

    ``floors`` are the lowest levels in use and found. [%]
    """
    if after.floor_pct is not None and after.floor_pct > floors[0] + SAME_PCT:
        before = before.model_copy(update={"floor_pct": after.floor_pct})
    if _meaning(before, plant, floors) == _meaning(after, plant, floors):
        return before
    typed = {_means(w, plant, floors): w for part in before.day_sets for w in part.windows}
    day_sets = [
        part.model_copy(
            update={"windows": [typed.get(_means(w, plant, floors), w) for w in part.windows]}
        )
        for part in after.day_sets
    ]
    return before.model_copy(update={"day_sets": day_sets})


def _meaning(season: SeasonSet, plant: Plant, floors: tuple[float, float]) -> dict[str, set[Draft]]:
    return {
        part.days: {_means(window, plant, floors) for window in part.windows}
        for part in season.day_sets
        if part.windows
    }


def _means(window: Window, plant: Plant, floors: tuple[float, float]) -> Draft:
    """Return what a window does where the battery is not drawn below a floor.

    One without a level goes down to the floor, wherever that is raised to; a level that was typed in
    below the new floor has to be typed anew.
    """
    follows = window.action in {"cover", "sell"} and window.down_to_pct is None
    return not_below(draft_of(window, plant), max(floors) if follows else floors[0])


def changes_of(
    before: Settings, after: Settings, plant: Plant, menu: Menu
) -> tuple[Change | OnceChange, ...]:
    """Return the entries in which settings differ, in the order of the new ones.

    Windows are compared for each weekday of each month, so that sets of months or days that are
    divided otherwise are no change where the windows stay; a difference that one new entry makes on
    many days is one change, and so is one of a field that stands once for a list.
    """
    found: dict[_Entry, list[tuple[int, int]]] = {}
    once: dict[tuple[int, str, OnceField], OnceChange] = {}
    for month in range(1, 13):
        for weekday in range(7):
            old, old_place = _on(before, month, weekday)
            new, place = _on(after, month, weekday)
            floors = before.floor_in(month), after.floor_in(month)
            for one, other in _paired(old, new, plant, floors):
                if one is not None and other is not None and place is not None:
                    for change in _once_changes(
                        one, other, menu, after.seasons[place[0]], place[0]
                    ):
                        once.setdefault((place[0], change.list_name, change.field), change)
                    if _own(one, menu) == _own(other, menu):
                        continue
                where = (False, *(old_place or (0, 0)))
                if place is not None:
                    window = other or one
                    where = (True, place[0], _first_typed_with(after, place, window, menu))
                found.setdefault(_Entry(where, one, other), []).append((month, weekday))
    changes = (
        _change_of(entry, days, after, menu)
        for entry, days in sorted(
            found.items(), key=lambda item: (not item[0].where[0], item[0].where)
        )
    )
    return (*once.values(), *changes)


@dataclass(frozen=True)
class _Entry:
    """A difference: whether it has a place in the new settings, that place (or its old one), windows."""

    where: tuple[bool, int, int]
    before: Window | None
    after: Window | None


def _typed_with(
    settings: Settings, place: tuple[int, int], window: Window | None, menu: Menu
) -> tuple[int, ...]:
    """Return the day sets of a season for which a window is typed in together with that of a place."""
    parts = settings.seasons[place[0]].day_sets
    names, known = [str(part.days) for part in parts], list(menu.day_sets)
    if window is None or window.action not in menu.actions or sorted(names) != sorted(known):
        return (place[1],)
    each = menu.list_of(window.action)
    number = known.index(names[place[1]])
    group = next(group for group in menu.groups(each) if number in group)
    together = tuple(sorted(names.index(known[other]) for other in group))
    return tuple(d for d in together if window in parts[d].windows) or together


def _first_typed_with(
    settings: Settings, place: tuple[int, int], window: Window | None, menu: Menu
) -> int:
    return _typed_with(settings, place, window, menu)[0]


def _once_changes(
    one: Window, other: Window, menu: Menu, season: SeasonSet, number: int
) -> Iterator[OnceChange]:
    """Yield the fields that stand once for a list and in which two windows of it differ."""
    if one.action != other.action or one.action not in menu.actions:
        return
    each = menu.list_of(one.action)
    for field in each.once:
        key = KEY_OF.get((field, one.action))
        if key is not None and getattr(one, key) != getattr(other, key):
            months = tuple(sorted(season.months))
            yield OnceChange(months, each.name, field, one, other, number)


def _own(window: Window, menu: Menu) -> Window:
    """Return a window without what stands once for its list."""
    return _without(
        window, menu.list_of(window.action).once if window.action in menu.actions else ()
    )


def _without(window: Window, fields: Sequence[OnceField]) -> Window:
    """Return a window without some fields."""
    keys = [KEY_OF.get((field, window.action)) for field in fields]
    return window.model_copy(update={key: None for key in keys if key is not None})


def _change_of(entry: _Entry, days: list[tuple[int, int]], after: Settings, menu: Menu) -> Change:
    months = tuple(sorted({month for month, _ in days}))
    weekdays = tuple(sorted({weekday for _, weekday in days}))
    is_new, season, day_set = entry.where
    if not is_new:
        return Change(months, weekdays, entry.before, entry.after, None, False)
    together = _typed_with(after, (season, day_set), entry.after or entry.before, menu)
    shown = entry.after or entry.before
    once: tuple[OnceField, ...] = ()
    if entry.before is not None and shown is not None and shown.action in menu.actions:
        once = menu.list_of(shown.action).once
    its_season = after.seasons[season]
    held = sum(len(its_season.day_sets[number].weekdays) for number in together)
    all_days = len(its_season.months) * held
    return Change(
        months, weekdays, entry.before, entry.after, (season, together), len(days) == all_days, once
    )


def _on(
    settings: Settings, month: int, weekday: int
) -> tuple[list[Window], tuple[int, int] | None]:
    """Return the windows of a weekday of a month, and the places of its season and day set."""
    for s, season in enumerate(settings.seasons):
        if month in season.months:
            for d, part in enumerate(season.day_sets):
                if weekday in part.weekdays:
                    return part.windows, (s, d)
    return [], None


def _paired(
    old: Sequence[Window], new: Sequence[Window], plant: Plant, floors: tuple[float, float]
) -> list[tuple[Window | None, Window | None]]:
    """Return what differs: old windows with those that take their place, by the time they share."""
    before = {_means(window, plant, floors): window for window in old}
    after = {_means(window, plant, floors): window for window in new}
    gone = [window for draft, window in before.items() if draft not in after]
    come = [window for draft, window in after.items() if draft not in before]
    pairs: list[tuple[Window | None, Window | None]] = []
    likeness = sorted(
        (-int((one.minutes() & other.minutes()).sum()), one.action != other.action, n, m)
        for n, one in enumerate(gone)
        for m, other in enumerate(come)
    )
    left, right = set(range(len(gone))), set(range(len(come)))
    for _, _, n, m in likeness:
        if n in left and m in right:
            pairs.append((gone[n], come[m]))
            left.discard(n)
            right.discard(m)
    pairs += [(gone[n], None) for n in sorted(left)]
    pairs += [(None, come[m]) for m in sorted(right)]
    return pairs


def without_change(settings: Settings, change: Change | OnceChange) -> Settings | None:
    """Return new settings with one change undone; None if it then would not fit, or stands elsewhere."""
    if isinstance(change, OnceChange):
        return _without_once(settings, change)
    if change.place is None or not change.is_whole:
        return None
    place, numbers = change.place
    season = settings.seasons[place]
    day_sets = list(season.day_sets)
    for each in numbers:
        part = day_sets[each]
        windows = [window for window in part.windows if window != change.after]
        if change.before is not None:
            windows.append(change.before)
        try:
            windows.sort(key=lambda window: window.begin)
            day_sets[each] = DaySet(days=part.days, windows=windows)
            if settings.precedence is None:
                refuse_overlap([window for window in windows if window.action != "limit"])
        except ValueError:
            return None
    return _with_day_sets(settings, place, day_sets)


def _without_once(settings: Settings, change: OnceChange) -> Settings:
    """Return settings with a field that stands once as it was."""
    key = KEY_OF[change.field, change.before.action]
    back = {key: getattr(change.before, key)}
    now = getattr(change.after, key)
    day_sets = [
        part.model_copy(
            update={
                "windows": [
                    window.model_copy(update=back)
                    if window.action == change.after.action and getattr(window, key) == now
                    else window
                    for window in part.windows
                ]
            }
        )
        for part in settings.seasons[change.season].day_sets
    ]
    return _with_day_sets(settings, change.season, day_sets)


def _with_day_sets(settings: Settings, place: int, day_sets: list[DaySet]) -> Settings:
    seasons = list(settings.seasons)
    seasons[place] = seasons[place].model_copy(update={"day_sets": day_sets})
    return settings.model_copy(update={"seasons": seasons})
