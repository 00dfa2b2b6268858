"""The open set of Norwegian grid tariffs ("fri nettleie", CC BY 4.0): one YAML file a grid owner.

What its keys mean was read from its files. Prices are without taxes:

- ``fastledd``: an amount a year by the step (``terskler``, from so many kW on) in which the month's demand
  lies: ``TRE_DØGNMAX_MND`` is the mean of the three highest hours of different days, ``MND_MAX`` the
  highest hour; ``OV_TREFASE`` goes by the main fuse instead (A, three phases), which no meter shows.
- ``energiledd``: øre per kWh, ``grunnpris`` unless one of ``unntak`` holds, of which the first that fits
  wins. ``timer: 6-21`` are hours of the clock, both included: 06:00-22:00.

Holidays are those of the acts of 26 April 1947 (1 and 17 May) and 24 February 1995 no. 12 on public
holidays. Read next: ``swiss``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from itertools import groupby, pairwise
from typing import Any

from pydantic import ConfigDict, Field

from optimizer.base.calendar import DAY_NAMES, LEAP_YEAR, MONTH_NAMES, HolidayRule
from optimizer.base.documents import Document, Source, checked_part
from optimizer.base.errors import InputError, Mistake, Place, TariffError
from optimizer.billing.open_tariffs.parts import (
    MOST_OFFERS,
    Dated,
    Day,
    From,
    Listing,
    Offer,
    one_line,
    origin,
    refuse_odd_spans,
)

FORM = 'Norwegian grid tariffs ("fri nettleie")'
ATTRIBUTION = (
    'data set "fri nettleie" by kraftsystemet, licence CC BY 4.0'
    " (https://creativecommons.org/licenses/by/4.0/); changed: brought into the form of this program,"
    " øre into NOK, amounts of a year into twelfths"
)
UNTAXED = (
    "The prices of this data set are without taxes: value-added tax, electricity tax and the levy per kWh"
    " come on top, and energy itself is bought elsewhere. Add them as charges of their own."
)

GROUPS = {
    "husholdning": "household",
    "fritid": "holiday home",
    "liten_næring": "small business",
}
"""Customer groups that are put into English; others keep their name."""

DEMAND = {"TRE_DØGNMAX_MND": 3, "MND_MAX": 1}
"""How many highest hours of the month are averaged, each of another day."""

BY_FUSE = "OV_TREFASE"

DAYS: dict[str, Callable[[int, bool], bool]] = {
    "alle": lambda _day, _off: True,
    "ukedag": lambda day, _off: day < 5,
    "virkedag": lambda day, off: day < 5 and not off,
    "fridag": lambda day, off: day >= 5 or off,
    "helg": lambda day, _off: day >= 5,
    "helligdag": lambda _day, off: off,
    "helligdager": lambda _day, off: off,
} | {
    name: (lambda day, _off, number=number: day == number)
    for number, name in enumerate(
        ("mandag", "tirsdag", "onsdag", "torsdag", "fredag", "lørdag", "søndag")
    )
}  # fmt: skip
"""Words for days: whether a weekday (0 Monday) that is a holiday, or none, is meant."""

MONTHS = (
    "januar", "februar", "mars", "april", "mai", "juni", "juli", "august", "september", "oktober",
    "november", "desember",
)  # fmt: skip

HOLIDAYS: tuple[dict[str, Any], ...] = (
    {"name": "New Year", "month": 1, "day": 1},
    {"name": "Maundy Thursday", "days_from_easter": -3},
    {"name": "Good Friday", "days_from_easter": -2},
    {"name": "Easter Sunday", "days_from_easter": 0},
    {"name": "Easter Monday", "days_from_easter": 1},
    {"name": "1 May", "month": 5, "day": 1},
    {"name": "17 May", "month": 5, "day": 17},
    {"name": "Ascension", "days_from_easter": 39},
    {"name": "Whit Sunday", "days_from_easter": 49},
    {"name": "Whit Monday", "days_from_easter": 50},
    {"name": "Christmas Day", "month": 12, "day": 25},
    {"name": "26 December", "month": 12, "day": 26},
)
assert all(HolidayRule.model_validate(rule) for rule in HOLIDAYS)

MOST_EXCEPTIONS = 50

JUST_ABOVE_KW = 1e-5
"""Less than a meter shows, and more than the slack of ``step_fee``. [kW]"""


class Threshold(Document):
    """The amount of a year from a threshold on. [kW or A, NOK]"""

    terskel: float = Field(ge=0, le=1e6)
    pris: float = Field(ge=-1e7, le=1e7)


class Fixed(Document):
    """The fixed part."""

    metode: str
    terskel_inkludert: bool | None = None
    terskler: list[Threshold] = Field(min_length=1, max_length=200)


class Exemption(Document):
    """A price in some hours, days and months. [øre/kWh]"""

    navn: str = ""
    pris: float = Field(ge=-1e4, le=1e4)
    timer: str | None = None
    dager: list[str] | None = None
    måneder: list[str] | None = None


class Energy(Document):
    """The part per kWh. [øre/kWh]"""

    grunnpris: float = Field(ge=-1e4, le=1e4)
    unntak: list[Exemption] = Field(default=[], max_length=MOST_EXCEPTIONS)


class Entry(Document):
    """Prices of some customer groups, from a day on until before another."""

    kundegrupper: list[str] = Field(min_length=1, max_length=20)
    fastledd: Fixed
    energiledd: Energy
    gyldig_fra: Day
    gyldig_til: Day | None = None
    navn: str = ""


class NorwegianFile(Document):
    """A grid owner's file; other keys are not read."""

    model_config = ConfigDict(extra="allow")

    netteier: str
    tariffer: list[Any] = Field(min_length=1, max_length=MOST_OFFERS)
    kilder: list[str] = []
    sist_oppdatert: Any = ""


@dataclass(frozen=True)
class _Read:
    """An entry of the file, read: who has it, and what it says or why it cannot be said."""

    place: Place
    entry: Entry
    dated: Dated | None
    remarks: tuple[str, ...]
    refused: InputError | None


def read_norwegian(source: Source, fuse_a: float | None) -> Listing:
    """Read a grid owner's file; each set of customer groups with the same prices is an offer.

    Parameters
    ----------
    source : Source
        The file.
    fuse_a : float or None
        The customer's main fuse, for prices that go by it. [A]

    Raises
    ------
    InputError
        If the file as a whole is not of this form.
    """
    file = checked_part(source, (), NorwegianFile, TariffError)
    owner, updated = one_line(file.netteier), one_line(file.sist_oppdatert)
    links = one_line(", ".join(file.kilder)) or "none named"
    read, refused = list[_Read](), list[InputError]()
    for number in range(len(file.tariffer)):
        place: Place = ("tariffer", number)
        try:
            entry = checked_part(source, place, Entry, TariffError)
        except InputError as failure:
            refused.append(failure)
            continue
        told = f"{owner}, {source.path.name}, {place[0]}[{number}], updated {updated}; from {links}"
        read.append(_read_entry(source, place, entry, fuse_a, told))
    unread = [one_line(key) for key in file.model_extra or {} if key != "gln"]
    remarks = [f"the key {key} of the file is not read" for key in unread]
    offers = [
        *_offers(source, owner, read),
        *(_unreadable(source, failure) for failure in refused),
    ]
    return Listing(source.path, FORM, owner, ATTRIBUTION, "NOK", tuple(offers), (*remarks, UNTAXED))


def _unreadable(source: Source, failure: InputError) -> Offer:
    keys = failure.place[:2]
    name = f"{keys[0]}[{keys[1]}]" if len(keys) == 2 else "a tariff"
    return Offer((name,), "grid", (), source.path, refused=failure)


def _offers(source: Source, owner: str, read: Sequence[_Read]) -> Iterator[Offer]:
    """Yield the offers: groups that share all entries are one."""
    groups = dict.fromkeys(group for each in read for group in each.entry.kundegrupper)
    of_group = {
        group: tuple(n for n, each in enumerate(read) if group in each.entry.kundegrupper)
        for group in groups
    }
    for numbers in dict.fromkeys(of_group.values()):
        mine = [group for group in groups if of_group[group] == numbers]
        chain = sorted((read[n] for n in numbers), key=lambda each: each.entry.gyldig_fra)
        names = (
            f"{owner}: {', '.join(map(_group, mine))}",
            *(one_line(word) for group in mine for word in (group, GROUPS.get(group, group))),
        )
        offer = Offer(
            names, "grid", tuple(each.dated for each in chain if each.dated), source.path,
            remarks=tuple(dict.fromkeys(remark for each in chain for remark in each.remarks)),
            refused=next((each.refused for each in chain if each.refused), None),
        )  # fmt: skip
        try:
            refuse_odd_spans([(each.entry.gyldig_fra, each.entry.gyldig_til) for each in chain])
        except Mistake as failure:
            where = source.where((*chain[-1].place, "gyldig_fra"))
            offer = replace(
                offer, refused=TariffError(failure.what, where=where, mend=failure.mend)
            )
        yield offer


def _group(group: str) -> str:
    return f"{one_line(group)} ({GROUPS[group]})" if group in GROUPS else one_line(group)


def _read_entry(
    source: Source, place: Place, entry: Entry, fuse_a: float | None, told: str
) -> _Read:
    remarks: list[str] = []
    if entry.navn:
        remarks.append(
            f"the prices from {entry.gyldig_fra} are called {one_line(entry.navn)!r} in the file"
        )
    try:
        fixed = _fixed_charges(source, (*place, "fastledd"), entry.fastledd, fuse_a, remarks)
        table = _Week(source, (*place, "energiledd"), entry.energiledd, remarks)
        charge = table.charge()
    except Mistake as failure:
        where = source.where((*place, *failure.place))
        refused = TariffError(failure.what, where=where, mend=failure.mend)
        return _Read(place, entry, None, tuple(remarks), refused)
    dated = Dated(
        entry.gyldig_fra, entry.gyldig_til, (*fixed, charge), told, table.seasons(),
        HOLIDAYS if table.knows_holidays else (),
    )  # fmt: skip
    return _Read(place, entry, dated, tuple(remarks), None)


# --- the fixed part -----------------------------------------------------------------------------


def _fixed_charges(
    source: Source, place: Place, fixed: Fixed, fuse_a: float | None, remarks: list[str]
) -> list[dict[str, Any]]:
    steps = fixed.terskler
    starts = [step.terskel for step in steps]
    if starts[0] != 0 or any(b <= a for a, b in pairwise(starts)):
        raise Mistake(
            f"the thresholds are {', '.join(f'{start:g}' for start in starts[:20])}; they must rise from 0",
            "Mend them in a copy of the file.",
            ("fastledd", "terskler"),
        )
    method = one_line(fixed.metode)
    if len(steps) == 1:
        remarks.append(
            f"the fixed price goes by {method}, but has one step: it is the same for all"
        )
        return [_same_for_all(source, (*place, "terskler", 0, "pris"), steps[0])]
    if fixed.metode == BY_FUSE:
        return [_by_fuse(source, place, fixed, fuse_a, remarks)]
    if fixed.metode not in DEMAND:
        raise Mistake(
            f"the fixed price goes by {method!r}, which is not known here; known are"
            f" {', '.join((*DEMAND, BY_FUSE))}",
            "Ask the grid owner which demand decides the step, and write it into a copy of the file.",
            ("fastledd", "metode"),
        )
    if fixed.terskel_inkludert is None:
        remarks.append(
            "the file does not say to which step a demand exactly on a threshold belongs; the higher one is"
            " taken"
        )
    highest = DEMAND[fixed.metode]
    measured: dict[str, Any] = {
        "kind": "demand",
        "name": "Demand that decides the step",
        "per_kw": 0,
        "interval_minutes": 60,
        "highest": From(highest, origin(source, (*place, "metode"), method)),
        "one_per": "day",
    }
    if highest == 1:
        del measured["one_per"]
    fee = {
        "kind": "step_fee",
        "name": "Fixed price",
        "by": measured["name"],
        "steps": [
            {
                "from": _start(source, (*place, "terskel_inkludert"), fixed, step),
                "amount": _twelfth(source, (*place, "terskler", number), step),
            }
            for number, step in enumerate(steps)
        ],
    }
    return [measured, fee]


def _start(source: Source, place: Place, fixed: Fixed, step: Threshold) -> From | float:
    """Return where a step begins; a little higher where its threshold belongs to the lower one. [kW]"""
    if fixed.terskel_inkludert is not False or not step.terskel:
        return step.terskel
    told = f"{step.terskel:g} kW itself belongs to the step below"
    return From(round(step.terskel + JUST_ABOVE_KW, 6), origin(source, place, told))


def _twelfth(source: Source, place: Place, step: Threshold) -> From:
    return From(step.pris / 12, origin(source, (*place, "pris"), f"{step.pris:g} NOK a year"))


def _same_for_all(source: Source, place: Place, step: Threshold) -> dict[str, Any]:
    amount = From(step.pris / 12, origin(source, place, f"{step.pris:g} NOK a year"))
    return {"kind": "fixed", "name": "Fixed price", "amount": amount, "per": "month"}


def _by_fuse(
    source: Source, place: Place, fixed: Fixed, fuse_a: float | None, remarks: list[str]
) -> dict[str, Any]:
    steps = fixed.terskler
    if fuse_a is None:
        told = ", ".join(f"from {step.terskel:g} A {step.pris:g}" for step in steps[:20])
        raise Mistake(
            f"the fixed price goes by the main fuse, which no meter shows (NOK a year: {told})",
            "Say yours, three phases, with --fuse A.",
            ("fastledd", "metode"),
        )
    belongs_above = fixed.terskel_inkludert is not False
    reached = [
        number for number, step in enumerate(steps)
        if step.terskel < fuse_a or (step.terskel == fuse_a and belongs_above)
    ]  # fmt: skip
    number = reached[-1] if reached else 0
    remarks.append(
        f"the fixed price goes by the main fuse: {fuse_a:g} A lies in the step from"
        f" {steps[number].terskel:g} A (amperes of three phases by the size of the numbers; the"
        " file names no unit)"
    )
    return _same_for_all(source, (*place, "terskler", number, "pris"), steps[number])


# --- the part per kWh ---------------------------------------------------------------------------

Cell = tuple[int, int, int]
"""Month 0 to 11, kind of day 0 to 7 (7: holiday), hour 0 to 23."""


class _Week:
    """Which exception holds in each hour of each kind of day of each month; -1: none, the base price."""

    def __init__(self, source: Source, place: Place, energy: Energy, remarks: list[str]) -> None:
        self.source, self.place, self.energy = source, place, energy
        fits = [self._fitting(number, each, remarks) for number, each in enumerate(energy.unntak)]

        def first_of(month: int, day: int, hour: int, *, off: bool) -> int:
            found = (n for n, is_in in enumerate(fits) if is_in(month, day, hour, off))
            return next(found, -1)

        hours = range(24)
        table = {
            (month, day, off): tuple(first_of(month, day, hour, off=off) for hour in hours)
            for month in range(12) for day in range(7) for off in (False, True)
        }  # fmt: skip
        self.knows_holidays = any(
            table[month, day, True] != table[month, day, False]
            for month in range(12) for day in range(7)
        )  # fmt: skip
        if self.knows_holidays:
            self._refuse_split_holidays(table)
        self.day_kinds = range(8 if self.knows_holidays else 7)
        self.of_month = [
            tuple(table[month, day % 7, day == 7] for day in self.day_kinds) for month in range(12)
        ]
        self.season_names = self._named_seasons()

    def _fitting(
        self, number: int, each: Exemption, remarks: list[str]
    ) -> Callable[[int, int, int, bool], bool]:
        place: Place = ("energiledd", "unntak", number)
        hours = _hours(each.timer, (*place, "timer"))
        days = _known(each.dager, DAYS, (*place, "dager"), "day")
        months = _known(each.måneder, MONTHS, (*place, "måneder"), "month")
        if (
            hours is not None
            and each.dager not in (None, ["alle"])
            and {0, 23} <= hours < set(range(24))
        ):
            remarks.append(
                f"{one_line(each.navn) or 'an exception'!r} runs over midnight on named days; its hours after"
                " midnight are taken on the same day"
            )
        return partial(
            _is_in, hours=hours, words=days,
            months=None if months is None else {MONTHS.index(month) for month in months},
        )  # fmt: skip

    def _refuse_split_holidays(self, table: dict[tuple[int, int, bool], tuple[int, ...]]) -> None:
        for month in range(12):
            if len({table[month, day, True] for day in range(7)}) > 1:
                raise Mistake(
                    f"in {MONTH_NAMES[month]} a holiday is priced by the weekday on which it falls, which"
                    " cannot be said: a tariff here has one kind of holiday",
                    "Write this tariff by hand, with dates: for the holidays.",
                    ("energiledd", "unntak"),
                )

    def _named_seasons(self) -> list[str]:
        alike = list(dict.fromkeys(self.of_month))
        if len(alike) == 1:
            return [""] * 12
        names = [
            " and ".join(
                MONTH_NAMES[run[0]] + (f"–{MONTH_NAMES[run[-1]]}" if len(run) > 1 else "")
                for run in _runs([m for m in range(12) if self.of_month[m] == each])
            )
            for each in alike
        ]
        return [names[alike.index(each)] for each in self.of_month]

    def seasons(self) -> dict[str, list[str]]:
        """Return the seasons, as ranges of dates; none if all months are alike."""
        return {
            name: [
                f"{run[0] + 1:02d}-01 to {run[-1] + 1:02d}-{_last_day(run[-1])}"
                for run in _runs([m for m in range(12) if self.season_names[m] == name])
            ]
            for name in dict.fromkeys(self.season_names)
            if name
        }

    def charge(self) -> dict[str, Any]:
        """Return the charge: one price, or rates that hold each hour once."""
        base = self._price(("grunnpris",), self.energy.grunnpris)
        rates = [rate for number in range(len(self.energy.unntak)) for rate in self._rates(number)]
        head = {"kind": "energy", "name": "Grid energy"}
        if not rates:
            return head | {"per_kwh": base}
        used = {number for kinds in self.of_month for hours in kinds for number in hours}
        rest = [{"name": "other hours", "per_kwh": base, "otherwise": True}] if -1 in used else []
        return head | {"rates": [*_told_apart(rates), *rest]}

    def _price(self, keys: Place, ore: float) -> From:
        return From(
            round(ore / 100, 12), origin(self.source, (*self.place, *keys), f"{ore:g} øre/kWh")
        )

    def _rates(self, number: int) -> Iterator[dict[str, Any]]:
        """Yield the rates of an exception: one for each season and set of hours."""
        each = self.energy.unntak[number]
        for season in dict.fromkeys(self.season_names):
            kinds = self.of_month[self.season_names.index(season)]
            hours_of = [
                frozenset(h for h in range(24) if kinds[day][h] == number) for day in self.day_kinds
            ]
            for hours in dict.fromkeys(hours for hours in hours_of if hours):
                rate: dict[str, Any] = {
                    "name": one_line(each.navn) or f"exception {number + 1}",
                    "per_kwh": self._price(("unntak", number, "pris"), each.pris),
                }
                rate |= {"seasons": [season]} if season else {}
                days = [day for day in self.day_kinds if hours_of[day] == hours]
                rate |= {} if len(days) == len(self.day_kinds) else {"days": _day_words(days)}
                rate |= {} if len(hours) == 24 else {"hours": _spans(hours)}
                yield rate


def _told_apart(rates: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    names = [rate["name"] for rate in rates]
    told = []
    for number, rate in enumerate(rates):
        again = names[:number].count(rate["name"]) + 1
        is_taken = names.count(rate["name"]) > 1 or rate["name"] == "other hours"
        told.append(rate | {"name": f"{rate['name']} {again}"} if is_taken else rate)
    return told


def _is_in(
    month: int,
    day: int,
    hour: int,
    off: bool,
    *,
    hours: set[int] | None,
    words: Sequence[str] | None,
    months: set[int] | None,
) -> bool:
    return (
        (hours is None or hour in hours)
        and (months is None or month in months)
        and (words is None or any(DAYS[word](day, off) for word in words))
    )


def _hours(span: str | None, place: Place) -> set[int] | None:
    if span is None:
        return None
    found = re.fullmatch(r"\s*(\d{1,2})\s*-\s*(\d{1,2})\s*", span)
    first, last = (int(found[1]), int(found[2])) if found else (99, 99)
    if max(first, last) > 23:
        raise Mistake(
            f"{one_line(span)[:40]!r} is no span of hours",
            "Hours are written as 6-21, 0 to 23.",
            place,
        )
    return {hour % 24 for hour in range(first, last + 1 + (24 if last < first else 0))}


def _known(
    words: list[str] | None, allowed: Iterable[str], place: Place, what: str
) -> list[str] | None:
    """Return words in lower case, all of them known."""
    if words is None:
        return None
    small = [word.strip().lower() for word in words]
    allowed = tuple(allowed)
    for number, word in enumerate(small):
        if word not in allowed:
            raise Mistake(
                f"{one_line(word)[:40]!r} is no {what} that is known here; known are {', '.join(allowed)}",
                "Mend it in a copy of the file.",
                (*place, number),
            )
    return small


def _runs(numbers: Sequence[int]) -> list[list[int]]:
    """Return numbers of months as runs; one may go on over the new year."""
    runs = [
        [number for _, number in group]
        for _, group in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0])
    ]
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == 11:
        return [*runs[1:-1], runs[-1] + runs[0]]
    return runs


def _last_day(month: int) -> str:
    following = date(LEAP_YEAR + (month == 11), (month + 1) % 12 + 1, 1)
    return f"{date.fromordinal(following.toordinal() - 1).day:02d}"


def _day_words(days: Sequence[int]) -> list[str]:
    left, words = set(days), list[str]()
    for word, kinds in (("weekdays", {0, 1, 2, 3, 4}), ("weekends", {5, 6}), ("holidays", {7})):
        if kinds <= left:
            words.append(word)
            left -= kinds
    return [*words, *(DAY_NAMES[day] for day in sorted(left))]


def _spans(hours: Iterable[int]) -> list[str]:
    groups = groupby(enumerate(sorted(hours)), key=lambda pair: pair[1] - pair[0])
    runs = [[hour for _, hour in group] for _, group in groups]
    return [f"{run[0]:02d}:00-{run[-1] + 1:02d}:00" for run in runs]
