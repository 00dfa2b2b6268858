"""Registers in ESPI files: accumulated readings are differenced; invented feeds.

That accumulationBehaviour 1 is a bulk quantity, as a dial shows it, and 3 a cumulative one is from memory
of the schema's remarks; no published source is at hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from tests.readers.feeds import Meter, exported, feed_xml, hourly, imported, noted, read_text

MIDNIGHT = 1_388_552_400
"""2014-01-01T00:00-05:00."""

USED = [300, 250, 0, 700, 1200]
DIAL = [5_000_000, 5_000_300, 5_000_550, 5_000_550, 5_001_250, 5_002_450]


def register(values, behaviour: int = 3, flow: int = 1, length: int | None = 0) -> Meter:
    fields = {"accumulationBehaviour": behaviour, "flowDirection": flow}
    return Meter(hourly(MIDNIGHT, values), fields, length)


def home(*meters: Meter) -> str:
    return feed_xml([("home", 0, meters)])


@pytest.mark.parametrize("behaviour", [1, 2, 3])
def test_the_energy_of_a_register_is_the_difference_to_its_next_reading(
    tmp_path: Path, behaviour: int
):
    found = read_text(tmp_path, home(register(DIAL, behaviour)))
    assert imported(found) == pytest.approx([one / 1000 for one in USED])
    assert f"accumulationBehaviour {behaviour}" in noted(found)
    assert "register" in noted(found)


def test_each_direction_has_a_register_of_its_own(tmp_path: Path):
    back = [0, 0, 10, 30, 30, 30]
    found = read_text(tmp_path, home(register(DIAL), register(back, flow=19)))
    assert imported(found) == pytest.approx([one / 1000 for one in USED])
    assert exported(found) == pytest.approx([0, 0.01, 0.02, 0, 0])


def test_a_reset_is_a_gap_and_told(tmp_path: Path):
    values = [*DIAL, 100, 400]
    found = read_text(tmp_path, home(register(values)))
    assert np.isnan(imported(found)[5])
    assert imported(found)[6] == pytest.approx(0.3)
    assert "a reset or an exchange" in noted(found)


def test_values_that_fall_time_and_again_are_no_register(tmp_path: Path):
    with pytest.raises(SeriesError, match="fall 3 times"):
        read_text(tmp_path, home(register([5, 6, 4, 6, 5, 7, 3])))


def test_a_register_of_both_directions_is_refused(tmp_path: Path):
    with pytest.raises(SeriesError, match="a register of the net"):
        read_text(tmp_path, home(register(DIAL, flow=4)))


def test_where_a_register_stood_within_its_interval_is_told(tmp_path: Path):
    found = read_text(tmp_path, home(register(DIAL, length=3600)))
    assert "taken as read at its beginning" in noted(found)
    at_end = read_text(tmp_path, home(register(DIAL, length=3600)), stamps="end")
    assert at_end.points[0].even.start_s == found.points[0].even.start_s + 3600
    assert imported(at_end) == pytest.approx(imported(found))


def test_energies_of_intervals_go_before_a_register_beside_them(tmp_path: Path):
    energies = Meter(hourly(MIDNIGHT, [1, 2, 3]))
    found = read_text(tmp_path, home(energies, register(DIAL)))
    assert imported(found) == pytest.approx([0.001, 0.002, 0.003])
    assert "power or registers beside energy" in noted(found)
