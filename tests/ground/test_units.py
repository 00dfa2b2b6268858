"""Clock times, money and numbers are read and printed in one way."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.units import clock, money, number, percent, price, read_clock


@pytest.mark.parametrize(
    ("text", "minute"), [("00:00", 0), ("07:30", 450), ("23:59", 1439), ("24:00", 1440), (" 06:00 ", 360)]
)  # fmt: skip
def test_a_clock_time_is_a_minute_of_the_day(text: str, minute: int):
    assert read_clock(text) == minute


@pytest.mark.parametrize(
    "text", ["7:30", "0730", "24:01", "25:00", "12:60", "-1:00", "12:00:00", "noon", "", "12.30", "٠٧:٣٠"]
)  # fmt: skip
def test_a_text_that_is_no_clock_time_is_refused_with_the_text(text: str):
    with pytest.raises(ValueError, match="is not a clock time from 00:00 to 24:00") as caught:
        read_clock(text)

    assert repr(text) in str(caught.value)


@given(st.integers(0, 1440))
def test_a_printed_clock_time_is_read_as_it_was(minute: int):
    assert read_clock(clock(minute)) == minute


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        (1234.5, "EUR", "1,234.50 EUR"),
        (0.0, "", "0.00"),
        (-0.0, "USD", "0.00 USD"),
        (-0.001, "", "0.00"),
        (-12.346, "GBP", "-12.35 GBP"),
        (1e6, "SEK", "1,000,000.00 SEK"),
    ],
)
def test_money_has_two_decimals_and_no_negative_zero(amount: float, currency: str, text: str):
    assert money(amount, currency) == text


@pytest.mark.parametrize(
    ("amount", "text"),
    [(0.34, "0.34"), (0.3, "0.30"), (12.0, "12.00"), (0.1234, "0.1234"), (0.075, "0.075"),
     (-0.125, "-0.125"), (11.5, "11.50")],
)  # fmt: skip
def test_a_price_has_two_to_four_decimals(amount: float, text: str):
    assert price(amount) == text


@pytest.mark.parametrize(
    ("share", "decimals", "text"), [(1.0, 0, "100 %"), (0.254, 0, "25 %"), (0.254, 1, "25.4 %"), (0, 0, "0 %")]
)  # fmt: skip
def test_a_share_is_printed_in_per_cent(share: float, decimals: int, text: str):
    assert percent(share, decimals) == text


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(5.0, 1, "5"), (5.25, 2, "5.25"), (5.5, 2, "5.5"), (1200, 0, "1,200"), (100, 1, "100"),
     (1234.56, 1, "1,234.6"), (0.0, 1, "0")],
)  # fmt: skip
def test_a_number_has_no_trailing_zeros(value: float, decimals: int, text: str):
    assert number(value, decimals) == text


@given(st.floats(-1e9, 1e9), st.integers(0, 4))
def test_a_printed_number_is_the_number_to_its_decimals(value: float, decimals: int):
    assert float(number(value, decimals).replace(",", "")) == pytest.approx(
        value, abs=0.5001 * 10**-decimals, rel=1e-12
    )
