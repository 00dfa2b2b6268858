"""Seasons, day kinds and spans of the clock mean what people mean by them.

Dates of Easter and weekdays are those of a printed calendar.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from optimizer.base.calendar import (
    HOLIDAY,
    DayCalendar,
    HolidayRule,
    Holidays,
    Seasons,
    When,
    day_kinds,
    minutes_between,
    minutes_in_spans,
    read_span,
    span_text,
)
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import clock


def rule(**said: object) -> HolidayRule:
    """Return a holiday rule with any name."""
    return HolidayRule.model_validate({"name": "Fair", **said})


# ---- spans of the clock


def test_a_span_holds_its_first_minute_and_not_its_last():
    inside = minutes_in_spans(["16:00-21:00"])

    assert list(np.flatnonzero(np.diff(inside))) == [16 * 60 - 1, 21 * 60 - 1]
    assert inside[16 * 60]
    assert not inside[21 * 60]


def test_a_span_that_ends_before_it_starts_runs_over_midnight():
    inside = minutes_in_spans(["22:00-06:00"])

    assert inside.sum() == 8 * 60
    assert inside[23 * 60 + 59]
    assert inside[0]
    assert not inside[6 * 60]


@pytest.mark.parametrize("span", ["18:00-24:00", "18:00-00:00"])
def test_midnight_may_be_written_as_the_end_or_the_beginning_of_a_day(span: str):
    assert list(np.flatnonzero(minutes_in_spans([span]))) == list(range(18 * 60, 24 * 60))


def test_the_whole_day_is_written_from_midnight_to_midnight():
    assert minutes_in_spans(["00:00-24:00"]).all()


def test_spans_that_touch_do_not_overlap():
    assert minutes_in_spans(["22:00-06:00", "06:00-10:00"]).sum() == 12 * 60


@pytest.mark.parametrize("spans", [["22:00-06:00", "05:00-07:00"], ["01:00-02:00", "01:00-02:00"]])
def test_spans_that_overlap_are_refused_by_name(spans: list[str]):
    with pytest.raises(ValueError, match=f"the span '{spans[1]}' overlaps another one"):
        minutes_in_spans(spans)


@pytest.mark.parametrize(
    ("span", "words"),
    [
        ("16:00", "'16:00' is not a span of time"),
        ("16:00-18:00-20:00", "is not a span of time"),
        ("16-21", "'16' is not a clock time"),
        ("16:00-24:30", "'24:30' is not a clock time"),
        ("16:00-16:00", "holds no time"),
        ("24:00-06:00", "holds no time"),
        ("", "'' is not a span of time"),
    ],
)
def test_a_malformed_span_is_refused_with_its_text_and_a_mend(span: str, words: str):
    with pytest.raises(Mistake) as caught:
        read_span(span)

    assert words in caught.value.what
    assert caught.value.mend.startswith("Write")


def test_a_span_may_be_written_with_a_dash_as_it_is_printed():
    assert read_span("16:00–21:00") == read_span("16:00-21:00") == (960, 1260)
    assert span_text(960, 1260) == "16:00–21:00"


minutes = st.integers(0, 1439)


@given(minutes, minutes)
def test_a_span_and_its_reverse_fill_the_day_once(begin: int, end: int):
    if begin == end:
        return
    both = minutes_between(begin, end).astype(int) + minutes_between(end, begin)

    assert (both == 1).all()
    assert minutes_between(begin, end).sum() == (end - begin) % 1440


@given(minutes, st.integers(0, 1440))
def test_a_printed_span_is_read_as_it_was(begin: int, end: int):
    if begin == end:
        return
    assert read_span(span_text(begin, end)) == (begin, end)
    assert read_span(f"{clock(begin)}-{clock(end)}") == (begin, end)


# ---- seasons


def test_both_days_of_a_range_belong_to_the_season():
    seasons = Seasons({"summer": "06-01 to 09-30", "winter": "otherwise"})

    assert [seasons.of_day(date(2026, *day)) for day in ((5, 31), (6, 1), (9, 30), (10, 1))] == [
        "winter", "summer", "summer", "winter",
    ]  # fmt: skip


def test_a_season_may_run_over_the_new_year():
    seasons = Seasons({"cold": "11-15 to 03-14", "mild": "03-15 to 11-14"})

    assert {seasons.of_day(date(2026, *day)) for day in ((11, 15), (12, 31), (1, 1), (3, 14))} == {
        "cold"
    }
    assert {seasons.of_day(date(2026, *day)) for day in ((3, 15), (11, 14))} == {"mild"}


def test_a_season_may_have_several_ranges():
    seasons = Seasons({"peak": ["01-01 to 02-29", "07-01 to 07-31"], "rest": "otherwise"})

    assert [seasons.of_day(d) for d in (date(2024, 2, 29), date(2024, 3, 1), date(2026, 7, 9))] == [
        "peak", "rest", "peak",
    ]  # fmt: skip


def test_the_leap_day_needs_a_season_too():
    with pytest.raises(ValueError, match="29 February lies in no season"):
        Seasons({"a": "01-01 to 02-28", "b": "03-01 to 12-31"})


def test_a_tariff_without_seasons_has_one_without_a_name():
    seasons = Seasons({})

    assert seasons.names == [""]
    assert seasons.of_day(date(2024, 2, 29)) == ""


@pytest.mark.parametrize(
    ("ranges", "words"),
    [
        ({"a": "01-01 to 06-30", "b": "07-02 to 12-31"}, "1 July lies in no season"),
        ({"a": "01-01 to 07-01", "b": "07-01 to 12-31"}, "1 July lies in the seasons 'a' and 'b'"),
        ({"a": "otherwise", "b": "otherwise"}, r"\['a', 'b'\] all say 'otherwise'"),
        ({"a": "06-01 - 09-30", "b": "otherwise"}, "'06-01 - 09-30' is not a range of dates"),
        ({"a": "06-31 to 09-30", "b": "otherwise"}, "'06-31' is no month and day"),
        ({"a": ["01-01 to 12-31", "02-02 to 02-03"]}, "2 February lies in the seasons 'a' and 'a'"),
    ],
)
def test_seasons_that_do_not_tile_the_year_are_refused_with_the_day(ranges, words: str):
    with pytest.raises(ValueError, match=words):
        Seasons(ranges)


days_of_leap_year = st.integers(0, 365).map(lambda n: date(2024, 1, 1) + timedelta(days=n))


@settings(max_examples=60, deadline=None)
@given(days_of_leap_year, days_of_leap_year, st.dates(date(2000, 1, 1), date(2050, 12, 31)))
def test_a_range_and_the_word_otherwise_give_each_day_one_season(first, last, day):
    seasons = Seasons({"a": f"{first:%m-%d} to {last:%m-%d}", "b": "otherwise"})
    key, low, high = ((d.month, d.day) for d in (day, first, last))
    inside = low <= key <= high if low <= high else key >= low or key <= high

    assert seasons.of_day(day) == ("a" if inside else "b")


# ---- holidays


@pytest.mark.parametrize(
    ("said", "year", "kept"),
    [
        ({"month": 12, "day": 25}, 2026, [date(2026, 12, 25)]),
        ({"month": 2, "day": 29}, 2024, [date(2024, 2, 29)]),
        ({"month": 2, "day": 29}, 2026, []),
        # fourth Thursday of November 2026: the first is the 5th
        ({"month": 11, "nth": 4, "weekday": "thursday"}, 2026, [date(2026, 11, 26)]),
        ({"month": 9, "nth": 1, "weekday": "monday"}, 2026, [date(2026, 9, 7)]),
        ({"month": 5, "nth": "last", "weekday": "monday"}, 2026, [date(2026, 5, 25)]),
        # May 2026 has five Fridays, June 2026 has four
        ({"month": 5, "nth": 5, "weekday": "friday"}, 2026, [date(2026, 5, 29)]),
        ({"month": 6, "nth": 5, "weekday": "friday"}, 2026, []),
        # Easter Sunday: 31 March 2024, 20 April 2025, 5 April 2026
        ({"days_from_easter": 0}, 2024, [date(2024, 3, 31)]),
        ({"days_from_easter": -2}, 2025, [date(2025, 4, 18)]),
        ({"days_from_easter": 1}, 2026, [date(2026, 4, 6)]),
        ({"days_from_easter": 49}, 2026, [date(2026, 5, 24)]),
        # 4 July 2026 is a Saturday, 4 July 2027 a Sunday, 4 July 2028 a Tuesday
        ({"month": 7, "day": 4, "if_sunday": "monday"}, 2026, [date(2026, 7, 4)]),
        ({"month": 7, "day": 4, "if_sunday": "monday"}, 2027, [date(2027, 7, 5)]),
        ({"month": 7, "day": 4, "if_saturday": "friday"}, 2026, [date(2026, 7, 3)]),
        ({"month": 7, "day": 4, "if_saturday": "monday"}, 2026, [date(2026, 7, 6)]),
        ({"month": 7, "day": 4, "if_saturday": "friday"}, 2027, [date(2027, 7, 4)]),
        ({"month": 7, "day": 4, "if_sunday": "monday", "if_saturday": "friday"}, 2028,
         [date(2028, 7, 4)]),
    ],
)  # fmt: skip
def test_a_holiday_falls_on_the_day_of_the_printed_calendar(said, year, kept):
    assert rule(**said).dates(year) == kept


@pytest.mark.parametrize(
    "said",
    [
        {},
        {"month": 5},
        {"day": 5},
        {"month": 5, "nth": 1},
        {"month": 5, "weekday": "monday"},
        {"month": 5, "day": 1, "nth": 1, "weekday": "monday"},
        {"month": 5, "day": 1, "days_from_easter": 1},
    ],
)
def test_a_holiday_must_be_said_in_exactly_one_way(said):
    with pytest.raises(ValidationError, match="the holiday 'Fair' is not said in one way"):
        rule(**said)


@pytest.mark.parametrize(
    ("year", "day"), [(2023, 23), (2024, 21), (2025, 20), (2026, 19), (2020, 19)]
)
def test_a_holiday_may_be_the_first_weekday_on_or_after_a_day(year, day):
    # Midsummer Eve in Sweden: the Friday from 19 to 25 June
    assert rule(month=6, day=19, weekday="friday").dates(year) == [date(year, 6, day)]


def test_a_holiday_moved_over_the_new_year_is_found():
    # 1 January 2022 is a Saturday: kept on Friday, 31 December 2021
    holidays = Holidays(rules=[rule(month=1, day=1, if_saturday="friday")])

    assert holidays.among([date(2021, 12, 31), date(2022, 1, 1)]) == {date(2021, 12, 31)}


def test_listed_dates_and_rules_are_both_holidays():
    holidays = Holidays(dates=[date(2026, 3, 17)], rules=[rule(month=3, day=18)])
    days = [date(2026, 3, day) for day in (16, 17, 18)]

    assert holidays.any()
    assert day_kinds(days, holidays) == [0, HOLIDAY, HOLIDAY]


def test_without_holidays_each_day_is_its_weekday():
    days = [date(2026, 3, 2) + timedelta(days=n) for n in range(7)]

    assert not Holidays().any()
    assert day_kinds(days, Holidays()) == [0, 1, 2, 3, 4, 5, 6]


@given(
    st.integers(1990, 2060),
    st.integers(1, 12),
    st.sampled_from((1, 2, 3, 4, 5, "last")),
    st.sampled_from(("monday", "wednesday", "sunday")),
)
def test_the_nth_weekday_of_a_month_is_that_weekday_in_that_week(year, month, nth, weekday):
    for day in rule(month=month, nth=nth, weekday=weekday).dates(year):
        assert (day.year, day.month) == (year, month)
        assert day.strftime("%A").lower() == weekday
        if nth == "last":
            assert (day + timedelta(days=7)).month != month
        else:
            assert (day.day - 1) // 7 == nth - 1


# ---- parts of the calendar on a grid


def week(hours: int = 168) -> TimeGrid:
    """Return hours from Monday, the second of March 2026, on."""
    return TimeGrid(datetime(2026, 3, 2, tzinfo=UTC), 60, hours, "UTC")


def mask(when: When, calendar: DayCalendar, grid: TimeGrid) -> np.ndarray:
    """Return the steps that are meant."""
    return when.mask(grid, calendar)


PLAIN = DayCalendar(Seasons({}), Holidays())
WEDNESDAY_OFF = DayCalendar(Seasons({}), Holidays(dates=[date(2026, 3, 4)]))


def test_a_part_of_the_calendar_without_words_is_all_of_it():
    assert mask(When(), PLAIN, week()).all()


@pytest.mark.parametrize(
    ("days", "plain", "with_holiday"),
    [
        (["all"], 7, 7),
        (["weekdays"], 5, 4),
        (["weekends"], 2, 2),
        (["holidays"], 0, 1),
        (["wednesday"], 1, 0),
        (["weekends", "holidays"], 2, 3),
        (["weekdays", "monday"], 5, 4),
    ],
)
def test_a_holiday_is_neither_a_weekday_nor_its_own_weekday(days, plain: int, with_holiday: int):
    when = When(days=days)

    assert mask(when, PLAIN, week()).sum() == 24 * plain
    assert mask(when, WEDNESDAY_OFF, week()).sum() == 24 * with_holiday


def test_a_span_over_midnight_holds_on_both_ends_of_the_day_it_names():
    # "22:00-06:00 on Mondays" is Monday before 06:00 and Monday from 22:00: the day named, not
    # the night that begins on it
    when = When(days=["monday"], hours=["22:00-06:00"])

    assert list(np.flatnonzero(mask(when, PLAIN, week()))) == [0, 1, 2, 3, 4, 5, 22, 23]


def test_a_season_holds_on_its_days_only():
    calendar = DayCalendar(Seasons({"late": "03-04 to 03-05", "else": "otherwise"}), Holidays())

    inside = mask(When(seasons=["late"]), calendar, week())

    assert list(np.flatnonzero(inside)) == list(range(48, 96))


def test_a_span_follows_the_clock_on_the_day_it_changes():
    # 29 March 2026, Dublin: 01:00 is skipped, so "00:00-03:00" has two hours
    grid = TimeGrid(datetime(2026, 3, 29, tzinfo=UTC), 60, 23, "Europe/Dublin")

    assert mask(When(hours=["00:00-03:00"]), PLAIN, grid).sum() == 2


def test_a_span_in_the_repeated_hour_holds_twice():
    # 25 October 2026, Dublin: the hour from 01:00 comes twice
    grid = TimeGrid(datetime(2026, 10, 24, 23, tzinfo=UTC), 60, 25, "Europe/Dublin")

    assert list(np.flatnonzero(mask(When(hours=["01:00-02:00"]), PLAIN, grid))) == [1, 2]


@pytest.mark.parametrize(
    ("hours", "edges"),
    [
        (["00:00-24:00"], set()),
        (["16:00-21:00"], {960, 1260}),
        (["22:00-06:00"], {360, 1320}),
        (["06:00-10:00", "10:00-12:00"], {360, 720}),
        (["00:00-06:00"], {0, 360}),
    ],
)
def test_the_edges_of_a_part_of_the_day_are_where_it_begins_and_ends(hours, edges):
    assert When(hours=hours).edges() == edges


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 23), st.integers(1, 23))
def test_hours_inside_and_hours_outside_make_the_whole_week(begin: int, length: int):
    end = (begin + length - 1) % 24 + 1
    inside = When(hours=[f"{begin:02d}:00-{end:02d}:00"])
    rest = 168 - mask(inside, PLAIN, week()).sum()

    assert rest == 7 * (24 - length)
