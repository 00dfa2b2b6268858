"""A feed of thousands of usage points takes no longer than its size."""

from __future__ import annotations

import time

from optimizer.metering.espi import _owners
from optimizer.metering.espi_xml import Entry


def test_readings_are_given_to_their_points_without_searching_all_pairs() -> None:
    count = 20_000
    points = [
        Entry(n, "UsagePoint", f"/point/{n}", related={f"/list/{n}"} if n % 2 else set())
        for n in range(count)
    ]
    readings = [
        Entry(n, "MeterReading", f"/point/{n}/reading/1", {f"/list/{n}"}) for n in range(count)
    ]
    begun = time.process_time()
    owner_of = _owners(points)
    assert [owner_of(reading) for reading in readings] == list(range(count))
    assert time.process_time() - begun < 5  # 400 million pairs took minutes


def test_the_first_of_several_points_owns_a_reading_and_a_stray_has_none() -> None:
    points = [Entry(1, itself="/a"), Entry(2, itself="/b", related={"/a/1"})]
    owner_of = _owners(points)
    assert owner_of(Entry(3, itself="/a/1")) == 0
    assert owner_of(Entry(4, itself="/b/c/1")) == 1
    assert owner_of(Entry(5, itself="/bc/1")) is None
