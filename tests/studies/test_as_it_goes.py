"""A study answers as it goes: whole cases first, and a time left that comes true."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import pytest

from optimizer.studies.answer_store import Ledger
from optimizer.studies.cases import Manner
from optimizer.studies.scheduler import CarryingOut
from tests.studies.virtual import VirtualFamily, VirtualLanes, case_of

YEARS = 5
TIMES = {"quick": 2.0, "normal": 3.1, "thorough": 4.2}
"""How much longer a base takes than another run, about; see ``estimate.SECONDS``."""


def seconds_in(told: str) -> float:
    found = re.search(r"about ([\d.]+) (s|min|h) more", told)
    assert found is not None, told
    return float(found[1]) * {"s": 1, "min": 60, "h": 3600}[found[2]]


def carried_out(
    families: int, cases: int, lanes: VirtualLanes, effort: str = "quick"
) -> tuple[list[int], list[tuple[float, int]], list[tuple[float, str]]]:
    """Return when which share of cases was known, and what was told when.

    Cases stand as a study lists them: the families by turns, since tariffs vary fastest.
    """
    of_site = [VirtualFamily(f"family {number}") for number in range(families)]
    questions = [
        case_of(of_site[number % families], 1 + YEARS * number, YEARS) for number in range(cases)
    ]
    tables: list[tuple[float, int]] = []
    told: list[tuple[float, str]] = []
    order: list[int] = []

    def so_far(found: list[Any]) -> None:
        known = [number for number, each in enumerate(found) if each is not None]
        order.extend(number for number in known if number not in order)
        tables.append((lanes.now, len(known)))

    carrying_out = CarryingOut(
        Ledger(None), lanes, Manner(effort), lambda text: told.append((lanes.now, text)), lanes.clock
    )  # fmt: skip
    results = carrying_out.results(questions, so_far)
    assert results == [1 + YEARS * number for number in range(cases)]
    return order, tables, told


def test_cases_come_out_whole_and_in_the_order_of_the_study() -> None:
    lanes = VirtualLanes(1, lambda job: 2.0 if job.kind == "base" else 1.0)
    carried_out(1, 20, lanes)
    runs = [job.run for job in lanes.done]
    assert runs == sorted(runs), "the base, then each case's years before those of the next"


@pytest.mark.parametrize("count", [1, 2, 5])
def test_the_first_table_is_there_within_two_cases(count: int) -> None:
    lanes = VirtualLanes(count, lambda job: 2.0 if job.kind == "base" else 1.0, start_s=3)
    _, tables, _ = carried_out(4, 60, lanes)
    one_case_s = 3 + 2 + YEARS
    assert tables[0][0] <= 2 * one_case_s
    assert 1 <= tables[0][1] <= count
    grown = [known for _, known in tables]
    assert all(later >= 1.5 * known for known, later in pairwise(grown))


@pytest.mark.parametrize("effort", TIMES)
@pytest.mark.parametrize("families", [1, 4])
@pytest.mark.parametrize("count", [1, 2, 4])
@pytest.mark.parametrize("start_s", [0.0, 4.0, 12.0])
def test_the_time_left_after_two_cases_comes_true_within_half_as_much_again(
    effort: str, families: int, count: int, start_s: float
) -> None:
    def seconds(job: Any) -> float:  # sizes differ in how long they take
        return TIMES[effort] if job.kind == "base" else 0.8 + 0.1 * (job.run * 7 % 5)

    lanes = VirtualLanes(count, seconds, start_s)
    _, tables, told = carried_out(families, 60, lanes, effort)
    when, text = next(each for each in told if each[1].startswith(("2 of", "3 of", "4 of")))
    really = lanes.now - when
    assert really / 1.5 <= seconds_in(text) <= really * 1.5, (text, really)
    assert when <= tables[0][0] + 2 * (YEARS + TIMES[effort])


def test_work_that_is_wanted_later_is_told_too() -> None:
    lanes = VirtualLanes(1, lambda _job: 1.0)
    told: list[tuple[float, str]] = []
    family = VirtualFamily("family")
    carrying_out = CarryingOut(
        Ledger(None), lanes, Manner("quick"), lambda text: told.append((lanes.now, text)), lanes.clock
    )  # fmt: skip
    questions = [case_of(family, 1 + YEARS * number, YEARS) for number in range(10)]
    carrying_out.results(questions, to_come=10)
    when, text = told[0]
    left = (10 - 1) * YEARS + 10 * YEARS
    assert when == 1 + YEARS
    assert seconds_in(text) == pytest.approx(left, rel=0.02)


def test_ten_times_the_cases_take_ten_times_the_loops() -> None:
    """The work of the one who asks, counted in what it looks at, not in seconds of this machine."""
    looked: list[int] = []
    for cases in (100, 1000):
        lanes = VirtualLanes(20, lambda _job: 1.0, in_flight=2)
        ledger = Ledger(None)
        gets = 0
        real = ledger.get

        def counted(key: str, real: Any = real) -> Any:
            nonlocal gets
            gets += 1
            return real(key)

        ledger.get = counted  # type: ignore[method-assign]
        families = [VirtualFamily(f"family {number}") for number in range(5)]
        carrying_out = CarryingOut(ledger, lanes, Manner("quick"), lambda _text: None, lanes.clock)
        carrying_out.results(
            [case_of(families[number % 5], 1 + YEARS * number, YEARS) for number in range(cases)]
        )
        looked.append(gets)
    assert looked[1] < 10.5 * looked[0]
