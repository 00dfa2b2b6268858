"""ESPI files of successive months are joined as tables are; invented feeds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering.found import Request
from optimizer.metering.outside import read_all, read_any
from tests.readers.feeds import NEW_YORK, Meter, exported, feed_xml, hourly, imported, noted
from tests.readers.test_bundles import zipped

FIRST = 1_388_552_400
"""2014-01-01T00:00-05:00."""
DAY_S = 86_400


def day(number: int, values: list[int], title: str = "home", **fields: object) -> str:
    meter = Meter(hourly(FIRST + number * DAY_S, values), fields)
    return feed_xml([(title, 0, [meter])])


def files(folder: Path, *texts: str) -> list[Path]:
    paths = [folder / f"{letter}.xml" for letter, _ in zip("abcdef", texts, strict=False)]
    for path, text in zip(paths, texts, strict=True):
        path.write_text(text)
    return paths


JANUARY_1, JANUARY_2 = [100] * 24, [200] * 24


def test_successive_files_are_joined_in_any_order_and_said_to_be(tmp_path: Path):
    paths = files(tmp_path, day(0, JANUARY_1), day(1, JANUARY_2))
    for order in (paths, paths[::-1]):
        found = read_all(order, Request())
        assert imported(found) == pytest.approx([0.1] * 24 + [0.2] * 24)
        assert len(found.points) == 1
        assert found.others == (order[1],)
    assert "2 files were joined: b.xml, a.xml" in noted(found)


def test_an_archive_of_several_is_joined(tmp_path: Path):
    path = zipped(tmp_path / "two.zip", {"a.xml": day(0, JANUARY_1), "b.xml": day(1, JANUARY_2)})
    assert imported(read_any(path, Request())) == pytest.approx([0.1] * 24 + [0.2] * 24)


def test_a_hole_between_files_is_a_gap(tmp_path: Path):
    found = read_all(files(tmp_path, day(0, JANUARY_1), day(2, JANUARY_2)), Request())
    assert np.isnan(imported(found)[24:48]).all()
    assert found.points[0].gaps == 24


def test_an_overlap_that_agrees_is_kept_once_and_one_that_differs_is_told_with_both_files(
    tmp_path: Path,
):
    both = [100] * 24 + [200] * 24
    found = read_all(files(tmp_path, day(0, both), day(1, JANUARY_2)), Request())
    assert imported(found).sum() == pytest.approx(7.2)
    assert "24 readings stood twice" in noted(found)
    with pytest.raises(SeriesError) as caught:
        read_all(files(tmp_path, day(0, both), day(1, [201] * 24)), Request())
    assert "a.xml:" in caught.value.what
    assert "b.xml:" in str(caught.value.where)


def test_points_go_together_by_name_and_a_new_one_stands_by_itself(tmp_path: Path):
    def two(number: int, first: str, second: str, low: int, high: int) -> str:
        meters = [Meter(hourly(FIRST + number * DAY_S, [value] * 24)) for value in (low, high)]
        return feed_xml([(first, 0, meters[:1]), (second, 0, meters[1:])])

    paths = files(tmp_path, two(0, "house", "barn", 1000, 2000), two(1, "barn", "house", 20, 10))
    found = read_all(paths, Request())
    assert [(one.number, one.name) for one in found.points] == [(1, "house"), (2, "barn")]
    assert imported(found).sum() == pytest.approx(24 * 1.01)
    assert imported(found, 1).sum() == pytest.approx(24 * 2.02)
    only = read_all(paths, Request(point="barn"))
    assert imported(only).sum() == pytest.approx(24 * 2.02)
    assert len(only.points) == 1


def test_the_only_meter_under_another_name_is_joined_and_told(tmp_path: Path):
    found = read_all(files(tmp_path, day(0, JANUARY_1), day(1, JANUARY_2, "1 Oak")), Request())
    assert len(imported(found)) == 48
    assert "'home' in a.xml is called '1 Oak' in b.xml" in noted(found)


def test_a_register_goes_on_from_file_to_file(tmp_path: Path):
    first = day(0, [1000 + 100 * n for n in range(24)], accumulationBehaviour=3)
    second = day(1, [3400 + 100 * n for n in range(24)], accumulationBehaviour=3)
    found = read_all(files(tmp_path, first, second), Request())
    assert imported(found) == pytest.approx([0.1] * 47)


def test_a_direction_that_one_file_lacks_is_a_gap_there(tmp_path: Path):
    both = feed_xml(
        [
            (
                "home",
                0,
                [
                    Meter(hourly(FIRST, JANUARY_1)),
                    Meter(hourly(FIRST, [7] * 24), {"flowDirection": 19}),
                ],
            )
        ]
    )
    found = read_all(files(tmp_path, both, day(1, JANUARY_2)), Request())
    assert np.isnan(exported(found)[24:]).all()
    assert "export_kwh stands in a.xml only" in noted(found)


def test_files_of_other_meaning_are_not_joined(tmp_path: Path):
    net = day(1, JANUARY_2, flowDirection=4)
    with pytest.raises(SeriesError, match=r"net readings in b\.xml, import or export in a\.xml"):
        read_all(files(tmp_path, day(0, JANUARY_1), net), Request())
    power = day(1, JANUARY_2, uom=38)
    with pytest.raises(SeriesError, match=r"import_kwh is energy in a\.xml and power in b\.xml"):
        read_all(files(tmp_path, day(0, JANUARY_1), power), Request())


def test_files_whose_own_clocks_differ_ask_for_the_zone(tmp_path: Path):
    west = feed_xml(
        [("home", 0, [Meter(hourly(FIRST + DAY_S, JANUARY_2))])], NEW_YORK | {"tz": -28_800}
    )
    paths = files(tmp_path, day(0, JANUARY_1), west)
    with pytest.raises(SeriesError, match="another clock"):
        read_all(paths, Request())
    assert len(imported(read_all(paths, Request(zone="America/New_York")))) == 48


def test_a_file_without_electricity_beside_others_is_told(tmp_path: Path):
    gas = feed_xml([("home", 1, [Meter(hourly(FIRST, JANUARY_1))])])
    found = read_all(files(tmp_path, day(0, JANUARY_1), gas), Request())
    assert imported(found).sum() == pytest.approx(2.4)
    assert any("gas" in one and "b.xml" in one for one in found.refused)


def test_a_table_beside_espi_is_refused(tmp_path: Path):
    (path,) = files(tmp_path, day(0, JANUARY_1))
    table = tmp_path / "z.csv"
    table.write_text("time,import (kWh)\n2014-01-02 00:00,1\n2014-01-02 01:00,1\n")
    with pytest.raises(SeriesError, match="beside"):
        read_all([path, table], Request())
