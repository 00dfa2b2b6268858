"""Progress of long jobs: shares and time left worked out by hand."""

from __future__ import annotations

import pytest

from optimizer.base.progress import Course, Told, course_of


class Clock:
    """A clock that is set by hand."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


STAGES = [("planning", 100.0), ("fitting", 300.0), ("fitting nothing", 0.0), ("drawing", 100.0)]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def told() -> list[Told]:
    return []


@pytest.fixture
def course(told: list[Told], clock: Clock) -> Course:
    course = Course(told.append, clock)  # type: ignore[arg-type]
    course.expect(STAGES)
    return course


def test_a_stage_begins_where_the_work_of_those_before_ends(
    course: Course, told: list[Told], clock: Clock
) -> None:
    course("planning 8,760 steps")
    clock.now = 5.0
    course("fitting windows")
    clock.now = 20.0
    course("drawing the report")
    course("done")
    assert [line.share for line in told] == [0.0, 100 / 500, 400 / 500, 1.0]
    # 5 s for a fifth leaves 20 s for four fifths; 20 s for four fifths leaves 5 s.
    assert [line.seconds_left for line in told] == [None, pytest.approx(20), pytest.approx(5), None]
    assert told[1] == "fitting windows (20 %, about 20 s left)"
    assert told[1].what == "fitting windows"
    assert told[-1] == "done"


def test_counted_work_moves_the_share_within_its_stage_alone(
    course: Course, told: list[Told], clock: Clock
) -> None:
    course("fitting windows")
    for second, work in ((1.0, 50.0), (2.0, 100.0), (5.0, 1000.0)):
        clock.now = second
        course.count(work)
    # After one second nothing is told: lines of a stage are two seconds apart. The last sum is more than the
    # stage was said to take, and ends with it.
    assert [line.share for line in told] == [100 / 500, 250 / 500, 400 / 500]


def test_shares_never_fall_whatever_order_stages_come_in(course: Course, told: list[Told]) -> None:
    for what in ("fitting", "planning", "something else", "drawing", "fitting", "done"):
        course(what)
    shares = [line.share for line in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_what_is_saved_so_far_stands_in_the_line(course: Course, told: list[Told]) -> None:
    course.saved = "113 EUR"
    course("drawing the report")
    assert told[0].saved == "113 EUR"
    assert "best so far saves 113 EUR" in told[0]


def test_a_job_that_says_nothing_beforehand_is_told_roughly_and_without_time_left(
    told: list[Told],
) -> None:
    course = course_of(told.append)  # type: ignore[arg-type]
    assert course_of(course) is course
    for what in ("reading", "planning 24 steps", "replaying the windows and adding up", "done"):
        course(what)
    shares = [line.share for line in told]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert all(line.seconds_left is None for line in told)
