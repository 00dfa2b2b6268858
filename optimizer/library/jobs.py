"""The jobs: each takes a scenario and returns a record with its figures and frames.

Nothing is printed and nothing written. ``progress`` is handed a line of text and a share from 0 to 1; the
line also holds ``what`` goes on, what is ``saved`` so far and about how many ``seconds_left``.
Read next: ``files``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from optimizer.base.errors import InputError
from optimizer.base.flows import Flows
from optimizer.base.progress import Course, Progress, Told, quiet
from optimizer.base.timegrid import calendar_months
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.tariff import Tariff, compile_cost
from optimizer.evaluation.review import Review
from optimizer.library.files import meter_from, settings_from, tariff_from
from optimizer.library.scenario import Scenario
from optimizer.planning.plan import Plan
from optimizer.settings.limiting import ALL_MONTHS
from optimizer.settings.windows import Settings
from optimizer.studies.run import run_study
from optimizer.studies.verdict import StudyResult
from optimizer.workflows import check as checking
from optimizer.workflows import forecast as forecasting
from optimizer.workflows import menu as menus
from optimizer.workflows import off_grid
from optimizer.workflows import outage as failing
from optimizer.workflows import plan as planning
from optimizer.workflows import renew as renewing
from optimizer.workflows import replay as replaying
from optimizer.workflows import review as reviewing
from optimizer.workflows import tomorrow as telling
from optimizer.workflows import verify as verifying
from optimizer.workflows.checked import Verification
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S
from optimizer.workflows.solve import cheapest_plan as solved_plan

if TYPE_CHECKING:
    import pandas as pd

Effort = Literal["quick", "normal", "thorough"]
ShareProgress = Callable[[str, float], object]


def check(scenario: Scenario) -> checking.ScenarioCheck:
    """Return what is odd in a scenario, and whether its equipment fits together; nothing is raised."""
    return checking.check(scenario.brief)


def cheapest_plan(
    scenario: Scenario,
    *,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: ShareProgress | None = None,
) -> Plan:
    """Return the cheapest operation by linear programming: what foresight could save at most.

    Raises
    ------
    SolveError
        If limits clash, or the time is over before there is a plan.
    """
    return solved_plan(scenario.brief, time_limit_s, _told(progress))


def plan(
    scenario: Scenario,
    *,
    effort: Effort = "normal",
    in_use: Settings | str | Path | None = None,
    most_windows: int | None = None,
    worth_typing: float | None = None,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: ShareProgress | None = None,
) -> planning.PlanResult:
    """Find the windows to enter, and what they are worth.

    Parameters
    ----------
    scenario : Scenario
        The site.
    effort : {"quick", "normal", "thorough"}
        How long to search; the same effort finds the same windows.
    in_use : Settings or path, optional
        Settings typed in today: a start of the search, and a bill beside ours.
    most_windows : int, optional
        Hand out at most so many windows, in place of the number recommended.
    worth_typing : float, optional
        What a window must save a year, in place of the scenario's. [money]
    time_limit_s : float
        Most time for the linear program. [s]
    progress : callable, optional
        Is handed a line of text and a share from 0 to 1.

    Raises
    ------
    InputError
        If settings in use or the effort are refused, or no floor gives the endurance that is wished for.
    SolveError
        If no plan can be made.
    """
    return planning.plan(
        scenario.brief,
        effort=_known(effort),
        in_use=None if in_use is None else settings_from(in_use, scenario),
        most_windows=most_windows,
        worth_typing=worth_typing,
        time_limit_s=time_limit_s,
        progress=_told(progress),
    )


def replay(
    scenario: Scenario,
    settings: Settings | str | Path,
    *,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: ShareProgress | None = None,
) -> replaying.ReplayResult:
    """Say what given settings would cost, beside the cheapest plan.

    Raises
    ------
    InputError
        If the controls refuse the settings.
    SolveError
        If no plan can be made.
    """
    given = settings_from(settings, scenario)
    return replaying.replay(
        scenario.brief, given, time_limit_s=time_limit_s, progress=_told(progress)
    )


def renew(
    scenario: Scenario,
    in_use: Settings | str | Path,
    *,
    least_per_month: float | None = None,
    effort: Effort = "normal",
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: ShareProgress | None = None,
) -> renewing.RenewResult:
    """Say what to change about settings in use, and what it is worth.

    ``least_per_month`` is what each change must earn. [money]

    Raises
    ------
    InputError
        If the controls refuse the settings.
    SolveError
        If no plan can be made.
    """
    effort = _known(effort)
    return renewing.renew(
        scenario.brief,
        settings_from(in_use, scenario),
        least_per_month=least_per_month,
        effort=effort,
        time_limit_s=time_limit_s,
        progress=_told(progress),
    )


def review(scenario: Scenario, previous: str | Path, metered: str | Path) -> Review:
    """Hold what was metered against what the results in the folder ``previous`` promised.

    Raises
    ------
    InputError
        If the promise or the meter cannot be read, or do not overlap.
    """
    return reviewing.review(scenario.brief, Path(previous), Path(metered))


def tomorrow(
    results: str | Path, pv_kwh: float | None = None, *, day: date | None = None
) -> telling.Tomorrow:
    """Say which card to use tonight, by the results of a plan and the yield expected of tomorrow. [kWh]

    Raises
    ------
    InputError
        If the results cannot be read, or the yield decides and is not given.
    """
    return telling.tomorrow(Path(results), pv_kwh, day)


def verify(
    results: str | Path,
    scenario_folder: str | Path | None = None,
    *,
    time_limit_s: float = verifying.EQUATIONS_S,
    progress: ShareProgress | None = None,
) -> Verification:
    """Recompute a folder of results by other ways; ``first`` of what comes is what differs first, or None.

    Parameters
    ----------
    results : path
        What ``write`` or the commands ``plan``, ``renew``, ``replay`` or ``study`` have written.
    scenario_folder : path, optional
        The scenario's folder: are its files still those that were planned with?
    time_limit_s : float
        Most time for the printed equations. [s]

    Raises
    ------
    InputError
        If a file is missing, or cannot be read.
    """
    inputs = None if scenario_folder is None else Path(scenario_folder)
    return verifying.verify(
        Path(results), inputs, time_limit_s=time_limit_s, progress=_told(progress)
    )


def outage(
    scenario: Scenario,
    settings: Settings | str | Path | None = None,
    *,
    critical_only: bool = False,
) -> failing.OutageResult:
    """Say how long the building goes on when the grid fails, under settings or without windows.

    Raises
    ------
    InputError
        If the controls refuse the settings, or only critical loads are to be carried and none are listed.
    """
    given = None if settings is None else settings_from(settings, scenario)
    return failing.outage(scenario.brief, given, critical_only=critical_only)


def stay_off(
    scenario: Scenario,
    hours: str,
    import_kw: float = 0.0,
    *,
    months: Sequence[int] = ALL_MONTHS,
    days: str = "every day",
    settings: Settings | str | Path | None = None,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: ShareProgress | None = None,
) -> off_grid.OffGrid:
    """Say beforehand how often the import stays below a power in given hours, and what that costs.

    Parameters
    ----------
    scenario : Scenario
        The site.
    hours : str
        The span of the equipment's clock, as ``17:00-21:00``.
    import_kw : float
        The highest import in them; 0 is off the grid. [kW]
    months : sequence of int
        In which months, 1 to 12.
    days : str
        On which days: ``every day``, ``weekdays``, ``weekends``, ``Saturdays`` …
    settings : Settings or path, optional
        What is typed in beside; no windows without.
    time_limit_s : float
        Most time for the linear program, which says what is left in the battery is worth. [s]
    progress : callable, optional
        Is handed a line of text and a share from 0 to 1.

    Raises
    ------
    InputError
        If the menu cannot hold the limit, or the forecast has none of its hours.
    SolveError
        If no plan can be made.
    """
    return off_grid.stay_off(
        scenario.brief,
        off_grid.limit_of(hours, import_kw, tuple(months), days),
        None if settings is None else settings_from(settings, scenario),
        time_limit_s=time_limit_s,
        progress=_told(progress),
    )


def menu_worth(
    scenario: Scenario,
    *,
    effort: Effort = "quick",
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: ShareProgress | None = None,
) -> menus.MenuWorth:
    """Say what one thing more in the equipment's menu would save, on weeks not fitted to.

    Raises
    ------
    InputError
        If the forecast has too few weeks to keep some back.
    SolveError
        If no plan can be made.
    """
    return menus.menu_worth(
        scenario.brief, effort=effort, time_limit_s=time_limit_s, progress=_told(progress)
    )


def forecast(scenario: Scenario, *, members: int = 12, seed: int = 1) -> forecasting.ForecastResult:
    """Return plausible seasons drawn from what the forecast is made of; the same seed draws the same."""
    return forecasting.forecast(scenario.brief, members, seed)


def bill(
    meter: Flows | pd.DataFrame | str | Path,
    tariff: Tariff | str | Path,
    *,
    zone: str | None = None,
) -> Bill:
    """Return the itemised bill of meter data, by calendar months.

    Parameters
    ----------
    meter : Flows, DataFrame or path of a CSV
        ``import_kwh`` and ``export_kwh`` of each step; a frame's index is aware of its zone.
    tariff : Tariff, or name or path of one
        What the utility asks.
    zone : str, optional
        IANA name of the zone of the wall clock; that of the flows without it.

    Raises
    ------
    InputError
        If meter or tariff cannot be read, or do not go together.
    """
    flows = meter if isinstance(meter, Flows) else meter_from(meter, zone)
    return bill_flows(
        compile_cost(tariff_from(tariff), flows.grid, calendar_months(flows.grid)), flows
    )


def study(
    path: str | Path,
    out: str | Path | None = None,
    *,
    processes: int | None = None,
    progress: ShareProgress | None = None,
) -> StudyResult:
    """Value the cases of a study file; what was done before in the folder ``out`` is not done again.

    Raises
    ------
    InputError
        If the study or its scenarios cannot be read.
    """
    return run_study(
        Path(path), None if out is None else Path(out), processes=processes,
        progress=_told(progress),
    )  # fmt: skip


def _told(progress: ShareProgress | None) -> Progress:
    """Return a listener that hands each line on with the share done."""
    if progress is None:
        return quiet

    def told(line: str) -> None:
        progress(line, line.share if isinstance(line, Told) else 0.0)

    return Course(told)


def _known(effort: Effort) -> Effort:
    if effort not in get_args(Effort):
        *most, last = get_args(Effort)
        raise InputError(
            f"there is no effort {effort!r}",
            where="effort",
            mend=f"Say {', '.join(most)} or {last}.",
        )
    return effort
