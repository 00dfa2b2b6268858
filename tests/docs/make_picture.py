"""Draws the picture of the README: the average winter day of the first demo with its windows.

python -m tests.docs.make_picture
"""

from __future__ import annotations

from pathlib import Path

from optimizer.report.average_day import average_days
from optimizer.report.drawing import standing_alone
from optimizer.scenario.brief import read_brief
from optimizer.workflows.plan import plan

ROOT = Path(__file__).parents[2]


def main() -> None:
    """Plan the demo, and write the windows' figure of its first average day."""
    winter = average_days(plan(read_brief(ROOT / "scenarios" / "1_two_rates")))[0]
    path = ROOT / "scenarios" / "average_day.svg"
    path.write_text(standing_alone(str(winter.figures[-1])) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
