"""Flows are checked at birth: impossible energies cannot be carried any further."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.errors import DisagreementError
from optimizer.base.flows import Flows, flow_names
from optimizer.base.timegrid import TimeGrid

GRID = TimeGrid(datetime(2026, 3, 2, tzinfo=UTC), 60, 3, "UTC")

NAMES = (
    "import_kwh", "export_kwh", "charge_kwh", "discharge_kwh", "pv_used_kwh", "load_kwh", "loss_kwh",
)  # fmt: skip

# in: import 1 + PV 2 + discharge 0 = 3; out: export 0.5 + load 1 + charge 1.4 + loss 0.1 = 3
GOOD = {
    "import_kwh": 1.0, "export_kwh": 0.5, "charge_kwh": 1.4, "discharge_kwh": 0.0,
    "pv_used_kwh": 2.0, "load_kwh": 1.0, "loss_kwh": 0.1,
}  # fmt: skip


def flows(**changed: object) -> Flows:
    """Return three equal steps of good flows, with some energies put in their place."""
    energies = {name: np.full(3, value) for name, value in GOOD.items()}
    return Flows(GRID, **{**energies, **changed})


def test_all_energies_are_listed_in_one_order():
    assert tuple(flow_names()) == NAMES


def test_flows_that_balance_are_accepted():
    good = flows()

    assert np.abs(good.balance_kwh()).max() < 1e-12
    assert list(good.charge_kwh) == [1.4, 1.4, 1.4]


@pytest.mark.parametrize("name", NAMES)
def test_an_energy_of_another_length_is_refused(name: str):
    with pytest.raises(DisagreementError, match=rf"{name} has shape \(2,\), not \(3,\)"):
        flows(**{name: np.ones(2)})


@pytest.mark.parametrize("name", NAMES)
def test_a_number_in_place_of_an_array_is_refused(name: str):
    with pytest.raises(DisagreementError, match=rf"{name} has shape \(\), not \(3,\)"):
        flows(**{name: 1.0})


@pytest.mark.parametrize("name", NAMES)
def test_a_negative_energy_is_refused_at_its_step(name: str):
    values = np.full(3, GOOD[name])
    values[1] = -0.25

    with pytest.raises(DisagreementError, match=f"{name} is -0.25 kWh, below zero") as caught:
        flows(**{name: values})

    assert caught.value.where == "step 2026-03-02T01:00+00:00"
    assert caught.value.exit_code == 4


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("wrong", [np.nan, -np.inf])
def test_an_energy_that_is_no_number_is_refused_at_its_step(name: str, wrong: float):
    values = np.full(3, GOOD[name])
    values[2] = wrong

    with pytest.raises(DisagreementError, match=name) as caught:
        flows(**{name: values})

    assert caught.value.where == "step 2026-03-02T02:00+00:00"


@pytest.mark.parametrize("name", NAMES)
def test_an_infinite_energy_is_refused_at_its_step(name: str):
    values = np.full(3, GOOD[name])
    values[2] = np.inf

    with pytest.raises(DisagreementError, match=name) as caught:
        flows(**{name: values})

    assert caught.value.where == "step 2026-03-02T02:00+00:00"


@pytest.mark.parametrize("name", NAMES)
def test_energies_that_do_not_balance_are_refused_at_the_worst_step(name: str):
    values = np.full(3, GOOD[name])
    values += (0.001, 0.25, 0.0)

    with pytest.raises(DisagreementError, match=r"energies differ by 0\.25 kWh") as caught:
        flows(**{name: values})

    assert caught.value.where == "step 2026-03-02T01:00+00:00"


def test_the_dust_of_a_solver_below_zero_becomes_zero():
    dust = flows(discharge_kwh=np.array([-1e-7, 0.0, 0.0]))

    assert list(dust.discharge_kwh) == [0.0, 0.0, 0.0]


def test_a_gap_as_small_as_a_solver_leaves_is_accepted():
    assert flows(load_kwh=np.full(3, 1.0 + 5e-7)).balance_kwh() == pytest.approx([-5e-7] * 3)


def test_a_gap_of_a_thousandth_is_refused():
    with pytest.raises(DisagreementError, match=r"energies differ by 0\.001 kWh"):
        flows(load_kwh=np.full(3, 1.001))


def test_energies_cannot_be_changed_once_they_are_checked():
    good = flows()

    with pytest.raises(ValueError, match="read-only"):
        good.import_kwh[0] = 5.0


def test_flows_keep_a_copy_of_what_they_were_given():
    given_kwh = np.full(3, 1.0)
    good = flows(import_kwh=given_kwh)
    given_kwh[0] = 9.0

    assert good.import_kwh[0] == 1.0


def test_a_meter_sees_import_and_export_and_nothing_behind_it():
    seen = Flows.of_meter(GRID, np.array([1.0, 0.0, 2.0]), np.array([0.0, 3.0, 0.5]))

    assert list(seen.import_kwh) == list(seen.load_kwh) == [1.0, 0.0, 2.0]
    assert list(seen.export_kwh) == list(seen.pv_used_kwh) == [0.0, 3.0, 0.5]
    assert not seen.charge_kwh.any()
    assert not seen.loss_kwh.any()


energies = st.lists(st.floats(0, 1e4), min_size=3, max_size=3).map(np.array)


@given(energies, energies)
def test_any_meter_reading_is_a_possible_flow(imported: np.ndarray, exported: np.ndarray):
    assert np.abs(Flows.of_meter(GRID, imported, exported).balance_kwh()).max() < 1e-9


@given(st.sampled_from(NAMES), st.integers(0, 2), st.floats(0.01, 1e3))
def test_energy_from_nowhere_is_always_found(name: str, step: int, amount: float):
    values = np.full(3, GOOD[name])
    values[step] += amount

    with pytest.raises(DisagreementError, match="energies differ"):
        flows(**{name: values})
