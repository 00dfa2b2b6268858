"""The menu in sentences, with an empty card to hold beside the screen, and what its poverty costs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, cast

from optimizer.base.units import money
from optimizer.base.words import later, say
from optimizer.report.card import card_for
from optimizer.report.card_text import card_text
from optimizer.report.shapes import MenuRecord, OneMore
from optimizer.report.wrapping import filled
from optimizer.scenario.scenario import Scenario
from optimizer.search.richer import RICH_SEASONS, RICH_WINDOWS
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS, Menu, MenuList
from optimizer.workflows.menu import MenuWorth

ACTION_WORDS = {
    "charge": later("fill the battery"),
    "hold": later("keep what is stored"),
    "cover": later("cover the building"),
    "sell": later("sell to the grid"),
    "limit": later("limit the import"),
}

FIELD_WORDS = {
    "days": later("days"), "start": later("start"), "end": later("end"), "action": later("action"),
    "level": later("level"), "power": later("power"), "grid": later("whether the grid fills"),
    "cap": later("import cap"),
}  # fmt: skip


def menu_text(scenario: Scenario, worth: MenuWorth | None = None) -> str:
    """Return what the menu holds, what it cannot say, its empty card, and what its poverty costs."""
    controls = scenario.controls
    parts = [
        scenario.name,
        _listed("WHAT THE MENU HOLDS", list(holds(controls))),
        _listed("WHAT IT CANNOT SAY", list(cannot_say(controls))),
        "EMPTY CARD, to hold beside the screen: does each field stand there?\n"
        + card_text(card_for(scenario, None)),
    ]
    if worth is not None:
        parts.append(worth_text(worth))
    return "\n\n".join(part for part in parts if part)


def _listed(title: str, sentences: Sequence[str]) -> str:
    return "\n".join([title, *(filled(one, "  - ") for one in sentences)]) if sentences else ""


# What it holds ----------------------------------------------------------------------------------------


def holds(controls: Controls) -> Iterator[str]:
    """Yield what the menu holds, a sentence a list and one for months, days and the clock."""
    named = [each.fields for each in controls.lists or []]
    for place, each in enumerate(controls.menu.lists):
        yield from _list_holds(each, tuple(named[place]) if named else each.fields)
    if controls.has_calendar:
        yield say(
            "It stores {count} sets of months, each with entries of its own.",
            count=controls.season_sets,
        )
    if controls.most_entries is not None:
        yield say(
            "Over all months and days it stores at most {count} entries.",
            count=controls.most_entries,
        )
    if controls.floor_by_season:
        yield say("Each set of months has a floor of its own.")
    yield say("The end of the day is called {time}.", time=controls.last_minute)


def _list_holds(each: MenuList, named: Sequence[str]) -> Iterator[str]:
    """Yield what a list holds; ``named`` are the fields that its description names."""
    days = say("all days together") if "days" in each.fields else _days(each)
    does = _joined([say(ACTION_WORDS[action]) for action in each.actions], say(" or "))
    if each.entries == 1:
        yield say("{list}: 1 entry for {days}, to {does}.", list=each.name, days=days, does=does)
    else:
        yield say(
            "{list}: {count} entries for {days}, to {does}.",
            list=each.name, count=each.entries, days=days, does=does,
        )  # fmt: skip
    fields = [say(FIELD_WORDS[field]) for field in each.fields if field in named]
    name = repr(each.name)
    yield say("An entry of {list} has: {fields}.", list=name, fields=", ".join(fields))
    if each.grid_tells:
        yield say(
            "An entry that the grid fills charges the battery, one that it does not covers the building."
        )
    if len(fields) < len(each.fields):
        yield say(
            "What it does ('action' on the card) has a field of its own, or the others tell it."
        )
    if each.once:
        once = _joined([say(FIELD_WORDS[field]) for field in each.once], say(" and "))
        yield say(
            "For all entries of {list} together stand once: {fields}.", list=name, fields=once
        )
    if each.fills_day:
        yield say("Entries of {list} fill the day without a hole.", list=name)


def _days(each: MenuList) -> str:
    names = [say(name) for name in DAY_SETS[each.day_types]]
    if len(names) == 1:
        return names[0]
    return say("each of {days}", days=_joined(names, say(" and ")))


def _joined(words: Sequence[str], last: str) -> str:
    *others, end = words
    return f"{', '.join(others)}{last}{end}" if others else end


# What it cannot say -----------------------------------------------------------------------------------


def cannot_say(controls: Controls) -> Iterator[str]:
    """Yield what the menu has no word for."""
    menu = controls.menu
    yield from _lacking_actions(menu)
    for each in menu.lists:
        yield from _list_lacks(each, alone=len(menu.lists) == 1)
    for can, words in (
        (controls.has_calendar, say("Months: what is typed in holds until it is changed.")),
        (len(menu.day_sets) > 1, say("Days of the week: entries hold every day.")),
        (controls.over_midnight, say("An entry that crosses midnight: it takes two.")),
        (controls.whole_day, say("An entry of 24 hours: it takes two.")),
        (
            len(menu.lists) == 1 or controls.overlap,
            say("Two things at once, apart from a limit: entries of two lists may not overlap."),
        ),
    ):
        if not can:
            yield words


def _lacking_actions(menu: Menu) -> Iterator[str]:
    for action, words in ACTION_WORDS.items():
        known = action in menu.actions or action in {"limit", menu.outside}
        if not known:
            yield say("That the equipment should {does} at a given time.", does=say(words))
    if not any(each.has("cap") for each in menu.lists):
        yield say("A limit of the import, or staying off the grid, at a given time.")


def _list_lacks(each: MenuList, *, alone: bool) -> Iterator[str]:
    name = repr(each.name)
    here = say("an entry") if alone else say("an entry of {list}", list=name)
    if not each.has("level"):
        if "charge" in each.actions:
            yield say(
                "How full {entry} fills the battery: it fills it as far as it goes.", entry=here
            )
        if {"cover", "sell"} & set(each.actions):
            yield say(
                "Down to which level {entry} draws the battery: it goes down to the floor.",
                entry=here,
            )
    asks = [
        say(verb)
        for action, verb in (("charge", later("fills")), ("sell", later("sells")))
        if action in each.actions
    ]
    if asks and not each.has("power"):
        yield say(
            "With which power {entry} {does}: it takes all there is.",
            entry=here, does=_joined(asks, say(" or ")),
        )  # fmt: skip
    if "charge" in each.actions and not each.takes_no_grid:
        yield say("That {entry} fills from PV alone.", entry=here)
    for field in each.once:
        if field == "grid":
            yield say(
                "That one entry of {list} fills from the grid and another from PV alone.", list=name
            )
        elif field == "cap":
            yield say(
                "An import cap for one entry of {list} that differs from another's.", list=name
            )
        else:
            yield say(
                "A {field} for one entry of {list} that differs from another's.",
                field=say(FIELD_WORDS[field]), list=name,
            )  # fmt: skip


# What its poverty costs -------------------------------------------------------------------------------


def worth_text(worth: MenuWorth) -> str:
    """Return what each step of richness would save more a year, the best first, as text."""
    steps, currency = worth.steps, worth.brief.currency
    lines = [
        f"WHAT ONE THING MORE WOULD BRING, {currency} a year, on weeks not fitted to",
        f"  {'the menu as it is saves':56}{money(worth.a_year(steps.saves)):>12}",
    ]
    clear = [row for row in _rows(worth) if not row["is_noise"]]
    noise = [row["more"] for row in _rows(worth) if row["is_noise"]]
    lines += [f"  {row['more']:56}{money(row['saves_a_year']):>12}" for row in clear]
    told = "a menu that lacks nothing would save more"
    if steps.all_more > steps.noise:
        lines.append(f"  {told:56}{money(worth.a_year(steps.all_more)):>12}")
    else:
        lines.append("  even a menu that lacks nothing saves no more, beyond noise")
    if noise:
        lines.append(filled(f"Nothing, or less than noise: {'; '.join(noise)}."))
    if steps.untried:
        lines.append(
            filled(
                f"Not searched, for months would be grouped no other way: {'; '.join(steps.untried)}."
            )
        )
    return "\n".join([*lines, *map(filled, how_judged(worth))])


def how_judged(worth: MenuWorth) -> list[str]:
    """Return what the figures are, and what is noise in them."""
    currency = worth.brief.currency
    wished = worth.brief.scenario.file.outage.hours is not None
    return [
        "Each stands alone: windows are searched for with that one thing more, fitted to every other week"
        " and judged on the weeks between. Two things together may bring more than both, or less."
        f" A menu that lacks nothing has {RICH_WINDOWS} or more entries of all actions and fields for"
        f" weekdays and weekends, in {RICH_SEASONS} or more sets of months.",
        f"Differences up to {money(worth.a_year(worth.steps.noise), currency)} a year are noise: so far the"
        " saving moved when the same menu was searched again with a little less and more work, or when a"
        " richer menu seemed to lose, which it cannot in truth. Another effort may find otherwise.",
        *(["Floors are not raised here for the endurance that is wished for."] if wished else []),
    ]


def _rows(worth: MenuWorth) -> list[dict[str, Any]]:
    return worth.frame.to_dict("records")  # type: ignore[return-value]


def menu_record(controls: Controls, worth: MenuWorth | None = None) -> MenuRecord:
    """Return the menu and what its poverty costs as plain data."""
    record: MenuRecord = {
        "lists": [
            {
                "name": each.name, "actions": list(each.actions), "entries": each.entries,
                "fields": list(each.fields), "once": list(each.once),
                "days": list(DAY_SETS[each.day_types]), "minutes": each.minutes,
            }
            for each in controls.menu.lists
        ],
        "season_sets": controls.season_sets,
        "outside": controls.outside,
        "holds": list(holds(controls)),
        "cannot_say": list(cannot_say(controls)),
        "worth": None,
    }  # fmt: skip
    if worth is not None:
        record["worth"] = {
            "currency": worth.brief.currency,
            "effort": worth.effort,
            "saves_a_year": worth.a_year(worth.steps.saves),
            "one_thing_more": cast(list[OneMore], _rows(worth)),
            "lacks_nothing_saves_more_a_year": worth.a_year(worth.steps.all_more),
            "noise_a_year": worth.a_year(worth.steps.noise),
            "not_searched": list(worth.steps.untried),
            "how_judged": how_judged(worth),
        }
    return record
