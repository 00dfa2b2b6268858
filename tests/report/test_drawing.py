"""Scales, ticks and shapes worked out by hand, the pictures of heat maps read back, colours by WCAG's formula."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from importlib.resources import files
from xml.etree import ElementTree

import numpy as np
import pytest

from optimizer.base.writing import Writing
from optimizer.evaluation.typical_day import SHOWN, TypicalDay
from optimizer.report.drawing import (
    HALF,
    Drawing,
    Legend,
    Look,
    Panel,
    cut,
    line_shape,
    standing_alone,
    steps_shape,
    width_of,
)
from optimizer.report.drawing_png import LEVELS, picture
from optimizer.report.drawing_scales import Scale, span_of, ticks_between
from optimizer.report.figures import (
    LEFT,
    RIGHT,
    DayPrices,
    draw_bills,
    draw_curve,
    draw_hours_reached,
    draw_season,
)
from optimizer.settings.windows import Window

# --- scales ----------------------------------------------------------------------------------------


def test_a_scale_goes_evenly_from_end_to_end() -> None:
    scale = Scale(-10, 30, 100, 20)
    assert [scale(-10), scale(10), scale(30)] == [100, 60, 20]


def test_a_scale_of_roots_is_stretched_near_zero() -> None:
    scale = Scale(0, 100, 0, 200, is_root=True)
    assert [scale(0), scale(1), scale(25), scale(100)] == [0, 20, 100, 200]


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0, 10, 6, [0, 2, 4, 6, 8, 10]),
        (-3, 7, 3, [0, 5]),
        (0, 0.031, 5, [0, 0.01, 0.02, 0.03]),
        (0, 2680.89, 6, [0, 500, 1000, 1500, 2000, 2500]),
        (99.9, 100.1, 3, [99.9, 100, 100.1]),
    ],
)
def test_ticks_are_round_and_not_too_many(low, high, most, expected) -> None:
    assert ticks_between(low, high, most) == pytest.approx(expected)


def test_ticks_of_any_range_lie_inside_and_keep_to_the_most() -> None:
    luck = np.random.default_rng(1)
    for _ in range(500):
        low = luck.normal() * 10.0 ** luck.integers(-3, 6)
        high = low + abs(luck.normal()) * 10.0 ** luck.integers(-3, 6) + 1e-3
        found = ticks_between(low, high, 5)
        assert 1 <= len(found) <= 5
        assert all(low - 1e-6 * (high - low) <= at <= high + 1e-6 * (high - low) for at in found)


def test_a_range_holds_its_values_and_zero_where_asked() -> None:
    assert span_of([2, 12], margin=0.1) == (1, 13)
    assert span_of([2, 12], margin=0.1, with_zero=True) == pytest.approx((0, 13.2))
    assert span_of([-5, -1], margin=0.1, with_zero=True) == pytest.approx((-5.5, 0))
    for same in ([0.0], [3.0, 3.0], [-2.0], [], [np.nan]):
        low, high = span_of(same, with_zero=True)
        assert low < high
        assert low <= 0 <= high


# --- shapes ----------------------------------------------------------------------------------------


def test_steps_hold_to_the_next_edge_and_lines_break_at_gaps() -> None:
    assert (
        steps_shape(np.array([0.0, 10, 20, 30]), np.array([5.0, 5, 7])) == "M0.0 5.0H20.0V7.0H30.0"
    )
    x = np.arange(4.0)
    assert line_shape(x, np.array([1, np.nan, 2, 3])) == "M0.0 1.0M2.0 2.0L3.0 3.0"


def test_names_of_any_signs_stay_text() -> None:
    drawing = Drawing(100, 50, 'a "<b>" & c')
    drawing.text(1, 2, "<script>alert('x')</script>")
    figure = ElementTree.fromstring(drawing.svg())
    assert figure.get("aria-label") == 'a "<b>" & c'
    assert [part.text for part in figure] == ["<script>alert('x')</script>"]


def test_a_legend_keeps_inside_its_width_and_cuts_no_short_name() -> None:
    names = ["load", "x" * 90, "電池" * 30, "import", "export", "battery charges"]
    legend = Legend([(name, Look("blue")) for name in names], 300)
    for row in legend.rows:
        left, words, _ = row[-1]
        assert left + 32 + width_of(words) <= 300
    words = [words for row in legend.rows for _, words, _ in row]
    assert [word for word in words if not word.endswith("…")] == [names[0], *names[3:]]
    assert cut("short", 300) == "short"


def test_no_two_lines_of_a_figure_differ_by_colour_alone() -> None:
    reached = {"nine in ten": [1.0, 2], "five in ten": [3.0, 4], "one in ten": [5.0, 6]}
    for svg in (
        draw_curve([0, 1], [0.0, 5], [0.0, 4], 1, "EUR"),
        draw_hours_reached(reached, ["Jan", "Feb"], "grid fails in", 72),
    ):
        looks = {
            tuple(sorted({"dash", "dots", "long"} & set(classes.split())))
            for classes in re.findall(r'class="line ([^"]+)"', svg)
        }
        colours = {classes.split()[0] for classes in re.findall(r'class="line ([^"]+)"', svg)}
        assert len(looks) == len(colours) > 1


def test_bars_are_as_long_as_the_bills() -> None:
    svg = draw_bills({"a": 200.0, "b": 50.0, "c": -100.0}, "EUR")
    bars = re.findall(r'<rect class="area[^"]*" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', svg)
    (a_left, a), (b_left, b), (c_left, c) = ((float(x), float(w)) for x, w in bars)
    assert a / b == pytest.approx(4, rel=0.01)
    assert a / c == pytest.approx(2, rel=0.01)
    assert a_left == b_left == pytest.approx(c_left + c, abs=0.2)
    for words in ("200.00", "50.00", "-100.00"):
        assert f">{words}</text>" in svg


def test_a_figure_alone_carries_its_colours() -> None:
    panel = Panel.at(Drawing(50, 50, "x"), (0, 0, 50, 50), (0, 1), (0, 1))
    panel.line([0, 1], [0, 1], Look("blue"))
    alone = ElementTree.fromstring(standing_alone(panel.drawing.svg()))
    assert "--blue" in (alone[0].text or "")


# --- pictures --------------------------------------------------------------------------------------


def pixels(link: str) -> tuple[np.ndarray, np.ndarray, bytes]:
    """Return palette places, palette and opacities of a PNG, read by its standard."""
    raw = base64.b64decode(link.removeprefix("data:image/png;base64,"))
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    chunks, at = {}, 8
    while at < len(raw):
        (size,) = struct.unpack(">I", raw[at : at + 4])
        name, data = raw[at + 4 : at + 8], raw[at + 8 : at + 8 + size]
        assert struct.unpack(">I", raw[at + 8 + size : at + 12 + size]) == (
            zlib.crc32(name + data),
        )
        chunks[name.decode()] = data
        at += 12 + size
    columns, rows, depth, kind = struct.unpack(">IIBB", chunks["IHDR"][:10])
    assert (depth, kind) == (8, 3)
    lines = np.frombuffer(zlib.decompress(chunks["IDAT"]), np.uint8).reshape(rows, columns + 1)
    assert not lines[:, 0].any()
    palette = np.frombuffer(chunks["PLTE"], np.uint8).reshape(-1, 3)
    return lines[:, 1:], palette, chunks["tRNS"]


def test_a_picture_holds_its_values_and_leaves_blank_what_is_not_there() -> None:
    values = np.array([[0.0, 50, 100], [np.nan, -20, 120]])
    place, palette, opacity = pixels(picture(values, 0, 100))
    assert place.tolist() == [[0, 31, LEVELS - 1], [LEVELS, 0, LEVELS - 1]]
    assert opacity[LEVELS] == 0
    assert set(opacity[:LEVELS]) == {255}
    assert palette[0].tolist() == [0, 34, 78]  # cividis as published: its darkest and its brightest
    assert palette[LEVELS - 1].tolist() == [254, 232, 56]


def test_the_palette_rises_in_brightness() -> None:
    _, palette, _ = pixels(picture(np.array([[0.0]]), 0, 1))
    grey = palette[:LEVELS] @ np.array([0.2126, 0.7152, 0.0722])
    assert (np.diff(grey) > 0).all()


# --- colours ---------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (WCAG 2.2, definition)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_is_reckoned_as_published() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(
        4.48, abs=0.005
    )  # known from WCAG's examples


def test_lines_stand_out_on_paper_and_in_the_dark() -> None:
    """3 : 1 for lines and edges of areas, 4.5 : 1 for letters (WCAG 2.2, 1.4.11 and 1.4.3)."""
    styles = files("optimizer.report").joinpath("templates/figures.css").read_text("utf-8")
    light, dark = (dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", part))
                   for part in styles.split("@media", 1))  # fmt: skip
    assert set(light) == set(dark)
    for colours in (light, dark):
        for line in ("blue", "vermilion", "green", "orange", "purple", "plain"):
            assert contrast(colours[line], colours["ground"]) >= 3, line
        assert contrast(colours["letters"], colours["ground"]) >= 4.5


# --- a figure's numbers ----------------------------------------------------------------------------


def heights(svg: str, classes: str) -> list[float]:
    """Return where a line of steps stands, step by step. [px]"""
    shape = max(re.findall(rf'<path class="{classes}" d="([^"]+)"', svg), key=len)  # not the key
    y, last, found = 0.0, None, []
    for command, numbers in re.findall(r"([MHV])([\d. -]+)", shape):
        if command == "V":
            y = float(numbers)
        elif command == "M":
            last, y = map(float, numbers.split())
        else:
            end = float(numbers)
            found += [y] * round((end - (last or 0.0)) / STEP_PX)
            last = end
    return found


STEP_PX = (HALF - RIGHT - LEFT) / 24


def test_an_average_day_is_drawn_as_its_numbers_are() -> None:
    """Load is 1, 2 … 4 kW in turn, import half of it: on one axis, whose ticks tell the scale."""
    load = np.resize([1.0, 2.0, 3.0, 4.0], 24)
    flows = dict.fromkeys(SHOWN, np.zeros(24)) | {"load_kwh": load, "import_kwh": load / 2}
    day = TypicalDay(np.arange(24.0), flows, np.full(24, 50.0))
    prices = DayPrices(*(np.ones(24) for _ in range(4)))
    window = Window(start="22:00", end="06:00", action="charge")
    (svg,) = draw_season({"ours": day}, prices, {"ours": [window]}, "May", "EUR", Writing(clock=12))
    ticks = re.findall(r'<text class="end tick" x="[\d.]+" y="([\d.]+)">([\d.]+)</text>', svg)
    at = {label: float(y) - 4 for y, label in ticks[:5]}
    per_kw = at["0"] - at["1"]
    drawn = np.array(heights(svg, "line plain"))
    np.testing.assert_allclose((at["0"] - drawn) / per_kw, load, atol=0.02)
    drawn = np.array(heights(svg, "line vermilion dash"))
    np.testing.assert_allclose((at["0"] - drawn) / per_kw, load / 2, atol=0.02)
    bands = re.findall(r'<rect class="band sky" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', svg)
    spans = [((float(x) - LEFT) / STEP_PX, float(width) / STEP_PX) for x, width in bands]
    np.testing.assert_allclose(spans[:2], [(22, 2), (0, 6)], atol=0.02)
    assert ">4 am</text>" in svg
    assert "load 60 kWh" in svg  # 6 × (1 + 2 + 3 + 4)
    assert "import 30 kWh" in svg
