"""Older ESPI files: local date-times, other namespaces, readings without a block; invented feeds.

The schema (NAESB REQ.21) has ``start`` as seconds of UTC. That older files write date-times, other
versions in the namespace, or readings without blocks is from memory; no published source is at hand.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from tests.readers.feeds import Meter, feed_xml, imported, noted, read_text

NEW_YORK = "America/New_York"
VALUES = [100 * n for n in range(1, 25)]


def clocks(first: str, count: int) -> list[str]:
    begin = datetime.fromisoformat(first)
    return [(begin + timedelta(hours=n)).isoformat() for n in range(count)]


def readings(stamps: list[str]) -> list[dict[str, object]]:
    return [
        {"start": stamp, "duration": 3600, "value": 100 * n} for n, stamp in enumerate(stamps, 1)
    ]


def older(stamps: list[str], clock: dict[str, object] | None = None) -> str:
    some = readings(stamps)
    blocks = [(stamps[0], 86_400, some)]
    return feed_xml([("home", 0, [Meter(some, blocks=blocks)])], clock)  # type: ignore[arg-type,list-item]


def test_local_date_times_are_read_by_the_zone_that_is_asked_for(tmp_path: Path):
    text = older(clocks("2014-01-01T00:00:00", 24))
    with pytest.raises(SeriesError, match="local times") as caught:
        read_text(tmp_path, text)
    assert "--zone" in caught.value.mend
    found = read_text(tmp_path, text, zone=NEW_YORK)
    assert found.points[0].even.start_s == 1_388_552_400  # 05:00 UTC
    assert imported(found) == pytest.approx([one / 1000 for one in VALUES])
    assert "24 readings have local times" in noted(found)


@pytest.mark.parametrize("offset", ["-05:00", "-0500"])
def test_date_times_with_an_offset_are_instants(tmp_path: Path, offset: str):
    stamps = [one + offset for one in clocks("2014-01-01T00:00:00", 24)]
    found = read_text(tmp_path, older(stamps), zone=NEW_YORK)
    assert found.points[0].even.start_s == 1_388_552_400
    stamps = [one + "Z" for one in clocks("2014-01-01T05:00:00", 24)]
    assert read_text(tmp_path, older(stamps), zone=NEW_YORK).points[0].even.start_s == 1_388_552_400


def test_days_of_23_and_25_hours_of_local_times_keep_all_their_hours(tmp_path: Path):
    day = clocks("2014-11-02T00:00:00", 24)
    found = read_text(tmp_path, older([*day[:2], day[1], *day[2:]]), zone=NEW_YORK)
    assert imported(found) == pytest.approx([0.1 * n for n in range(1, 26)])
    day = clocks("2014-03-09T00:00:00", 24)
    found = read_text(tmp_path, older([*day[:2], *day[3:]]), zone=NEW_YORK)
    assert imported(found) == pytest.approx([0.1 * n for n in range(1, 24)])


def test_a_local_time_that_the_clock_skips_is_left_out_and_told(tmp_path: Path):
    found = read_text(tmp_path, older(clocks("2014-03-09T00:00:00", 24)), zone=NEW_YORK)
    assert len(imported(found)) == 23
    assert imported(found)[2] == pytest.approx(0.4)
    assert "1 reading with a time that the clock of America/New_York skips" in noted(found)


def test_a_repeated_hour_out_of_order_is_refused(tmp_path: Path):
    day = clocks("2014-11-02T00:00:00", 24)
    mixed = [day[1], day[5], day[3], day[1], day[0], day[4], day[2], *day[6:]]
    with pytest.raises(SeriesError, match="comes twice on the clock"):
        read_text(tmp_path, older(mixed), zone=NEW_YORK)


def test_local_times_beside_instants_are_refused_by_line(tmp_path: Path):
    stamps = clocks("2014-01-01T00:00:00", 24)
    text = older([*stamps[:23], str(1_388_552_400 + 23 * 3600)])
    with pytest.raises(SeriesError, match="beside seconds or times with an offset") as caught:
        read_text(tmp_path, text, zone=NEW_YORK)
    assert "meter.data:" in str(caught.value.where)


@pytest.mark.parametrize("text", ["01/02/2014 00:00", "2014-01-01", "2014-13-01T00:00:00", "noon"])
def test_times_that_can_be_understood_in_two_ways_or_none_are_refused(tmp_path: Path, text: str):
    with pytest.raises(SeriesError, match="start is ") as caught:
        read_text(tmp_path, older([text]), zone=NEW_YORK)
    assert "2014-01-01T00:00:00" in caught.value.mend


def test_readings_without_a_time_follow_the_local_start_of_their_block_as_time_passes(
    tmp_path: Path,
):
    untimed = [{"value": 100 * n} for n in range(1, 26)]
    blocks = [("2014-11-02T00:00:00", 90_000, untimed)]
    meter = Meter(untimed, blocks=blocks)  # type: ignore[arg-type]
    found = read_text(tmp_path, feed_xml([("home", 0, [meter])], None), zone=NEW_YORK)
    assert imported(found) == pytest.approx([0.1 * n for n in range(1, 26)])


@pytest.mark.parametrize(
    "space", ["http://naesb.org/espi/1.0", "http://www.naesb.org/espi", "https://naesb.org/espi/"]
)
def test_another_version_in_the_namespace_is_read_and_told(tmp_path: Path, space: str):
    text = older([str(1_388_552_400 + 3600 * n) for n in range(24)])
    found = read_text(tmp_path, text.replace("http://naesb.org/espi", space), zone=NEW_YORK)
    assert imported(found) == pytest.approx([one / 1000 for one in VALUES])
    assert any(space in one for one in found.notes)


def test_a_namespace_of_something_else_is_not_read(tmp_path: Path):
    text = older([str(1_388_552_400 + 3600 * n) for n in range(24)])
    with pytest.raises(SeriesError, match="no UsagePoint"):
        read_text(tmp_path, text.replace("http://naesb.org/espi", "http://naesb.org/espionage"))


@pytest.mark.parametrize("holder", ["", "MeterReading"])
def test_readings_without_a_block_are_read(tmp_path: Path, holder: str):
    text = older([str(1_388_552_400 + 3600 * n) for n in range(24)])
    begin, end = text.index("<IntervalBlock"), text.index("</IntervalBlock>")
    inside = text[text.index("</interval>", begin) + len("</interval>") : end]
    inside = inside.replace("<IntervalReading>", '<IntervalReading xmlns="http://naesb.org/espi">')
    whole = text[:begin] + inside + text[end + len("</IntervalBlock>") :]
    if holder:
        empty = '<MeterReading xmlns="http://naesb.org/espi"></MeterReading>'
        whole = text[:begin] + text[end + len("</IntervalBlock>") :]
        assert empty in whole
        whole = whole.replace(empty, empty.replace("></", f">{inside}</"))
    found = read_text(tmp_path, whole, zone=NEW_YORK)
    assert imported(found) == pytest.approx([one / 1000 for one in VALUES])
    assert any("without a block" in one for one in found.notes)


def test_the_only_reading_type_is_taken_where_no_link_leads_to_one_and_told(tmp_path: Path):
    text = older([str(1_388_552_400 + 3600 * n) for n in range(24)])
    text = text.replace('<link rel="related" href="T/1/1"/>', "")
    found = read_text(tmp_path, text, zone=NEW_YORK)
    assert imported(found) == pytest.approx([one / 1000 for one in VALUES])
    assert any("the only reading type" in one for one in found.notes)
