"""PV and consumption beside a meter's import and export: read, told, and led on to a forecast."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.metering.forecast_csv import read_forecast
from optimizer.metering.found import Found, Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any, tidy_csv
from optimizer.report.reading import next_step
from tests.laws.cases import AC_PLANT

HOURS = [f"2026-01-0{day}T{hour:02d}:00" for day in range(1, 9) for hour in range(24)]
LOAD = np.tile([0.5] * 12 + [1.5] * 12, 8)
PV = np.tile([0.0] * 8 + [2.0] * 8 + [0.0] * 8, 8)
NET = LOAD - PV
IMPORT, EXPORT = np.maximum(NET, 0.0), np.maximum(-NET, 0.0)


def found_in(folder: Path, head: str, *columns: np.ndarray) -> Found:
    path = folder / "portal.csv"
    rows = [",".join(map(str, row)) for row in zip(HOURS, *columns, strict=True)]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return read_any(path, Request(zone="Europe/Dublin", stamps="start"))


@pytest.mark.parametrize(
    "head",
    [
        "time,Grid import (kWh),Grid export (kWh),Production (kWh),Consumption (kWh)",
        "time,Imported (kWh),Exported (kWh),Solar (kWh),Usage (kWh)",
        "time,Import (kWh),Export (kWh),PV generation (kWh),Total consumption (kWh)",
    ],
)
def test_a_portals_pv_and_consumption_are_kept_beside_import_and_export(
    head: str, tmp_path: Path
) -> None:
    (point,) = found_in(tmp_path, head, IMPORT, EXPORT, PV, LOAD).points
    expected = {"import_kwh": IMPORT, "export_kwh": EXPORT, "pv_kwh": PV, "load_kwh": LOAD}
    assert set(point.even.columns) == set(expected)
    for name, values in expected.items():
        assert point.even.columns[name] == pytest.approx(values)
    assert not any("not used" in note for note in point.notes)


def test_what_is_written_serves_for_a_bill_and_for_a_forecast(tmp_path: Path) -> None:
    head = "time,Import (kWh),Export (kWh),Production (kWh),Consumption (kWh)"
    (point,) = found_in(tmp_path, head, IMPORT, EXPORT, PV, LOAD).points
    tidy = tmp_path / "meter.csv"
    tidy.write_text(tidy_csv(point), encoding="utf-8")
    flows, notes = read_meter(tidy, "Europe/Dublin")
    assert flows.import_kwh == pytest.approx(IMPORT)
    assert any("does not use: pv_kwh, load_kwh" in note for note in notes)
    forecast = read_forecast(tidy, "Europe/Dublin", AC_PLANT)
    assert forecast.load_kwh == pytest.approx(LOAD)
    assert forecast.pv_kwh == pytest.approx(PV)


def test_a_load_that_import_and_pv_do_not_make_is_told(tmp_path: Path) -> None:
    head = "time,Import (kWh),Export (kWh),Production (kWh),Consumption (kWh)"
    (point,) = found_in(tmp_path, head, IMPORT, EXPORT, PV, 2 * LOAD).points
    assert any("import + PV − export comes to 192 kWh" in note for note in point.notes)


def test_consumption_and_generation_alone_are_taken_for_the_meters_and_said_to_be(
    tmp_path: Path,
) -> None:
    (point,) = found_in(tmp_path, "time,Consumption (kWh),Generation (kWh)", LOAD, PV).points
    assert set(point.even.columns) == {"import_kwh", "export_kwh"}
    assert any("call them load_kwh and pv_kwh" in note for note in point.notes)


@pytest.mark.parametrize("name", ["PV (kWh)", "Solar production (kWh)"])
def test_pv_alone_is_pv_and_leads_to_the_pv_behind_a_meter(name: str, tmp_path: Path) -> None:
    found = found_in(tmp_path, f"time,{name}", PV)
    (point,) = found.points
    assert list(point.even.columns) == ["pv_kwh"]
    assert point.even.columns["pv_kwh"] == pytest.approx(PV)
    told = next_step(found, Request(zone="Europe/Dublin"), tmp_path / "pv.csv")
    assert "pv_meters: [pv.csv]" in told
    assert "bill" not in told


@pytest.mark.parametrize("name", ["load_kwh", "Consumption (kWh)", "Usage kWh"])
def test_consumption_beside_pv_is_the_buildings_load_and_leads_to_a_forecast(
    name: str, tmp_path: Path
) -> None:
    found = found_in(tmp_path, f"time,{name},PV (kWh)", LOAD, PV)
    (point,) = found.points
    assert list(point.even.columns) == ["pv_kwh", "load_kwh"]
    assert any(f"{name!r} as the building's load" in note for note in point.notes)
    told = next_step(found, Request(zone="Europe/Dublin"), tmp_path / "site.csv")
    assert "forecast: site.csv" in told
    assert "tariffwright bill" not in told
    tidy = tmp_path / "site.csv"
    tidy.write_text(tidy_csv(point), encoding="utf-8")
    forecast = read_forecast(tidy, "Europe/Dublin", AC_PLANT)
    assert forecast.load_kwh == pytest.approx(LOAD)
    assert forecast.pv_kwh == pytest.approx(PV)


def test_the_load_is_made_of_import_pv_and_export_and_said_to_be(tmp_path: Path) -> None:
    head = "time,Import (kWh),Export (kWh),PV (kWh)"
    (point,) = found_in(tmp_path, head, IMPORT, EXPORT, PV).points
    assert point.even.columns["load_kwh"] == pytest.approx(LOAD)
    assert any("load_kwh is import + PV − export" in note for note in point.notes)


def test_no_load_is_made_where_more_is_exported_than_pv_gave(tmp_path: Path) -> None:
    """In 4 hours a day 0.5 kWh is made and 1.5 kWh exported: 4 kWh below zero, of 12 kWh in all."""
    head = "time,Import (kWh),Export (kWh),PV (kWh)"
    (point,) = found_in(tmp_path, head, IMPORT, EXPORT, PV / 4).points
    assert "load_kwh" not in point.even.columns
    assert any("more is exported than PV gave" in note for note in point.notes)


def test_pv_without_any_export_is_told_to_leave_the_load_open(tmp_path: Path) -> None:
    (point,) = found_in(tmp_path, "time,Import (kWh),PV (kWh)", IMPORT, PV).points
    assert list(point.even.columns) == ["import_kwh", "export_kwh", "pv_kwh"]
    assert any("some was perhaps exported" in note for note in point.notes)


def test_solar_export_is_export(tmp_path: Path) -> None:
    (point,) = found_in(tmp_path, "time,Import (kWh),Solar export (kWh)", IMPORT, EXPORT).points
    assert point.even.columns["export_kwh"] == pytest.approx(EXPORT)


def test_watt_hours_and_cents_are_told_when_read(tmp_path: Path) -> None:
    (meter,) = found_in(tmp_path, "time,Import (kWh)", 1000 * LOAD).points
    assert any("1,500 kW" in note and "Wh" in note for note in meter.notes)
    (site,) = found_in(tmp_path, "time,load (kWh),PV (kWh)", 1000 * LOAD, PV).points
    assert any("the highest load is 1,500 kW" in note for note in site.notes)
    (prices,) = found_in(tmp_path, "time,price EUR/kWh", 30 * LOAD).points
    assert any("cents" in note for note in prices.notes)


def test_the_next_step_leads_to_a_plan_where_pv_is_known(tmp_path: Path) -> None:
    request, out = Request(zone="Europe/Dublin"), tmp_path / "meter.csv"
    known = found_in(tmp_path, "time,Import (kWh),Export (kWh),PV (kWh)", IMPORT, EXPORT, PV)
    assert "for a plan, name it in a scenario: forecast: meter.csv" in next_step(
        known, request, out
    )
    net = found_in(tmp_path, "time,Import (kWh),Export (kWh)", IMPORT, EXPORT)
    assert "behind_meters: true" in next_step(net, request, out)
    plain = found_in(tmp_path, "time,Import (kWh)", IMPORT)
    assert "for a plan" not in next_step(plain, request, out)
