"""Inside a billing period: with the first part metered, the rest costs what both cost together.

Each family of charges of ``test_families`` is billed whole and in two parts, cut in the middle of a
month, of a day, and of a demand interval; the bill, the plan and the compiled score must not notice.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.documents import Source
from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid, calendar_months, joined_grid, meter_read_periods
from optimizer.billing.bill import bill_flows
from optimizer.billing.history import History
from optimizer.billing.running import with_known_steps
from optimizer.billing.tariff import Tariff, TariffCost, TariffFile, compile_cost
from optimizer.cost.expression import linear_cost
from optimizer.planning.plan import make_plan
from optimizer.search.pricing import pricing_of
from optimizer.search.score_kernel import parts_of_the_bill
from optimizer.settings.windows import no_windows
from tests.builders import local_grid, posed, run_through
from tests.laws.cases import AC_PLANT, tariff_of
from tests.laws.test_families import (
    ROWS,
    VERSIONS,
    Row,
    folder,  # noqa: F401 - a fixture
    grid_for,
    metered,
    versions_of,
)
from tests.laws.test_twins import objective_pinned_to

CUTS = (0.31, 0.5, 0.77)
"""Where the series is cut, as shares of it: inside a month, a day and, of quarter-hours, an hour."""


def cost_of(row: Row, place: Path) -> TariffCost:
    grid = grid_for(row.span)
    file = TariffFile.model_validate(
        {"tariff": "case", "currency": "EUR", "versions": versions_of(row)}
    )
    reads = row.span.reads
    periods = meter_read_periods(grid, reads, "case") if reads else calendar_months(grid)
    tariff = Tariff(file, Source(place / "tariff.yaml", {}))
    return compile_cost(tariff, grid, periods, History(**row.history))


def part_of(flows: Flows, first: int, count: int) -> Flows:
    end = first + count
    reactive = None if flows.reactive_kvarh is None else flows.reactive_kvarh[first:end]
    return Flows.of_meter(
        flows.grid.part(first, count), flows.import_kwh[first:end], flows.export_kwh[first:end],
        reactive,
    )  # fmt: skip


def cut(cost: TariffCost, flows: Flows, share: float) -> tuple[TariffCost, Flows, Flows]:
    """Return the cost on the rest, what is known, and the rest."""
    step = int(share * flows.grid.count) + 1  # not at midnight
    so_far, rest = part_of(flows, 0, step), part_of(flows, step, flows.grid.count - step)
    return with_known_steps(cost, so_far, rest.grid), so_far, rest


def amounts(cost: TariffCost, flows: Flows) -> dict[tuple[str, str], float]:
    bill = bill_flows(cost, flows)
    found: dict[tuple[str, str], float] = {}
    for line in bill.lines:
        found[line.name, line.period] = found.get((line.name, line.period), 0.0) + line.amount
    return found


@pytest.mark.parametrize("name", [*ROWS, *VERSIONS])
def test_a_bill_in_two_parts_is_the_bill_of_the_whole(name: str, folder: Path) -> None:  # noqa: F811
    row = (ROWS | VERSIONS)[name]
    cost, flows = cost_of(row, folder), metered(row.span, 0)
    whole = amounts(cost, flows)
    for share in CUTS:
        rest_cost, so_far, rest = cut(cost, flows, share)
        running = cost.periods.periods[int(cost.periods.of_step[so_far.grid.count])].label
        labels = [period.label for period in cost.periods.periods]
        expected = {
            key: amount
            for key, amount in whole.items()
            if key[1] in labels[labels.index(running) :]
        }
        found = amounts(rest_cost, rest)
        assert found == pytest.approx(expected, abs=1e-7)
        assert rest_cost.periods.periods[0].label == running


@pytest.mark.parametrize("name", [*ROWS, *VERSIONS])
@pytest.mark.sweep(every=2)
def test_weights_and_parts_of_the_rest_say_what_its_bill_says(name: str, folder: Path) -> None:  # noqa: F811
    row = (ROWS | VERSIONS)[name]
    rest_cost, _, rest = cut(cost_of(row, folder), metered(row.span, 1), 0.5)
    linear = linear_cost(rest_cost.total, rest.grid.count)
    assert linear.value(rest) == pytest.approx(bill_flows(rest_cost, rest).total_as_planned)
    everywhere = np.arange(rest.grid.count)
    pricing = pricing_of(linear, rest, AC_PLANT, 0.0, everywhere)
    scored = float(pricing.buy @ rest.import_kwh - pricing.sell @ rest.export_kwh)
    scored += parts_of_the_bill(rest.import_kwh, rest.export_kwh, 0 * rest.export_kwh, pricing)
    other = part_of(metered(row.span, 0), flows_count(row) - rest.grid.count, rest.grid.count)
    also = float(pricing.buy @ other.import_kwh - pricing.sell @ other.export_kwh)
    also += parts_of_the_bill(other.import_kwh, other.export_kwh, 0 * other.export_kwh, pricing)
    # The score leaves out what no flow changes, so differences are compared.
    assert scored - also == pytest.approx(linear.value(rest) - linear.value(other), abs=1e-6)


def test_reactive_energy_that_was_metered_counts_in_a_plan_too(folder: Path) -> None:  # noqa: F811
    """A plan knows no reactive energy to come; what the meter has counted is billed all the same."""
    kvarh = {"kind": "reactive", "name": "kvarh", "per_kvarh": 0.1}
    row = Row([kvarh])
    cost, flows = cost_of(row, folder), metered(row.span, 0)
    rest_cost, so_far, rest = cut(cost, flows, 0.5)
    planned = Flows.of_meter(rest.grid, rest.import_kwh, rest.export_kwh)
    first = int(np.flatnonzero(cost.periods.of_step == cost.periods.of_step[so_far.grid.count])[0])
    by_hand = 0.1 * float(so_far.reactive_kvarh[first:].sum())  # type: ignore[index]
    assert by_hand > 1
    assert bill_flows(rest_cost, planned).total == pytest.approx(by_hand)


def test_a_step_that_is_settled_takes_no_integers() -> None:
    """Last month's demand chooses this month's fee: known by now, it is an amount."""
    demand = {"kind": "demand", "name": "kw", "per_kw": 0.0, "interval_minutes": 60}
    fee = {"kind": "step_fee", "name": "fee", "by": "kw", "of_period": "previous", "steps": [
        {"from": 0.0, "amount": 3.0}, {"from": 2.0, "amount": 9.0}]}  # fmt: skip
    grid = local_grid("2025-03-01T00:00", "Europe/Dublin", 24 * 50)
    cost = compile_cost(tariff_of([TIMES, demand, fee]), grid, calendar_months(grid))
    load = np.full(grid.count, 2.5)
    step = 24 * 31 - 1 + 24  # a day into April; clocks have changed
    so_far = Flows.of_meter(grid.part(0, step), load[:step], 0 * load[:step])
    rest_cost = with_known_steps(cost, so_far, grid.part(step, grid.count - step))
    linear = linear_cost(rest_cost.total, grid.count - step)
    assert linear.is_convex
    flows = Flows.of_meter(grid.part(step, grid.count - step), load[step:], 0 * load[step:])
    fees = bill_flows(rest_cost, flows).by_charge()["fee"]
    assert fees == pytest.approx(9.0 * (50 - 31) / 30, rel=0.01)


def flows_count(row: Row) -> int:
    return row.span.count


PINNED = [name for name in ROWS if ROWS[name].span.minutes == 60]
"""Of quarter-hours a pinned plan says nothing more."""


@pytest.mark.parametrize("name", PINNED)
def test_a_plan_pinned_to_the_rest_costs_its_bill(name: str, folder: Path) -> None:  # noqa: F811
    row = ROWS[name]
    rest_cost, _, rest = cut(cost_of(row, folder), metered(row.span, 0), 0.93)
    linear = linear_cost(rest_cost.total, rest.grid.count)
    expected = bill_flows(rest_cost, rest).total_as_planned
    assert objective_pinned_to(rest, linear) == pytest.approx(expected, abs=1e-5)


# --- a month planned in one go, and in two halves -------------------------------------------------

TIMES = {
    "kind": "energy", "name": "energy", "rates": [
        {"name": "peak", "per_kwh": 0.42, "hours": ["16:00-21:00"]},
        {"name": "rest", "per_kwh": 0.15, "otherwise": True}],
}  # fmt: skip
EXPORT = {"kind": "export_credit", "name": "export", "per_kwh": 0.06}
FAMILIES = {
    "demand": [TIMES, EXPORT, {
        "kind": "demand", "name": "kw", "per_kw": 9.0, "interval_minutes": 60}],
    "mean of three days": [TIMES, EXPORT, {
        "kind": "demand", "name": "kw", "per_kw": 9.0, "interval_minutes": 60, "highest": 3,
        "one_per": "day"}],
    "rolling demand": [TIMES, EXPORT, {
        "kind": "demand", "name": "kw", "per_kw": 9.0, "interval_minutes": 60,
        "rolling_minutes": 30}],
    "rising blocks": [EXPORT, {
        "kind": "energy", "name": "energy", "blocks": {"blocks": [
            {"up_to_kwh": 150, "per_kwh": 0.11}, {"per_kwh": 0.34}]}}],
    "net energy": [{"kind": "net_energy", "name": "net", "rates": TIMES["rates"],
                    "surplus_per_kwh": 0.02, "left_over": "paid"}],
    "credit bank": [TIMES, EXPORT | {"per_kwh": 0.14}, {
        "kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["energy"]}],
    "minimum": [TIMES, EXPORT, {"kind": "minimum", "name": "least", "amount": 90.0, "per": "month", "of": ["energy"]}],
}  # fmt: skip


def month(minutes: int = 30) -> tuple[TimeGrid, np.ndarray, np.ndarray]:
    """Return a month of the invented site, its load and its PV."""
    grid = local_grid("2025-03-01T00:00", "Europe/Dublin", 2 * 24 * 31 - 2, minutes)
    luck = np.random.default_rng(5)
    hour = grid.minute_of_day / 60
    load = 0.3 + 0.5 * np.exp(-((hour - 19) ** 2) / 8) + luck.exponential(0.25, grid.count)
    sun = np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None)
    pv = 1.6 * sun * luck.uniform(0.1, 1.0, len(grid.dates))[grid.day]
    return grid, load * grid.step_h * 2, pv


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("share", [0.4, 0.5057])
def test_a_month_in_one_go_or_in_two_halves_gives_the_same_bill(name: str, share: float) -> None:
    """The second half is planned anew, knowing only what the meter counted in the first."""
    grid, load, pv = month()
    cost = compile_cost(tariff_of(FAMILIES[name]), grid, calendar_months(grid))
    problem = posed(grid, AC_PLANT, load, pv, linear_cost(cost.total, grid.count), 4.0, 4.0)
    whole = make_plan(problem, cost)
    step = round(share * grid.count)
    meter = Flows.of_meter(
        grid.part(0, step), whole.flows.import_kwh[:step], whole.flows.export_kwh[:step]
    )
    rest = grid.part(step, grid.count - step)
    assert joined_grid(meter.grid, rest) == grid
    rest_cost = with_known_steps(cost, meter, rest)
    linear = linear_cost(rest_cost.total, rest.count)
    half = make_plan(
        replace(
            problem.on(
                grid=rest, load_kwh=load[step:], pv_kwh=pv[step:],
                start_kwh=float(whole.stored_kwh[step - 1]),
            ),
            cost=linear,
        ),
        rest_cost,
    )  # fmt: skip
    assert half.bill.total == pytest.approx(whole.bill.total, abs=1e-4)
    first_wear = AC_PLANT.wear_per_kwh * whole.flows.discharge_kwh[:step].sum()
    assert half.cost + first_wear == pytest.approx(whole.cost, abs=1e-4)


def test_a_half_that_forgets_the_first_one_pays_for_it() -> None:
    """The check above can fail: without the peak so far the second half bills another demand."""
    grid, load, pv = month()
    cost = compile_cost(tariff_of(FAMILIES["demand"]), grid, calendar_months(grid))
    run = run_through(AC_PLANT, grid, load, pv, no_windows(10.0), 1.0)
    whole = bill_flows(cost, run.flows).by_charge()["kw"]
    of_hour = run.flows.import_kwh.reshape(-1, 2).sum(axis=1)
    step = 2 * int(of_hour.argmax()) + 2  # after the hour of the peak
    rest = grid.part(step, grid.count - step)
    forgetful = compile_cost(tariff_of(FAMILIES["demand"]), rest, calendar_months(rest))
    flows = part_of(run.flows, step, rest.count)
    assert bill_flows(forgetful, flows).by_charge()["kw"] < whole - 1
    knowing = with_known_steps(cost, part_of(run.flows, 0, step), rest)
    assert bill_flows(knowing, flows).by_charge()["kw"] == pytest.approx(whole)
