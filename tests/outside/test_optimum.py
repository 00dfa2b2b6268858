"""The plan reaches optima that others published, or that follow on paper from published data.

"Published" below is what stands in the named source; "derived" is a closed form, or the optimum of
the published data found with another program. No value comes from the code under test.
"""

from __future__ import annotations

from dataclasses import replace

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from scipy.optimize import linprog

from optimizer.site.equipment import Connection, Permissions
from tests.builders import best_plan, simple_plant

NO_EXPORT = Permissions(export=False)
MANY = settings(max_examples=120, derandomize=True, database=None, deadline=None)


def trade(capacity, power, prices, efficiency=1.0, **ends):
    """Return the plan of a store that buys and sells at the same prices, with no load and no PV."""
    none = np.zeros(len(prices))
    plant = simple_plant(capacity, power, efficiency)
    return best_plan(plant, none, none, prices, prices, **ends)


# --- Boyd & Vandenberghe, "Additional Exercises for Convex Optimization", storage trade-off 16.9.
# Published: the data and the model (lossless, cyclic, |c| limited, no export). Derived: the optima.


def course_data():
    """Return price p and use u as the exercise draws them; the legacy stream of NumPy is frozen."""
    np.random.seed(1)  # noqa: NPY002 - the exercise says so
    t, count = np.arange(1, 97), 96
    p = np.exp(-np.cos((t - 15) * 2 * np.pi / count) + 0.01 * np.random.randn(count))  # noqa: NPY002
    wave = -0.6 * np.cos((t + 40) * np.pi / count) - 0.7 * np.cos(t * 4 * np.pi / count)
    return p, 2 * np.exp(wave + 0.01 * np.random.randn(count))  # noqa: NPY002


def course_cost(capacity, power):
    """Return the least cost; one of the stores is so large that no person may describe it."""
    p, u = course_data()
    plant = simple_plant(10, power, permissions=NO_EXPORT)
    plant = replace(plant, capacity_kwh=capacity, high_kwh=capacity)
    return best_plan(plant, u, 0 * u, p, 0 * p, start=None).cost


def test_the_course_data_are_drawn_as_published():
    p, u = course_data()
    assert p[:3] == pytest.approx([0.55293326, 0.51403528, 0.49047131], abs=5e-9)
    assert u[:3] == pytest.approx([0.86888151, 0.90518212, 0.94411643], abs=5e-9)
    assert u.sum() == pytest.approx(323.049519, abs=1e-6)
    assert p @ u == pytest.approx(459.692791, abs=1e-6)


@pytest.mark.parametrize(
    ("capacity", "power", "cost"),
    [
        (35, 3, 379.410977),
        (35, 5, 378.148612),
        (35, 1, 396.824737),
        (10, 3, 436.038815),
        (1e4, 3, 267.953023),
    ],
)
def test_the_course_exercise_costs_what_was_derived(capacity, power, cost):
    assert course_cost(capacity, power) == pytest.approx(cost, abs=1e-5)


def test_the_course_cost_falls_ever_more_slowly_with_capacity():
    """The exercise asks for this trade-off: an LP's value is convex in its right-hand side."""
    costs = np.array([course_cost(q, 3) for q in (10, 20, 30, 40, 50, 60)])
    assert (np.diff(costs) < 0).all()
    assert (np.diff(costs, n=2) > -1e-6).all()


# --- A store that buys and sells over ten periods, an exercise for students of business. Stated there:
# prices, sizes, start. Derived: the optima.

TEN_PERIODS = np.array([5, 27, 2, 25, 22, 29, 24, 20, 61, 66], dtype=float)


@pytest.mark.parametrize(
    ("capacity", "power", "start", "profit"), [(90, 15, 45, 3075), (80, 25, 40, 4335)]
)
def test_the_textbook_store_earns_what_was_derived(capacity, power, start, profit):
    plan = trade(capacity, power, TEN_PERIODS, start=start)
    assert -plan.cost == pytest.approx(profit, abs=1e-5)


@pytest.mark.parametrize(
    ("capacity", "power", "start", "profit"), [(90, 15, 45, 2730), (80, 25, 40, 3920)]
)
def test_the_textbook_store_earns_less_when_holding_costs_one_per_kwh(
    capacity, power, start, profit
):
    """Our words know no holding cost; it is put into the price (derived).

    A kWh bought in period n of N is held at N − n + 1 period ends, so in a lossless store the
    holding cost is N·start + Σ (N − n + 1)·(bought − sold).
    """
    held = np.arange(len(TEN_PERIODS), 0, -1)
    plan = trade(capacity, power, TEN_PERIODS + held, start=start)
    assert -plan.cost - len(held) * start == pytest.approx(profit, abs=1e-5)


@pytest.mark.parametrize(("end", "profit"), [(0, 3760), (20, 3280), (40, 2060), (60, 740)])
def test_the_textbook_store_earns_less_the_fuller_it_must_end(end, profit):
    """Capacity 60, at most 20 a period, full at the start: our parameters on their prices."""
    plan = trade(60, 20, TEN_PERIODS, start=60, end=end)
    assert -plan.cost == pytest.approx(profit, abs=1e-5)
    assert plan.stored_kwh[-1] == pytest.approx(end, abs=1e-6)


# --- Data: a public coursework repository (O10); price list of leetcode.cn post 3107375 (O11).


def test_three_slot_arbitrage_earns_500_lossless_and_310_with_losses():
    """Published: prices 50, 100, 60 per MWh, 20 MWh, 10 a slot, empty at both ends."""
    prices = np.array([50.0, 100.0, 60.0])
    assert -trade(20, 10, prices, end=0.0).cost == pytest.approx(500, abs=1e-5)
    lossy = trade(20, 10, prices, 0.9, end=0.0)
    assert -lossy.cost == pytest.approx(310, abs=1e-5)
    assert lossy.flows.import_kwh == pytest.approx([10, 0, 0], abs=1e-6)
    assert lossy.flows.export_kwh == pytest.approx([0, 8.1, 0], abs=1e-6)


@pytest.mark.parametrize(("efficiency", "profit"), [(1.0, 2151.43635), (0.9, 1497.41838)])
def test_a_published_day_of_prices_earns_what_was_derived(efficiency, profit):
    """Published: 24 prices per MWh; a store of 2,000 kWh and 500 kWh an hour. Derived: optimum."""
    per_mwh = np.array(
        [343.56875, *[311.06875] * 6, 695.06875, 695.06875, 1034.86875, 1108.61875, 1127.17415,
         695.06875, 715.06875, 1041.44675, 1012.60645, 1024.16625, 696.26465, 695.06875,
         999.86875, 999.86875, 695.06875, 695.06875, 311.06875]
    )  # fmt: skip
    plan = trade(2000, 500, per_mwh / 1000, efficiency)
    assert -plan.cost == pytest.approx(profit, abs=1e-4)


# --- Tiny cases in closed form. All derived.


def two_price_saving(low, high, efficiency):
    none, load = np.zeros(4), np.full(4, 5.0)
    prices = np.array([low, low, high, high])
    plan = best_plan(simple_plant(4, 2, efficiency), load, none, prices, none)
    return prices @ load - plan.cost, plan


@pytest.mark.parametrize(("efficiency", "saving"), [(1.0, 0.800), (0.9, 0.572)])
def test_a_two_price_window_saves_the_closed_form(efficiency, saving):
    """S = min(E, P·h·η_c, P·h/η_d, load/η_d); saving = S·(p_hi·η_d − p_lo/η_c)."""
    assert two_price_saving(0.1, 0.3, efficiency)[0] == pytest.approx(saving, abs=1e-6)


def test_arbitrage_breaks_even_where_the_price_ratio_is_the_round_trip_efficiency():
    """Published (Hashmi et al., arXiv 2002.01524): it pays only if p_lo/p_hi < η; .81·.30 = .243."""
    assert two_price_saving(0.2429, 0.3, 0.9)[0] == pytest.approx(0.0004, abs=1e-6)
    saving, plan = two_price_saving(0.2431, 0.3, 0.9)
    assert saving == pytest.approx(0, abs=1e-9)
    assert plan.flows.charge_kwh == pytest.approx(np.zeros(4), abs=1e-9)


@pytest.mark.parametrize(
    ("prices", "start", "end", "saving"),
    [((0.1, 0.3, 0.1, 0.3), 0, None, 0.80), ((0.3, 0.1), 0, None, 0), ((0.3, 0.1), 2, 2, 0.40)],
)
def test_cycles_and_their_order_decide_the_saving(prices, start, end, saving):
    none, load, buy = np.zeros(len(prices)), np.full(len(prices), 5.0), np.array(prices)
    plan = best_plan(simple_plant(2, 2), load, none, buy, none, start=start, end=end)
    assert buy @ load - plan.cost == pytest.approx(saving, abs=1e-6)


def test_energy_and_demand_are_weighed_together():
    """O15: peak 5 kW at 10 per kW is 50, energy 2.40; 52.40 in all."""
    load, none = np.array([2.0, 2, 8, 2]), np.zeros(4)
    plan = best_plan(simple_plant(3, 3), load, none, [0.1, 0.1, 0.3, 0.1], none, per_kw=10)
    assert plan.cost == pytest.approx(52.40, abs=1e-6)
    assert plan.flows.import_kwh.max() == pytest.approx(5, abs=1e-6)


@pytest.mark.parametrize(
    ("sell", "exported", "cost"), [(0.05, 0, 0.228), (0.242, 0, 0.228), (0.244, 4, 0.224)]
)
def test_pv_is_stored_while_the_export_price_stays_below_the_round_trip_worth(sell, exported, cost):
    """O16: 4 kWh of PV, then 4 kWh of load; the threshold is .81 × .30 = .243."""
    plan = best_plan(simple_plant(100, 10, 0.9), [0, 4], [4, 0], [0.3, 0.3], [sell, sell])
    assert plan.cost == pytest.approx(cost, abs=1e-6)
    assert plan.flows.export_kwh.sum() == pytest.approx(exported, abs=1e-6)


def test_export_arbitrage_buys_two_and_sells_what_the_losses_leave():
    """O20: .1 then .3 both ways, .9 each way: 2 × .1 − 2 × .81 × .3 = −.286."""
    plan = trade(2, 2, np.array([0.1, 0.3]), 0.9)
    assert plan.cost == pytest.approx(-0.286, abs=1e-6)
    assert plan.flows.import_kwh == pytest.approx([2, 0], abs=1e-6)
    assert plan.flows.export_kwh == pytest.approx([0, 1.62], abs=1e-6)


@pytest.mark.parametrize(("ways", "delivered"), [((0.81, 1.0), 4.0), ((0.9, 0.9), 3.6)])
def test_where_the_losses_are_put_decides_what_a_full_battery_delivers(ways, delivered):
    """D06: √η per leg is a convention; 4 kWh stored give 4.0, or 3.6 when half the loss follows."""
    plan = best_plan(simple_plant(4, 10, ways), [10.0], [0.0], [0.3], [0.0], start=4)
    assert plan.cost == pytest.approx(0.3 * (10 - delivered), abs=1e-6)


@pytest.mark.parametrize("ways", [(0.81, 1.0), (0.9, 0.9), (1.0, 0.81)])
def test_energy_out_over_energy_in_is_the_round_trip_efficiency(ways):
    """D05, published (EIA): energy out ÷ energy in at the same terminals; here .81 however split."""
    flows = trade(100, 2, np.array([0.1, 0.3]), ways).flows
    assert flows.discharge_kwh.sum() / flows.charge_kwh.sum() == pytest.approx(0.81, abs=1e-9)


# --- Peak shaving. Published: the optimum is an interval average (Bar-Noy, Johnson, Liu, WAOA 2008,
# doi 10.1007/978-3-540-93980-1_12). Derived: the boundary conditions and the values.


def shaved_peak(load, capacity, start, end=None, power=None, efficiency=1.0):
    none = np.zeros(len(load))
    plant = simple_plant(capacity, power or 20 * capacity, efficiency, permissions=NO_EXPORT)
    return best_plan(plant, load, none, none, none, start=start, end=end, per_kw=1.0).cost


def interval_average(load, capacity, *, start_full, end_full):
    """Return max over windows [i, j) of (Σ load − B)/length; B helps only where it can be there."""
    peak, last = 0.0, len(load)
    for i in range(last):
        for j in range(i + 1, last + 1):
            helps = (start_full or i > 0) and (not end_full or j < last)
            peak = max(peak, (sum(load[i:j]) - capacity * helps) / (j - i))
    return peak


@pytest.mark.parametrize(
    ("load", "capacity", "start", "end", "peak"),
    [
        *[((2, 6, 10, 4), b, b, None, p) for b, p in [(1, 9), (2, 8), (4, 6), (5, 5.5), (6, 5)]],
        ((2, 6, 10, 4), 4, 0, None, 6),
        ((2, 6, 10, 4), 4, 4, 4, 7),
        *[((1, 9, 2, 8), b, b, None, p)
          for b, p in [(1, 8), (2, 7), (4, 5), (5, 14 / 3), (6, 13 / 3)]],
        *[((3, 3, 3, 12, 12, 3), b, b, None, p)
          for b, p in [(1, 11.5), (2, 11), (4, 10), (5, 9.5), (6, 9)]],
    ],
)  # fmt: skip
def test_the_shaved_peak_is_the_listed_interval_average(load, capacity, start, end, peak):
    assert shaved_peak(load, capacity, start, end) == pytest.approx(peak, abs=1e-6)


@pytest.mark.parametrize("start", [0, 4])
def test_losses_raise_the_shaved_peak_to_six_point_four(start):
    """Four stored kWh at .9 give 3.6: from full or from empty, 10 − 3.6."""
    assert shaved_peak((2, 6, 10, 4), 4, start, efficiency=0.9) == pytest.approx(6.4, abs=1e-6)


def test_a_power_limit_leaves_the_highest_load_less_that_power():
    assert shaved_peak((2, 6, 10, 4), 4, 4, power=1.5) == pytest.approx(8.5, abs=1e-6)


@MANY
@given(
    load=st.lists(st.floats(0, 10, width=32), min_size=2, max_size=8),
    capacity=st.floats(1, 12, width=32),
    ends=st.sampled_from([(True, False), (False, False), (True, True)]),
)
def test_the_shaved_peak_is_the_interval_average_for_any_load(load, capacity, ends):
    start_full, end_full = ends
    peak = shaved_peak(load, capacity, capacity * start_full, capacity if end_full else None)
    closed = interval_average(load, capacity, start_full=start_full, end_full=end_full)
    assert peak == pytest.approx(closed, abs=1e-5)


# --- Full net metering. Published (Hashmi et al., arXiv 2002.01524): with sell = buy the decision
# does not depend on load and PV. Derived: the saving of these prices.


@MANY
@given(energies=st.lists(st.tuples(st.floats(0, 9), st.floats(0, 9)), min_size=6, max_size=6))
def test_under_full_net_metering_the_saving_is_the_same_for_any_load_and_pv(energies):
    load, pv = np.array(energies).T
    prices = np.array([0.12, 0.12, 0.30, 0.30, 0.18, 0.45])
    plan = best_plan(simple_plant(6, 3, (0.95, 0.93)), load, pv, prices, prices)
    assert prices @ (load - pv) - plan.cost == pytest.approx(1.57545, abs=1e-6)


# --- Where the relaxation is wrong. Published: negative prices and forced dumps make an LP charge
# and discharge at once (Morales, arXiv 2506.21470); exactness conditions (Al Taha & Bitar, arXiv
# 2403.14010). Derived: the values. Each case is also relaxed here, to show that it needs integers.


def relaxed_trade(prices, capacity, power, start, efficiency):
    """Return the LP's cost if charge c and discharge d may run at once: min Σ p·(c − d)."""
    count = len(prices)
    sums = np.tril(np.ones((count, count)))
    stored = np.hstack([efficiency * sums, -sums / efficiency])
    rows, limits = np.vstack([stored, -stored]), [capacity - start] * count + [start] * count
    return linprog([*prices, *(-p for p in prices)], rows, limits, bounds=(0, power)).fun


@pytest.mark.parametrize(
    ("prices", "power", "start", "relaxed", "exclusive"),
    [((-0.1,), 5, 0, -0.185, -1 / 9), ((-0.1, -0.1), 1, 1, -0.038, -0.019)],
)
def test_a_negative_price_is_not_earned_by_charging_and_discharging_at_once(
    prices, power, start, relaxed, exclusive
):
    """O17: 1 kWh battery, .9 each way, no load."""
    assert relaxed_trade(prices, 1, power, start, 0.9) == pytest.approx(relaxed, abs=1e-6)
    plan = trade(1, power, np.array(prices), 0.9, start=start)
    assert plan.cost == pytest.approx(exclusive, abs=1e-6)
    assert plan.flows.charge_kwh * plan.flows.discharge_kwh == pytest.approx(0, abs=1e-9)
    assert plan.proof.kind == "mixed-integer program"


def test_a_sell_price_above_the_buy_price_is_not_earned_by_importing_to_export():
    """O18: load 1, buy .10, sell .20, 10 kW connection: relaxed −.80, one way only +.10."""
    relaxed = linprog([0.1, -0.2], A_eq=[[1, -1]], b_eq=[1], bounds=(0, 10))
    assert relaxed.fun == pytest.approx(-0.80, abs=1e-9)
    connection = Connection(import_limit_kw=10, export_limit_kw=10)
    for plant in (
        simple_plant(10, 10, connection=connection),
        simple_plant(10, 10, connection=connection).without_battery(),
    ):
        plan = best_plan(plant, [1.0], [0.0], [0.1], [0.2])
        assert plan.cost == pytest.approx(0.10, abs=1e-6)
        assert plan.flows.import_kwh * plan.flows.export_kwh == pytest.approx(0, abs=1e-9)
