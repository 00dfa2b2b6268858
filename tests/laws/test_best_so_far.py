"""Where the time is over before a plan is proven, the best one so far is handed out, with its gap, and not called best."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.base.errors import StoppedEarly
from optimizer.evaluation.comparison import Judge
from optimizer.planning import plan as planning
from optimizer.planning.plan import make_plan
from tests.bench.strangers import Case
from tests.builders import priced_problem, simple_plant

FALLING_BLOCKS = 101355
"""A drawn site whose import costs less and less, whose PV is paid more than import costs, and a charge of demand."""


def burning_site() -> tuple:
    """Return a site that is paid for buying at all hours, and so would burn energy all day."""
    luck = np.random.default_rng(5)
    plant = simple_plant(8, 3, 0.9)
    load, pv = luck.uniform(0, 3, 24), luck.uniform(0, 4, 24)
    return priced_problem(plant, load, pv, luck.uniform(-0.4, -0.1, 24), np.full(24, 0.05))


def test_a_plan_that_ran_out_of_time_runs_one_way_and_tells_how_far_off_it_may_be(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    problem, cost = burning_site()
    best = make_plan(problem, cost)

    def late(*_: object, **__: object) -> None:
        raise StoppedEarly("over", where="the plan", mend="none")

    monkeypatch.setattr(planning, "_with_integers", late)
    found = make_plan(problem, cost)
    flows = found.flows
    assert np.minimum(flows.import_kwh, flows.export_kwh).max() < 1e-6
    assert np.minimum(flows.charge_kwh, flows.discharge_kwh).max() < 1e-6
    assert best.cost - 1e-6 <= found.cost
    off = found.proof.gap * max(abs(found.proof.objective), 1.0)
    assert found.cost - off <= best.cost + 1e-6


@pytest.mark.parametrize("rounds_in_time", [0, 1])
def test_blocks_that_fall_are_billed_as_they_were_planned_when_the_time_is_over(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, rounds_in_time: int
) -> None:
    """A choice of a block that is not that of the flows would make the objective another than the bill."""
    whole, calls = planning._with_integers, []

    def late(*arguments: Any, **named: Any) -> Any:
        calls.append(1)
        if len(calls) > rounds_in_time:
            raise StoppedEarly("over", where="the plan", mend="none")
        return whole(*arguments, **named)

    monkeypatch.setattr(planning, "_with_integers", late)
    found, _ = Case.drawn(FALLING_BLOCKS, 0.1).plan(tmp_path)
    assert found.proof.objective == pytest.approx(found.proof.recomputed, abs=1e-6)


@pytest.mark.parametrize(
    ("gap", "label"), [(0.0, "cheapest possible plan"), (2e-5, "cheapest plan found")]
)
def test_only_a_proven_plan_is_called_the_cheapest_possible(gap: float, label: str) -> None:
    problem, cost = burning_site()
    plan = make_plan(problem, cost)
    told = replace(plan, proof=replace(plan.proof, gap=gap))
    assert Judge(cost, told).of_plan().label == label
