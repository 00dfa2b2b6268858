"""Eight menus, from poor to rich, each described by what it holds: for tests and for the bench.

They are invented: none is that of any equipment. ``MENUS`` holds what stands under ``controls``; a menu is
called by its number, and told by the numbers of its entries and their fields.
"""

from __future__ import annotations

from typing import Any

from optimizer.settings.controls import Controls

MENUS: dict[int, dict[str, Any]] = {
    1: {
        "lists": [{"name": "filling", "actions": ["charge"], "entries": 1, "fields": ["start", "end"]}],
        "minutes": 60, "season_sets": 1, "day_types": "every_day", "over_midnight": False,
        "last_minute": "23:59",
    },
    2: {
        "lists": [
            {"name": "filling", "actions": ["charge"], "entries": 1, "fields": ["start", "end"],
             "once": ["level"]},
            {"name": "giving", "actions": ["cover"], "entries": 1, "fields": ["start", "end"]},
        ],
        "outside": "idle", "season_sets": 1, "day_types": "every_day",
    },
    3: {
        "lists": [
            {"name": "filling", "actions": ["charge"], "entries": 3, "fields": ["start", "end"],
             "once": ["level", "power"], "power": {"to_kw": 20, "step_kw": 0.5}},
            {"name": "giving", "actions": ["cover"], "entries": 3, "fields": ["start", "end"],
             "once": ["level"], "level": {"from_pct": 10, "step_pct": 5}},
        ],
        "outside": "idle", "season_sets": 1, "day_types": "every_day", "over_midnight": False,
        "whole_day": False, "last_minute": "23:59", "unused": "00:00 to 00:00",
    },
    4: {
        "lists": [
            {"name": "the day", "actions": ["charge", "cover"], "entries": 5,
             "fields": ["start", "level", "grid"], "minutes": 5, "fills_day": True},
        ],
        "season_sets": 1, "day_types": "every_day", "over_midnight": False,
        "unused": "as the entry before",
    },
    5: {
        "lists": [
            {"name": "entries", "actions": ["charge", "hold", "cover"], "entries": 6,
             "fields": ["days", "start", "end", "action", "level"]},
        ],
        "season_sets": 2, "minutes": 15, "after_midnight": "next day",
    },
    6: {
        "lists": [
            {"name": "filling", "actions": ["charge"], "entries": 2,
             "fields": ["start", "end", "level", "power"]},
            {"name": "selling", "actions": ["sell"], "entries": 2, "fields": ["start", "end", "level"],
             "once": ["power"]},
            {"name": "limits", "actions": ["limit"], "entries": 2, "fields": ["start", "end", "cap"],
             "day_types": "every_day"},
        ],
        "outside": "cover", "season_sets": 2, "overlap": True,
        "precedence": ["limits", "selling", "filling"], "summer_time": False,
    },
    7: {
        "lists": [
            {"name": "filling", "actions": ["charge", "hold"], "entries": 4,
             "fields": ["start", "end", "action", "level", "power"]},
            {"name": "giving", "actions": ["cover", "sell"], "entries": 3,
             "fields": ["start", "end", "action", "level", "power"]},
            {"name": "limits", "actions": ["limit"], "entries": 4, "fields": ["start", "end", "cap"],
             "cap": {"step_kw": 0.5}},
        ],
        "outside": "hold", "season_sets": 4, "power_step_pct": 5, "soc_step_pct": 1,
    },
    8: {
        "lists": [
            {"name": "windows", "actions": ["charge", "hold", "cover", "sell"], "entries": 6,
             "fields": ["start", "end", "action", "level", "power", "cap"]},
        ],
        "season_sets": 4, "minutes": 15,
    },
}  # fmt: skip


def controls_of(number: int) -> Controls:
    """Return the controls with one of the menus."""
    return Controls.model_validate(MENUS[number])


def told(number: int) -> str:
    """Return a menu by numbers of entries and fields: ``3 + 3 entries; level, power once``."""
    lists = controls_of(number).menu.lists
    entries = " + ".join(str(each.entries) for each in lists)
    fields = dict.fromkeys(field for each in lists for field in each.fields)
    once = dict.fromkeys(field for each in lists for field in each.once)
    parts = [f"{entries} entries", ", ".join(fields)]
    return "; ".join([*parts, f"once {', '.join(once)}"] if once else parts)
