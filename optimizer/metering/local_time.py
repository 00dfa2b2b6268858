"""The clock of a metering file: an IANA zone, a rule written in the file, or the stamps' offsets.

All three become one thing, a list of clock changes. Read next: ``readings``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from dateutil.relativedelta import relativedelta, weekday

from optimizer.base.clock import SECONDS_PER_DAY, Clock, clock_of, offset_text
from optimizer.base.timegrid import IntArray, zone_named

NO_RULE = 0xFFFFFFFF
MAX_OFFSET_S = 14 * 3600
"""Clocks are at most 14 h ahead of UTC (Pacific/Kiritimati in the IANA list)."""


def clock_of_zone(zone: str, first_s: int, last_s: int) -> Clock:
    """Return the clock of an IANA zone around a span of time. [s]

    Raises
    ------
    ValueError
        If there is no such zone.
    """
    return clock_of(zone_named(zone), first_s, last_s)


def foreign_offsets(
    zone: str, instants_s: IntArray, offsets_s: IntArray
) -> tuple[str, bool] | None:
    """Return words on stamps whose offset the clock of a zone does not have, and whether none fits.

    UTC (offset 0) fits every zone: such stamps name no clock. None if all fit at their instants.
    """
    if not len(instants_s):
        return None
    first, last = int(instants_s.min()), int(instants_s.max())
    clock = clock_of_zone(zone, first - 366 * SECONDS_PER_DAY, last + 366 * SECONDS_PER_DAY)
    odd = np.flatnonzero((offsets_s != 0) & (offsets_s != clock.offset_s(instants_s)))
    if not len(odd):
        return None
    at = int(odd[0])
    own, here = (
        offset_text(int(offsets_s[at])),
        offset_text(int(clock.offset_s(instants_s[[at]])[0])),
    )
    words = (
        f"{len(odd):,} of {len(offsets_s):,} stamps have an offset that the clock of {zone} does not"
        f" have then (first {own}, there {here})"
    )
    return words, not bool(np.isin(offsets_s, [0, *clock.offsets_s.tolist()]).any())


def clock_of_offsets(instants_s: IntArray, offsets_s: IntArray) -> Clock:
    """Return the clock that follows from offsets of stamps, shape (N,). [s]"""
    order = np.argsort(instants_s, kind="stable")
    return _from_samples("the offsets of the stamps", None, instants_s[order], offsets_s[order])


def _from_samples(name: str, zone: str | None, instants_s: IntArray, offsets_s: IntArray) -> Clock:
    changed = np.flatnonzero(np.diff(offsets_s)) + 1
    offsets = np.concatenate([offsets_s[:1], offsets_s[changed]])
    return Clock(name, zone, instants_s[changed].astype(np.int64), offsets.astype(np.int64))


@dataclass(frozen=True)
class DstRule:
    """On which day of each year, and when by the clock then in force, the clock is changed.

    ``operator``: 0 the day of the month itself; 1 the first such weekday on or after it; 2 to 6 the
    first to fifth such weekday of the month; 7 the last. Weekdays count from Monday = 1.
    """

    month: int
    operator: int
    day_of_month: int
    day_of_week: int
    hour: int
    second: int

    def moment(self, year: int) -> datetime:
        """Return the wall-clock moment of the change in a year, naive.

        Raises
        ------
        ValueError
            If that year has no such day.
        """
        midnight = datetime(year, self.month, 1)  # noqa: DTZ001 - by a clock that the caller knows
        days: dict[str, object] = {"day": self.day_of_month or 1}
        if self.operator:
            count = self.operator - 1 if 2 <= self.operator <= 6 else 1
            count = -1 if self.operator == 7 else count
            first = {1: self.day_of_month or 1, 7: 31}.get(self.operator, 1)
            days = {"day": first, "weekday": weekday(self.day_of_week - 1)(count)}
        found = midnight + relativedelta(**days)  # type: ignore[arg-type]
        if found.month != self.month and self.operator != 1:
            raise ValueError(f"{year}-{self.month:02d} has no such weekday")
        return found + relativedelta(hours=self.hour, seconds=self.second)


def dst_rule(text: str) -> DstRule | None:
    """Return the rule of a hexadecimal bit field of 32 bits; None for ``FFFFFFFF``: no rule.

    Raises
    ------
    ValueError
        If the text is no such field, or its parts name no day or time.

    References
    ----------
    NAESB REQ.21 ESPI, type DstRuleType: bits 0-11 seconds, 12-16 hours, 17-19 day of week,
    20-24 day of month, 25-27 operator, 28-31 month.

    Examples
    --------
    >>> dst_rule("360E2000").moment(2024)
    datetime.datetime(2024, 3, 10, 2, 0)
    """
    field = text.strip()
    if len(field) != 8 or not set(field) <= set("0123456789abcdefABCDEF"):
        raise ValueError(f"the DST rule {field[:20]!r} is no field of 8 hexadecimal digits")
    bits = int(field, 16)
    if bits == NO_RULE:
        return None
    rule = DstRule(
        month=bits >> 28 & 15, operator=bits >> 25 & 7, day_of_month=bits >> 20 & 31,
        day_of_week=bits >> 17 & 7, hour=bits >> 12 & 31, second=bits & 0xFFF,
    )  # fmt: skip
    needs_weekday = rule.operator > 0
    needs_day = rule.operator < 2
    if (
        not 1 <= rule.month <= 12
        or rule.hour > 24
        or (needs_weekday and not rule.day_of_week >= 1)
        or (needs_day and not rule.day_of_month >= 1)
    ):
        raise ValueError(f"the DST rule {field!r} names no day of the year")
    return rule


def clock_of_rules(
    standard_s: int,
    dst_s: int,
    rules: tuple[DstRule | None, DstRule | None],
    first_s: int,
    last_s: int,
) -> Clock:
    """Return the clock of a standard offset and, where there are rules, of daylight-saving time.

    Parameters
    ----------
    standard_s, dst_s : int
        Offset of standard time from UTC, and what daylight-saving time adds. [s]
    rules : two of DstRule or None
        Begin and end of daylight-saving time; the end is by daylight-saving time.
    first_s, last_s : int
        The span to cover. [s since 1970 UTC]

    Raises
    ------
    ValueError
        If a rule names no day of some year, or only one of the two is given.
    """
    if abs(standard_s) > MAX_OFFSET_S or abs(dst_s) > 2 * 3600:
        raise ValueError(f"offsets of {standard_s} s and {dst_s} s are no clock's")
    start, end = rules
    standard = Clock("its own offset", None, np.array([], np.int64), np.array([standard_s]))
    if dst_s == 0 or (start is None and end is None):
        return standard
    if start is None or end is None:
        raise ValueError("only one of the two DST rules is given")
    years = range(_year(first_s) - 1, _year(last_s) + 2)
    begins = [(_utc_s(start.moment(year)) - standard_s, standard_s + dst_s) for year in years]
    ends = [(_utc_s(end.moment(year)) - standard_s - dst_s, standard_s) for year in years]
    changes = sorted(begins + ends)
    before = standard_s if changes[0] in begins else standard_s + dst_s
    return Clock(
        "its own DST rule",
        None,
        np.array([instant for instant, _ in changes], dtype=np.int64),
        np.array([before, *(offset for _, offset in changes)], dtype=np.int64),
    )


def _year(instant_s: int) -> int:
    return datetime.fromtimestamp(instant_s, UTC).year


def _utc_s(naive: datetime) -> int:
    return int(naive.replace(tzinfo=UTC).timestamp())
