"""Reads ESPI (Green Button) XML: usage points of electricity, with their import and export.

Things belong together by the addresses of their links, not by where they stand in the file: a
UsagePoint names its MeterReadings, a MeterReading its ReadingType and its IntervalBlocks. Where no link
leads on at all, as in older files, the only UsagePoint or MeterReading takes what there is, with a note.
The ReadingType says what a value is::

    energy in kWh = value × 10^powerOfTenMultiplier / 1000          uom 72, Wh
    energy in kWh = the same × length of the interval in h          uom 38, W, a mean power

flowDirection 1 is import, 19 export, 4 the net of both in an interval. accumulationBehaviour 4, or
none named, is a value for each interval. 1, 2 and 3 are readings of a register, if the values rise like
one's; ``registers`` makes energies of them. Behaviour 1 with flowDirection 4 is a value for each
interval, as the conformance rules have net metering; a register of the net is refused, since a fall of
it may be export or a reset.

Read next: ``interval_csv``.

References
----------
NAESB REQ.21 Energy Services Provider Interface; schema ``espi.xsd`` 4.0.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd

from optimizer.base.clock import Clock
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, known_zone
from optimizer.metering.espi_points import Group, Member, grouped, names
from optimizer.metering.espi_xml import ABSENT, Block, Entry, Feed
from optimizer.metering.found import (
    Found,
    Point,
    Request,
    finished,
    is_asked,
    span,
    zone_clock,
)
from optimizer.metering.local_time import clock_of_rules, dst_rule
from optimizer.metering.meter_parts import directions_parted
from optimizer.metering.readings import (
    Account,
    Stream,
    counted,
    even_readings,
)
from optimizer.metering.registers import READINGS_A_FALL, energies
from optimizer.metering.wall_clock import SKIPPED, open_words, placed, same_twins

SERVICES = {
    0: "electricity", 1: "gas", 2: "water", 3: "time", 4: "heat", 5: "refuse", 6: "sewerage",
    7: "rates", 8: "television licence", 9: "internet",
}  # fmt: skip
"""ServiceCategory/kind."""

UNITS = {
    72: "Wh", 38: "W", 71: "VAh", 61: "VA", 73: "VArh", 63: "VAr", 29: "V", 5: "A", 33: "Hz",
    65: "power factor", 106: "Ah", 42: "m³", 119: "ft³", 132: "Btu", 169: "therm", 23: "°C",
    31: "J", 80: "currency", 159: "min", 160: "h",
}  # fmt: skip
WH, W, VARH = 72, 38, 73
Kind = Literal["energy", "power", "register"]

FORWARD, NET, REVERSE = 1, 4, 19
DIRECTIONS = {FORWARD: "import_kwh", NET: "net_kwh", REVERSE: "export_kwh"}
DELTA, BULK = 4, 1
REGISTERS = {1, 2, 3}
BEHAVIOURS = {
    1: "a bulk quantity", 2: "continuously cumulative", 3: "cumulative", 6: "indicating",
    9: "a sum", 12: "instantaneous",
}  # fmt: skip
EXTREMES = {8: "highest", 9: "lowest", 16: "second highest"}
"""dataQualifier of values that are no mean and no sum of the interval."""

ELECTRICITY = {0, 1, 2}
"""commodity: none, secondary, primary metered electricity."""

CURRENCIES = {
    840: "USD", 978: "EUR", 36: "AUD", 124: "CAD", 756: "CHF", 156: "CNY", 208: "DKK",
    826: "GBP", 392: "JPY", 578: "NOK", 752: "SEK", 356: "INR", 554: "NZD",
}  # fmt: skip
"""ISO 4217 numeric codes."""

COST_UNIT = 1e-5
QUALITIES = {
    7: "manually edited", 8: "estimated", 9: "interpolated", 10: "questionable", 11: "derived",
    12: "projected", 13: "mixed", 14: "raw", 15: "weather-normalised", 16: "other",
}  # fmt: skip
"""ReadingQuality other than valid (0), validated, verified and revenue quality (17 to 19)."""

REGISTER_READINGS = 4
"""From this number of readings on, values that only rise look like a register."""

FILE_LINES = 10**9
"""Places in the second of several files count from here on, and so on; no file has as many lines."""

USE_OF_KIND = ("energy", "register", "power")
"""Kinds of readings, the one that is used first where several tell the same."""


@dataclass
class Series:
    """One MeterReading: what its ReadingType says, and the rows of its blocks."""

    reading: Entry
    words: dict[str, str]
    blocks: list[Block] = field(default_factory=list)

    def number(self, key: str, default: int) -> int:
        """Return a field of the ReadingType as a number."""
        text = self.words.get(key, "")
        return int(text) if re.fullmatch(r"-?\d{1,9}", text, re.ASCII) else default


def read_espi(feeds: Sequence[Feed], request: Request) -> Found:
    """Read the electricity of an ESPI file, or of several whose times follow one another.

    Parameters
    ----------
    feeds : sequence of Feed
        What stands in each file.
    request : Request
        Zone, point and fill rule, and at which edge of its interval a register was read; the rest is for
        CSVs.

    Returns
    -------
    Found
        Each usage point of electricity with ``import_kwh``, ``export_kwh`` and, where there is
        reactive energy, ``reactive_kvarh`` per step.

    Raises
    ------
    SeriesError
        If a file holds no electricity, contradicts itself or another, or neither they nor the request
        name the meter's clock.
    """
    series_of: list[list[list[Series]]] = []
    notes: list[str] = []
    for feed in feeds:
        usage = feed.of_content("UsagePoint")
        if not usage:
            raise SeriesError(
                "the feed has no UsagePoint", where=feed.path,
                mend="Ask for usage data with its usage point, meter reading and reading type.",
            )  # fmt: skip
        found, strays = _series_of_points(feed, usage)
        series_of.append(found)
        notes += _by_file(feed, strays, feeds)
    points: list[Point] = []
    refused: list[str] = []
    groups = grouped(feeds)
    for number, group in enumerate(groups, start=1):
        if not any(is_asked(request.point, number, one.name) for one in group.members):
            continue
        parts: list[Metered] = []
        for one in group.members:
            reason = _not_electric(one.entry)
            account = Account(one.feed.path, one.feed.where)
            series = series_of[one.file][one.place]
            streams = [] if reason else _streams(one.feed, series, request, account)
            if streams:
                told = _by_file(one.feed, account.notes, feeds)
                parts.append(Metered(one, series, streams, told))
            else:
                why = reason or "; ".join(account.notes) or "it has no readings"
                left = f"usage point {number} ({one.name or 'no name'}) is left out: {why}"
                refused += _by_file(one.feed, [left], feeds)
        if parts:
            points.append(_point(number, group, parts, request))
    _refuse_nothing(groups, points, refused, request)
    kind = "ESPI (Green Button) XML"
    return Found(feeds[0].path, kind, tuple(points), tuple(refused), tuple(notes))


def _by_file(feed: Feed, notes: Sequence[str], feeds: Sequence[Feed]) -> list[str]:
    """Return notes on a file, with its name where there are several."""
    return list(notes) if len(feeds) == 1 else [f"{feed.path.name}: {one}" for one in notes]


def _refuse_nothing(
    groups: Sequence[Group], points: list[Point], refused: list[str], request: Request
) -> None:
    if points:
        return
    first = groups[0].first
    if not refused:
        told = "; ".join(f"{n} {one.first.entry.title}".rstrip() for n, one in enumerate(groups, 1))
        raise SeriesError(
            f"no usage point has the number or name {request.point!r}; there are: {told}",
            where=f"{first.feed.path}, --point",
            mend="Give one of these numbers.",
        )
    raise SeriesError(
        "; ".join(refused)[:1000],
        where=first.feed.where(first.entry.line),
        mend="Ask for the interval readings of electricity.",
    )


def _not_electric(entry: Entry) -> str:
    text = entry.fields.get("ServiceCategory/kind", "")
    kind = int(text) if re.fullmatch(r"\d{1,4}", text, re.ASCII) else -1
    if kind == 0:
        return ""
    if kind < 0:
        return "its ServiceCategory has no kind"
    return f"this usage point is {SERVICES.get(kind, 'an unknown service')} (kind {kind})"


def _series_of_points(feed: Feed, usage: Sequence[Entry]) -> tuple[list[list[Series]], list[str]]:
    """Return the series of each usage point, and notes on what belongs to nothing."""
    all_types = feed.of_content("ReadingType")
    types = {entry.itself: entry.fields for entry in all_types}
    found: list[list[Series]] = [[] for _ in usage]
    lost_readings: list[Series] = []
    by_reading: dict[int, Series] = {}
    readings = feed.of_content("MeterReading")
    owner_of = _owners(usage)
    notes = feed.notes()
    for reading in readings:
        kinds = [types[target] for target in sorted(reading.related) if target in types]
        if not kinds and len(readings) == len(all_types) == 1:
            kinds = [all_types[0].fields]
            notes.append("no link leads to a reading type; the only reading type was taken.")
        series = Series(reading, kinds[0] if kinds else {})
        by_reading[id(reading)] = series
        owner = owner_of(reading)
        if owner is None:
            lost_readings.append(series)
        else:
            found[owner].append(series)
    lost_blocks = _give_blocks(feed, readings, by_reading)
    if len(usage) == 1 and not found[0]:
        found[0], lost_readings = lost_readings, []
        notes += _note_strays(len(found[0]), "meter reading", "taken for the only usage point's")
    if len(readings) == 1 and len(lost_blocks) == len(feed.blocks):
        by_reading[id(readings[0])].blocks, lost_blocks = lost_blocks, []
        notes += _note_strays(
            len(feed.blocks), "interval block", "taken for the only meter reading's"
        )
    notes += _note_strays(len(lost_readings), "meter reading", "left out")
    notes += _note_strays(len(lost_blocks), "interval block", "left out")
    return found, notes


def _note_strays(count: int, thing: str, fate: str) -> list[str]:
    told = f"{counted(count, thing)} without a link to anything in this file {fate}."
    return [told] if count else []


def _give_blocks(
    feed: Feed, readings: Sequence[Entry], by_reading: dict[int, Series]
) -> list[Block]:
    """Give each block to its meter reading; return those that have none."""
    owners: dict[str, Entry] = {}
    for reading in readings:
        for target in reading.related:
            owners.setdefault(target, reading)
        if reading.itself:
            owners.setdefault(f"{reading.itself}/IntervalBlock", reading)
    lost = []
    for block in feed.blocks:
        addresses = [*sorted(block.entry.up), block.entry.itself]
        owner = next((owners[one] for one in addresses if one in owners), None)
        if block.entry.content == "MeterReading":
            owner = block.entry
        if owner is None:
            lost.append(block)
        else:
            by_reading[id(owner)].blocks.append(block)
    return lost


def _owners(usage: Sequence[Entry]) -> Callable[[Entry], int | None]:
    """Return a function for the first usage point whose links or address lead to a reading."""
    by_link: dict[str, int] = {}
    by_place: dict[str, int] = {}
    for number, point in enumerate(usage):
        for link in point.related:
            by_link.setdefault(link, number)
        if point.itself:
            by_place.setdefault(point.itself, number)

    def owner_of(reading: Entry) -> int | None:
        found = []
        for address in (*reading.up, reading.itself):
            if address in by_link:
                found.append(by_link[address])
            above = address
            while "/" in above:
                above = above.rpartition("/")[0]
                if above in by_place:
                    found.append(by_place[above])
        return min(found, default=None)

    return owner_of


@dataclass(frozen=True)
class Usable:
    """A stream with cost and type of its readings."""

    stream: Stream
    cost: IntArray
    series: Series


@dataclass(frozen=True)
class Metered:
    """What one file has of a usage point: all its series, those that are used, and notes."""

    member: Member
    series: Sequence[Series]
    streams: Sequence[Usable]
    notes: Sequence[str]


def _streams(
    feed: Feed, series: Sequence[Series], request: Request, account: Account
) -> list[Usable]:
    """Return the streams that can be used; the others leave a note each."""
    usable = []
    for one in series:
        label = one.reading.title or one.reading.itself or "without a title"
        quantity, factor, kind, reason = _meaning(one)
        rows = np.concatenate(
            [np.arange(b.first, b.end, dtype=np.int64) for b in one.blocks] or [np.array([], int)]
        )
        if not reason and not len(rows):
            reason = "it has no readings"
        if not reason and one.number("accumulationBehaviour", 0) in REGISTERS:
            moments = np.array(feed.rows.start_s)[rows]
            in_time = rows[np.argsort(moments, kind="stable")]
            reason = _register_reason(np.array(feed.rows.value)[in_time], one, kind)
        if reason:
            account.note(f"the meter reading {label[:60]!r} is not used: {reason}.")
            continue
        start, duration = _times(feed, one, rows, request, account=account)
        values = np.array(feed.rows.value)[rows] * factor
        stream = Stream(
            quantity, start, duration, values, np.array(feed.rows.line)[rows], kind=kind
        )
        _refuse_negative(stream, feed)
        if kind != "register":
            _note_outsiders(one, start, account)
        _note_quality(np.array(feed.rows.quality)[rows], one, account)
        kept = _not_skipped(feed, rows, start, request.zone, account)
        stream = stream.take(kept)
        if kind == "register":
            stream = _at_moments(stream, one, request, account)
        usable.append(Usable(stream, np.array(feed.rows.cost)[rows][kept], one))
    return _without_rivals(usable, account)


def _meaning(series: Series) -> tuple[str, float, Kind, str]:
    """Return quantity, factor to kWh, kW or kvarh, the kind of its values, and why it is not read."""
    if not series.words:
        return "", 0.0, "energy", "its ReadingType is missing, so its unit is unknown"
    unit, flow = series.number("uom", -1), series.number("flowDirection", 0)
    behaviour, extreme = (
        series.number("accumulationBehaviour", 0),
        series.number("dataQualifier", 0),
    )
    commodity = series.number("commodity", 0)
    power = series.number("powerOfTenMultiplier", 0)
    reason = ""
    if commodity not in ELECTRICITY:
        reason = f"its commodity is {commodity}, not electricity"
    elif unit not in {WH, W, VARH}:
        reason = f"its unit is {UNITS.get(unit, 'unknown')} (uom {unit}), not Wh or W"
    elif extreme in EXTREMES:
        reason = f"it holds the {EXTREMES[extreme]} values (dataQualifier {extreme}), not means"
    elif flow not in {0, *DIRECTIONS}:
        reason = f"its flowDirection {flow} is neither import, export nor net"
    elif abs(power) > 12:
        reason = f"its powerOfTenMultiplier is {power}"
    elif unit == VARH and flow not in {0, FORWARD}:
        reason = f"only reactive energy of import is read, not flowDirection {flow}"
    else:
        reason = _behaviour_reason(behaviour, flow, unit)
    if reason:
        return "", 0.0, "energy", reason
    quantity = DIRECTIONS[flow or FORWARD] if unit != VARH else "reactive_kvarh"
    is_register = behaviour in REGISTERS and flow != NET
    kind: Kind = "power" if unit == W else "register" if is_register else "energy"
    return quantity, 10.0**power / 1000, kind, ""


def _behaviour_reason(behaviour: int, flow: int, unit: int) -> str:
    """Return why values that accumulate so are not read."""
    if behaviour in {0, DELTA} or (behaviour, flow) == (BULK, NET):
        return ""
    code = f"accumulationBehaviour {behaviour}"
    if behaviour not in REGISTERS or unit == W:
        what = BEHAVIOURS.get(behaviour, "of an unknown kind")
        return f"its values are {what} ({code}), not the energy of each interval"
    if flow == NET:
        return f"it is a register of the net ({code}): a fall of it may be export or a reset"
    return ""


def _register_reason(values: FloatArray, series: Series, kind: Kind) -> str:
    """Return why values are not what the code of a register, or of net metering, makes them."""
    known = values[~np.isnan(values)]
    code = f"accumulationBehaviour {series.number('accumulationBehaviour', 0)}"
    falls = int((np.diff(known) < 0).sum())
    if kind != "register":
        rises = len(known) >= REGISTER_READINGS and not falls and known[-1] > known[0]
        return (
            f"its {len(known)} values only ever rise ({code}): a register of the net"
            if rises
            else ""
        )
    if len(known) < REGISTER_READINGS:
        return f"{counted(len(known), 'value')} ({code}) are too few to tell a register by its rise"
    if falls > 1 + len(known) // READINGS_A_FALL:
        return f"its values fall {falls} times, so they are no register's, as {code} has it"
    return ""


def _at_moments(stream: Stream, series: Series, request: Request, account: Account) -> Stream:
    """Return readings of a register at the moments at which it stood at them."""
    account.note(
        f"{stream.quantity}: the file calls these values a register's"
        f" (accumulationBehaviour {series.number('accumulationBehaviour', 0)})."
    )
    if not stream.duration_s.any():
        return stream
    edge = "end" if request.stamps == "end" else "beginning"
    account.note(
        f"{stream.quantity}: each reading of the register has an interval; it was taken as read at its"
        f" {edge}. --stamps tells which it is."
    )
    moved = stream.start_s + (stream.duration_s if edge == "end" else 0)
    return replace(stream, start_s=moved)


def _times(
    feed: Feed, series: Series, rows: IntArray, request: Request, account: Account
) -> tuple[IntArray, IntArray]:
    """Return start and length of each reading; those without a time follow one another."""
    start = _instants(feed, series, rows, request, account)
    duration = np.array(feed.rows.duration_s, dtype=np.int64)[rows]
    usual = series.number("intervalLength", 0)
    untimed = start == ABSENT
    if untimed.any():
        _follow_on(feed, series, start, duration, account)
    duration[duration == ABSENT] = 0
    almost = (duration > 0) & (duration % 60 == 59)
    if usual % 60 == 59 or almost.any():
        account.note(
            "lengths a second short of the minute"
            f" ({usual if usual % 60 == 59 else int(duration[almost][0])} s) were taken as whole"
            " minutes."
        )
    duration[almost] += 1
    return start, duration


def _instants(
    feed: Feed, series: Series, rows: IntArray, request: Request, account: Account
) -> IntArray:
    """Return the start of each reading; places local ones, and those of blocks, by the zone. [s]

    Raises
    ------
    SeriesError
        If no zone was asked for, local times stand beside others, or a repeated hour is open.
    """
    start = np.array(feed.rows.start_s, dtype=np.int64)[rows]
    timed = np.flatnonzero(start != ABSENT)
    is_wall = np.array(feed.rows.is_wall, dtype=bool)[rows][timed]
    local_blocks = [block for block in series.blocks if block.is_wall]
    if not is_wall.any() and not local_blocks:
        return start
    lines = np.array(feed.rows.line)[rows]
    if is_wall.any() and not is_wall.all():
        odd = timed[np.flatnonzero(is_wall != is_wall[0])[0]]
        raise SeriesError(
            "readings with local times stand beside seconds or times with an offset",
            where=feed.where(int(lines[odd])),
            mend="Ask for the file with one kind of times, best seconds of UTC.",
        )
    if request.zone is None:
        line = int(lines[timed[0]]) if is_wall.any() else local_blocks[0].line
        raise SeriesError(
            "the file has local times, not seconds of UTC, and the clock they follow is not known",
            where=feed.where(line), mend="Name the zone of the meter, e.g. --zone Europe/Dublin.",
        )  # fmt: skip
    known_zone(request.zone, SeriesError, "--zone")
    begins = np.array([block.start_s for block in local_blocks], dtype=np.int64)
    for block, instant in zip(local_blocks, placed(begins, request.zone).instants_s, strict=True):
        block.start_s, block.is_wall = None if instant == SKIPPED else int(instant), False
    if not is_wall.any():
        return start
    wall = start[timed]
    places = placed(wall, request.zone)
    wrong = same_twins(wall, places.is_open, [np.array(feed.rows.value)[rows][timed]])
    if wrong is not None:
        what, mend = open_words(int(wall[wrong]), request.zone)
        raise SeriesError(what, where=feed.where(int(lines[timed[wrong]])), mend=mend)
    account.note(
        f"{counted(len(timed), 'reading')} have local times, not seconds of UTC as the standard has;"
        f" placed on the clock of {request.zone}."
    )
    start[timed] = places.instants_s
    return start


def _not_skipped(
    feed: Feed, rows: IntArray, start: IntArray, zone: str | None, account: Account
) -> BoolArray:
    """Return which readings have a time; local ones that the clock skips have none."""
    skipped = (start == SKIPPED) & np.array(feed.rows.is_wall, dtype=bool)[rows]
    count = int(skipped.sum())
    if count:
        account.note(
            f"{counted(count, 'reading')} with a time that the clock of {zone} skips left out."
        )
    return np.asarray(~skipped)


def _follow_on(
    feed: Feed, series: Series, start: IntArray, duration: IntArray, account: Account
) -> None:
    """Give readings without a time the end of the reading before, or the start of their block."""
    usual = series.number("intervalLength", 0)
    usual += usual % 60 == 59
    row = 0
    count = int((start == ABSENT).sum())
    for block in series.blocks:
        size = block.end - block.first
        length = usual or ((block.duration_s or 0) // size if size else 0)
        expected = ABSENT if block.start_s is None else block.start_s
        for here in range(row, row + size):
            if start[here] == ABSENT:
                if expected == ABSENT or length <= 0:
                    raise SeriesError(
                        "a reading has no timePeriod, and neither its block nor its reading type"
                        " tells when it began",
                        where=feed.where(feed.rows.line[block.first + here - row]),
                        mend="Ask for the file with the times of its readings.",
                    )
                start[here] = expected
                duration[here] = length
            known = duration[here] if duration[here] > 0 else length
            expected = int(start[here]) + int(known)
        row += size
    account.note(f"{counted(count, 'reading')} without a time of their own follow one another.")


def _refuse_negative(stream: Stream, feed: Feed) -> None:
    if stream.quantity == "net_kwh":
        return
    low = np.flatnonzero(stream.amounts < 0)
    if len(low):
        unit = (
            "kW"
            if stream.kind == "power"
            else stream.quantity.rpartition("_")[2].replace("wh", "Wh")
        )
        raise SeriesError(
            f"a reading of {stream.quantity} is {stream.amounts[low[0]]:g} {unit}, below zero"
            f" ({len(low)} such readings)",
            where=feed.where(int(stream.place[low[0]])),
            mend="Ask for each direction of its own (flowDirection 1 and 19), or for net (4).",
        )


def _note_outsiders(series: Series, start: IntArray, account: Account) -> None:
    """Tell of readings outside the interval of their block, such as a 97th quarter-hour of a day."""
    row, outside = 0, 0
    for block in series.blocks:
        size = block.end - block.first
        if block.start_s is not None and block.duration_s:
            own = start[row : row + size]
            beyond = (own < block.start_s) | (own >= block.start_s + block.duration_s)
            outside += int((beyond & (own != SKIPPED)).sum())
        row += size
    if outside:
        account.note(
            f"{counted(outside, 'reading')} outside the interval that the block around it names,"
            " taken at its own time."
        )


def _note_quality(quality: IntArray, series: Series, account: Account) -> None:
    usual = series.number("defaultQuality", 0)
    codes = np.where(quality == ABSENT, usual, quality)
    for code in sorted(set(codes.tolist()) & set(QUALITIES)):
        account.note(
            f"{counted(int((codes == code).sum()), 'reading')} of {len(codes):,} are {QUALITIES[code]}"
            f" (quality {code})."
        )


def _without_rivals(usable: list[Usable], account: Account) -> list[Usable]:
    """Keep one kind of each quantity: energy before power, short steps before long, no net twice."""
    kept: dict[str, list[Usable]] = {}
    for one in usable:
        kept.setdefault(one.stream.quantity, []).append(one)
    if "net_kwh" in kept and len(kept.keys() & {"import_kwh", "export_kwh"}) == 2:
        account.note("net readings stand beside import and export; they were not used.")
        del kept["net_kwh"]
    elif "net_kwh" in kept:
        for name in sorted(kept.keys() & {"import_kwh", "export_kwh"}):
            account.note(f"net readings stand beside {name}; the net readings were used.")
            del kept[name]
    chosen = []
    for quantity, rivals in kept.items():
        best = min(_rank(one) for one in rivals)
        winners = [one for one in rivals if _rank(one) == best]
        if len(winners) < len(rivals):
            account.note(
                f"{quantity}: {len(rivals) - len(winners)} meter readings of longer steps, or of"
                " power or registers beside energy, were not used."
            )
        chosen.append(_joined(winners))
    return chosen


def _rank(one: Usable) -> tuple[int, int]:
    known = one.stream.duration_s[one.stream.duration_s > 0]
    length = int(np.median(known)) if len(known) else one.series.number("intervalLength", 0)
    return USE_OF_KIND.index(one.stream.kind), length


def _joined(parts: list[Usable]) -> Usable:
    if len(parts) == 1:
        return parts[0]
    streams = [part.stream for part in parts]
    whole = replace(
        streams[0],
        start_s=np.concatenate([one.start_s for one in streams]),
        duration_s=np.concatenate([one.duration_s for one in streams]),
        amounts=np.concatenate([one.amounts for one in streams]),
        place=np.concatenate([one.place for one in streams]),
    )
    return Usable(whole, np.concatenate([part.cost for part in parts]), parts[0].series)


def _point(number: int, group: Group, parts: Sequence[Metered], request: Request) -> Point:
    path = parts[0].member.feed.path
    files = [part.member.feed for part in parts]
    account = Account(path, lambda place: files[place // FILE_LINES].where(place % FILE_LINES))
    if len(parts) > 1:
        account.note(f"{len(parts)} files were joined: {names([one.path for one in files])}.")
        account.notes += group.renamed()
    for part in parts:
        account.notes += [one for one in part.notes if one not in account.notes]
    streams = _of_all_files(parts, account)
    instants = np.concatenate([one.stream.start_s for one in streams])
    clock = _clock(parts, instants, request, account)
    intervals = [
        energies(one.stream, clock, account) if one.stream.kind == "register" else one.stream
        for one in streams
    ]
    even = even_readings(intervals, clock, account)
    cost = _cost(streams, [one for part in parts for one in part.series])
    parted = directions_parted(even, account)
    return finished(number, group.first.name, parted, account.notes, request.fill, cost=cost)


def _of_all_files(parts: Sequence[Metered], account: Account) -> list[Usable]:
    """Return the streams of all files, one of each quantity; their places tell the file too.

    Raises
    ------
    SeriesError
        If files differ in the kind of their values.
    """
    of: dict[str, list[tuple[Feed, Usable]]] = {}
    for file, part in enumerate(parts):
        for one in part.streams:
            place = one.stream.place + file * FILE_LINES
            moved = replace(one, stream=replace(one.stream, place=place))
            of.setdefault(one.stream.quantity, []).append((part.member.feed, moved))
    files = {name: [feed.path for feed, _ in some] for name, some in of.items()}
    apart = [path for name in ("import_kwh", "export_kwh") for path in files.get(name, [])]
    if "net_kwh" in of and apart:
        raise SeriesError(
            f"net readings in {names(files['net_kwh'])}, import or export in"
            f" {names(list(dict.fromkeys(apart)))}: they do not follow one another",
            where=account.file,
            mend="Give files of the same kind.",
        )
    for name, some in of.items():
        first, kind = some[0][0].path.name, some[0][1].stream.kind
        for feed, one in some:
            if one.stream.kind != kind:
                raise SeriesError(
                    f"{name} is {kind} in {first} and {one.stream.kind} in {feed.path.name}",
                    where=feed.path, mend="Give files of the same kind.",
                )  # fmt: skip
        if len(some) < len(parts):
            account.note(f"{name} stands in {names(files[name])} only; elsewhere it is a gap.")
    return [_joined([one for _, one in some]) for some in of.values()]


def _cost(streams: list[Usable], series: Sequence[Series]) -> tuple[float | None, str | None]:
    """Return the sum of the readings' costs, each time counted once, and the currency."""
    total, is_known = 0, False
    for one in streams:
        rows = pd.DataFrame(
            {"start": one.stream.start_s, "value": one.stream.amounts, "cost": one.cost}
        )
        costs = rows[rows["cost"] != ABSENT].drop_duplicates()["cost"]
        total += int(costs.sum())
        is_known |= bool((costs != 0).any())
    codes = {one.number("currency", 0) for one in series} - {0}
    currency = CURRENCIES.get(min(codes), f"currency {min(codes)}") if len(codes) == 1 else None
    return (total * COST_UNIT, currency) if is_known else (None, None)


def _clock(
    parts: Sequence[Metered], instants: IntArray, request: Request, account: Account
) -> Clock:
    """Return the clock of the zone that was asked for, else that of the files' own rule."""
    found = [_own_clock(part.member.feed, part.member.entry, instants) for part in parts]
    known = [(part, own) for part, (own, _) in zip(parts, found, strict=True) if own is not None]
    if request.zone is None:
        return _only_clock(parts[0].member, known, found[0][1], instants)
    clock = zone_clock(request.zone, instants)
    edges = np.array(span(instants), dtype=np.int64)
    for _, own in known:
        if (own.offset_s(edges) != clock.offset_s(edges)).any():
            account.note(
                f"the clock of {request.zone} is not that of the file's own LocalTimeParameters"
                f" ({own.stamp(int(edges[0]))} there, {clock.stamp(int(edges[0]))} here); check --zone."
            )
    return clock


def _only_clock(
    first: Member, known: Sequence[tuple[Metered, Clock]], reason: str, instants: IntArray
) -> Clock:
    """Return the clock that files name, the same in all.

    Raises
    ------
    SeriesError
        If none names one, or two differ.
    """
    if not known:
        raise SeriesError(
            f"the file does not tell by which clock the meter is read: {reason}",
            where=first.feed.where(first.entry.line),
            mend="Name the zone of the meter, e.g. --zone Europe/Dublin.",
        )
    part, clock = known[0]
    for other, own in known[1:]:
        if (own.offset_s(instants) != clock.offset_s(instants)).any():
            raise SeriesError(
                f"the LocalTimeParameters tell another clock than those of {part.member.feed.path.name}",
                where=other.member.feed.where(other.member.entry.line),
                mend="Name the zone of the meter, e.g. --zone Europe/Dublin.",
            )
    return clock


def _own_clock(feed: Feed, entry: Entry, instants: IntArray) -> tuple[Clock | None, str]:
    """Return the clock of the LocalTimeParameters that belong to a usage point, or why none."""
    all_times = feed.of_content("LocalTimeParameters")
    linked = [one for one in all_times if one.itself in entry.related]
    times = linked or (all_times if len(all_times) == 1 else [])
    if not times:
        return None, f"its usage point has {len(all_times) or 'no'} LocalTimeParameters"
    words = times[0].fields
    try:
        standard, summer = (_seconds(words, key) for key in ("tzOffset", "dstOffset"))
        rules = (dst_rule(words.get("dstStartRule", "FFFFFFFF")),
                 dst_rule(words.get("dstEndRule", "FFFFFFFF")))  # fmt: skip
        return clock_of_rules(standard, summer, rules, *span(instants)), ""
    except ValueError as failure:
        return None, f"{failure} (line {times[0].line})"


def _seconds(words: dict[str, str], key: str) -> int:
    text = words.get(key, "0" if key == "dstOffset" else "")
    if not re.fullmatch(r"[+-]?\d{1,6}", text, re.ASCII):
        raise ValueError(f"{key} is {text[:20]!r}, not seconds")
    return int(text)
