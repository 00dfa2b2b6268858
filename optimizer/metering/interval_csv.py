"""Reads interval CSVs in the dialects in which meter data are handed out.

Long tables have one row a reading; wide ones one row a day and a column an interval. A table's wide
columns that are numbered 1 to 25, 50, 100 or 300 count from midnight as time passes; clock times,
and numbers up to 24, 48, 96 or 288, follow the wall clock. Of a wall-clock time that comes twice,
the first is daylight-saving time. Whether stamps name the beginning or the end of an interval is
taken from the file where it is evident: a column of its own, a word in the head, 24:00, or a first
and last stamp as only one of the two has them; else it must be said. Read next: ``outside``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from optimizer.base.clock import Clock
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.metering.csv_cells import decimal_mark, is_stamp, read_numbers
from optimizer.metering.csv_columns import (
    UNITS,
    Columns,
    Meaning,
    find_columns,
    head_number,
    joined,
    meaning_of,
    price_of,
    wide_minutes,
    with_heads,
    words_of,
)
from optimizer.metering.csv_text import Sheet
from optimizer.metering.csv_times import Times, beginnings, read_times
from optimizer.metering.found import Found, Point, Request, finished, is_asked, zone_clock
from optimizer.metering.local_time import clock_of_offsets, foreign_offsets
from optimizer.metering.meter_parts import directions_parted
from optimizer.metering.readings import (
    FIRST_S,
    LAST_S,
    Account,
    Stream,
    counted,
    even_readings,
    usual_jump,
)
from optimizer.metering.registers import energies, has_rate, registers_among, without_rate
from optimizer.metering.totals import hours_of
from optimizer.metering.wall_clock import SKIPPED, direction

ELAPSED_COUNTS = {25, 50, 100, 300}


@dataclass(frozen=True)
class Cells:
    """N values of a table with the times, the rows and the meaning of each."""

    times: Times
    amounts: FloatArray
    row: IntArray
    meaning: Meaning
    factor: FloatArray
    kind: Literal["energy", "power", "price", "register", "total"]


def read_tables(path: Path, sheets: Sequence[Sheet], request: Request) -> Found:
    """Read tables of meter intervals, or of prices: one, or several that follow one another.

    Parameters
    ----------
    path : Path
        Name of the file, of several the first.
    sheets : sequence of Sheet
        Their cells.
    request : Request
        Zone, meter, order of dates, edge of stamps and fill rule, as far as the user gave them.

    Returns
    -------
    Found
        Each meter with ``import_kwh``, ``export_kwh``, ``reactive_kvarh``, ``pv_kwh`` and ``load_kwh``
        per step, as far as the file holds them; or one series of prices.

    Raises
    ------
    SeriesError
        With row and column, if a cell cannot be read, if dates or stamps can be understood in two
        ways, or if the file contradicts itself.
    """
    named = [with_heads(one, request.heads) for one in sheets] if request.heads else sheets
    sheet, notes = joined(named)
    columns = find_columns(sheet)
    account = Account(path, sheet.where, notes + columns.notes)
    _drop_footers(columns, account)
    times = read_times(columns, request, account)
    groups = _value_cells(columns, times, account)
    _note_quality(columns, account)
    if columns.unused:
        account.note(f"columns not used: {', '.join(columns.unused)[:300]}.")
    meters = _meters(columns)
    if request.point is not None and not any(
        is_asked(request.point, n, name) for n, name in enumerate(meters, start=1)
    ):
        raise SeriesError(
            f"no meter has the number or name {request.point!r}; there are:"
            f" {'; '.join(f'{n} {name}'.rstrip() for n, name in enumerate(meters, start=1))[:500]}",
            where=f"{path}, --point",
            mend="Give one of these numbers.",
        )
    points = [
        _point(number, name, columns, groups, account, request=request)
        for number, name in enumerate(meters, start=1)
        if is_asked(request.point, number, name)
    ]
    shape = "one row a day" if columns.wide else "one row a reading"
    kind = "workbook" if sheet.name else "CSV"
    what = f"{kind} of prices" if not columns.wide and not columns.amounts else f"interval {kind}"
    spread = " of totals, their hours an estimate" if times.are_totals else ""
    return Found(path, f"{what}, {shape}{spread}", tuple(points))


def _drop_footers(columns: Columns, account: Account) -> None:
    """Drop rows without a time at the foot of the table, and rows without anything in them."""
    at = next(iter([*columns.stamps.values(), *columns.dates.values()]))
    last = max((row for row, cells in enumerate(columns.rows) if is_stamp(cells[at])), default=-1)
    dropped = len(columns.rows) - last - 1
    if dropped:
        account.note(
            f"{counted(dropped, 'row')} without a time at the foot of the table left out (row"
            f" {columns.lines[last + 1]} on)."
        )
        columns.rows, columns.lines = columns.rows[: last + 1], columns.lines[: last + 1]
    if not columns.rows:
        raise SeriesError(
            "the table has no row with a date", where=account.place(columns.head_line),
            mend="Write dates such as 2025-07-03.",
        )  # fmt: skip


def _value_cells(columns: Columns, times: Times, account: Account) -> list[Cells]:
    """Return the values of each column, or of all wide columns, with their times."""
    if columns.wide:
        return [_wide_cells(columns, times, account)]
    if columns.amounts:
        columns.unused += [columns.heads[at] for at in columns.prices]
        chosen = _one_of_each(columns, account)
        mark = _mark(columns, [at for group in chosen for at in group], account)
        return [_long_cells(columns, times, group, mark, account) for group in chosen]
    return [_price_cells(columns, times, account)]


def _mark(columns: Columns, chosen: Sequence[int], account: Account) -> str:
    """Return the decimal mark of the numbers in some columns."""
    texts = [text for at in chosen for text in columns.cells(at)]
    mark, note = decimal_mark(columns.sheet, texts)
    if note:
        account.note(note)
    return mark


def _one_of_each(columns: Columns, account: Account) -> list[list[int]]:
    """Return the columns of each quantity, one or those to be added: energy before power, named first."""
    if columns.direction is not None:
        return [_only(columns, list(columns.amounts), "values", account)]
    groups = _by_quantity(columns)
    if _tell_the_roof_from_the_meter(columns, groups, account):
        groups = _by_quantity(columns)
    plain = groups.pop("", [])
    _ask_for_generation(columns, groups)
    if not groups:
        return [_only(columns, plain, "values", account)]
    columns.unused += [columns.heads[at] for at in plain]
    return [_only(columns, group, name, account) for name, group in groups.items()]


def _by_quantity(columns: Columns) -> dict[str, list[int]]:
    groups: dict[str, list[int]] = {}
    for at, meaning in columns.amounts.items():
        groups.setdefault(meaning.quantity or "", []).append(at)
    return groups


def _tell_the_roof_from_the_meter(
    columns: Columns, groups: dict[str, list[int]], account: Account
) -> bool:
    """Tell load and PV from import and export, where the heads name both; return whether any was.

    Beside an import, or PV without any export, a consumption is the building's; beside an export, a
    production is the roof's.
    """
    found = []
    has_roof = "pv_kwh" in groups and not groups.keys() & {"export_kwh", "net_kwh"}
    for grid, behind, words, name in (
        ("import_kwh", "load_kwh", CONSUMED, "the building's load"),
        ("export_kwh", "pv_kwh", PRODUCED, "PV"),
    ):
        sure = [at for at in groups.get(grid, []) if columns.amounts[at].is_sure]
        is_told = bool(sure) or (has_roof and grid == "import_kwh")
        for at in groups.get(grid, []) if is_told else []:
            if at not in sure and words & set(words_of(columns.heads[at])):
                columns.amounts[at] = replace(columns.amounts[at], quantity=behind, is_sure=True)
                found.append(f"{columns.heads[at]!r} as {name}")
    if found:
        account.note(f"beside the other columns, taken: {', '.join(found)}.")
    elif {"import_kwh", "export_kwh"} <= groups.keys() and not any(
        columns.amounts[at].is_sure for at in (*groups["import_kwh"], *groups["export_kwh"])
    ):
        heads = [columns.heads[at] for at in (*groups["import_kwh"], *groups["export_kwh"])]
        account.note(
            f"{' and '.join(map(repr, heads))} are taken for what a meter at the grid counted, import and"
            " export. If they are what the building used and what PV produced, call them load_kwh and"
            " pv_kwh and give the file to a forecast."
        )
    return bool(found)


def _ask_for_generation(columns: Columns, groups: dict[str, list[int]]) -> None:
    """Ask whether a generation without any import beside it is export, or what a roof produced."""
    unsure = [
        at for at in groups.get("export_kwh", []) if PRODUCED & set(words_of(columns.heads[at]))
    ]
    sure = [at for at in groups.get("export_kwh", []) if at not in unsure]
    if unsure and not sure and not groups.keys() & {"import_kwh", "net_kwh"}:
        raise columns.refusal(
            f"{columns.heads[unsure[0]]!r} may be what was exported, or all that PV produced",
            "Call the column export (kWh) if the meter at the grid counted it. What PV produced is no"
            " export: call it pv_kwh and give it to a forecast, under pv_meters.",
        )


PRODUCED = {"generation", "generated", "production", "produced", "gen"}
CONSUMED = {"consumption", "consumed", "usage", "used", "use", "load", "verbrauch"}


def _only(columns: Columns, group: list[int], name: str, account: Account) -> list[int]:
    """Return the column of energy of a group, or of power where there is none, or those to be added."""
    energy = [at for at in group if _unit(columns, at) in {"energy", "reactive"}]
    best = energy or [at for at in group if _unit(columns, at) == "power"] or group
    best = [at for at in best if columns.amounts[at].is_sure] or best
    chosen = _to_be_added(columns, best) if len(best) > 1 else best
    if not chosen:
        heads = ", ".join(columns.heads[at] for at in best)
        raise columns.refusal(
            f"several columns may hold {name}: {heads[:300]}",
            "Keep one of them, or name the directions, e.g. import and export; registers of a"
            " tariff are called T1 and T2, phases (L1 to L3) are added up into one column.",
        )
    if len(chosen) > 1:
        heads = " and ".join(repr(columns.heads[at]) for at in chosen)
        account.note(f"{heads} are counted at different times of the tariff; they were added.")
    columns.unused += [columns.heads[at] for at in group if at not in chosen]
    return chosen


def _to_be_added(columns: Columns, group: list[int]) -> list[int]:
    """Return the columns of a group whose heads differ in the tariff's time alone; none if others are.

    A total beside them is taken by itself.
    """
    rated = [at for at in group if has_rate(columns.heads[at])]
    whole = [at for at in group if at not in rated]
    is_one = len({without_rate(columns.heads[at]) for at in rated}) == 1
    if len(rated) < 2 or not is_one or len(whole) > 1:
        return []
    return whole or rated


def _unit(columns: Columns, at: int) -> str:
    unit = columns.amounts[at].unit
    return UNITS[unit][0] if unit else ""


def _long_cells(
    columns: Columns, times: Times, group: list[int], mark: str, account: Account
) -> Cells:
    meaning = columns.amounts[group[0]]
    factor, kind = _factors(columns, meaning, account)
    table = np.stack([read_numbers(columns.column(at), mark) for at in group])
    amounts = _added(columns, times, group, table, account)
    return Cells(times, amounts, np.arange(len(amounts)), meaning, factor, kind=kind)


def _added(
    columns: Columns, times: Times, group: list[int], table: FloatArray, account: Account
) -> FloatArray:
    """Return the sum of columns, (K, N) to (N,); where a register is blank, the sum is not known."""
    blank = np.isnan(table)
    some = blank.any(axis=0) & ~blank.all(axis=0)
    if not some.any() or any(registers_among([_moments(times)] * len(table), list(table))):
        return np.asarray(table.sum(axis=0))
    names = " or ".join(repr(columns.heads[at]) for at in group)
    account.note(
        f"{counted(int(some.sum()), 'row')} with a blank {names}: taken for 0 beside the other."
    )
    return np.asarray(np.where(blank.all(axis=0), np.nan, np.nansum(table, axis=0)))


def _factors(
    columns: Columns, meaning: Meaning, account: Account
) -> tuple[FloatArray, Literal["energy", "power"]]:
    """Return the factor of each row to kWh or kW, and whether values are energy or power."""
    rows = len(columns.rows)
    if columns.unit is not None:
        at, cells = columns.unit, [cell.lower() for cell in columns.cells(columns.unit)]
    elif meaning.unit is None and columns.direction is not None:
        at, cells = columns.direction, _units_of_directions(columns, columns.direction)
    else:
        at, cells = -1, []
    if not any(cells):
        unit = meaning.unit or _unit_nearby(columns)
        if unit is None:
            account.note("no unit is named; values are taken for kWh. Check the totals.")
        kind, factor = UNITS[unit or "kwh"]
        return np.full(rows, factor), "power" if kind == "power" else "energy"
    head = columns.heads[at]
    unknown = next((n for n, cell in enumerate(cells) if cell and cell not in UNITS), None)
    if unknown is not None:
        raise SeriesError(
            f"the unit {cells[unknown][:40]!r} is not known; known are {', '.join(UNITS)}",
            where=columns.sheet.where(columns.lines[unknown], head),
            mend="Leave out the rows of other quantities.",
        )
    kinds = {UNITS[cell][0] for cell in set(cells) if cell} - {"reactive"}
    if len(kinds) > 1:
        raise columns.refusal(
            f"some rows are energy and others power: {', '.join(sorted(set(cells) - {''}))}",
            "Keep the rows of energy.",
            head,
        )
    factors = np.array([UNITS[cell][1] if cell else 1.0 for cell in cells])
    return factors, "power" if kinds == {"power"} else "energy"


def _units_of_directions(columns: Columns, at: int) -> list[str]:
    """Return the unit that each cell of a column of directions names, such as ``Import (kW)``."""
    units = {cell: meaning_of(cell).unit or "" for cell in set(columns.cells(at))}
    return [units[cell] for cell in columns.cells(at)]


def _unit_nearby(columns: Columns) -> str | None:
    """Return the only unit that any head, or a line above the heads, names."""
    sheet = columns.sheet
    above = [
        cell
        for row, line in zip(sheet.rows, sheet.lines, strict=True)
        if line <= columns.head_line
        for cell in row
    ]
    words = {word for cell in above for word in words_of(cell)}
    units = [unit for unit in UNITS if unit in words and unit not in {"w", "mw"}]
    return units[0] if len(units) == 1 else None


def _price_cells(columns: Columns, times: Times, account: Account) -> Cells:
    at, *others = columns.prices
    if others:
        heads = ", ".join(columns.heads[one] for one in columns.prices)
        raise columns.refusal(f"several columns hold prices: {heads[:300]}", "Keep one of them.")
    name, factor = price_of(columns.heads[at]) or ("", 1.0)
    amounts = read_numbers(columns.column(at), _mark(columns, [at], account))
    factors = np.full(len(amounts), factor)
    return Cells(
        times, amounts, np.arange(len(amounts)), Meaning(name, None), factors, kind="price"
    )


def _wide_cells(columns: Columns, days: Times, account: Account) -> Cells:
    """Return the values of a wide table in the order of time, without its blank cells."""
    heads = [columns.heads[at] for at in columns.wide]
    minutes, is_end, is_elapsed = _wide_times(columns, heads)
    mark = _mark(columns, columns.wide, account)
    table = np.stack([read_numbers(columns.column(at), mark) for at in columns.wide], axis=1)
    in_order = np.argsort(days.wall_s, kind="stable")
    midnight = np.repeat(days.wall_s[in_order], len(heads))
    since = np.tile(60 * minutes, len(in_order))
    row = np.repeat(in_order, len(heads))
    offset = None if days.offset_s is None else days.offset_s[row]
    meaning = meaning_of(" ".join(words_of(heads[0])))
    factor, kind = _factors(columns, meaning, account)
    amounts = table[in_order].ravel()
    kept = ~np.isnan(amounts)
    times = Times(
        midnight if is_elapsed else midnight + since, offset, np.zeros_like(since),
        "end" if is_end else "start", "the heads of the columns say so" if is_end else "",
        elapsed_s=since if is_elapsed else None,
    )  # fmt: skip
    return Cells(times.take(kept), amounts[kept], row[kept], meaning, factor, kind=kind)


def _wide_times(columns: Columns, heads: list[str]) -> tuple[IntArray, bool, bool]:
    """Return the minute of each wide column, whether it is an end, whether it counts from midnight."""
    clocks = wide_minutes(heads)
    if clocks is None:
        numbers = np.array([head_number(head) or 0 for head in heads], dtype=np.int64)
        usual = next(n for n in (24, 48, 96, 288) if len(heads) <= n * 25 // 24)
        step = 24 * 60 // usual
        return (numbers - numbers[0]) * step, False, len(heads) in ELAPSED_COUNTS
    minutes = np.array(clocks, dtype=np.int64)
    step = usual_jump(np.diff(minutes)) or 60
    is_end = int(minutes[0]) == step and int(minutes[-1]) in {0, 24 * 60}
    if is_end:
        minutes[-1] = 24 * 60
    elif int(minutes[0]) != 0:
        raise columns.refusal(
            f"the columns of one interval each begin with {heads[0]!r} and end with {heads[-1]!r},"
            " which is no day from midnight to midnight",
            "Give the columns of a whole day.",
        )
    return minutes, is_end, False


def _note_quality(columns: Columns, account: Account) -> None:
    if columns.quality is None:
        return
    marks = pd.Series(columns.cells(columns.quality)).value_counts()
    shown = ", ".join(f"{mark!r} {count:,}" for mark, count in marks.items() if mark)
    if shown:
        account.note(f"column {columns.heads[columns.quality]!r}: {shown[:200]}.")


def _meters(columns: Columns) -> list[str]:
    """Return the names of the meters in the file's order; one without a name if none is named."""
    if columns.meter is None:
        return [""]
    return list(dict.fromkeys(columns.cells(columns.meter)))


def _point(
    number: int,
    name: str,
    columns: Columns,
    groups: Sequence[Cells],
    shared: Account,
    request: Request,
) -> Point:
    account = Account(shared.file, shared.place, list(shared.notes))
    streams: list[Stream] = []
    offsets: list[IntArray | None] = []
    parts = [
        (quantity, chosen, cells)
        for cells in groups
        for quantity, chosen in _parted(columns, cells, name, account)
        if chosen.any()
    ]
    for (quantity, chosen, cells), is_register in zip(parts, _registers(parts), strict=True):
        here = _of_kind(cells, columns, is_register=is_register)
        stream, own = _stream(quantity, chosen, columns, here, request, account=account)
        streams.append(stream)
        offsets.append(own)
    if not any(len(stream.start_s) for stream in streams):
        raise SeriesError(
            "no value has a time and a direction that are understood", where=account.file,
            mend="Name the directions import and export, and give times.",
        )  # fmt: skip
    for stream in streams:
        _refuse_negative(stream, account)
    clock = _clock(streams, offsets, request)
    streams = [_as_intervals(one, clock, request, account) for one in streams]
    even = even_readings(streams, clock, account)
    is_price = any(stream.kind == "price" for stream in streams)
    parted = even if is_price else directions_parted(even, account)
    return finished(number, name, parted, account.notes, request.fill)


def _of_kind(cells: Cells, columns: Columns, *, is_register: bool) -> Cells:
    """Return values marked as readings of a register or as totals, if they are."""
    if not cells.times.are_totals:
        return replace(cells, kind="register") if is_register else cells
    if is_register:
        raise columns.refusal(
            "the values rise from day to day: they are a register's, not the totals of days or months",
            "Give the differences.",
        )
    if cells.kind != "energy":
        raise columns.refusal("only totals of energy can be spread", "Ask for intervals.")
    return replace(cells, kind="total")


def _as_intervals(one: Stream, clock: Clock, request: Request, account: Account) -> Stream:
    """Return readings of a register, or totals, as energies of intervals; others as they are."""
    if one.kind == "register":
        return energies(one, clock, account)
    if one.kind == "total" and request.shape is not None:
        return hours_of(one, str(request.zone), request.shape, clock, account)
    return one


def _registers(parts: Sequence[tuple[str, BoolArray, Cells]]) -> list[bool]:
    """Return which values of a meter are readings of a register."""
    may_be = [
        quantity != "net_kwh" and cells.kind == "energy" and cells.times.elapsed_s is None
        for quantity, _, cells in parts
    ]
    tried = [part for part, may in zip(parts, may_be, strict=True) if may]
    found = iter(
        registers_among(
            [_moments(cells.times)[chosen] for _, chosen, cells in tried],
            [cells.amounts[chosen] for _, chosen, cells in tried],
        )
    )
    return [may and next(found) for may in may_be]


def _moments(times: Times) -> IntArray:
    return times.wall_s if times.offset_s is None else times.wall_s - times.offset_s


def _parted(
    columns: Columns, cells: Cells, meter: str, account: Account
) -> list[tuple[str, BoolArray]]:
    """Return which values of a group belong to which quantity of a meter."""
    mine = np.ones(len(cells.amounts), dtype=bool)
    if columns.meter is not None:
        mine &= (np.array(columns.cells(columns.meter), dtype=object) == meter)[cells.row]
    if columns.direction is None or cells.kind == "price":
        return [(cells.meaning.quantity or "import_kwh", mine)]
    words = np.array(columns.cells(columns.direction), dtype=object)[cells.row]
    parts: dict[str, BoolArray] = {}
    for word in sorted(set(words[mine].tolist())):
        quantity = meaning_of(word).quantity
        here = mine & (words == word)
        if quantity is None:
            account.note(f"{counted(int(here.sum()), 'row')} of {word[:60]!r} were not used.")
            continue
        parts[quantity] = parts.get(quantity, np.zeros(len(mine), dtype=bool)) | here
    return list(parts.items())


def _stream(
    quantity: str,
    chosen: BoolArray,
    columns: Columns,
    cells: Cells,
    request: Request,
    account: Account,
) -> tuple[Stream, IntArray | None]:
    """Place the values of one quantity in time; return them and the offsets of their stamps."""
    times = cells.times.take(chosen)
    row = cells.row[chosen]
    amounts = cells.amounts[chosen] * cells.factor[row]
    if cells.kind in {"register", "total"}:  # its stamps are no edges of intervals
        times, request = replace(times, edge="start", why=""), replace(request, stamps=None)
    instants = beginnings(times, amounts, request, account)
    known = np.flatnonzero(instants != SKIPPED)
    if direction(instants[known]) < 0:
        known = known[::-1]  # newest first
    if times.offset_s is not None and request.zone is not None:
        _hold_against_zone(request.zone, instants, times.offset_s, account)
    place = np.array(columns.lines, dtype=np.int64)[row]
    stream = Stream(quantity, instants, times.length_s, amounts, place, kind=cells.kind).take(known)
    return stream, None if times.offset_s is None else times.offset_s[known]


def _hold_against_zone(zone: str, instants: IntArray, offsets: IntArray, account: Account) -> None:
    """Tell of offsets that the zone's clock does not have; refuse where none of the file fits."""
    inside = (instants >= FIRST_S) & (instants < LAST_S)
    zone_clock(zone, instants)
    odd = foreign_offsets(zone, instants[inside], offsets[inside])
    if odd is not None and odd[1]:
        raise SeriesError(
            f"no stamp fits the zone: {odd[0]}", where=f"{account.file}, --zone",
            mend="Give the zone of the meter with --zone, or leave it out.",
        )  # fmt: skip
    if odd is not None:
        account.note(f"{odd[0]}; taken as the stamps say. Check --zone.")


def _clock(
    streams: Sequence[Stream], offsets: Sequence[IntArray | None], request: Request
) -> Clock:
    """Return the clock of the zone, or the one of the stamps' own offsets."""
    instants = np.concatenate([stream.start_s for stream in streams])
    if request.zone is not None:
        return zone_clock(request.zone, instants)
    return clock_of_offsets(instants, np.concatenate([one for one in offsets if one is not None]))


def _refuse_negative(stream: Stream, account: Account) -> None:
    if stream.kind == "price" or stream.quantity == "net_kwh":
        return
    known = np.flatnonzero(~np.isnan(stream.amounts))
    low = known[stream.amounts[known] < 0]
    if len(low):
        raise SeriesError(
            f"a value of {stream.quantity} is {stream.amounts[low[0]]:g}, below zero"
            f" ({counted(len(low), 'such value')})",
            where=account.place(int(stream.place[low[0]])),
            mend="Give each direction from zero upward, or call the column net.",
        )
