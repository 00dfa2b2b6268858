"""Say what a menu's poverty costs: what each single step of richness would save more.

Read next: ``search.richer``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from html import escape
from typing import TYPE_CHECKING

from optimizer.base.errors import ScenarioError
from optimizer.base.progress import Progress, quiet
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import DAYS_PER_YEAR
from optimizer.search.choose import EFFORTS
from optimizer.search.richer import Steps, what_steps_bring
from optimizer.workflows.inputs import groupings_of, task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, repr=False)
class MenuWorth:
    """What single steps of richness would save more, on weeks not fitted to."""

    brief: Brief
    steps: Steps
    effort: str

    @property
    def frame(self) -> pd.DataFrame:
        """A row for each step, the best first: ``more``, ``saves_a_year`` [money], ``is_noise``."""
        import pandas as pd

        rows = [
            {
                "more": words,
                "saves_a_year": self.a_year(saves),
                "is_noise": saves <= self.steps.noise,
            }
            for words, saves in sorted(self.steps.steps, key=lambda step: -step[1])
        ]
        return pd.DataFrame(rows, columns=["more", "saves_a_year", "is_noise"])

    def a_year(self, amount: float) -> float:
        """Return a sum over the forecast as one a year. [money]"""
        return amount * DAYS_PER_YEAR / self.brief.scenario.forecast.grid.days

    def __repr__(self) -> str:
        clear = sum(saves > self.steps.noise for _, saves in self.steps.steps)
        return f"<MenuWorth: {clear} of {len(self.steps.steps)} steps bring more than noise>"

    def _repr_html_(self) -> str:
        return f"<p>{escape(repr(self))}</p>{self.frame.to_html(index=False)}"


def menu_worth(
    brief: Brief,
    *,
    effort: str = "quick",
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress = quiet,
) -> MenuWorth:
    """Say what each single step of richness would save more, on weeks not fitted to.

    Parameters
    ----------
    brief : Brief
        The scenario with its tariff.
    effort : {"quick", "normal", "thorough"}
        How long to search each menu.
    time_limit_s : float
        Most time for the linear program. [s]
    progress : callable
        Is told what goes on.

    Raises
    ------
    ScenarioError
        If the forecast has too few weeks to keep some back.
    SolveError
        If no plan can be made.
    """
    if not brief.weather.has_folds:
        raise ScenarioError(
            "the forecast has too few whole weeks to keep some back, so nothing can be judged on weeks not"
            " fitted to",
            where=brief.scenario.source.where(("forecast",)),
            mend="Give a forecast of at least eight whole weeks; a year is best.",
        )
    task = task_of(brief, cheapest_plan(brief, time_limit_s, progress))
    steps = what_steps_bring(
        task, brief.weather, partial(groupings_of, brief), EFFORTS[effort], progress
    )
    return MenuWorth(brief, steps, effort)
