"""What a person types from a rate sheet into one field, read; and written again as it is typed.

``4 pm``, ``16``, ``16.30`` are times; ``0,34`` is a number; ``June to September``, ``6-9``, ``Nov–Feb`` are
months; ``Thanksgiving: fourth Thursday of November`` is a holiday. Each reader raises a ``Mistake`` that says
what would do.

Read next: ``rate_rows``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from optimizer.base.calendar import DAY_NAMES, MONTH_NAMES, DayWord, HolidayRule, Holidays
from optimizer.base.errors import Mistake
from optimizer.base.units import clock
from optimizer.base.week_words import DAYS
from optimizer.base.words import later, say
from optimizer.settings.windows import months_text

MONTHS = (
    later("January"), later("February"), later("March"), later("April"), later("May"), later("June"),
    later("July"), later("August"), later("September"), later("October"), later("November"),
    later("December"),
)  # fmt: skip

DAY_CHOICES: tuple[tuple[DayWord, ...], ...] = (
    ("all",), ("weekdays",), ("weekends",), ("weekends", "holidays"), ("holidays",),
    ("monday",), ("tuesday",), ("wednesday",), ("thursday",), ("friday",), ("saturday",), ("sunday",),
)  # fmt: skip
"""Days as rate sheets name them."""

DAY_WORDS: dict[str, str] = {
    "all": later("every day"),
    "weekdays": later("Monday–Friday"),
    "weekends": later("Saturday, Sunday"),
    "holidays": later("holidays"),
} | dict(zip(DAY_NAMES, DAYS, strict=True))

ALL_MONTHS = frozenset(range(1, 13))
BETWEEN = r"\s*(?:-|–|—|\bto\b|\bbis\b|\bthrough\b)\s*"


# --- numbers and times -----------------------------------------------------------------------------


def number_text(value: float) -> str:
    """Return a number as it is typed: all its decimals, at least two."""
    text = f"{Decimal(repr(float(value))):f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    whole, _, rest = text.partition(".")
    return f"{whole}.{rest:0<2}"


def read_time(text: str) -> int:
    """Return a clock time such as ``16:30``, ``16``, ``4 pm``, ``noon`` as minutes of the day. [min]

    Raises
    ------
    Mistake
        If it is none.
    """
    plain = text.strip().lower().replace(".m.", "m").replace("p.m", "pm").replace("a.m", "am")
    plain = {"noon": "12:00", "midnight": "0:00"}.get(plain, plain)
    found = re.fullmatch(r"(\d{1,2})(?:[:.h](\d{2})?)?\s*(am|pm|h|uhr)?", plain) or re.fullmatch(
        r"(\d{2})(\d{2})()", plain
    )
    hour, minute = (int(found[1]), int(found[2] or 0)) if found else (99, 0)
    if found and found[3] in ("am", "pm"):
        hour = hour % 12 + 12 * (found[3] == "pm") if 1 <= hour <= 12 else 99
    if hour > 24 or minute > 59 or (hour == 24 and minute):
        raise Mistake(
            say("{found} is no time of the day", found=repr(text)),
            say("Write it as 16:30 or 4:30 pm, from 00:00 to 24:00."),
        )
    return 60 * hour + minute


def read_hours(begin: str, end: str) -> tuple[tuple[int, int] | None, str]:
    """Return when a row begins and ends, and a remark; None if both fields are empty: the whole day. [min]

    Raises
    ------
    Mistake
        With the field, ``begin`` or ``end``.
    """
    times = []
    for field, text, other in (("begin", begin, end), ("end", end, begin)):
        if not text.strip():
            if not other.strip():
                return None, ""
            mend = say("Write both times, or leave both empty for the whole day.")
            raise Mistake(say("a time is missing"), mend, field)
        try:
            times.append(read_time(text))
        except Mistake as mistake:
            raise Mistake(mistake.what, mistake.mend, field) from None
    first, last = times
    remark = ""
    if last % 60 == 59:  # sheets print the last minute of a span
        remark = say("{end} is taken as {taken}.", end=clock(last), taken=clock(last + 1))
        last += 1
    if first % 1440 == last % 1440:
        if first % 1440:
            what = say("the hours begin and end at {time}", time=clock(first))
            raise Mistake(what, say("Leave both fields empty for the whole day."), "end")
        return None, remark
    return (first % 1440, last or 1440), remark


def hours_text(span: tuple[int, int] | None) -> tuple[str, str]:
    """Return the two times of a span as they are typed, both empty for the whole day."""
    return ("", "") if span is None else (clock(span[0]), clock(span[1]))


# --- months and days -------------------------------------------------------------------------------


def read_months(text: str) -> frozenset[int]:
    """Return months typed as names or numbers, with ``-`` or ``to`` between; empty is all year.

    Raises
    ------
    Mistake
        If a word is no month.
    """
    plain = text.strip().lower()
    if plain in {"", "all year", say("all year").lower()}:
        return ALL_MONTHS
    found: set[int] = set()
    for part in re.split(r"[,;+]|\band\b|\bund\b", plain):
        ends = [_month(word) for word in re.split(BETWEEN, part.strip())]
        if len(ends) > 2:
            raise _no_months(part.strip())
        first, last = ends[0], ends[-1]
        found |= {(month - 1) % 12 + 1 for month in range(first, last + 1 + 12 * (last < first))}
    return frozenset(found)


def _month(word: str) -> int:
    if word.isdecimal() and 1 <= int(word) <= 12:
        return int(word)
    short = word.rstrip(".")
    for names in (MONTHS, [say(name) for name in MONTHS]):
        near = [n for n, name in enumerate(names, start=1) if name.lower().startswith(short)]
        if len(short) >= 3 and len(near) == 1:
            return near[0]
    raise _no_months(word)


def _no_months(text: str) -> Mistake:
    return Mistake(
        say("{found} is no month", found=repr(text)),
        say("Write June–September or 6–9; leave it empty for all year. Whole months only."),
    )


def months_words(months: Sequence[int] | frozenset[int]) -> str:
    """Return months as they are typed; all of them are an empty text."""
    return "" if len(months) == 12 else months_text(sorted(months))


def read_days(text: str) -> list[DayWord]:
    """Return the words of a tariff for days; empty is every day.

    Raises
    ------
    Mistake
        If a word is unknown.
    """
    words = [word.strip().lower() for word in text.split(",") if word.strip()] or ["all"]
    for word in words:
        if word not in DAY_WORDS:
            mend = say("Write one of: {words}.", words=", ".join(DAY_WORDS))
            raise Mistake(say("{found} names no days", found=repr(word)), mend)
    return words  # type: ignore[return-value]


def days_said(words: Sequence[str]) -> str:
    """Return the days of a row in the words of a page."""
    return ", ".join(say(DAY_WORDS[word]) for word in words)


# --- holidays --------------------------------------------------------------------------------------

NTH = ("first", "second", "third", "fourth", "fifth", "last")


def read_holidays(text: str) -> Holidays:
    """Return holidays typed one a line: ``2026-12-24``, or a name and a rule.

    Rules are ``25 December``, ``fourth Thursday of November``, ``Friday on or after 19 June`` and
    ``2 days before Easter``; after a fixed day may stand ``if Sunday then Monday``.

    Raises
    ------
    Mistake
        With the line that cannot be read.
    """
    dates, rules = [], []
    for line in filter(None, map(str.strip, text.splitlines())):
        try:
            dates.append(date.fromisoformat(line))
        except ValueError:
            name, _, rule = line.rpartition(":")
            rules.append(_holiday(name.strip() or rule.strip(), rule.strip(), line))
    return Holidays(dates=dates, rules=rules)


def _holiday(name: str, rule: str, line: str) -> HolidayRule:
    fixed, *moves = re.split(r",?\s+(?=if\s)", rule.lower())
    month = "(?P<month>[a-z]+)"
    forms = (
        rf"(?P<nth>{'|'.join(NTH)}) (?P<weekday>[a-z]+) (?:of|in) {month}",
        rf"(?P<weekday>[a-z]+) on or after (?P<day>\d+) {month}",
        rf"(?P<day>\d+)\.? {month}",
        rf"{month} (?P<day>\d+)",
        r"(?P<easter>\d+) days? (?P<side>before|after) easter",
        r"(?P<easter>)easter(?: sunday)?",
    )
    try:
        found = next(match for form in forms if (match := re.fullmatch(form, fixed)))
        return HolidayRule.model_validate(
            {"name": name, **_rule(found.groupdict()), **_moves(moves)}
        )
    except (StopIteration, ValueError) as failure:
        why = failure.what if isinstance(failure, Mistake) else ""
        raise Mistake(
            say("the holiday {line} cannot be read", line=repr(line)) + (f": {why}" if why else ""),
            say(
                "Write a line as 2026-12-24, or as a name and a rule: New Year: 1 January if Sunday then"
                " Monday; Labor Day: first Monday of September; Good Friday: 2 days before Easter."
            ),
        ) from None


def _rule(found: dict[str, str | None]) -> dict[str, object]:
    if "easter" in found:
        days = int(found["easter"] or 0)
        return {"days_from_easter": -days if found.get("side") == "before" else days}
    rule: dict[str, object] = {"month": _month(found["month"] or "")}
    if (day := found.get("day")) is not None:
        rule["day"] = int(day)
    if (nth := found.get("nth")) is not None:
        rule["nth"] = "last" if nth == "last" else NTH.index(nth) + 1
    if (weekday := found.get("weekday")) is not None:
        rule["weekday"] = weekday
    return rule


def _moves(texts: Sequence[str]) -> dict[str, str]:
    moves = {}
    for text in texts:
        found = re.fullmatch(r"if (?:on )?(?:a )?(\w+),? (?:then )?(?:on )?(\w+)", text.strip(" ,"))
        if not found:
            raise ValueError(text)
        moves[f"if_{found[1]}"] = found[2]
    return moves


def holidays_text(holidays: Holidays) -> str:
    """Return holidays as they are typed, one a line."""
    return "\n".join(
        [
            *map(str, holidays.dates),
            *(f"{rule.name}: {_rule_text(rule)}" for rule in holidays.rules),
        ]
    )


def _rule_text(rule: HolidayRule) -> str:
    if rule.days_from_easter is not None:
        days = rule.days_from_easter
        if not days:
            return "Easter"
        return f"{abs(days)} {'day' if abs(days) == 1 else 'days'} {'before' if days < 0 else 'after'} Easter"
    assert rule.month is not None
    month = MONTH_NAMES[rule.month - 1]
    if rule.nth is not None:
        nth = "last" if rule.nth == "last" else NTH[rule.nth - 1]
        return f"{nth} {(rule.weekday or '').capitalize()} of {month}"
    if rule.weekday is not None:
        return f"{rule.weekday.capitalize()} on or after {rule.day} {month}"
    moves = [
        f"if {day} then {to.capitalize()}"
        for day, to in (("Saturday", rule.if_saturday), ("Sunday", rule.if_sunday))
        if to
    ]
    return " ".join([f"{rule.day} {month}", *moves])
