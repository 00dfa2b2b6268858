"""The card holds exactly what a person types: worked out by hand for each of the eight menus, and read back.

A person's test
---------------
Somebody sits before the equipment with the card and types from left to right, line by line. She does no
arithmetic and looks nothing up: each field that the menu has, of each entry that it has, in its order, holds
a value that the field takes as it stands, or the words that it does not matter. Then the equipment does what
the settings say. ``test_each_field_holds_a_value_to_type`` and ``test_what_is_typed_is_what_was_meant`` do
as she does, for random settings of each menu.
"""

from __future__ import annotations

import codecs
import os
import random
import re
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from markupsafe import Markup

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.documents import Source
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY, clock, money, read_clock
from optimizer.base.writing import PLAIN, Writing
from optimizer.cli.streams import _plainly
from optimizer.report.card import Card, CardEntry, CardList, CardSet, card_of
from optimizer.report.card_fields import Bar, Cell
from optimizer.report.card_text import card_text
from optimizer.report.day_drawing import draw_day
from optimizer.report.renewal import reminders
from optimizer.report.templates import rendered
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.menu import USES, MenuList, Steps
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import orders_of
from optimizer.simulation.step import (
    ACTION,
    CAP,
    ENTRY,
    FLOOR,
    GRID,
    LOWEST,
    OUTSIDE,
    POWER,
    TARGET,
)
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Inverter, Plant
from tests.builders import local_grid, simple_plant
from tests.menus import MENUS, controls_of

PLANT = simple_plant(
    10, 5, inverter=Inverter(ac_limit_kw=5, efficiency_pct=100),
    charge_kw=4.25, floor_pct=10, ceiling_pct=95,
)  # fmt: skip
"""Fills at 4.25 kW at most, gives 5 kW; its floor is 10 %, its ceiling 95 %."""

SOURCE = Source(Path("settings.yaml"), {})
YEAR = list(range(1, 13))
EMPTY = "leave empty"


def window(span: str, action: str, **limits: float) -> Window:
    start, end = span.split("-")
    return Window.model_validate({"start": start, "end": end, "action": action, **limits})


def settings(months: list[int], floor_pct: float = 10, **days: list[Window]) -> Settings:
    """Return settings of one set of months; ``days`` are day sets, written with _ for spaces."""
    day_sets = [
        DaySet.model_validate({"days": name.replace("_", " "), "windows": windows})
        for name, windows in days.items()
    ]
    season = SeasonSet(months=months, day_sets=day_sets)
    return Settings(settings="by hand", floor_pct=floor_pct, seasons=[season])


def shown(each: CardList) -> list[Any]:
    """Return a list of the card as a person sees it: title, what stands once, headings, rows by days."""
    once = [f"{column.heading} {cell}" for column, cell in each.once]
    rows = [(part.days, *map(row, part.entries)) for part in each.parts]
    return [each.title, once, " | ".join(column.heading for column in each.columns), *rows]


def row(entry: CardEntry) -> str:
    return entry.unused or " | ".join(map(str, entry.cells))


def card_by_hand(number: int, typed: Settings) -> Card:
    """Return the card of settings that the menu takes."""
    controls = controls_of(number)
    assert not refusals(typed, controls, PLANT, SOURCE)
    return card_of(controls, PLANT, typed)


# --- eight menus by hand --------------------------------------------------------------------------


def test_menu_1_one_entry_without_a_calendar_whose_day_ends_at_23_59() -> None:
    typed = settings([1, 2, 11, 12], every_day=[window("22:00-24:00", "charge")])
    (only,) = card_by_hand(1, typed).sets
    assert (only.months, only.when) == (
        "November–February", "Type in on 1 November, for November–February."
    )  # fmt: skip
    assert list(map(shown, only.lists)) == [
        ["filling (charge)", [], "start | end", ("every day", "22:00 | 23:59")],
    ]


def test_menu_2_one_level_once_and_two_lists() -> None:
    windows = [window("01:00-05:00", "charge", until_pct=80), window("17:00-21:00", "cover")]
    card = card_by_hand(2, settings(YEAR, every_day=windows))
    (only,) = card.sets
    now = "Type it in now; it holds until something else is typed in."
    assert (only.months, only.when, card.floor) == ("all year", now, "10 %")
    assert list(map(shown, only.lists)) == [
        ["filling (charge)", ["fill to 80 %"], "start | end", ("every day", "01:00 | 05:00")],
        ["giving (cover)", [], "start | end", ("every day", "17:00 | 21:00")],
    ]
    assert card.told == (
        "Outside all entries the equipment neither fills the battery nor draws from it.",
    )


def test_menu_3_level_and_power_once_and_what_unused_entries_hold() -> None:
    """Nothing is limited: the ceiling is typed, and the highest power that the field takes."""
    windows = [window("00:00-04:00", "charge"), window("17:00-24:00", "cover", down_to_pct=20)]
    (only,) = card_by_hand(3, settings(YEAR, every_day=windows)).sets
    unused = "00:00 to 00:00"
    assert list(map(shown, only.lists)) == [
        [
            "filling (charge)",
            ["fill to 95 %", "filling from the grid at most 20 kW (full)"],
            "start | end",
            ("every day", "00:00 | 04:00", unused, unused),
        ],
        ["giving (cover)", ["down to 20 %"], "start | end",
         ("every day", "17:00 | 23:59", unused, unused)],
    ]  # fmt: skip


def test_menu_4_a_day_without_holes_begins_at_midnight_and_has_no_ends() -> None:
    """What is left between windows covers the building down to the floor, for that is done outside."""
    charge = window("02:05-06:00", "charge", until_pct=70)
    card = card_by_hand(4, settings(YEAR, every_day=[charge]))
    (only,) = card.sets
    assert list(map(shown, only.lists)) == [
        [
            "the day", [], "start | level | from the grid",
            (
                "every day",
                "00:00 | down to 10 % | no",
                "02:05 | fill to 70 % | yes",
                "06:00 | down to 10 % | no",
                *["as the entry before"] * 2,
            ),
        ]
    ]  # fmt: skip
    assert card.told == ("An entry lasts until the next one begins, the last one until the first.",)


def test_menu_5_entries_say_their_days_and_nights_end_on_the_next() -> None:
    evening = window("17:00-21:00", "cover")
    night = window("22:00-06:00", "charge", until_pct=90)
    typed = settings([1, 2, 3, 11, 12], weekdays=[night, evening], weekends=[evening])
    winter, rest = card_by_hand(5, typed).sets
    assert winter.when == "Type in with the months November–March: at work from 1 November."
    assert list(map(shown, winter.lists)) == [
        [
            "entries", [], "days | start | end | action | level",
            (
                "",
                "every day | 17:00 | 21:00 | cover | down to 10 %",
                "weekdays | 22:00 | 06:00 (of the next day) | charge | fill to 90 %",
                *[EMPTY] * 4,
            ),
        ]
    ]  # fmt: skip
    assert (rest.months, rest.when, rest.lists) == ("April–October", "From 1 April:", ())
    assert rest.instead.startswith("No entries: leave all of them unused.")


def test_menu_6_limits_stand_beside_and_the_clock_stays_on_winter_time() -> None:
    """A list without day sets is typed in once, the others for weekdays and for weekends."""
    charge = window("01:00-05:00", "charge", until_pct=80, grid_kw=2.5)
    sell = window("18:00-20:00", "sell", down_to_pct=30, power_kw=3)
    off = window("17:00-21:00", "limit", import_cap_kw=0)
    typed = settings(YEAR, weekdays=[charge, sell, off], weekends=[sell, off])
    card = card_by_hand(6, typed)
    assert list(map(shown, card.sets[0].lists)) == [
        [
            "filling (charge)", [], "start | end | fill to | filling from the grid at most",
            ("weekdays", "01:00 | 05:00 | 80 % | 2.5 kW", EMPTY),
            ("weekends", EMPTY, EMPTY),
        ],
        [
            "selling (sell)", ["selling at 3 kW"], "start | end | down to",
            ("weekdays", "18:00 | 20:00 | 30 %", EMPTY),
            ("weekends", "18:00 | 20:00 | 30 %", EMPTY),
        ],
        [
            "limits (limit)", [], "start | end | import at most",
            ("every day", "17:00 | 21:00 | 0 kW", EMPTY),
        ],
    ]  # fmt: skip
    assert card.told == (
        "Outside all entries the equipment covers the building from the battery, down to the floor;"
        " PV left over is stored.",
        "Where entries of two lists overlap, the first of these holds alone: selling, filling.",
        "Entries of limits hold beside those of other lists, at the same time.",
        "Its clock stays on winter time: an entry of 16:00 begins at 17:00 in summer, by the clock on"
        " the wall.",
    )


def test_menu_7_per_cent_of_power_and_months_in_which_its_time_control_is_off() -> None:
    """1.25 kW are 25 % of 5 kW. Outside entries it holds: months without any are told how to cover."""
    weekdays = [
        window("11:00-15:00", "charge", until_pct=93, grid_kw=1.25), window("15:00-17:00", "hold"),
        window("19:00-21:00", "sell"), window("17:00-19:00", "limit", import_cap_kw=1.5),
    ]  # fmt: skip
    weekends = [window("18:00-23:00", "cover", down_to_pct=25)]
    card = card_by_hand(7, settings([6, 7, 8], weekdays=weekdays, weekends=weekends))
    summer, rest = card.sets
    assert list(map(shown, summer.lists)) == [
        [
            "filling", [], "start | end | action | fill to | filling from the grid at most",
            ("weekdays", "11:00 | 15:00 | charge | 93 % | 25 % (1.25 kW)",
             "15:00 | 17:00 | hold | any | any", EMPTY, EMPTY),
            ("weekends", *[EMPTY] * 4),
        ],
        [
            "giving", [], "start | end | action | down to | selling at",
            ("weekdays", "19:00 | 21:00 | sell | 10 % | 100 % (5 kW, full)", EMPTY, EMPTY),
            ("weekends", "18:00 | 23:00 | cover | 25 % | any", EMPTY, EMPTY),
        ],
        [
            "limits (limit)", [], "start | end | import at most",
            ("weekdays", "17:00 | 19:00 | 1.5 kW", *[EMPTY] * 3), ("weekends", *[EMPTY] * 4),
        ],
    ]  # fmt: skip
    assert (rest.months, rest.when) == ("September–May", "From 1 September:")
    assert rest.instead == (
        "Switch the equipment's time control off: it then covers the building as it comes."
    )


def test_menu_8_each_field_in_each_entry() -> None:
    """4.25 kW, as fast as the battery fills, are 4.3 kW in steps of 0.1 kW."""
    weekdays = [
        window("18:00-20:00", "sell", power_kw=2.5), window("06:00-07:00", "hold"),
        window("00:15-05:45", "charge", until_pct=60, import_cap_kw=4),
        window("20:00-24:00", "cover", down_to_pct=20),
    ]  # fmt: skip
    card = card_by_hand(8, settings(YEAR, weekdays=weekdays, weekends=[]))
    assert list(map(shown, card.sets[0].lists)) == [
        [
            "windows", [], "start | end | action | level | power | import at most",
            (
                "weekdays",
                "00:15 | 05:45 | charge | fill to 60 %"
                " | filling from the grid at most 4.3 kW (full) | 4 kW",
                "06:00 | 07:00 | hold | any | any | none",
                "18:00 | 20:00 | sell | down to 10 % | selling at 2.5 kW | none",
                "20:00 | 24:00 | cover | down to 20 % | any | none",
                EMPTY, EMPTY,
            ),
            ("weekends", *[EMPTY] * 6),
        ]
    ]  # fmt: skip


# --- single rules by hand -------------------------------------------------------------------------


def filled(windows: list[Window], **more: Any) -> list[str]:
    """Return the rows of a list that fills the day, with ends."""
    controls = Controls.model_validate({
        "lists": [{"name": "the day", "actions": ["charge", "cover"], "entries": 4,
                   "fields": ["start", "end"], "fills_day": True}],
        "season_sets": 1, "day_types": "every_day", **more,
    })  # fmt: skip
    typed = settings(YEAR, every_day=windows)
    assert not refusals(typed, controls, PLANT, SOURCE)
    entries = card_of(controls, PLANT, typed).sets[0].lists[0].parts[0].entries
    return [row(entry) for entry in entries if entry.cells]


def test_holes_are_filled_over_midnight_or_split_there() -> None:
    charge = window("09:00-12:00", "charge")
    assert filled([charge]) == ["09:00 | 12:00 | charge", "12:00 | 09:00 | cover"]
    assert filled([charge], over_midnight=False) == [
        "00:00 | 09:00 | cover", "09:00 | 12:00 | charge", "12:00 | 24:00 | cover"
    ]  # fmt: skip
    first = window("00:00-09:00", "charge")
    assert filled([first], over_midnight=False) == [
        "00:00 | 09:00 | charge",
        "09:00 | 24:00 | cover",
    ]


def test_an_entry_that_may_not_last_a_day_is_told_in_two() -> None:
    whole = window("00:00-24:00", "charge")
    assert filled([whole]) == ["00:00 | 24:00 | charge"]
    assert filled([whole], whole_day=False, last_minute="00:00") == [
        "00:00 | 12:00 | charge", "12:00 | 00:00 | charge"
    ]  # fmt: skip


def test_a_day_that_must_be_filled_is_so_in_months_without_windows() -> None:
    """It covers down to the floor all day, in two where an entry may not last 24 hours; limits are empty."""
    controls = Controls.model_validate({
        "lists": [
            {"name": "the day", "actions": ["charge", "cover"], "entries": 3,
             "fields": ["start", "end", "action", "level"], "fills_day": True},
            {"name": "limits", "actions": ["limit"], "entries": 1, "fields": ["start", "end", "cap"]},
        ],
        "season_sets": 2, "day_types": "every_day", "whole_day": False,
    })  # fmt: skip
    typed = settings([1, 2, 3], every_day=[window("09:00-12:00", "charge")])
    _, rest = card_of(controls, PLANT, typed).sets
    assert (rest.months, rest.instead) == ("April–December", "")
    assert rest.when == "Type in with the months April–December: at work from 1 April."
    days, limits = map(shown, rest.lists)
    assert days[-1] == (
        "every day", "00:00 | 12:00 | cover | down to 10 %", "12:00 | 24:00 | cover | down to 10 %",
        EMPTY,
    )  # fmt: skip
    assert limits[-1] == ("every day", EMPTY)
    whole = card_of(controls.model_copy(update={"whole_day": True}), PLANT, typed).sets[1]
    first, *others = whole.lists[0].parts[0].entries
    assert row(first) == "00:00 | 24:00 | cover | down to 10 %"
    assert [entry.unused for entry in others] == [EMPTY, EMPTY]


def test_a_limit_in_place_of_another_entry_is_not_said_to_leave_all_else_as_it_is() -> None:
    """From 02:00 to 04:00 both stand: the limit comes first, and the battery is not filled then."""
    lists = [
        {"name": "filling", "actions": ["charge"], "entries": 1, "fields": ["start", "end"]},
        {"name": "caps", "actions": ["limit"], "entries": 1, "fields": ["start", "end", "cap"],
         "beside": False},
    ]  # fmt: skip
    controls = Controls.model_validate({
        "lists": lists, "overlap": True, "precedence": ["caps", "filling"], "outside": "hold",
        "day_types": "every_day",
    })  # fmt: skip
    windows = [
        window("01:00-05:00", "charge"), window("02:00-04:00", "limit", import_cap_kw=1),
    ]  # fmt: skip
    card = card_of(controls, PLANT, settings(YEAR, every_day=windows))
    told = " ".join([*card.told, *card.words])
    assert "overlap, the first of these holds alone: caps, filling." in told
    assert "apart from that the equipment does what it does outside all entries" in told
    assert "all else goes on" not in told
    assert "beside" not in told


@pytest.mark.parametrize(
    ("first", "goes"),
    [("battery", "is stored"), ("export", "is exported first, and stored where it cannot be")],
)
def test_covering_and_holding_say_where_pv_goes_that_the_building_leaves(
    first: str, goes: str
) -> None:
    plant = replace(PLANT, behaviour=Behaviour.model_validate({"surplus_first": first}))
    windows = [window("01:00-02:00", "hold"), window("02:00-03:00", "cover")]
    typed = settings([1], weekdays=windows, weekends=[])
    card = card_of(controls_of(8), plant, typed)
    assert card.words[:2] == (
        "hold: what is stored is kept; PV left over may still be stored",
        f"cover: the building runs from the battery; PV left over {goes}",
    )
    elsewhere = f"from the battery, down to the floor; PV left over {goes}."
    assert card.told[0].endswith(elsewhere)
    assert card.sets[1].instead.endswith(elsewhere)
    assert "PV left over may still be stored" in card_of(controls_of(7), plant, None).told[0]


def test_entries_without_use_in_a_row_are_one_line_with_one_box() -> None:
    controls = Controls.model_validate({
        "lists": [{"name": "plan", "actions": ["charge"], "entries": 60, "fields": ["start", "end"]}]
    })  # fmt: skip
    three = [window(f"0{hour}:00-0{hour}:30", "charge") for hour in (1, 3, 5)]
    card = card_of(controls, PLANT, settings(YEAR, weekdays=three, weekends=[]))
    lines = card_text(card).splitlines()
    boxes = [line.split("☐")[1].split()[0] for line in lines if "☐" in line]
    assert boxes == ["floor:", "1", "2", "3", "4–60", "1–60"]
    assert [line.strip() for line in lines if EMPTY in line] == [
        "☐ 4–60  leave empty",
        "☐ 1–60  leave empty",
    ]
    html = rendered("card.html", card=card, draw=lambda part, name: "")
    assert html.count("<input") == 6
    assert "<td>4–60</td>" in html


def test_months_without_entries_are_told_what_to_do() -> None:
    typed = Settings(settings="none", floor_pct=20)
    card = card_of(controls_of(8), PLANT, typed)
    assert (card.floor, card.told) == ("20 %", ())
    assert [(each.months, each.lists) for each in card.sets] == [("all year", ())]
    assert "covers the building" in card.sets[0].instead
    assert "time control off" in card_of(controls_of(7), PLANT, typed).sets[0].instead


def test_each_set_of_months_has_its_floor_where_the_equipment_has() -> None:
    controls = Controls(floor_by_season=True, day_types="every_day")
    seasons = [
        SeasonSet(months=[6, 7], floor_pct=30, day_sets=[
            DaySet(days="every day", windows=[window("01:00-02:00", "cover")])
        ]),
        SeasonSet(months=[1, 2], day_sets=[
            DaySet(days="every day", windows=[window("01:00-02:00", "hold")])
        ]),
    ]  # fmt: skip
    card = card_of(controls, PLANT, Settings(settings="x", floor_pct=15, seasons=seasons))
    assert card.floor == ""
    assert [each.floor for each in card.sets] == ["30 %", "15 %", "15 %"]
    assert str(card.sets[0].lists[0].parts[0].entries[0].cells[3]) == "down to 30 %"


def test_filling_from_pv_alone_is_typed_as_the_menu_says_it() -> None:
    """As a field of its own, as a power of 0, and so for equipment that may not fill from the grid."""
    typed = settings(YEAR, weekdays=[window("09:00-15:00", "charge", grid_kw=0)], weekends=[])
    cells = card_of(Controls(), PLANT, typed).sets[0].lists[0].parts[0].entries[0].cells
    assert str(cells[4]) == "filling from the grid at most 0 kW (from PV only)"
    free = settings(YEAR, weekdays=[window("09:00-15:00", "charge")], weekends=[])
    banned = replace(PLANT, may_charge_from_grid=False)
    assert card_of(Controls(), banned, free).sets[0].lists[0].parts[0].entries[0].cells == cells


def test_a_level_that_the_field_does_not_reach_is_told() -> None:
    """Floor 10 % and ceiling 95 %, but the field takes 20 to 90 %."""
    levels = {"from_pct": 20, "to_pct": 90}
    controls = Controls.model_validate({
        "lists": [{"name": "all", "actions": ["charge", "cover"], "entries": 2, "level": levels,
                   "fields": ["start", "end", "level"]}],
        "day_types": "every_day",
    })  # fmt: skip
    windows = [window("01:00-02:00", "charge"), window("03:00-04:00", "cover")]
    entries = (
        card_of(controls, PLANT, settings(YEAR, every_day=windows))
        .sets[0]
        .lists[0]
        .parts[0]
        .entries
    )
    assert [str(entry.cells[-1]) for entry in entries] == [
        "fill to 90 % (the field takes no more)", "down to 20 % (the field takes no less)"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("minute", "told"),
    [(0, "12:00 am"), (30, "12:30 am"), (720, "12:00 pm"), (815, "1:35 pm"), (1439, "11:59 pm"),
     (1440, "12:00 am")],
)  # fmt: skip
def test_a_clock_of_12_hours_knows_noon_and_midnight(minute: int, told: str) -> None:
    assert Writing(clock=12).time(minute) == told


def test_times_and_decimals_are_written_as_the_person_says() -> None:
    writing = Writing(clock=12, decimal="comma")
    typed = settings(
        YEAR, weekdays=[window("13:30-24:00", "charge", until_pct=80, grid_kw=2.5)], weekends=[]
    )
    card = card_of(controls_of(6), PLANT, typed, writing)
    first = card.sets[0].lists[0].parts[0].entries[0]
    assert row(first) == "1:30 pm | 12:00 am | 80 % | 2,5 kW"
    assert card.told[-1].startswith(
        "Its clock stays on winter time: an entry of 4:00 pm begins at 5"
    )
    assert Writing(decimal="comma").number(1234.5) == "1234,5"


def test_a_sign_of_a_currency_stands_before_the_amount() -> None:
    assert money(1234.5, "USD") == "1,234.50 USD"
    assert money(1234.5, "$") == "$1,234.50"
    assert money(-3, "€") == "-€3.00"


def test_an_empty_card_has_all_entries_and_says_what_each_field_takes() -> None:
    card = card_of(controls_of(3), PLANT, None)
    filling, giving = card.sets[0].lists
    assert [len(part.entries) for part in filling.parts] == [3]
    assert [column.takes for column, _ in filling.once] == [
        "0 to 100 %, in steps of 5", "0 to 20 kW, in steps of 0.5"
    ]  # fmt: skip
    assert giving.once[0][0].takes == "10 to 100 %, in steps of 5"
    assert {cell.value for entry in filling.parts[0].entries for cell in entry.cells} == {""}
    assert card_text(card).startswith("☐ floor: ......")
    by_season = card_text(card_of(Controls(floor_by_season=True), PLANT, None))
    assert by_season.count("floor: ......") == 1


@pytest.mark.parametrize("number", sorted(MENUS))
@pytest.mark.parametrize("width", [40, 60, 96])
def test_lines_of_the_text_are_no_longer_than_asked_for(number: int, width: int) -> None:
    luck = random.Random(number)
    cards = [
        card_of(controls_of(number), PLANT, None),
        card_of(controls_of(number), PLANT, random_settings(number, PLANT, luck)),
    ]
    for card in cards:
        text = card_text(card, width)
        assert max(map(len, text.splitlines())) <= width
        boxes = re.findall(r"^ *☐ +(\d+)(?:–(\d+))? ", text, flags=re.MULTILINE)
        assert sum(int(last or first) - int(first) + 1 for first, last in boxes) == sum(
            len(p.entries) for each in card.sets for one in each.lists for p in one.parts
        )


def test_a_terminal_without_the_box_shows_brackets() -> None:
    codecs.register_error("plainly", _plainly)
    assert "☐ 1".encode("ascii", "plainly") == b"[ ] 1"


def test_a_name_of_two_lines_stays_on_one() -> None:
    lists = [{"name": "fill\ning\x1b[31m", "actions": ["charge"], "entries": 1}]
    controls = Controls.model_validate({"lists": lists, "unused": "a\nb"})
    text = card_text(card_of(controls, PLANT, settings([1], weekdays=[], weekends=[])))
    assert "\x1b" not in text
    typed = settings([1], weekdays=[window("01:00-02:00", "charge")], weekends=[])
    text = card_text(card_of(controls, PLANT, typed))
    assert "fill\\ning\\x1b[31m" in text
    assert "a\\nb" in text


# --- the drawing ----------------------------------------------------------------------------------


def test_the_drawing_tells_its_bars_aloud_and_hatches_actions() -> None:
    """20 px beside 300 px for 24 h: 06:00 lies at 95 px, noon at 170 px."""
    windows = [
        window("06:00-12:00", "charge", import_cap_kw=2), window("22:00-02:00", "hold"),
    ]  # fmt: skip
    card = card_of(controls_of(8), PLANT, settings(YEAR, weekdays=windows, weekends=[]))
    part, empty = card.sets[0].lists[0].parts
    assert part.bars == (
        Bar(360, 720, 1, "charge", "charge"), Bar(360, 720, 1, "limit", "at most 2 kW"),
        Bar(1320, 1440, 2, "hold", "hold"), Bar(0, 120, 2, "hold", "hold"),
    )  # fmt: skip
    svg = draw_day(part, "d", PLAIN)
    assert 'x="95.0"' in svg
    assert 'width="75.0"' in svg
    assert (
        "<title>weekdays: entry 1 06:00 to 12:00 charge; entry 1 06:00 to 12:00 import at most 2 kW;"
        " entry 2 22:00 to 24:00 hold; entry 2 00:00 to 02:00 hold</title>"
    ) in svg
    assert {'id="d-charge"', 'id="d-hold"'} == set(re.findall(r'id="[^"]+"', svg))
    assert draw_day(empty, "d", PLAIN) == ""


# --- days that entries name ------------------------------------------------------------------------

BY_DAY = {
    "lists": [{"name": "plan", "actions": ["charge", "hold", "cover"], "entries": 7,
               "fields": ["days", "start", "end", "action", "level", "cap"]}],
    "day_types": "each_day",
}  # fmt: skip
"""Entries that name any of the seven days."""


def by_day(**days: list[Window]) -> Card:
    names = ["Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays"]
    return card_of(
        Controls.model_validate(BY_DAY), PLANT,
        settings(YEAR, **{name: days.get(name, []) for name in names}),
    )  # fmt: skip


def days_shown(names: list[str]) -> str:
    card = by_day(**{name: [window("01:00-02:00", "charge")] for name in names})
    return card.sets[0].lists[0].parts[0].entries[0].cells[0].value


def test_days_are_told_in_few_words() -> None:
    work = ["Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays"]
    assert days_shown(work) == "weekdays"
    assert days_shown([*work, "Saturdays"]) == "Monday–Saturday"
    assert days_shown(["Mondays", "Tuesdays", "Sundays"]) == "Monday, Tuesday, Sunday"
    assert days_shown(["Saturdays", "Sundays"]) == "weekends"
    assert days_shown(["Sundays"]) == "Sundays"
    assert days_shown([*work, "Saturdays", "Sundays"]) == "every day"


def test_entries_of_different_days_have_strips_of_their_own() -> None:
    """A name of 17 px above each: bars begin at 19 px, and 26 + 4 + 17 px below that."""
    card = by_day(
        Mondays=[window("01:00-05:00", "charge")], Sundays=[window("02:00-06:00", "hold")]
    )
    svg = draw_day(card.sets[0].lists[0].parts[0], "d", PLAIN)
    assert re.findall(r'<rect [^>]* y="(\d+)"', svg) == ["19", "66"]
    assert "entry 1 Mondays 01:00 to 05:00 charge; entry 2 Sundays 02:00 to 06:00 hold" in svg
    assert re.findall(r">(\w+days)</text>", svg) == ["Mondays", "Sundays"]


def test_a_phone_shows_all_fields_of_an_entry_that_names_its_days(tmp_path: Path) -> None:
    browser_path = shutil.which("chromium")
    if browser_path is None:
        assert not os.environ.get("CI"), "CI has to install chromium"
        pytest.skip("no chromium on this machine: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    odd = {name: [window("10:15-12:45", "cover", down_to_pct=35, import_cap_kw=1.5)]
           for name in ("Mondays", "Tuesdays", "Thursdays", "Sundays")}  # fmt: skip
    shown = rendered(
        "card.html", card=by_day(**odd), draw=lambda part, name: Markup(draw_day(part, name, PLAIN))
    )
    page_file = tmp_path / "card.html"
    page_file.write_text(
        f'{rendered("style.html")}<section class="card">{shown}</section>', encoding="utf-8"
    )
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 390, "height": 800})
        page.goto(page_file.as_uri())
        rights = page.evaluate(
            "[...document.querySelectorAll('.key td, .key th')].map(e => e.getBoundingClientRect().right)"
        )
        spilled = page.evaluate(
            "[...document.querySelectorAll('.key td')].filter(e => e.scrollWidth > e.clientWidth + 1).length"
        )
        headings = page.evaluate("document.querySelector('.card').innerText")
        browser.close()
    assert len(rights) > 12
    assert max(rights) <= 390
    assert not spilled
    assert "Monday, Tuesday, Thursday, Sunday" in headings


# --- dates of change ------------------------------------------------------------------------------


def test_the_days_on_which_settings_change_are_in_the_calendar() -> None:
    """From January to June: 1 March begins what nothing stands for, 1 May the summer."""
    seasons = [
        SeasonSet(months=months, day_sets=[
            DaySet(days="weekdays", windows=[window("01:00-02:00", "charge")]),
            DaySet(days="weekends"),
        ])
        for months in ([1, 2], [5, 6, 7])
    ]  # fmt: skip
    typed = Settings(settings="x", floor_pct=10, seasons=seasons)
    grid = local_grid("2026-01-01T00:00", "Europe/Dublin", 24 * 181)
    scenario = SimpleNamespace(
        name="Elm", plant=PLANT, controls=controls_of(7), folder=Path("here"),
        forecast=SimpleNamespace(grid=grid),
        file=SimpleNamespace(forecast="forecast.csv", writing=PLAIN),
    )  # fmt: skip
    tariff = SimpleNamespace(name="t", file=SimpleNamespace(versions=[]))
    result: Any = SimpleNamespace(scenario=scenario, tariff=tariff, settings=typed)
    days = {day: (title, told) for day, title, told in reminders(result)}
    last = date(2026, 7, 1)  # 181 days from 1 January, one hour of the last falls on the next
    assert set(days) == {date(2026, 3, 1), date(2026, 5, 1), last - timedelta(days=14)}
    assert days[date(2026, 3, 1)] == (
        "Battery settings: March–April, August–December begins",
        "Switch the equipment's time control off: it then covers the building as it comes.",
    )
    assert days[date(2026, 5, 1)][0] == "Battery settings: May–July begins"


# --- random settings: typed, and read back --------------------------------------------------------

GRID_OF_FIVES = local_grid("2025-06-26T00:00", "Europe/Dublin", 288 * 10, 5)
"""Ten days of June and July, so that two sets of months are at work."""

PLANTS = (
    PLANT,
    simple_plant(13.5, 3.3, 0.95, inverter=Inverter(ac_limit_kw=4), reserve_pct=12),
)


def random_settings(number: int, plant: Plant, luck: random.Random) -> Settings:
    """Return settings that a menu takes, with windows in most of its lists."""
    controls = controls_of(number)
    for _ in range(500):
        count = luck.randint(1, min(controls.season_sets, 3))
        edges = sorted(luck.sample(range(1, 13), count)) if count > 1 else [1]
        parts = [YEAR[a - 1 : b - 1] for a, b in zip(edges, [*edges[1:], 13], strict=True)]
        seasons = [
            SeasonSet(months=months, day_sets=random_day_sets(controls, plant, luck))
            for months in parts
        ]
        drawn = Settings(settings="x", floor_pct=plant.soc_pct(plant.low_kwh), seasons=seasons)
        if drawn.entries() and not refusals(drawn, controls, plant, SOURCE):
            return drawn
    raise AssertionError("nothing that the menu takes was drawn")


def random_day_sets(controls: Controls, plant: Plant, luck: random.Random) -> list[DaySet]:
    menu = controls.menu
    held: list[list[Window]] = [[] for _ in menu.day_sets]
    for each in menu.lists:
        once = {action: random_limits(each, action, plant, luck) for action in each.actions}
        together = "days" in each.fields or menu.is_alike(each)
        common = random_windows(controls, each, plant, luck, once)
        for windows in held:
            own = common if together else random_windows(controls, each, plant, luck, once)
            windows += [w for w in own if "days" not in each.fields or luck.random() < 0.7]
    return [
        DaySet.model_validate({"days": name, "windows": windows})
        for name, windows in zip(menu.day_sets, held, strict=True)
    ]


def random_windows(
    controls: Controls, each: MenuList, plant: Plant, luck: random.Random, once: dict[str, Any]
) -> list[Window]:
    """Return windows that do not overlap, at most two of a list."""
    slots = MINUTES_PER_DAY // each.minutes
    count = luck.randint(0, min(2, each.entries))
    edges = sorted(luck.sample(range(slots + (not controls.over_midnight)), 2 * count))
    if edges and controls.over_midnight and luck.random() < 0.4:
        edges = [*edges[1:], edges[0]]
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        action = luck.choice(each.actions)
        own = random_limits(each, action, plant, luck)
        shared = {key: value for key, value in once[action].items() if key[0] in each.once}
        limits = {key: value for (_, key), value in (own | shared).items() if value is not None}
        found.append(
            window(f"{clock(begin * each.minutes)}-{clock(end * each.minutes)}", action, **limits)
        )
    return found


def random_limits(
    each: MenuList, action: str, plant: Plant, luck: random.Random
) -> dict[tuple[str, str], float | None]:
    """Return limits by field and key; None where there is none."""
    found: dict[tuple[str, str], float | None] = {}
    if each.has("level") and action in USES["level"]:
        levels = multiples(each.level, plant.soc_pct(plant.low_kwh), 100)
        key = "until_pct" if action == "charge" else "down_to_pct"
        found["level", key] = luck.choice([None, luck.choice(levels)])
    if each.has("power") and action in USES["power"]:
        powers = multiples(each.power_kw(plant.ac_limit_kw), 0.1, 6)
        key = "grid_kw" if action == "charge" else "power_kw"
        found["power", key] = luck.choice([None, luck.choice(powers)])
    if action == "charge" and each.takes_no_grid and luck.random() < 0.2:
        found["grid" if each.has("grid") else "power", "grid_kw"] = 0.0
    if each.has("cap"):
        caps = multiples(each.cap, 0, 6)
        found["cap", "import_cap_kw"] = luck.choice(caps if action == "limit" else [None, *caps])
    return found


def multiples(steps: Steps, low: float, high: float) -> list[float]:
    found = [round(n * steps.step, 9) for n in range(int(high / steps.step) + 1)]
    return [value for value in found if max(low, steps.low) <= value <= min(high, steps.high)]


# Reading the card back, by nothing but what stands on it ------------------------------------------


def read_back(card: Card, plant: Plant) -> Settings:
    """Return the windows that somebody has typed in from a card."""
    floor = card.floor or max(each.floor for each in card.sets)
    return Settings(
        settings="read back", floor_pct=amount(floor),
        seasons=[season_read(each, plant) for each in card.sets if each.lists],
    )  # fmt: skip


def season_read(each: CardSet, plant: Plant) -> SeasonSet:
    names = {
        days for one in each.lists for part in one.parts for days in part.days.split(", ") if days
    } | {
        days
        for one in each.lists for part in one.parts for entry in part.entries
        for days in (fields_of(one, entry).get("days") or Cell("")).value.split(", ") if days
    }  # fmt: skip
    fine = sorted(names - {"every day"}) or ["every day"]
    if fine != ["every day"] and set(fine) != {"weekdays", "weekends"}:
        fine = ["weekdays", "weekends"]  # an entry stands on one of them only
    held: dict[str, list[Window]] = {name: [] for name in fine}
    for one in each.lists:
        for part in one.parts:
            for days, read in windows_read(one, part.days, part.entries, plant):
                for name in fine if days == "every day" else days.split(", "):
                    held[name].append(read)
    day_sets = [DaySet.model_validate({"days": d, "windows": w}) for d, w in held.items()]
    return SeasonSet(months=months_read(each.months), day_sets=day_sets)


def fields_of(one: CardList, entry: CardEntry) -> dict[str, Cell]:
    """Return the cells of an entry by their headings, with those that stand once."""
    cells = {c.heading: cell for c, cell in zip(one.columns, entry.cells, strict=False)}
    return {**cells, **{column.heading: cell for column, cell in one.once}}


def windows_read(
    one: CardList, days: str, entries: tuple[CardEntry, ...], plant: Plant
) -> list[tuple[str, Window]]:
    used = [fields_of(one, entry) for entry in entries if entry.cells]
    found = []
    for place, fields in enumerate(used):
        end = fields.get("end") or used[(place + 1) % len(used)]["start"]
        span = (
            f"{fields['start'].value}-{'24:00' if end.value in ('00:00', '23:59') else end.value}"
        )
        alone = re.sub(r".*\((.*)\)", r"\1", one.title)
        action = fields["action"].value if "action" in fields else alone
        if action == one.title:  # no action is named: the grid tells
            action = "charge" if fields["from the grid"].value == "yes" else "cover"
        on = fields["days"].value if "days" in fields else days
        found.append((on, window(span, action, **limits_read(fields, action, plant))))
    return found


def limits_read(fields: dict[str, Cell], action: str, plant: Plant) -> dict[str, float]:
    said = {f"{heading} {cell.says}": cell for heading, cell in fields.items()}
    limits: dict[str, float] = {}
    for told, cell in said.items():
        if cell.value in {"any", "none"} or "full" in cell.note:
            continue
        if "fill to" in told and action == "charge":
            limits["until_pct"] = amount(cell.value)
        if "down to" in told and action in {"cover", "sell"}:
            limits["down_to_pct"] = amount(cell.value)
        if "filling from the grid" in told and action == "charge":
            limits["grid_kw"] = power(cell.value, plant)
        if "selling at" in told and action == "sell":
            limits["power_kw"] = power(cell.value, plant)
        if "import at most" in told:
            limits["import_cap_kw"] = power(cell.value, plant)
        if told.startswith("from the grid") and cell.value == "no" and action == "charge":
            limits["grid_kw"] = 0.0
    return limits


def amount(text: str) -> float:
    return float(text.split()[0])


def power(text: str, plant: Plant) -> float:
    return amount(text) * (plant.ac_limit_kw / 100 if text.endswith("%") else 1)


def months_read(text: str) -> list[int]:
    if text == "all year":
        return YEAR
    months = []
    for run in text.split(", "):
        first, last = (MONTH_NAMES.index(name) + 1 for name in (run.split("–") * 2)[:2][:2])
        if "–" in run:
            last = MONTH_NAMES.index(run.split("–")[1]) + 1
        month = first
        while month != last:
            months.append(month)
            month = month % 12 + 1
        months.append(last)
    return months


def ordered(typed: Settings, controls: Controls, plant: Plant) -> FloatArray:
    """Return what holds in each step, and what follows once a window has ended early, of shape (T, 10).

    What an action has no use for is left out.
    """
    orders = orders_of(typed.as_stored(controls), plant, GRID_OF_FIVES)
    table = orders.table.copy()
    charges, sells, holds = (table[:, ACTION] == code for code in (0, 3, 1))
    table[~charges, TARGET] = table[~charges, GRID] = 0
    table[~sells, POWER] = 0
    table[charges | holds, FLOOR] = 0
    kept = [ACTION, TARGET, FLOOR, GRID, POWER, CAP, LOWEST]
    outside = table[table[:, OUTSIDE].astype(int)]
    assert ENTRY not in kept  # a number of a row, as OUTSIDE is
    both = np.hstack([table[:, kept], outside[:, kept]])
    return np.where(np.isinf(both), 1e9, both)[orders.of_step]


@pytest.mark.parametrize("plant", PLANTS, ids=["full to 95 %", "floor of 12 %"])
@pytest.mark.parametrize("number", sorted(MENUS))
def test_what_is_typed_is_what_was_meant(number: int, plant: Plant) -> None:
    """Settings become a card, the card is read back, and the equipment does the same in each step."""
    luck, controls = random.Random(number), controls_of(number)
    for _ in range(30):
        meant = random_settings(number, plant, luck)
        typed = read_back(card_of(controls, plant, meant), plant)
        np.testing.assert_allclose(
            ordered(typed, controls, plant), ordered(meant, controls, plant), atol=1e-9,
            err_msg=repr(meant.frame.to_dict("records")),
        )  # fmt: skip


LITERAL = {
    "days": r"every day|weekdays|weekends",
    "start": r"\d\d:\d\d",
    "end": r"\d\d:\d\d",
    "action": r"charge|hold|cover|sell",
    "grid": r"yes|no|any",
    "level": r"[\d.]+ %|any",
    "power": r"[\d.]+ (%|kW)|any",
    "cap": r"[\d.]+ kW|none",
}
"""What can be typed into each field as it stands."""


@pytest.mark.parametrize("number", sorted(MENUS))
def test_each_field_holds_a_value_to_type(number: int) -> None:
    """Each field of the menu, no other, in its order; a number is one that the field takes."""
    luck, controls, plant = random.Random(100 + number), controls_of(number), PLANTS[1]
    for _ in range(20):
        card = card_of(controls, plant, random_settings(number, plant, luck))
        for one, each in (
            (one, each)
            for typed in card.sets if typed.lists
            for one, each in zip(typed.lists, controls.menu.lists, strict=True)
        ):  # fmt: skip
            assert [column.field for column in one.columns] == list(each.fields)
            assert [column.field for column, _ in one.once] == list(each.once)
            entries = [entry for part in one.parts for entry in part.entries]
            assert all(len(part.entries) == each.entries for part in one.parts)
            fields = [
                *((c.field, cell) for c, cell in one.once),
                *((c.field, cell) for e in entries if e.cells
                  for c, cell in zip(one.columns, e.cells, strict=True)),
            ]  # fmt: skip
            for field, cell in fields:
                assert re.fullmatch(LITERAL[field], cell.value), (field, cell)
                if field in {"level", "power", "cap"} and cell.value not in {"any", "none"}:
                    steps = {"level": each.level, "power": each.power, "cap": each.cap}[field]
                    assert steps.is_multiple(amount(cell.value))
                    assert steps.is_within(amount(cell.value))
        text = card_text(card)
        assert not re.search(r"_pct|_kw|None|nan", text)


def test_the_clock_on_the_card_is_read_as_it_was_meant() -> None:
    assert [read_clock(PLAIN.time(minute)) for minute in range(0, 1441, 5)] == list(
        range(0, 1441, 5)
    )


def test_an_empty_card_of_one_list_says_that_levels_end_at_a_full_battery() -> None:
    text = card_text(card_of(Controls(), PLANT, None))
    assert "level: 0 to 100 %, in steps of 5" in text
    assert "% and more" not in text
