"""Draws the figures of the report as SVG text; the same inputs give the same bytes.

Colours are the eight of Okabe and Ito, which people with any colour vision can tell apart
(https://jfly.uni-koeln.de/color/, 2008).
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY, money
from optimizer.evaluation.typical_day import TypicalDay
from optimizer.settings.windows import SeasonSet

BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILION, PURPLE = (
    "#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
)  # fmt: skip

ACTION_COLOUR = {
    "charge": SKY,
    "hold": "#BBBBBB",
    "cover": YELLOW,
    "sell": PURPLE,
    "limit": VERMILION,
}

STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "tariffwright",
    "font.family": "sans-serif",
    "text.parse_math": False,  # names and currencies are text, whatever signs they hold
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


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


def draw_season(
    days: Mapping[str, TypicalDay], prices: DayPrices, season: SeasonSet | None, currency: str
) -> str:
    """Return the average day of a season: one column a case, power above, level, prices below.

    The windows of the season's first day set are shaded in the column called ``windows``.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(9.6, 6.6), layout="constrained")
        axes = figure.subplots(
            3, len(days), sharex=True, sharey="row", height_ratios=[3, 1.6, 1.4], squeeze=False
        )
        for column, (title, day) in enumerate(days.items()):
            shaded = None if title == "cheapest plan" else season
            _draw_power(axes[0, column], day, shaded)
            _draw_level(axes[1, column], day, shaded)
            _draw_prices(axes[2, column], day.hour, prices, currency)
            axes[0, column].set_title(title, loc="left", fontweight="bold")
        axes[0, 0].set_ylabel("kW")
        axes[1, 0].set_ylabel("state of charge, %")
        axes[2, 0].set_ylabel(f"{currency} per kWh")
        for row, place in ((0, "outside right upper"), (2, "outside right lower")):
            handles, labels = axes[row, 0].get_legend_handles_labels()
            figure.legend(handles, labels, loc=place, frameon=False)
        return svg_text(figure)


def _draw_power(ax: Axes, day: TypicalDay, season: SeasonSet | None) -> None:
    power = day.power_kw
    width = 24 / len(day.hour)
    ax.bar(day.hour, power["charge_kwh"], width, align="edge", color=SKY, label="battery charges")
    ax.bar(
        day.hour, -power["discharge_kwh"], width, align="edge", color=GREEN,
        label="battery discharges",
    )  # fmt: skip
    for name, colour, dashes, label, sign in (
        ("load_kwh", BLACK, "-", "load", 1),
        ("pv_used_kwh", ORANGE, "-", "PV used", 1),
        ("import_kwh", VERMILION, "--", "import", 1),
        ("export_kwh", BLUE, "--", "export", -1),
    ):
        ax.step(
            _closed(day.hour), _repeated(sign * power[name]), where="post", color=colour,
            linestyle=dashes, linewidth=1.4, label=label,
        )  # fmt: skip
    ax.axhline(0, color=BLACK, linewidth=0.6)
    _shade(ax, season)
    ax.set_xlim(0, 24)
    ax.set_xticks(range(0, 25, 4), [f"{hour:02d}:00" for hour in range(0, 25, 4)])


def _draw_level(ax: Axes, day: TypicalDay, season: SeasonSet | None) -> None:
    ax.plot(day.hour + 24 / len(day.hour), day.soc_pct, color=GREEN, linewidth=1.8)
    ax.set_ylim(0, 105)
    _shade(ax, season)


def _draw_prices(ax: Axes, hour: FloatArray, prices: DayPrices, currency: str) -> None:
    lines = [
        (prices.buy, VERMILION, "-", "price of import"),
        (prices.sell, BLUE, "-", "price of export"),
        (prices.stored, GREEN, ":", "worth of a stored kWh"),
    ]
    if prices.stored_is_apart:
        lines.append((prices.sell_stored, BLUE, "--", "price of export out of the battery"))
    for values, colour, dashes, label in lines:
        ax.step(
            _closed(hour), _repeated(values), where="post", color=colour, linestyle=dashes,
            linewidth=1.4, label=label,
        )  # fmt: skip


def _shade(ax: Axes, season: SeasonSet | None) -> None:
    """Shade the windows of the first day set and write each action at its beginning."""
    if season is None:
        return
    for window in season.day_sets[0].windows:
        begin, end = window.begin / 60, window.finish / 60
        spans = [(begin, end)] if begin < end else [(begin, MINUTES_PER_DAY / 60), (0.0, end)]
        for left, right in spans:
            ax.axvspan(left, right, color=ACTION_COLOUR[window.action], alpha=0.25, linewidth=0)
        ax.annotate(
            window.action, (begin, 1), xycoords=("data", "axes fraction"), xytext=(2, -9),
            textcoords="offset points", fontsize=8,
        )  # fmt: skip


def draw_bills(totals: Mapping[str, float], currency: str) -> str:
    """Return the bills as horizontal bars, the first on top."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.4, 2.3), layout="constrained")
        ax = figure.subplots()
        names = list(totals)
        colours = {
            "battery, our windows": GREEN,
            "battery, these settings": GREEN,
            "cheapest possible plan": SKY,
        }
        ax.barh(names, list(totals.values()), color=[colours.get(n, "#BBBBBB") for n in names])
        ax.invert_yaxis()
        ax.axvline(0, color=BLACK, linewidth=0.6)
        for place, total in enumerate(totals.values()):
            offset, side = (4, "left") if total >= 0 else (-4, "right")
            ax.annotate(
                money(total), (total, place), xytext=(offset, 0), textcoords="offset points",
                va="center", ha=side,
            )  # fmt: skip
        ax.margins(x=0.15)
        ax.set_xlabel(f"bill, {currency}")
        return svg_text(figure)


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
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(4.8, 3.0), layout="constrained")
        ax = figure.subplots()
        ax.axvline(
            entries[recommended], color="#BBBBBB", linewidth=6, alpha=0.6, zorder=0,
            label="recommended",
        )  # fmt: skip
        ax.plot(
            entries, seen, color=ORANGE, linestyle="--", marker="s", markersize=5,
            label="weeks seen",
        )  # fmt: skip
        if unseen:
            ax.plot(entries, unseen, color=BLUE, marker="o", label="weeks not seen")
        ax.set_xticks(entries)
        ax.set_xlabel("windows to enter")
        ax.set_ylabel(f"saved over no windows, {currency}")
        ax.margins(x=0.08, y=0.12)
        figure.legend(
            loc="outside upper left", ncols=3, columnspacing=1.2, handlelength=1.6, frameon=False
        )
        return svg_text(figure)


def draw_hours_reached(
    reached: Mapping[str, Sequence[float]], ticks: Sequence[str], when: str, horizon_h: float
) -> str:
    """Return a figure of outage duration by clock hour or month, a line for each share. [h]

    NaN is left blank. The axis is stretched near zero, where an hour matters most.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(4.8, 3.4), layout="constrained")
        ax = figure.subplots()
        looks = zip((BLUE, GREEN, ORANGE), "os^", ("-", "--", ":"), strict=True)
        for (name, values), (colour, marker, dashes) in zip(reached.items(), looks, strict=True):
            ax.plot(
                range(len(ticks)), values, color=colour, marker=marker, markersize=4,
                linestyle=dashes, label=name,
            )  # fmt: skip
        ax.set_yscale("function", functions=(_root, np.square))
        marks = [h for h in (0, 1, 4, 8, 12, 24, 48, 72) if h <= horizon_h]
        ax.set_yticks(marks, [f"{mark}" for mark in marks])
        ax.set_ylim(0, horizon_h * 1.05)
        every = max(len(ticks) // 6, 1) if len(ticks) > 12 else 1
        ax.set_xticks(range(0, len(ticks), every), ticks[::every])
        ax.set_xlabel(when)
        ax.set_ylabel("goes on for at least, h")
        figure.legend(loc="outside upper left", ncols=3, columnspacing=1.2, frameon=False)
        return svg_text(figure)


def _root(hours: FloatArray) -> FloatArray:
    return np.sqrt(np.maximum(hours, 0.0))


def draw_floors(
    levels_pct: Sequence[float],
    prices: Mapping[str, Sequence[float | None]],
    lasting: Mapping[str, Sequence[float | None]],
    currency: str,
    hours: float,
) -> str:
    """Return a figure of floors [%], their cost [money] and the outages that then last [%]."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(9.6, 3.6), layout="constrained")
        left, right = figure.subplots(1, 2, sharex=True)
        looks = zip((BLUE, ORANGE, GREEN, PURPLE, VERMILION), "os^Dv", strict=True)
        for (name, price), (colour, marker) in zip(prices.items(), cycle(looks), strict=False):
            shares = [None if share is None else 100 * share for share in lasting[name]]
            for ax, values in ((left, price), (right, shares)):
                known = [(x, y) for x, y in zip(levels_pct, values, strict=True) if y is not None]
                ax.plot(*zip(*known, strict=True), color=colour, marker=marker, label=name)
        left.set_ylabel(f"costs more, {currency}")
        right.set_ylabel(f"outages that last {hours:g} h, %")
        for ax in (left, right):
            ax.set_xlabel("floor, % state of charge")
        left.legend(frameon=False)
        return svg_text(figure)


def _closed(hour: FloatArray) -> list[float]:
    return [*hour.tolist(), 24.0]


def _repeated(values: FloatArray) -> list[float]:
    """Return the values with the last one again, so that the last step is drawn to its end."""
    return [*values.tolist(), float(values[-1])]


def svg_text(figure: Figure) -> str:
    """Return a figure as SVG that can stand in a page."""
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None})
    whole = text.getvalue()
    return whole[whole.index("<svg") :]
