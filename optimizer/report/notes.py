"""Notes and cautions on a result: what was repaired, what limits the figures, what to mind.

Read next: ``text``.
"""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.base.units import money, number
from optimizer.base.words import later, say
from optimizer.evaluation.comparison import Case
from optimizer.evaluation.remarks import on_other_months
from optimizer.planning.plan import Proof
from optimizer.report.advice import cheaper_than_plan, how_proven
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.results import Result, SearchResult

ESTIMATED = later(
    "PV and load were not metered but estimated from import and export; the notes say how well."
)

MUCH_HIGHER = 1.5
"""A highest import of so many times the one without windows is told."""


def notes(result: Result) -> list[str]:
    """Return what was repaired, what limits the figures, and what equipment could not do."""
    scenario = result.scenario
    unfinished = cheaper_than_plan(result)
    return [
        *on_other_months(result.settings, scenario.controls, scenario.forecast.grid.months),
        *(result.remarks if isinstance(result, ReplayResult) else ()),
        *scenario.forecast.notes,
        *result.cost.notes,
        *_on_little_work(result),
        *_on_entries_that_follow(result),
        *_on_floors(result),
        *([unfinished] if unfinished else []),
        *_on_integers(result.plan.proof),
        *_on_controls(result),
        *_on_slow_charging(result),
        *_on_higher_imports(result),
        *(note for case in result.outcome.cases.values() for note in _on_case(case)),
    ]


def _on_little_work(result: Result) -> Iterator[str]:
    """Yield that a quick search may be overtaken, if this is one."""
    if not isinstance(result, SearchResult) or not result.settings.entries():
        return
    if result.effort == "quick":
        yield (
            "Found with --effort quick: with more work other windows may come out, for other reasons."
            " Use --effort normal before typing them in."
        )


def _on_entries_that_follow(result: Result) -> Iterator[str]:
    """Yield that entries which fill the day all move with one of them, where there is something to change."""
    if not isinstance(result, RenewResult) or not result.renewal.changes:
        return
    for each in result.scenario.controls.menu.lists:
        if each.fills_day:
            yield (
                f"Entries of {each.name!r} follow on each other, so that one window changed may move several"
                " of them: type in all of them as they stand on the card."
            )


def _on_floors(result: Result) -> Iterator[str]:
    """Yield what raised floors change about other sizes and about the start."""
    reserve = result.reserve if isinstance(result, SearchResult) else None
    has_others = isinstance(result, PlanResult) and len(result.curve) > 1
    if reserve is not None and reserve.is_raised and has_others:
        yield (
            "The floors were found for the number of windows handed out; with another number, other"
            " shares of outages last as long as is wished for."
        )
    scenario, start_kwh = result.scenario, result.plan.problem.start_kwh
    if start_kwh is not None and start_kwh > scenario.start_kwh + 1e-6:
        plant = scenario.plant
        yield (
            f"The forecast is begun with {number(plant.soc_pct(start_kwh))} % in the battery, the floor of"
            f" its first month, not with {number(plant.soc_pct(scenario.start_kwh))} %."
        )


def _on_integers(proof: Proof) -> Iterator[str]:
    """Yield what of the plan took whole numbers, and how near it is proven."""
    if proof.tariff_integers:
        yield (
            f"The tariff is not convex: steps, falling blocks or credits take"
            f" {proof.tariff_integers} choices. The plan is {how_proven(proof)}."
        )
    if proof.integer_steps:
        yield (
            f"At {proof.integer_steps} steps the linear program alone would import and export,"
            " or charge and discharge, at once; integers keep it to one way there. The plan is"
            f" {how_proven(proof)}."
        )


def _on_controls(result: Result) -> Iterator[str]:
    """Yield what richer controls would bring, if that is much."""
    if isinstance(result, PlanResult) and result.richer is not None:
        yield (
            f"The controls are what holds the saving back: with {', '.join(result.richer.lacking)},"
            f" windows would save about {money(result.richer.saves_more, result.currency)} more over"
            " such a forecast, on weeks that they have not seen."
        )


def _on_slow_charging(result: Result) -> Iterator[str]:
    """Yield what the cheapest plan does not know, if charging slows near full."""
    habits = result.scenario.plant.behaviour
    if habits.slows:
        yield (
            f"Charging slows above {number(habits.slow_above_pct)} %; the cheapest plan does not know"
            " that, so it is a bound that cannot be reached."
        )


def _on_higher_imports(result: Result) -> Iterator[str]:
    """Yield that windows raise the highest import, by much."""
    ours, bare = (result.outcome.cases[key].peak_import_kw for key in ("windows", "no_windows"))
    if ours > bare * MUCH_HIGHER and ours > bare + 1:
        yield (
            f"With these windows the highest import is {number(ours, 1)} kW, without windows"
            f" {number(bare, 1)} kW: they charge from the grid. The bills count it as far as the tariff"
            " charges it; mind the main fuse. A lower charging power or a cap of the import, where the menu"
            " has one, keeps it down."
        )


def _on_case(case: Case) -> Iterator[str]:
    """Yield what connection or battery would not do of a case."""
    if case.overload_kwh:
        yield (
            f"{case.label}: {case.overload_kwh:.1f} kWh would exceed the import limit of"
            " the connection; the real connection would trip or refuse."
        )
    if case.days_beyond_cycles:
        yield (
            f"{case.label}: on {case.days_beyond_cycles} days more is discharged than"
            " cycles_per_day allows; equipment does not stop there by itself."
        )


def cautions(result: Result) -> list[str]:
    """Return the cautions that matter for these settings, most pressing first."""
    file = result.scenario.file
    permissions = file.permissions
    keeps_a_reserve = any(
        result.settings.floor_in(month) > file.battery.floor_pct for month in range(1, 13)
    )
    may_feed = permissions.export and permissions.export_stored_energy
    agreement = say(
        "Check your connection agreement before you charge from the grid or export stored energy."
    )
    reserve = say(
        "Keep a reserve where an outage could hurt somebody: medical devices, heating, pumps."
    )
    none = "" if keeps_a_reserve else " " + say("No reserve is set here; a higher floor keeps one.")
    return [
        *([agreement] if permissions.charge_from_grid or may_feed else []),
        say("Stay within the maker's limits of temperature, current and depth of discharge."),
        reserve + none,
        say("Wiring, breakers and backfeed are for licensed people and your local authority."),
        say("Bills are estimates from a forecast; the utility's tariff sheet decides."),
        *([say(ESTIMATED)] if result.scenario.forecast.estimate else []),
    ]
