"""Says in money what each window is for: what it saves, and the prices behind it.

What a window saves is found by leaving it out and replaying the rest. The prices are those of the
tariff and the plan's worth of a stored kWh, at the steps at which the window acts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from optimizer.settings.replay import Replay, replay
from optimizer.settings.windows import Settings, Window, WindowPlace, no_windows
from optimizer.site.equipment import Plant
from optimizer.timegrid import BoolArray, FloatArray, TimeGrid
from optimizer.units import money, price

TOLD_SHARE = 0.05
"""Charges that a window moves less than this share of the most moved one are not told."""

NOT_HELD = "stays as it is typed in: the forecast holds no such day"


@dataclass(frozen=True)
class Prices:
    """Money per kWh at each of T steps: of import, of export, and of a kWh stored (by the plan)."""

    buy: FloatArray
    sell: FloatArray
    stored: FloatArray


@dataclass(frozen=True)
class Reason:
    """One window: its sentence, what it saves over the forecast, and why."""

    place: WindowPlace
    sentence: str
    saves: float
    why: str


@dataclass(frozen=True)
class Course:
    """What settings are run through: plant, grid, load and PV of T steps, and the start.

    ``floors_kwh`` are levels, by month, below which the battery is not drawn, where they are higher
    than the plant's.
    """

    plant: Plant
    grid: TimeGrid
    load_kwh: FloatArray
    pv_kwh: FloatArray
    start_kwh: float
    floors_kwh: Mapping[int, float] = field(default_factory=dict)

    def plain(self) -> Settings:
        """Return the equipment as it comes, with its floors and no windows."""
        floors = {month: self.plant.soc_pct(kwh) for month, kwh in self.floors_kwh.items()}
        return no_windows(self.plant.soc_pct(self.plant.low_kwh), floors)

    def run(self, settings: Settings) -> Replay:
        """Return the replay of settings on this course."""
        return replay(self.plant, self.grid, self.load_kwh, self.pv_kwh, settings, self.start_kwh)


def reasons_for(
    settings: Settings,
    course: Course,
    costs_of: Callable[[Replay], dict[str, float]],
    prices: Prices,
    currency: str,
    whole_kw: float | None = None,
) -> list[Reason]:
    """Return the reason of each window, in reading order.

    ``costs_of`` tells what a replay costs, by charge of the tariff and what comes beside it.
    ``whole_kw`` is the power that is 100 %, where the equipment takes per cent. [kW]
    """
    whole = course.run(settings)
    costs = costs_of(whole)
    reasons = []
    for place in settings.places():
        without = costs_of(course.run(settings.without(place)))
        change = {name: without.get(name, 0.0) - costs.get(name, 0.0) for name in without | costs}
        saves = sum(change.values())
        inside = _steps_of(settings, place, course.grid)
        if not inside.any():
            sentence = settings.sentence(place, whole_kw)
            reasons.append(Reason(place, sentence, saves, NOT_HELD))
            continue
        season = np.isin(course.grid.month, settings.seasons[place.season].months)
        why = _why(settings.window(place), whole, prices, inside, season)
        text = f"saves {money(saves, currency)}{_by_charge(change)}: {why}"
        reasons.append(Reason(place, settings.sentence(place, whole_kw), saves, text))
    return reasons


def _by_charge(change: dict[str, float]) -> str:
    """Return on which charges a window saves, the most moving first; empty if on one alone."""
    moved = sorted(change.items(), key=lambda pair: -abs(pair[1]))
    told = [(name, saved) for name, saved in moved if abs(saved) >= TOLD_SHARE * abs(moved[0][1])]
    if len(told) < 2:
        return ""
    return f" ({', '.join(f'{name} {money(saved)}' for name, saved in told[:3])})"


def _steps_of(settings: Settings, place: WindowPlace, grid: TimeGrid) -> BoolArray:
    season = settings.seasons[place.season]
    weekdays = season.day_sets[place.day_set].weekdays
    minutes = settings.window(place).minutes()
    days = np.isin(grid.month, season.months) & np.isin(grid.weekday, weekdays)
    return np.asarray(days & minutes[grid.minute_of_day])


def _why(
    window: Window, whole: Replay, prices: Prices, inside: BoolArray, season: BoolArray
) -> str:
    """Return the price reason of a window's action, and what its cap does.

    What stored energy is worth is the plan's shadow price at the steps of the season at which the
    replay uses it, outside the window itself.
    """
    flows = whole.flows
    later = price(_mean(prices.stored, flows.discharge_kwh * ~inside, season))
    bought = np.maximum(flows.charge_kwh - flows.pv_used_kwh, 0)
    words = {
        "charge": f"buys at {price(_mean(prices.buy, bought, inside))} what is worth {later} when used"
        if bought[inside].sum() > 0
        else f"fills from PV first, worth {later} when used",
        "hold": f"imports at {price(_mean(prices.buy, flows.import_kwh, inside))} and keeps what is"
        f" worth {later} when used",
        "cover": f"spares import at {price(_mean(prices.buy, flows.discharge_kwh, inside))}; what it"
        f" keeps is worth {later} when used",
        "sell": f"sells at {price(_mean(prices.sell, flows.export_kwh, inside))} what is worth {later}"
        " at other times",
    }[window.action]
    if window.import_cap_kw is not None:
        highest = flows.import_kwh[inside].max(initial=0.0) / flows.grid.step_h
        words += f"; with the cap, import there reaches {highest:.2f} kW at most"
    return words


def _mean(values: FloatArray, weight: FloatArray, inside: BoolArray) -> float:
    """Return the mean over the steps inside, weighted where the weight is not all zero."""
    if not inside.any():
        return 0.0
    weights = weight[inside] if weight[inside].sum() > 0 else None
    return float(np.average(values[inside], weights=weights))
