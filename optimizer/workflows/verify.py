"""Recompute a folder of results from its own files, by ways that share nothing with those that made it.

Windows and plain equipment are replayed by ``plain.replay``, bills added up by ``plain.bill``, flows held
against limits by ``plain.balance``; the plan is solved by the printed equations through Pyomo. Each check
says to how many digits it agrees, or where it first does not. Files are read by the program's own
readers: load and PV, prices of a series, holidays by rule. Read next: ``report.verification``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from optimizer.base.documents import digest_of, is_file
from optimizer.base.progress import Progress, quiet
from optimizer.base.timegrid import joined_grid
from optimizer.base.units import MONEY_TOLERANCE
from optimizer.metering.series import read_table
from optimizer.plain.balance import Held
from optimizer.plain.bill import Moment, PlainBill, Words, moments, months_of
from optimizer.plain.replay import Site, Step
from optimizer.planning.printed import BEST_TO, MOST_WHOLE, has_pyomo, solve_printed
from optimizer.scenario.brief import Brief, brief_of
from optimizer.scenario.scenario import SCENARIO_FILE, scenario_of
from optimizer.site.floors import Floors
from optimizer.workflows.checked import Check, Verification, digits, figure, joined
from optimizer.workflows.in_use import FLOWS, PLAN, SERIES, SETTINGS, TARIFF
from optimizer.workflows.inputs import problem_of
from optimizer.workflows.kept import CASES, FLOW_NAMES, Kept, missing
from optimizer.workflows.read_again import inputs_of_now, tariff_in_words
from optimizer.workflows.verify_fleet import FLEET, verify_fleet
from optimizer.workflows.verify_forecast import FORECAST, verify_forecast
from optimizer.workflows.verify_outage import OUTAGES, verify_outage
from optimizer.workflows.verify_review import REVIEW, verify_review
from optimizer.workflows.verify_shown import checks_of_shown
from optimizer.workflows.verify_study import STUDY, verify_study

WRITTEN_KWH = 1e-6
"""Energies in ``flows.csv`` have six digits after the point. [kWh]"""

RELATIVE = 1e-7
"""Sums that differ by less than this share of what was added up agree."""

MANY_STEPS = 10_000
"""More steps than a year of hours are solved in stretches."""

EQUATIONS_S = 40.0
"""Most time for the printed equations, unless asked otherwise. [s]"""


def verify(
    folder: Path,
    inputs: Path | None = None,
    *,
    time_limit_s: float = EQUATIONS_S,
    progress: Progress = quiet,
) -> Verification:
    """Recompute a folder of results from its own files: all kinds of results that lie in it.

    Parameters
    ----------
    folder : Path
        What ``plan``, ``renew``, ``replay``, ``study``, ``outage``, ``forecast``, ``review`` or ``fleet``
        has written.
    inputs : Path, optional
        The scenario's folder: are its files still those that were planned with?
    time_limit_s : float
        Most time for the printed equations. [s]
    progress : callable
        Is told what goes on.

    Raises
    ------
    InputError
        If a file is missing, or cannot be read.
    """
    again = partial(verify, time_limit_s=time_limit_s, progress=progress)
    ways: dict[str, tuple[str, Callable[[], Verification]]] = {
        PLAN: ("reading the results", lambda: _verify_plan(folder, inputs, time_limit_s, progress)),
        STUDY: ("following the money year by year", lambda: verify_study(folder)),
        OUTAGES: ("following each outage", lambda: verify_outage(folder, inputs)),
        FORECAST: ("adding up the forecast", lambda: verify_forecast(folder, inputs)),
        REVIEW: ("replaying the past season", lambda: verify_review(folder, inputs)),
        FLEET: ("going from site to site", lambda: verify_fleet(folder, _has_results, again)),
    }
    found = list[Verification]()
    for name, (told, way) in ways.items():
        if is_file(folder / name):
            progress(told)
            found.append(way())
    if not found:
        raise missing(folder, PLAN)
    return joined(found)


def _has_results(folder: Path) -> bool:
    """Tell whether a folder holds results that can be recomputed."""
    names = (PLAN, STUDY, OUTAGES, FORECAST, REVIEW)
    return any(is_file(folder / name) for name in names)


def _verify_plan(
    folder: Path, inputs: Path | None, time_limit_s: float, progress: Progress
) -> Verification:
    """Recompute what ``plan``, ``renew`` or ``replay`` has written."""
    kept = Kept.read(folder)
    names = (PLAN, *kept.record["manifest"]["results_sha256"])
    files = {name: digest_of(folder / name) for name in names if is_file(folder / name)}
    opened = _opened(kept, inputs)
    checks: list[Check] = []
    for told, part in (
        ("reading the settings again", _settings), ("holding flows against limits", _limits),
        ("replaying in plain steps", _replays), ("adding up bills in plain loops", _bills),
        ("adding up what it comes to", _sums),
    ):  # fmt: skip
        progress(told)
        checks += part(kept, opened)
    progress("solving the printed equations")
    checks += _equations(kept, opened, time_limit_s)
    checks += [
        *checks_of_shown(folder, kept.record),
        *_files(kept),
        inputs_of_now(kept.record["manifest"]["inputs_sha256"], inputs),
    ]
    record = kept.record
    return Verification(
        folder, record["scenario"], record["tariff"], record["currency"], tuple(checks), files
    )


# The checks, one function each ----------------------------------------------------------------------


def _settings(kept: Kept, opened: Opened) -> Iterator[Check]:
    """Hold the settings of ``settings.yaml`` against those of the record."""
    name, mine = "settings", kept.settings.model_dump(mode="json", exclude_none=True)
    apart = _first_apart(kept.record["settings"], mine)
    if apart is None:
        yield Check(name, "agrees", f"{SETTINGS} holds the windows that {PLAN} tells of")
    else:
        yield Check(
            name,
            "differs",
            f"{SETTINGS} holds other settings than {PLAN}",
            where=f"{SETTINGS}: {apart}",
        )


def _first_apart(one: object, other: object, path: str = "") -> str | None:
    """Return the path of the first value in which two documents differ, and both values."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in dict.fromkeys([*one, *other]):
            inner = f"{path}.{key}" if path else str(key)
            found = _first_apart(one.get(key), other.get(key), inner)
            if found is not None:
                return found
        return None
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        found_each = (_first_apart(a, b, f"{path}[{n}]") for n, (a, b) in pairs)
        return next((found for found in found_each if found is not None), None)
    return None if one == other else f"{path} is {other}, not {one}"


def _limits(kept: Kept, opened: Opened) -> Iterator[Check]:
    """Hold the written flows against balance and limits."""
    made = kept.made_with
    for case in CASES:
        is_plan = case == "plan"
        held = Held(
            kept.site(), kept.local, kept.numbers("load_kwh"), kept.numbers("pv_kwh"),
            made["start_kwh"], is_plan,
            {int(m): kwh for m, kwh in made["floors_of_plan_kwh"].items()} if is_plan else {},
            made["end_kwh"] if is_plan else None,
        )  # fmt: skip
        name = f"limits of {case}"
        fault = next(held.faults(kept.steps(case)), None)
        if fault is None:
            told = "energies add up in each step, flows keep their limits"
            yield Check(name, "agrees", told)
            continue
        yield Check(
            name, "differs", f"{fault.what} is not kept [kWh]", digits(fault.found, fault.expected),
            fault.found, fault.expected,
            f"{FLOWS}, {case}_{fault.flow} at {kept.flows['time'][fault.step]}",
        )  # fmt: skip


def _replays(kept: Kept, opened: Opened) -> Iterator[Check]:
    """Hold written replays against replays in plain steps: the first step that differs, or the worst."""
    for case in ("windows", "no_windows"):
        again, first, worst = kept.replayed(case), None, (-1.0, 0.0, 0.0)
        for t, (mine, theirs) in enumerate(zip(again, kept.steps(case), strict=True)):
            for flow in FLOW_NAMES:
                ours, written = getattr(mine, flow), getattr(theirs, flow)
                apart = abs(ours - written)
                worst = max(worst, (apart, written, ours))
                if first is None and not apart <= WRITTEN_KWH + 1e-9 * abs(ours):
                    where = f"{FLOWS}, {case}_{flow} at {kept.flows['time'][t]}"
                    first = Check(
                        f"replay of {case}", "differs", "a plain replay comes to another energy [kWh]",
                        digits(written, ours), written, ours, where,
                    )  # fmt: skip
        told = f"each of {len(again):,} steps to {worst[0]:.0e} kWh"
        yield first or Check(f"replay of {case}", "agrees", told, digits=6)


def _bills(kept: Kept, opened: Opened) -> Iterator[Check]:
    """Hold each bill against one in plain loops."""
    why = opened.no_bill
    for case in ("plan", "windows", "no_windows", "no_battery", "neither"):
        name = f"bill of {case}"
        if why is not None:
            yield Check(name, "not checked", why)
            continue
        steps = kept.steps(case) if case == "plan" else kept.replayed(case)
        amounts = opened.amounts(steps, kept.site())
        gross = sum(map(abs, amounts.values()))
        traffic = sum(step.import_kwh + step.export_kwh for step in steps)
        allowed = MONEY_TOLERANCE + RELATIVE * gross
        if case == "plan":  # each step is written to half a unit of its last digit
            allowed += WRITTEN_KWH / 2 * len(steps) * 10 * gross / max(traffic, 1.0)
        written, total = kept.case(case)["bill"], sum(amounts.values())
        where = f"{PLAN}, cases: bill of {case}, {TARIFF}"
        bill = kept.record.get(f"bill_of_{case}")
        if bill is not None:
            where = _line_apart(bill, amounts, allowed) or where
            if "line" in where or abs(bill["total"] - written) > allowed:
                yield Check(
                    name, "differs", "a charge comes to another amount", digits(written, total),
                    written, total, where,
                )  # fmt: skip
                continue
        told = "by the tariff's words"
        yield figure(name, told, written, total, allowed, where)


def _line_apart(bill: Words, amounts: dict[tuple[str, int], float], allowed: float) -> str | None:
    """Return the first charge and period whose amount differs, or a sum that its lines do not have."""
    numbers = {label: number for number, label in enumerate(bill["by_period"])}
    theirs: dict[tuple[str, int], float] = {}
    for line in bill["lines"]:
        key = line["charge"], numbers.get(line["period"], -1)
        theirs[key] = theirs.get(key, 0.0) + line["amount"]
    for (charge, period), amount in (
        theirs | {k: amounts[k] for k in amounts.keys() - theirs}
    ).items():
        ours = amounts.get((charge, period), 0.0)
        amount = theirs.get((charge, period), 0.0)
        if abs(ours - amount) > allowed:
            label = next((label for label, n in numbers.items() if n == period), "?")
            return (
                f"{PLAN}, line {charge!r} of {label}: {amount:,.4f} is written,"
                f" {TARIFF} gives {ours:,.4f}"
            )
    for sums, part in (("by_charge", "charge"), ("by_period", "period")):
        added = dict.fromkeys(bill[sums], 0.0)
        for line in bill["lines"]:
            added[line[part]] = added.get(line[part], 0.0) + line["amount"]
        for name, ours in added.items():
            amount = bill[sums].get(name, 0.0)
            if abs(ours - amount) > allowed:
                return (
                    f"{PLAN}, line sum {sums} of {name!r}: {amount:,.4f} is written,"
                    f" its lines give {ours:,.4f}"
                )
    return None


def _sums(kept: Kept, opened: Opened) -> Iterator[Check]:
    """Add up energies, costs and savings again."""
    record, wear = kept.record, kept.words["battery"].get("wear_per_kwh", 0.0)
    apart: list[Check] = []
    worst = 12
    for key, what, written, again, allowed in _figures(kept, wear):
        check = figure(
            "sums", f"{what} of {key}", written, again, allowed, f"{PLAN}, {what} of {key}"
        )
        worst = min(worst, check.digits if check.digits is not None and abs(again) > 1e-3 else 12)
        if check.outcome == "differs":
            apart.append(check)
    if apart:
        yield apart[0]
    else:
        yield Check("sums", "agrees", "energies, wear, costs and savings add up", digits=worst)
    status = record["status"]
    yield figure(
        "objective and bill", "the solver minimised this bill",
        status["objective"], status["recomputed"],
        MONEY_TOLERANCE + RELATIVE * sum(abs(x["amount"]) for x in record["bill_of_plan"]["lines"]),
        f"{PLAN}, status: objective and recomputed",
    )  # fmt: skip


def _figures(kept: Kept, wear: float) -> Iterator[tuple[str, str, float, float, float]]:
    """Yield case, figure, what is written, what it comes to again, and how far apart they may be."""
    record, costs = kept.record, dict[str, float]()
    worth = kept.numbers("stored_worth_per_kwh")[-1]
    state = kept.file.state
    if kept.made_with["end_kwh"] is None:
        worth = state.leftover_per_kwh
    last = kept.steps("plan")[-1].stored_kwh
    for case in record["cases"]:
        key = case["case"]
        costs[key] = case["cost"]
        money = MONEY_TOLERANCE + RELATIVE * abs(case["bill"])
        yield key, "cost", case["cost"], case["bill"] + case["wear"] - case["left_worth"], money
        if key in ("in_use", "anew"):
            continue
        steps = kept.steps(key) if key == "plan" else kept.replayed(key)
        energy = WRITTEN_KWH / 2 * len(steps) if key == "plan" else WRITTEN_KWH
        for flow in FLOW_NAMES[:-1]:
            yield key, flow, case[flow], sum(getattr(step, flow) for step in steps), energy
        peak = max(step.import_kwh for step in steps) / (kept.minutes / 60)
        yield key, "peak_import_kw", case["peak_import_kw"], peak, 60 / kept.minutes * WRITTEN_KWH
        given = sum(step.discharge_kwh for step in steps)
        yield key, "wear", case["wear"], wear * given, money + wear * energy
        left = (steps[-1].stored_kwh - last) * worth if key in CASES else 0.0
        allowed = money + WRITTEN_KWH * (abs(worth) + kept.file.battery.capacity_kwh)
        yield key, "left_worth", case["left_worth"], 0.0 if key == "plan" else left, allowed
    if "no_windows" in costs:
        for what, key in (("can_save", "plan"), ("saved", "windows")):
            again = costs["no_windows"] - costs[key]
            allowed = MONEY_TOLERANCE + RELATIVE * abs(costs[key])
            yield "no_windows", what, record[what], again, allowed
    share = record["kept_share_frac"]
    if share is not None:
        yield "windows", "kept_share_frac", share, record["saved"] / record["can_save"], 1e-9


def _nothing_proven(steps: int, time_limit_s: float) -> str:
    told = f"nothing was proven in {time_limit_s:g} s: allow more with --time-limit"
    if steps > MOST_WHOLE:
        told += f"; {steps:,} steps are solved in stretches only, where the tariff can be cut"
    return told


def _allowed(gap_frac: float) -> str:
    """Say how much dearer the plan may be than the cheapest, if it is more than a solver's rounding."""
    if gap_frac <= BEST_TO:
        return ""
    return f" ({PLAN} says that it may be {100 * gap_frac:.2g} % from the cheapest)"


def _equations(kept: Kept, opened: Opened, time_limit_s: float) -> Iterator[Check]:
    """Solve the printed equations: does no plan cost less?"""
    name, status = "plan by the equations", kept.record["status"]
    if opened.brief is None:
        yield Check(name, "not checked", opened.no_bill or "")
        return
    if not has_pyomo():
        yield Check(
            name,
            "not checked",
            "Pyomo is not installed: the extra 'verify' of the package brings it",
        )
        return
    floors = {int(m): kwh for m, kwh in kept.made_with["floors_of_plan_kwh"].items()}
    problem = problem_of(replace(opened.brief, floors=Floors(floors)))
    written = status["objective"]
    gross = sum(abs(line["amount"]) for line in kept.record["bill_of_plan"]["lines"])
    allowed = MONEY_TOLERANCE + 10 * RELATIVE * gross
    gap = max(status["gap_frac"], BEST_TO) * abs(written)
    has_integers = status["steps_with_integers"] or status["integers_of_tariff"]
    steps = problem.grid.count
    is_cut = has_integers or steps > MANY_STEPS
    worth = np.array(kept.numbers("stored_worth_per_kwh")) if is_cut else None
    found = solve_printed(problem, time_limit_s, written - allowed - gap, worth)
    if found is None:
        yield Check(name, "not checked", _nothing_proven(steps, time_limit_s))
        return
    bound, integers = found.bound, found.steps_with_integers or found.value is None
    where = f"{PLAN}, status: objective"
    if bound == float("inf"):
        yield Check(name, "differs", "no operation obeys all limits", where=where)
    elif written < bound - allowed:
        told = "no plan can cost so little"
        yield Check(name, "differs", told, digits(written, bound), written, bound, where)
    elif found.value is not None:
        told = "the same least cost by Pyomo"
        if integers:
            told += (
                f", {found.steps_with_integers} choices of direction{_allowed(status['gap_frac'])}"
            )
        apart = allowed + (gap if integers else 0.0)
        yield figure(name, told, written, found.value, apart, where)
    elif bound >= written - allowed - gap:
        told = f"by Pyomo no plan costs less than {bound:,.4f}{_allowed(status['gap_frac'])}"
        if found.stretches > 1:
            told += (
                f": bound from {found.stretches} stretches, {found.steps_with_integers} choices of"
                f" direction; taken over from {FLOWS}: the plan itself, whose limits and bill are"
                " checked above, and the worth of energy between stretches"
            )
        yield Check(name, "agrees", told, digits(written, bound))
    else:
        told = (
            f"not proven in {time_limit_s:g} s: no plan costs less than {bound:,.2f}, this one"
            f" {written:,.2f}; allow more with --time-limit"
        )
        yield Check(name, "not checked", told)


def _files(kept: Kept) -> Iterator[Check]:
    """Hold the files against their digests in the manifest."""
    known = kept.record["manifest"]["results_sha256"]
    changed = [
        file for file, digest in known.items()
        if not is_file(kept.folder / file) or digest_of(kept.folder / file) != digest
    ]  # fmt: skip
    if changed:
        told = "changed since they were written: " + ", ".join(changed)
        yield Check("files", "differs", told, where=changed[0])
    else:
        yield Check("files", "agrees", f"{len(known)} files are as they were written")


# Bills in plain loops --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Opened:
    """The tariff in plain words, for the steps of the forecast and those metered before them.

    ``brief`` is the scenario as the program reads it; None where ``no_bill`` says what is missing.
    """

    kept: Kept
    brief: Brief | None
    versions: tuple[Words, ...] = ()
    no_bill: str | None = None

    def amounts(self, steps: list[Step], site: Site) -> dict[tuple[str, int], float]:
        """Return the amount of each charge in each period, by its number. [money]"""
        assert self.brief is not None
        scenario, kept = self.brief.scenario, self.kept
        share = site.to_ac if site.hybrid else 1.0
        bought = [step.import_kwh for step in steps]
        sold = [step.export_kwh for step in steps]
        sun = [step.pv_used_kwh * share for step in steps]
        begin = kept.begin
        so_far = scenario.so_far
        if so_far is not None:
            begin = so_far.grid.moment(0)
            bought = [*so_far.import_kwh.tolist(), *bought]
            sold = [*so_far.export_kwh.tolist(), *sold]
            known_sun = so_far.export_kwh - so_far.stored_export_kwh
            sun = [*known_sun.tolist(), *sun]
        start = begin.astimezone(ZoneInfo(kept.file.zone)).replace(tzinfo=None).isoformat()
        meter = moments(start, kept.file.zone, kept.minutes, bought, sold, [0.0] * len(bought), sun)
        state = kept.file.state
        bill = PlainBill(
            list(self.versions), meter, _periods(kept, meter), kept.minutes / 60,
            dict(state.peak_so_far_kw), {k: dict(v) for k, v in state.past_peaks_kw.items()},
            dict(state.banked),
        )  # fmt: skip
        return bill.amounts


def _periods(kept: Kept, meter: list[Moment]) -> list[tuple[date, date]]:
    reads = kept.file.read_dates
    listed = months_of(meter) if reads is None else list(pairwise(reads))
    first, last = meter[0].day, meter[-1].day
    return [(begin, end) for begin, end in listed if end > first and begin <= last]


def _opened(kept: Kept, inputs: Path | None) -> Opened:
    """Return scenario and tariff as they were, read by the program and in plain words."""
    file = kept.file.model_copy(update={"other_years": [], "forecast": FLOWS})
    source = kept.source
    if file.state.metered is not None:
        if inputs is None:
            return Opened(kept, None, no_bill=f"what was metered before, {file.state.metered}, lies in the"
                          " scenario's folder: name it with --scenario")  # fmt: skip
        folder = inputs if inputs.is_dir() else inputs.parent
        source = replace(source, path=folder / SCENARIO_FILE)
    scenario = scenario_of(file, source, read_table(kept.folder / FLOWS))
    low = kept.made_with["floor_kwh"]
    scenario = replace(scenario, plant=replace(scenario.plant, low_kwh=low))
    brief = brief_of(scenario, kept.tariff)
    grid, so_far = brief.scenario.forecast.grid, brief.scenario.so_far
    whole = grid if so_far is None else joined_grid(so_far.grid, grid)
    versions = tariff_in_words(kept.tariff.file, whole, kept.folder / SERIES)
    return Opened(kept, brief, tuple(versions))
