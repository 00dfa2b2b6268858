"""Mistakes in open tariffs, one a file, told in the words that each file states.

The heads of the files are those of the gallery: comments, which YAML leaves out; JSON is read as YAML.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import TariffError
from optimizer.workflows.read_tariff import read_open_tariff
from tests.broken.test_gallery import Case

CASES = [Case.read(path) for path in sorted((Path(__file__).parent / "open_tariffs").iterdir())]


def test_the_room_is_not_empty():
    assert len(CASES) >= 12


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.path.stem)
def test_each_mistake_in_an_open_tariff_is_told_with_what_where_and_mend(case: Case):
    with pytest.raises(TariffError) as caught:
        read_open_tariff([case.path])

    assert case.is_told_by(caught.value), str(caught.value)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.path.stem)
def test_each_file_states_its_offence(case: Case):
    assert case.error
    assert case.where
    assert case.mend
    assert (case.value is None) != (case.absent is None)
    assert case.value is None or case.value in case.body
