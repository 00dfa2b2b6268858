"""Draws the picture of the README: the average winter day of the first demo.

python -m tests.docs.make_picture
"""

from __future__ import annotations

import re
from pathlib import Path

from optimizer.report.page import report_html
from optimizer.scenario.brief import read_brief
from optimizer.workflows.plan import plan

ROOT = Path(__file__).parents[2]


def main() -> None:
    """Plan the demo, and write the first figure of its average days."""
    page = report_html(plan(read_brief(ROOT / "scenarios" / "1_two_rates")))
    figures = re.findall(r"<svg.*?</svg>", page[page.index("The average day") :], flags=re.DOTALL)
    path = ROOT / "scenarios" / "average_day.svg"
    path.write_text(figures[0] + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
