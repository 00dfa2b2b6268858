"""The plan is as cheap as two other ways of finding the optimum: enumeration, and another LP.

Both are written here from the description of the plant, not from the program's model. All sites,
prices and series are invented, with fixed seeds.
"""

from __future__ import annotations

from datetime import UTC, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import bmat, coo_array, diags_array, eye_array

from optimizer.base.timegrid import calendar_months
from optimizer.billing.tariff import compile_cost
from optimizer.cost.expression import linear_cost
from optimizer.planning.plan import make_plan
from optimizer.site.equipment import Connection, Inverter, Permissions
from optimizer.site.limits import TimedLimit
from tests.builders import best_plan, local_grid, posed, simple_plant, tariff_of

# --- Enumeration: every path of the stored energy over a grid of levels.

ETA_BATTERY, ETA_INVERTER, AC_LIMIT_KW, CAPACITY_KWH = 0.9, 0.95, 2.2, 3.0
CHARGE_KW, DISCHARGE_KW = 2.0, 1.8
"""Chosen so that the largest change of the stored energy is 1.8 kWh up and 2.0 kWh down, both
multiples of every step of levels below; so a plan rounded down to the levels stays possible."""


def all_paths(level_kwh, count, start, end):
    """Return every sequence of stored energies, start first, as (paths, count + 1)."""
    levels = level_kwh * np.arange(round(CAPACITY_KWH / level_kwh) + 1)
    last = levels if end is None else [end]
    mesh = np.meshgrid(*[levels] * (count - 1), last, indexing="ij")
    paths = np.stack([axis.ravel() for axis in mesh], axis=1)
    return np.hstack([np.full((len(paths), 1), start), paths])


def cheapest_path(paths, load, pv, buy, sell, per_kw, *, on_dc):
    """Return the least cost of the possible paths, by plain arithmetic of energies and money.

    PV is used as far as the inverter lets it through: no price is negative, export is not limited.
    """
    change = np.diff(paths, axis=1)
    charge, discharge = np.maximum(change, 0) / ETA_BATTERY, np.maximum(-change, 0) * ETA_BATTERY
    possible = ((charge < CHARGE_KW + 1e-9) & (discharge < DISCHARGE_KW + 1e-9)).all(axis=1)
    into_battery = (charge - discharge)[possible]
    pv_dc = np.minimum(pv, into_battery + AC_LIMIT_KW / ETA_INVERTER) if on_dc else 0 * pv
    through = pv_dc - into_battery
    ac = np.where(through > 0, through * ETA_INVERTER, through / ETA_INVERTER)
    net = load - ac - (0 if on_dc else pv)
    bought, sold = np.maximum(net, 0), np.maximum(-net, 0)
    return (bought @ buy - sold @ sell + per_kw * bought.max(axis=1)).min()


@pytest.mark.parametrize("coupling", ["ac", "dc"])
@pytest.mark.parametrize(("count", "level_kwh"), [(2, 0.02), (3, 0.05), (4, 0.2)])
def test_no_enumerated_operation_beats_the_plan_and_the_best_comes_close(
    count, level_kwh, coupling
):
    """Rounding a plan's levels down moves each exchange with the grid by less than one level/η."""
    rng = np.random.default_rng(20 + count)
    plant = simple_plant(
        CAPACITY_KWH, CHARGE_KW, ETA_BATTERY, coupling=coupling, discharge_kw=DISCHARGE_KW,
        inverter=Inverter(ac_limit_kw=AC_LIMIT_KW, efficiency_pct=100 * ETA_INVERTER),
    )  # fmt: skip
    for end in (None, 0.6, 1.0, None, 3.0, None):
        load, pv = rng.uniform(0, 4, count), rng.uniform(0, 5, count) * rng.integers(0, 2, count)
        buy = rng.uniform(0.1, 0.5, count)
        sell, per_kw = buy * rng.uniform(0, 0.95, count), rng.choice([0.0, 0.5])
        paths = all_paths(level_kwh, count, 1.0, end)
        best = cheapest_path(paths, load, pv, buy, sell, per_kw, on_dc=coupling == "dc")
        plan = best_plan(plant, load, pv, buy, sell, start=1.0, end=end, per_kw=per_kw)
        moved = level_kwh / (ETA_BATTERY * ETA_INVERTER)
        assert plan.cost <= best + 1e-6
        assert best <= plan.cost + moved * (buy.sum() + per_kw) + 1e-6


def test_on_whole_kwh_without_losses_enumeration_finds_the_very_same_cost():
    """A lossless store is a flow in a network: with whole limits some optimum is whole."""
    rng = np.random.default_rng(7)
    none = np.zeros(4)
    paths = np.stack(np.meshgrid(*[np.arange(6.0)] * 4, indexing="ij"), axis=-1).reshape(-1, 4)
    change = np.diff(np.hstack([np.full((len(paths), 1), 2.0), paths]), axis=1)
    change = change[(np.abs(change) <= 3).all(axis=1)]
    for _ in range(20):
        load, pv = rng.integers(0, 7, 4), rng.integers(0, 7, 4)
        buy = rng.uniform(0.1, 0.5, 4)
        sell = buy * rng.uniform(0, 0.95, 4)
        net = load - pv + change
        best = (np.maximum(net, 0) @ buy - np.maximum(-net, 0) @ sell).min()
        plan = best_plan(simple_plant(5, 3), load, pv + none, buy, sell, start=2.0)
        assert plan.cost == pytest.approx(best, abs=1e-6)


# --- The same LP, another matrix.

SITE = {
    "capacity": 13.0, "low": 1.3, "charge": 4.5, "discharge": 6.0, "eta_c": 0.96, "eta_d": 0.95,
    "ac_limit": 5.0, "eta_ac": 0.97, "eta_dc": 0.94, "import_limit": 25.0, "export_limit": 4.0,
}  # fmt: skip


def independent_cost(h, load, pv, buy, sell, demand, *, on_dc, rules=None):
    """Return the least cost of buying, selling, wear and demand, the end being the free start.

    In place of the PV used, the PV thrown away; the inverter is measured on its AC side. Blocks of
    columns: import, export, pv lost, charge, discharge, inverter out, inverter in, stored, peaks.
    ``demand`` is (price per kW, number of the interval of each step, group of each interval).
    """
    rules, count, groups = rules or {}, len(load), demand[2].max() + 1
    equal, right = buses_and_battery(h, load, pv, groups, on_dc, rules)
    below, limits = demand_rows(h, count, *demand[1:]), [np.zeros(len(demand[2]))]
    for rows, most in rule_rows(h, pv, groups, on_dc, rules):
        below, limits = [*below, rows], [*limits, most]
    tops = ["import_limit", "export_limit", None, "charge", "discharge", "ac_limit", "ac_limit"]
    most = [np.full(count, SITE[name] * h) if name else pv for name in tops]
    low = np.concatenate([np.zeros(7 * count), np.full(count, SITE["low"]), np.zeros(groups)])
    high = np.concatenate([*most, np.full(count, SITE["capacity"]), np.full(groups, 1e6)])
    wear, none = np.full(count, rules.get("wear", 0.0)), np.zeros(count)
    prices = [buy, -sell, none, none, wear, none, none, none, np.full(groups, demand[0])]
    cost, whole = np.concatenate(prices), np.zeros(len(high))
    if rules.get("one_way"):  # import or export, charge or discharge, inverter out or in
        below, tops = with_one_way_rows(below, high, count)
        equal, limits = widened(equal, 3 * count), [*limits, *tops]
        cost, low, high, whole = (
            np.concatenate([values, np.full(3 * count, fill)])
            for values, fill in ((cost, 0), (low, 0), (high, 1), (whole, 1))
        )
    found = linprog(
        cost, bmat([[rows] for rows in below]).tocsr(), np.concatenate(limits), equal.tocsr(),
        right, np.column_stack([low, high]), method="highs", integrality=whole,
        options={"mip_rel_gap": 0.0},
    )  # fmt: skip
    assert found.success
    return found.fun


def buses_and_battery(h, load, pv, groups, on_dc, rules):
    """Return the equations of the AC bus, the DC bus and the stored energy."""
    count, unit = len(load), eye_array(len(load))
    keep = (1 - rules.get("standing_loss", 0.0)) ** (h / 24)
    before = coo_array((np.ones(count), (np.arange(count), np.arange(-1, count - 1) % count)))
    blocks = [
        [unit, -unit, (on_dc - 1) * unit, None, None, unit, -unit, None],
        [None, None, -on_dc * unit, -unit, unit, -unit / SITE["eta_ac"], SITE["eta_dc"] * unit, None],
        [None, None, None, -SITE["eta_c"] * unit, unit / SITE["eta_d"], None, None,
         unit - keep * before],
    ]  # fmt: skip
    right = [load - pv * (1 - on_dc), -pv * on_dc, np.full(count, (1 - keep) * SITE["low"])]
    return widened(bmat(blocks), groups), np.concatenate(right)


def demand_rows(h, count, interval, group):
    """Return: mean import power of each interval less the peak of its group ≤ 0."""
    member = coo_array((np.ones(count), (interval, np.arange(count))))
    mean = diags_array(1 / (h * member.sum(axis=1))) @ member
    peak = coo_array((np.ones(len(group)), (np.arange(len(group)), group)))
    return [bmat([[mean, coo_array((len(group), 7 * count)), -peak]])]


def rule_rows(h, pv, groups, on_dc, rules):
    """Return the rows and limits of whatever the rules of the site forbid."""
    count, unit = len(pv), eye_array(len(pv))
    nothing = coo_array((count, count))
    if rules.get("no_grid_charge"):  # what enters the inverter is PV that was not thrown away
        blocks = [nothing, nothing, (1 - on_dc) * unit, *[nothing] * 3, unit, nothing]
        yield widened(bmat([blocks]), groups), pv * (1 - on_dc)
    if "allowed_kw" in rules:  # import, export, and what fills the battery beside the PV used
        bought, sold, filled = h * rules["allowed_kw"].T
        for place, most in ((0, bought), (1, sold)):
            blocks = [unit if block == place else nothing for block in range(8)]
            yield widened(bmat([blocks]), groups), most
        blocks = [nothing, nothing, (1 - on_dc) * unit, *[nothing] * 3, unit, nothing]
        yield widened(bmat([blocks]), groups), filled + pv * (1 - on_dc)
    if rules.get("no_stored_export"):  # no more leaves than the PV gives
        share = SITE["eta_ac"] if on_dc else 1.0
        blocks = [nothing, unit, share * unit, *[nothing] * 5]
        yield widened(bmat([blocks]), groups), share * pv
    if "cycles" in rules:  # days of equal length, from the first step on
        day = (np.arange(count) * h // 24).astype(int)
        sums = coo_array((np.ones(count), (day, 4 * count + np.arange(count))))
        allowed = rules["cycles"] * SITE["capacity"]
        yield widened(sums, 3 * count + groups), np.full(day.max() + 1, allowed)


def widened(rows, columns):
    """Return the rows with more columns of nothing."""
    return bmat([[rows, coo_array((rows.shape[0], columns))]])


def with_one_way_rows(below, high, count):
    """Return rows widened by three binaries z a step, with first ≤ top·z, second ≤ top·(1 − z)."""
    rows, limits, width = [], [], below[0].shape[1]
    for number, (first, second) in enumerate(((0, 1), (3, 4), (5, 6))):
        for block, sign in ((first, -1), (second, 1)):
            top, at = high[block * count : (block + 1) * count], np.arange(count)
            flow = coo_array((np.ones(count), (at, at + block * count)), (count, width))
            way = coo_array((sign * top, (at, at + number * count)), (count, 3 * count))
            rows.append(bmat([[flow, way]]))
            limits.append(top * (sign > 0))
    return [*(widened(matrix, 3 * count) for matrix in below), *rows], limits


def invented_site(coupling, permissions=None, limits=(), **battery):
    """Return the plant of ``SITE`` in the words in which a person writes it."""
    return simple_plant(
        SITE["capacity"], SITE["charge"], (SITE["eta_c"], SITE["eta_d"]), coupling=coupling,
        discharge_kw=SITE["discharge"], floor_pct=10, permissions=permissions,
        inverter=Inverter(ac_limit_kw=5, efficiency_pct=97, charging_efficiency_pct=94),
        connection=Connection(import_limit_kw=25, export_limit_kw=4, limits=list(limits)), **battery,
    )  # fmt: skip


def invented_series(clock, seed):
    """Return load and PV power at each wall-clock moment: evenings, seasons, clouds. [kW]"""
    rng = np.random.default_rng(seed)
    hour = np.array([moment.hour + moment.minute / 60 for moment in clock])
    season = np.array([np.cos(2 * np.pi * (m.timetuple().tm_yday - 15) / 365) for m in clock])
    load = 0.6 + 0.5 * (1 + season) + 1.8 * np.exp(-(((hour - 19) / 2.5) ** 2))
    load = load * rng.lognormal(0, 0.5, len(clock))
    sun = np.maximum(np.cos(np.pi * (hour - 12.5) / (11 - 3 * season)), 0)
    return load, 8 * sun * rng.beta(2, 1.2, len(clock)) * (0.8 - 0.3 * season)


ZONE = ZoneInfo("America/Chicago")

TARIFF = """
- {kind: fixed, name: Service, amount: 11.00, per: month}
- kind: energy
  name: Energy
  rates:
    - {name: summer peak, per_kwh: 0.38, seasons: [summer], days: [weekdays], hours: ["15:00-20:00"]}
    - {name: night, per_kwh: 0.11, hours: ["23:00-06:00"]}
    - {name: other, per_kwh: 0.19, otherwise: true}
- kind: export_credit
  name: Export
  rates:
    - {name: evening, per_kwh: 0.17, hours: ["18:00-22:00"]}
    - {name: other, per_kwh: 0.06, otherwise: true}
- {kind: demand, name: Demand, per_kw: 7.50, interval_minutes: INTERVAL}
- {kind: percentage, name: Tax, percent: 6, of: [Energy, Demand]}
"""
SEASONS = "seasons: {summer: 06-01 to 09-30, winter: otherwise}"


def buy_price(moment):
    """Return the price per kWh with tax at a wall-clock moment, read off ``TARIFF`` by hand."""
    if 6 <= moment.month <= 9 and moment.weekday() < 5 and 15 <= moment.hour < 20:
        return 1.06 * 0.38
    return 1.06 * (0.11 if moment.hour >= 23 or moment.hour < 6 else 0.19)


def sell_price(moment):
    return 0.17 if 18 <= moment.hour < 22 else 0.06


def planned_and_independent(folder, grid, coupling, interval_minutes, pv_share=1.0, rule=None):
    """Return the cost of the plan, less the fixed charge, and that of the LP written here."""
    words, battery, rules = rule or ({}, {}, {})
    plant, h = invented_site(coupling, Permissions(**words), **battery), grid.step_minutes / 60
    step = timedelta(minutes=grid.step_minutes)
    clock = [(grid.start.astimezone(UTC) + n * step).astimezone(ZONE) for n in range(grid.count)]
    load, pv = (h * power for power in invented_series(clock, 11))
    if "allowed_at" in rules:
        rules = {"allowed_kw": np.array([rules["allowed_at"](moment) for moment in clock])}
    text = TARIFF.replace("INTERVAL", str(interval_minutes))
    tariff_cost = compile_cost(tariff_of(folder, text, SEASONS), grid, calendar_months(grid))
    cost = linear_cost(tariff_cost.total, grid.count)
    plan = make_plan(posed(grid, plant, load, pv_share * pv, cost, None, None), tariff_cost)
    marks = [(m.date(), m.hour, m.minute // interval_minutes, m.utcoffset()) for m in clock]
    interval = np.cumsum([0] + [later != earlier for earlier, later in pairwise(marks)])
    month = dict(zip(interval, (m.month - clock[0].month for m in clock), strict=True))
    independent = independent_cost(
        h, load, pv_share * pv,
        np.array([buy_price(m) for m in clock]), np.array([sell_price(m) for m in clock]),
        (1.06 * 7.50, interval, np.array(list(month.values()))),
        on_dc=int(coupling == "dc"), rules=rules,
    )  # fmt: skip
    return plan.cost - plan.bill.by_charge()["Service"], independent


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_a_year_of_hours_with_twelve_demand_charges_costs_what_another_lp_finds(tmp_path, coupling):
    grid = local_grid("2025-01-01T00:00", ZONE.key, 8760)
    planned, independent = planned_and_independent(tmp_path, grid, coupling, 60)
    assert planned == pytest.approx(independent, rel=1e-6)


def allowed_at(moment):
    """Return import, export and filling from the grid that ``LIMITS`` allow at a moment. [kW]"""
    bought, sold, filled = 25.0, 4.0, 1e3
    if 17 <= moment.hour < 21 and moment.weekday() < 5:
        bought, sold = 3.7, 0.3
    if moment.month == 5:
        filled = 0.2
    if moment.hour >= 23 or moment.hour < 2:
        filled = min(filled, 0.3)
    return bought, sold, filled


LIMITS = [
    TimedLimit(
        rule="evenings", hours=["17:00-21:00"], days=["weekdays"], import_kw=3.7, export_kw=0.3
    ),
    TimedLimit(rule="May", months=[5], fill_kw=0.2),
    TimedLimit(rule="late", hours=["23:00-02:00"], fill_kw=0.3),
]

RULES = {
    "limits by the hour": ({}, {"limits": LIMITS}, {"allowed_at": allowed_at}),
    "no grid charging": ({"charge_from_grid": False}, {}, {"no_grid_charge": True}),
    "no stored export": ({"export_stored_energy": False}, {}, {"no_stored_export": True}),
    "standing loss": ({}, {"standing_loss_pct_per_day": 3.0}, {"standing_loss": 0.03}),
    "wear": ({}, {"wear_per_kwh": 0.05}, {"wear": 0.05}),
    "half a cycle a day": ({}, {"cycles_per_day": 0.5}, {"cycles": 0.5}),
}
"""Permissions and words of the battery that say a rule, and the rule in the LP written here."""


@pytest.mark.parametrize("coupling", ["ac", "dc"])
@pytest.mark.parametrize("rule", RULES)
@pytest.mark.sweep(every=3)
def test_a_week_of_quarter_hours_under_a_rule_costs_what_another_lp_finds(tmp_path, rule, coupling):
    """Two billing months, demand over half-hours; each rule makes the plan dearer.

    Only a site with much PV exports at all; elsewhere little PV lets rules bind.
    """
    grid = local_grid("2025-05-28T00:00", ZONE.key, 7 * 96, 15)
    pv_share = 1.0 if rule in {"no stored export", "limits by the hour"} else 0.2
    site = (tmp_path, grid, coupling, 30, pv_share)
    planned, independent = planned_and_independent(*site, RULES[rule])
    free, _ = planned_and_independent(*site)
    assert planned == pytest.approx(independent, rel=1e-6)
    assert planned > free + 0.01


@pytest.mark.parametrize("coupling", ["ac", "dc"])
@pytest.mark.parametrize(("count", "instances"), [(8, 15), (48, 3)])
@pytest.mark.sweep(every=3)
def test_odd_prices_give_the_cost_of_an_lp_with_a_binary_at_every_step(coupling, count, instances):
    """Negative prices and sell above buy: integers only where needed are as good as everywhere.

    A plan with integers is proven to 1e-5 of its cost, so no more is asked of it here.
    """
    rng = np.random.default_rng(3)
    plant = invented_site(coupling)
    for _ in range(instances):
        load, pv = rng.uniform(0, 6, count), rng.uniform(0, 9, count) * rng.integers(0, 2, count)
        buy = rng.uniform(-0.3, 0.5, count)
        sell = buy + rng.uniform(-0.3, 0.15, count)
        demand = (0.4, np.arange(count), np.zeros(count, dtype=int))
        independent = independent_cost(
            1.0, load, pv, buy, sell, demand, on_dc=int(coupling == "dc"), rules={"one_way": True}
        )
        plan = best_plan(plant, load, pv, buy, sell, start=None, per_kw=0.4)
        assert plan.cost == pytest.approx(independent, rel=1e-5, abs=1e-5)
        for one, other in (("import_kwh", "export_kwh"), ("charge_kwh", "discharge_kwh")):
            both = np.minimum(getattr(plan.flows, one), getattr(plan.flows, other))
            assert both.max() < 1e-5
