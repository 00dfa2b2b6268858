"""Settings that a person types without a program, made from one year's meter and the tariff's hours alone.

Rivals of the windows that are found, in ``unseen.py`` and ``later_years.py``: nothing; filling in the cheapest
block of the day to 100 %; the same, held until the dearest block; all day to 100 % with the import capped at
shares of the mean monthly peak, and at the round number that was best in that year. They are the same for all
days of the year.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.cost.prices import Prices
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows

SHARES = (0.5, 0.6, 0.7, 0.8, 0.9)
"""Of the mean monthly peak."""

LIKE = 1e-3
"""Hours whose price lies so near to the cheapest, or the dearest, belong to its block. [money per kWh]"""

ROUND_KW, LARGE_KW = 0.5, 30.0
"""What a person rounds a cap to; from here on to whole kW."""


def by_hand(
    floor_pct: float,
    load_kwh: FloatArray,
    grid: TimeGrid,
    prices: Prices,
    saved: Callable[[Settings], float],
) -> dict[str, Settings]:
    """Return what a person may type; ``saved`` tells what settings save in the year at hand."""
    peaks = np.array([load_kwh[grid.month == month].max() for month in grid.months]) / grid.step_h
    mean_peak = float(peaks.mean())
    typed = {"nothing": no_windows(round(floor_pct, 9))}
    for share in SHARES:
        typed[f"all day to 100 %, import at most {share:g} of the mean monthly peak"] = all_day(
            floor_pct, rounded(share * mean_peak)
        )
    caps = {rounded(share * mean_peak) for share in np.linspace(0.1, 1.0, 37)}
    best = max(sorted(caps), key=lambda cap: saved(all_day(floor_pct, cap)))
    typed["all day to 100 %, import at most the year's best round number"] = all_day(
        floor_pct, best
    )
    cheap, dear = blocks(prices, grid)
    fill = Window(start=cheap[0], end=cheap[1], action="charge", until_pct=100)
    typed["fill in the cheapest block"] = settings_of(floor_pct, [fill])
    after = "00:00" if cheap[1] == "24:00" else cheap[1]
    if after != dear[0]:
        hold = Window(start=after, end=dear[0], action="hold")
        typed["fill in the cheapest block, hold to the dearest"] = settings_of(
            floor_pct, [fill, hold]
        )
    return typed


def rounded(cap_kw: float) -> float:
    """Return a cap as a person types it."""
    step = 1.0 if cap_kw >= LARGE_KW else ROUND_KW
    return max(round(cap_kw / step) * step, ROUND_KW)


def blocks(prices: Prices, grid: TimeGrid) -> tuple[tuple[str, str], tuple[str, str]]:
    """Return the longest runs of the cheapest and the dearest hours of a usual day, begin and end."""
    slot = grid.minute_of_day // grid.step_minutes
    usual = np.array([np.median(prices.buy[slot == each]) for each in range(slot.max() + 1)])
    return _run(usual <= usual.min() + LIKE, grid), _run(usual >= usual.max() - LIKE, grid)


def _run(inside: np.ndarray, grid: TimeGrid) -> tuple[str, str]:
    """Return begin and end of the longest run of slots, over midnight if need be."""
    count = len(inside)
    lengths = [
        next((n for n in range(count) if not inside[(begin + n) % count]), count)
        for begin in range(count)
    ]
    begin = int(np.argmax(lengths))
    minutes = begin * grid.step_minutes, (begin + lengths[begin]) * grid.step_minutes
    first, last = (minute % MINUTES_PER_DAY for minute in minutes)
    return (
        f"{first // 60:02d}:{first % 60:02d}",
        f"{last // 60:02d}:{last % 60:02d}" if last else "24:00",
    )


def all_day(floor_pct: float, cap_kw: float) -> Settings:
    """Return one line that fills all day under a cap."""
    line = Window(start="00:00", end="24:00", action="charge", until_pct=100, import_cap_kw=cap_kw)
    return settings_of(floor_pct, [line])


def settings_of(floor_pct: float, windows: list[Window]) -> Settings:
    """Return windows that hold on all days of the year."""
    day_sets = [DaySet(days=days, windows=windows) for days in ("weekdays", "weekends")]  # type: ignore[arg-type]
    seasons = [SeasonSet(months=list(range(1, 13)), day_sets=day_sets)]
    return Settings(settings="by hand", floor_pct=round(floor_pct, 9), seasons=seasons)
