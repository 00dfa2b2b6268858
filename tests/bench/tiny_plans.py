"""Makes tiny random plans and replays, and judges every law of them.

    PYTHONPATH=. python tests/bench/tiny_plans.py [--count 2000] [--seed 1] [--seconds 600] [--extreme 0.1]

Sites, tariffs and days are those of ``strangers.py``, settings are drawn here. Of each plan: energies add
up and keep their limits (``plain.balance``), all figures are finite, the plain bill is the plan's, bill
and objective agree (``make_plan`` refuses else). Of each replay: a plain one comes to the same in each
step, energies add up, and where nothing but the plan's own limits bound it, it costs no less than the
plan. Settings come back the same from their file. These are the ways of ``verify`` without its files.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import yaml

from optimizer.base.documents import read_document
from optimizer.base.errors import OptimizerError, SettingsError
from optimizer.base.flows import Flows
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.plain.balance import Held
from optimizer.plain.bill import PlainBill, moments, months_of
from optimizer.plain.replay import Site, Step, replayed
from optimizer.planning.plan import Plan
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import Replay, replay
from tests.bench.strangers import Case

FLOWS = ("import_kwh", "export_kwh", "charge_kwh", "discharge_kwh", "pv_used_kwh")


def drawn_settings(luck: random.Random, size: float) -> Settings:
    """Return up to three windows a day that do not overlap."""
    hours = sorted(luck.sample(range(25), 2 * luck.choice([0, 1, 2, 3])))
    floor, found = luck.choice([0, 20, 40]), []
    for begin, end in zip(hours[::2], hours[1::2], strict=True):
        action = luck.choice(["charge", "hold", "cover", "sell"])
        limits = {"import_cap_kw": luck.choice([None, None, size])}
        if action == "charge":
            limits |= {
                "until_pct": luck.choice([None, 60, 90]),
                "grid_kw": luck.choice([None, size]),
            }
        elif action != "hold":
            limits["down_to_pct"] = luck.choice([None, 50])
        found.append(Window(start=f"{begin:02d}:00", end=f"{end:02d}:00", action=action, **limits))
    days = [DaySet(days="every day", windows=found)]
    return Settings(
        settings="drawn",
        floor_pct=floor,
        seasons=[SeasonSet(months=list(range(1, 13)), day_sets=days)],
    )


def steps_of(flows: Flows, stored: np.ndarray) -> list[Step]:
    """Return flows as plain steps."""
    columns = {name: getattr(flows, name) for name in FLOWS} | {"stored_kwh": stored}
    return [
        Step(**{name: float(values[t]) for name, values in columns.items()})
        for t in range(len(stored))
    ]


def plain_bill(case: Case, steps: list[Step], site: Site) -> float:
    """Return what the tariff's words come to in plain loops. [money]"""
    share = site.to_ac if site.hybrid else 1.0
    meter = moments(
        f"{case.begin}T00:00", case.zone, case.steps.minutes, [s.import_kwh for s in steps],
        [s.export_kwh for s in steps], [0.0] * len(steps), [s.pv_used_kwh * share for s in steps],
    )  # fmt: skip
    charges = [dict(charge) for charge in case.charges]
    for charge in charges:
        if "series" in charge:
            first = datetime.fromisoformat(f"{case.begin}T00:00").replace(
                tzinfo=ZoneInfo(case.zone)
            )
            read = {"values": case.series, "first": first, "minutes": case.steps.minutes}
            charge["series"] = charge["series"] | read
    version = {"from": date(2020, 1, 1), "charges": charges, "holidays": {"dates": []}}
    periods = months_of(meter)
    return sum(PlainBill([version], meter, periods, case.steps.h).amounts.values())


def faults(case: Case, plan: Plan, cost: TariffCost, settings: Settings) -> Iterator[str]:
    """Yield each law that does not hold."""
    plant, h = plan.problem.plant, case.steps.h
    site = Site(case.site, case.steps.minutes, plant.low_kwh)
    load, pv = (case.load * h).tolist(), (case.pv * h).tolist()
    start = case.percent("start_pct") or 0.0
    mine = steps_of(plan.flows, plan.stored_kwh)
    held = Held(site, case.steps.moments, load, pv, start, True, {}, case.percent("end_pct"))
    yield from (f"plan: {fault}" for fault in held.faults(mine))
    numbers = [
        plan.cost,
        plan.bill.total,
        *plan.prices.energy,
        *plan.prices.stored,
        *plan.stored_kwh,
    ]
    if not np.isfinite(numbers).all():
        yield "plan: a figure is not finite"
    allowed = 1e-5 + 1e-7 * plan.bill.gross
    if abs(plain_bill(case, mine, site) - plan.bill.total) > allowed:
        yield f"plan: the plain bill is {plain_bill(case, mine, site)}, ours {plan.bill.total}"
    run = replay(plan.problem.horizon, settings)
    again = replayed(
        site,
        settings.model_dump(exclude_none=True),
        case.steps.moments[0],
        case.zone,
        load,
        pv,
        start,
    )
    theirs = steps_of(run.flows, run.stored_kwh)
    apart = max(
        abs(getattr(a, n) - getattr(b, n))
        for a, b in zip(again, theirs, strict=True)
        for n in (*FLOWS, "stored_kwh")
    )
    if apart > 1e-9 * max(plant.capacity_kwh, 1.0):
        yield f"replay: a plain one differs by {apart:.3g} kWh"
    held = Held(site, case.steps.moments, load, pv, start, False)
    yield from (f"replay: {fault}" for fault in held.faults(theirs))
    billed = bill_flows(cost, run.flows)
    if abs(plain_bill(case, theirs, site) - billed.total) > 1e-5 + 1e-7 * billed.gross:
        yield f"replay: the plain bill is {plain_bill(case, theirs, site)}, ours {billed.total}"
    yield from _cheaper(case, plan, run, billed.total)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "settings.yaml"
        path.write_text(yaml.safe_dump(settings.model_dump(mode="json", exclude_none=True)))
        if read_document(path, Settings, SettingsError)[0] != settings:
            yield "settings: another after a round trip"


def _cheaper(case: Case, plan: Plan, run: Replay, bill: float) -> Iterator[str]:
    """Yield that a replay costs less than the plan, where both obey the same limits."""
    plant, h = plan.problem.plant, case.steps.h
    limits = plan.problem.horizon.limits.import_kwh
    is_alike = case.site["end_pct"] is None and plant.cycles_per_day is None
    if not is_alike or (run.flows.import_kwh > limits + 1e-9).any():
        return
    steps_below = any(charge["kind"] == "step_fee" for charge in case.charges)
    left = plan.problem.leftover_per_kwh * float(run.stored_kwh[-1])
    cost = bill + plant.wear_per_kwh * float(run.flows.discharge_kwh.sum()) - left
    off = plan.proof.gap * max(abs(plan.proof.objective - plan.problem.cost.constant), 1.0)
    if cost < plan.cost - off - 1e-5 - 1e-6 * abs(plan.cost) - 1e-3 * steps_below * h:
        yield f"replay: costs {cost}, less than the plan's {plan.cost}, which may be off by {off}"


def main() -> None:
    """Judge plans and print what became of them."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=2000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--seconds", type=float, default=1e9)
    words.add_argument("--extreme", type=float, default=0.1)
    asked = words.parse_args()
    ends, begun = Counter[str](), time.monotonic()
    for seed in range(asked.seed, asked.seed + asked.count):
        if time.monotonic() - begun > asked.seconds:
            break
        case = Case.drawn(seed, asked.extreme)
        try:
            with tempfile.TemporaryDirectory() as place:
                plan, cost = case.plan(Path(place))
        except OptimizerError as failure:
            ends[f"{type(failure).__name__}, exit code {failure.exit_code}"] += 1
            continue
        told = list(
            faults(case, plan, cost, drawn_settings(random.Random(seed), float(case.load.mean())))
        )
        ends["a law is broken" if told else "all laws hold"] += 1
        for line in told[:3]:
            print(seed, line, flush=True)
    for end, count in ends.most_common():
        print(f"| {end} | {count} |")
    if ends["a law is broken"] or any("exit code 4" in end for end in ends):
        sys.exit(1)


if __name__ == "__main__":
    main()
