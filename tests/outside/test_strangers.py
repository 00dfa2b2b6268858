"""Plans of random sites cost what a stranger's program finds; a sample of ``tests/bench/strangers.py``."""

from __future__ import annotations

import pytest

from tests.bench.strangers import Case, compared

TINY_HUGE_CHEAP_DEAR = [20003, 20044, 20066, 20075, 20134, 20161]
"""Sites of watts or megawatts, prices of millionths or ten thousands; each was a fault or a wrong "no plan"."""


@pytest.mark.parametrize("seed", range(1, 13))
@pytest.mark.sweep(every=2)
def test_a_usual_site_costs_what_the_stranger_finds(seed: int) -> None:
    found = compared(Case.drawn(seed, extreme=0.0))
    assert "FAULT" not in found.end, found


@pytest.mark.parametrize("seed", TINY_HUGE_CHEAP_DEAR)
def test_an_extreme_site_costs_what_the_stranger_finds(seed: int) -> None:
    found = compared(Case.drawn(seed, extreme=1.0))
    assert "FAULT" not in found.end, found
