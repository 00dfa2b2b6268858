"""Export of PV and of stored energy at prices of their own: by hand, and by a program written here.

In place of the program's one export and what of it is stored, two ways out: ``pv_out``, no more than
the PV gives, and ``battery_out``. All sites and prices are invented, with fixed seeds.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from optimizer.base.errors import TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import calendar_months
from optimizer.billing.bill import bill_flows
from optimizer.billing.charges.base import Line
from optimizer.billing.charges.energy import ORIGIN_NOTE
from optimizer.billing.tariff import TariffCost, compile_cost
from optimizer.billing.worked import check_worked_bill, read_worked_bills
from optimizer.cost.expression import FlowSum, Sum, linear_cost, minus
from optimizer.evaluation.savings_breakdown import sources_of
from optimizer.planning.pieces import cut_of
from optimizer.planning.plan import make_plan
from optimizer.planning.problem import ORIGIN
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.equipment import Inverter
from tests.builders import hourly_grid, posed, run_through, simple_plant, tariff_of

APART = """
- {kind: energy, name: Energy, per_kwh: 0.30}
- {kind: export_credit, name: PV, origin: pv, per_kwh: 0.10}
- {kind: export_credit, name: Stored, origin: battery, per_kwh: 0.04}
"""


def compiled(folder, grid, charges=APART):
    return compile_cost(tariff_of(folder, charges), grid, calendar_months(grid))


def test_a_bill_pays_export_as_pv_as_far_as_the_pv_gives_and_the_rest_as_stored(tmp_path):
    """Hour 1: 3 kWh leave, the PV gives 2. Hour 2: 1 leaves, the PV gives 4. Hour 3: 2 leave at night."""
    grid = hourly_grid(3)
    exported, pv, discharge = np.array([3.0, 1, 2]), np.array([2.0, 4, 0]), np.array([1.5, 0, 2.5])
    load = pv + discharge - exported
    none = np.zeros(3)
    flows = Flows(grid, none, exported, none, discharge, pv, load, none)
    assert flows.stored_export_kwh.tolist() == [1, 0, 2]
    bill = bill_flows(compiled(tmp_path, grid), flows)
    assert bill.by_charge() == pytest.approx({"Energy": 0, "PV": -0.30, "Stored": -0.12})


def test_behind_a_hybrid_inverter_the_pv_counts_as_what_arrives_of_it_on_the_ac_side(tmp_path):
    """4 kWh of PV and 1 of the battery go through an inverter of 90 %: 4.5 leave, 3.6 of them PV."""
    one = np.ones(1)
    flows = Flows(hourly_grid(1), 0 * one, 4.5 * one, 0 * one, one, 4 * one, 0 * one, 0.5 * one,
                  pv_to_ac=0.9)  # fmt: skip
    bill = bill_flows(compiled(tmp_path, flows.grid), flows)
    assert bill.by_charge() == pytest.approx({"Energy": 0, "PV": -0.36, "Stored": -0.036})


def test_a_meter_alone_is_billed_as_pv_and_a_note_says_so(tmp_path):
    grid = hourly_grid(2)
    cost = compiled(tmp_path, grid)
    bill = bill_flows(cost, Flows.of_meter(grid, np.zeros(2), np.array([2.0, 3.0])))
    assert bill.by_charge() == pytest.approx({"Energy": 0, "PV": -0.5, "Stored": 0})
    assert ORIGIN_NOTE in cost.notes
    assert "all export is taken as PV" in ORIGIN_NOTE


@pytest.mark.parametrize(("stored_price", "cost"), [(0.10, -0.70), (0.04, -0.52), (0.0, -0.40)])
def test_a_plan_worked_out_by_hand_feeds_the_building_first(tmp_path, stored_price, cost):
    """8 kWh are stored and 4 come from the sun in the first hour; the building takes 1, 2 and 2 kWh.

    Nothing may be left, so 12 − 5 = 7 kWh leave. If the battery gives the building its 1 kWh in the first
    hour, all 4 kWh of PV count as exported: 4 × 0.10. The other 3 leave in the dark and are stored ones.
    """
    grid = hourly_grid(3)
    text = APART.replace("0.04", str(stored_price))
    load, pv = np.array([1.0, 2, 2]), np.array([4.0, 0, 0])
    tariff_cost = compiled(tmp_path, grid, text)
    problem = posed(grid, simple_plant(8, 4), load, pv, linear_cost(tariff_cost.total, 3), 8.0, 0.0)
    plan = make_plan(problem, tariff_cost)
    assert plan.cost == pytest.approx(cost)
    assert plan.flows.stored_export_kwh.sum() == pytest.approx(3)


# --- another program of the same site

PLANT = {"capacity": 9.0, "charge": 3.0, "discharge": 4.0, "eta_c": 0.95, "eta_d": 0.93, "ac": 4.5,
         "eta_ac": 0.96, "eta_dc": 0.94}  # fmt: skip
FLOWS = ("bought", "pv_out", "battery_out", "pv", "charge", "discharge", "to_ac", "to_dc", "stored")
PAIRS = (
    ("bought", "pv_out"),
    ("bought", "battery_out"),
    ("charge", "discharge"),
    ("to_ac", "to_dc"),
)


def site(coupling):
    return simple_plant(
        PLANT["capacity"], PLANT["charge"], (PLANT["eta_c"], PLANT["eta_d"]), coupling=coupling,
        discharge_kw=PLANT["discharge"],
        inverter=Inverter(ac_limit_kw=4.5, efficiency_pct=96, charging_efficiency_pct=94),
    )  # fmt: skip


def cheapest(load, pv, buy, of_pv, of_stored, *, on_dc, one_way):
    """Return the least cost of a day that ends as it began; with binaries PV must leave first."""
    count = len(load)
    names = [*FLOWS, *(f"way {n}" for n in range(len(PAIRS))), "pv is out"]
    at = {name: place * count for place, name in enumerate(names)}
    rows, low, high = [], [], []

    def row(entries, least, most):
        line = np.zeros(len(names) * count)
        for name, t, factor in entries:
            line[at[name] + t] += factor
        rows.append(line)
        low.append(least)
        high.append(most)

    share, most = (PLANT["eta_ac"] if on_dc else 1.0), 30.0
    for t in range(count):
        on_ac = [] if on_dc else [("pv", t, 1)]
        row([("bought", t, 1), *on_ac, ("to_ac", t, PLANT["eta_ac"]), ("to_dc", t, -1),
             ("pv_out", t, -1), ("battery_out", t, -1)], load[t], load[t])  # fmt: skip
        dc = [
            ("discharge", t, 1),
            ("to_dc", t, PLANT["eta_dc"]),
            ("charge", t, -1),
            ("to_ac", t, -1),
        ]
        row([*dc, ("pv", t, 1)] if on_dc else dc, 0, 0)
        row([("stored", t, 1), ("stored", (t - 1) % count, -1), ("charge", t, -PLANT["eta_c"]),
             ("discharge", t, 1 / PLANT["eta_d"])], 0, 0)  # fmt: skip
        row([("pv_out", t, 1), ("pv", t, -share)], -np.inf, 0)
        if not on_dc:  # the inverter is the battery's alone
            row([("discharge", t, 1), ("to_ac", t, -1)], 0, 0)
        if one_way:
            for n, (one, other) in enumerate(PAIRS):
                row([(one, t, 1), (f"way {n}", t, -most)], -np.inf, 0)
                row([(other, t, 1), (f"way {n}", t, most)], -np.inf, most)
            row([("battery_out", t, 1), ("pv is out", t, -most)], -np.inf, 0)
            row([("pv", t, share), ("pv_out", t, -1), ("pv is out", t, most)], -np.inf, most)
    tops = {"pv": pv, "charge": PLANT["charge"], "discharge": PLANT["discharge"],
            "to_ac": PLANT["ac"] / PLANT["eta_ac"], "to_dc": PLANT["ac"],
            "stored": PLANT["capacity"]}  # fmt: skip
    price = {"bought": buy, "pv_out": -of_pv, "battery_out": -of_stored}
    binaries = len(names) - len(FLOWS)
    highest = [np.broadcast_to(tops.get(name, most), count) for name in FLOWS]
    found = milp(
        np.concatenate([np.broadcast_to(price.get(name, 0.0), count) for name in names]),
        constraints=LinearConstraint(np.array(rows), low, high),
        bounds=Bounds(0, np.concatenate([*highest, np.ones(binaries * count)])),
        integrality=np.repeat([0, int(one_way)], [len(FLOWS) * count, binaries * count]),
        options={"mip_rel_gap": 0.0},
    )
    assert found.success
    return found.fun


def planned(load, pv, buy, of_pv, of_stored, coupling):
    grid, steps = hourly_grid(len(load)), np.arange(len(load))
    stored = FlowSum("stored_export_kwh", steps, np.ones(len(load)))
    priced = (
        FlowSum("import_kwh", steps, buy),
        FlowSum("export_kwh", steps, -of_pv),
        FlowSum("stored_export_kwh", steps, of_pv - of_stored),
    )
    lines = [Line("all", "all", 0, stored, "kWh", None, Sum(priced), "test")]
    cost = TariffCost("EUR", calendar_months(grid), tuple(lines), ())
    linear = linear_cost(cost.total, grid.count)
    return make_plan(posed(grid, site(coupling), load, pv, linear, None, None), cost)


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_a_program_with_two_ways_out_finds_the_same_cost(coupling):
    luck = np.random.default_rng(4)
    apart = 0
    for count in (6, 24, 24, 72):
        load = luck.uniform(0, 2, count)
        pv = luck.uniform(0, 9, count) * (luck.random(count) < 0.6)
        buy = luck.choice([0.1, 0.4, 0.5], count)
        of_pv = buy * luck.uniform(0.3, 0.95, count)
        of_stored = of_pv * luck.uniform(0, 1, count)
        plan = planned(load, pv, buy, of_pv, of_stored, coupling)
        least = cheapest(load, pv, buy, of_pv, of_stored, on_dc=coupling == "dc", one_way=False)
        assert plan.cost == pytest.approx(least, abs=1e-6)
        assert plan.proof.kind == "linear program"
        apart += plan.flows.stored_export_kwh.sum()
    assert apart > 1


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_where_stored_energy_is_paid_more_or_prices_are_odd_integers_find_the_best(coupling):
    luck = np.random.default_rng(9)
    for count in (4, 6, 8, 8, 24):
        load = luck.uniform(0, 3, count)
        pv = luck.uniform(0, 6, count) * (luck.random(count) < 0.6)
        buy = luck.uniform(0.1, 0.5, count)
        of_pv, of_stored = luck.uniform(-0.1, 0.5, (2, count))
        plan = planned(load, pv, buy, of_pv, of_stored, coupling)
        least = cheapest(load, pv, buy, of_pv, of_stored, on_dc=coupling == "dc", one_way=True)
        assert plan.cost == pytest.approx(least, rel=2e-5, abs=1e-5)


def test_days_are_cut_far_from_the_hours_that_take_a_choice():
    """Choices from 06:00 to 17:00 and at 19:00: the middle of what is left is 00:30, or 01:00."""
    grid = hourly_grid(24 * 3)
    none = np.zeros(grid.count)
    problem = posed(grid, site("ac"), none, none, linear_cost(Sum(()), grid.count), None, None)
    hour = grid.minute_of_day // 60
    sunny = np.flatnonzero(((hour >= 6) & (hour <= 17)) | (hour == 19))
    cut = cut_of(problem, {ORIGIN: sunny})
    assert cut is not None
    assert cut.edges == [0, 1, 25, 49]


# --- what stands on it

SELLING = Settings(
    settings="case", floor_pct=10.0,
    seasons=[SeasonSet(months=list(range(1, 13)), day_sets=[DaySet(days="every day", windows=[
        Window(start="11:00", end="13:00", action="sell", down_to_pct=20.0, power_kw=3.0),
    ])])],
)  # fmt: skip


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_a_replay_exports_of_the_battery_what_it_gives_beyond_the_building(coupling):
    """At 11:00 it gives 3 kW on the AC side, the building takes 1 kW; the sun changes nothing."""
    grid = hourly_grid(24)
    load = np.where(grid.minute_of_day // 60 == 11, 1.0, 0.0)
    pv = 1.5 * load
    run = run_through(site(coupling), grid, load, pv, SELLING, PLANT["capacity"])
    assert run.flows.discharge_kwh[11] == pytest.approx(3 / PLANT["eta_ac"])
    assert run.flows.stored_export_kwh[11] == pytest.approx(2)


def test_what_selling_brings_is_told_at_the_price_of_stored_energy(tmp_path):
    """3 kWh of full cells, nothing paid for them: 1 to the building, 2 sold at 0.04, not at 0.10."""
    grid = hourly_grid(1)
    cost, one = compiled(tmp_path, grid), np.ones(1)
    before = Flows(grid, one, 0 * one, 0 * one, 0 * one, 0 * one, one, 0 * one)
    after = Flows(grid, 0 * one, 2 * one, 0 * one, 3 * one, 0 * one, one, 0 * one)
    linear = linear_cost(cost.total, 1)
    saved = linear.value(before) - linear.value(after)
    told = sources_of(linear, before, after, 0 * one, 3.0, 0.0, saved)
    assert saved == pytest.approx(0.30 + 0.08)
    assert (told.self_consumption, told.sales) == pytest.approx((0.30, 0.08))
    assert told.other == pytest.approx(0)


def test_a_worked_bill_with_more_stored_than_exported_is_refused(tmp_path):
    tariff = tariff_of(tmp_path, APART)
    text = """
zone: UTC
bills:
  - shows: too much
    source: worked out by hand
    period: [2025-06-01, 2025-06-01]
    meter:
      - {export_kwh: 3, hours: ["10:00-13:00"]}
      - {stored_export_kwh: 2, hours: ["10:00-11:00"]}
    expect: {total: 0}
"""
    (tmp_path / "t.bills.yaml").write_text(text)
    worked = read_worked_bills(tmp_path / "t.bills.yaml")[0]
    with pytest.raises(TariffError, match=r"0\.5 kWh of stored energy .* but 0\.25 kWh in all"):
        check_worked_bill(tariff, worked)


def test_a_node_that_counts_pv_alone_is_export_less_what_is_stored():
    steps = np.arange(2)
    every = np.ones(2)
    node = Sum(
        (FlowSum("export_kwh", steps, every), minus(FlowSum("stored_export_kwh", steps, every)))
    )
    linear = linear_cost(node, 2)
    assert linear.prices("stored_export_kwh")
    assert not linear.prices("charge_kwh")
