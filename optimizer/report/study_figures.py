"""Draws the figures of a study as SVG text, in the manner of ``figures``.

Read next: ``study_page``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import money, number
from optimizer.economics.cash_flow import SIGNED, CashFlow, Life
from optimizer.economics.monte_carlo import QUANTILES, Chances
from optimizer.report.drawing import HALF, Drawing, Legend, Look, Panel, cut, left_of, width_of
from optimizer.report.drawing_scales import Scale, span_of
from optimizer.report.figures import RIGHT
from optimizer.report.study_words import (
    DIFFERENCES,
    TODAYS_ROLES,
    Names,
    end_text,
    flow_rows,
    swing_words,
)
from optimizer.studies.table import WAYS
from optimizer.studies.verdict import Row, Sized, StudyResult, Swing

MOST_PANELS = 24
"""Figures of sizes in all; those of the best cases are drawn."""

LOOK_OF_PART = {
    "investment": Look("grey", kind="area"),
    "incentive": Look("yellow", kind="area", hatch="|"),
    "replacement": Look("vermilion", kind="area", hatch="-"),
    "operating": Look("orange", kind="area"),
    "financing": Look("sky", kind="area", hatch="-"),
    "taxes": Look("purple", kind="area", hatch="|-"),
    "saving": Look("green", kind="area"),
    "residual": Look("sky", kind="area", hatch="|"),
}

BINS = 40

SAVED, OF_PLAN = Look("blue", "o"), Look("green dash")
AS_IT_COMES, NOTHING = Look("orange dots", "s"), Look("plain bare", "D")

OF_TARIFFS = (
    Look("blue", "o"), Look("vermilion dash", "s"), Look("green long", "^"), Look("purple dots", "D"),
    Look("orange", "v"), Look("plain dash", "o"),
)  # fmt: skip
"""Looks of tariffs in one picture; more than these stand in several."""


@dataclass(frozen=True)
class Sizes:
    """Worth against size where all else is equal: of windows, of no windows, of the plan. [kWh, money]

    ``place`` is all that is equal but the tariff. ``nothing`` is what stands there without a battery, None
    where it is no case; without windows a size that is no case is NaN.
    """

    place: str
    tariff: str
    sizes: list[float]
    windows: list[float]
    plan: list[float]
    as_it_comes: list[float]
    nothing: float | None = None

    @property
    def title(self) -> str:
        """Place and tariff, on a line each."""
        return f"{self.place}\ntariff {self.tariff}"

    @property
    def best(self) -> int:
        """The place of the size whose windows are worth most."""
        return self.windows.index(max(self.windows))

    @property
    def worths(self) -> list[float]:
        """All that is drawn."""
        return [*self.windows, *self.plan, *self.as_it_comes, *self.lowest]

    @property
    def lowest(self) -> list[float]:
        """What no battery is worth, if it is a case."""
        return [] if self.nothing is None else [self.nothing]


EQUAL = tuple(name for name in DIFFERENCES if name != "way")
"""What cases of a picture are alike in, beside site and tariff."""


def panels_of(result: StudyResult, names: Names) -> list[Sizes]:
    """Return a panel for each site and tariff of which several sizes are known, the best at most.

    Where one size stands with several powers, the best of them is taken.
    """
    of_ways: dict[str, dict[tuple[Any, ...], dict[float, Row]]] = {way: {} for way in WAYS.values()}
    for row in result.ranked:
        if row["battery_kwh"] is None:  # each site's own: no size to draw
            continue
        key = tuple(row[name] for name in ("site", "tariff", *EQUAL))
        of_ways[row["way"]].setdefault(key, {}).setdefault(row["battery_kwh"], row)
    typed = of_ways[WAYS["windows"]]
    of_sites = [key for key, rows in typed.items() if len(rows) > 1][:MOST_PANELS]
    places = list(names.sites)
    of_sites.sort(key=lambda key: places.index(key[0]))
    bare = {
        tuple(row[name] for name in ("site", "tariff", *STATED)): row[result.measure]
        for row in result.ranked if row["role"] in TODAYS_ROLES and not row["battery_kwh"]
    }  # fmt: skip
    return [
        _panel(result, names, typed[key], of_ways[WAYS["no_windows"]].get(key, {}), bare)
        for key in of_sites
    ]


STATED = ("load_times", "pv_times", "prices_rise_pct_per_year")
"""What a case without a battery is like others in, beside site and tariff."""


def _panel(
    result: StudyResult,
    names: Names,
    typed: Mapping[float, Row],
    as_it_comes: Mapping[float, Row],
    bare: Mapping[tuple[Any, ...], float],
) -> Sizes:
    sizes = sorted(typed)
    first, nan = typed[sizes[0]], float("nan")
    place = ", ".join(part for part in (names.site(first), names.others(first)) if part)
    return Sizes(
        place, names.tariff(first), sizes, [typed[size][result.measure] for size in sizes],
        [typed[size][result.measure_of_plan] for size in sizes],
        [as_it_comes[size][result.measure] if size in as_it_comes else nan for size in sizes],
        bare.get(tuple(first[name] for name in ("site", "tariff", *STATED))),
    )  # fmt: skip


def draw_sizes(panels: Sequence[Sizes], measure: str) -> list[str]:
    """Return worth against size, tariff beside tariff; ``measure`` names what is drawn.

    Pictures of one place have one scale, and where it has several tariffs all of them stand in one picture
    before them.
    """
    drawn = []
    for place in dict.fromkeys(panel.place for panel in panels):
        here = [panel for panel in panels if panel.place == place]
        together = range(0, len(here) if len(here) > 1 else 0, len(OF_TARIFFS))
        drawn += [_draw_tariffs(here[at : at + len(OF_TARIFFS)], measure) for at in together]
        span = span_of([worth for panel in here for worth in panel.worths], margin=0.12)
        drawn += [_draw_sizes(panel, measure, span) for panel in here]
    return drawn


def _draw_tariffs(panels: Sequence[Sizes], measure: str) -> str:
    """Draw the windows of several tariffs in one picture; size 0 is no battery, where that is a case."""
    lines = {
        panel.tariff: (
            [0.0, *panel.sizes] if panel.lowest else panel.sizes, [*panel.lowest, *panel.windows], look,
        )
        for panel, look in zip(panels, OF_TARIFFS, strict=False)
    }  # fmt: skip
    legend = Legend([(tariff, look) for tariff, (_, _, look) in lines.items()], HALF - 8)
    told = "; ".join(
        f"{tariff}: {_values_told(sizes, worths)}" for tariff, (sizes, worths, _) in lines.items()
    )
    place, top = panels[0].place, 36 + legend.height + 24
    with_none = " 0 kWh is no battery." if any(panel.lowest for panel in panels) else ""
    drawing = Drawing(
        HALF, top + 190, f"{place}: {measure} with windows by size and tariff: {told}.{with_none}"
    )
    drawing.text(4, 14.0, cut(place, HALF - 8), "strong")
    drawing.text(4, 30.0, "all tariffs, with windows", "strong")
    legend.draw(drawing, 4, 36)
    y = span_of([worth for _, worths, _ in lines.values() for worth in worths], margin=0.12)
    x = span_of([size for sizes, _, _ in lines.values() for size in sizes])
    panel = Panel.at(drawing, (left_of(y), top, HALF - RIGHT, top + 148), x, y)
    panel.numbers_left(cut(measure, HALF - 8))
    panel.zero()
    for sizes, worths, look in lines.values():
        panel.line(sizes, worths, look)
    panel.numbers_below("battery, kWh; 0 is none" if with_none else "battery, kWh")
    return drawing.svg()


def _values_told(sizes: Sequence[float], worths: Sequence[float]) -> str:
    return ", ".join(
        f"{number(kwh, 2)} kWh {money(worth)}" for kwh, worth in zip(sizes, worths, strict=True)
    )


def _draw_sizes(sizes: Sizes, measure: str, y: tuple[float, float]) -> str:
    best = Look("vermilion bare ring", "o")
    with_plain = bool(np.isfinite(sizes.as_it_comes).any())
    legend = Legend(
        [("windows to type in", SAVED), *([("no windows", AS_IT_COMES)] if with_plain else []),
         *([("no battery", NOTHING)] if sizes.lowest else []),
         ("cheapest plan, run by no equipment", OF_PLAN), ("best size", best)], HALF - 8,
    )  # fmt: skip
    size, worth = sizes.sizes[sizes.best], sizes.windows[sizes.best]
    told = _values_told(sizes.sizes, sizes.windows)
    title = sizes.title.replace("\n", ", ")
    lines = sizes.title.split("\n")
    head = 16 * len(lines) + 4
    top = head + legend.height + 24
    none = "".join(f" No battery: {money(worth)}." for worth in sizes.lowest)
    spoken = f"{title}: {measure} of windows by size: {told}. Best: {number(size, 2)} kWh.{none}"
    drawing = Drawing(HALF, top + 190, spoken)
    for at_line, line in enumerate(lines):
        drawing.text(4, 14.0 + 16 * at_line, cut(line, HALF - 8), "strong")
    legend.draw(drawing, 4, head)
    place = (left_of(y), top, HALF - RIGHT, top + 148)
    panel = Panel.at(drawing, place, span_of([*sizes.sizes, *([0.0] * len(sizes.lowest))]), y)
    panel.numbers_left(cut(measure, HALF - 8))
    panel.zero()
    panel.line(sizes.sizes, sizes.plan, OF_PLAN)
    panel.line(sizes.sizes, sizes.as_it_comes, AS_IT_COMES)
    panel.line(sizes.sizes, sizes.windows, SAVED)
    panel.marks([0.0] * len(sizes.lowest), sizes.lowest, NOTHING)
    at = panel.x(size), panel.y(worth)
    drawing.add("circle", "ring vermilion", cx=at[0], cy=at[1], r=7)
    words = f"{number(size, 2)} kWh"
    beside = min(max(at[0], panel.x.begin + width_of(words) / 2), HALF - width_of(words) / 2)
    drawing.text(
        beside, at[1] + (22 if at[1] + 26 < panel.y.begin else -12), words, "halo", "middle"
    )
    panel.numbers_below("battery, kWh")
    return drawing.svg()


def draw_along(sized: Sized, currency: str) -> Markup | str:
    """Draw what each size that was valued comes to, and what eight of ten drawn lives lie between.

    Nothing where no lives are drawn: then worth against size is drawn already.
    """
    drawn = [(each, each.spread) for each in sized.along if each.spread is not None]
    if len(drawn) < 2:
        return ""
    sizes, npvs = [each.size_kwh for each, _ in drawn], [each.npv for each, _ in drawn]
    low, high = [spread[0] for _, spread in drawn], [spread[-1] for _, spread in drawn]
    legend = Legend([("as stated", SAVED), ("one life in ten, nine in ten", AS_IT_COMES)], HALF - 8)
    top = 4 + legend.height + 24
    spoken = "; ".join(
        f"{number(each.size_kwh, 2)} kWh {money(each.npv)}, {money(spread[0])} to {money(spread[-1])}"
        for each, spread in drawn
    )
    drawing = Drawing(HALF, top + 190, f"Net present value by size, {currency}: {spoken}.")
    legend.draw(drawing, 4, 4)
    y = span_of([*npvs, *low, *high], margin=0.12)
    place = (left_of(y), top, HALF - RIGHT, top + 148)
    panel = Panel.at(drawing, place, span_of(sizes), y)
    panel.numbers_left(f"net present value, {currency}")
    panel.zero()
    for line, look in ((low, AS_IT_COMES), (high, AS_IT_COMES), (npvs, SAVED)):
        panel.line(sizes, line, look)
    panel.numbers_below("battery, kWh")
    return Markup(drawing.svg())


def draw_cash_flow(flow: CashFlow, currency: str) -> str:
    """Return the money of each year by its parts, and what all to then is worth today."""
    parts: dict[str, FloatArray] = {name: getattr(flow, name) for name in SIGNED}
    parts = {name: values for name, values in parts.items() if values.any()}
    so_far = [row["discounted_so_far"] for row in flow_rows(flow)]
    sum_look = Look("plain", "o")
    legend = Legend(
        [*((name, LOOK_OF_PART[name]) for name in parts), ("all to then, discounted", sum_look)],
        HALF - 8,
    )
    years = len(flow.net)
    over = [sum((np.maximum(sign * values, 0) for values in parts.values()), np.zeros(years))
            for sign in (1, -1)]  # fmt: skip
    spoken = (
        f"Money by year, {currency}: {money(float(flow.net[0]))} today; all to year {years - 1}, discounted,"
        f" comes to {money(so_far[-1])}."
    )
    top = 4 + legend.height + 24
    drawing = Drawing(HALF, top + 242, spoken)
    legend.draw(drawing, 4, 2)
    y = span_of([*over[0], *-over[1], *so_far], with_zero=True)
    panel = Panel.at(
        drawing, (left_of(y), top, HALF - RIGHT, top + 200), (-0.6, years - 0.4), y
    )  # fmt: skip
    panel.numbers_left(cut(currency, HALF - 8))
    above, below = np.zeros(years), np.zeros(years)
    for name, values in parts.items():
        for year in np.flatnonzero(values).tolist():
            ends = above if values[year] > 0 else below
            panel.block(
                (year - 0.35, year + 0.35),
                (ends[year], ends[year] + values[year]),
                LOOK_OF_PART[name],
            )
            ends[year] += values[year]
    panel.zero()
    panel.line(range(years), so_far, sum_look)
    panel.axis_below(_whole(panel.x, 10), "year; 0 is today")
    return drawing.svg()


def draw_swings(npv: float, swings: Sequence[Swing], currency: str) -> str:
    """Return what each thing that turns out otherwise makes of the net present value, widest on top."""
    looks = {"lower": Look("blue", kind="area"), "higher": Look("orange", kind="area", hatch="|")}
    ends = {
        swing: [
            (name, end_text(swing.name, end), value)
            for name, end, value in (
                ("lower", swing.low, swing.npv_low), ("higher", swing.high, swing.npv_high),
            )
            if value is not None
        ]
        for swing in swings
    }  # fmt: skip
    known = {name for each in ends.values() for name, _, _ in each}
    legend = Legend(
        [(f"at the {name} end", look) for name, look in looks.items() if name in known], HALF - 8
    )
    told = "; ".join(
        f"{swing_words(swing)}: {', '.join(f'{words} {money(value)}' for _, words, value in each)}"
        for swing, each in ends.items()
        if each
    )
    top = legend.height + 10
    height = 42.0
    spoken = (
        f"Net present value, {currency}, {money(npv)}; where one thing turns out otherwise: {told}."
    )
    drawing = Drawing(HALF, top + height * len(swings) + 48, spoken)
    legend.draw(drawing, 4, 2)
    room = 10 + max((width_of(words) for each in ends.values() for _, words, _ in each), default=0)
    low, high = span_of([npv, *(value for each in ends.values() for _, _, value in each)], margin=0)
    bottom = top + height * len(swings)
    whole = Panel(drawing, Scale(low, high, room, HALF - room), Scale(0, 1, bottom, top))
    for place, (swing, each) in enumerate(ends.items()):
        begin = top + height * place
        drawing.text(4, begin + 14, cut(swing_words(swing), HALF - 8))
        row = Panel(drawing, whole.x, Scale(0, 1, begin + 38, begin + 20))
        taken = set[bool]()  # of the sides of the line, by the word of the longer bar
        for name, words, value in sorted(each, key=lambda one: -abs(one[2] - npv)):
            row.block((npv, value), (0, 1), looks[name])
            is_left = value < npv
            if is_left in taken:
                is_left, value = not is_left, npv
            taken.add(is_left)
            at = whole.x(value) + (-5 if is_left else 5)
            drawing.text(at, begin + 33, words, "tick halo", "end" if is_left else "start")
    whole.upright(npv, "axis")
    whole.numbers_below("", 5)
    drawing.text(
        4, bottom + 40, cut(f"net present value, {currency}; the line is at {money(npv)}", HALF - 8)
    )
    return drawing.svg()


def draw_chances(chances: Chances, currency: str) -> str:
    """Return how the net present values of the drawn lives are spread."""
    counts, edges = np.histogram(chances.npv, bins=BINS)
    marks = [
        (f"P{share}: {money(value)}", value, Look(f"blue {dash}".strip()))
        for share, value, dash in zip(
            QUANTILES, chances.quantiles()["npv"], ("dash", "", "dots"), strict=True
        )
    ]
    marks.append(("zero: worth what it costs", 0.0, Look("vermilion long")))
    legend = Legend([(words, look) for words, _, look in marks], HALF - 8)
    spoken = (
        f"Net present values of {len(chances.npv)} drawn lives, {currency}: from"
        f" {money(float(chances.npv.min()))} to {money(float(chances.npv.max()))};"
        f" {'; '.join(words for words, _, _ in marks[:-1])}."
    )
    top = 4 + legend.height + 24
    drawing = Drawing(HALF, top + 188, spoken)
    legend.draw(drawing, 4, 2)
    y = span_of(counts, with_zero=True)
    panel = Panel.at(
        drawing, (left_of(y), top, HALF - RIGHT, top + 140), span_of([*edges, 0.0], margin=0.02), y
    )
    panel.axis_left(_whole(panel.y, 5), "drawn lives")
    panel.area(edges, counts.astype(np.float64), Look("sky", kind="area"))
    for _, value, look in marks:
        panel.upright(value, f"line {look.classes}")
    panel.numbers_below(cut(f"net present value, {currency}", HALF - 60), 5)
    return drawing.svg()


def draw_life(life: Life, currency: str) -> list[str]:
    """Return what is left of the battery and what it saves, year by year; planned years are dots."""
    return [
        _draw_by_year(life, 100 * life.health, "capacity left, %", Look("green", "o")),
        _draw_by_year(life, life.saved, f"saved, {currency}, prices of year 1", Look("blue", "s")),
    ]


def _draw_by_year(life: Life, values: FloatArray, words: str, look: Look) -> str:
    renewed = Look("vermilion dots")
    legend = Legend(
        [("planned anew; between, an even change", look),
         *([("new battery", renewed)] if life.is_new.any() else [])], HALF - 8,
    )  # fmt: skip
    years = np.arange(1, 1 + len(values))
    spoken = (
        f"{words}: {number(float(values[0]), 2)} in year 1, {number(float(values[-1]), 2)} in year"
        f" {len(values)}; lowest {number(float(values.min()), 2)}."
    )
    top = 4 + legend.height + 24
    drawing = Drawing(HALF, top + 188, spoken)
    legend.draw(drawing, 4, 2)
    y = span_of(values, with_zero=True)
    panel = Panel.at(
        drawing, (left_of(y), top, HALF - RIGHT, top + 146), (0.5, len(values) + 0.5), y
    )  # fmt: skip
    panel.numbers_left(cut(words, HALF - 8))
    panel.zero()
    for year in years[life.is_new].tolist():
        panel.upright(year, f"line {renewed.classes}")
    panel.line(years, values, Look(look.classes))
    panel.marks(years[life.is_planned], values[life.is_planned], look)
    panel.axis_below(_whole(panel.x, 10), "year")
    return drawing.svg()


def _whole(scale: Scale, most: int) -> dict[float, str]:
    return {at: number(at) for at in scale.ticks(most) if at == int(at)}
