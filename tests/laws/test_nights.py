"""Spans over midnight on named days and dates: the day's two ends, or the night that begins on it."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest

from optimizer.base.calendar import DayCalendar, Holidays, Seasons, When
from optimizer.base.errors import TariffError
from optimizer.base.timegrid import TimeGrid, calendar_months
from optimizer.billing.tariff import compile_cost
from tests.builders import billed, tariff_of

WEEK = TimeGrid(datetime(2026, 3, 2, tzinfo=UTC), 60, 168, "UTC")  # from a Monday on
FRIDAY = 4 * 24
PLAIN = DayCalendar(Seasons({}), Holidays())
NIGHT = ["22:00-06:00"]


def hours_of(when: When, calendar: DayCalendar = PLAIN) -> list[int]:
    return np.flatnonzero(when.mask(WEEK, calendar)).tolist()


def test_the_night_that_begins_on_a_friday_ends_on_saturday():
    night = When(days=["friday"], hours=NIGHT, after_midnight="next day")
    assert hours_of(night) == list(range(FRIDAY + 22, FRIDAY + 30))


def test_the_night_of_the_day_before_the_series_reaches_into_it():
    sunday = When(days=["sunday"], hours=NIGHT, after_midnight="next day")
    assert hours_of(sunday) == [0, 1, 2, 3, 4, 5, 166, 167]


def test_the_night_of_a_date_ends_on_the_next_one():
    night = When(dates=[date(2026, 3, 4)], hours=NIGHT, after_midnight="next day")
    assert hours_of(night) == list(range(2 * 24 + 22, 2 * 24 + 30))


def test_the_night_of_a_holiday_is_that_of_no_weekday():
    calendar = DayCalendar(Seasons({}), Holidays(dates=[date(2026, 3, 4)]))
    nights = When(days=["weekdays"], hours=NIGHT, after_midnight="next day")
    left = set(range(168)) - set(hours_of(nights, calendar))
    assert set(range(2 * 24 + 22, 2 * 24 + 30)) <= left
    assert {2 * 24, 2 * 24 + 5}.isdisjoint(left)  # the night of Tuesday goes on into the holiday


def test_prices_change_with_the_season_at_midnight_all_the_same():
    calendar = DayCalendar(Seasons({"late": "03-07 to 12-31", "early": "otherwise"}), Holidays())
    when = When(days=["friday"], hours=NIGHT, after_midnight="next day", seasons=["late"])
    assert hours_of(when, calendar) == list(range(FRIDAY + 24, FRIDAY + 30))


def test_a_span_within_the_day_has_no_hours_after_midnight():
    with pytest.raises(ValueError, match="runs over midnight"):
        When(hours=["16:00-21:00"], after_midnight="next day")


RATES = """
- kind: energy
  name: Energy
  rates:
    - {{name: night, per_kwh: 0.1, days: [weekdays], hours: ["22:00-06:00"], {key}}}
    - {{name: day, per_kwh: 0.4, days: [weekdays], hours: ["06:00-22:00"]}}
    - {{name: weekend, per_kwh: 0.2, {rest}}}
"""
NEXT = "after_midnight: next day"


def test_nights_of_weekdays_leave_a_hole_and_an_overlap_that_are_told(tmp_path):
    def compiled(rest: str):
        tariff = tariff_of(tmp_path, RATES.format(key=NEXT, rest=rest))
        return compile_cost(tariff, WEEK, calendar_months(WEEK))

    with pytest.raises(TariffError, match="both hold on Saturdays 00:00–06:00"):
        compiled("days: [weekends]}\n    - {name: other, per_kwh: 0, otherwise: true")
    with pytest.raises(TariffError, match="no rate of 'Energy' holds on Mondays 00:00–06:00"):
        compiled("days: [weekends]")


def test_a_bill_of_the_night_that_begins_on_a_weekday(tmp_path):
    tariff = tariff_of(tmp_path, RATES.format(key=NEXT, rest="otherwise: true"))
    told = {line.name: line.quantity for line in billed(tariff, WEEK, 1.0).lines}
    # Monday 00:00 to 06:00 is the night of Sunday, Saturday 00:00 to 06:00 that of Friday
    assert told == {"Energy: night": 40, "Energy: day": 80, "Energy: weekend": 48}


EVENTS = """
- kind: energy
  name: Energy
  rates:
    - {name: one, per_kwh: 1, dates: [2026-03-04], hours: ["22:00-06:00"], after_midnight: next day}
    - {name: two, per_kwh: 2, dates: [2026-03-05], hours: ["05:00-07:00"]}
    - {name: rest, per_kwh: 0, otherwise: true}
"""


def test_the_night_of_one_event_may_not_meet_the_morning_of_the_next(tmp_path):
    with pytest.raises(TariffError, match="both hold on 2026-03-05 05:00–06:00"):
        billed(tariff_of(tmp_path, EVENTS), WEEK, 1.0)


def test_an_open_night_is_remarked_and_a_told_one_is_not(tmp_path):
    def notes(words: str) -> list[str]:
        charge = f'- {{kind: energy, name: Night, per_kwh: 1, hours: ["22:00-06:00"], {words}}}'
        cost = compile_cost(tariff_of(tmp_path, charge), WEEK, calendar_months(WEEK))
        return [note for note in cost.notes if "after_midnight" in note]

    (note,) = notes("days: [friday]")
    assert "00:00-06:00 and 22:00-24:00 of the same day" in note
    assert len(notes("dates: [2026-03-04]")) == 1
    assert not notes("days: [friday], after_midnight: same day")
    assert not notes("days: [friday], after_midnight: next day")
    assert not notes("days: [all]")


def test_a_named_day_that_is_a_holiday_is_a_holiday(tmp_path):
    """A sheet that lists holidays prices them apart; 'friday' is then each other Friday."""
    holidays = "holidays: {dates: [2026-03-06]}"
    rates = """
    - kind: energy
      name: Energy
      rates:
        - {name: friday, per_kwh: 1, days: [friday]}
        - {name: holiday, per_kwh: 2, days: [holidays]}
        - {name: rest, per_kwh: 0, otherwise: true}
    """
    told = {
        line.name: line.quantity
        for line in billed(tariff_of(tmp_path, rates, holidays), WEEK, 1.0).lines
    }
    assert told == {"Energy: holiday": 24, "Energy: rest": 144}
