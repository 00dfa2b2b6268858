"""The verdict in words, and what windows change about the bill: worked out by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from optimizer.report.verdict import charges_changed, verdict
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.replay import ReplayResult


def case(**charges: float) -> Any:
    return SimpleNamespace(bill=SimpleNamespace(by_charge=lambda: charges))


def made(kind: type, spread: tuple[float, float, float] | None, **more: Any) -> Any:
    """Return as much of a result as its verdict needs: p10, p50 and p90 of what is saved."""
    result = object.__new__(kind)
    sureness = spread and SimpleNamespace(
        saved=SimpleNamespace(p10=spread[0], p50=spread[1], p90=spread[2])
    )
    told = {
        "settings": SimpleNamespace(entries=lambda _menu=None: 2),
        "scenario": SimpleNamespace(forecast=SimpleNamespace(grid=SimpleNamespace(days=365))),
        "currency": "USD",
        "sureness": sureness,
        "outcome": SimpleNamespace(days_of_cycles_kept=0),
    }
    parts = told | more
    fake = type(kind.__name__, (kind,), {key: property(lambda _self, v=value: v) for key, value in parts.items()})  # fmt: skip
    object.__setattr__(result, "__class__", fake)
    return result


@pytest.mark.parametrize(
    ("spread", "words"),
    [
        ((5.0, 20.0, 40.0), "Yes: in nine of ten years that they had not seen, the windows save something."
                            " Left as it comes, it costs 20.00 USD more in the middle of such years."),
        ((-5.0, 20.0, 40.0), "Probably: in one of ten years that they had not seen, the windows save nothing."
                             " Left as it comes, it costs 20.00 USD more in the middle of such years."),
        ((-9.0, -1.0, 4.0), "No. Leave the equipment as it comes. In half of the years that the windows had"
                            " not seen they save nothing."),
    ],
)  # fmt: skip
def test_the_verdict_goes_by_years_not_seen(spread: tuple[float, float, float], words: str) -> None:
    assert verdict(made(PlanResult, spread)) == words


def test_windows_that_only_keep_the_cycles_of_a_day_are_told_as_such() -> None:
    outcome = SimpleNamespace(days_of_cycles_kept=334)
    told = verdict(made(PlanResult, (-184.0, -163.5, -139.0), outcome=outcome))
    assert told == (
        "Only to keep cycles_per_day, which the equipment as it comes exceeds on 334 days: for that the"
        " windows cost 163.50 USD in the middle of years that they had not seen."
    )


@pytest.mark.parametrize(
    ("saved", "words"),
    [(12.5, "On this forecast, yes: left as it comes, the equipment costs 12.50 USD more."),
     (-3.0, "No. Leave the equipment as it comes.")],
)  # fmt: skip
def test_settings_that_are_only_replayed_are_judged_on_their_forecast(
    saved: float, words: str
) -> None:
    told = verdict(made(ReplayResult, None, outcome=SimpleNamespace(saved=saved)))
    assert told.startswith(words)


def test_charges_are_told_by_how_much_more_or_less_is_to_be_paid() -> None:
    """Energy 100 → 80, demand 30 → 35, credit -10 → -14, tax and basic charge stay."""
    cases = {
        "no_windows": case(basic=9.0, energy=100.0, demand=30.0, credit=-10.0, tax=5.0),
        "windows": case(basic=9.0, energy=80.0, demand=35.0, credit=-14.0, tax=5.004),
    }
    outcome = SimpleNamespace(cases=cases)
    assert charges_changed(made(PlanResult, None, outcome=outcome)) == (
        "To pay with our windows, against no windows: energy 20.00 USD less; demand 5.00 USD more;"
        " credit 4.00 USD less."
    )
