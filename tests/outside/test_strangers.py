"""Plans of random sites cost what a stranger's program finds; a sample of ``tests/bench/strangers.py``."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.planning.counting import Units
from optimizer.planning.matrix import Matrix
from tests.bench.strangers import Case, compared

TINY_HUGE_CHEAP_DEAR = [20003, 20044, 20066, 20075, 20134, 20161]
"""Sites of watts or megawatts, prices of millionths or ten thousands; each was a fault or a wrong "no plan"."""

LARGE_AND_CHEAP = 310338
"""An office of 620 kW that pays 0.02 a kWh; it was refused, for its plan could not be proven."""

UNDECIDED = 80255
"""A day that cannot end as low as it is asked to; the solver called it neither that nor solved."""


@pytest.mark.parametrize("seed", range(1, 13))
@pytest.mark.sweep(every=2)
def test_a_usual_site_costs_what_the_stranger_finds(seed: int) -> None:
    found = compared(Case.drawn(seed, extreme=0.0))
    assert "FAULT" not in found.end, found


@pytest.mark.parametrize("seed", TINY_HUGE_CHEAP_DEAR)
def test_an_extreme_site_costs_what_the_stranger_finds(seed: int) -> None:
    found = compared(Case.drawn(seed, extreme=1.0))
    assert "FAULT" not in found.end, found


@pytest.mark.parametrize("counted", ["in its units", "in kWh"])
def test_thousands_of_kwh_that_cost_hundredths_are_proven(
    counted: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the solver takes for no price is money there: in kWh only its least tolerances prove it."""
    if counted == "in kWh":
        monkeypatch.setattr(Units, "of", _ones)
    found = compared(Case.drawn(LARGE_AND_CHEAP, extreme=0.1))
    assert "FAULT" not in found.end, found


def test_what_the_solver_leaves_undecided_is_tried_in_another_way() -> None:
    found = compared(Case.drawn(UNDECIDED, extreme=0.25))
    assert found.end == "both find no plan", found


def _ones(matrix: Matrix) -> Units:
    return Units(np.ones(len(matrix.cost)), np.ones(len(matrix.row_low)), 1.0)
