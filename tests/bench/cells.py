"""The cells on which the search for windows is measured: real sites times invented tariffs.

    PYTHONPATH=. python tests/bench/cells.py DATA

DATA holds ``sites/*.csv.gz`` and ``prices/*.csv``. Every site is trained on alternate weeks and
tested on the others. Batteries and limits are invented. Used by ``unseen.py``.
"""

from __future__ import annotations

import gzip
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from optimizer.scenario.brief import Brief, read_brief

ANY_TIME = """\
tariff: Any-time demand
currency: USD
invented: true
versions:
  - from: 2010-01-01
    source: invented for this measurement
    charges:
      - {{kind: fixed, name: Basic charge, amount: 20.00, per: month}}
      - {{kind: energy, name: Energy, per_kwh: 0.115}}
      - {{kind: demand, name: Demand, per_kw: 14.00, interval_minutes: {minutes}}}
      - {{kind: export_credit, name: Export credit, per_kwh: 0.04}}
"""

DYNAMIC = """\
tariff: Day-ahead prices
currency: EUR
invented: true
versions:
  - from: 2010-01-01
    source: day-ahead prices of 2017 laid on the calendar of the site, fees invented
    charges:
      - {kind: fixed, name: Basic charge, amount: 8.00, per: month}
      - kind: energy
        name: Energy
        series: {file: prices.csv, column: price_per_mwh, times: 1.19, plus_per_kwh: 0.16}
      - {kind: export_credit, name: Export credit, per_kwh: 0.07}
"""


@dataclass(frozen=True)
class Site:
    """A metered site with invented equipment."""

    file: str
    zone: str
    minutes: int
    battery_kwh: float
    battery_kw: float
    inverter_kw: float
    coupling: str
    import_kw: float
    export_kw: float
    power_step_kw: float = 0.1
    folder: str = "sites"

    def on(self, file: str) -> Site:
        """Return the same equipment behind another meter."""
        return replace(self, file=file)


SITES = {
    "heat pump and car": Site(
        "home_heatpump_ev_2016_60min", "Europe/Berlin", 60, 10, 5, 8, "ac", 20, 8.5
    ),
    "small PV": Site("home_small_pv_2011_30min", "Australia/Sydney", 30, 10, 5, 5, "ac", 15, 5),
    "composite a": Site(
        "home_composite_a_2013_30min", "Australia/Sydney", 30, 13, 4.5, 6, "dc", 15, 5
    ),
    "composite b": Site(
        "home_composite_b_2013_30min", "Australia/Sydney", 30, 10, 4, 5, "dc", 15, 5
    ),
    "office": Site("office_2019_15min", "America/Los_Angeles", 15, 200, 80, 80, "ac", 150, 80, 1),
}
TARIFFS = ("two_rates", "evening_export", "peak_demand", "any_time_demand")
DYNAMIC_SITES = ("heat pump and car", "small PV")
DEMAND_TARIFFS = ("peak_demand", "any_time_demand")


@dataclass(frozen=True)
class Cell:
    """One site on one tariff."""

    site: str
    tariff: str
    brief: Brief

    @property
    def name(self) -> str:
        """Site and tariff."""
        return f"{self.site}, {self.tariff}"


def names() -> list[tuple[str, str]]:
    """Return all cells by name."""
    cells = [(site, tariff) for site in SITES for tariff in TARIFFS]
    return cells + [(site, "dynamic") for site in DYNAMIC_SITES]


def cells(data: Path, wanted: str = "") -> Iterator[Cell]:
    """Yield the cells whose names hold a text."""
    for site, tariff in names():
        if wanted in f"{site}, {tariff}":
            with tempfile.TemporaryDirectory() as folder:
                yield Cell(site, tariff, brief_of(data, SITES[site], tariff, Path(folder)))


def brief_of(data: Path, site: Site, tariff: str, folder: Path) -> Brief:
    """Write the scenario of a cell into a folder and read it."""
    meter = data / site.folder / f"{site.file}.csv.gz"
    named = tariff
    if tariff == "any_time_demand":
        named = "tariff.yaml"
        (folder / named).write_text(ANY_TIME.format(minutes=site.minutes))
    if tariff == "dynamic":
        named = "tariff.yaml"
        (folder / named).write_text(DYNAMIC)
        _lay_prices(data, meter, site.zone, folder / "prices.csv")
    (folder / "scenario.yaml").write_text(f"""\
scenario: {site.file}
zone: {site.zone}
forecast: {meter}
tariff: {named}
battery: {{capacity_kwh: {site.battery_kwh}, charge_kw: {site.battery_kw},
  discharge_kw: {site.battery_kw}, floor_pct: 10}}
inverter: {{ac_limit_kw: {site.inverter_kw}, efficiency_pct: 97}}
pv: {{coupling: {site.coupling}}}
connection: {{import_limit_kw: {site.import_kw}, export_limit_kw: {site.export_kw}}}
controls: {{windows_per_day: 4, day_types: weekday_weekend, season_sets: 2,
  minutes: {max(30, site.minutes)}, import_cap: true, power_step_kw: {site.power_step_kw}}}
""")
    return read_brief(folder)


def _lay_prices(data: Path, meter: Path, zone: str, out: Path) -> None:
    """Lay the hourly prices of one year on the days of a site, weekdays on weekdays."""
    prices = pd.read_csv(next((data / "prices").glob("*.csv")))
    by_hour = prices["price_eur_per_mwh"].to_numpy()
    with gzip.open(meter, "rt") as lines:
        stamps = pd.to_datetime(pd.read_csv(lines)["timestamp"], utc=True)
    local = stamps.dt.tz_convert(zone)
    whole = pd.date_range(stamps.iloc[0], stamps.iloc[-1], freq=stamps.iloc[1] - stamps.iloc[0])
    local = whole.tz_convert(zone)
    days = (local.tz_localize(None).normalize() - pd.Timestamp("2017-01-01")).days
    table = pd.DataFrame({
        "time": [stamp.isoformat() for stamp in local],
        "price_per_mwh": by_hour[(days % 364) * 24 + local.hour],
    })  # fmt: skip
    table.to_csv(out, index=False)


if __name__ == "__main__":
    for cell in cells(Path(sys.argv[1]), *sys.argv[2:]):
        print(cell.name, cell.brief.scenario.forecast.grid.count)
