"""Tells what richer controls would bring, where the ones there are leave much on the table.

What a single step of richness is worth (one entry more, a field of its own for each entry) is the difference
of what windows save on weeks not fitted to. The menu as it is is searched first, with more work; each richer
one starts from what was found, on the same weeks, so that it loses nothing. Differences are as noisy as the
search: the same menu is searched once more like the steps, with a fifth less and a quarter more work, and
whatever that changes is noise. A richer menu can do all that a poorer one does, so what a step seems to lose
is noise as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from pydantic import ValidationError

from optimizer.forecasting.weeks import Weather
from optimizer.search.choose import EFFORTS, LEAST_GAIN, Effort, Found, Likeness, find_settings
from optimizer.search.fit import MonthGroups
from optimizer.search.score import Task
from optimizer.settings.controls import SHORT_KEYS, Controls
from optimizer.settings.menu import DAY_SETS, USES, Action, DayTypes, EntryList, Menu, OnceField

POOR_SHARE = 0.1
"""Richer controls are told of if they save at least this share of the possible saving more."""

RICH_WINDOWS, RICH_SEASONS = 4, 2


@dataclass(frozen=True)
class Richer:
    """What is lacking, in words, and what having it would save more, on weeks not fitted to."""

    lacking: tuple[str, ...]
    saves_more: float


def what_richer_would_bring(
    task: Task, weather: Weather, found: Found, groupings: Sequence[MonthGroups]
) -> Richer | None:
    """Return what richer controls would save more; None if nothing is lacking, or little gained.

    Parameters
    ----------
    task : Task
        What was searched for.
    weather : Weather
        The weeks; without folds nothing is told.
    found : Found
        What the search found with the controls as they are.
    groupings : sequence of groups of months
        Those that richer controls would store, the tariff's own first.
    """
    lacking = lacks(task.controls, has_peaks=any(task.cost.peaks()), sells=task.plant.may_export_stored,
                    buys=task.plant.may_charge_from_grid)  # fmt: skip
    if not lacking or not weather.has_folds or task.can_save <= 0:
        return None
    rich = find_settings(
        replace(task, controls=enriched(task.controls)), weather, "richer", groupings,
        EFFORTS["quick"],
    )  # fmt: skip
    more = _unseen(rich) - _unseen(found)
    return Richer(tuple(lacking), more) if more >= POOR_SHARE * task.can_save else None


def lacks(controls: Controls, *, has_peaks: bool, sells: bool, buys: bool) -> list[str]:
    """Return what the controls lack that could matter for a tariff and a plant."""
    menu = controls.menu
    wanted: list[tuple[Action, bool]] = [("charge", buys), ("hold", True), ("sell", sells)]
    missing = [f"the action '{action}'" for action, matters in wanted
               if matters and action not in menu.actions]  # fmt: skip
    if sum(each.entries for each in menu.lists if not each.only_limits) < RICH_WINDOWS:
        missing.insert(0, f"{RICH_WINDOWS} windows a day")
    for each in menu.lists:
        missing += [f"a {field} of its own for each entry of {each.name!r}" for field in each.once]
    if controls.season_sets < RICH_SEASONS:
        missing.append(f"{RICH_SEASONS} season sets")
    if len(menu.day_sets) == 1:
        missing.append("windows of their own for weekends")
    if has_peaks and not any(each.has("cap") for each in menu.lists):
        missing.append("import caps")
    if menu.outside != "cover":
        missing.append("covering the building outside its entries")
    return missing


def enriched(controls: Controls) -> Controls:
    """Return the controls with all that they may lack: one list of all actions and fields."""
    return controls.model_copy(
        update={
            "windows_per_day": max(controls.windows_per_day, RICH_WINDOWS),
            "most_entries": None,
            "season_sets": max(controls.season_sets, RICH_SEASONS),
            "day_types": "weekday_weekend"
            if controls.day_types == "every_day"
            else controls.day_types,
            "actions": ["charge", "hold", "cover", "sell"],
            "import_cap": True,
            "lists": None,
            "overlap": False,
            "precedence": None,
            "outside": "cover",
        }
    )


# Single steps ---------------------------------------------------------------------------------------


class Step(NamedTuple):
    """A menu one step richer, and what it has more, in words."""

    words: str
    controls: Controls


@dataclass(frozen=True)
class Steps:
    """What single steps of richness save more over the forecast, on weeks not fitted to. [money]

    ``saves`` is what the menu as it is saves, ``all_more`` what one that lacks nothing would save more.
    ``noise`` is how far differences are off by the search alone. ``untried`` are steps with which the search
    would do nothing else.
    """

    saves: float
    steps: tuple[tuple[str, float], ...]
    all_more: float
    noise: float
    replays: int
    untried: tuple[str, ...] = ()


FIRST_WORK = 2.5
"""The menu as it is is searched with so many times the work of a step."""

WORK_VARIED = (0.8, 1.25)
"""Then again with this much of a step's work, to see what the search alone changes."""

ORDINALS = (
    "",
    "first",
    "second",
    "third",
    "fourth",
    "fifth",
    "sixth",
    "seventh",
    "eighth",
    "ninth",
)

MOST_ENTRIES, MOST_SEASONS = 60, 12
"""The most that a description can say."""


def what_steps_bring(
    task: Task,
    weather: Weather,
    groupings_of: Callable[[Controls], Sequence[MonthGroups]],
    effort: Effort,
    progress: Callable[[str], None] = lambda _done: None,
) -> Steps:
    """Return what each single step of richness would save more; weather must have folds.

    Parameters
    ----------
    task : Task
        What is searched for, with the menu as it is.
    weather : Weather
        The weeks, of which every other is kept back.
    groupings_of : callable
        Returns the groups of months that are tried with a menu.
    effort : Effort
        Work allowed for each menu.
    progress : callable
        Is told what is being done.
    """
    replays = 0

    def found(controls: Controls, times: float, starts: Likeness | None) -> Found:
        nonlocal replays
        work = Effort(times * effort.fold_replays, times * effort.replays)
        with_it = replace(task, controls=controls)
        groups = groupings_of(controls)
        best = find_settings(with_it, weather, "step", groups, work, starts or ())
        replays += best.replays
        return best

    def saved(controls: Controls, times: float = 1.0) -> float:
        return _unseen(found(controls, times, first.likeness))

    progress("searching the menu as it is")
    first = found(task.controls, FIRST_WORK, None)
    base = _unseen(first)
    progress("searching it once more, to see what the search alone changes")
    noise = [abs(saved(task.controls, times) - base) for times in WORK_VARIED]
    steps, untried = list[tuple[str, float]](), list[str]()
    for step in one_step_richer(
        task.controls, has_peaks=any(task.cost.peaks()), sells=task.plant.may_export_stored,
        buys=task.plant.may_charge_from_grid,
    ):  # fmt: skip
        if step.controls.season_sets > task.controls.season_sets and groupings_of(
            step.controls
        ) == groupings_of(task.controls):
            untried.append(step.words)  # months would be grouped in no other ways
            continue
        progress(f"searching with {step.words}")
        steps.append((step.words, saved(step.controls) - base))
    progress("searching a menu that lacks nothing")
    all_more = saved(enriched(task.controls)) - base
    noise += [-more for more in (all_more, *(more for _, more in steps)) if more < 0]
    return Steps(base, tuple(steps), all_more, max([*noise, LEAST_GAIN]), replays, tuple(untried))


def _unseen(found: Found) -> float:
    return found.sizes[found.recommended].unseen or 0.0


def one_step_richer(
    controls: Controls, *, has_peaks: bool, sells: bool, buys: bool
) -> Iterator[Step]:
    """Yield each menu that holds one thing more, of what could matter for a tariff and a plant."""
    lists = _as_lists(controls)
    yield from _more_entries(controls, lists)
    yield from _more_fields(controls, lists, has_peaks=has_peaks)
    wanted: list[tuple[Action, bool]] = [
        ("charge", buys), ("hold", True), ("sell", sells), ("cover", controls.outside != "cover"),
    ]  # fmt: skip
    for action, matters in wanted:
        if matters and action not in controls.menu.actions:
            yield _with_action(controls, lists, action)
    yield from _more_days_and_months(controls, lists)
    if controls.outside != "cover" and not any(
        each.fills_day and "cover" not in each.actions for each in lists
    ):
        words = "covering the building outside its entries"
        yield Step(words, _with(controls, lists, outside="cover"))
    if not controls.over_midnight:
        yield Step("entries that cross midnight", _with(controls, lists, over_midnight=True))


def _as_lists(controls: Controls) -> list[EntryList]:
    """Return the lists of a menu; the short keys describe one."""
    if controls.lists is not None:
        return list(controls.lists)
    (only,) = controls.menu.lists
    actions, fields = list(only.actions), list(only.fields)
    return [EntryList(name=only.name, actions=actions, entries=max(only.entries, 1), fields=fields)]


def _with(controls: Controls, lists: Iterable[EntryList], **changes: Any) -> Controls:
    """Return controls with other lists and keys, checked."""
    known = controls.model_dump(exclude={*SHORT_KEYS, "lists"})
    return Controls.model_validate(
        known | {"lists": [each.model_dump() for each in lists]} | changes
    )


def _changed(lists: Sequence[EntryList], number: int, **changes: Any) -> list[EntryList]:
    """Return the lists, one of them changed; nothing is checked before they are put together."""
    return [
        each.model_copy(update=changes) if place == number else each
        for place, each in enumerate(lists)
    ]


def _of(lists: Sequence[EntryList], each: EntryList) -> str:
    return "" if len(lists) == 1 else f" of {each.name!r}"


def _more_entries(controls: Controls, lists: Sequence[EntryList]) -> Iterator[Step]:
    if controls.lists is None and not controls.windows_per_day:
        yield Step("a first entry", _with(controls, lists))
        return
    for number, each in enumerate(lists):
        more = each.entries + 1
        if more <= MOST_ENTRIES:
            place = ORDINALS[more] if more < len(ORDINALS) else f"{more}th"
            yield Step(
                f"{'an' if place == 'eighth' else 'a'} {place} entry{_of(lists, each)}",
                _with(controls, _changed(lists, number, entries=more)),
            )
    if controls.most_entries is not None:
        words = "room for one entry more over all months and days"
        yield Step(words, _with(controls, lists, most_entries=controls.most_entries + 1))


def _more_fields(
    controls: Controls, lists: Sequence[EntryList], *, has_peaks: bool
) -> Iterator[Step]:
    menu = controls.menu
    for number, each in enumerate(lists):
        for field in each.once:
            once = [name for name in each.once if name != field]
            changed = _changed(lists, number, fields=[*each.fields, field], once=once)
            words = f"a {_FIELD_WORDS[field]} of its own for each entry{_of(lists, each)}"
            yield Step(words, _with(controls, changed))
        for field in _missing(menu, number):
            changed = _changed(
                lists, number, fields=[*each.fields, field], power=_power_like(lists, each)
            )
            words = f"a {_FIELD_WORDS[field]} for each entry{_of(lists, each)}"
            yield Step(words, _with(controls, changed))
    if has_peaks and not any(each.has("cap") for each in menu.lists):
        capped = [each.model_copy(update={"fields": [*each.fields, "cap"]}) for each in lists]
        yield Step("an import cap for each entry", _with(controls, capped))


_FIELD_WORDS: dict[OnceField, str] = {
    "level": "level",
    "power": "power",
    "grid": "choice of filling from PV alone",
    "cap": "import cap",
}


def _missing(menu: Menu, number: int) -> list[OnceField]:
    """Return the fields that a list has not, and its actions have a use for; caps apart."""
    each = menu.lists[number]
    fields: list[OnceField] = ["level", "power"]
    lacking = [
        name for name in fields if not each.has(name) and set(USES[name]) & set(each.actions)
    ]
    takes_no_grid = each.takes_no_grid or "charge" not in each.actions or "power" in lacking
    return lacking if takes_no_grid else [*lacking, "grid"]


def _power_like(lists: Sequence[EntryList], each: EntryList) -> Any:
    """Return in which powers a list would step: as it says, or as the others that have some do."""
    others = [one.power for one in lists if "power" in [*one.fields, *one.once]]
    return (others or [each.power])[0]


def _with_action(controls: Controls, lists: Sequence[EntryList], action: Action) -> Step:
    """Return the menu with an action more: in the list of its kind, or else one entry of its own."""
    kinds = ({"charge", "hold"}, {"cover", "sell"})
    kind = next(kind for kind in kinds if action in kind)
    like = [number for number, each in enumerate(lists) if kind & set(each.actions)]
    number = (like or [0])[0]
    each = lists[number]
    words = f"entries{_of(lists, each)} that {action}"
    more = _changed(lists, number, actions=[*each.actions, action])
    try:
        return Step(words, _with(controls, more))
    except ValidationError:  # what stands once in that list would not fit both
        own = EntryList(
            name=action, actions=[action], entries=1, power=_power_like(lists, lists[0])
        )
        ranks = None if controls.precedence is None else [*controls.precedence, action]
        return Step(f"an entry that {action}s", _with(controls, [*lists, own], precedence=ranks))


def _more_days_and_months(controls: Controls, lists: Sequence[EntryList]) -> Iterator[Step]:
    kinds: list[DayTypes] = list(DAY_SETS)
    finest = max(kinds.index(each.day_types) for each in controls.menu.lists)
    alike = all(kinds.index(each.day_types) == finest for each in controls.menu.lists)
    target = finest + 1 if alike else finest
    if target < len(kinds):
        same = [each.model_copy(update={"day_types": None}) for each in lists]
        *others, last = DAY_SETS[kinds[target]]
        words = f"entries of their own for {', '.join(others)} and {last}"
        words += "" if alike else ", in every list"
        yield Step(words, _with(controls, same, day_types=kinds[target]))
    more = controls.season_sets + 1
    if more <= MOST_SEASONS:
        place = ORDINALS[more] if more < len(ORDINALS) else f"{more}th"
        yield Step(f"a {place} set of months", _with(controls, lists, season_sets=more))
