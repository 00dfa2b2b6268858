"""Nodes of a cost on a few steps, each figure worked out on paper."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.base.flows import Flows
from optimizer.cost.expression import (
    CANCELS,
    Choice,
    Constant,
    FlowSum,
    Largest,
    Metered,
    Node,
    Peak,
    Rounded,
    Scale,
    Sum,
    Tally,
    above,
    evaluate,
    linear_cost,
    minus,
    nodes_in,
    rises,
    rounded,
)
from tests.builders import hourly_grid

GRID = hourly_grid(6)
BOUGHT = np.array([4.0, 2.0, 6.0, 0.0, 3.0, 1.0])
SOLD = np.array([0.0, 1.0, 0.0, 5.0, 0.0, 2.0])
FLOWS = Flows.of_meter(GRID, BOUGHT, SOLD)
ALL = np.arange(6)


def bought(steps=ALL, price=1.0) -> FlowSum:
    return FlowSum("import_kwh", np.array(steps), np.full(len(steps), price))


def sold(steps=ALL, price=1.0) -> FlowSum:
    return FlowSum("export_kwh", np.array(steps), np.full(len(steps), price))


# --- peaks -----------------------------------------------------------------------------------


def peak(**more) -> Peak:
    """Return a peak over intervals of two steps of an hour: 3, 3 and 2 kW unless said otherwise."""
    return Peak("import_kwh", ALL, ALL // 2, 1.0, **more)


GROUPS = np.array([0, 0, 1])
PEAKS = {
    "the highest": ({}, 3.0, [0]),
    "reached before": ({"reached_kw": (3.5, 1.0)}, 3.5, [0]),
    "reached less": ({"reached_kw": (2.5,)}, 3.0, [0]),
    "by a factor": ({"factor": np.array([1.0, 0.5, 2.0])}, 4.0, [2]),
    "two of one group and the other": ({"group": GROUPS, "highest": 2}, 2.5, [0, 2]),
    "more groups than there are": ({"group": GROUPS, "highest": 5}, 2.5, [0, 2]),
    "one of two groups": ({"group": GROUPS}, 3.0, [0]),
    "a group before": ({"group": GROUPS, "highest": 2, "reached_kw": (2.2,)}, 2.6, [0]),
    "three with one before": ({"group": GROUPS, "highest": 3, "reached_kw": (4.0,)}, 3.0, [0, 2]),
    "all intervals as groups": ({"group": np.arange(3), "highest": 2}, 3.0, [0, 1]),
    "a group that was higher": (
        {"group": GROUPS, "highest": 2, "reached_in_group": np.array([3.5, 1.0])}, 2.75, [2]),
    "a group that was as high": (
        {"group": GROUPS, "highest": 2, "reached_in_group": np.array([3.0, 1.0])}, 2.5, [0, 2]),
    # the first interval began with 3 kWh in an hour before: 9 kWh in 3 h; the others are whole
    "an interval that has begun": (
        {"begun_kwh": np.array([3.0, 0.0, 0.0]), "begun_h": np.array([1.0, 0.0, 0.0])}, 3.0, [0]),
    "an interval that began low": (
        # 6 kWh in 6 h, 6 in 2, 11 in 3
        {"begun_kwh": np.array([0.0, 0.0, 7.0]), "begun_h": np.array([4.0, 0.0, 1.0])}, 11 / 3, [2]),
}  # fmt: skip


@pytest.mark.parametrize("name", PEAKS)
def test_a_peak_is_the_mean_of_the_highest_groups(name: str) -> None:
    more, kw, decided = PEAKS[name]
    node = peak(**more)
    assert node.value(BOUGHT) == pytest.approx(kw)
    if name != "reached before":
        assert node.highest_intervals(BOUGHT).tolist() == decided
    values, _ = node.highest_groups(BOUGHT)
    assert values.mean() == pytest.approx(kw)


def test_intervals_of_different_lengths_are_means_by_their_hours() -> None:
    """One of a step, one of three, one of two half-hours: 4 ÷ 0.5, 8 ÷ 1.5, 4 ÷ 1."""
    node = Peak("import_kwh", ALL, np.array([0, 1, 1, 1, 2, 2]), 0.5)
    assert node.first_of_interval.tolist() == [0, 1, 4]
    assert node.hours.tolist() == [0.5, 1.5, 1.0]
    assert node.interval_kw(BOUGHT) == pytest.approx([8.0, 16 / 3, 4.0])


def test_a_step_may_stand_in_two_intervals() -> None:
    """Rolling: steps 0 and 1, 1 and 2, 2 and 3."""
    node = Peak("import_kwh", np.array([0, 1, 1, 2, 2, 3]), ALL // 2, 1.0)
    assert node.interval_kw(BOUGHT) == pytest.approx([3.0, 4.0, 3.0])


def test_a_peak_of_no_step_is_what_was_reached_before() -> None:
    none = np.zeros(0, dtype=np.int64)
    assert Peak("import_kwh", none, none, 1.0).value(BOUGHT) == 0.0
    assert Peak("import_kwh", none, none, 1.0, (2.0,)).value(BOUGHT) == 2.0
    assert Peak("import_kwh", none, none, 1.0, (2.0, 4.0), highest=3).value(BOUGHT) == 3.0
    assert Peak("import_kwh", none, none, 1.0).counted == 1


def test_what_lies_before_the_series_is_told_group_by_group() -> None:
    node = peak(group=GROUPS, reached_kw=(7.0,), reached_in_group=np.array([1.0, 2.0]))
    assert node.before_series_kw.tolist() == [7.0, 1.0, 2.0]
    assert peak(group=GROUPS).before_series_kw.tolist() == [0.0, 0.0]
    assert peak().before_series_kw.tolist() == [0.0]


# --- plain arithmetic ------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "to", "how", "expected"), [
    (2.5, 1.0, "nearest", 3.0), (-2.5, 1.0, "nearest", -3.0), (2.4999, 1.0, "nearest", 2.0),
    (7.0, 5.0, "nearest", 5.0), (7.0, 5.0, "down", 5.0), (7.0, 5.0, "up", 10.0),
    (-7.0, 5.0, "down", -5.0), (-7.0, 5.0, "up", -10.0), (10.0, 5.0, "up", 10.0), (10.0, 5.0, "down", 10.0),
    (0.3 - 1e-12, 0.1, "down", 0.3), (0.3 + 1e-12, 0.1, "up", 0.3), (0.0, 0.1, "up", 0.0),
    (0.2999, 0.1, "down", 0.2), (0.3001, 0.1, "up", 0.4), (0.125 - 1e-13, 0.25, "nearest", 0.25),
    (1e6 + 0.0005, 1.0, "up", 1e6), (0.5 - 3e-9, 1.0, "nearest", 0.0), (1.0 - 3e-9, 1.0, "down", 0.0),
    (1.0 + 1.5e-9, 1.0, "up", 2.0),
])  # fmt: skip
def test_rounding(value: float, to: float, how: str, expected: float) -> None:
    """Halves go away from zero; what lies within 1e-9 of a multiple, of its count if that is above 1, is one."""
    assert rounded(value, to, how) == pytest.approx(expected, abs=1e-12)


STEPS = Choice(bought(), (10.0, 16.0), (Constant(1.0), Constant(5.0), Constant(9.0)))
NODES: dict[str, tuple[Node, float, float]] = {  # the value, and as planned
    "a sum": (Sum((bought(), sold(price=-0.5), Constant(3.0))), 15.0, 15.0),
    "the largest": (Largest((bought([0, 1]), sold(), Constant(7.0))), 8.0, 8.0),
    "above": (above(bought(), 10), 6.0, 6.0),
    "not above": (above(bought(), 17.0), 0.0, 0.0),
    "above another": (above(bought(), sold()), 8.0, 8.0),
    "less": (minus(bought()), -16.0, -16.0),
    "on an edge": (STEPS, 9.0, 9.0),
    "below an edge": (Choice(bought(), (10.0, 16.1), STEPS.options), 5.0, 5.0),
    "hardly below an edge": (Choice(bought(), (10.0, 16.0 + 5e-7), STEPS.options), 9.0, 9.0),
    "first range": (Choice(bought(), (17.0, 18.0), STEPS.options), 1.0, 1.0),
    "a tally": (Tally(Scale(2.0, bought())), 32.0, 32.0),
    "rounded": (Rounded(bought(), 5.0, "up"), 20.0, 16.0),
    "only the meter knows": (Metered(lambda _: 77.0, bought()), 77.0, 16.0),
}  # fmt: skip


@pytest.mark.parametrize("name", NODES)
def test_both_readings_of_a_node(name: str) -> None:
    node, value, planned = NODES[name]
    assert evaluate(node, FLOWS) == pytest.approx(value)
    assert evaluate(node, FLOWS, as_planned=True) == pytest.approx(planned)
    assert linear_cost(node, 6).value(FLOWS) == pytest.approx(planned)


def test_nodes_of_a_kind_are_found_once_wherever_they_stand() -> None:
    one, two, hidden = bought(), sold(), bought([0])
    node = Sum((Largest((one, Scale(2.0, two))), Tally(one), Rounded(two, 1.0, "up"),
                Choice(one, (1.0,), (Metered(lambda _: 0.0, hidden), Constant(1.0)))))  # fmt: skip
    assert nodes_in(node, FlowSum) == [one, two, hidden]
    assert [found.amount for found in nodes_in(node, Constant)] == [1.0]
    assert nodes_in(node, Peak) == []


# --- curvature -------------------------------------------------------------------------------

PEAK, EXPORTED = peak(), Peak("export_kwh", ALL, ALL // 2, 1.0)
RISING = Choice(bought(), (10.0,), (Constant(1.0), Constant(1.0)))
FALLING = Choice(bought(), (10.0,), (Constant(2.0), Constant(1.0)))
DIRECTIONS: dict[str, tuple[Node, list[tuple[bool, bool]], bool]] = {  # (from below, from above); convex
    "a peak that costs": (Scale(2.0, PEAK), [(True, False)], True),
    "a peak that earns": (Scale(-2.0, PEAK), [(False, True)], False),
    "half a peak that earns": (Scale(-0.5, PEAK), [(False, True)], False),
    "both cancel": (Sum((PEAK, minus(PEAK))), [(False, False)], True),
    "the rest costs": (Sum((Scale(3.0, PEAK), minus(PEAK))), [(True, False)], True),
    "a tally that earns": (Scale(-1.0, Tally(bought())), [(False, True)], True),
    "a peak in a largest": (Largest((PEAK, bought())), [(True, False), (True, False)], True),
    "a peak less in a largest": (Largest((minus(PEAK), bought())), [(False, True), (True, False)], False),
    "rising steps": (RISING, [(True, False)], False),
    "rising steps by a peak": (Choice(PEAK, (3.0,), RISING.options), [(True, False), (True, False)], False),
    "falling steps by a peak": (Choice(PEAK, (3.0,), FALLING.options), [(True, True), (True, False)], False),
    "rising steps that earn, by a peak": (
        minus(Choice(PEAK, (3.0,), RISING.options)), [(True, True), (False, True)], False),
    "priced steps by a peak": (
        Choice(PEAK, (3.0,), (Constant(1.0), PEAK)), [(True, True), (True, False)], False),
    "steps of which the first has a peak": (
        Choice(PEAK, (3.0,), (EXPORTED, Constant(1.0))), [(True, True), (True, False), (True, False)], False),
    "no steps after all": (Scale(0.0, RISING), [], True),
}  # fmt: skip


@pytest.mark.parametrize("name", DIRECTIONS)
def test_a_part_is_needed_from_the_side_on_which_it_would_be_wrong(name: str) -> None:
    node, sides, is_convex = DIRECTIONS[name]
    cost = linear_cost(node, 6)
    assert [(part.from_below, part.from_above) for part in cost.parts] == sides
    assert cost.is_convex == is_convex


def test_what_cancels_but_for_rounding_has_no_sign() -> None:
    """0.1 + 0.2 − 0.3 leaves 5.6e-17; a billionth of the largest is a price."""
    thirds = Sum((Scale(0.1, PEAK), Scale(0.2, PEAK), Scale(-0.3, PEAK)))
    assert linear_cost(thirds, 6).total.parts == {}
    small = Sum((Scale(1.0, PEAK), Scale(-1.0 + 1e-9, PEAK)))
    assert linear_cost(small, 6).total.parts == {0: pytest.approx(1e-9)}
    just = Sum((Scale(4.0, PEAK), Scale(-4.0 + 3 * CANCELS, PEAK)))
    assert linear_cost(just, 6).total.parts == {}  # 3e-12 of 4


@pytest.mark.parametrize(("options", "expected"), [
    ((Constant(1.0), Constant(1.0), Constant(2.0)), True),
    ((Constant(1.0), Constant(3.0), Constant(2.0)), False),
    ((Constant(1.0), bought(), Constant(2.0)), False),
])  # fmt: skip
def test_steps_rise_if_no_amount_is_below_the_one_before(options, expected) -> None:
    assert rises(Choice(bought(), (1.0, 2.0), options)) == expected


# --- the linear form -------------------------------------------------------------------------


def test_weights_of_a_flow_add_up_step_by_step() -> None:
    cost = linear_cost(Sum((bought([0, 2], 0.5), Scale(2.0, bought([2, 3], 0.25)), sold([1], -1.0),
                            Constant(4.0), Scale(3.0, Constant(2.0)))), 6)  # fmt: skip
    assert cost.weight("import_kwh").tolist() == [0.5, 0.0, 1.0, 0.5, 0.0, 0.0]
    assert cost.weight("export_kwh").tolist() == [0.0, -1.0, 0.0, 0.0, 0.0, 0.0]
    assert cost.weight("stored_export_kwh").tolist() == [0.0] * 6
    assert cost.constant == 10.0
    assert cost.total.weights["import_kwh"][0].tolist() == [0, 2, 3]
    # 0.5 × 4 + 1 × 6 + 0.5 × 0 − 1 + 10
    assert cost.value(FLOWS) == 17.0


def test_a_flow_is_priced_wherever_it_stands() -> None:
    assert linear_cost(bought(), 6).prices("import_kwh")
    assert not linear_cost(bought(), 6).prices("export_kwh")
    assert linear_cost(EXPORTED, 6).prices("export_kwh")
    assert linear_cost(Largest((sold(), Constant(1.0))), 6).prices("export_kwh")
    assert not linear_cost(Largest((sold(), Constant(1.0))), 6).prices("import_kwh")


def test_peaks_are_told_with_their_numbers() -> None:
    cost = linear_cost(Sum((Tally(bought()), PEAK, EXPORTED)), 6)
    assert list(cost.peaks()) == [(1, PEAK), (2, EXPORTED)]
    assert cost.part_values(FLOWS).tolist() == [16.0, 3.0, 2.5]


def test_the_form_that_decides_is_told_by_its_number() -> None:
    cost = linear_cost(Sum((Largest((sold(), bought())), STEPS)), 6)
    assert [part.decided_by(FLOWS, cost.part_values(FLOWS)) for part in cost.parts] == [1, 2]


# --- kinks -----------------------------------------------------------------------------------

ONE, TWO = Tally(bought([0, 1, 2])), Tally(sold([3, 4, 5], 2.0))  # 12 and 14


@pytest.mark.parametrize(("node", "is_wide"), [
    (Largest((Sum((ONE, TWO)), Constant(20.0))), True),
    (Largest((ONE, TWO)), True),
    (Largest((ONE, Constant(20.0))), False),
    (Sum((ONE, TWO)), False),
    (Largest((Largest((ONE, Constant(1.0))), TWO)), True),
    (Choice(Sum((ONE, TWO)), (5.0,), (Constant(1.0), Constant(2.0))), False),
    (Tally(Sum((ONE, Constant(1.0)))), False),
])  # fmt: skip
def test_a_kink_is_wide_if_it_compares_several_tallies(node: Node, is_wide: bool) -> None:
    assert linear_cost(node, 6).has_wide_kinks == is_wide


@pytest.mark.parametrize(("constant", "kept", "value"), [(20.0, True, 52.0), (27.0, False, 54.0)])
def test_a_cost_with_one_side_of_its_wide_kinks(constant: float, kept: bool, value: float) -> None:
    """2 × the larger of 12 + 14 and an amount; the side taken goes on alone."""
    cost = linear_cost(Scale(2.0, Largest((Sum((ONE, TWO)), Constant(constant)))), 6)
    taken = cost.taken_at(FLOWS)
    assert cost.value(FLOWS) == taken.value(FLOWS) == value
    none = Flows.of_meter(GRID, np.zeros(6), np.zeros(6))
    assert taken.value(none) == (0.0 if kept else value)
    weights = [2.0, 2.0, 2.0, 0.0, 0.0, 0.0] if kept else [0.0] * 6
    assert taken.weight("import_kwh").tolist() == weights
    assert taken.weight("export_kwh").tolist() == (
        [0.0, 0.0, 0.0, 4.0, 4.0, 4.0] if kept else [0.0] * 6
    )
    assert taken.total.parts == {}
    assert taken.constant == (0.0 if kept else value)


def test_a_kink_that_is_not_wide_stays() -> None:
    cost = linear_cost(Sum((Scale(3.0, Largest((ONE, Constant(5.0)))), PEAK, bought([5], 2.0))), 6)
    taken = cost.taken_at(FLOWS)
    assert taken.value(FLOWS) == cost.value(FLOWS) == 36 + 3 + 2
    none = Flows.of_meter(GRID, np.zeros(6), np.zeros(6))
    assert taken.value(none) == cost.value(none) == 15.0
    assert taken.is_convex


def test_a_wide_kink_that_earns_stays() -> None:
    """Less half the larger of 12 + 14 and 20: one side of it would lie above the cost elsewhere."""
    cost = linear_cost(Scale(-0.5, Largest((Sum((ONE, TWO)), Constant(20.0)))), 6)
    none = Flows.of_meter(GRID, np.zeros(6), np.zeros(6))
    assert cost.taken_at(FLOWS).value(none) == cost.value(none) == -10.0


def test_the_marginal_price_is_that_of_the_side_in_force() -> None:
    """0.5 + 2 × 3 in steps 0 to 2 of import where the sum is the larger; peaks are left out."""
    node = Sum((bought(price=0.5), Scale(2.0, Largest((Sum((Scale(3.0, ONE), TWO)), Constant(20.0)))),
                Scale(9.0, PEAK)))  # fmt: skip
    cost = linear_cost(node, 6)
    assert cost.marginal("import_kwh", FLOWS).tolist() == [6.5, 6.5, 6.5, 0.5, 0.5, 0.5]
    assert cost.marginal("export_kwh", FLOWS).tolist() == [0.0, 0.0, 0.0, 4.0, 4.0, 4.0]
    none = Flows.of_meter(GRID, np.zeros(6), np.zeros(6))
    assert cost.marginal("import_kwh", none).tolist() == [0.5] * 6
    assert cost.weight("import_kwh").tolist() == [0.5] * 6  # not changed by asking


def test_the_marginal_price_goes_by_the_chosen_option() -> None:
    node = Choice(bought(), (10.0,), (bought(price=1.0), bought(price=3.0)))
    assert linear_cost(node, 6).marginal("import_kwh", FLOWS).tolist() == [3.0] * 6
