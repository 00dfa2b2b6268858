"""Draws the figures of the plan, outages and floors as SVG text; the same inputs give the same bytes.

Colours are those of Okabe and Ito, which people with any colour vision can tell apart
(https://jfly.uni-koeln.de/color/, 2008), darker or brighter where a line needs it on its ground. Read
next: ``drawing``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY, money, number
from optimizer.base.writing import Writing
from optimizer.evaluation.typical_day import TypicalDay
from optimizer.report.drawing import (
    HALF,
    Drawing,
    Legend,
    Look,
    Panel,
    cut,
    hours_ticks,
    padded,
    width_of,
)
from optimizer.report.drawing_scales import Scale, span_of
from optimizer.settings.windows import Window

CHARGE, DISCHARGE = Look("sky", kind="area"), Look("green", kind="area")
LOAD, PV, IMPORT, EXPORT = (
    Look("plain"),
    Look("orange long"),
    Look("vermilion dash"),
    Look("blue dots"),
)
LEVEL = Look("green")

LOOK_OF_ACTION = {
    "charge": Look("sky", kind="band"),
    "hold": Look("grey", kind="band"),
    "cover": Look("yellow", kind="band"),
    "sell": Look("purple", kind="band"),
    "limit": Look("vermilion", kind="band", hatch="|"),
}

SERIES = (
    Look("blue", "o"), Look("orange dash", "s"), Look("green dots", "^"), Look("purple long", "D"),
    Look("vermilion dash", "v"),
)  # fmt: skip
"""Looks of series that are told apart by colour, dashes and marks."""

LEFT, RIGHT = 46, 20
"""Room beside a panel for its axis, and at the other side. [px]"""


@dataclass(frozen=True)
class DayPrices:
    """Mean prices by the clock: of import, export and a stored kWh, and of export out of the battery.

    In money per kWh.
    """

    buy: FloatArray
    sell: FloatArray
    stored: FloatArray
    sell_stored: FloatArray

    @property
    def stored_is_apart(self) -> bool:
        """Whether export out of the battery has a price of its own."""
        return bool((self.sell_stored != self.sell).any())


def hour_labels(writing: Writing) -> list[str]:
    """Return how the 25 full hours of a day are written in few signs: ``16:00``, ``4 pm``."""
    texts = [writing.time(60 * hour) for hour in range(25)]
    return texts if writing.clock == 24 else [text.replace(":00", "") for text in texts]


# --- the average day -------------------------------------------------------------------------------


def draw_season(
    days: Mapping[str, TypicalDay],
    prices: DayPrices,
    windows: Mapping[str, Sequence[Window]],
    name: str,
    currency: str,
    writing: Writing,
) -> list[str]:
    """Return average days called ``name``, a figure a case: power above, then level, prices below.

    ``windows`` holds those that are shaded, by case. All figures have the same scales.
    """
    power = span_of(np.concatenate([_drawn_kw(day) for day in days.values()]), with_zero=True)
    return [
        _draw_day(title, day, power, prices, (name, currency, writing), windows.get(title, ()))
        for title, day in days.items()
    ]


def _drawn_kw(day: TypicalDay) -> FloatArray:
    kw = day.power_kw
    up = [kw[key] for key in ("load_kwh", "pv_used_kwh", "import_kwh", "charge_kwh")]
    return np.concatenate([*up, -kw["export_kwh"], -kw["discharge_kwh"]])


def _draw_day(
    title: str,
    day: TypicalDay,
    power: tuple[float, float],
    prices: DayPrices,
    words: tuple[str, str, Writing],
    windows: Sequence[Window],
) -> str:
    name, currency, writing = words
    flows = Legend(
        [("load", LOAD), ("PV used", PV), ("import", IMPORT), ("export", EXPORT),
         ("battery charges", CHARGE), ("discharges", DISCHARGE)], HALF - LEFT,
    )  # fmt: skip
    lines = _price_lines(prices)
    worth = Legend([(label, look) for label, _, look in lines], HALF - LEFT)
    top = 22 + flows.height + 22
    drawing = Drawing(HALF, top + 170 + 118 + worth.height + 130, _spoken_day(title, name, day))
    drawing.text(4, 14, cut(title, HALF - 8), "strong")
    flows.draw(drawing, LEFT, 20)
    ticks = hours_ticks(4, hour_labels(writing))
    edges = np.append(day.hour, 24.0)

    above = Panel.at(drawing, (LEFT, top, HALF - RIGHT, top + 170), (0, 24), power)
    _shade(above, windows, with_words=True)
    above.numbers_left("kW")
    for key, sign, look in (
        ("charge_kwh", 1, CHARGE), ("discharge_kwh", -1, DISCHARGE), ("pv_used_kwh", 1, PV),
        ("load_kwh", 1, LOAD), ("import_kwh", 1, IMPORT), ("export_kwh", -1, EXPORT),
    ):  # fmt: skip
        draw = above.area if look.kind == "area" else above.steps
        draw(edges, sign * day.power_kw[key], look)
    above.zero()
    above.axis_below(dict.fromkeys(ticks, ""))

    top += 170 + 28
    level = Panel.at(drawing, (LEFT, top, HALF - RIGHT, top + 82), (0, 24), (0, 105))
    _shade(level, windows)
    level.axis_left({0: "0", 50: "50", 100: "100"}, "state of charge, %")
    level.line(edges[1:], day.soc_pct, LEVEL)
    level.axis_below(dict.fromkeys(ticks, ""))

    top += 82 + 26 + worth.height
    below = Panel.at(
        drawing, (LEFT, top, HALF - RIGHT, top + 76), (0, 24),
        span_of(np.concatenate([values for _, values, _ in lines]), with_zero=True),
    )  # fmt: skip
    worth.draw(drawing, LEFT, top - worth.height - 4)
    below.numbers_left("", 4)
    drawing.text(4, top - worth.height - 8, cut(f"{currency} per kWh", HALF - 8))
    for _, values, look in lines:
        below.steps(edges, values, look)
    below.axis_below(ticks)
    return drawing.svg()


def _price_lines(prices: DayPrices) -> list[tuple[str, FloatArray, Look]]:
    lines = [
        ("import", prices.buy, Look("vermilion")),
        ("export", prices.sell, Look("blue dash")),
        ("a stored kWh", prices.stored, Look("green dots")),
    ]
    if prices.stored_is_apart:
        lines.append(("export out of the battery", prices.sell_stored, Look("purple long")))
    return lines


def _spoken_day(title: str, name: str, day: TypicalDay) -> str:
    kw = day.power_kw
    filled, emptied = int(day.soc_pct.argmax()), int(day.soc_pct.argmin())
    totals = ", ".join(
        f"{words} {number(float(kw[key].sum()) * 24 / len(day.hour))} kWh"
        for key, words in (
            ("load_kwh", "load"), ("pv_used_kwh", "PV"), ("import_kwh", "import"), ("export_kwh", "export"),
        )
    )  # fmt: skip
    return (
        f"Average day, {name}, {title}: {totals}; battery fullest with"
        f" {number(float(day.soc_pct[filled]), 0)} % at {_ends_at(day, filled)}, emptiest with"
        f" {number(float(day.soc_pct[emptied]), 0)} % at {_ends_at(day, emptied)}."
    )


def _ends_at(day: TypicalDay, slot: int) -> str:
    minutes = (slot + 1) * MINUTES_PER_DAY // len(day.hour)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _shade(panel: Panel, windows: Sequence[Window], *, with_words: bool = False) -> None:
    """Shade windows, and write each action at its beginning."""
    for window in windows:
        begin, end = window.begin / 60, window.finish / 60
        spans = [(begin, end)] if begin < end else [(begin, 24.0), (0.0, end)]
        for left, right in spans:
            panel.band(left, right, LOOK_OF_ACTION[window.action])
        if with_words:
            at = min(panel.x(begin) + 2, panel.x.end - width_of(window.action))
            lower = 13 if window.action == "limit" else 0
            panel.drawing.text(at, panel.y.end - 3 + lower, window.action, "tick halo")


# --- bills and numbers of windows ------------------------------------------------------------------


def draw_bills(totals: Mapping[str, float], currency: str) -> str:
    """Return the bills as horizontal bars, the first on top."""
    looks = {
        "battery, our windows": DISCHARGE,
        "battery, these settings": DISCHARGE,
        "cheapest possible plan": CHARGE,
        "cheapest plan found": CHARGE,
    }
    told = [f"{name} {money(total)}" for name, total in totals.items()]
    left = max(width_of(name) for name in totals) + 12
    spoken = f"Bills, {currency}: {'; '.join(told)}."
    drawing = Drawing(HALF, 26 * len(totals) + 44, spoken)
    room = max(width_of(money(total)) for total in totals.values()) + 10
    low, high = span_of(list(totals.values()), margin=0.0, with_zero=True)
    begin = left + (room if low < 0 else 0)
    scale = Scale(low, high, begin, HALF - room)
    for place, (name, total) in enumerate(totals.items()):
        top = 26.0 * place + 4
        drawing.text(left - 8, top + 14, name, anchor="end")
        panel = Panel(drawing, scale, Scale(0, 1, top + 20, top))
        panel.block((0.0, total), (0, 1), looks.get(name, Look("grey", kind="area")))
        at = scale(total) + (5 if total >= 0 else -5)
        drawing.text(at, top + 14, money(total), "", "start" if total >= 0 else "end")
    whole = Panel(drawing, scale, Scale(0, 1, 26.0 * len(totals) + 4, 0))
    whole.upright(0.0, "axis")
    drawing.text(begin, 26 * len(totals) + 24, cut(f"bill, {currency}", HALF - 8 - begin))
    return drawing.svg()


def draw_curve(
    entries: Sequence[int],
    seen: Sequence[float],
    unseen: Sequence[float],
    recommended: int,
    currency: str,
) -> str:
    """Return what each number of windows saves, on weeks seen and on weeks not seen.

    ``unseen`` is empty where no weeks were kept back; ``recommended`` is a place in the sequences.
    """
    series = [("weeks seen", list(seen), SERIES[1]), ("weeks not seen", list(unseen), SERIES[0])]
    series = [each for each in series if each[1]]
    band = Look("grey", kind="band")
    legend = Legend(
        [*((name, look) for name, _, look in series), ("recommended", band)], HALF - LEFT
    )
    told = [f"{name} {', '.join(map(money, values))}" for name, values, _ in series]
    spoken = (
        f"What {', '.join(map(str, entries))} windows save over no windows, {currency}: {'; '.join(told)}."
        f" Recommended: {entries[recommended]}."
    )
    top = 14 + legend.height + 24
    drawing = Drawing(HALF, top + 200, spoken)
    legend.draw(drawing, LEFT, 4)
    left, right = padded(entries, 0.4)
    panel = Panel.at(
        drawing, (LEFT + 10, top, HALF - RIGHT, top + 158), (left, right),
        span_of([value for _, values, _ in series for value in values], margin=0.1),
    )  # fmt: skip
    chosen = entries[recommended]
    panel.band(chosen - 0.12, chosen + 0.12, band)
    panel.numbers_left(cut(f"saved over no windows, {currency}", HALF - 8))
    for _, values, look in series:
        panel.line(entries[: len(values)], values, look)
    panel.axis_below({float(count): f"{count}" for count in entries}, "windows to enter")
    return drawing.svg()


# --- outages and floors ----------------------------------------------------------------------------

HOURS_TOLD = (0, 1, 4, 8, 12, 24, 48, 72)


def draw_hours_reached(
    reached: Mapping[str, Sequence[float]], ticks: Sequence[str], when: str, horizon_h: float
) -> str:
    """Return a figure of outage duration by clock hour or month, a line for each share. [h]

    NaN is left blank. The axis is stretched near zero, where an hour matters most.
    """
    looks = dict(zip(reached, SERIES, strict=False))
    legend = Legend(list(looks.items()), HALF - LEFT)
    told = [f"{name} for {_least_and_most(values)}" for name, values in reached.items()]
    spoken = (
        f"{when.capitalize()} {ticks[0]} to {ticks[-1]}, the building goes on: {'; '.join(told)}."
    )
    top = 14 + legend.height + 24
    drawing = Drawing(HALF, top + 218, spoken)
    legend.draw(drawing, LEFT, 4)
    panel = Panel(
        drawing, Scale(-0.5, len(ticks) - 0.5, LEFT, HALF - RIGHT),
        Scale(0, horizon_h * 1.05, top + 174, top, is_root=True),
    )  # fmt: skip
    panel.axis_left(
        {float(h): f"{h}" for h in HOURS_TOLD if h <= horizon_h}, "goes on for at least, h"
    )
    for name, values in reached.items():
        panel.line(range(len(ticks)), values, looks[name])
    every = max(len(ticks) // 6, 1) if len(ticks) > 12 else 1
    shown = {float(at): ticks[at] for at in range(0, len(ticks), every)}
    panel.axis_below(shown, when)
    return drawing.svg()


def _least_and_most(hours: Sequence[float]) -> str:
    known = [each for each in hours if not math.isnan(each)]
    if not known:
        return "no known time"
    return f"at least {number(min(known))} h and at most {number(max(known))} h"


def draw_floors(
    levels_pct: Sequence[float],
    prices: Mapping[str, Sequence[float | None]],
    lasting: Mapping[str, Sequence[float | None]],
    currency: str,
    hours: float,
) -> list[str]:
    """Return two figures of floors [%]: what they cost [money], and the share of outages that last [1]."""
    shares = {
        name: [None if share is None else 100 * share for share in each]
        for name, each in lasting.items()
    }
    return [
        _draw_by_floor(levels_pct, values, words)
        for values, words in (
            (prices, f"costs more, {currency}"), (shares, f"outages that last {hours:g} h, %"),
        )
    ]  # fmt: skip


def _draw_by_floor(
    levels_pct: Sequence[float], by_name: Mapping[str, Sequence[float | None]], words: str
) -> str:
    known = {
        name: [math.nan if value is None else value for value in values]
        for name, values in by_name.items()
    }
    looks = dict(zip(known, cycle(SERIES), strict=False))
    legend = Legend(list(looks.items()), HALF - LEFT)
    told = [f"{name} {', '.join(map(_or_unknown, values))}" for name, values in known.items()]
    levels = ", ".join(f"{level:g}" for level in levels_pct)
    top = 14 + legend.height + 24
    drawing = Drawing(HALF, top + 218, f"{words}, with floors of {levels} %: {'; '.join(told)}.")
    legend.draw(drawing, LEFT, 4)
    panel = Panel.at(
        drawing, (LEFT + 10, top, HALF - RIGHT, top + 174), span_of(levels_pct),
        span_of([value for values in known.values() for value in values], with_zero=True),
    )  # fmt: skip
    panel.numbers_left(cut(words, HALF - 8))
    for name, values in known.items():
        panel.line(levels_pct, values, looks[name])
    panel.numbers_below("floor, % state of charge")
    return drawing.svg()


def _or_unknown(value: float) -> str:
    return "unknown" if math.isnan(value) else number(value, 2)
