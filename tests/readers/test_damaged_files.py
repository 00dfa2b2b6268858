"""Damaged files end in a result or in an error that is told; tests/bench/fuzz_readers.py runs more."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from optimizer.base.errors import OptimizerError
from optimizer.metering.found import Request
from optimizer.metering.outside import read_any
from tests.bench.fuzz_readers import MOST_MB, fuzz, megabytes, seeds


@pytest.fixture(autouse=True)
def alarm() -> Iterator[None]:
    """Leave the alarm as it was found."""
    before = signal.getsignal(signal.SIGALRM)
    yield
    signal.signal(signal.SIGALRM, before)


def test_the_undamaged_files_are_read(tmp_path: Path):
    asked = Request(zone="Europe/Dublin", dates=None, stamps="start")
    for number, content in enumerate(seeds()):
        path = tmp_path / str(number)
        path.write_bytes(content)
        assert read_any(path, asked).points


def test_three_hundred_damaged_files_are_read_or_told():
    grown_before = megabytes() > MOST_MB  # by other tests of this process
    tally = fuzz(count=300, seconds=60, seed=7)
    assert tally.failure == "" or (grown_before and "has grown" in tally.failure), tally.failure
    assert grown_before or tally.ends.total() == 300
    assert set(tally.ends) <= {"csv read", "csv told", "xml read", "xml told"}


@pytest.mark.parametrize("form", [0, 4])
def test_a_file_that_ends_anywhere_is_read_or_told(tmp_path: Path, form: int):
    whole = seeds()[form]
    path = tmp_path / "cut"
    told = read = 0
    for end in range(0, len(whole), len(whole) // 60):
        path.write_bytes(whole[:end])
        try:
            read += bool(read_any(path, Request(zone="Europe/Dublin")).points)
        except OptimizerError as failure:
            told += failure.exit_code == 2 and bool(failure.mend)
    assert told + read == len(range(0, len(whole), len(whole) // 60))
    assert told >= 2
