"""The week painted from rows: what stands in the figure, in its legend and in its words."""

import re
from dataclasses import replace

from optimizer.billing.rate_rows import RateRow, RateSheet, RateTable, read_sheet
from optimizer.report.rates_week import rates_painted

SHEET = RateSheet(
    currency="EUR",
    energy=RateTable(
        "Energy",
        (
            RateRow("peak", "June–August", "weekdays", "16:00", "20:00", "0.40"),
            RateRow("peak", "June–August", "weekends", "18:00", "20:00", "0.40"),
            RateRow("day", "", "all", "06:00", "18:00", "0.20"),
            RateRow("night", "", "all", "22:00", "06:00"),
        ),
    ),
)


def test_each_price_hole_and_double_stands_in_the_words_of_its_season() -> None:
    other, summer = rates_painted(read_sheet(SHEET), None)
    assert (other.name, other.words) == ("September–May", [
        "day 0.20 EUR: every day 06:00–18:00",
        "night: price not typed yet: every day 00:00–06:00, 22:00–24:00",
        "no row: no price: every day 18:00–22:00",
    ])  # fmt: skip
    assert (summer.name, summer.words) == ("June–August", [
        "peak 0.40 EUR: every day 18:00–20:00",
        "day 0.20 EUR: Monday–Friday 06:00–16:00; Saturday, Sunday 06:00–18:00",
        "night: price not typed yet: every day 00:00–06:00, 22:00–24:00",
        "no row: no price: every day 20:00–22:00",
        "two rows at once: Monday–Friday 16:00–18:00",
    ])  # fmt: skip


def test_the_figure_says_its_words_and_draws_every_hour_once() -> None:
    """Seven days of 24 h: widths of cells, holes and doubles add up to the panel's, day by day."""
    for week in rates_painted(read_sheet(SHEET), None):
        assert f'aria-label="Price of a kWh, {week.name}: ' in week.figure
        assert all(words in week.figure for words in week.words)
        rects = re.findall(r'<rect class="(?:cell|band [a-z]+)" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="22"',
                           week.figure)  # fmt: skip
        days: dict[str, float] = {}
        for _, top, width in rects:
            days[top] = days.get(top, 0.0) + float(width)
        assert len(days) == 7
        assert all(abs(width - (460 - 20 - 46)) < 0.5 for width in days.values())


def test_a_price_of_all_other_times_fills_the_holes_and_holidays_have_a_row() -> None:
    with_holidays = replace(SHEET, holidays="2026-12-25", currency="")
    first, _ = rates_painted(read_sheet(with_holidays), 0.1)
    assert "other times 0.10: every day 18:00–22:00" in first.words
    assert ">Hol.<" in first.figure
    assert "hatch" not in first.figure
