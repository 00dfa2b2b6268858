"""The card of a renewal, worked out by hand: what stays is ticked, what changes has its old value beside it."""

from __future__ import annotations

from optimizer.report.card import Card, CardDays, card_of
from optimizer.report.card_changes import TYPED_ALREADY, changed, is_typed
from optimizer.report.card_text import card_text
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from tests.builders import simple_plant
from tests.menus import controls_of

NIGHT = Window(start="01:00", end="05:00", action="charge", until_pct=80)
LATER = Window(start="01:00", end="06:00", action="charge", until_pct=90)
EVENING = Window(start="17:00", end="20:00", action="sell", down_to_pct=20)
NOON = Window(start="12:00", end="13:00", action="hold")


def card(*windows: Window, floor_pct: float = 10, months: tuple[int, ...] = (1, 2, 3)) -> Card:
    """Return the card of windows of every day on menu 8: six entries with all fields."""
    days = [DaySet(days=name, windows=list(windows)) for name in ("weekdays", "weekends")]
    season = SeasonSet(months=list(months), day_sets=days)
    settings = Settings(settings="x", floor_pct=floor_pct, seasons=[season])
    return card_of(controls_of(8), simple_plant(10, 5), settings)


def weekdays(shown: Card) -> CardDays:
    return shown.sets[0].lists[0].parts[0]


def told(shown: Card) -> list[str]:
    return [entry.change for entry in weekdays(shown).entries]


def test_the_same_settings_are_typed_in_already() -> None:
    both = changed(card(NIGHT, EVENING), card(NIGHT, EVENING))
    assert is_typed(both)
    assert told(both) == ["same"] * 6
    assert both.sets[0].when == TYPED_ALREADY
    text = card_text(both)
    assert text.count("☑") == 1 + 2 * 3 + 1  # floor; two days: two entries, the empty; other months
    assert "☐" not in text


def test_old_values_stand_beside_the_new_ones_and_the_rest_stays() -> None:
    both = changed(card(LATER, EVENING), card(NIGHT, EVENING))
    assert told(both)[:3] == ["change", "same", "same"]
    was = [cell.was for cell in weekdays(both).entries[0].cells]
    assert was == ["", "05:00", "", "fill to 80 %", "", ""]
    assert not is_typed(both)
    assert "06:00 (was 05:00)" in card_text(both).replace("\n", " ")


def test_an_entry_more_is_added_behind_those_that_stay_where_they_are() -> None:
    more = changed(card(NIGHT, NOON, EVENING), card(NIGHT, EVENING))
    assert told(more) == ["same", "same", "add", "same", "same", "same"]
    starts = [entry.cells[0].value for entry in weekdays(more).entries[:3]]
    assert starts == ["01:00", "17:00", "12:00"]
    assert [(bar.number, bar.begin // 60) for bar in weekdays(more).bars] == [
        (1, 1), (3, 12), (2, 17),
    ]  # fmt: skip


def test_an_entry_less_is_emptied_where_it_stands() -> None:
    less = changed(card(EVENING), card(NIGHT, EVENING))
    assert told(less) == ["remove", "same", "same", "same", "same", "same"]
    text = " ".join(card_text(less).split())
    assert "☐ 1 leave empty (was 01:00, 05:00, charge, fill to 80 %" in text


def test_entries_without_end_keep_their_order() -> None:
    """Menu 4: an entry lasts until the next; one more before noon moves those behind it."""

    def day(*windows: Window) -> Card:
        days = [DaySet(days="every day", windows=list(windows))]
        season = SeasonSet(months=list(range(1, 13)), day_sets=days)
        settings = Settings(settings="x", floor_pct=10, seasons=[season])
        return card_of(controls_of(4), simple_plant(10, 5), settings)

    one = Window(start="01:00", end="05:00", action="charge", until_pct=80)
    two = Window(start="12:00", end="13:00", action="charge", until_pct=80)
    both = changed(day(one, two), day(two))
    begins = [(entry.cells[0].value, entry.cells[0].was) for entry in weekdays(both).entries]
    assert begins == [
        ("00:00", ""), ("01:00", "12:00"), ("05:00", "13:00"), ("12:00", ""), ("13:00", ""),
    ]  # fmt: skip
    assert told(both) == ["same", "change", "change", "add", "add"]


def test_a_floor_that_is_raised_has_the_old_one_beside_it() -> None:
    both = changed(card(NIGHT, floor_pct=30), card(NIGHT))
    assert both.floor_was == "10 %"
    assert "☐ floor: 30 % (was 10 %)" in card_text(both)
    assert not is_typed(both)


def test_other_months_are_typed_in_anew() -> None:
    both = changed(card(NIGHT, months=(1, 2)), card(NIGHT))
    assert both.sets[0].when != TYPED_ALREADY
