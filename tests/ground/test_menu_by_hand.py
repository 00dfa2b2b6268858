"""What a menu takes of the entries of a day, and how many of them are typed in: judged entry by entry."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import pytest

from optimizer.base.documents import Source
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.menu import Menu, Steps, overlap
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from tests.builders import simple_plant


class One(NamedTuple):
    """An entry; times in hours."""

    at: float
    lasts: float
    action: str = "charge"

    @property
    def begin(self) -> int:
        return int(60 * self.at)

    @property
    def length(self) -> int:
        return int(60 * self.lasts)


def menu_of(*lists: dict[str, Any], **words: Any) -> Menu:
    """Return the menu of lists; each has its name, room for three entries and all actions but the limit."""
    usual = {"actions": ["charge", "hold", "cover", "sell"], "entries": 3}
    named = [{"name": f"list {number}"} | usual | each for number, each in enumerate(lists)]
    return Controls.model_validate({"lists": named, "day_types": "every_day"} | words).menu


FILL = {"actions": ["charge", "cover"], "fills_day": True}
GIVE, TAKE = {"actions": ["sell"]}, {"actions": ["charge"]}
LIMIT = {"actions": ["limit"], "fields": ["start", "end", "cap"]}


# --- what overlaps, and what lies between ----------------------------------------------------


@pytest.mark.parametrize(("part", "is_so"), [
    ([], False),
    ([One(5, 24)], False),
    ([One(1, 2), One(3, 1)], False),
    ([One(1, 2.5), One(3, 1)], True),
    ([One(1, 1), One(3, 1), One(3.5, 1)], True),
    ([One(1, 3), One(3, 1), One(5, 1)], True),
    ([One(3, 1), One(22, 5)], False),  # ends at 03:00
    ([One(3, 1), One(22, 5.5)], True),
    ([One(1, 1), One(4, 1), One(23, 1)], False),
    ([One(1, 1), One(4, 1), One(23, 2.5)], True),
])  # fmt: skip
def test_entries_overlap_around_the_clock(part: list[One], is_so: bool) -> None:
    assert overlap(part) == is_so


@pytest.mark.parametrize(("part", "over_midnight", "holes"), [
    ([], True, []),
    ([One(0, 24)], True, []),
    ([One(6, 2)], True, [(8, 22)]),
    ([One(6, 2)], False, [(8, 16), (0, 6)]),
    ([One(0, 6), One(6, 18)], True, []),
    ([One(0, 6), One(6, 17)], True, [(23, 1)]),
    ([One(0, 6), One(8, 2)], True, [(6, 2), (10, 14)]),
    ([One(0, 6), One(8, 2)], False, [(6, 2), (10, 14)]),
    ([One(1, 5), One(8, 2)], False, [(6, 2), (10, 14), (0, 1)]),
    ([One(6, 2), One(22, 4)], True, [(8, 14), (2, 4)]),
    ([One(6, 18)], True, [(0, 6)]),
])  # fmt: skip
def test_what_lies_between_the_entries_of_a_list_that_fills_the_day(
    part, over_midnight, holes
) -> None:
    menu = menu_of(FILL, over_midnight=over_midnight)
    (filled,) = menu.lists
    assert menu.holes(filled, part) == [(60 * begin, 60 * length) for begin, length in holes]
    assert menu.pieces(filled, part) == len(part) + len(holes)
    (other,) = menu_of(TAKE).lists
    assert menu_of(TAKE).holes(other, part) == []
    assert menu_of(TAKE).pieces(other, part) == len(part)


def test_a_whole_day_is_one_piece_or_two_where_no_entry_may_last_24_hours() -> None:
    for whole_day, pieces in ((True, 1), (False, 2)):
        menu = menu_of(FILL, whole_day=whole_day)
        assert menu.pieces(menu.lists[0], [One(0, 24)]) == pieces
        assert menu.takes_whole_day(menu.lists[0])
    assert menu_of(TAKE, whole_day=True).takes_whole_day(menu_of(TAKE).lists[0])
    assert not menu_of(TAKE, whole_day=False).takes_whole_day(menu_of(TAKE).lists[0])


# --- what is taken ---------------------------------------------------------------------------


@pytest.mark.parametrize(("lists", "words", "part", "is_taken"), [
    ([{}], {}, [One(1, 1), One(3, 1), One(5, 1)], True),
    ([{}], {}, [One(1, 1), One(3, 1), One(5, 1), One(7, 1)], False),
    ([{}], {}, [One(1, 3), One(3, 1)], False),
    ([{}], {}, [One(0, 24)], True),
    ([{}], {"whole_day": False}, [One(0, 24)], False),
    ([{}], {"whole_day": False}, [One(0, 23)], True),
    ([{}], {"over_midnight": False}, [One(22, 2)], True),
    ([{}], {"over_midnight": False}, [One(22, 3)], False),
    ([{}], {}, [One(22, 3)], True),
    ([FILL], {"whole_day": False}, [One(0, 24)], True),  # told in two
    ([FILL | {"entries": 1}], {}, [One(0, 24)], True),
    ([FILL | {"entries": 1}], {}, [One(0, 12)], False),
    ([FILL | {"entries": 2}], {}, [One(0, 12)], True),
    ([TAKE | {"entries": 1}, GIVE | {"entries": 1}], {}, [One(1, 1), One(3, 1, "sell")], True),
    ([TAKE | {"entries": 1}, GIVE | {"entries": 1}], {}, [One(1, 1), One(3, 1)], False),
    ([TAKE, GIVE], {}, [One(1, 3), One(3, 2, "sell")], False),
    ([TAKE, GIVE], {"overlap": True}, [One(1, 3), One(3, 2, "sell")], True),
    ([TAKE, GIVE], {"overlap": True}, [One(1, 3), One(3, 2)], False),
    ([TAKE, LIMIT], {}, [One(1, 3), One(3, 2, "limit")], True),  # beside
    ([TAKE, LIMIT | {"beside": False}], {}, [One(1, 3), One(3, 2, "limit")], False),
    ([TAKE, LIMIT], {}, [One(1, 3, "limit"), One(3, 2, "limit")], False),
    ([{}], {}, [], True),
])  # fmt: skip
def test_a_menu_takes_the_entries_of_a_day(lists, words, part, is_taken) -> None:
    assert menu_of(*lists, **words).takes_part(part) == is_taken


def test_layers_and_ranks_tell_who_may_stand_beside_whom() -> None:
    lists = [GIVE, {"actions": ["charge", "hold"]}, LIMIT]
    apart = menu_of(*lists)
    assert apart.layers == (frozenset({"sell", "charge", "hold"}), frozenset({"limit"}))
    assert apart.ranks is None
    over = menu_of(*lists, overlap=True, precedence=["list 1", "list 2", "list 0"])
    assert over.layers == (frozenset({"sell"}), frozenset({"charge", "hold"}), frozenset({"limit"}))
    assert over.ranks == ("charge", "hold", "sell")
    alike = menu_of(*lists[:2], LIMIT | {"beside": False}, overlap=True)
    assert alike.ranks == ("sell", "charge", "hold", "limit")
    assert alike.actions == ("sell", "charge", "hold", "limit")
    assert alike.list_of("hold") is alike.lists[1]


# --- what is shared, and how often it is typed in --------------------------------------------

EACH_DAY = {"day_types": "weekday_saturday_sunday"}
IN_TWO = {"day_types": "weekday_weekend"}
DAYS = {"fields": ["days", "start", "end", "level"]}


@pytest.mark.parametrize(("each", "words", "groups", "is_alike", "is_plain"), [
    ({}, {}, ((0,),), False, True),
    ({}, EACH_DAY, ((0,), (1,), (2,)), False, True),
    ({"day_types": "every_day"}, EACH_DAY, ((0,),), False, True),
    (DAYS, EACH_DAY, ((0, 1, 2),), False, False),
    (DAYS, {}, ((0,),), False, True),
    ({"once": ["level"], "fields": ["start", "end"], "actions": ["charge"]}, {}, ((0,),), False, False),
    (FILL, {}, ((0,),), False, False),
])  # fmt: skip
def test_a_list_is_typed_in_for_groups_of_day_sets(each, words, groups, is_alike, is_plain) -> None:
    menu = menu_of(each, **words)
    assert menu.groups(menu.lists[0]) == groups
    assert menu.is_alike(menu.lists[0]) == is_alike
    assert menu.is_plain == is_plain
    assert menu.whole == tuple(range(len(menu.day_sets)))


def test_a_list_of_coarser_days_holds_the_same_on_several_day_sets() -> None:
    menu = menu_of(TAKE | IN_TWO, GIVE | EACH_DAY)
    assert menu.groups(menu.lists[0]) == ((0,), (1, 2))
    assert [menu.is_alike(each) for each in menu.lists] == [True, False]
    assert not menu.is_plain


@pytest.mark.parametrize(("each", "parts", "count"), [
    (TAKE | EACH_DAY, [[One(1, 1)], [One(1, 1)], [One(1, 1), One(3, 1)]], 4),
    (TAKE | IN_TWO, [[One(1, 1)], [One(1, 1), One(3, 1)], [One(1, 1), One(3, 1)]], 3),
    (TAKE | DAYS, [[One(1, 1)], [One(1, 1)], [One(3, 1)]], 2),
    (FILL | EACH_DAY, [[One(1, 1)], [One(0, 24)], []], 3),  # one and what is left; all day; nothing
    (FILL | IN_TWO, [[One(5, 1), One(1, 1)], [One(1, 1)], [One(1, 1)]], 6),
])  # fmt: skip
def test_what_is_equal_where_days_are_typed_in_together_is_typed_in_once(
    each, parts, count
) -> None:
    menu = menu_of(each, {"actions": ["hold"], **EACH_DAY})
    assert menu.typed(menu.lists[0], parts) == count


# --- fields ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "is_multiple", "is_within"), [
    (10.0, True, True), (9.0, False, False), (12.5, True, True), (20.0, True, True), (22.5, True, False),
    (11.0, False, True), (7.5, True, False), (10.0 - 2e-6, True, True), (20.0 + 2e-6, True, True),
    (10.0 - 3e-6, False, False), (20.0 + 3e-6, False, False),
])  # fmt: skip
def test_steps_are_multiples_between_two_ends(value, is_multiple, is_within) -> None:
    """A millionth of a step of 2.5 is nothing: 2.5e-6."""
    steps = Steps(2.5, 10.0, 20.0)
    assert steps.is_multiple(value) == is_multiple
    assert steps.is_within(value) == is_within
    assert steps.times(2.0) == Steps(5.0, 20.0, 40.0)


@pytest.mark.parametrize(("each", "grid_tells", "takes_no_grid"), [
    ({"actions": ["charge", "cover"], "fields": ["start", "end", "grid"]}, True, False),
    ({"actions": ["charge", "cover"], "fields": ["start", "end", "action", "grid"]}, False, True),
    ({"actions": ["charge", "sell"], "fields": ["start", "end", "grid"]}, False, True),
    ({"actions": ["charge", "cover"], "fields": ["start", "end"]}, False, False),
    ({"actions": ["charge"], "fields": ["start", "end"], "once": ["grid"]}, False, True),
    ({"actions": ["charge"], "fields": ["start", "end", "power"]}, False, True),
    ({"actions": ["charge"], "fields": ["start", "end", "power"], "power": {"from_kw": 0.5}}, False, False),
])  # fmt: skip
def test_how_an_entry_is_told_to_fill_from_pv_alone(each, grid_tells, takes_no_grid) -> None:
    (only,) = menu_of(each).lists
    assert (only.grid_tells, only.takes_no_grid) == (grid_tells, takes_no_grid)
    assert not only.only_limits


def test_powers_in_per_cent_become_kw_by_the_inverters_limit() -> None:
    (only,) = menu_of(TAKE | {"power": {"from_pct": 20, "to_pct": 80, "step_pct": 20}}).lists
    assert only.power_kw(5.0) == pytest.approx(Steps(1.0, 1.0, 4.0))
    (only,) = menu_of(TAKE | {"power": {"from_kw": 1, "to_kw": 3, "step_kw": 0.5}}).lists
    assert only.power_kw(5.0) == Steps(0.5, 1.0, 3.0)
    assert only.has("power")
    assert not only.has("grid")
    assert menu_of(LIMIT).lists[0].only_limits


@pytest.mark.parametrize(("power_kw", "count"), [(4.0, 0), (4.9, 0), (5.0, 1), (6.0, 1)])
def test_full_power_is_refused_where_a_further_step_would_still_lie_within_it(
    power_kw, count
) -> None:
    """Entries take 1 to 4 kW by 1: 4 is the nearest to full power up to below 5, and short of it from there on."""
    controls = Controls.model_validate({"lists": [
        {"name": "one", "actions": ["sell"], "entries": 3, "fields": ["start", "end", "power"],
         "power": {"from_kw": 1, "to_kw": 4, "step_kw": 1}}], "day_types": "every_day"})  # fmt: skip
    sell = Window(start="18:00", end="20:00", action="sell")
    season = SeasonSet(
        months=list(range(1, 13)), day_sets=[DaySet(days="every day", windows=[sell])]
    )
    settings = Settings(settings="one", floor_pct=0, seasons=[season])
    found = refusals(
        settings, controls, simple_plant(10, power_kw), Source(Path("settings.yaml"), {})
    )
    assert [str(each) for each in found if "is not limited" in str(each)] == [
        str(each) for each in found
    ]
    assert len(found) == count
