"""What roofs yield: sun, tilted planes, warm cells, losses and an inverter, computed with pvlib.

The chain is that of NREL/TP-6A20-62641 (A. Dobos, 2014): position of the sun in the middle of each
step, the plane's irradiance with an isotropic sky and an albedo of 0.2, the cell temperature of
SAND2004-3535 (D. King et al., 2004), DC power by irradiance and temperature, all losses in one share,
and the inverter's curve. pvlib is loaded only when a forecast asks for it.
Read next: ``additions``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base.errors import ScenarioError, SeriesError
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.forecasting.additions import place_in_plain_year
from optimizer.forecasting.recipe import Place, PvRecipe

if TYPE_CHECKING:
    import pandas as pd

ALBEDO = 0.2
INVERTER_EFFICIENCY = 0.96
DC_PER_AC = 1.1
"""Modules ÷ inverter where no limit is given (NREL/TP-6A20-62641, table 2)."""

WARMTH = {"little": (-2.98, -0.0471, 1.0), "free": (-3.56, -0.0750, 3.0)}
"""How warm cells grow, by the air behind the modules: a, b [s/m] and the cell's excess over its back at
1,000 W/m² [K] (SAND2004-3535, table 1: close to a roof between glass, and on a rack before a film)."""

RATED_W_M2, RATED_C = 1000.0, 25.0
"""Irradiance and cell temperature at which modules are rated (IEC 60904-3)."""

REFERENCE_EFFICIENCY = 0.9637
"""Of the inverter whose curve is printed (NREL/TP-6A20-62641)."""

TYPICAL_CLEARNESS = 0.5
"""Mean share of the sun above the air that reaches the ground (common practice, no published source)."""

LEAST_CLEARNESS = 0.05
"""Of the darkest day: Bendt, Collares-Pereira and Rabl, Solar Energy 27 (1981) 1–5."""

TYPICAL_C, TYPICAL_WIND = 18.0, 1.5
"""Air and wind at the modules where no weather file tells them (common practice)."""

JITTER_DAYS = 10
"""How far from its own day a day of a weather file may be used in another plausible year."""

PLAIN_YEAR = 2023
"""A year of 365 days."""


def pvlib_module() -> Any:
    """Return pvlib.

    Raises
    ------
    ScenarioError
        If it is not installed.
    """
    try:
        import pvlib
    except ImportError:
        raise ScenarioError(
            "PV from roof facts needs the library pvlib, which is not installed",
            where="the scenario's forecast (pv)",
            mend="Install it with: pip install 'tariffwright[pv]'.",
        ) from None
    return pvlib


@dataclass(frozen=True)
class TypicalYear:
    """The weather of a plain year, hour by hour from 1 January in standard time, shapes (8760,).

    Irradiances in W/m², temperature in °C, wind in m/s; ``offset_h`` is the standard time's distance
    from UTC. [h]
    """

    ghi: FloatArray
    dni: FloatArray
    dhi: FloatArray
    air_c: FloatArray
    wind: FloatArray
    offset_h: float
    place: Place

    @property
    def day_mean_c(self) -> FloatArray:
        """Mean temperature of each day, shape (365,). [°C]"""
        return np.asarray(self.air_c.reshape(365, 24).mean(axis=1))


def read_typical_year(path: Path) -> TypicalYear:
    """Read a weather file whose hours are stamped at their end: EPW, TMY3 (.csv) or TM2.

    Raises
    ------
    SeriesError
        If it is missing, of another kind, or not a year of hours.
    """
    pvlib = pvlib_module()
    readers = {
        ".epw": pvlib.iotools.read_epw,
        ".csv": lambda name: pvlib.iotools.read_tmy3(
            name, coerce_year=PLAIN_YEAR, map_variables=True
        ),
        ".tm2": pvlib.iotools.read_tmy2,
    }
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise SeriesError(
            f"a weather file ends in {', '.join(readers)}, not in {path.suffix or 'nothing'!r}",
            where=path,
            mend="Give the file as it was handed out.",
        )
    try:
        table, head = reader(str(path))
    except FileNotFoundError:
        raise SeriesError("there is no such file", where=path, mend="Check the path.") from None
    except Exception as failure:  # each reader of pvlib fails in its own ways on a broken file
        raise SeriesError(
            f"this is no weather file that can be read: {(str(failure).splitlines() or ['cut off'])[0]}",
            where=path,
            mend="Give an EPW, TMY3 or TM2 file, unchanged.",
        ) from None
    import pandas as pd

    table = table.rename(columns=str.lower)
    for name, tenths in (("temp_air", "drybulb"), ("wind_speed", "wspd")):
        if tenths in table:  # a TM2 file counts both in tenths
            table[name] = table[tenths] / 10
    needed = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
    missing = [name for name in needed if name not in table]
    if missing or len(table) < 8760:
        what = f"columns {missing} are missing" if missing else f"it has {len(table)} hours"
        raise SeriesError(f"{what}; a year of 8,760 hours is needed", where=path,
                          mend="Give an EPW, TMY3 or TM2 file, unchanged.")  # fmt: skip
    columns = [  # what is no number is an hour without a value
        pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=np.float64)[:8760]
        for name in needed
    ]
    head = {key.lower(): value for key, value in head.items()}
    try:
        place = Place(
            latitude_deg=float(head["latitude"]), longitude_deg=float(head["longitude"]),
            altitude_m=float(head.get("altitude", 0.0)),
        )  # fmt: skip
        offset_h = float(head["tz"])
    except (ValueError, KeyError, TypeError):
        raise SeriesError(
            "its head tells no place on the globe",
            where=path,
            mend="Give an EPW, TMY3 or TM2 file, unchanged.",
        ) from None
    if not all(np.isfinite(column).all() for column in columns):
        raise SeriesError("it has hours without values", where=path,
                          mend="Give a file that covers the whole year.")  # fmt: skip
    ghi, dni, dhi, air_c, wind = columns
    return TypicalYear(ghi, dni, dhi, air_c, wind, offset_h, place)


def sun_positions(place: Place, instants: pd.DatetimeIndex, **air: float) -> pd.DataFrame:
    """Return apparent zenith and azimuth of the sun at T instants. [°]

    ``air`` may hold ``pressure`` [Pa], ``temperature`` [°C], ``delta_t`` [s] and ``atmos_refract`` [°].

    References
    ----------
    Reda and Andreas, NREL/TP-560-34302 (2003, rev. 2008), as implemented in pvlib.
    """
    position: pd.DataFrame = pvlib_module().solarposition.spa_python(
        instants, place.latitude_deg, place.longitude_deg, altitude=place.altitude_m, **air
    )
    return position[["apparent_zenith", "zenith", "azimuth"]]


def roof_dc_kw(
    recipe: PvRecipe, sun: pd.DataFrame, sky: pd.DataFrame
) -> tuple[FloatArray, FloatArray]:
    """Return DC power of all roofs after losses [kW], and the first roof's irradiance [W/m²], (T,).

    ``sun`` holds positions, ``sky`` the columns ghi, dni, dhi, air_c and wind.
    """
    pvlib = pvlib_module()
    power, first = np.zeros(len(sun)), np.zeros(len(sun))
    for number, roof in enumerate(recipe.roofs):
        plane = pvlib.irradiance.get_total_irradiance(
            roof.tilt_deg, roof.azimuth_deg, sun["apparent_zenith"], sun["azimuth"],
            sky["dni"], sky["ghi"], sky["dhi"], albedo=ALBEDO, model="isotropic",
        )["poa_global"].fillna(0.0)  # fmt: skip
        warmer_k = _cell_c(plane, sky, recipe.air_behind) - RATED_C
        dc = roof.peak_kw * plane / RATED_W_M2 * (1 + recipe.temperature_pct_per_k / 100 * warmer_k)
        power += np.clip(np.asarray(dc), 0.0, None)
        first = np.asarray(plane) if number == 0 else first
    return power * (1 - recipe.losses_pct / 100), first


def _cell_c(plane: pd.Series, sky: pd.DataFrame, air_behind: str) -> pd.Series:
    """Return the temperature of the cells (SAND2004-3535), shape (T,). [°C]"""
    a, b, excess_k = WARMTH[air_behind]
    warmer: pd.Series = plane * (np.exp(a + b * sky["wind"]) + excess_k / RATED_W_M2)
    return sky["air_c"] + warmer


def inverter_ac_kw(dc_kw: FloatArray, limit_kw: float) -> FloatArray:
    """Return AC power of an inverter of a limit, shape (T,). [kW]

    References
    ----------
    NREL/TP-6A20-62641 (2014), the inverter's curve.
    """
    share = np.asarray(dc_kw, dtype=np.float64) * INVERTER_EFFICIENCY / limit_kw
    # Efficiency times share, so that nothing is divided by a share of zero.
    curve = -0.0162 * share**2 + 0.9858 * share - 0.0059
    ac = limit_kw / REFERENCE_EFFICIENCY * np.where(share > 0, curve, 0.0)
    return np.asarray(np.clip(ac, 0.0, limit_kw))


@dataclass(frozen=True)
class _ClearSky:
    """The sun over T steps: positions, day of the year, irradiance on level ground and above air [W/m²]."""

    sun: pd.DataFrame
    of_year: IntArray
    ghi: FloatArray
    above: FloatArray


class RoofModel:
    """Makes plausible years of PV for one site.

    Parameters
    ----------
    recipe : PvRecipe
        Roofs and sun; ``quote_factor`` tells afterwards by what a quote multiplied each month.
    place : Place
        Where they are.
    ac_limit_kw : float, optional
        Limit of the PV's own inverter; None for DC energy, as in a hybrid plant.
    typical : TypicalYear, optional
        The weather file, read.
    """

    def __init__(
        self, recipe: PvRecipe, place: Place, ac_limit_kw: float | None,
        typical: TypicalYear | None,
    ) -> None:  # fmt: skip
        self.recipe = recipe
        self.place = place
        self.ac_limit_kw = ac_limit_kw
        self.typical = typical
        self.quote_factor: FloatArray = np.ones(12)

    @classmethod
    def own_limit_kw(cls, recipe: PvRecipe, stated_kw: float | None) -> float:
        """Return the limit of the PV's own inverter; where none is stated, by the usual ratio. [kW]"""
        return stated_kw or sum(roof.peak_kw for roof in recipe.roofs) / DC_PER_AC

    def years_kwh(self, grid: TimeGrid, count: int, seed: int) -> list[FloatArray]:
        """Return ``count`` plausible series of PV on T steps, each of shape (T,). [kWh per step]"""
        luck = np.random.default_rng(seed)
        powers = self._of_typical_days(grid, count, luck) if self.typical else None
        powers = powers or self._of_drawn_days(grid, count, luck)
        if self.recipe.kwh_per_month is not None:
            self.quote_factor = _quote_factor(powers, self.recipe.kwh_per_month, grid)
            powers = [power * self.quote_factor[grid.month - 1] for power in powers]
        return [power * grid.step_h for power in powers]

    def out_kw(self, dc_kw: FloatArray) -> FloatArray:
        """Return what comes out of the PV's own inverter; DC power where it has none. [kW]"""
        return dc_kw if self.ac_limit_kw is None else inverter_ac_kw(dc_kw, self.ac_limit_kw)

    def _of_typical_days(
        self, grid: TimeGrid, count: int, luck: np.random.Generator
    ) -> list[FloatArray]:
        """Return years of the weather file's days: as they are, then each from a near day."""
        import pandas as pd

        typical = self.typical
        assert typical is not None
        per_day = MINUTES_PER_DAY // grid.step_minutes
        zone = timezone(timedelta(hours=typical.offset_h))
        begin = datetime(PLAIN_YEAR, 1, 1, tzinfo=zone).astimezone(UTC)
        middle = pd.date_range(
            begin + timedelta(minutes=grid.step_minutes / 2), periods=365 * per_day,
            freq=f"{grid.step_minutes}min",
        )  # fmt: skip
        hour = np.arange(365 * per_day) * grid.step_minutes // 60
        sky = pd.DataFrame(
            {name: getattr(typical, name)[hour] for name in ("ghi", "dni", "dhi", "air_c", "wind")},
            index=middle,
        )
        dc, _ = roof_dc_kw(self.recipe, sun_positions(self.place, middle), sky)
        by_day = self.out_kw(dc).reshape(365, per_day)
        standard = (grid.utc + pd.Timedelta(hours=typical.offset_h)).tz_localize(None)
        days, number = np.unique(
            standard.normalize().to_numpy("datetime64[D]"), return_inverse=True
        )
        place: IntArray = place_in_plain_year([day.astype(object) for day in days])
        slot = np.asarray((standard.hour * 60 + standard.minute) // grid.step_minutes)
        found = [by_day[place[number], slot]]
        for _ in range(count - 1):
            drawn = (place + luck.integers(-JITTER_DAYS, JITTER_DAYS + 1, len(place))) % 365
            found.append(by_day[drawn[number], slot])
        return found

    def _of_drawn_days(
        self, grid: TimeGrid, count: int, luck: np.random.Generator
    ) -> list[FloatArray]:
        """Return years of clear days dimmed by a clearness that is drawn for each day."""
        clear = self._clear_sky(grid)
        day_clear, day_above = (
            np.bincount(grid.day, weights=each) for each in (clear.ghi, clear.above)
        )
        mean = self.recipe.clearness or TYPICAL_CLEARNESS
        found = []
        for _ in range(count):
            clearness = drawn_clearness(mean, luck.random(len(grid.dates)))
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(day_clear > 0, clearness * day_above / day_clear, 0.0)
            found.append(self.out_kw(self._dc_under(clear, clear.ghi * share[grid.day])))
        return found

    def cleared(self, grid: TimeGrid) -> tuple[FloatArray, float]:
        """Return DC power under clear skies, shape (T,) [kW], and the share of it that is typical. [1]"""
        clear = self._clear_sky(grid)
        mean = self.recipe.clearness or TYPICAL_CLEARNESS
        lit = float(clear.ghi.sum())
        typical = min(mean * float(clear.above.sum()) / lit, 1.0) if lit > 0 else 0.0
        return self._dc_under(clear, clear.ghi), typical

    def _clear_sky(self, grid: TimeGrid) -> _ClearSky:
        import pandas as pd

        pvlib = pvlib_module()
        middle = grid.utc + pd.Timedelta(minutes=grid.step_minutes / 2)
        sun = sun_positions(self.place, middle)
        clear = pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"].to_numpy()
        of_year = np.asarray(middle.day_of_year)
        above = np.asarray(pvlib.irradiance.get_extra_radiation(of_year))
        above = above * np.clip(np.cos(np.radians(sun["zenith"].to_numpy())), 0.0, None)
        return _ClearSky(sun, of_year, clear, above)

    def _dc_under(self, clear: _ClearSky, ghi: FloatArray) -> FloatArray:
        """Return DC power of all roofs under a horizontal irradiance, shape (T,). [kW]"""
        import pandas as pd

        # Night and the edge of the day divide by next to nothing.
        with np.errstate(divide="ignore", invalid="ignore"):
            parts = pvlib_module().irradiance.erbs(
                ghi, clear.sun["zenith"].to_numpy(), clear.of_year
            )
        sky = pd.DataFrame(
            {"ghi": ghi, "dni": np.asarray(parts["dni"]), "dhi": np.asarray(parts["dhi"]),
             "air_c": TYPICAL_C, "wind": TYPICAL_WIND},
            index=clear.sun.index,
        )  # fmt: skip
        return roof_dc_kw(self.recipe, clear.sun, sky.fillna(0.0))[0]


def drawn_clearness(mean: float, luck: FloatArray) -> FloatArray:
    """Return daily clearness by the distribution that belongs to its mean, shape (D,).

    Parameters
    ----------
    mean : float
        Mean share of the sun above the air that reaches the ground, 0.1 to 0.75.
    luck : array
        Shape (D,), uniform in 0 to 1.

    References
    ----------
    Bendt, Collares-Pereira and Rabl, Solar Energy 27 (1981) 1–5, with the explicit parameter of
    Herzog and the largest clearness of Hollands and Huget, Solar Energy 30 (1983) 195; both as
    quoted in Duffie and Beckman, Solar Engineering of Thermal Processes, section 2.9 (from memory).
    """
    low = LEAST_CLEARNESS
    high = 0.6313 + 0.267 * mean - 11.9 * (mean - 0.75) ** 8
    ratio = (high - low) / (high - mean)
    steep = -1.498 + (1.184 * ratio - 27.182 * np.exp(-1.5 * ratio)) / (high - low)
    if abs(steep) < 1e-9:
        return low + (high - low) * luck
    edge_low, edge_high = np.exp(steep * low), np.exp(steep * high)
    return np.asarray(np.log(edge_low + luck * (edge_high - edge_low)) / steep)


def _quote_factor(
    powers: list[FloatArray], kwh_per_month: list[float], grid: TimeGrid
) -> FloatArray:
    """Return by what each month is multiplied to yield, in the mean of the years, what a quote says.

    Shape (12,); months that the grid holds in part are to yield their part. A month without sun is
    left as it is.
    """
    month, days = grid.month - 1, np.bincount(grid.month - 1, weights=grid.day_share, minlength=12)
    mean = np.mean(powers, axis=0) * grid.step_h
    made = np.bincount(month, weights=mean, minlength=12)
    length = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    wanted = np.array(kwh_per_month) * days / length
    factor = np.ones(12)
    np.divide(wanted, made, out=factor, where=made > 0)
    return factor
