"""What a meter counted becomes a bill, and a scenario's oddities are told with their values."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from optimizer.base.errors import SeriesError
from optimizer.metering.meter_csv import read_meter
from optimizer.scenario.remarks import remarks
from optimizer.scenario.scenario import read_scenario
from optimizer.workflows.bill import bill as bill_meter

TARIFF = """\
tariff: Sedge Fen
currency: EUR
invented: true
versions:
  - from: 2025-01-01
    source: invented
    charges:
      - kind: fixed
        name: Standing
        amount: 9.3
        per: month
      - kind: energy
        name: Energy
        rates:
          - {name: evening, per_kwh: 0.4, days: [weekdays], hours: ["17:00-19:00"]}
          - {name: other, per_kwh: 0.2, otherwise: true}
      - {kind: demand, name: Demand, per_kw: 5, interval_minutes: 60}
      - {kind: export_credit, name: Credit, per_kwh: 0.1}
      - {kind: percentage, name: Tax, percent: 10, of: [Energy]}
"""

MARCH = "2026-03-02"
"""A Monday of a month of 31 days."""


def stamps(first: str, count: int, minutes: int = 60) -> list[str]:
    """Return wall-clock stamps from the midnight of a day."""
    begin = datetime.fromisoformat(first)
    return [
        (begin + n * timedelta(minutes=minutes)).isoformat(timespec="minutes") for n in range(count)
    ]


def meter(folder: Path, lines: Iterable[str], head: str = "time,import_kwh,export_kwh") -> Path:
    """Write lines as a meter file."""
    path = folder / "meter.csv"
    path.write_text("\n".join([head, *lines]) + "\n")
    return path


@pytest.fixture
def tariff(tmp_path: Path) -> str:
    """Return the path of the tariff, as a person gives it."""
    (tmp_path / "tariff.yaml").write_text(TARIFF)
    return str(tmp_path / "tariff.yaml")


# ---- a bill of meter data


def test_two_days_of_a_meter_cost_what_is_worked_out_on_paper(tmp_path: Path, tariff: str):
    # 1 kWh in each of 48 hours, but 3 kWh on Monday at 17:00; export of 0.5 kWh at noon and at one
    lines = [
        f"{time},{3 if n == 17 else 1},{0.5 if n % 24 in (12, 13) else 0}"
        for n, time in enumerate(stamps(MARCH, 48))
    ]

    billed = bill_meter(meter(tmp_path, lines), tariff, "Europe/Dublin")
    bill, notes = billed.bill, billed.notes

    assert notes == ()
    assert bill.by_charge() == pytest.approx(
        {
            "Standing": 0.60,  # 9.30 a month × 2 of 31 days
            "Energy": 11.20,  # (3 + 1 + 1 + 1) kWh × 0.40 + 44 kWh × 0.20
            "Demand": 15.00,  # 3 kW × 5
            "Credit": -0.20,  # 4 × 0.5 kWh × 0.10
            "Tax": 1.12,  # 10 % of 11.20
        }
    )
    assert bill.total == pytest.approx(27.72)
    demand = next(line for line in bill.lines if line.charge == "Demand")
    assert demand.because == "3 kW Mon 2 Mar 2026, 17:00–18:00"


def test_mean_powers_are_billed_as_the_energy_of_their_steps(tmp_path: Path, tariff: str):
    # 2 kW through all half-hours of two days are 96 kWh, 8 of them in the evenings
    path = meter(tmp_path, [f"{t},2" for t in stamps(MARCH, 96, 30)], "timestamp,import_kw")

    bill = bill_meter(path, tariff, "Europe/Dublin").bill

    assert bill.by_charge()["Energy"] == pytest.approx(8 * 0.4 + 88 * 0.2)
    assert bill.by_charge()["Demand"] == pytest.approx(10)
    assert bill.by_charge()["Credit"] == 0


def test_a_meter_is_billed_by_calendar_months_of_the_given_zone(tmp_path: Path, tariff: str):
    # 31 March 12:00 UTC is 1 April 01:00 in Auckland; the evening of 1 April begins at 04:00 UTC
    lines = [f"2026-03-31T{hour:02d}:00Z,1,0" for hour in range(11, 18)]

    bill = bill_meter(meter(tmp_path, lines), tariff, "Pacific/Auckland").bill

    energy = {line.period: line.quantity for line in bill.lines if line.charge == "Energy"}
    assert energy == pytest.approx({"2026-04": 7.0})
    assert bill.by_period() == pytest.approx(
        {"2026-04": 9.3 * 7 / 24 / 30 + 7 * 0.2 * 1.1 + 5}  # 7 of 24 hours of one of 30 days
    )


def test_two_months_have_a_peak_each(tmp_path: Path, tariff: str):
    lines = [f"{t},{4 if n < 24 else 2},0" for n, t in enumerate(stamps("2026-06-30", 48))]

    bill = bill_meter(meter(tmp_path, lines), tariff, "Europe/Dublin").bill

    demand = {line.period: line.amount for line in bill.lines if line.charge == "Demand"}
    assert demand == pytest.approx({"2026-06": 20.0, "2026-07": 10.0})


def test_the_short_day_in_spring_is_billed_whole(tmp_path: Path, tariff: str):
    lines = [f"{t},1,0" for t in stamps("2026-03-29", 24) if not t.endswith("T01:00")]

    billed = bill_meter(meter(tmp_path, lines), tariff, "Europe/Dublin")
    bill, notes = billed.bill, billed.notes

    assert notes == ()
    assert bill.by_charge()["Energy"] == pytest.approx(23 * 0.2)  # a Sunday
    assert bill.by_charge()["Standing"] == pytest.approx(9.3 / 31)


def test_repairs_of_the_file_and_notes_of_the_tariff_are_handed_on(tmp_path: Path, tariff: str):
    Path(tariff).write_text(TARIFF.replace("interval_minutes: 60", "interval_minutes: 15"))
    lines = [f"{t},1,0" for t in stamps(MARCH, 24)]

    notes = bill_meter(meter(tmp_path, [*lines, lines[5]]), tariff, "Europe/Dublin").notes

    assert any(note.startswith("meter.csv: 1 repeated rows") for note in notes)
    assert any("measured over 15 min" in note and "60 min" in note for note in notes)


# ---- what is refused


def test_a_gap_is_never_filled(tmp_path: Path):
    lines = [f"{t},1,0" for n, t in enumerate(stamps(MARCH, 48)) if n not in (20, 21)]

    with pytest.raises(SeriesError, match="2 of 48 values of import_kwh are missing") as caught:
        read_meter(meter(tmp_path, lines), "Europe/Dublin")

    assert caught.value.where.endswith("meter.csv, step 2026-03-02T20:00+00:00")
    assert "every interval" in caught.value.mend


def test_a_blank_export_is_a_gap_as_well(tmp_path: Path):
    lines = [f"{t},1,{'' if n == 3 else 0}" for n, t in enumerate(stamps(MARCH, 24))]

    with pytest.raises(SeriesError, match="1 of 24 values of export_kwh are missing") as caught:
        read_meter(meter(tmp_path, lines), "Europe/Dublin")

    assert caught.value.where.endswith("step 2026-03-02T03:00+00:00")


def test_a_repeated_hour_that_the_file_has_once_is_a_gap(tmp_path: Path):
    lines = [f"{t},1,0" for t in stamps("2026-10-25", 24)]

    with pytest.raises(SeriesError, match="1 of 25 values of import_kwh are missing") as caught:
        read_meter(meter(tmp_path, lines), "Europe/Dublin")

    assert caught.value.where.endswith("step 2026-10-25T01:00+00:00")


@pytest.mark.parametrize(("column", "line"), [("import_kwh", "-0.01,0"), ("export_kwh", "1,-0.01")])
def test_a_value_below_zero_is_refused_with_its_row(tmp_path: Path, column: str, line: str):
    first, *rest = stamps(MARCH, 24)
    lines = [f"{first},1,0", f"{rest[0]},{line}", *(f"{t},1,0" for t in rest[1:])]

    with pytest.raises(SeriesError, match=r"-0\.01 is below zero") as caught:
        read_meter(meter(tmp_path, lines), "Europe/Dublin")

    assert caught.value.where.endswith(f"meter.csv, row 3, column {column}")


def test_an_unknown_zone_is_refused_before_the_file_is_read(tmp_path: Path):
    with pytest.raises(SeriesError, match="zone is 'Dublin', which is no time zone") as caught:
        read_meter(tmp_path / "no_such.csv", "Dublin")

    assert caught.value.where == "--zone"
    assert "Europe/Dublin" in caught.value.mend


def test_steps_off_the_clock_are_told_with_the_file(tmp_path: Path):
    lines = [f"2026-03-02T{hour:02d}:20,1,0" for hour in range(24)]

    with pytest.raises(SeriesError, match=r"00:20:00 .* no multiple of 60 min") as caught:
        read_meter(meter(tmp_path, lines), "Europe/Dublin")

    assert "meter.csv, column time, step 2026-03-02T00:20" in caught.value.where


def test_a_meter_without_an_import_column_is_refused(tmp_path: Path):
    with pytest.raises(SeriesError, match="no column is called import_kwh or import_kw"):
        read_meter(meter(tmp_path, [f"{MARCH}T00:00,1"], "time,used_kwh"), "Europe/Dublin")


# ---- remarks on a scenario

SCENARIO = """\
scenario: Sedge Fen
invented: true
zone: Europe/Dublin
forecast: forecast.csv
tariff: tariff.yaml
battery: {capacity_kwh: 12, charge_kw: 4, discharge_kw: 5}
inverter: {ac_limit_kw: 6}
pv: {coupling: ac}
connection: {import_limit_kw: 15}
"""

Told = Callable[..., list[str]]


@pytest.fixture
def told(tmp_path: Path) -> Told:
    """Return a function that gives the remarks on a scenario of equal hours, save the first."""

    def tell(old: str = "", new: str = "", first: str = "0.5,1", days: int = 30) -> list[str]:
        assert old in SCENARIO
        (tmp_path / "scenario.yaml").write_text(SCENARIO.replace(old, new) if old else SCENARIO)
        times = stamps(MARCH, 24 * days)
        lines = [f"{time},{first if n == 0 else '0.5,1'}" for n, time in enumerate(times)]
        text = "\n".join(["time,load_kw,pv_kw", *lines]) + "\n"
        # the hour that the clock skips has no row
        (tmp_path / "forecast.csv").write_text(text.replace("2026-03-29T01:00,0.5,1\n", ""))
        summary, *rest = remarks(read_scenario(tmp_path))
        assert summary.startswith("Forecast: ")
        return rest

    return tell


def test_an_ordinary_scenario_is_summed_up_and_no_more(told: Told, tmp_path: Path):
    assert told(first="2,3.25") == []
    # 719 hours: 0.5 × 718 + 2 = 361 kWh of load, 718 + 3.25 = 721.25 kWh of PV
    assert remarks(read_scenario(tmp_path)) == [
        "Forecast: 30 days, 361 kWh load (highest 2.00 kW), 721 kWh PV (highest 3.25 kW)."
    ]


def test_a_load_above_the_import_limit_is_told(told: Told):
    (remark,) = told("import_limit_kw: 15", "import_limit_kw: 2.5", first="3,0")

    assert "The load reaches 3.00 kW, above the import limit of 2.5 kW" in remark


def test_pv_above_a_hybrid_inverter_is_told(told: Told):
    (remark,) = told("coupling: ac", "coupling: dc", first="0.5,8")

    assert "PV reaches 8.00 kW, above the inverter's 6 kW" in remark
    assert told("coupling: ac", "coupling: ac", first="0.5,8") == []


@pytest.mark.parametrize("way", ["charge_kw: 4", "discharge_kw: 5"])
def test_a_battery_stronger_than_its_inverter_is_told(told: Told, way: str):
    (remark,) = told(way, f"{way[:-1]}7")

    assert "The battery's 7 kW exceeds the inverter's 6 kW" in remark


def test_a_hybrid_inverter_does_not_limit_charging_from_pv(told: Told):
    hybrid = "discharge_kw: 5}\ninverter: {ac_limit_kw: 6}\npv: {coupling: ac}"
    dc = hybrid.replace("ac}", "dc}")

    assert told(f"charge_kw: 4, {hybrid}", f"charge_kw: 9, {dc}") == []


def test_pv_that_neither_load_nor_grid_may_take_is_told(told: Told):
    (remark,) = told("import_limit_kw: 15", "export_limit_kw: 2", first="0.5,5.25")

    assert "PV exceeds the load by up to 4.75 kW, above the export limit of 2 kW" in remark
    assert told("import_limit_kw: 15", "export_limit_kw: 2", first="4,5.25") == []


RULED = """import_limit_kw: 15, fill_limit_kw: 4.2, limits: [
  {rule: early, hours: ["00:30-02:00"], days: [monday], import_kw: 2.5},
  {rule: summer, months: [6, 7], export_kw: 0}]"""


def test_rules_in_force_are_listed_and_a_load_above_one_is_told_by_its_name(told: Told):
    """The second of March 2026 is a Monday; its first hour begins before the rule and is cut by it."""
    rules, no_step, load = told("import_limit_kw: 15", RULED, first="3,0")

    assert rules == (
        "Rules in force: early (import at most 2.5 kW; 00:30-02:00; monday); summer (export at most 0 kW;"
        " months 6, 7); connection.fill_limit_kw (filling from the grid at most 4.2 kW; at all times)."
    )
    assert no_step == "The rule 'summer' holds in no step of the forecast."
    assert "reaches 3.00 kW, above the import limit of 2.5 kW by the rule 'early'" in load


def test_limits_of_phases_and_cut_steps_are_noted(told: Told, tmp_path: Path):
    told("import_limit_kw: 15", "phases: {count: 3, amperes: 16, volts: 230}")
    (phases,) = read_scenario(tmp_path).forecast.notes[-1:]
    assert "an approximation: 16 A × 230 V" in phases
    assert "at most 11.04 kW" in phases

    told("import_limit_kw: 15", RULED)
    (cut,) = read_scenario(tmp_path).forecast.notes[-1:]
    assert cut.startswith("Hours of the rule 'early' begin or end inside steps of 60 min")


def test_few_days_are_told_with_their_number(told: Told):
    (remark,) = told(days=3)

    assert "only 3 days" in remark
