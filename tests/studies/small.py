"""A small study that tests share: two sites of some weeks, or a year where money is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tests.laws.cases import grid_of, weather

SCENARIO = """\
scenario: {name}
invented: true
zone: Europe/Dublin
forecast: forecast.csv
tariff: {tariff}
battery: {{capacity_kwh: 10, charge_kw: 5, discharge_kw: 5, floor_pct: 10}}
inverter: {{ac_limit_kw: 6}}
pv: {{coupling: {coupling}}}
controls: {{windows_per_day: 2, day_types: every_day, season_sets: 1, minutes: 60}}
"""

TARIFF = """\
tariff: {name}
currency: {currency}
invented: true
versions:
  - from: 2020-01-01
    source: invented for a test
    charges:
      - kind: energy
        name: Energy
        rates:
          - {{name: night, per_kwh: 0.10, hours: ["00:00-06:00"]}}
          - {{name: day, per_kwh: {day}, otherwise: true}}
      - {{kind: demand, name: Demand, per_kw: {demand}, interval_minutes: 60}}
      - {{kind: export_credit, name: Export, per_kwh: 0.05}}
"""


def write_sites(folder: Path, names: Sequence[str] = ("elm", "oak"), days: int = 63) -> None:
    """Write invented sites and two tariffs, ``calm.yaml`` and ``steep.yaml``."""
    (folder / "calm.yaml").write_text(
        TARIFF.format(name="Calm", currency="EUR", day=0.3, demand=0.5)
    )
    (folder / "steep.yaml").write_text(
        TARIFF.format(name="Steep", currency="EUR", day=0.5, demand=6.0)
    )
    for number, name in enumerate(names):
        own = folder / name
        own.mkdir(parents=True, exist_ok=True)
        coupling = ("ac", "dc")[number % 2]
        text = SCENARIO.format(name=name, tariff="../calm.yaml", coupling=coupling)
        (own / "scenario.yaml").write_text(text)
        grid = grid_of(24 * days, start="2025-01-06")
        load, pv = weather(grid, number)
        lines = ["time,load_kwh,pv_kwh"]
        lines += [
            f"{time.isoformat()},{a:.4f},{b:.4f}"
            for time, a, b in zip(grid.local, load, pv, strict=True)
        ]
        (own / "forecast.csv").write_text("\n".join(lines) + "\n")


def study_of(folder: Path, text: str, name: str = "study.yaml") -> Path:
    """Write a study file."""
    path = folder / name
    path.write_text(text)
    return path


SMALL = """\
study: Small
invented: true
sites: [elm, oak]
vary:
  battery_kwh: [4, 10, 16]
  tariff: [its own, steep.yaml]
"""

MONEY = """\
study: Money
sites: [elm]
vary: {battery_kwh: [4, 10]}
money:
  discount_pct: 5
  years: 8
  battery: {fixed: 200, per_kwh: 60}
  replacement: {after_years: 5}
ageing: {calendar_pct_per_year: 2, pct_per_1000_cycles: 5, replan_every_years: 3}
best_size: {from_kwh: 1, to_kwh: 30, count: 30}
ranges: {discount_pct: [3, 8], load_times: [0.9, 1.1], battery_price_pct: [-20, 20]}
draws: {members: 200, weather_years: 2, load_levels: 3}
"""
