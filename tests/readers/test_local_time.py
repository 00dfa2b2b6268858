"""A clock is a list of changes, whether an IANA zone, a rule in a file or the stamps tell them.

The rule bit-field, its two values and the dates they mean: NAESB REQ.21 ESPI, DstRuleType; the
United States' rule since 2007 (second Sunday of March, first Sunday of November, 02:00) is that of
the Energy Policy Act of 2005, section 110.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from optimizer.metering.local_time import (
    DstRule,
    clock_of_offsets,
    clock_of_rules,
    clock_of_zone,
    dst_rule,
    offset_text,
)

US = (dst_rule("360E2000"), dst_rule("B40E2000"))


def seconds(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


@pytest.mark.parametrize(
    ("field", "day"),
    [
        ("360E2000", "2020-03-08"), ("360E2000", "2021-03-14"), ("360E2000", "2024-03-10"),
        ("B40E2000", "2020-11-01"), ("B40E2000", "2021-11-07"), ("B40E2000", "2024-11-03"),
    ],
)  # fmt: skip
def test_the_published_rules_mean_the_days_on_which_clocks_changed(field: str, day: str):
    rule = dst_rule(field)
    assert rule is not None
    assert rule.moment(int(day[:4])).isoformat() == f"{day}T02:00:00"


def test_the_bits_of_a_rule_are_month_operator_days_hour_and_seconds():
    # 0011 011 00000 111 00010 000000000000: month 3, operator 3, no day, Sunday, 02 h, 0 s
    expected = DstRule(month=3, operator=3, day_of_month=0, day_of_week=7, hour=2, second=0)
    assert dst_rule("360E2000") == expected


def field_of(month: int, operator: int, day: int, weekday: int, hour: int) -> str:
    return f"{month << 28 | operator << 25 | day << 20 | weekday << 17 | hour << 12:08X}"


@pytest.mark.parametrize(
    ("field", "expected"),
    [
        (field_of(4, 0, 17, 0, 3), "2025-04-17T03:00:00"),  # a day of the month
        (field_of(3, 1, 8, 7, 2), "2025-03-09T02:00:00"),  # first Sunday on or after the 8th
        (field_of(3, 7, 0, 7, 1), "2025-03-30T01:00:00"),  # last Sunday: Europe/Dublin
        (field_of(10, 7, 0, 7, 2), "2025-10-26T02:00:00"),
        (field_of(4, 2, 0, 7, 3), "2025-04-06T03:00:00"),  # first Sunday: Australia/Sydney
        (field_of(5, 6, 0, 4, 0), "2025-05-29T00:00:00"),  # fifth Thursday
    ],
)
def test_each_operator_names_its_day(field: str, expected: str):
    rule = dst_rule(field)
    assert rule is not None
    assert rule.moment(2025).isoformat() == expected


def test_a_fifth_weekday_that_a_month_lacks_is_refused():
    rule = dst_rule(field_of(2, 6, 0, 1, 0))
    assert rule is not None
    with pytest.raises(ValueError, match="2025-02 has no such weekday"):
        rule.moment(2025)


def test_all_ones_mean_no_rule():
    assert dst_rule("ffffffff") is None


@pytest.mark.parametrize("field", ["", "B40E", "B60E", "360E200G", "360E20000", "-60E2000"])
def test_a_field_of_other_digits_is_refused(field: str):
    with pytest.raises(ValueError, match="no field of 8 hexadecimal digits"):
        dst_rule(field)


@pytest.mark.parametrize("field", ["060E2000", "D60E2000", "36002000", "30002000", "360FF000"])
def test_a_field_that_names_no_day_is_refused(field: str):
    with pytest.raises(ValueError, match="names no day of the year"):
        dst_rule(field)


@pytest.mark.parametrize(
    ("rules", "standard", "zone"),
    [
        (US, -18000, "America/New_York"),
        (US, -28800, "America/Los_Angeles"),
        ((dst_rule(field_of(10, 2, 0, 7, 2)), dst_rule(field_of(4, 2, 0, 7, 3))), 36000,
         "Australia/Sydney"),
        ((dst_rule(field_of(3, 7, 0, 7, 1)), dst_rule(field_of(10, 7, 0, 7, 2))), 0,
         "Europe/London"),
    ],
)  # fmt: skip
def test_rules_agree_with_the_zone_that_has_them(rules, standard: int, zone: str):
    first, last = seconds("2020-01-01T00:00+00:00"), seconds("2024-12-31T00:00+00:00")
    hours = np.arange(first, last, 1800)
    by_rule = clock_of_rules(standard, 3600, rules, first, last)
    outside = [
        datetime.fromtimestamp(h, UTC).astimezone(ZoneInfo(zone)).utcoffset() for h in hours[::7]
    ]
    expected = np.array(
        [offset // timedelta(seconds=1) for offset in outside if offset is not None]
    )
    assert (by_rule.offset_s(hours[::7]) == expected).all()
    assert (clock_of_zone(zone, first, last).offset_s(hours[::7]) == expected).all()


@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        # Day lengths of the time zone database: 23 h in spring, 25 h in autumn.
        ("2024-03-10", "America/New_York", 23), ("2024-11-03", "America/New_York", 25),
        ("2024-03-31", "Europe/Brussels", 23), ("2024-10-27", "Europe/Brussels", 25),
    ],
)  # fmt: skip
def test_days_on_which_clocks_change_have_92_or_100_quarter_hours(day: str, zone: str, hours: int):
    begin = int(datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone)).timestamp())
    quarters = begin + 900 * np.arange(110)
    wall = clock_of_zone(zone, begin, begin + 110 * 900).wall_s(quarters)
    on_the_day = wall // 86_400 == wall[0] // 86_400
    assert on_the_day.sum() == 4 * hours


def test_a_clock_without_rules_keeps_its_offset():
    clock = clock_of_rules(19800, 0, US, 0, 2_000_000_000)
    assert clock.stamps(np.array([0, 1_700_000_000])) == [
        "1970-01-01T05:30+05:30", "2023-11-15T03:43+05:30",
    ]  # fmt: skip


@pytest.mark.parametrize(("standard", "dst"), [(60_000, 3600), (0, 9000), (-60_000, 0)])
def test_offsets_of_no_clock_are_refused(standard: int, dst: int):
    with pytest.raises(ValueError, match="are no clock's"):
        clock_of_rules(standard, dst, US, 0, 1)


def test_one_rule_alone_is_refused():
    with pytest.raises(ValueError, match="only one of the two DST rules"):
        clock_of_rules(0, 3600, (US[0], None), 0, 1)


def test_stamps_with_offsets_tell_their_own_clock():
    instants = np.array([7200, 0, 3600])
    clock = clock_of_offsets(instants, np.array([0, 3600, 3600]))
    assert clock.stamps(np.array([0, 3600, 7200])) == [
        "1970-01-01T01:00+01:00", "1970-01-01T02:00+01:00", "1970-01-01T02:00+00:00",
    ]  # fmt: skip


@pytest.mark.parametrize(("offset", "text"), [(-16200, "-04:30"), (0, "+00:00"), (20700, "+05:45")])
def test_offsets_are_written_as_iso_8601_has_them(offset: int, text: str):
    assert offset_text(offset) == text


def test_an_unknown_zone_is_refused():
    with pytest.raises(ValueError, match="Nowhere/Town"):
        clock_of_zone("Nowhere/Town", 0, 1)
