"""Plan one scenario: cheapest operation, windows, replay, bills, and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

from optimizer.base.parallel import ahead, both
from optimizer.base.progress import Progress, course_of, quiet
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import sureness_of
from optimizer.evaluation.second_card import SecondCard, second_card
from optimizer.evaluation.without_foresight import WithoutForesight, without_foresight
from optimizer.planning.linear import LinearSolver
from optimizer.scenario.brief import Brief
from optimizer.search.choose import EFFORTS, Found, Size
from optimizer.search.richer import Richer, enriched, what_richer_would_bring
from optimizer.search.score import Task
from optimizer.settings.windows import Settings
from optimizer.workflows.inputs import groupings_of, horizon_of
from optimizer.workflows.outage import outages_under
from optimizer.workflows.reserve import with_endurance
from optimizer.workflows.results import SearchResult, fits_under, outcome_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, PLANNING_S, Solved, make_ready, solve


@dataclass(frozen=True, repr=False)
class PlanResult(SearchResult):
    """The windows to enter.

    ``richer`` is there if richer controls would save much more. ``curve`` holds the settings of each
    number of windows, fewest first. ``without_foresight`` is what the best control without foresight that
    was found saves on weeks kept back; None with quick effort, without such weeks or a battery, and where
    highest powers are charged. ``second_card`` is whether a second card for days of little sun earns its
    keep; None with quick effort, where a number of windows was asked for, and without PV, battery or weeks
    kept back.
    """

    richer: Richer | None = None
    without_foresight: WithoutForesight | None = None
    curve: tuple[Size, ...] = ()
    second_card: SecondCard | None = None


def plan(
    brief: Brief,
    *,
    effort: str = "normal",
    in_use: Settings | None = None,
    most_windows: int | None = None,
    worth_typing: float | None = None,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress = quiet,
) -> PlanResult:
    """Do the main job: from a scenario to settings, and what they are worth.

    Parameters
    ----------
    brief : Brief
        The scenario with its tariff.
    effort : {"quick", "normal", "thorough"}
        How long to search; the same effort finds the same windows.
    in_use : Settings, optional
        Settings typed in today: a start of the search, and a bill beside ours.
    most_windows : int, optional
        Hand out at most so many windows, in place of the number recommended.
    worth_typing : float, optional
        What a window must save a year, in place of the scenario's. [money]
    time_limit_s : float
        Most time for the linear program. [s]
    progress : callable
        Is told what goes on.

    Raises
    ------
    SolveError
        If no plan can be made.
    ScenarioError
        If no floor gives the endurance that is wished for.
    """
    if worth_typing is not None:
        brief = replace(brief, scenario=brief.scenario.asking(worth_typing))
    course = course_of(progress)
    course.expect(_stages(brief, effort))
    if told := _long_job(brief.scenario.forecast.grid.count):
        course(told)
    solver = LinearSolver()
    ahead(partial(make_ready, brief))
    solved = partial(
        solve,
        effort=effort,
        in_use=in_use,
        most_windows=most_windows,
        time_limit_s=time_limit_s,
        solver=solver,
        progress=course,
    )
    case, reserve = solved(brief), None
    if brief.scenario.file.outage.hours is not None:
        case, reserve = with_endurance(case, solved, course)
    brief, found, settings = case.brief, case.found, case.found.settings
    course("replaying the windows on weeks that they have not seen")
    sureness, richer = both(
        lambda: sureness_of(
            found, brief.weather, case.plan.problem, brief.cost, horizon_of(brief),
            PLANNING_S[effort], course, solver,
        ),
        lambda: None if effort == "quick" else _richer(brief, case.task, found, course),
    )  # fmt: skip
    yardstick = None if effort == "quick" else _yardstick(case, course)
    is_asked = effort != "quick" and most_windows is None
    second = _second_card(case, course) if is_asked else None
    course("replaying the windows and adding up the bills")
    return PlanResult(
        brief,
        case.plan,
        outcome_of(brief, case.plan, settings, in_use),
        found=found,
        sureness=sureness,
        effort=effort,
        outages=outages_under(brief, settings),
        fits=tuple(fits_under(brief, settings)),
        richer=richer,
        without_foresight=yardstick,
        reserve=reserve,
        curve=found.sizes,
        second_card=second,
    )


PLAN, UNSEEN, KEPT_BACK, YARDSTICK, SECOND_CARD = 4_000, 1_500, 2_500, 6_000, 8_000
BILLS, REPORT = 3_000, 4_000
"""Work of stages that count none, in replays of a year that a search makes: what they took on the first
demo beside the search, whose replay took 0.09 ms with all that it is made of."""


LONG_STEPS = 30_000
S_PER_STEP, MB_PER_STEP, MB_AT_LEAST = 1.7e-3, 0.018, 350.0
"""What a job of that many steps took a step, with quick effort on two busy processors. [s, MB]"""


def _long_job(steps: int) -> str:
    """Return about how long a job of many steps takes, and how much memory; empty if it is not long."""
    if steps < LONG_STEPS:
        return ""
    seconds, memory = S_PER_STEP * steps, (MB_AT_LEAST + MB_PER_STEP * steps) / 1000
    return (
        f"{steps:,} steps: about {seconds:.0f} s in all with quick effort on two processors, some times as"
        f" long with more, and about {memory:.1f} GB of memory"
    )


def _stages(brief: Brief, effort: str) -> list[tuple[str, float]]:
    """Return the stages of the job: how their lines begin, and their work. [replays of a year]"""
    controls, work, asking = brief.scenario.controls, EFFORTS[effort], EFFORTS["quick"]
    folds = 2 if brief.weather.has_folds else 0
    ways, richer_ways = (len(groupings_of(brief, menu)) for menu in (controls, enriched(controls)))
    richer = folds * richer_ways * asking.fold_replays + asking.replays
    is_quick = effort == "quick"
    return [
        ("planning", PLAN),
        ("fitting windows to every other week", folds * ways * work.fold_replays),
        ("fitting windows to all weeks", work.replays),
        ("replaying the windows on weeks", UNSEEN),
        ("planning the weeks", 0 if is_quick else KEPT_BACK),
        ("asking what richer", 0 if is_quick else richer),
        ("asking what a control", 0 if is_quick else YARDSTICK),
        ("asking what a second card", 0 if is_quick else SECOND_CARD),
        ("replaying the windows and", BILLS),
        ("drawing the report", REPORT),
    ]


def _richer(brief: Brief, task: Task, found: Found, progress: Progress) -> Richer | None:
    """Return what richer controls would save more, if that is much."""
    progress("asking what richer controls would bring")
    groupings = groupings_of(brief, enriched(task.controls))
    return what_richer_would_bring(task, brief.weather, found, groupings)


def _yardstick(case: Solved, progress: Progress) -> WithoutForesight | None:
    """Return what the best control without foresight that was found saves on weeks kept back."""
    progress("asking what a control without foresight could save")
    brief, judge = case.brief, Judge(case.brief.cost, case.plan)
    return without_foresight(case.found.fitted_on, brief.weather, judge, horizon_of(brief))


def _second_card(case: Solved, progress: Progress) -> SecondCard | None:
    """Return whether a second card for days of little sun earns its keep."""
    progress("asking what a second card for dark days would bring")
    brief, judge = case.brief, Judge(case.brief.cost, case.plan)
    return second_card(case.found, case.task, brief.weather, judge, horizon_of(brief))
