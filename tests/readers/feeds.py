"""Writes ESPI feeds and interval CSVs, invented or rebuilt from published facts, for the tests."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from optimizer.metering.found import Found, Request
from optimizer.metering.outside import read_any

NEW_YORK = {"tz": -18000, "dst": 3600, "start": "360E2000", "end": "B40E2000"}
"""LocalTimeParameters of the official sample file; see test_espi.py for their source."""

DELTA_WH = {"accumulationBehaviour": 4, "commodity": 1, "flowDirection": 1, "kind": 12, "uom": 72}
"""Interval delta in Wh: a combination of the conformance rules, see test_espi.py."""


@dataclass
class Meter:
    """One MeterReading of a feed: fields of its ReadingType, and its blocks of readings.

    A reading is (start, value), (start, value, duration), or a dict of its elements.
    """

    readings: Sequence[object]
    fields: dict[str, object] = field(default_factory=dict)
    length: int | None = 3600
    blocks: Sequence[tuple[int, int, Sequence[object]]] | None = None


def reading_xml(one: object, length: int | None, prefix: str = "") -> str:
    """Return an IntervalReading."""
    if not isinstance(one, dict):
        start, value, *rest = one
        one = {"start": start, "value": value, "duration": rest[0] if rest else length}
    period = "".join(
        f"<{prefix}{key}>{one[key]}</{prefix}{key}>"
        for key in ("duration", "start")
        if one.get(key) is not None
    )
    return (
        f"<{prefix}IntervalReading>"
        + (f"<{prefix}cost>{one['cost']}</{prefix}cost>" if "cost" in one else "")
        + (
            f"<{prefix}ReadingQuality><{prefix}quality>{one['quality']}</{prefix}quality></{prefix}ReadingQuality>"
            if "quality" in one
            else ""
        )
        + (f"<{prefix}timePeriod>{period}</{prefix}timePeriod>" if "start" in one else "")
        + f"<{prefix}value>{one['value']}</{prefix}value></{prefix}IntervalReading>\n"
    )


def entry_xml(links: Iterable[tuple[str, str]], title: str, content: str) -> str:
    """Return an Atom entry."""
    shown = "".join(f'<link rel="{rel}" href="{href}"/>\n' for rel, href in links)
    return f"<entry>{shown}<title>{title}</title>\n<content>{content}</content></entry>\n"


def feed_xml(
    points: Sequence[tuple[str, int, Sequence[Meter]]],
    clock: dict[str, object] | None = NEW_YORK,
    *,
    prefix: str = "",
    root: str = "",
) -> str:
    """Return a feed of usage points, each with a title, a service kind and its meter readings."""
    space = 'xmlns:e="http://naesb.org/espi"' if prefix else 'xmlns="http://naesb.org/espi"'
    p = prefix

    def element(name: str, inner: str) -> str:
        return f"<{p}{name} {space}>{inner}</{p}{name}>"

    parts = [f'<feed xmlns="http://www.w3.org/2005/Atom">{root}\n']
    if clock is not None:
        inner = (
            f"<{p}dstEndRule>{clock['end']}</{p}dstEndRule><{p}dstOffset>{clock['dst']}</{p}dstOffset>"
            f"<{p}dstStartRule>{clock['start']}</{p}dstStartRule><{p}tzOffset>{clock['tz']}</{p}tzOffset>"
        )
        parts.append(entry_xml([("self", "LTP/1")], "clock", element("LocalTimeParameters", inner)))
    for number, (title, kind, meters) in enumerate(points, start=1):
        here = f"C/1/UsagePoint/{number}"
        usage = f"<{p}ServiceCategory><{p}kind>{kind}</{p}kind></{p}ServiceCategory>"
        links = [("self", here), ("related", f"{here}/MeterReading"), ("related", "LTP/1")]
        parts.append(entry_xml(links, title, element("UsagePoint", usage)))
        for count, meter in enumerate(meters, start=1):
            parts += _meter_xml(
                f"{here}/MeterReading/{count}", f"T/{number}/{count}", meter, p, element
            )
    return "".join(parts) + "</feed>\n"


def _meter_xml(
    here: str, kind: str, meter: Meter, p: str, element: Callable[[str, str], str]
) -> list[str]:
    links = [
        ("self", here), ("up", here.rpartition("/")[0]), ("related", f"{here}/IntervalBlock"),
        ("related", kind),
    ]  # fmt: skip
    fields = DELTA_WH | {"currency": 840, "powerOfTenMultiplier": 0} | meter.fields
    if meter.length is not None:
        fields.setdefault("intervalLength", meter.length)
    told = "".join(f"<{p}{k}>{v}</{p}{k}>" for k, v in fields.items() if v is not None)
    parts = [
        entry_xml(links, "readings", element("MeterReading", "")),
        entry_xml([("self", kind)], "", element("ReadingType", told)),
    ]
    blocks = meter.blocks
    if blocks is None:
        starts = [one["start"] if isinstance(one, dict) else one[0] for one in meter.readings]
        first = min(starts)
        span = max(starts) - first + (meter.length or 900)
        blocks = [(first, span, meter.readings)]
    for count, (first, span, readings) in enumerate(blocks, start=1):
        inner = f"<{p}interval><{p}duration>{span}</{p}duration><{p}start>{first}</{p}start></{p}interval>"
        inner += "".join(reading_xml(one, meter.length, p) for one in readings)
        up = [("self", f"{here}/IntervalBlock/{count}"), ("up", f"{here}/IntervalBlock")]
        parts.append(entry_xml(up, "", element("IntervalBlock", inner)))
    return parts


def hourly(first: int, values: Iterable[float], step: int = 3600) -> list[tuple[int, float]]:
    """Return consecutive readings."""
    return [(first + step * number, value) for number, value in enumerate(values)]


def read_text(folder: Path, text: str | bytes, **asked: str | None) -> Found:
    """Write a file and read it."""
    path = folder / "meter.data"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_any(path, Request(**asked))  # type: ignore[arg-type]


def imported(found: Found, point: int = 0) -> np.ndarray:
    """Return the import of a point."""
    return found.points[point].even.columns["import_kwh"]


def exported(found: Found, point: int = 0) -> np.ndarray:
    """Return the export of a point."""
    return found.points[point].even.columns["export_kwh"]


def noted(found: Found) -> str:
    """Return all notes of the first point."""
    return "\n".join(found.points[0].notes)


def wall(first: str, count: int, minutes: int) -> list[datetime]:
    """Return naive wall-clock times, as many as asked, whatever the clock does."""
    begin = datetime.fromisoformat(first)
    return [begin + number * timedelta(minutes=minutes) for number in range(count)]
