"""Draws the figures of a study as SVG text, in the manner of ``figures``.

Read next: ``study_page``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import money, number
from optimizer.economics.cash_flow import SIGNED, CashFlow, Life
from optimizer.economics.monte_carlo import QUANTILES, Chances
from optimizer.report.figures import (
    BLACK,
    BLUE,
    GREEN,
    ORANGE,
    PURPLE,
    SKY,
    STYLE,
    VERMILION,
    YELLOW,
    svg_text,
)
from optimizer.report.study_words import (
    DIFFERENCES,
    Names,
    end_text,
    flow_rows,
    swing_words,
)
from optimizer.studies.verdict import Row, StudyResult, Swing

GREY = "#BBBBBB"

PANELS = 6
"""Panels in one figure."""

MOST_PANELS = 24
"""Panels in all; those of the best cases are drawn."""

PART_COLOUR = {
    "investment": GREY, "incentive": YELLOW, "replacement": VERMILION, "operating": ORANGE,
    "taxes": PURPLE, "saving": GREEN, "residual": SKY,
}  # fmt: skip

PART_HATCH = {"replacement": "//", "operating": "..", "taxes": "xx"}
"""Parts that are paid are told apart in print too."""

BINS = 40


@dataclass(frozen=True)
class Panel:
    """Worth against size where all else is equal: of windows, and of the cheapest plan. [kWh, money]"""

    title: str
    sizes: list[float]
    windows: list[float]
    plan: list[float]

    @property
    def best(self) -> int:
        """The place of the size whose windows are worth most."""
        return self.windows.index(max(self.windows))


def panels_of(result: StudyResult, names: Names) -> list[Panel]:
    """Return a panel for each site and tariff of which several sizes are known, the best at most.

    Where one size stands with several powers, the best of them is taken.
    """
    alike: dict[tuple[Any, ...], dict[float, Row]] = {}
    for row in result.ranked:
        key = tuple(row[name] for name in ("site", "tariff", *DIFFERENCES))
        alike.setdefault(key, {}).setdefault(row["battery_kwh"], row)
    of_sites = [rows for rows in alike.values() if len(rows) > 1][:MOST_PANELS]
    places = list(names.sites)
    of_sites.sort(key=lambda rows: places.index(next(iter(rows.values()))["site"]))
    return [_panel(result, names, rows) for rows in of_sites]


def _panel(result: StudyResult, names: Names, rows: dict[float, Row]) -> Panel:
    plan = result.measure.replace("npv_", "npv_of_plan_").replace("windows_save", "plan_saves")
    sizes = sorted(rows)
    title = "\n".join(names.case(rows[sizes[0]]).split(", ", 1))
    return Panel(
        title, sizes, [rows[size][result.measure] for size in sizes],
        [rows[size][plan] for size in sizes],
    )  # fmt: skip


def draw_sizes(panels: Sequence[Panel], measure: str) -> list[str]:
    """Return worth against size, several panels in a figure; ``measure`` names what is drawn."""
    return [
        _draw_panels(panels[first : first + PANELS], measure)
        for first in range(0, len(panels), PANELS)
    ]


def _draw_panels(panels: Sequence[Panel], measure: str) -> str:
    columns = min(len(panels), 2)
    rows = -(-len(panels) // 2)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(4.8 * columns + 0.4, 2.7 * rows + 0.5), layout="constrained")
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        for ax, panel in zip(axes, panels, strict=False):
            _draw_panel(ax, panel)
        for ax in axes[len(panels) :]:
            ax.set_axis_off()
        figure.supylabel(measure, fontsize=9)
        handles, labels = axes[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside upper center", ncols=3, frameon=False)
        return svg_text(figure)


def _draw_panel(ax: Axes, panel: Panel) -> None:
    ax.plot(
        panel.sizes, panel.plan, color=SKY, linewidth=1.2, linestyle="--",
        label="cheapest plan, run by no equipment",
    )  # fmt: skip
    ax.plot(
        panel.sizes, panel.windows, color=BLUE, linewidth=2, marker="o", markersize=4,
        label="windows to type in",
    )  # fmt: skip
    size, worth = panel.sizes[panel.best], panel.windows[panel.best]
    ax.plot(
        [size], [worth], linestyle="", marker="o", markersize=11, markerfacecolor="none",
        markeredgecolor=VERMILION, markeredgewidth=1.6, label="best size",
    )  # fmt: skip
    ax.annotate(
        f"{number(size, 2)} kWh", (size, worth), xytext=(0, -16), textcoords="offset points",
        ha="center", color=VERMILION,
    )  # fmt: skip
    _zero_line(ax)
    ax.margins(x=0.1, y=0.2)
    ax.set_title(panel.title, loc="left", fontsize=9)
    ax.set_xlabel("battery, kWh")
    _plain_amounts(ax, "y")


def draw_cash_flow(flow: CashFlow, currency: str) -> str:
    """Return the money of each year by its parts, and what all to then is worth today."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(9.6, 3.8), layout="constrained")
        ax = figure.subplots()
        years = np.arange(len(flow.net))
        above, below = np.zeros(len(years)), np.zeros(len(years))
        for part in SIGNED:
            values: FloatArray = getattr(flow, part)
            if values.any():
                ax.bar(
                    years, values, 0.7, bottom=np.where(values >= 0, above, below), label=part,
                    color=PART_COLOUR[part], hatch=PART_HATCH.get(part), edgecolor="white",
                    linewidth=0.4,
                )  # fmt: skip
            above, below = above + np.maximum(values, 0), below + np.minimum(values, 0)
        so_far = [row["discounted_so_far"] for row in flow_rows(flow)]
        ax.plot(
            years, so_far, color=BLACK, marker="o", markersize=3.5, linewidth=1.4,
            label="all to then, discounted",
        )  # fmt: skip
        _zero_line(ax)
        ax.set_xlabel("year; 0 is today")
        ax.set_ylabel(currency)
        ax.set_xlim(-0.6, len(years) - 0.4)
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        _plain_amounts(ax, "y")
        figure.legend(loc="outside right upper", frameon=False)
        return svg_text(figure)


def draw_swings(npv: float, swings: Sequence[Swing], currency: str) -> str:
    """Return what each thing that turns out otherwise makes of the net present value, widest on top."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.8, 1.1 + 0.42 * len(swings)), layout="constrained")
        ax = figure.subplots()
        for place, swing in enumerate(swings):
            ends = [
                (swing.low, swing.npv_low, BLUE, "lower"),
                (swing.high, swing.npv_high, ORANGE, "higher"),
            ]
            known = [(end, value, hue, name) for end, value, hue, name in ends if value is not None]
            for end, value, colour, name in sorted(known, key=lambda each: -abs(each[1] - npv)):
                ax.barh(place, value - npv, 0.6, left=npv, color=colour, label=name)
                left = value < npv
                ax.annotate(
                    end_text(swing.name, end), (value, place), xytext=(-4 if left else 4, 0),
                    textcoords="offset points", va="center", ha="right" if left else "left",
                )  # fmt: skip
        ax.set_yticks(range(len(swings)), [swing_words(swing) for swing in swings])
        ax.invert_yaxis()
        ax.axvline(npv, color=BLACK, linewidth=0.8)
        ax.margins(x=0.16)
        ax.set_xlabel(f"net present value, {currency}; the line is at {money(npv)}")
        _plain_amounts(ax, "x")
        handles, labels = ax.get_legend_handles_labels()
        once = dict(zip(labels, handles, strict=True))
        shown = [name for name in ("lower", "higher") if name in once]
        figure.legend(
            [once[name] for name in shown], [f"at the {name} end" for name in shown],
            loc="outside upper center", ncols=2, frameon=False,
        )  # fmt: skip
        return svg_text(figure)


def draw_chances(chances: Chances, currency: str) -> str:
    """Return how the net present values of the drawn lives are spread."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.8, 3.1), layout="constrained")
        ax = figure.subplots()
        ax.hist(chances.npv, bins=BINS, color=SKY)
        dashes = ("--", "-", ":")
        for share, value, dash in zip(QUANTILES, chances.quantiles()["npv"], dashes, strict=True):
            ax.axvline(
                value, color=BLUE, linestyle=dash, linewidth=1.8, label=f"P{share}: {money(value)}"
            )
        ax.axvline(0, color=VERMILION, linewidth=1.4, label="zero: worth what it costs")
        ax.set_xlabel(f"net present value, {currency}")
        ax.set_ylabel("drawn lives")
        _plain_amounts(ax, "x")
        figure.legend(loc="outside upper center", ncols=4, columnspacing=1.2, handlelength=1.8,
                      frameon=False)  # fmt: skip
        return svg_text(figure)


def draw_life(life: Life, currency: str) -> str:
    """Return what is left of the battery and what it saves, year by year; planned years are dots."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(9.6, 3.2), layout="constrained")
        left, right = figure.subplots(1, 2)
        years = np.arange(1, 1 + len(life.health))
        planned = life.is_planned
        pairs: Iterable[tuple[Axes, FloatArray, str]] = (
            (left, 100 * life.health, GREEN), (right, life.saved, BLUE),
        )  # fmt: skip
        for ax, values, colour in pairs:
            ax.plot(years, values, color=colour, linewidth=1.4)
            ax.plot(
                years[planned], values[planned], color=colour, linestyle="", marker="o",
                label="planned anew; between, an even change",
            )  # fmt: skip
            for number_new, year in enumerate(years[life.is_new]):
                ax.axvline(
                    year, color=VERMILION, linestyle=":", linewidth=1.2,
                    label="" if number_new else "new battery",
                )  # fmt: skip
            ax.set_xlabel("year")
            ax.xaxis.set_major_locator(MaxNLocator(integer=True))
            _zero_line(ax)
        left.set_ylabel("capacity left, %")
        right.set_ylabel(f"saved, {currency}, prices of year 1")
        _plain_amounts(right, "y")
        handles, labels = left.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside upper center", ncols=2, frameon=False)
        return svg_text(figure)


def _zero_line(ax: Axes) -> None:
    ax.axhline(0, color=BLACK, linewidth=0.6)


def _plain_amounts(ax: Axes, axis: str) -> None:
    """Write amounts on an axis in full, with thousands separated."""
    of = ax.xaxis if axis == "x" else ax.yaxis
    of.set_major_formatter(lambda value, _place: number(value, 2))
