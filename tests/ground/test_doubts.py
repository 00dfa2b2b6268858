"""What looks like a slip in a scenario is told with its likely cause, and nothing is refused for it."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.base.errors import InputError
from optimizer.cli.app import app
from optimizer.scenario.brief import read_brief
from optimizer.scenario.doubts import doubts
from optimizer.scenario.scenario import read_scenario
from optimizer.workflows.check import check

SITE = """\
scenario: Fen End
zone: Europe/Dublin
forecast: forecast.csv
tariff: two_rates
battery: {capacity_kwh: 10, charge_kw: 5, discharge_kw: 5, floor_pct: 5}
inverter: {ac_limit_kw: 5}
pv: {coupling: ac, peak_kw: 4}
"""

ROOF = """\
forecast:
  first: 2027-06-01
  last: 2027-06-14
  place: {latitude_deg: 53.3, longitude_deg: -6.2}
  load: {profile: H0, kwh_per_year: 3500}
  pv: {roofs: [{peak_kw: 4, tilt_deg: 35, azimuth_deg: 180}]}
"""


def site(folder: Path, *changes: tuple[str, str], load: str = "0.5", day: str = "2026-06-") -> Path:
    """Write a fortnight's scenario with changes of its text, and its forecast; return the folder."""
    text = SITE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    rows = [
        f"{day}{1 + n // 24:02d}T{n % 24:02d}:00,{load},{3 if 10 <= n % 24 < 15 else 0}"
        for n in range(14 * 24)
    ]
    head = "time,load_kwh,pv_kwh"
    (folder / "forecast.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return folder


def with_roof(old: str, new: str) -> tuple[str, str]:
    assert old in ROOF
    return "forecast: forecast.csv\n", ROOF.replace(old, new)


def told(folder: Path) -> list[str]:
    scenario = read_scenario(folder)
    return list(doubts(scenario.file, scenario.plant, scenario.forecast))


def test_a_plain_site_raises_no_doubt(tmp_path: Path) -> None:
    assert told(site(tmp_path)) == []
    assert told(site(tmp_path, with_roof("azimuth_deg: 180", "azimuth_deg: 180"))) == []


SLIPS = {
    "floor": (("floor_pct: 5", "floor_pct: 0.1"), ["battery.floor_pct is 0.1", "fraction, write 10."]),
    "reserve": (("pv: {", "reserve_pct: 0.3\npv: {"), ["reserve_pct is 0.3", "write 30."]),
    "share": (("pv: {", "outage: {share_pct: 0.9}\npv: {"), ["outage.share_pct", "write 90."]),
    "inverter": (("ac_limit_kw: 5", "ac_limit_kw: 5000"),
                 ["inverter.ac_limit_kw is 5,000 kW", "in W, write 5."]),
    "roof": (with_roof("peak_kw: 4", "peak_kw: 6000"), ["peak_kw of roof 1 is 6,000 kW", "write 6."]),
    "connection": (("pv: {", "connection: {import_limit_kw: 14000}\npv: {"),
                   ["connection.import_limit_kw is 14,000 kW", "write 14."]),
    "south is 0": (with_roof("azimuth_deg: 180", "azimuth_deg: 0"), ["faces north", "write 180."]),
    "west of south": (with_roof("azimuth_deg: 180", "azimuth_deg: 45"), ["azimuth 45", "write 225."]),
    "south of the equator": (
        ("forecast: forecast.csv\n", ROOF.replace("53.3", "-33.9").replace("-6.2", "18.4")),
        ["faces south", "write 0."]),
    "coefficient": (with_roof("roofs:", "temperature_pct_per_k: -0.004, roofs:"),
                    ["temperature_pct_per_k is -0.004", "write -0.4."]),
    "EST": (("Europe/Dublin", "EST"), ["zone EST has no daylight saving", "America/New_York"]),
    "turned sign": (("Europe/Dublin", "Etc/GMT+5"), ["UTC−5 all year"]),
    "modules": (("peak_kw: 4", "peak_kw: 2"), ["reaches 3 kW", "pv.peak_kw of 2 kW"]),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_told_with_its_cause(slip: str, tmp_path: Path) -> None:
    change, words = SLIPS[slip]
    if slip == "south of the equator":
        changes = [change, ("Europe/Dublin", "Africa/Johannesburg")]
    else:
        changes = [change]
    sentences = told(site(tmp_path, *changes))
    assert any(all(word in sentence for word in words) for sentence in sentences), sentences


def test_an_old_forecast_is_told_by_its_dates(tmp_path: Path) -> None:
    (sentence,) = told(site(tmp_path, day="2013-06-"))
    assert "ended on 2013-06-14" in sentence
    assert "forecast.load.meters" in sentence


def test_check_and_plan_tell_doubts(tmp_path: Path) -> None:
    folder = site(tmp_path, ("floor_pct: 5", "floor_pct: 0.1"))
    assert any("write 10." in note for note in check(read_brief(folder)).remarks)
    done = CliRunner().invoke(
        app,
        [
            "plan",
            str(folder),
            "--effort",
            "quick",
            "--no-curve",
            "--out",
            str(tmp_path / "out"),
        ],
    )
    assert "if it is a fraction, write 10." in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("load", "changes", "words"),
    [
        ("1290", (), ["1,290 kW", "the column holds Wh"]),
        ("0.0006", (("peak_kw: 4", "peak_kw: 4"),), ["0.0006 kW", "MWh"]),
        ("0.5", (("ac_limit_kw: 5", "ac_limit_kw: 5000"),), ["inverter.ac_limit_kw is 5,000 kW"]),
    ],
)
def test_sizes_of_the_forecast_are_asked_about_and_not_refused(
    load: str, changes: tuple[tuple[str, str], ...], words: list[str], tmp_path: Path
) -> None:
    notes = " ".join(read_scenario(site(tmp_path, *changes, load=load)).forecast.notes)
    assert all(word in notes for word in words), notes


def test_an_inverter_in_watts_is_not_blamed_on_the_forecast(tmp_path: Path) -> None:
    notes = read_scenario(site(tmp_path, ("ac_limit_kw: 5", "ac_limit_kw: 5000"))).forecast.notes
    assert not any("MWh" in note for note in notes)


@pytest.mark.parametrize(
    ("azimuth", "words"), [(-30, ["150", "330"]), (400, ["azimuth_deg is 400"])]
)
def test_an_azimuth_off_the_rose_is_refused_with_both_readings(
    azimuth: int, words: list[str], tmp_path: Path
) -> None:
    folder = site(tmp_path, with_roof("azimuth_deg: 180", f"azimuth_deg: {azimuth}"))
    with pytest.raises(InputError) as refused:
        read_scenario(folder)
    assert all(word in str(refused.value) for word in [*words, "clockwise from north"])


def test_a_missing_key_is_shown_by_a_real_example(tmp_path: Path) -> None:
    for old, words in (
        ("pv: {coupling: ac, peak_kw: 4}\n", "pv: {coupling: dc}"),
        ("inverter: {ac_limit_kw: 5}\n", "inverter: {ac_limit_kw: 5}"),
        ("zone: Europe/Dublin\n", "zone: Europe/Dublin"),
    ):
        with pytest.raises(InputError) as refused:
            read_scenario(site(tmp_path, (old, "")))
        assert f"Add it, e.g. {words}" in str(refused.value)
        assert "..." not in str(refused.value)
