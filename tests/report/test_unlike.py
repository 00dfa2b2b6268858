"""Unlike is compared where few cycles are allowed, and that is said; a plan is called the cheapest where proven."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from optimizer.evaluation.comparison import Outcome
from optimizer.planning.plan import Proof
from optimizer.report.advice import how_proven
from optimizer.report.unseen import promise
from optimizer.workflows.replay import ReplayResult
from tests.report.test_verdict import made


def outcome_of(costs: tuple[float, float, float], beyond: tuple[int, int]) -> Outcome:
    """Return costs of no windows, windows and plan; days on which the first two exceed the cycles."""
    keys = ("no_windows", "windows", "plan")
    cases: dict[str, Any] = {
        key: SimpleNamespace(
            cost=cost,
            bill=SimpleNamespace(total=cost),
            days_beyond_cycles=days,
            label=f"the case {key}",
        )
        for key, cost, days in zip(keys, costs, (*beyond, 0), strict=True)
    }
    settings: Any = SimpleNamespace(entries=lambda _menu=None: 2)
    return Outcome(cases, settings, ())


@pytest.mark.parametrize(
    ("costs", "beyond", "share"),
    [
        ((100.0, 60.0, 20.0), (0, 0), 0.5),
        ((100.0, 60.0, 20.0), (7, 0), 0.5),
        ((100.0, 110.0, 20.0), (0, 0), -0.125),
        ((100.0, 110.0, 20.0), (7, 0), None),
        ((100.0, 10.0, 20.0), (7, 300), None),
    ],
)
def test_no_kept_share_of_unlike_where_it_is_no_share(
    costs: tuple[float, float, float], beyond: tuple[int, int], share: float | None
) -> None:
    assert outcome_of(costs, beyond).kept_share == share


def test_unlike_is_said_beside_what_is_saved() -> None:
    told = made(ReplayResult, None, outcome=outcome_of((100.0, 10.0, 20.0), (7, 300)),
                plan=SimpleNamespace(proof=SimpleNamespace(gap=0.0)))  # fmt: skip
    *_, here = promise(told)
    assert (
        "Unlike is compared: the plan keeps cycles_per_day, but 'the case windows' discharges more on 300 days."
        " No kept share is told." in here
    )


@pytest.mark.parametrize(
    ("gap", "words"),
    [
        (0.0, "proven best"),
        (9e-6, "proven best to within 9.0e-06 of its cost"),
        (1.5e-4, "not proven the cheapest: that may cost up to 0.015 % of its cost less"),
        (0.3, "not proven the cheapest: that may cost up to 30 % of its cost less"),
    ],
)
def test_only_what_is_proven_to_a_hundred_thousandth_is_called_so(gap: float, words: str) -> None:
    assert how_proven(Proof("", gap, 1, 0, 1, 1, 1.0, 1.0, 1.0)).endswith(words)
