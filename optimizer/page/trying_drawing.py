"""Draws a day that is tried: windows as bars with handles, powers, level, price; and the year to choose from.

Handles are sliders for keys and screen readers; ``static/trying.js`` moves them. Read next:
``parts.trying``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from markupsafe import Markup

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, number
from optimizer.base.words import say
from optimizer.base.writing import Writing
from optimizer.evaluation.typical_day import TypicalDay
from optimizer.report.drawing import HALF, Drawing, Legend, Look, Panel, cut, hours_ticks, width_of
from optimizer.report.drawing_scales import span_of
from optimizer.report.figures import (
    CHARGE,
    DISCHARGE,
    EXPORT,
    IMPORT,
    LEFT,
    LEVEL,
    LOAD,
    LOOK_OF_ACTION,
    PV,
    RIGHT,
    hour_labels,
)
from optimizer.report.year_figure import day_ticks
from optimizer.settings.windows import Window

LANE, GAP, POWER, LOW = 46, 30, 150, 64
"""Heights of a row of bars, between panels, of the powers, and of level and price. [px]"""

HANDLE, REACH = 7, 12
"""Width of a handle, and how far from its middle it is taken hold of at least. [px]"""

DRAWN = (
    ("charge_kwh", 1, CHARGE), ("discharge_kwh", -1, DISCHARGE), ("pv_used_kwh", 1, PV),
    ("load_kwh", 1, LOAD), ("import_kwh", 1, IMPORT), ("export_kwh", -1, EXPORT),
)  # fmt: skip


@dataclass(frozen=True)
class Bar:
    """A window on the day that is shown: its number, the name of its fields, and in which steps it moves."""

    number: int
    name: str
    window: Window
    minutes: int


@dataclass(frozen=True)
class ShownDay:
    """A day to draw: its series, prices of import by step, and what holds on it.

    ``step`` counts steps of the day, −1 where none is chosen; ``told`` is the sentence on it.
    """

    title: str
    day: TypicalDay
    price: FloatArray
    bars: Sequence[Bar]
    is_mine: bool
    step: int = -1
    told: str = ""

    @property
    def edges(self) -> FloatArray:
        """Hours at which steps begin and the last one ends."""
        hour = self.day.hour
        length = float(hour[1] - hour[0]) if len(hour) > 1 else 24.0
        return np.append(hour, hour[-1] + length)


def scales_of(days: Sequence[ShownDay]) -> Mapping[str, tuple[float, float]]:
    """Return ranges of power and of price that hold for all of some days."""
    kw = [sign * shown.day.power_kw[key] for shown in days for key, sign, _ in DRAWN]
    return {
        "power": span_of(np.concatenate(kw), with_zero=True),
        "price": span_of(np.concatenate([shown.price for shown in days]), with_zero=True),
    }


def draw_tried(
    shown: ShownDay, scales: Mapping[str, tuple[float, float]], currency: str, writing: Writing
) -> Markup:
    """Return a day as SVG; bars of one's own have handles, and a step can be chosen on a single day."""
    legend = Legend(
        [(say("load"), LOAD), (say("PV used"), PV), (say("import"), IMPORT), (say("export"), EXPORT),
         (say("battery charges"), CHARGE), (say("discharges"), DISCHARGE)], HALF - LEFT,
    )  # fmt: skip
    lanes = [
        [bar for bar in shown.bars if (bar.window.action == "limit") == is_limit]
        for is_limit in (False, True)
    ]
    lanes = [lane for lane in lanes if lane] or [[]]
    begin = 24 + legend.height
    top = begin + len(lanes) * (LANE + 4) + 22
    ends = [top + POWER, top + POWER + GAP + LOW, top + POWER + 2 * (GAP + LOW)]
    drawing = Drawing(HALF, ends[2] + 24, _spoken(shown))
    drawing.text(4, 14, cut(shown.title, HALF - 8), "strong")
    legend.draw(drawing, LEFT, 20)
    edges = shown.edges
    hours = (0.0, float(edges[-1]))
    for place, lane in enumerate(lanes):
        _draw_lane(drawing, lane, begin + place * (LANE + 4), hours, is_mine=shown.is_mine)
    ticks = {
        at: text for at, text in hours_ticks(4, hour_labels(writing)).items() if at <= hours[1]
    }
    blank = dict.fromkeys(ticks, "")

    above = Panel.at(drawing, (LEFT, top, HALF - RIGHT, ends[0]), hours, scales["power"])
    level = Panel.at(drawing, (LEFT, ends[1] - LOW, HALF - RIGHT, ends[1]), hours, (0, 105))
    below = Panel.at(drawing, (LEFT, ends[2] - LOW, HALF - RIGHT, ends[2]), hours, scales["price"])
    above.numbers_left("kW")
    for key, sign, look in DRAWN:
        draw = above.area if look.kind == "area" else above.steps
        draw(edges, sign * shown.day.power_kw[key], look)
    above.zero()
    above.axis_below(blank)
    level.axis_left({0: "0", 50: "50", 100: "100"}, say("state of charge, %"))
    level.line(edges[1:], shown.day.soc_pct, LEVEL)
    level.axis_below(blank)
    below.numbers_left(say("price of import, {currency} per kWh", currency=currency), 3)
    below.steps(edges, shown.price, Look("vermilion"))
    below.axis_below(ticks)
    if shown.step >= 0:
        _draw_cursor(drawing, shown, (top, ends[2]), hours)
    svg = drawing.svg()
    if shown.is_mine:  # a picture holds nothing to take hold of
        of_day = f'data-left="{LEFT}" data-right="{HALF - RIGHT}" data-hours="{hours[1]:g}"'
        svg = svg.replace('role="img"', f'role="group" {of_day}', 1)
    return Markup(svg)


def _draw_lane(
    drawing: Drawing, lane: Sequence[Bar], top: float, hours: tuple[float, float], *, is_mine: bool
) -> None:
    def x(minute: int) -> float:
        return LEFT + (HALF - RIGHT - LEFT) * minute / 60 / hours[1]

    drawing.add("rect", "lane own" if is_mine else "lane", x=LEFT, y=top, width=x(MINUTES_PER_DAY) - LEFT,
                height=LANE)  # fmt: skip
    for bar in lane:
        window = bar.window
        begin, end = window.begin, window.finish
        spans = [(begin, end)] if begin < end else [(begin, MINUTES_PER_DAY), (0, end)]
        look = LOOK_OF_ACTION[window.action]
        for left, right in spans:
            drawing.add("rect", f"bar {look.kind} {look.classes}", x=x(left), y=top + 4,
                        width=x(right) - x(left), height=LANE - 8)  # fmt: skip
        left, right = max(spans, key=lambda span: span[1] - span[0])
        room = x(right) - x(left) - 2 * HANDLE
        whole = f"{bar.number} {say(window.action)}"
        label = whole if width_of(whole) <= room else f"{bar.number}"
        drawing.text((x(left) + x(right)) / 2, top + LANE / 2 + 4, label, "halo", "middle")
        for edge, minute in (("start", begin), ("end", end)) if is_mine else ():
            _draw_handle(drawing, bar, edge, (x(minute), top))


def _draw_handle(drawing: Drawing, bar: Bar, edge: str, at: tuple[float, float]) -> None:
    x, top = at
    window = bar.window
    words = {
        "start": say("start of window {number}", number=bar.number),
        "end": say("end of window {number}", number=bar.number),
    }
    told = say(
        "{action} from {start} to {end}",
        action=say(window.action),
        start=window.start,
        end=window.end,
    )
    now = window.begin if edge == "start" else window.finish
    drawing.parts.append(
        f'<g class="handle" role="slider" tabindex="0" aria-label="{escape(words[edge])}" aria-valuemin="0"'
        f' aria-valuemax="{MINUTES_PER_DAY}" aria-valuenow="{now}"'
        f' aria-valuetext="{escape(told)}" data-field="{bar.name}.{edge}" data-step="{bar.minutes}">'
    )
    drawing.add("rect", "reach", x=x - REACH, y=top, width=2 * REACH, height=LANE)
    drawing.add("rect", "grip", x=x - HANDLE / 2, y=top + 2, width=HANDLE, height=LANE - 4, rx=2)
    drawing.parts.append("</g>")


def _draw_cursor(
    drawing: Drawing, shown: ShownDay, ends: tuple[float, float], hours: tuple[float, float]
) -> None:
    top, bottom = ends
    scale = (HALF - RIGHT - LEFT) / hours[1]
    left, right = LEFT + scale * shown.edges[shown.step : shown.step + 2]
    if shown.is_mine:
        label, last = escape(say("step of the day")), len(shown.day.hour) - 1
        drawing.parts.append(
            f'<g class="cursor" role="slider" tabindex="0" aria-label="{label}" aria-valuemin="0"'
            f' aria-valuemax="{last}" aria-valuenow="{shown.step}" aria-valuetext="{escape(shown.told)}">'
        )
        drawing.add("rect", "reach", x=LEFT, y=top, width=HALF - RIGHT - LEFT, height=bottom - top)
    drawing.add(
        "rect", "step", x=float(left), y=top, width=float(right - left), height=bottom - top
    )
    if shown.is_mine:
        drawing.parts.append("</g>")


def _spoken(shown: ShownDay) -> str:
    day, hour = shown.day, float(shown.edges[1] - shown.edges[0])
    kwh = {key: number(float(day.power_kw[key].sum()) * hour) for key, _, _ in DRAWN}
    windows = "; ".join(
        f"{bar.number}: {bar.window.span()} {bar.window.words()}" for bar in shown.bars
    )
    return say(
        "{title}: load {load} kWh, PV {pv}, import {bought}, export {sold}; level from {low} to {high} %."
        " Windows: {windows}.",
        title=shown.title, load=kwh["load_kwh"], pv=kwh["pv_used_kwh"], bought=kwh["import_kwh"],
        sold=kwh["export_kwh"], low=number(float(day.soc_pct.min()), 0),
        high=number(float(day.soc_pct.max()), 0), windows=windows or say("none"),
    )  # fmt: skip


def draw_days(grid: TimeGrid, import_kwh: FloatArray, chosen: int) -> Markup:
    """Return the import of each day, shape (D,), [kWh] as SVG on which a day can be chosen; −1 is none."""
    dates = grid.dates
    spoken = say(
        "import by day, from {least} to {most} kWh",
        least=number(float(import_kwh.min()), 0), most=number(float(import_kwh.max()), 0),
    )  # fmt: skip
    drawing = Drawing(HALF, 122, spoken)
    drawing.text(4, 14, say("import by day, kWh; choose a day"), "strong")
    panel = Panel.at(
        drawing, (LEFT, 26, HALF - RIGHT, 98), (0, len(dates)), span_of(import_kwh, with_zero=True)
    )  # fmt: skip
    panel.numbers_left("", 3)
    panel.area(np.arange(len(dates) + 1, dtype=np.float64), import_kwh, Look("vermilion"))
    panel.axis_below(day_ticks(dates))
    at = max(chosen, 0)
    told = (
        f"{dates[at]}: {number(float(import_kwh[at]))} kWh" if chosen >= 0 else say("none chosen")
    )
    label = say("day of the year")
    drawing.parts.append(
        f'<g class="cursor" role="slider" tabindex="0" aria-label="{escape(label)}"'
        f' aria-valuemin="0" aria-valuemax="{len(dates) - 1}" aria-valuenow="{at}" aria-valuetext="{told}">'
    )
    drawing.add("rect", "reach", x=LEFT, y=20, width=HALF - RIGHT - LEFT, height=84)
    if chosen >= 0:
        left = panel.x(chosen)
        drawing.add(
            "rect", "step", x=left - 1, y=22, width=panel.x(chosen + 1) - left + 2, height=78
        )
    drawing.parts.append("</g>")
    of_year = f'data-left="{LEFT}" data-right="{HALF - RIGHT}" data-first="{dates[0]}"'
    return Markup(
        drawing.svg().replace('role="img"', f'role="group" {of_year} data-days="{len(dates)}"', 1)
    )
