"""Readings of registers: differenced, with resets, exchanges, slips and holes told, never guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SeriesError
from tests.readers.feeds import exported, imported, noted, read_text, wall

DUBLIN = "Europe/Dublin"
ENERGY = np.array([1, 2, 3, 4] * 30)
"""Energy of 120 hours, five days. [kWh]"""


def levels(energy: np.ndarray = ENERGY, first: float = 10_469) -> list[float]:
    """Return what a register stood at before each energy and after the last."""
    return [first, *(first + np.cumsum(energy)).tolist()]


def table(head: str, *columns: list[object], first: str = "2026-03-02") -> str:
    rows = zip(wall(first, len(columns[0]), 60), *columns, strict=True)
    told = [
        ",".join([f"{time:%Y-%m-%d %H:%M}", *("" if v is None else str(v) for v in values)])
        for time, *values in rows
    ]
    return "\n".join([head, *told]) + "\n"


@pytest.mark.parametrize("asked", [None, "start", "end"])
def test_the_energy_of_a_step_is_from_its_reading_to_the_next_whatever_edge_is_asked_for(
    tmp_path: Path, asked: str | None
):
    found = read_text(tmp_path, table("time,meter kWh", levels()), zone=DUBLIN, stamps=asked)
    assert imported(found) == pytest.approx(ENERGY)
    even = found.points[0].even
    assert even.clock.stamp(even.start_s) == "2026-03-02T00:00+00:00"
    assert "they are a register's" in noted(found)
    assert "121 values" in noted(found)


def test_newest_first_is_the_same(tmp_path: Path):
    text = table("time,meter kWh", levels())
    head, *rows = text.splitlines()
    turned = "\n".join([head, *rows[::-1]]) + "\n"
    assert imported(read_text(tmp_path, turned, zone=DUBLIN)) == pytest.approx(ENERGY)


@pytest.mark.parametrize(
    ("first", "expected"),
    [("2026-03-27", "2026-04-01T01:00+01:00"), ("2026-10-23", "2026-10-27T23:00+00:00")],
)
def test_a_register_goes_on_over_a_clock_change(tmp_path: Path, first: str, expected: str):
    """120 hours from a midnight end an hour later, or earlier, by the clock; nothing is lost."""
    stamps = (
        np.arange(121) * 3600
        + np.datetime64(first, "s").astype(int)
        - (3600 if "10" in first else 0)
    )
    rows = [
        f"{np.datetime64(int(at), 's')}Z,{level}"
        for at, level in zip(stamps, levels(), strict=True)
    ]
    found = read_text(tmp_path, "\n".join(["time,kWh", *rows]), zone=DUBLIN)
    assert imported(found) == pytest.approx(ENERGY)
    even = found.points[0].even
    assert even.clock.stamp(int(even.instants_s[-1]) + 3600) == expected


def test_an_export_that_rarely_rises_is_a_register_beside_one_of_import(tmp_path: Path):
    export = np.where(np.arange(120) % 24 == 12, 5, 0)
    text = table("time,import kWh,export kWh", levels(), levels(export, 77))
    found = read_text(tmp_path, text, zone=DUBLIN)
    assert imported(found) == pytest.approx(ENERGY)
    assert exported(found) == pytest.approx(export)


def test_a_reset_is_a_gap_and_told(tmp_path: Path):
    whole = levels()
    broken = [*whole[:60], *(level - whole[60] for level in whole[60:])]
    found = read_text(tmp_path, table("time,meter kWh", broken), zone=DUBLIN)
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == [59]
    assert np.nansum(imported(found)) == ENERGY.sum() - ENERGY[59]
    assert "falls: a reset or an exchange of the meter" in noted(found)
    assert f"2026-03-04T12:00+00:00 from {whole[59]:,} to 0" in noted(found)


def test_an_exchange_for_a_meter_that_stands_higher_is_a_gap_and_told(tmp_path: Path):
    whole = levels()
    found = read_text(
        tmp_path,
        table("time,meter kWh", [*whole[:60], *(x + 5000 for x in whole[60:])]),
        zone=DUBLIN,
    )
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == [59]
    assert np.nansum(imported(found)) == ENERGY.sum() - ENERGY[59]
    assert "an exchange of the meter, or a slip" in noted(found)


def test_a_lone_zero_is_a_slip_and_its_energy_is_spread(tmp_path: Path):
    """Hours 49 and 50 have 2 and 3 kWh, which the readings around the slip know as 5."""
    broken = levels()
    broken[50] = 0
    found = read_text(tmp_path, table("time,meter kWh", broken), zone=DUBLIN)
    expected = ENERGY.astype(float)
    expected[49:51] = 2.5
    assert imported(found) == pytest.approx(expected)
    assert "1 reading of the register below the ones before and after" in noted(found)
    assert "spread evenly" in noted(found)


def test_a_hole_of_more_than_a_day_stays_a_gap_with_its_energy_told(tmp_path: Path):
    """Readings 40 to 69 are missing: 31 hours from reading 39 to 70."""
    broken = [None if 40 <= n < 70 else level for n, level in enumerate(levels())]
    found = read_text(tmp_path, table("time,meter kWh", broken), zone=DUBLIN)
    assert np.flatnonzero(np.isnan(imported(found))).tolist() == list(range(39, 70))
    assert f"hold {ENERGY[39:70].sum():,.1f} kWh" in noted(found)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Import T1 (kWh)", "Import T2 (kWh)"), ("peak import kWh", "off-peak import kWh"),
        ("Bezug HT kWh", "Bezug NT kWh"), ("import_day_kwh", "import_night_kwh"),
        ("1.8.1 import kWh", "1.8.2 import kWh"),
    ],
)  # fmt: skip
def test_columns_of_a_tariffs_times_are_added(tmp_path: Path, one: str, other: str):
    is_high = np.arange(120) % 24 >= 12
    text = table(f"time,{one},{other}", (ENERGY * is_high).tolist(), (ENERGY * ~is_high).tolist())
    found = read_text(tmp_path, text, zone=DUBLIN, stamps="start")
    assert imported(found) == pytest.approx(ENERGY)
    assert "they were added" in noted(found)


def test_two_registers_are_added_and_differenced(tmp_path: Path):
    is_high = np.arange(120) % 24 >= 12
    text = table(
        "time,Import T1 kWh,Import T2 kWh", levels(ENERGY * is_high), levels(ENERGY * ~is_high, 7)
    )
    assert imported(read_text(tmp_path, text, zone=DUBLIN)) == pytest.approx(ENERGY)


def test_a_blank_beside_a_tariffs_other_time_is_nothing_and_told(tmp_path: Path):
    is_high = np.arange(120) % 24 >= 12
    high = [int(v) if on else None for v, on in zip(ENERGY, is_high, strict=True)]
    low = [None if on else int(v) for v, on in zip(ENERGY, is_high, strict=True)]
    found = read_text(tmp_path, table("time,import T1 kWh,import T2 kWh", high, low), zone=DUBLIN, stamps="start")  # fmt: skip
    assert imported(found) == pytest.approx(ENERGY)
    assert "taken for 0 beside the other" in noted(found)


def test_a_total_beside_a_tariffs_times_is_taken_alone(tmp_path: Path):
    half = (ENERGY / 2).tolist()
    text = table("time,import kWh,import T1 kWh,import T2 kWh", ENERGY.tolist(), half, half)
    found = read_text(tmp_path, text, zone=DUBLIN, stamps="start")
    assert imported(found) == pytest.approx(ENERGY)
    assert "columns not used: import T1 kWh, import T2 kWh" in noted(found)


def test_columns_in_two_units_are_not_added(tmp_path: Path):
    text = table("time,import T1 kWh,import T2 Wh", ENERGY.tolist(), ENERGY.tolist())
    with pytest.raises(SeriesError, match="several columns"):
        read_text(tmp_path, text, zone=DUBLIN, stamps="start")


def test_energies_that_fall_every_evening_are_no_register(tmp_path: Path):
    rising = list(range(1, 25)) * 5
    found = read_text(tmp_path, table("time,import kWh", rising), zone=DUBLIN, stamps="start")
    assert imported(found) == pytest.approx(rising)
