"""Says in money what each window is for: what it saves on the forecast, charge by charge.

What a window saves is found by leaving it out and replaying the rest; the parts are what moved between
the two replays, so that they add up to it.

The reason of a window is what it moves: two bills, with and without it, line by line. A season's
mean worth of a stored kWh, which stood there before, is not the worth of what this window moved,
and read as a loss.

Read next: ``effects``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.timegrid import BoolArray, TimeGrid
from optimizer.base.units import money
from optimizer.evaluation.effects import Effect, Priced, effects_of, told
from optimizer.scenario.horizon import Horizon
from optimizer.search.renewing import days_text
from optimizer.settings.menu import Menu
from optimizer.settings.windows import Settings, Window, WindowPlace
from optimizer.simulation.replay import Replay, replay

NOT_IN_FORECAST = "this forecast holds none of its days, so that nothing can be said of it here"


SLACK_SHARE = 0.9
"""A cap of which less than this share is reached binds nowhere."""


@dataclass(frozen=True)
class Reason:
    """One entry: its sentence, what it saves over the forecast, and why.

    ``place`` is that of its first window, where it stands for several days. ``saves`` is None where the
    forecast holds none of its days.
    """

    place: WindowPlace
    sentence: str
    saves: float | None
    why: str


def reasons_for(
    settings: Settings,
    menu: Menu,
    horizon: Horizon,
    priced: Callable[[Replay], Priced],
    currency: str,
    whole_kw: float | None = None,
) -> list[Reason]:
    """Return the reason of each entry of the menu, in reading order.

    ``priced`` tells what a replay costs. ``whole_kw`` is the power that is 100 %, where the equipment
    takes per cent. [kW]
    """
    whole = replay(horizon, settings)
    ours = priced(whole)
    reasons = []
    for places in settings.places_of_entries(menu):
        first = places[0]
        sentence = settings.sentence(first, whole_kw, _days_of(settings, places))
        inside = np.any(
            [steps_of_window(settings, place, horizon.grid) for place in places], axis=0
        )
        if not inside.any():
            reasons.append(Reason(first, sentence, None, NOT_IN_FORECAST))
            continue
        without = settings
        for place in places:  # each in a day set of its own
            without = without.without(place)
        effects = effects_of(ours, priced(replay(horizon, without)))
        saves = sum(effect.saves for effect in effects)
        why = _why(effects, currency) + _under_a_cap(settings.window(first), whole, inside)
        reasons.append(Reason(first, sentence, saves, why))
    return reasons


def _days_of(settings: Settings, places: Sequence[WindowPlace]) -> str | None:
    """Return the days of several windows in words; None for one, whose day set has a name."""
    if len(places) == 1:
        return None
    day_sets = settings.seasons[places[0].season].day_sets
    return days_text([day for place in places for day in day_sets[place.day_set].weekdays])


def _why(effects: Sequence[Effect], currency: str) -> str:
    """Return what a window saves on this forecast, and the parts of which that is the sum."""
    saves, parts = told(effects)
    if not parts:
        return "changes next to nothing on this forecast"
    verb = "saves" if saves >= 0 else "loses"
    return f"{verb} {money(abs(saves), currency)} on this forecast: {'; '.join(parts)}"


def _under_a_cap(window: Window, whole: Replay, inside: BoolArray) -> str:
    if window.import_cap_kw is None:
        return ""
    highest = whole.flows.import_kwh[inside].max(initial=0.0) / whole.flows.grid.step_h
    if highest > window.import_cap_kw + 0.005:
        return f"; the cap cannot always be kept: import there reaches {highest:.2f} kW"
    if highest < SLACK_SHARE * window.import_cap_kw:
        return (
            f"; the cap binds nowhere on this forecast, where import reaches {highest:.2f} kW:"
            " it is for other weather"
        )
    return f"; with the cap, import there reaches {highest:.2f} kW at most"


def steps_of_window(settings: Settings, place: WindowPlace, grid: TimeGrid) -> BoolArray:
    """Return the steps that lie in a window, shape (T,)."""
    in_season = np.isin(grid.month, settings.seasons[place.season].months)
    minute, weekday = settings.clock_of(grid)
    on_weekday = settings.weekdays_of(place, minute)
    return np.asarray(in_season & on_weekday[np.arange(grid.count), weekday])
