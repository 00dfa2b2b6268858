"""Steps of time are equally long, and the clock is the site's.

Days on which clocks change are taken from the zones' published rules: the European Union changes
on the last Sundays of March and October at 01:00 UTC, the United States on the second Sunday of
March and the first of November at 02:00, south-eastern Australia on the first Sundays of April and
October. Lengths of days agree with the reference S07 (23, 25 h; 92, 100 quarter-hours).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.base.errors import InputError, ScenarioError
from optimizer.base.timegrid import (
    STEP_MINUTES,
    BillingPeriod,
    TimeGrid,
    calendar_months,
    clock_slots,
    hours_of_day,
    interval_of_step,
    meter_read_periods,
    zone_named,
)

ZONES = (
    "America/New_York", "America/Santiago", "America/St_Johns", "Asia/Kathmandu", "Asia/Kolkata",
    "Australia/Adelaide", "Australia/Sydney", "Europe/Brussels", "Europe/Dublin", "UTC",
)  # fmt: skip


def days_grid(zone: str, first: date, days: int, minutes: int = 60) -> TimeGrid:
    """Return the grid of whole local days from ``first`` on."""
    begin, end = (
        datetime(d.year, d.month, d.day, tzinfo=ZoneInfo(zone)).astimezone(UTC)
        for d in (first, first + timedelta(days=days))
    )
    return TimeGrid(begin, minutes, int((end - begin) / timedelta(minutes=minutes)), zone)


CLOCK_CHANGES = [
    ("America/New_York", date(2024, 3, 10), 23.0),
    ("America/New_York", date(2024, 11, 3), 25.0),
    ("Europe/Brussels", date(2024, 3, 31), 23.0),
    ("Europe/Brussels", date(2024, 10, 27), 25.0),
    ("Europe/Dublin", date(2026, 3, 29), 23.0),
    ("Europe/Dublin", date(2026, 10, 25), 25.0),
    ("Australia/Sydney", date(2026, 4, 5), 25.0),
    ("Australia/Sydney", date(2026, 10, 4), 23.0),
    ("Australia/Adelaide", date(2026, 4, 5), 25.0),
    ("Australia/Adelaide", date(2026, 10, 4), 23.0),
    ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
    ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
    ("Asia/Kolkata", date(2026, 3, 29), 24.0),
    ("America/New_York", date(2024, 2, 29), 24.0),
]


@pytest.mark.parametrize(("zone", "day", "hours"), CLOCK_CHANGES)
def test_a_local_day_is_as_long_as_its_zone_makes_it(zone: str, day: date, hours: float):
    assert hours_of_day(day, zone) == hours


WHOLE_STEPS = [
    (zone, day, hours, minutes)
    for zone, day, hours in CLOCK_CHANGES
    for minutes in STEP_MINUTES
    if (hours * 60) % minutes == 0  # hours do not fill the day of 23.5 h on Lord Howe Island
]


@pytest.mark.parametrize(("zone", "day", "hours", "minutes"), WHOLE_STEPS)
def test_the_steps_of_a_day_fill_its_length(zone: str, day: date, hours: float, minutes: int):
    grid = days_grid(zone, day, 1, minutes)

    assert grid.count == hours * 60 / minutes
    assert grid.dates == [day]
    assert grid.day_share.sum() == pytest.approx(1.0)


def test_the_hour_that_the_clock_skips_is_missing_from_the_wall_clock():
    grid = days_grid("Europe/Brussels", date(2024, 3, 31), 1)

    assert list(grid.minute_of_day[:4]) == [0, 60, 180, 240]
    assert list(grid.utc_offset_minutes[:3]) == [60, 60, 120]


def test_the_hour_that_the_clock_repeats_stands_twice_on_the_wall_clock():
    grid = days_grid("America/New_York", date(2024, 11, 3), 1)

    assert list(grid.minute_of_day[:4]) == [0, 60, 60, 120]
    assert list(grid.utc_offset_minutes[:4]) == [-240, -240, -300, -300]
    assert [grid.label(step) for step in (1, 2)] == [
        "2024-11-03T01:00-04:00",
        "2024-11-03T01:00-05:00",
    ]


def test_half_an_hour_is_repeated_on_lord_howe_island():
    grid = days_grid("Australia/Lord_Howe", date(2026, 4, 5), 1, 30)

    assert list(grid.minute_of_day[:6]) == [0, 30, 60, 90, 90, 120]
    assert list(grid.utc_offset_minutes[3:5]) == [660, 630]


@pytest.mark.parametrize(
    ("zone", "offset"),
    [("Asia/Kolkata", 330), ("Australia/Adelaide", 570), ("Asia/Kathmandu", 345)],
)
def test_zones_that_are_not_whole_hours_from_utc_begin_their_days_at_midnight(zone, offset):
    grid = days_grid(zone, date(2026, 7, 1), 2)

    assert grid.minute_of_day[0] == 0
    assert set(grid.utc_offset_minutes) == {offset}
    assert list(np.bincount(grid.day)) == [24, 24]


def test_a_leap_year_has_its_twenty_ninth_of_february():
    grid = days_grid("Europe/Dublin", date(2024, 2, 28), 3)

    assert grid.dates == [date(2024, 2, 28), date(2024, 2, 29), date(2024, 3, 1)]
    assert set(grid.month[:48]) == {2}
    assert set(grid.month[48:]) == {3}


def test_a_common_year_goes_from_the_twenty_eighth_of_february_to_march():
    assert days_grid("UTC", date(2026, 2, 28), 2).dates == [date(2026, 2, 28), date(2026, 3, 1)]


def test_a_year_of_hours_has_as_many_steps_as_hours_though_clocks_change_twice():
    assert days_grid("Europe/Dublin", date(2026, 1, 1), 365).count == 8760
    assert days_grid("Europe/Dublin", date(2024, 1, 1), 366).count == 8784


def test_weekdays_count_from_monday():
    grid = days_grid("UTC", date(2026, 3, 2), 7)  # the second of March 2026 is a Monday

    assert list(grid.weekday[::24]) == [0, 1, 2, 3, 4, 5, 6]


def test_a_part_of_a_grid_begins_with_its_step():
    grid = days_grid("America/New_York", date(2024, 11, 3), 1)

    part = grid.part(2, 3)

    assert part.count == 3
    assert part.label(0) == "2024-11-03T01:00-05:00"


def test_the_start_may_be_given_in_another_zone():
    grid = TimeGrid(
        datetime(2026, 7, 1, 10, 0, tzinfo=timezone(timedelta(hours=10))), 30, 1, "Asia/Kolkata"
    )

    assert grid.label(0) == "2026-07-01T05:30+05:30"
    assert grid.step_h == 0.5


def test_a_day_covered_in_part_counts_in_part():
    grid = TimeGrid(datetime(2026, 3, 2, tzinfo=UTC), 60, 36, "UTC")

    assert grid.days == pytest.approx(1.5)


@pytest.mark.parametrize("minutes", [0, 1, 7, 10, 20, 120, 1440])
def test_other_steps_are_refused_with_their_length(minutes: int):
    with pytest.raises(InputError, match=f"the step is {minutes} min; allowed are"):
        TimeGrid(datetime(2026, 1, 1, tzinfo=UTC), minutes, 4, "UTC")


def test_a_start_without_an_offset_is_refused():
    with pytest.raises(InputError, match="aware start"):
        TimeGrid(datetime(2026, 1, 1), 60, 4, "UTC")  # noqa: DTZ001 - the mistake under test


def test_a_grid_without_steps_is_refused():
    with pytest.raises(InputError, match="at least one step"):
        TimeGrid(datetime(2026, 1, 1, tzinfo=UTC), 60, 0, "UTC")


@pytest.mark.parametrize(
    ("start", "minutes", "zone", "shown"),
    [
        (datetime(2026, 1, 1, 0, 7, tzinfo=UTC), 15, "UTC", "00:07:00"),
        (datetime(2026, 1, 1, 0, 0, 30, tzinfo=UTC), 5, "UTC", "00:00:30"),
        (datetime(2026, 1, 1, 0, 0, tzinfo=UTC), 60, "Asia/Kolkata", "05:30:00"),
    ],
)
def test_steps_that_do_not_begin_on_the_clock_of_the_zone_are_refused(start, minutes, zone, shown):
    with pytest.raises(InputError, match=f"begins at {shown} by the clock of {zone}"):
        TimeGrid(start, minutes, 4, zone)


@pytest.mark.parametrize("name", ["Nowhere/Town", "", "America", "../UTC", "GMT+5"])
def test_a_zone_that_no_list_knows_is_refused_with_its_name(name: str):
    with pytest.raises(ValueError, match="no time zone of the IANA list") as caught:
        zone_named(name)

    assert repr(name) in str(caught.value)


@pytest.mark.parametrize(("minutes", "slots"), [(5, 288), (15, 96), (30, 48), (60, 24)])
def test_a_clock_face_has_a_slot_for_each_step(minutes: int, slots: int):
    assert clock_slots(minutes) == slots


def test_calendar_months_are_those_that_the_grid_touches():
    grid = days_grid("Europe/Dublin", date(2026, 3, 30), 3)

    found = calendar_months(grid)

    assert [(p.first, p.end, p.label) for p in found.periods] == [
        (date(2026, 3, 1), date(2026, 4, 1), "2026-03"),
        (date(2026, 4, 1), date(2026, 5, 1), "2026-04"),
    ]
    assert list(found.of_step) == [0] * 48 + [1] * 24


def test_a_month_ends_at_the_local_midnight_not_at_that_of_greenwich():
    grid = days_grid("Australia/Adelaide", date(2026, 6, 30), 2)

    found = calendar_months(grid)

    assert list(found.of_step) == [0] * 24 + [1] * 24
    assert grid.utc[24].isoformat() == "2026-06-30T14:30:00+00:00"


def test_calendar_months_go_over_the_new_year():
    found = calendar_months(days_grid("UTC", date(2025, 12, 31), 2))

    assert [p.label for p in found.periods] == ["2025-12", "2026-01"]
    assert [p.days for p in found.periods] == [31, 31]


def test_periods_between_meter_reads_begin_on_the_day_of_the_read():
    grid = days_grid("Europe/Dublin", date(2026, 3, 10), 10)
    reads = [date(2026, 1, 14), date(2026, 2, 13), date(2026, 3, 14), date(2026, 4, 15)]

    found = meter_read_periods(grid, reads, "scenario.yaml:9:1")

    assert [(p.first, p.end, p.days) for p in found.periods] == [
        (date(2026, 2, 13), date(2026, 3, 14), 29),
        (date(2026, 3, 14), date(2026, 4, 15), 32),
    ]
    assert [p.label for p in found.periods] == [
        "2026-02-13 to 2026-03-13",
        "2026-03-14 to 2026-04-14",
    ]
    assert list(found.of_step) == [0] * 96 + [1] * 144


def test_a_read_on_the_last_day_does_not_enclose_it():
    grid = days_grid("UTC", date(2026, 3, 1), 3)

    with pytest.raises(ScenarioError, match="do not enclose the days 2026-03-01 to 2026"):
        meter_read_periods(grid, [date(2026, 3, 1), date(2026, 3, 3)], "here")

    found = meter_read_periods(grid, [date(2026, 3, 1), date(2026, 3, 4)], "here")
    assert set(found.of_step) == {0}


@pytest.mark.parametrize(
    "reads", [[date(2026, 3, 2), date(2026, 3, 2)], [date(2026, 3, 9), date(2026, 3, 1)]]
)
def test_read_dates_that_do_not_rise_are_refused_where_they_stand(reads):
    with pytest.raises(ScenarioError, match="does not come after") as caught:
        meter_read_periods(days_grid("UTC", date(2026, 3, 2), 1), reads, "scenario.yaml:9:1")

    assert caught.value.where == "scenario.yaml:9:1"
    assert str(reads[1]) in caught.value.what


@pytest.mark.parametrize("reads", [[], [date(2026, 3, 1)]])
def test_fewer_than_two_read_dates_enclose_nothing(reads):
    with pytest.raises(ScenarioError, match="do not enclose"):
        meter_read_periods(days_grid("UTC", date(2026, 3, 2), 1), reads, "here")


def test_a_period_of_one_month_that_does_not_begin_on_the_first_is_told_by_its_days():
    assert BillingPeriod(date(2026, 1, 2), date(2026, 2, 2)).label == ("2026-01-02 to 2026-02-01")


def test_demand_intervals_begin_on_the_clock_though_the_grid_does_not():
    grid = TimeGrid(datetime(2026, 3, 2, 0, 45, tzinfo=UTC), 15, 6, "UTC")

    assert list(interval_of_step(grid, 30)) == [0, 1, 1, 2, 2, 3]
    assert list(interval_of_step(grid, 60)) == [0, 1, 1, 1, 1, 2]


def test_an_interval_shorter_than_the_step_is_the_step():
    grid = days_grid("UTC", date(2026, 3, 2), 1)

    assert list(interval_of_step(grid, 15)) == list(range(24))


def test_the_two_turns_of_a_repeated_hour_are_two_demand_intervals():
    grid = days_grid("America/New_York", date(2024, 11, 3), 1, 15)

    # 00:00 to 02:00 of the clock lasts three hours: four quarter-hours in each interval
    assert list(interval_of_step(grid, 60)[:13]) == [0] * 4 + [1] * 4 + [2] * 4 + [3]


def test_a_repeated_half_hour_is_a_demand_interval_of_its_own():
    grid = days_grid("Australia/Lord_Howe", date(2026, 4, 5), 1, 30)

    # 00, 00:30 | 01, 01:30 | again 01:30 | 02, 02:30
    assert list(interval_of_step(grid, 60)[:7]) == [0, 0, 1, 1, 2, 3, 3]


def test_a_skipped_hour_makes_no_demand_interval():
    grid = days_grid("Europe/Brussels", date(2024, 3, 31), 1, 30)

    # 00, 00:30 | 01, 01:30 | 03, 03:30
    assert list(interval_of_step(grid, 60)[:6]) == [0, 0, 1, 1, 2, 2]


def test_midnight_ends_a_demand_interval():
    grid = TimeGrid(datetime(2026, 3, 2, 23, 45, tzinfo=UTC), 15, 2, "UTC")

    assert list(interval_of_step(grid, 60)) == [0, 1]


some_grids = st.builds(
    days_grid,
    zone=st.sampled_from(ZONES),
    first=st.dates(date(2015, 1, 1), date(2035, 12, 1)),
    days=st.integers(1, 40),
    minutes=st.sampled_from((30, 60)),
)


@settings(max_examples=60, deadline=None)
@given(some_grids)
def test_whole_days_count_as_whole_days_in_every_zone(grid: TimeGrid):
    assert grid.days == pytest.approx(len(grid.dates))
    assert np.bincount(grid.day) * grid.step_h == pytest.approx(
        [hours_of_day(d, grid.zone) for d in grid.dates]
    )


@settings(max_examples=60, deadline=None)
@given(some_grids)
def test_every_step_lies_in_one_period_and_the_periods_hold_all_days(grid: TimeGrid):
    found = calendar_months(grid)
    by_reads = meter_read_periods(
        grid, [grid.dates[0] - timedelta(days=9), grid.dates[-1] + timedelta(days=1)], "here"
    )

    firsts = [found.periods[p].first for p in found.of_step]
    assert all(
        (f.month, f.year) == (d.month, d.year) for f, d in zip(firsts, grid.local, strict=True)
    )
    assert all(p.end == q.first for p, q in zip(found.periods, found.periods[1:], strict=False))
    for periods in (found, by_reads):
        held = [periods.periods[p] for p in periods.of_step]
        assert all(p.first <= d.date() < p.end for p, d in zip(held, grid.local, strict=True))


@settings(max_examples=60, deadline=None)
@given(some_grids, st.sampled_from((15, 30, 60)))
def test_demand_intervals_rise_by_one_and_are_never_longer_than_themselves(grid, minutes):
    interval = interval_of_step(grid, minutes)

    assert interval[0] == 0
    assert set(np.diff(interval)) <= {0, 1}
    assert np.bincount(interval).max() * grid.step_minutes <= max(minutes, grid.step_minutes)


@settings(max_examples=40, deadline=None)
@given(some_grids, st.data())
def test_a_part_reads_the_same_clock_as_the_whole(grid: TimeGrid, data: st.DataObject):
    first = data.draw(st.integers(0, grid.count - 1))
    part = grid.part(first, grid.count - first)

    assert list(part.minute_of_day) == list(grid.minute_of_day[first:])
    assert list(part.weekday) == list(grid.weekday[first:])
