"""Numbers as people type them: each worked out by eye."""

from __future__ import annotations

import pytest

from optimizer.base.errors import Mistake
from optimizer.base.typed_numbers import typed_number

YEAR_KWH = (500.0, 500_000.0)


@pytest.mark.parametrize(
    ("typed", "value"),
    [("3500", 3500), ("3 500", 3500), ("3500,5", 3500.5), ("3.500,5", 3500.5), ("3,500.5", 3500.5), ("0,34", 0.34),
     (" .5", 0.5), ("1'200.50", 1200.5), ("-0.02", -0.02), ("1,234,567", 1234567), ("1.234.567", 1234567),
     ("1.234.567,25", 1234567.25), ("3.505", 3.505), ("0,340", 0.34), ("0.340", 0.34)],
)  # fmt: skip
def test_marks_that_leave_no_doubt(typed: str, value: float) -> None:
    assert typed_number(typed) == value


@pytest.mark.parametrize("typed", ["3,500", "3.500"])
def test_what_is_usual_tells_thousands_from_decimals(typed: str) -> None:
    assert typed_number(typed, YEAR_KWH) == 3500


@pytest.mark.parametrize("usual", [None, (1.0, 10_000.0), (2.0, 1000.0)])
@pytest.mark.parametrize("typed", ["3,500", "3.500"])
def test_a_mark_in_doubt_is_asked_about(usual: tuple[float, float] | None, typed: str) -> None:
    with pytest.raises(Mistake, match="two ways") as told:
        typed_number(typed, usual)
    assert told.value.mend == "Write 3500 or 3.5."
    assert typed_number("3.5", usual) == 3.5


def test_nine_hundred_thousand_is_not_taken_for_nine_hundred() -> None:
    """Both are usual for nobody and somebody: 900 kWh a year is, 900,000 is not, and still may be meant."""
    with pytest.raises(Mistake, match="two ways"):
        typed_number("900.000", YEAR_KWH)


@pytest.mark.parametrize(
    "typed", ["", "much", "1e5", "nan", "1,2,3", "1,200.5.1", "12,34.5", "34 ct", "9" * 41]
)
def test_what_is_no_number(typed: str) -> None:
    with pytest.raises(Mistake, match="is no number"):
        typed_number(typed)
