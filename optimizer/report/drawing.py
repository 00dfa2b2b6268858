"""Draws figures as SVG text: panels with axes, lines, steps, areas, bars, and legends inside the figure.

Colours and dashes are classes of ``templates/figures.css``, so that a figure follows paper, screen and
dark mode. Lines differ by dashes or marks as well as by colour, areas by outlines and hatching.

A drawing is made for half of a page's width and keeps its letters readable on a phone: those beside each
other stand under each other there. Read next: ``figures``.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from importlib.resources import files
from itertools import pairwise

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number
from optimizer.report.drawing_scales import Scale, ticks_between

HALF = 460
"""Width of a drawing: half of a page, or all of a phone. [px]"""

LETTER, ROW, KEY = 6.6, 17, 26
"""About how wide a sign is, the height of a line of text, and the width of a key in a legend. [px]"""

MARK = 3.5
"""Half the size of a mark. [px]"""


@dataclass(frozen=True)
class Look:
    """How a series looks: classes for its colour and dashes, and the shape of its marks.

    ``kind`` is ``line``, ``area`` or ``band``; ``mark`` one of ``o``, ``s``, ``^``, ``D``, ``v`` or empty;
    ``hatch`` of an area holds ``|``, ``-`` or both.
    """

    classes: str
    mark: str = ""
    kind: str = "line"
    hatch: str = ""


def width_of(text: str) -> float:
    """Return about how wide a text is; signs that take two places count twice. [px]"""
    wide = sum(unicodedata.east_asian_width(sign) in "WF" for sign in text)
    return LETTER * (len(text) + wide)


def cut(text: str, width: float) -> str:
    """Return a text, or as much of its beginning as fits into a width [px]."""
    if width_of(text) <= width:
        return text
    while text and width_of(text + "…") > width:
        text = text[:-1]
    return text + "…"


def left_of(values: tuple[float, float], most: int = 5) -> float:
    """Return how far from the left a panel begins, so that its round numbers have room. [px]"""
    widest = max(width_of(number(at, 6)) for at in ticks_between(*values, most))
    return max(46.0, widest + 8)


@dataclass
class Drawing:
    """A figure while it is drawn. ``spoken`` is what a screen reader says of it."""

    width: float
    height: float
    spoken: str
    parts: list[str] = field(default_factory=list)

    def add(
        self, tag: str, classes: str = "", text: str | None = None, **attributes: object
    ) -> None:
        """Add an element; numbers are written to a tenth of a pixel. Text is escaped."""
        told = {"class": classes} if classes else {}
        told |= {name.rstrip("_").replace("_", "-"): _short(value)
                 for name, value in attributes.items()}  # fmt: skip
        inside = " ".join([tag, *(f'{name}="{escape(value)}"' for name, value in told.items())])
        self.parts.append(f"<{inside}/>" if text is None else f"<{inside}>{escape(text)}</{tag}>")

    def text(
        self, x: float, y: float, words: str, classes: str = "", anchor: str = "start"
    ) -> None:
        """Write words that begin, are centred or end at a place."""
        self.add("text", f"{anchor} {classes}".strip(), words, x=x, y=y)

    def path(self, shape: str, classes: str) -> None:
        """Add a path of a shape in SVG's own words."""
        self.add("path", classes, d=shape)

    def mark(self, x: float, y: float, look: Look) -> None:
        """Draw the mark of a look."""
        self.path(_mark_shape(x, y, look.mark), f"mark {look.classes}")

    def svg(self) -> str:
        """Return the figure as SVG that can stand in a page."""
        return (
            f'<svg class="figure" role="img" aria-label="{escape(self.spoken)}"'
            f' viewBox="0 0 {self.width:g} {self.height:g}" xmlns="http://www.w3.org/2000/svg">'
            f"{''.join(self.parts)}</svg>"
        )


def _short(value: object) -> str:
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, float) else str(value)


def _mark_shape(x: float, y: float, mark: str) -> str:
    if mark == "o":
        return f"M{x - MARK:.1f} {y:.1f}a{MARK} {MARK} 0 1 0 {2 * MARK} 0a{MARK} {MARK} 0 1 0 {-2 * MARK} 0z"
    corners = {
        "s": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
        "D": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
        "^": ((0, -1.2), (1.2, 1), (-1.2, 1)),
        "v": ((0, 1.2), (1.2, -1), (-1.2, -1)),
    }[mark]
    return "M" + "L".join(f"{x + MARK * dx:.1f} {y + MARK * dy:.1f}" for dx, dy in corners) + "z"


# --- lines and areas -------------------------------------------------------------------------------


def _runs(x: FloatArray, y: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield the parts of a series without gaps."""
    known = np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        yield x[begin:end], y[begin:end]


def line_shape(x: FloatArray, y: FloatArray) -> str:
    """Return straight lines from place to place, broken where a place is NaN. [px]"""
    return "".join(
        "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(xs.tolist(), ys.tolist(), strict=True))
        for xs, ys in _runs(x, y)
    )


def steps_shape(edges: FloatArray, y: FloatArray) -> str:
    """Return a line of steps: each of S places holds between two of S + 1 edges. [px]"""
    first, *others = y.tolist()
    shape = [f"M{edges[0]:.1f} {first:.1f}"]
    before = first
    for edge, place in zip(edges[1:-1].tolist(), others, strict=True):
        if f"{place:.1f}" != f"{before:.1f}":
            shape.append(f"H{edge:.1f}V{place:.1f}")
            before = place
    return "".join([*shape, f"H{edges[-1]:.1f}"])


# --- panels ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Panel:
    """A part of a drawing with its two scales."""

    drawing: Drawing
    x: Scale
    y: Scale

    @classmethod
    def at(
        cls,
        drawing: Drawing,
        place: tuple[float, float, float, float],
        x: tuple[float, float],
        y: tuple[float, float],
    ) -> Panel:
        """Return a panel at left, top, right, bottom [px] with ranges of values."""
        left, top, right, bottom = place
        return cls(drawing, Scale(*x, left, right), Scale(*y, bottom, top))

    def axis_below(self, ticks: Mapping[float, str], words: str = "") -> None:
        """Draw the lower axis with its ticks, and what it tells."""
        bottom, shape = self.y.begin, f"M{self.x.begin:.1f} {self.y.begin:.1f}H{self.x.end:.1f}"
        for value, label in ticks.items():
            at = self.x(value)
            shape += f"M{at:.1f} {bottom:.1f}v4"
            if label:
                self.drawing.text(at, bottom + 16, label, "tick", "middle")
        self.drawing.path(shape, "axis")
        if words:
            middle = (self.x.begin + self.x.end) / 2
            self.drawing.text(middle, bottom + 33, words, anchor="middle")

    def axis_left(self, ticks: Mapping[float, str], words: str = "") -> None:
        """Draw lines across at the ticks, their labels at the left, and what is told above them."""
        shape = "".join(f"M{self.x.begin:.1f} {self.y(at):.1f}H{self.x.end:.1f}" for at in ticks)
        self.drawing.path(shape, "rule")
        for value, label in ticks.items():
            self.drawing.text(self.x.begin - 5, self.y(value) + 4, label, "tick", "end")
        if words:
            self.drawing.text(4, self.y.end - 9, words)

    def numbers_left(self, words: str = "", most: int = 5) -> None:
        """Draw the left axis with round numbers."""
        self.axis_left({at: number(at, 6) for at in self.y.ticks(most)}, words)

    def numbers_below(self, words: str = "", most: int = 7) -> None:
        """Draw the lower axis with round numbers."""
        self.axis_below({at: number(at, 6) for at in self.x.ticks(most)}, words)

    def zero(self) -> None:
        """Draw a line at zero, where it lies inside."""
        if self.y.low <= 0 <= self.y.high:
            self.across(0.0, "axis")

    def across(self, value: float, classes: str) -> None:
        """Draw a level line at a value."""
        self.drawing.path(f"M{self.x.begin:.1f} {self.y(value):.1f}H{self.x.end:.1f}", classes)

    def upright(self, value: float, classes: str) -> None:
        """Draw an upright line at a value."""
        self.drawing.path(f"M{self.x(value):.1f} {self.y.end:.1f}V{self.y.begin:.1f}", classes)

    def line(self, x: Iterable[float], y: Iterable[float], look: Look) -> None:
        """Draw straight lines between values, and a mark at each if the look has one."""
        at_x, at_y = self.x.of(list(x)), self.y.of(list(y))
        self.drawing.path(line_shape(at_x, at_y), f"line {look.classes}")
        self.marks(x, y, look)

    def marks(self, x: Iterable[float], y: Iterable[float], look: Look) -> None:
        """Draw a mark at each pair of values that is known."""
        if look.mark:
            for a, b in zip(self.x.of(list(x)).tolist(), self.y.of(list(y)).tolist(), strict=True):
                if np.isfinite(b):
                    self.drawing.mark(a, b, look)

    def steps(self, edges: FloatArray, values: FloatArray, look: Look) -> None:
        """Draw S values as steps between S + 1 edges."""
        self.drawing.path(steps_shape(self.x.of(edges), self.y.of(values)), f"line {look.classes}")

    def area(self, edges: FloatArray, values: FloatArray, look: Look) -> None:
        """Fill between zero and S values that hold between S + 1 edges."""
        at, base = self.x.of(edges), self.y(0.0)
        shape = steps_shape(at, self.y.of(values))
        self.drawing.path(f"{shape}V{base:.1f}H{at[0]:.1f}z", f"area {look.classes}")

    def block(self, x: tuple[float, float], y: tuple[float, float], look: Look) -> None:
        """Fill between two values of each axis."""
        left, right = sorted((self.x(x[0]), self.x(x[1])))
        top, bottom = sorted((self.y(y[0]), self.y(y[1])))
        _box(self.drawing, (left, top, right - left, bottom - top), look)

    def band(self, begin: float, end: float, look: Look) -> None:
        """Shade from top to bottom between two values."""
        self.block((begin, end), (self.y.low, self.y.high), look)


def _box(drawing: Drawing, place: tuple[float, float, float, float], look: Look) -> None:
    left, top, width, height = place
    drawing.add("rect", f"{look.kind} {look.classes}", x=left, y=top, width=width, height=height)
    shape = ""
    if "|" in look.hatch:
        shape += "".join(
            f"M{x:.1f} {top:.1f}v{height:.1f}" for x in np.arange(left + 3, left + width, 5)
        )
    if "-" in look.hatch:
        shape += "".join(
            f"M{left:.1f} {y:.1f}h{width:.1f}" for y in np.arange(top + 3, top + height, 5)
        )
    if shape:
        drawing.path(shape, "hatch")


# --- legends ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Legend:
    """Names of series with their looks, on as many lines as they need in a width. [px]"""

    entries: Sequence[tuple[str, Look]]
    width: float

    @property
    def rows(self) -> list[list[tuple[float, str, Look]]]:
        """The lines, each entry with its distance from the left."""
        rows: list[list[tuple[float, str, Look]]] = [[]]
        at = 0.0
        for name, look in self.entries:
            words = cut(name, self.width - KEY - 6)
            needed = KEY + 6 + width_of(words)
            if rows[-1] and at + needed > self.width:
                rows.append([])
                at = 0.0
            rows[-1].append((at, words, look))
            at += needed + 12
        return rows

    @property
    def height(self) -> float:
        """Height of all lines. [px]"""
        return ROW * len(self.rows)

    def draw(self, drawing: Drawing, left: float, top: float) -> None:
        """Draw the lines from a place on."""
        for line, row in enumerate(self.rows):
            middle = top + ROW * (line + 0.5)
            for at, words, look in row:
                self._key(drawing, left + at, middle, look)
                drawing.text(left + at + KEY + 6, middle + 4, words)

    @staticmethod
    def _key(drawing: Drawing, left: float, middle: float, look: Look) -> None:
        if look.kind != "line":
            _box(drawing, (left + 4, middle - 5, KEY - 8.0, 10.0), look)
            return
        if "bare" not in look.classes.split():
            drawing.path(f"M{left:.1f} {middle:.1f}h{KEY}", f"line {look.classes}")
        if look.mark:
            drawing.mark(left + KEY / 2, middle, look)


def hours_ticks(every: int, hour_text: Sequence[str]) -> dict[float, str]:
    """Return ticks at hours of the day; ``hour_text`` holds 25 labels."""
    return {float(hour): hour_text[hour] for hour in range(0, 25, every)}


def padded(values: Iterable[float], room: float) -> list[float]:
    """Return edges around values that stand at even distances, ``room`` of a distance on each side."""
    at = list(values)
    gap = min((b - a for a, b in pairwise(at)), default=1.0)
    return [at[0] - room * gap, at[-1] + room * gap]


def standing_alone(svg: str) -> str:
    """Return a figure with its colours and its ground, as a file of its own."""
    styles = files("optimizer.report").joinpath("templates/figures.css").read_text("utf-8")
    head, begin, rest = svg.partition(">")
    ground = '<rect width="100%" height="100%" fill="var(--ground)"/>'
    return f"{head}{begin}<style>{styles}</style>{ground}{rest}"
