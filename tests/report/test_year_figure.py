"""The packed days are the flows, and the window named in force is the one that the replay obeys."""

from __future__ import annotations

import base64
import re
import struct
import zlib

import numpy as np
import pytest

from optimizer.base.writing import PLAIN
from optimizer.report.drawing_png import picture
from optimizer.report.tariff_week import price_words
from optimizer.report.weeks import parts_of_year, week_of
from optimizer.report.working_days import _days_of_entry
from optimizer.report.year_figure import by_day, in_force, most_often, packed
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import orders_of
from tests.builders import local_grid
from tests.laws.cases import AC_PLANT, grid_of

NIGHT = Window(start="22:00", end="06:00", action="charge", until_pct=80)
NOON = Window(start="11:00", end="13:00", action="hold")
EARLY = Window(start="04:00", end="05:00", action="sell", power_kw=2)
CAP = Window(start="12:00", end="20:00", action="limit", import_cap_kw=1)


def unpacked(text: str, series: int) -> list[list[int]]:
    """Return packed numbers, one after the other, as the page's script takes them."""
    raw = zlib.decompress(base64.b64decode(text))
    half = len(raw) // 2
    count = half // series
    found = []
    for place in range(series):
        total, numbers = 0, []
        for at in range(place * count, (place + 1) * count):
            total = (total + raw[at] + 256 * raw[half + at]) & 0xFFFF
            numbers.append(struct.unpack("<h", struct.pack("<H", total))[0])
        found.append(numbers)
    return found


def test_packed_numbers_come_back_as_they_were() -> None:
    luck = np.random.default_rng(3)
    numbers = luck.integers(-9999, 9999, (4, 1000)).astype(float)
    numbers[0, :2] = -32767, 32767
    assert unpacked(packed(numbers), 4) == numbers.astype(int).tolist()


def settings_of(*day_sets: DaySet, months: list[int], **more: object) -> Settings:
    seasons = [SeasonSet(months=months, day_sets=list(day_sets))]
    return Settings(settings="x", floor_pct=10, seasons=seasons, **more)


def test_the_window_in_force_by_hand() -> None:
    """Friday 30 May to Monday 2 June 2025; windows from June on, at night on Saturdays and Sundays alone."""
    grid = grid_of(4 * 24, start="2025-05-30")
    weekend = DaySet(days="weekends", windows=[NIGHT, NOON])
    settings = settings_of(DaySet(days="weekdays"), weekend, months=[6])
    window, limit = in_force(settings, grid)
    sunday = 2 * 24
    assert not window[:sunday].any()  # May
    assert window[sunday : sunday + 6].tolist() == [1] * 6
    assert window[sunday + 11 : sunday + 13].tolist() == [2, 2]
    assert window[sunday + 22 : sunday + 24].tolist() == [1, 1]
    assert not window[sunday + 24 :].any()  # Monday: small hours are those of the same weekday
    assert not limit.any()
    onwards = settings.model_copy(update={"after_midnight": "next day"})
    window, _ = in_force(onwards, grid)
    assert window[sunday : sunday + 6].tolist() == [1] * 6  # from Saturday on
    assert window[sunday + 24 : sunday + 30].tolist() == [1] * 6  # from Sunday on


@pytest.mark.parametrize(
    "more",
    [{}, {"after_midnight": "next day"}, {"summer_time": False}, {"outside": "hold"},
     {"precedence": ["sell", "charge", "hold"]}],
)  # fmt: skip
def test_steps_have_the_same_window_just_where_the_replay_has_the_same_orders(more) -> None:
    """A year with both clock changes, in quarter-hours; each pair of window and limit has its own orders."""
    grid = local_grid("2026-01-01T00:00", "Europe/Berlin", 365 * 96, 15)
    weekdays = [NIGHT, NOON, CAP, *([EARLY] if "precedence" in more else [])]
    settings = settings_of(
        DaySet(days="weekdays", windows=weekdays), DaySet(days="weekends", windows=[NOON]),
        months=[1, 2, 3, 10, 11, 12], **more,
    )  # fmt: skip
    window, limit = in_force(settings, grid)
    rows = orders_of(settings, AC_PLANT, grid)
    names = [(w.action, w.start) for w in map(settings.window, settings.places())]
    held = [("", ""), *names]
    pairs = {(held[w], held[c], m in settings.seasons[0].months, row)
             for w, c, m, row in zip(window, limit, grid.month, rows.of_step, strict=True)}  # fmt: skip
    orders = {}
    for holding, capped, _inside, row in pairs:
        assert orders.setdefault(row, (holding, capped)) == (holding, capped)
    known = {(holding, capped, inside) for holding, capped, inside, _ in pairs}
    assert len(pairs) == len(known)


def test_a_day_without_an_hour_is_blank_there_and_one_with_an_hour_twice_shows_the_second() -> None:
    spring = grid_of(23 + 24, start="2025-03-30")  # Dublin: 01:00 is not there
    table = by_day(np.arange(47.0), spring)
    assert np.isnan(table[1, 0])
    assert table[2, 0] == 1
    assert not np.isnan(table[:, 1]).any()
    autumn = grid_of(25, start="2025-10-26")
    assert by_day(np.arange(25.0), autumn)[1, 0] == 2


def test_few_high_powers_do_not_decide_what_colours_tell_apart() -> None:
    assert most_often(np.array([0.0] * 50 + [1.0] * 99 + [50.0])) == 1.0
    assert most_often(np.zeros(5)) == 1.0


# --- the week of the tariff ------------------------------------------------------------------------


def test_the_week_of_a_tariff_is_told_by_parts_of_the_year() -> None:
    """Nights cost 0.1; days 0.3, in July 0.5 on weekdays; one holiday and one peak change nothing."""
    grid = local_grid("2026-06-01T00:00", "UTC", 24 * 92)
    hour, weekday = grid.minute_of_day // 60, grid.weekday
    buy = np.where(hour < 6, 0.1, 0.3)
    buy[(grid.month == 7) & (weekday < 5) & (hour >= 6)] = 0.5
    buy[(grid.day == 33)] = 0.1  # Saturday 4 July
    buy[500] = 9.9
    assert parts_of_year(buy, grid) == [[6, 8], [7]]
    july = week_of(buy, grid, [7])
    assert july.shape == (7, 24)
    assert july[0].tolist() == [0.1] * 6 + [0.5] * 18
    assert list(price_words(july, "EUR", PLAIN)) == [
        "0.10 EUR per kWh: every day 00:00–06:00",
        "0.30 EUR per kWh: Saturday, Sunday 06:00–24:00",
        "0.50 EUR per kWh: Monday–Friday 06:00–24:00",
    ]


def test_of_many_prices_lowest_and_highest_are_told() -> None:
    week = np.tile(np.arange(24.0) / 10, (7, 1))
    told = list(price_words(week, "EUR", PLAIN))
    assert told[0] == "0.00 EUR per kWh: every day 00:00–01:00"
    assert told[1] == "2.30 EUR per kWh: every day 23:00–24:00"
    assert re.fullmatch(r"22 more prices .+", told[2])


def test_a_forecast_of_two_days_leaves_the_others_blank() -> None:
    grid = local_grid("2026-06-01T00:00", "UTC", 48)
    week = week_of(np.ones(48), grid, [6])
    assert np.isfinite(week[:2]).all()
    assert np.isnan(week[2:]).all()
    assert list(price_words(week, "EUR", PLAIN)) == ["1.00 EUR per kWh: Monday, Tuesday all day"]


# --- the days on which an entry works --------------------------------------------------------------


def test_days_of_an_entry_are_counted_by_hand() -> None:
    """Four days: it holds on three, the battery takes 2 kWh on one and gives 1.5 kWh on another."""
    grid = grid_of(4 * 24)
    held = np.array([True, True, False, True])
    taken, given = np.array([2.0, 0, 0, 0.01]), np.array([0.0, 1.5, 0, 0])
    days = _days_of_entry(3, grid, held, taken, given)
    assert days.words == (
        "In force on 3 days; the battery takes 2 kWh on 1 of them; the battery gives 2 kWh on 1 of them."
    )
    assert "Entry 3 by day: In force on 3 days" in days.figure
    idle = _days_of_entry(1, grid, ~held, 0 * taken, 0 * given)
    assert idle.words == "In force on 1 day; the battery neither takes nor gives there."


def test_even_a_year_of_quarter_hours_that_is_all_noise_stays_below_the_limit() -> None:
    """Three series of clock and windows, nine of noise and four heat maps; the page's limit is 1.5 MB."""
    luck = np.random.default_rng(2)
    steps = 365 * 96
    series = np.zeros((12, steps))
    series[0] = np.arange(steps) % 96 * 15
    series[3:] = luck.integers(-2000, 2000, (9, steps))
    maps = [picture(luck.random((96, 365)), 0, 1) for _ in range(4)]
    assert len(packed(series)) + sum(map(len, maps)) < 1.2e6
