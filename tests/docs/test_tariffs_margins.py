"""The margins at the ends of steps that the README tells are those of the code."""

from __future__ import annotations

from pathlib import Path

from optimizer.cost.expression import EDGE_SLACK
from optimizer.planning.cost_rows import EDGE_MARGIN

TEXT = (Path(__file__).parents[2] / "tariffs" / "README.md").read_text(encoding="utf-8")
CHAPTER = TEXT.partition("## `step_fee`")[2].partition("\n## ")[0]


def test_the_margins_at_the_ends_of_steps_are_told():
    assert f"less than {EDGE_SLACK:g} below".replace("1e-06", "1e-6") in " ".join(CHAPTER.split())
    assert f"at least {EDGE_MARGIN:.4f} kW or kWh below" in CHAPTER
