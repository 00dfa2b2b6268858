"""The page of a past season: each bar of a cause begins where the one before it ended."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from optimizer.billing.tariff import shipped_folder
from optimizer.evaluation.review import Review
from optimizer.evaluation.shape import Shape
from optimizer.report.review import review_text, rows
from optimizer.report.review_page import draw_causes, write_review
from optimizer.scenario.scenario import read_scenario

REVIEW = Review(
    currency="USD", first=date(2026, 1, 1), last=date(2026, 3, 31),
    promised=80.0, causes={"weather": -50.0, "load": 20.0, "not explained": 0.0, "tariff": -10.0},
    real=50.0, real_now=40.0, metered_bill=123.45, shape=Shape(20, 18), net_above_kwh=0.5,
    battery=None, apart_kwh=0.8, worst_days=((date(2026, 2, 3), 4.2),), notes=("one day was left out",),
)  # fmt: skip


def test_bars_of_causes_go_on_from_one_another() -> None:
    """80 promised, 80 - 50 = 30, 30 + 20 = 50, 50 + 0, 50 real, 50 - 10 = 40, 40 real: from 0 to 80 is the room."""
    svg = draw_causes(rows(REVIEW)[:-1], REVIEW.currency)
    bars = [
        (float(x), float(x) + float(width))
        for x, width in re.findall(r'<rect[^>]* x="([\d.]+)"[^>]* width="([\d.]+)"', svg)
    ]
    left, right = bars[0]
    value = [tuple(80 * (end - left) / (right - left) for end in bar) for bar in bars]
    expected = [(0, 80), (30, 80), (30, 50), (50, 50), (0, 50), (40, 50), (0, 40)]
    assert value == [pytest.approx(pair, abs=0.3) for pair in expected]


def test_the_page_tells_what_the_terminal_tells(tmp_path: Path) -> None:
    site = read_scenario(shipped_folder("scenarios") / "1_two_rates")
    *_, path = write_review(REVIEW, site, tmp_path / "out")
    page = path.read_text(encoding="utf-8")
    words = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    for row in rows(REVIEW):
        assert f"{row.name} {row.told}" in words
    for line in (
        "one day was left out",
        "On 18 of the 20 days",
        "2026-02-03",
        "2026-01-01 to 2026-03-31",
    ):
        assert line in " ".join(words.split())
        assert line in " ".join(review_text(REVIEW).split())


def test_a_loss_is_drawn_to_the_left_of_zero() -> None:
    """Causes of -120 bring 80 down to -40; the page shows the loss as one."""
    loss = Review(
        **{
            **vars(REVIEW),
            "causes": {"weather": -120.0, "tariff": 0.0},
            "real": -40.0,
            "real_now": -40.0,
        }
    )
    svg = draw_causes(rows(loss)[:-1], "USD")
    assert "real saving -40.00" in svg
    (zero,) = set(re.findall(r'<path class="axis" d="M([\d.]+) ', svg)) or {""}
    bars = re.findall(r'<rect[^>]* x="([\d.]+)"[^>]* width="([\d.]+)"', svg)
    assert float(bars[-1][0]) + float(bars[-1][1]) == pytest.approx(float(zero), abs=0.2)
