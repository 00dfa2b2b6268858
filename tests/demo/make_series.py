"""Makes the invented series of the shipped scenarios; run it to make them anew.

    python tests/demo/make_series.py

The PV shape is computed with pvlib from the typical-weather file that pvlib ships (Greensboro,
hour-ending stamps); the houses, roofs and habits are invented with a fixed seed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ZONE = "America/New_York"
YEAR = 2026
LATITUDE, LONGITUDE, STANDARD = 36.1, -79.95, "Etc/GMT+5"


def pv_kw(peak_kw: float, tilt: float, azimuth: float, minutes: int) -> pd.Series:
    """Return DC power of an invented roof on the wall clock of the zone, each step's mean. [kW]"""
    file = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    weather, _ = pvlib.iotools.read_tmy3(file, coerce_year=YEAR, map_variables=True)
    begin = pd.date_range(f"{YEAR}-01-01", periods=8760, freq="h", tz=STANDARD)
    weather.index = begin
    sun = pvlib.solarposition.get_solarposition(
        begin + pd.Timedelta(minutes=30), LATITUDE, LONGITUDE
    ).set_index(begin)
    plane = pvlib.irradiance.get_total_irradiance(
        tilt, azimuth, sun["apparent_zenith"], sun["azimuth"], weather["dni"], weather["ghi"],
        weather["dhi"],
    )["poa_global"].fillna(0)  # fmt: skip
    cell = pvlib.temperature.faiman(plane, weather["temp_air"], weather["wind_speed"])
    power = pvlib.pvsystem.pvwatts_dc(plane, cell, peak_kw, -0.004) * 0.86
    fine = power.resample(f"{minutes}min").interpolate() if minutes < 60 else power
    steps = pd.date_range(f"{YEAR}-01-01", f"{YEAR + 1}-01-01", freq=f"{minutes}min", tz=ZONE,
                          inclusive="left")  # fmt: skip
    return fine.reindex(steps.tz_convert(STANDARD), method="ffill").set_axis(steps).clip(lower=0)


def load_kw(index: pd.DatetimeIndex, habits: dict[str, float], seed: int) -> pd.Series:
    """Return an invented household's load: base, habits by the clock, weather, appliances. [kW]"""
    rng = np.random.default_rng(seed)
    hour = np.asarray(index.hour + index.minute / 60)
    weekend = np.asarray(index.weekday >= 5)
    season = np.cos((np.asarray(index.dayofyear) - 20) / 365 * 2 * np.pi)  # +1 winter, −1 summer

    def bump(centre: float, width: float) -> np.ndarray:
        return np.exp(-(((hour - centre + 12) % 24 - 12) ** 2) / (2 * width**2))

    level = habits["base"] + habits["morning"] * bump(7.2, 1.1) * np.where(weekend, 0.6, 1.0)
    level += habits["evening"] * bump(19.0, 1.9) + habits["day"] * weekend * bump(13, 3)
    level += habits["heating"] * np.clip(season, 0, 1) * (0.5 + 0.5 * bump(6.5, 2.5))
    level += habits["cooling"] * np.clip(-season, 0, 1) * bump(17, 3)
    days = np.asarray(index.dayofyear)
    level *= rng.lognormal(0, 0.18, 367)[days] * rng.lognormal(0, 0.25, len(index))
    steps_h = (index[1] - index[0]) / pd.Timedelta(hours=1)
    for use_kw, per_day, centre, width, hours in APPLIANCES:
        for day in range(366):
            for _ in range(rng.poisson(per_day)):
                start = day * 24 + rng.normal(centre, width)
                run = np.arange(int(start / steps_h), int((start + hours) / steps_h) + 1)
                run = run[(run >= 0) & (run < len(index))]
                level[run] += (
                    use_kw * min(1.0, hours / (len(run) * steps_h or 1)) * habits["lively"]
                )
    return pd.Series(level, index)


APPLIANCES = [  # kW, times a day, around o'clock, spread, hours each; invented
    (2.0, 0.5, 18.5, 2.0, 1.0),
    (2.2, 0.7, 12.5, 4.0, 1.5),
    (1.6, 0.5, 20.5, 1.5, 1.2),
]


def write(folder: str, minutes: int, roof: tuple[float, float, float], habits: dict[str, float],
          seed: int) -> None:  # fmt: skip
    """Write the forecast of one scenario."""
    pv = pv_kw(*roof, minutes)
    load = load_kw(pv.index, habits, seed)
    stamps = [stamp.isoformat(timespec="minutes") for stamp in pv.index]
    rows = zip(stamps, load, pv, strict=True)
    lines = [
        "# Invented series for an invented house; PV shape from pvlib's bundled typical weather.",
        "# Made by tests/demo/make_series.py; time is the beginning of each step.",
        "time,load_kw,pv_kw",
        *(f"{stamp},{used:.2f},{sun:.2f}" for stamp, used, sun in rows),
    ]
    (SCENARIOS / folder / "forecast.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_net_meter(folder: str, minutes: int, roof: tuple[float, float, float],
                    habits: dict[str, float], seed: int) -> None:  # fmt: skip
    """Write what a meter at the grid counted in a year, and the PV behind it; no battery yet."""
    pv = pv_kw(*roof, minutes) * minutes / 60
    load = load_kw(pv.index, habits, seed) * minutes / 60
    net = load - pv
    stamps = [stamp.isoformat(timespec="minutes") for stamp in pv.index]
    rows = zip(stamps, net.clip(lower=0), (-net).clip(lower=0), pv, strict=True)
    lines = [
        "# Invented readings of an invented house; PV shape from pvlib's bundled typical weather.",
        "# Made by tests/demo/make_series.py; time is the beginning of each step.",
        "time,import_kwh,export_kwh,pv_kwh",
        *(f"{stamp},{bought:.2f},{sold:.2f},{sun:.2f}" for stamp, bought, sold, sun in rows),
    ]
    path = SCENARIOS / folder / f"meter_{YEAR}.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write("1_two_rates", 60, (5.2, 30, 190),
          {"base": 0.25, "morning": 0.6, "evening": 1.0, "day": 0.3, "heating": 0.5,
           "cooling": 0.5, "lively": 1.0}, seed=1)  # fmt: skip
    write("2_peak_demand", 30, (6.5, 25, 170),
          {"base": 0.35, "morning": 0.5, "evening": 1.1, "day": 0.4, "heating": 0.4,
           "cooling": 1.4, "lively": 1.4}, seed=2)  # fmt: skip
    write("3_evening_export", 60, (9.6, 20, 200),
          {"base": 0.3, "morning": 0.5, "evening": 0.9, "day": 0.2, "heating": 0.3,
           "cooling": 0.8, "lively": 0.9}, seed=3)  # fmt: skip
    write_net_meter("4_next_year", 60, (6.0, 35, 180),
                    {"base": 0.3, "morning": 0.5, "evening": 1.2, "day": 0.3, "heating": 0.7,
                     "cooling": 0.3, "lively": 1.1}, seed=4)  # fmt: skip
    write("5_grid_fails", 60, (7.0, 30, 180),
          {"base": 0.3, "morning": 0.5, "evening": 1.0, "day": 0.3, "heating": 0.6,
           "cooling": 0.9, "lively": 1.0}, seed=5)  # fmt: skip
