"""Mistakes in meter data from outside, one a file, told in the words that each file states.

The heads of the files are those of the gallery; a reader of meter data takes them for lines above
the table.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering.found import Request
from optimizer.metering.outside import read_any
from tests.broken.test_gallery import Case

METERS = Path(__file__).parent / "meters"
CASES = [Case.read(path) for path in sorted(METERS.iterdir())]


def test_the_room_is_not_empty():
    assert len(CASES) >= 12


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.path.stem)
def test_each_mistake_in_meter_data_is_told_with_what_where_and_mend(case: Case):
    with pytest.raises(SeriesError) as caught:
        read_any(case.path, Request(zone="Europe/Dublin"))

    assert case.is_told_by(caught.value), str(caught.value)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.path.stem)
def test_each_file_states_its_offence(case: Case):
    assert case.error
    assert case.where
    assert case.mend
    assert (case.value is None) != (case.absent is None)
    assert case.value is None or case.value in case.body
