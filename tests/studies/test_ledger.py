"""A ledger that is damaged loses the damaged line alone, and tells."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.answers import Failure
from optimizer.studies.run import run_study
from tests.studies.small import study_of, write_sites

COUNT = 30


def answer_with(number: int) -> Failure:
    """An answer whose text holds what begins and ends a line."""
    return Failure(f'{number / 7!r} a {{"key": "x"}} é\n')


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """A ledger of many answers."""
    ledger = Ledger(tmp_path)
    for number in range(COUNT):
        ledger.add_all([(f"k{number}", answer_with(number))])
    ledger.close()
    return tmp_path / LEDGER


def known(path: Path) -> tuple[set[int], int]:
    """Return the numbers of the answers that are read, each of which must be right, and lines lost."""
    ledger = Ledger(path.parent)
    answers = {number: ledger.get(f"k{number}") for number in range(COUNT)}
    ledger.close()
    for number, answer in answers.items():
        assert answer is None or answer == answer_with(number)
    return {number for number, answer in answers.items() if answer}, ledger.lost


@pytest.mark.parametrize("rubbish", [b"", b"   ", b"{}", b"[]", b"null", b"\xff\xfe", b"[" * 5000])
def test_a_line_that_is_blank_or_rubbish_is_lost_alone_and_counted(
    written: Path, rubbish: bytes
) -> None:
    lines = written.read_bytes().splitlines()
    lines[11] = rubbish
    written.write_bytes(b"\n".join(lines) + b"\n")
    assert known(written) == (set(range(COUNT)) - {11}, 1)


def test_any_damaged_byte_loses_its_line_alone(written: Path) -> None:
    """Also a byte that ends a line, and a digit whose change leaves a line that could be read."""
    whole = written.read_bytes()
    luck = np.random.default_rng(3)
    places = np.concatenate([luck.integers(0, len(whole) - 1, 120), [whole.index(b"\n", 900)]])
    for place in places.tolist():
        damaged = bytearray(whole)
        damaged[place] ^= int(luck.integers(1, 256))
        written.write_bytes(damaged)
        line = whole[:place].count(b"\n")
        read, lost = known(written)
        assert read >= set(range(COUNT)) - {line}, (place, bytes(damaged[place - 20 : place + 20]))
        assert line in read or lost, "what is lost is told"


def test_a_torn_last_line_is_dropped_and_what_follows_is_kept(written: Path) -> None:
    whole = written.read_bytes()
    written.write_bytes(whole[:-9])
    assert known(written) == (set(range(COUNT - 1)), 0)
    ledger = Ledger(written.parent)
    ledger.add_all([("k29", answer_with(29))])
    ledger.close()
    assert known(written) == (set(range(COUNT)), 0)


def test_a_study_tells_how_many_lines_were_lost_and_does_their_work_anew(tmp_path: Path) -> None:
    write_sites(tmp_path, ["elm"], days=14)
    path = study_of(tmp_path, "study: L\nsites: [elm]\nvary: {battery_kwh: [4, 10, 16]}\n")
    told: list[str] = []
    first = run_study(path, tmp_path / "out", processes=0, progress=told.append)
    assert first.manifest["ledger_lines_lost"] == 0
    ledger = tmp_path / "out" / LEDGER
    lines = ledger.read_bytes().splitlines()
    ledger.write_bytes(b"\n".join([lines[0], b"", *lines[2:]]) + b"\n")
    told.clear()
    again = run_study(path, tmp_path / "out", processes=0, progress=told.append)
    assert again.rows == first.rows
    assert again.manifest["ledger_lines_lost"] == 1
    assert any("1 line is blank or damaged in the ledger" in text for text in told)
    assert "1 line is blank or damaged in the ledger" in again.notes[0]
    after = ledger.read_bytes().splitlines()
    assert len(after) == len(lines) + 1, "only the lost answer is done anew"
    assert {json.loads(line)["key"] for line in after if line} == {
        json.loads(line)["key"] for line in lines
    }
