"""A proof is told where it says more than the kept share does."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from optimizer.settings.controls import Controls
from optimizer.workflows import stages
from optimizer.workflows.stages import proof_of

BRIEF: Any = SimpleNamespace(
    floors_kwh={}, scenario=SimpleNamespace(controls=Controls(), forecast=None)
)
PLAN: Any = SimpleNamespace(open_cost=0.0)
FOUND: Any = SimpleNamespace(settings=None, groups=())


@pytest.mark.parametrize(
    ("saved", "gap", "is_told"),
    [
        (129.31, 97.61, False),  # just what the plan saves beyond: 57 % kept, 43 % at most missing
        (129.31, 97.2, False),
        (129.31, 40.0, True),
        (226.92, 0.0, True),  # nothing at all is better, by proof
        (226.918, 0.002, True),
    ],
)
def test_a_bound_that_only_repeats_what_the_plan_saves_is_no_proof(
    monkeypatch: pytest.MonkeyPatch, saved: float, gap: float, is_told: bool
) -> None:
    monkeypatch.setattr(stages, "gap_of", lambda *_given: gap)
    outcome: Any = SimpleNamespace(can_save=226.92, saved=saved)
    task: Any = None
    line = proof_of(BRIEF, PLAN, task, FOUND, outcome, 1e6, lambda _told: None)
    assert (line is not None) == is_told
    if line is not None:
        assert line.gap_money == gap
