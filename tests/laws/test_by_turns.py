"""Two cards by turns are each what they are alone where they hold; equipment as in ``test_steps_by_hand``."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Window
from optimizer.simulation.by_turns import replay_by_turns
from optimizer.simulation.replay import replay
from tests.builders import hourly_grid
from tests.laws.test_steps_by_hand import plant_of, settings_of


@pytest.mark.parametrize("more", [0, 1, 2])
def test_of_two_cards_each_holds_in_its_steps_with_what_follows_its_windows(more: int) -> None:
    """Both end at a target and then cover; the first has more rows. By turns: the second from hour 3 on."""
    plant, grid = plant_of("ac", at_target="ends"), hourly_grid(8)
    load, pv = np.full(8, 1.0), np.zeros(8)
    horizon = Horizon(plant, grid, load, pv, 5.0)
    night = Window(start="00:00", end="08:00", action="charge", until_pct=60, grid_kw=2)
    others = [Window(start=f"{20 + n}:00", end=f"{21 + n}:00", action="hold") for n in range(more)]
    first = settings_of(Window(start="00:00", end="08:00", action="charge", until_pct=90), *others)
    second = settings_of(night)
    for holds, alone in ((np.zeros(8, dtype=bool), first), (np.ones(8, dtype=bool), second)):
        run = replay_by_turns(horizon, first, second, holds)
        np.testing.assert_allclose(run.stored_kwh, replay(horizon, alone).stored_kwh)
    # 1.25 kWh charged reach 60 %, then 1.2 ÷ 0.8 ÷ 0.5 = 3 kWh an hour cover the building
    turns = replay_by_turns(horizon, first, second, np.ones(8, dtype=bool))
    assert turns.stored_kwh[:3] == pytest.approx([6.0, 3.0, 0.0])
