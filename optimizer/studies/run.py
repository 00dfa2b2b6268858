"""The story of a study: read and check, say what it takes, carry out, look closely, hand over.

Read next: ``cli``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from optimizer.base.progress import Progress
from optimizer.economics.cash_flow import Money
from optimizer.planning.solver import processors
from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.best_sizes import find_best_sizes
from optimizer.studies.cases import Case, Joint, Manner, Run, Study, read_study
from optimizer.studies.estimate import duration, extent_of, work_to_come
from optimizer.studies.executors import Cluster, Here, Lanes, Processes
from optimizer.studies.manifest import manifest_of
from optimizer.studies.questions import (
    Asking,
    Failed,
    Question,
    Valued,
    chances_for,
    floors_cost_of,
    money_in,
    sources_of,
    swing_of,
    value_of,
    value_together,
)
from optimizer.studies.scheduler import CarryingOut
from optimizer.studies.table import WAYS, Rows, row_of, tabled
from optimizer.studies.verdict import OnDemand, Row, Sized, StudyResult, Verdict

FEW_PIECES = 3
"""So few pieces of work are done in this process: to begin others takes longer."""


def list_study(path: Path, processes: int | None) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Read and check a study; return what it takes and which cases it has, and do none."""
    study = read_study(path)
    extent = extent_of(study, processors() if processes is None else max(processes, 1))
    told = {
        "study": study.file.study, "families": extent.families, "pieces": extent.pieces,
        "about_seconds": round(extent.seconds, 1),
    }  # fmt: skip
    listed = [
        *(Valued(case, "listed") for case in study.cases),
        *(Valued(joint.first, "listed", joint=joint) for joint in study.joint),
    ]
    return told, [row_of(number, each, study.currency) for number, each in enumerate(listed, 1)]


def run_study(
    path: Path,
    out: Path | None,
    *,
    processes: int | None = None,
    cluster: str | None = None,
    again_failed: bool = False,
    so_far: Callable[[list[Row]], object] = lambda _rows: None,
    progress: Progress,
) -> StudyResult:
    """Do a study.

    Parameters
    ----------
    path : Path
        The study file.
    out : Path, optional
        Where the ledger is kept; what is there already is not done again.
    processes : int, optional
        Processes on this machine; as many as it has processors without it, 0 for this one alone.
    cluster : str, optional
        Address of a Dask scheduler, whose workers do the work instead.
    again_failed : bool
        Try again what failed before.
    so_far : callable
        Is given the rows that are known, now and then.
    progress : callable
        Is told what goes on.

    Raises
    ------
    InputError
        What is wrong in the study, its scenarios or tariffs, before anything runs.
    """
    progress("reading the study, its scenarios and tariffs")
    study = read_study(path)
    ledger = Ledger(out, again_failed=again_failed)
    lost = list(_lost(ledger))
    for note in lost:
        progress(note)
    count = processors() if processes is None else processes
    try:
        with _lanes(study, count, cluster, progress) as lanes:
            manner = Manner(study.file.effort, study.file.ageing.depth_exponent)
            carrying_out = CarryingOut(ledger, lanes, manner, progress)
            manifest = manifest_of(study, _told(lanes), ledger.lost)
            result = _result(study, carrying_out, manifest, so_far, progress)
            return replace(result, notes=(*lost, *result.notes))
    finally:
        ledger.close()


def _lost(ledger: Ledger) -> Iterator[str]:
    """Yield what is to be told of a damaged ledger."""
    if ledger.lost:
        were = "line is" if ledger.lost == 1 else "lines are"
        yield (
            f"{ledger.lost:,} {were} blank or damaged in the ledger ({LEDGER}): what stood there is done"
            " anew; all others are used."
        )


@contextmanager
def _lanes(study: Study, count: int, cluster: str | None, progress: Progress) -> Iterator[Lanes]:
    lanes: Lanes
    if cluster is not None:
        progress(
            f"work goes through the scheduler at {cluster}: it and its workers are trusted, for what they"
            " hand out is code that runs here"
        )
        lanes = Cluster(cluster)
    elif count == 0 or extent_of(study, 1).pieces <= FEW_PIECES:
        lanes = Here()
    else:
        lanes = Processes(count)
    extent = extent_of(study, len(lanes.names()))
    progress(
        f"{extent.cases} cases, about {extent.pieces} plans with windows, about"
        f" {duration(extent.seconds)} if nothing is known yet"
    )
    try:
        yield lanes
    finally:
        lanes.close()


def _told(lanes: Lanes) -> str:
    kind = {Here: "this process", Processes: "processes", Cluster: "workers of a cluster"}
    return kind.get(type(lanes), "lanes")


def _result(
    study: Study,
    carrying_out: CarryingOut,
    manifest: dict[str, Any],
    so_far: Callable[[list[Row]], object],
    progress: Progress,
) -> StudyResult:
    file = study.file
    table = Rows()

    def asked(questions: Sequence[Question]) -> list[Question]:
        first = 1 + len(valued)
        return [
            tabled(table, number, each, study.currency)
            for number, each in enumerate(questions, first)
        ]

    valued: list[Valued] = []
    bounded = _bounded_runs(study)
    valued += carrying_out.results(
        asked(
            [
                value_of(case, hopeless_among=bounded.get(case.family.key, []))
                if case.way == "windows"
                else value_of(case)
                for case in study.cases
            ]
        ),
        lambda _found: so_far(table.in_order()),
        [float(case.role == "listed" and case.way == "windows") for case in study.cases],
        work_to_come(study),
    )
    sized: list[Sized] = []
    notes = _estimated_sites(study)
    if file.best_size is not None:
        progress("looking for the best sizes")
        sized, more = find_best_sizes(study, carrying_out, valued, notes)
        valued += carrying_out.results(asked([value_of(each.case) for each in more]))
    valued += carrying_out.results(asked([value_together(joint) for joint in study.joint]))
    rows = table.in_order()
    manner = carrying_out.manner
    moneys = OnDemand(
        [case for case, each in enumerate(valued, 1) if each.money is not None],
        lambda case: carrying_out.known(_money_of(valued[case - 1].decided)),
    )
    result = StudyResult(
        file.study, file.about, file.invented, study.currency, file.effort, tuple(rows), (),
        tuple(sized), file.money, file.ageing, file.draws, manifest, tuple(notes), file.reference,
        moneys,
        OnDemand(range(1, 1 + len(valued)), lambda case: sources_of(valued[case - 1], manner)),
        file.decide_together,
    )  # fmt: skip
    if file.money is None:
        return result
    progress("looking closely at the best case of each site")
    number = {id(case): at for at, case in enumerate(study.cases, 1)}
    best = [
        case
        for at in _best_of_sites(result)
        for joint in [valued[at - 1].joint]
        for case in ([at] if joint is None else [number[id(part)] for _, part in joint.parts])
    ]
    again = carrying_out.results([value_of(valued[case - 1].case) for case in best])
    closely = [(case, each, rows[case - 1]) for case, each in zip(best, again, strict=True)]
    verdicts = _verdicts(study, carrying_out, closely, notes)
    return replace(result, verdicts=tuple(verdicts), notes=tuple(notes))


def _money_of(case: Case | Joint) -> Asking[Money]:
    """Ask for the money of a case of a study that states prices."""
    assert case.terms is not None
    return money_in(case, case.terms)


def _estimated_sites(study: Study) -> list[str]:
    """Return of each site whose PV and load were not metered how far they can be trusted."""
    scenarios = (family.brief.scenario for family in study.families)
    told = (
        f"{each.name}: {each.forecast.estimate}" for each in scenarios if each.forecast.estimate
    )
    return list(dict.fromkeys(told))


def _bounded_runs(study: Study) -> dict[str, list[Run]]:
    """Return, by family, the runs that shadow prices may leave out: other sizes, all else its own."""
    found: dict[str, dict[Run, None]] = {}
    for case in study.cases if study.file.leave_out_hopeless else ():
        if case.way != "windows":
            continue
        own, run = case.family.own, case.run
        alike = replace(
            own, battery_kwh=run.battery_kwh, charge_kw=run.charge_kw, discharge_kw=run.discharge_kw
        )
        if run == alike:
            found.setdefault(case.family.key, {})[run] = None
    return {family: list(runs) for family, runs in found.items()}


def _best_of_sites(result: StudyResult) -> list[int]:
    """Return the numbers of the best case with windows of each site, in the order of the sites."""
    best: dict[str, int] = {}
    for row in result.ranked:
        if row["way"] != WAYS["windows"]:
            continue
        best.setdefault(row["site"], row["case"])
    sites = dict.fromkeys(row["site"] for row in result.rows)
    return [best[site] for site in sites if site in best]


def _verdicts(
    study: Study, carrying_out: CarryingOut, best: list[tuple[int, Valued, Row]], notes: list[str]
) -> list[Verdict]:
    ranges, draws = study.file.ranges.given, study.file.draws
    swings = carrying_out.results(
        [swing_of(valued, name, ends) for _, valued, _ in best for name, ends in ranges.items()]
    )
    floors = carrying_out.results([floors_cost_of(valued) for _, valued, _ in best])
    chances = [None] * len(best)
    if draws is not None:
        chances = carrying_out.results([chances_for(valued, draws) for _, valued, _ in best])
    verdicts = []
    for place, (case, valued, row) in enumerate(best):
        drawn = chances[place]
        if isinstance(drawn, Failed):
            notes.append(f"{row['site']}: what drawn lives come to could not be told. {drawn}")
            drawn = None
        own = swings[place * len(ranges) : (place + 1) * len(ranges)]
        by_reach = sorted((swing for swing in own if swing), key=lambda swing: -swing.reach)
        if valued.figures is not None:
            money = carrying_out.known(_money_of(valued.case))
            controls = valued.case.family.brief.scenario.controls
            verdicts.append(
                Verdict(
                    case, row, valued.figures.settings,
                    controls.whole_kw_of(valued.case.run.inverter_kw), money,
                    tuple(by_reach), drawn, floors[place],
                )
            )  # fmt: skip
    return verdicts
