"""The printed equations, solved through Pyomo: what they say where there is no solution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.planning.printed import Printed, solve_printed
from tests.builders import priced_problem, simple_plant


def test_without_a_solution_the_equations_say_what_they_prove() -> None:
    """No battery of 3 kW is filled with 7 kWh in two hours; and in no time nothing is proven."""
    plant, load = simple_plant(8, 3, 0.9), np.ones(2)
    problem, _ = priced_problem(plant, load, 0 * load, 0.3 + 0 * load, 0.1 + 0 * load)
    assert solve_printed(replace(problem, end_kwh=7.0), 20.0, 0.0) == Printed(np.inf, None, 0)
    assert solve_printed(problem, 1e-9, 0.0) is None
