"""A problem is refused before it is planned if its ends are impossible."""

from __future__ import annotations

import pytest

from optimizer.base.errors import InputError
from tests.laws.cases import AC_PLANT, grid_of, named_cost, problem_of, weather


@pytest.mark.parametrize("end", ["start_kwh", "end_kwh"])
def test_a_level_that_the_battery_cannot_have_is_refused(end: str) -> None:
    grid = grid_of(4)
    changed = {end: AC_PLANT.high_kwh + 1}
    with pytest.raises(InputError, match="lies outside the battery's"):
        problem_of(AC_PLANT, grid, *weather(grid, 1), named_cost("flat", grid), **changed)
