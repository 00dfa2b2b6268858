"""ESPI feeds: what belongs together, what a value means, what is refused and in which words.

Codes and units: NAESB REQ.21 ESPI, schema ``espi.xsd`` 4.0.
"""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from tests.readers.feeds import (
    NEW_YORK,
    Meter,
    exported,
    feed_xml,
    hourly,
    imported,
    noted,
    read_text,
)

MIDNIGHT = 1388552400
"""2014-01-01T05:00Z, local midnight at UTC−5."""

# The official sample file of nine days of hours binned daily: TestGBDataHourlyNineDaysBinnedDaily
# (M. Burns and others, NIST/EnergyOS 2013, Apache-2.0; copy in vladistan/greenbutton_objects,
# tests/data/electricity/). Facts of it: the weekday's 24 values and costs, each day's total, the
# totals of the file and its header. Its weekend hours are not restated there: those here are
# invented to have the published totals of days 3 to 5.
WEEKDAY_WH = [273] * 5 + [819] + [1365] * 4 + [819] * 7 + [1092] + [1365] * 4 + [819, 273]
WEEKDAY_COST = [
    *[819] * 5, 2457, *[8190] * 4, *[4914] * 4, 9828, 14742, 19656, 32760, 40950, 32760, 24570,
    16380, 4914, 819,
]  # fmt: skip
DAYS_WH = [21_021, 21_021, 22_113, 26_208, 25_116, 21_021, 21_021, 21_021, 21_021]
TOTAL_COST_UNITS = 2_205_567  # 22.05567 USD in 1e-5
EVENING = 19
WEEKEND_WH = [1365] * 8 + [819] * 11 + [1365] * 4 + [819]


def nine_days() -> list[dict[str, int]]:
    """Return the readings of the sample file; the pattern changes at UTC midnight, 19:00 local."""
    third, fourth = WEEKDAY_WH[:EVENING] + WEEKEND_WH[EVENING:], WEEKEND_WH
    fifth = WEEKEND_WH[:EVENING] + WEEKDAY_WH[EVENING:]
    values = WEEKDAY_WH * 2 + third + fourth + fifth + WEEKDAY_WH * 4
    rest = TOTAL_COST_UNITS - 6 * sum(WEEKDAY_COST)
    weekend_cost = [rest // 72] * 71 + [rest - 71 * (rest // 72)]
    costs = WEEKDAY_COST * 2 + weekend_cost + WEEKDAY_COST * 4
    return [
        {"start": MIDNIGHT + 3600 * hour, "duration": 3600, "value": value, "cost": cost}
        for hour, (value, cost) in enumerate(zip(values, costs, strict=True))
    ]


def sample_file(**options) -> str:
    readings = nine_days()
    blocks = [
        (MIDNIGHT + 86_400 * day, 86_400, readings[24 * day : 24 * day + 24]) for day in range(9)
    ]
    fields = {"dataQualifier": 12, "phase": 769}
    return feed_xml([("home", 0, [Meter(readings, fields, blocks=blocks)])], **options)


def one_point(*meters: Meter, clock: dict[str, object] | None = NEW_YORK) -> str:
    return feed_xml([("home", 0, meters)], clock)


@pytest.mark.parametrize("prefix", ["", "e:"])
def test_the_official_sample_file_has_its_published_energies_cost_and_peak(
    tmp_path: Path, prefix: str
):
    found = read_text(tmp_path, sample_file(prefix=prefix))
    point = found.points[0]
    daily = imported(found).reshape(9, 24).sum(axis=1)
    assert len(nine_days()) == 216
    assert daily * 1000 == pytest.approx(DAYS_WH, abs=1e-9)
    assert imported(found).sum() == pytest.approx(199.563, abs=1e-9)
    assert point.cost == pytest.approx(22.05567, abs=1e-9)
    assert point.currency == "USD"
    assert imported(found).max() / (point.even.step_minutes / 60) == pytest.approx(1.365)
    assert point.even.clock.stamp(point.even.start_s) == "2014-01-01T00:00-05:00"


def test_a_packed_file_is_known_by_its_content(tmp_path: Path):
    found = read_text(tmp_path, gzip.compress(sample_file().encode()))
    assert imported(found).sum() == pytest.approx(199.563)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "latin-1"])
def test_the_declared_encoding_is_followed(tmp_path: Path, encoding: str):
    name = {"utf-8-sig": "utf-8", "latin-1": "iso-8859-1"}.get(encoding, encoding)
    text = f'<?xml version="1.0" encoding="{name}"?>\n' + sample_file().replace("home", "Höfn")
    found = read_text(tmp_path, text.encode(encoding))
    assert found.points[0].name == "Höfn"


# -- what a value means ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "value", "kwh"),
    [
        ({}, 1500, 1.5),  # Wh
        ({"powerOfTenMultiplier": -3}, 1_500_000, 1.5),  # mWh
        ({"powerOfTenMultiplier": 3}, 2, 2.0),  # kWh
        ({"uom": 38, "kind": 8}, 1500, 0.375),  # W for a quarter of an hour
        ({"uom": 38, "powerOfTenMultiplier": 3}, 2, 0.5),
        ({"accumulationBehaviour": 0}, 1500, 1.5),
        ({"accumulationBehaviour": None}, 1500, 1.5),
        ({"commodity": 2}, 1500, 1.5),
        ({"flowDirection": None}, 1500, 1.5),
    ],
)
def test_values_become_kwh_of_the_interval(tmp_path: Path, fields, value: int, kwh: float):
    readings = hourly(MIDNIGHT, [value] * 8, 900)
    found = read_text(tmp_path, one_point(Meter(readings, fields, 900)))
    assert imported(found) == pytest.approx([kwh] * 8)


def test_reverse_flow_is_export_and_positive(tmp_path: Path):
    forward = Meter(hourly(MIDNIGHT, [500, 0, 300]))
    reverse = Meter(hourly(MIDNIGHT, [0, 700, 0]), {"flowDirection": 19})
    found = read_text(tmp_path, one_point(forward, reverse))
    assert imported(found) == pytest.approx([0.5, 0, 0.3])
    assert exported(found) == pytest.approx([0, 0.7, 0])


@pytest.mark.parametrize("behaviour", [1, 4])
def test_net_readings_part_into_import_and_export_with_a_note(tmp_path: Path, behaviour: int):
    """Behaviour 1 with flow 4 is the conformance rules' combination for net metering."""
    fields = {"flowDirection": 4, "accumulationBehaviour": behaviour}
    found = read_text(tmp_path, one_point(Meter(hourly(MIDNIGHT, [500, -700, 0, 20]), fields)))
    assert imported(found) == pytest.approx([0.5, 0, 0, 0.02])
    assert exported(found) == pytest.approx([0, 0.7, 0, 0])
    assert "net readings" in noted(found)


def test_reactive_energy_gets_a_column_of_its_own(tmp_path: Path):
    meters = Meter(hourly(MIDNIGHT, [500, 400])), Meter(hourly(MIDNIGHT, [50, 40]), {"uom": 73})
    found = read_text(tmp_path, one_point(*meters))
    assert found.points[0].even.columns["reactive_kvarh"] == pytest.approx([0.05, 0.04])


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"accumulationBehaviour": 3}, "accumulationBehaviour 3"),
        ({"accumulationBehaviour": 1}, "accumulationBehaviour 1"),
        ({"accumulationBehaviour": 12, "uom": 38}, "instantaneous (accumulationBehaviour 12)"),
        ({"uom": 29}, "its unit is V (uom 29)"),
        ({"uom": 169, "commodity": 7}, "its commodity is 7, not electricity"),
        ({"uom": 38, "dataQualifier": 8}, "the highest values (dataQualifier 8)"),
        ({"flowDirection": 20}, "flowDirection 20"),
        ({"powerOfTenMultiplier": 99}, "powerOfTenMultiplier is 99"),
        ({"uom": "many"}, "its unit is unknown"),
    ],
)
def test_readings_of_another_meaning_are_refused_by_name(tmp_path: Path, fields, words: str):
    with pytest.raises(SeriesError) as caught:
        read_text(tmp_path, one_point(Meter(hourly(MIDNIGHT, [5, 6, 7]), fields)))
    assert words in caught.value.what


def test_a_rising_register_is_refused_though_its_codes_are_those_of_net_metering(tmp_path: Path):
    fields = {"flowDirection": 4, "accumulationBehaviour": 1}
    rising = hourly(MIDNIGHT, [100_000 + 37 * n for n in range(24)])
    with pytest.raises(SeriesError, match="its 24 values only ever rise"):
        read_text(tmp_path, one_point(Meter(rising, fields)))


def test_other_readings_beside_the_energy_leave_a_note(tmp_path: Path):
    meters = Meter(hourly(MIDNIGHT, [500, 400])), Meter(hourly(MIDNIGHT, [230, 231]), {"uom": 29})
    found = read_text(tmp_path, one_point(*meters))
    assert imported(found).sum() == pytest.approx(0.9)
    assert "uom 29" in noted(found)


def test_of_two_series_of_one_direction_the_shorter_steps_are_taken(tmp_path: Path):
    fine = Meter(hourly(MIDNIGHT, [100] * 8, 900), length=900)
    coarse = Meter(hourly(MIDNIGHT, [400] * 2))
    found = read_text(tmp_path, one_point(coarse, fine))
    assert found.points[0].even.step_minutes == 15
    assert imported(found).sum() == pytest.approx(0.8)
    assert "longer steps" in noted(found)


def test_a_negative_forward_reading_is_told_by_its_line(tmp_path: Path):
    text = one_point(Meter(hourly(MIDNIGHT, [500, -3, 4])))
    line = text[: text.index("-3")].count("\n") + 1
    with pytest.raises(SeriesError, match=r"import_kwh is -0\.003 kWh, below zero") as caught:
        read_text(tmp_path, text)
    assert caught.value.where.endswith(f":{line}")


# -- what belongs together -------------------------------------------------------------------------


def test_each_usage_point_of_electricity_is_a_result_and_the_others_are_told_by_name(
    tmp_path: Path,
):
    meter = Meter(hourly(MIDNIGHT, [500, 400]))
    text = feed_xml([("flat", 0, [meter]), ("boiler", 1, [meter]), ("shop", 0, [meter])])
    found = read_text(tmp_path, text)
    assert [(point.number, point.name) for point in found.points] == [(1, "flat"), (3, "shop")]
    assert found.refused == (
        "usage point 2 (boiler) is left out: this usage point is gas (kind 1)",
    )


@pytest.mark.parametrize(("asked", "name"), [("3", "shop"), ("shop", "shop"), ("1", "flat")])
def test_a_point_is_asked_for_by_number_or_name(tmp_path: Path, asked: str, name: str):
    meter = Meter(hourly(MIDNIGHT, [500, 400]))
    text = feed_xml([("flat", 0, [meter]), ("boiler", 1, [meter]), ("shop", 0, [meter])])
    assert [point.name for point in read_text(tmp_path, text, point=asked).points] == [name]


def test_a_point_that_is_not_there_is_told_with_those_that_are(tmp_path: Path):
    with pytest.raises(SeriesError, match="'9'; there are: 1 home") as caught:
        read_text(tmp_path, sample_file(), point="9")
    assert "--point" in caught.value.where


@pytest.mark.parametrize(("kind", "name"), [(1, "gas"), (2, "water"), (4, "heat"), (77, "unknown")])
def test_a_feed_without_electricity_is_refused_by_what_it_is(tmp_path: Path, kind: int, name: str):
    text = feed_xml([("cellar", kind, [Meter(hourly(MIDNIGHT, [1, 2]))])])
    with pytest.raises(SeriesError, match=f"{name}.*kind {kind}"):
        read_text(tmp_path, text)


def test_order_of_entries_and_form_of_links_do_not_matter(tmp_path: Path):
    text = sample_file()
    entries = re.findall(r"<entry>.*?</entry>\n", text, flags=re.DOTALL)
    turned = text.split("<entry>")[0] + "".join(reversed(entries)) + "</feed>"
    absolute = turned.replace('href="C/', 'href="https://example.org/C/').replace(
        'href="https://example.org/C/1/UsagePoint/1/MeterReading/1/IntervalBlock"',
        'href="C/1/UsagePoint/1/MeterReading/1/IntervalBlock/"',
    )
    found = read_text(tmp_path, absolute)
    assert sorted(imported(found)) == pytest.approx(sorted(n["value"] / 1000 for n in nine_days()))


def test_without_any_link_the_only_meter_reading_takes_all_blocks_and_says_so(tmp_path: Path):
    whole = sample_file()
    expected = imported(read_text(tmp_path, whole))
    lost = whole.replace(
        '<link rel="up" href="C/1/UsagePoint/1/MeterReading/1/IntervalBlock"/>\n', ""
    )
    found = read_text(tmp_path, re.sub(r'"[^"]*IntervalBlock/(\d+)"', r'"Elsewhere/\1"', lost))
    assert imported(found) == pytest.approx(expected)
    assert any("taken for the only meter reading's" in note for note in found.notes)


def test_without_any_link_the_only_usage_point_takes_all_meter_readings_and_says_so(tmp_path: Path):
    text = feed_xml([("home", 0, [Meter(hourly(MIDNIGHT, [500, 700]))])])
    apart = text.replace("C/1/UsagePoint/1/MeterReading", "Elsewhere/MeterReading")
    apart = apart.replace('<link rel="related" href="Elsewhere/MeterReading"/>\n', "")
    apart = apart.replace('<link rel="up" href="C/1/UsagePoint/1/MeterReading"/>\n', "")
    apart = apart.replace('<link rel="up" href="C/1/UsagePoint/1"/>\n', "")
    found = read_text(tmp_path, apart)
    assert imported(found) == pytest.approx([0.5, 0.7])
    assert found.notes == (
        "1 meter reading without a link to anything in this file taken for the only usage point's.",
    )


def test_blocks_that_belong_to_nothing_are_told(tmp_path: Path):
    lost = sample_file().replace(
        '<link rel="up" href="C/1/UsagePoint/1/MeterReading/1/IntervalBlock"/>\n', "", 1
    )
    found = read_text(tmp_path, lost.replace('IntervalBlock/1"', 'Elsewhere/1"'))
    assert found.notes == ("1 interval block without a link to anything in this file left out.",)
    assert len(imported(found)) == 192


# -- quirks of real files --------------------------------------------------------------------------


def test_lengths_a_second_short_are_whole_hours(tmp_path: Path):
    readings = [(MIDNIGHT + 3600 * n, 500, 3599) for n in range(4)]
    found = read_text(tmp_path, one_point(Meter(readings, length=3599)))
    assert found.points[0].even.step_minutes == 60
    assert imported(found) == pytest.approx([0.5] * 4)
    assert "3599 s" in noted(found)


def test_readings_without_a_time_follow_one_another(tmp_path: Path):
    readings = [{"value": 100 * n} for n in range(1, 9)]
    blocks = [(MIDNIGHT, 3600, readings[:4]), (MIDNIGHT + 3600, 3600, readings[4:])]
    for length in (900, None):
        text = one_point(Meter([], {}, length, blocks=blocks))
        found = read_text(tmp_path, text)
        assert imported(found) == pytest.approx([0.1 * n for n in range(1, 9)])
        assert found.points[0].even.step_minutes == 15
        assert "8 readings without a time" in noted(found)


def test_an_empty_title_leaves_the_address_as_the_name(tmp_path: Path):
    found = read_text(tmp_path, sample_file().replace("<title>home</title>", "<title/>"))
    assert found.points[0].name == "1"


def test_estimated_readings_are_counted(tmp_path: Path):
    readings = [
        {"start": MIDNIGHT + 3600 * n, "duration": 3600, "value": 5, "quality": 8 if n < 2 else 0}
        for n in range(6)
    ]
    assert "2 readings of 6 are estimated (quality 8)" in noted(
        read_text(tmp_path, one_point(Meter(readings)))
    )


def test_a_reading_that_stands_twice_is_kept_and_paid_once(tmp_path: Path):
    readings = nine_days()
    found = read_text(tmp_path, one_point(Meter([*readings[:5], readings[4], *readings[5:]])))
    assert imported(found).sum() == pytest.approx(199.563)
    assert found.points[0].cost == pytest.approx(22.05567)
    assert "1 reading stood twice (first 2014-01-01T04:00-05:00)" in noted(found)


def test_two_readings_of_one_time_that_differ_are_told_with_both(tmp_path: Path):
    text = one_point(Meter([*hourly(MIDNIGHT, [500, 400, 300]), (MIDNIGHT + 3600, 777)]))
    with pytest.raises(SeriesError) as caught:
        read_text(tmp_path, text)
    first, second = (text[: text.index(v)].count("\n") + 1 for v in (">400<", ">777<"))
    assert "2014-01-01T01:00-05:00" in caught.value.what
    assert "0.4" in caught.value.what
    assert "0.777" in caught.value.what
    assert f":{first})" in caught.value.what
    assert caught.value.where.endswith(f":{second}")


def test_overlapping_blocks_that_agree_are_read_once(tmp_path: Path):
    readings = hourly(MIDNIGHT, range(1, 49))
    blocks = [(MIDNIGHT, 86_400, readings[:30]), (MIDNIGHT + 86_400, 86_400, readings[24:])]
    found = read_text(tmp_path, one_point(Meter([], blocks=blocks)))
    assert imported(found) == pytest.approx([n / 1000 for n in range(1, 49)])
    assert "6 readings outside the interval" in noted(found)


def test_a_97th_quarter_hour_of_a_day_is_taken_at_its_own_time(tmp_path: Path):
    readings = hourly(MIDNIGHT, [250] * 97, 900)
    meter = Meter([], length=900, blocks=[(MIDNIGHT, 86_400, readings)])
    found = read_text(tmp_path, one_point(meter))
    assert len(imported(found)) == 97
    assert "1 reading outside the interval" in noted(found)


SPRING = 1300003200  # 2011-03-13T08:00Z, 03:00 at UTC−5 on the day on which clocks went forward
AUTUMN = 1320552000  # 2011-11-06T04:00Z, local midnight of the day on which they went back


def test_a_run_stamped_an_hour_late_after_the_change_in_spring_is_put_back(tmp_path: Path):
    true = [(1299992400 + 3600 * n, 100 + n) for n in range(23)]  # 13 March from local midnight
    wrong = [(s + 3600 if 2 <= n < 9 else s, v) for n, (s, v) in enumerate(true)]
    found = read_text(tmp_path, one_point(Meter(wrong)))
    assert imported(found) == pytest.approx([v / 1000 for _, v in true])
    assert "7 readings" in noted(found)
    assert "an hour late" in noted(found)


@pytest.mark.parametrize("step", [3600, 1800, 900])
def test_a_repeated_hour_stamped_like_the_first_is_put_after_it(tmp_path: Path, step: int):
    count = 25 * 3600 // step
    true = [(AUTUMN + step * n, 100 + n) for n in range(count)]
    hour = 3600 // step
    wrong = [(s - 3600 if 2 * hour <= n < 3 * hour else s, v) for n, (s, v) in enumerate(true)]
    found = read_text(tmp_path, one_point(Meter(wrong, length=step)))
    assert imported(found) == pytest.approx([v / 1000 for _, v in true])
    assert f"{hour} reading" in noted(found)


def test_a_hole_and_a_double_away_from_any_clock_change_are_a_contradiction(tmp_path: Path):
    true = hourly(MIDNIGHT, range(100, 124))
    wrong = [(s + 3600 if 5 <= n < 9 else s, v) for n, (s, v) in enumerate(true)]
    with pytest.raises(SeriesError, match="has two readings"):
        read_text(tmp_path, one_point(Meter(wrong)))


def test_a_run_of_more_than_a_day_is_no_defect_of_a_clock_change(tmp_path: Path):
    true = [(1299992400 + 3600 * n, 100 + n) for n in range(60)]
    wrong = [(s + 3600 if 2 <= n < 40 else s, v) for n, (s, v) in enumerate(true)]
    with pytest.raises(SeriesError, match="has two readings"):
        read_text(tmp_path, one_point(Meter(wrong)))


def test_a_zero_that_shares_its_time_at_a_clock_change_gives_way(tmp_path: Path):
    true = [(1299992400 + 3600 * n, 100 + n) for n in range(23)]
    phantom = [*true[:2], (true[2][0], 0), *true[2:]]
    found = read_text(tmp_path, one_point(Meter(phantom)))
    assert imported(found) == pytest.approx([v / 1000 for _, v in true])
    assert "1 reading of 0 at a clock change" in noted(found)


@pytest.mark.parametrize(
    ("day", "quarters"), [("2024-03-10T05:00+00:00", 92), ("2024-11-03T04:00+00:00", 100)]
)
def test_days_of_23_and_25_hours_keep_all_their_quarter_hours(
    tmp_path: Path, day: str, quarters: int
):
    """America/New_York in 2024 by the time zone database; here by the rule in the file alone."""
    begin = int(np.datetime64(day[:16], "s").astype(int))
    values = np.arange(1, quarters + 1)
    found = read_text(tmp_path, one_point(Meter(hourly(begin, values, 900), length=900)))
    even = found.points[0].even
    wall = even.clock.wall_s(even.instants_s)
    assert imported(found) == pytest.approx(values / 1000)
    assert wall[0] % 86_400 == 0
    assert (wall[-1] + 900) % 86_400 == 0


def test_a_reading_of_two_steps_is_spread_over_them(tmp_path: Path):
    readings = [(MIDNIGHT, 500), (MIDNIGHT + 3600, 800, 7200), (MIDNIGHT + 10_800, 100)]
    more = hourly(MIDNIGHT + 14_400, [100] * 4)
    found = read_text(tmp_path, one_point(Meter([*readings, *more])))
    assert imported(found)[:4] == pytest.approx([0.5, 0.4, 0.4, 0.1])
    assert "1 reading of several steps" in noted(found)


def test_missing_readings_are_gaps_and_told(tmp_path: Path):
    readings = hourly(MIDNIGHT, range(1, 25))
    found = read_text(tmp_path, one_point(Meter(readings[:5] + readings[8:20] + readings[21:])))
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == [5, 6, 7, 20]
    assert "import_kwh: 4 of 24 values are missing (16.67 %) in 2 gaps" in noted(found)
    assert "the longest 2014-01-01T05:00-05:00 for 3 h" in noted(found)


@pytest.mark.parametrize("length", [86_400, 2_678_400, 60, 1200])
def test_steps_of_another_length_are_refused(tmp_path: Path, length: int):
    text = one_point(Meter(hourly(MIDNIGHT, [5, 6, 7], length), length=length))
    with pytest.raises(SeriesError, match="allowed are 5, 15, 30, 60 min"):
        read_text(tmp_path, text)


# -- the clock -------------------------------------------------------------------------------------


def test_a_feed_without_a_clock_asks_for_the_zone(tmp_path: Path):
    meter = Meter(hourly(MIDNIGHT, [500, 400]))
    with pytest.raises(SeriesError, match="no LocalTimeParameters") as caught:
        read_text(tmp_path, one_point(meter, clock=None))
    assert "--zone" in caught.value.mend
    found = read_text(tmp_path, one_point(meter, clock=None), zone="America/New_York")
    assert found.points[0].even.clock.stamp(MIDNIGHT) == "2014-01-01T00:00-05:00"


def test_a_broken_rule_asks_for_the_zone_and_names_the_rule(tmp_path: Path):
    meter = Meter(hourly(MIDNIGHT, [500, 400]))
    with pytest.raises(SeriesError, match="'B60E' is no field of 8 hexadecimal digits"):
        read_text(tmp_path, one_point(meter, clock=NEW_YORK | {"start": "B60E"}))


def test_a_zone_that_contradicts_the_files_own_clock_is_told(tmp_path: Path):
    found = read_text(tmp_path, sample_file(), zone="America/Los_Angeles")
    assert "is not that of the file's own LocalTimeParameters" in noted(found)
    assert "LocalTimeParameters" not in noted(
        read_text(tmp_path, sample_file(), zone="America/New_York")
    )


def test_an_unknown_zone_is_told(tmp_path: Path):
    with pytest.raises(SeriesError, match="Nowhere/Town") as caught:
        read_text(tmp_path, sample_file(), zone="Nowhere/Town")
    assert caught.value.where == "--zone"


# -- hostile and broken files ----------------------------------------------------------------------

BOMB = (
    '<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;">]><feed xmlns="http://www.w3.org/2005/Atom">&c;</feed>'
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    '<feed xmlns="http://www.w3.org/2005/Atom">&x;</feed>'
)
FOREIGN_DTD = (
    '<!DOCTYPE feed SYSTEM "http://example.org/x.dtd"><feed xmlns="http://www.w3.org/2005/Atom"/>'
)


BARE_DTD = '<!DOCTYPE feed><feed xmlns="http://www.w3.org/2005/Atom"/>'


@pytest.mark.parametrize("text", [BOMB, OUTSIDE, FOREIGN_DTD, BARE_DTD])
def test_document_types_and_entities_are_refused(tmp_path: Path, text: str):
    with pytest.raises(SeriesError, match="declares a document type or entities"):
        read_text(tmp_path, text)


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (lambda text: text + "<feed/>\n", "last", "junk after document element"),
        (lambda text: text.replace("</IntervalReading>", "", 1), None, "mismatched tag"),
        (lambda text: text[: len(text) // 2], None, "no well-formed XML"),
    ],
)
def test_malformed_xml_is_told_by_line_and_column(tmp_path: Path, change, line, words: str):
    text = change(sample_file())
    with pytest.raises(SeriesError, match=words) as caught:
        read_text(tmp_path, text)
    place = re.search(r"meter\.data:(\d+):(\d+)$", caught.value.where)
    assert place is not None
    if line == "last":
        assert int(place[1]) == text.count("\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("<html><body/></html>", "a web page"),
        ('<feed xmlns="http://www.w3.org/2005/Atom"/>', "no UsagePoint"),
        ("<a>" * 200, "the root <a>"),
        ('<feed xmlns="http://www.w3.org/2005/Atom">' + "<a>" * 200, "nested more than 64"),
    ],
)
def test_xml_of_another_kind_is_refused(tmp_path: Path, text: str, words: str):
    with pytest.raises(SeriesError, match=words):
        read_text(tmp_path, text)


@pytest.mark.parametrize("value", ["many", "1e5", "0x10", "9" * 30, "--5"])
def test_a_value_that_is_no_number_is_told_by_line_and_column(tmp_path: Path, value: str):
    text = sample_file().replace("<value>819</value>", f"<value>{value}</value>", 1)
    line = text[: text.index(f">{value}<")].count("\n") + 1
    with pytest.raises(SeriesError) as caught:
        read_text(tmp_path, text)
    assert f"{value!r}, not a whole number" in caught.value.what
    assert f":{line}:" in caught.value.where


def test_a_reading_outside_the_years_that_are_believed_is_told(tmp_path: Path):
    text = sample_file().replace(f"<start>{MIDNIGHT + 3600}<", "<start>99999999999<", 1)
    with pytest.raises(SeriesError, match="outside the years 1970 to 2199"):
        read_text(tmp_path, text)


def test_readings_that_lie_ages_apart_are_refused_before_a_grid_is_laid(tmp_path: Path):
    text = one_point(Meter([*hourly(MIDNIGHT, [1, 2, 3]), (7000000200 // 3600 * 3600, 5)]))
    with pytest.raises(SeriesError, match="more than 600,000"):
        read_text(tmp_path, text)


def test_an_absurd_value_is_told(tmp_path: Path):
    text = one_point(Meter(hourly(MIDNIGHT, [1, 10**14, 3])))
    with pytest.raises(SeriesError, match="absurd"):
        read_text(tmp_path, text)
