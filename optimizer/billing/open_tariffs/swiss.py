"""The statutory tariffs of Swiss grid operators: one JSON file an operator, published from 2026 on.

What its keys mean was read from files, and from notes on them. A customer adds up tariffs of several
types: grid, electricity, metering and the fees of the municipality. ``prices`` has a base price, and
prices per kWh, kW and kvarh by spans of the clock (``00:00`` to ``00:00`` is the whole day). What is not
known here is refused by its key. Read next: ``combined``.
"""
# ruff: noqa: N815 - keys are those of the form

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field

from optimizer.base.documents import Document, Source, checked_part
from optimizer.base.errors import InputError, Mistake, Place, TariffError
from optimizer.base.units import MINUTES_PER_DAY, clock, read_clock
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

FORM = "Swiss statutory tariffs"
UNSAID = (
    "Whether value-added tax is in the prices, the file does not say; nothing was added. Fees of the"
    " whole country are in the bill only as far as the file has them."
)

TYPES = {
    "grid": "Grid",
    "electricity": "Electricity",
    "metering": "Metering",
    "regional_fees": "Regional fees",
}
"""Types of tariff that are known, and how their charges are called."""

ADDING_UP = {"regional_fees"}
"""Types of which a customer may have several."""

PERIODS: dict[str, Literal["month", "year"]] = {"m": "month", "y": "year", "a": "year", "j": "year"}
"""How units name the month and the year (in English, of the Latin word, in German)."""

DEMAND_MINUTES = 15
"""Over which demand is measured; the form does not say (common practice, no published source)."""

ROUNDED_END = 15
"""So many minutes at most are missing where a span is written to its last interval. [min]"""

LOW_BASE = 1.0
"""A base price below this many francs a month is odd where there is no price of a kWh. [CHF]"""


def _minute(value: Any) -> Any:
    if not isinstance(value, str):
        raise Mistake(
            f"{one_line(value)[:40]} is no time of the clock", "Times are texts: '06:00'."
        )
    try:
        return read_clock(value)
    except ValueError:
        raise Mistake(f"{one_line(value)[:40]!r} is no time of the clock", "Write 06:00.") from None


Minute = Annotated[int, BeforeValidator(_minute)]


class Price(Document):
    """A price and its unit, such as ``CHF/kWh``."""

    price: float = Field(ge=-1e6, le=1e6)
    priceUnit: str


class Span(Price):
    """A price from one time of the clock to another."""

    begin: Minute = Field(alias="from")
    to: Minute


class Municipality(Document):
    """What a municipality takes."""

    municipalityNumber: int | str | None = None
    municipalityName: str
    municipalityBase: Price | None = None
    municipalityEnergy: list[Span] | None = None
    municipalityComment: str | None = None


class Prices(Document):
    """All prices of a tariff."""

    base: Price | None = None
    energy: list[Span] | None = None
    power: list[Span] | None = None
    reactivePower: list[Span] | None = None
    refundStorage: Price | None = None
    municipalityTaxes: list[Municipality] | None = Field(default=None, max_length=MOST_OFFERS)


class SwissTariff(Document):
    """One tariff; other keys beside its prices are not read."""

    model_config = ConfigDict(extra="allow")

    tariffName: str
    tariffType: str
    tariffForm: str
    standardBasegroup: bool | None = None
    startDate: Day
    endDate: Day | None = None
    comment: str | None = None
    customerType: str | None = None
    customerVoltageLevel: int | str | None = None
    prices: Prices


class SwissFile(Document):
    """An operator's file; other keys are not read."""

    model_config = ConfigDict(extra="allow")

    dsoName: str
    tariffs: list[Any] = Field(min_length=1, max_length=MOST_OFFERS)


@dataclass
class _Making:
    """A tariff in the making: its place in the file, what it is called, what was odd."""

    source: Source
    place: Place
    kind: str
    remarks: list[str] = field(default_factory=list)
    currencies: set[str] = field(default_factory=set)

    def taken(self, place: Place, price: Price) -> From:
        """Return a price with its origin."""
        where = (*self.place, *place, "price")
        return From(price.price, origin(self.source, where, _told(price)))


def read_swiss(source: Source) -> Listing:
    """Read an operator's file; each of its tariffs is an offer, of regional fees each municipality.

    Raises
    ------
    InputError
        If the file as a whole is not of this form.
    """
    file = checked_part(source, (), SwissFile, TariffError)
    operator = one_line(file.dsoName)
    offers: list[Offer] = []
    currencies: set[str] = set()
    unread = [one_line(key) for key in file.model_extra or {} if key != "dsoNumber"]
    texts: dict[str, str] = {}
    for number in range(len(file.tariffs)):
        place: Place = ("tariffs", number)
        try:
            tariff = checked_part(source, place, SwissTariff, TariffError)
        except InputError as failure:
            offers.append(_unreadable(source, file.tariffs[number], number, failure))
            continue
        unread += [
            f"{one_line(key)} of {one_line(tariff.tariffName)}" for key in tariff.model_extra or ()
        ]
        for offer, used in _offers(source, place, tariff, operator):
            offers.append(offer)
            currencies |= used
            if tariff.customerType and tariff.tariffType in ("grid", "electricity"):
                texts[offer.name] = tariff.customerType
    if len(currencies) > 1:
        raise TariffError(
            f"the prices are in several currencies: {', '.join(sorted(currencies))}",
            where=source.where(("tariffs",)),
            mend="Keep tariffs of one currency in a copy of the file.",
        )
    told = [f"the key {key} is not read" for key in dict.fromkeys(unread)]
    attribution = (
        f"tariffs of {operator}, published as the law asks (form of 2026); the file names no licence;"
        " changed: brought into the form of this program"
    )
    return Listing(
        source.path, FORM, operator, attribution, next(iter(currencies), "CHF"),
        tuple(offers), (*told, *_texts_exchanged(offers, texts), UNSAID),
    )  # fmt: skip


def _texts_exchanged(offers: Sequence[Offer], texts: dict[str, str]) -> Iterator[str]:
    """Yield a remark where the texts of two standard tariffs say that they are for other customers."""
    standard = {offer.kind: offer.name for offer in offers if offer.is_standard}
    grid, other = standard.get("grid", ""), standard.get("electricity", "")
    if grid not in texts or other not in texts or texts[grid] == texts[other]:
        return
    twin = next(
        (name for name, text in texts.items() if text == texts[grid] and name != grid), None
    )
    if twin is not None:
        yield (
            f"{other!r} is the standard, but the customers' text of {grid!r} stands at {twin!r}: the file may"
            " have exchanged two texts"
        )


def _unreadable(source: Source, raw: Any, number: int, failure: InputError) -> Offer:
    raw = raw if isinstance(raw, dict) else {}
    name = one_line(raw.get("tariffName") or f"tariffs[{number}]")
    kind = one_line(raw.get("tariffType") or "unknown")
    return Offer((name,), kind, (), source.path, refused=failure)


def _offers(
    source: Source, place: Place, tariff: SwissTariff, operator: str
) -> Iterator[tuple[Offer, set[str]]]:
    name, kind = one_line(tariff.tariffName), one_line(tariff.tariffType)
    towns = tariff.prices.municipalityTaxes
    taken: list[tuple[str, Callable[[_Making], Iterator[dict[str, Any]]]]]
    if towns is None:
        taken = [(name, partial(_charges, prices=tariff.prices))]
    else:
        taken = [
            (
                f"{name}, {one_line(town.municipalityName)}",
                partial(_town_charges, number=number, town=town),
            )
            for number, town in enumerate(towns)
        ]  # fmt: skip
    about = "; ".join(one_line(text) for text in (tariff.customerType, tariff.comment) if text)
    for full, make in taken:
        making = _Making(source, place, kind)
        dated: tuple[Dated, ...] = ()
        refused: InputError | None = None
        try:
            _refuse_other_forms(tariff)
            end = None if tariff.endDate is None else _day_after(tariff.endDate)
            refuse_odd_spans([(tariff.startDate, end)])
            charges = tuple(make(making))
            told = f"{operator}, {full}, {source.path.name}, tariffs[{place[1]}]"
            dated = (Dated(tariff.startDate, end, charges, told, {}),)
        except Mistake as failure:
            where = source.where((*place, *failure.place))
            refused = TariffError(failure.what, where=where, mend=failure.mend)
        offer = Offer(
            (full,), kind, dated, source.path, about, tariff.standardBasegroup is True,
            kind in ADDING_UP, tuple(making.remarks), refused,
        )  # fmt: skip
        yield offer, making.currencies


def _refuse_other_forms(tariff: SwissTariff) -> None:
    if tariff.tariffType not in TYPES:
        raise Mistake(
            f"tariffType is {one_line(tariff.tariffType)!r}; known are {', '.join(TYPES)}",
            "What it pays or takes is not known here: write it by hand.",
            "tariffType",
        )
    if tariff.tariffForm != "constant":
        raise Mistake(
            f"tariffForm is {one_line(tariff.tariffForm)!r}, and only 'constant' is read",
            "Where prices change by the day, write a charge with a series.",
            "tariffForm",
        )
    if tariff.prices.municipalityTaxes is not None and (tariff.prices.base or tariff.prices.energy):
        raise Mistake(
            "a tariff has prices of municipalities and others beside them",
            "Keep one of the two in a copy of the file.",
            ("prices", "municipalityTaxes"),
        )


def _day_after(last: date) -> date | None:
    """Return the first day after the last one; none where a far year means that no end is known."""
    return None if last.year >= 2200 else last + timedelta(days=1)


def _town_charges(making: _Making, number: int, town: Municipality) -> Iterator[dict[str, Any]]:
    place: Place = ("prices", "municipalityTaxes", number)
    yield from _base(making, (*place, "municipalityBase"), town.municipalityBase)
    yield from _energy(making, (*place, "municipalityEnergy"), town.municipalityEnergy or [])


def _charges(making: _Making, prices: Prices) -> Iterator[dict[str, Any]]:
    energy = prices.energy or []
    yield from _base(making, ("prices", "base"), prices.base)
    yield from _energy(making, ("prices", "energy"), energy)
    yield from _power(making, ("prices", "power"), prices.power or [])
    yield from _reactive(making, ("prices", "reactivePower"), prices.reactivePower or [])
    told: dict[str, Sequence[Price] | None] = {
        "base": [prices.base] if prices.base else [],
        "energy": energy,
        "power": prices.power,
        "reactivePower": prices.reactivePower,
    }
    nothing = [key for key, each in told.items() if each and not any(one.price for one in each)]
    if nothing:
        making.remarks.append(f"priced at zero in the file, so left out: {', '.join(nothing)}")
    is_low = prices.base is not None and 0 < prices.base.price < LOW_BASE
    if prices.base is not None and is_low and energy and not any(span.price for span in energy):
        making.remarks.append(
            f"the base price of {_told(prices.base)} stands where no kWh has a price: it may be meant per"
            " kWh; it is read as it stands"
        )
    if prices.refundStorage is not None and prices.refundStorage.price:
        making.remarks.append(
            f"refundStorage, {_told(prices.refundStorage)}, is left out: what is paid back hangs on whether"
            " PV or the grid filled the battery, which a tariff here cannot say"
        )


def _told(price: Price) -> str:
    return f"{price.price:.12g} {one_line(price.priceUnit)}"


def _unit(making: _Making, place: Place, unit: str, *, of: Sequence[str]) -> str:
    """Return the unit after its currency, in small letters; it must end in one of some."""
    currency, _, rest = unit.strip().partition("/")
    if not re.fullmatch("[A-Z]{3}", currency) or rest.lower() not in of:
        raise Mistake(
            f"priceUnit is {one_line(unit)[:40]!r}; known here are {', '.join(f'CHF/{each}' for each in of)}",
            "Correct it in a copy of the file.",
            (*place, "priceUnit"),
        )
    making.currencies.add(currency)
    return rest.lower()


def _base(making: _Making, place: Place, base: Price | None) -> Iterator[dict[str, Any]]:
    if base is None:
        return
    unit = _unit(making, place, base.priceUnit, of=tuple(PERIODS))
    if base.price:
        yield {
            "kind": "fixed",
            "name": f"{TYPES[making.kind]} base price",
            "amount": making.taken(place, base),
            "per": PERIODS[unit],
        }


def _energy(making: _Making, place: Place, spans: Sequence[Span]) -> Iterator[dict[str, Any]]:
    for number, span in enumerate(spans):
        _unit(making, (*place, number), span.priceUnit, of=("kwh",))
    if not any(span.price for span in spans):
        return
    hours = _hours(making, place, spans)
    head = {"kind": "energy", "name": f"{TYPES[making.kind]} energy"}
    prices = [making.taken((*place, n), span) for n, span in enumerate(spans)]
    if len(spans) == 1 and hours[0] is None:
        yield head | {"per_kwh": prices[0]}
        return
    yield head | {
        "rates": [
            {"name": span or "all day", "per_kwh": price} | ({"hours": [span]} if span else {})
            for span, price in zip(hours, prices, strict=True)
        ]
    }


def _power(making: _Making, place: Place, spans: Sequence[Span]) -> Iterator[dict[str, Any]]:
    units = [
        _unit(making, (*place, n), span.priceUnit, of=[f"kw/{each}" for each in PERIODS])
        for n, span in enumerate(spans)
    ]
    if not any(span.price for span in spans):
        return
    hours = _hours(making, place, spans, to=DEMAND_MINUTES)
    making.remarks.append(
        f"demand is taken as the month's highest mean of {DEMAND_MINUTES} min, in each span of hours that has"
        " a price; the file does not say"
    )
    for number, (span, unit) in enumerate(zip(spans, units, strict=True)):
        if not span.price:
            continue
        per = PERIODS[unit.rpartition("/")[2]]
        if per == "year":
            making.remarks.append(
                "a price of a kW and year is paid in twelfths, each month for its own demand"
            )
        name = f"{TYPES[making.kind]} demand"
        within = hours[number]
        yield {
            "kind": "demand",
            "name": f"{name} {within}" if within else name,
            "per_kw": making.taken((*place, number), span),
            "per": per,
            "interval_minutes": DEMAND_MINUTES,
        } | ({"hours": [within]} if within else {})


def _reactive(making: _Making, place: Place, spans: Sequence[Span]) -> Iterator[dict[str, Any]]:
    for number, span in enumerate(spans):
        _unit(making, (*place, number), span.priceUnit, of=("kvarh",))
    if not any(span.price for span in spans):
        return
    hours = _hours(making, place, spans)
    making.remarks.append("all reactive energy is billed: the file names no share that is free")
    for number, span in enumerate(spans):
        if span.price:
            within = hours[number]
            name = f"{TYPES[making.kind]} reactive energy"
            yield {
                "kind": "reactive",
                "name": f"{name} {within}" if within else name,
                "per_kvarh": making.taken((*place, number), span),
            } | ({"hours": [within]} if within else {})


# --- spans of the clock -------------------------------------------------------------------------


def _hours(
    making: _Making, place: Place, spans: Sequence[Span], *, to: int = 1
) -> list[str | None]:
    """Return the hours of spans that share the whole day; None for the whole day.

    A span written to the begin of its last interval (21:00 to 23:45) is taken to its end.
    """
    ordered = sorted(range(len(spans)), key=lambda n: spans[n].begin)
    for earlier, later in pairwise(ordered):
        if spans[earlier].begin % MINUTES_PER_DAY == spans[later].begin % MINUTES_PER_DAY:
            raise Mistake(
                f"two spans begin at {clock(spans[later].begin)}",
                "Let the spans share the day, in a copy of the file.",
                (*place, later, "from"),
            )
    hours: list[str | None] = [None] * len(spans)
    for position, number in enumerate(ordered):
        span = spans[number]
        begin, end = span.begin % MINUTES_PER_DAY, span.to % MINUTES_PER_DAY
        following = spans[ordered[(position + 1) % len(ordered)]].begin % MINUTES_PER_DAY
        length = (end - begin - 1) % MINUTES_PER_DAY + 1
        room = (following - begin - 1) % MINUTES_PER_DAY + 1
        missing = room - length
        here = (*place, number, "to")
        if 0 < missing <= ROUNDED_END:
            making.remarks.append(
                f"a span of {'.'.join(str(part) for part in place if isinstance(part, str))} ends at"
                f" {clock(end)} and the next begins at {clock(following)}: taken to go on until then"
            )
        elif missing:
            told = "a hole after it" if missing > 0 else "an overlap with the next one"
            raise Mistake(
                f"the span {clock(begin)}–{clock(end)} leaves {told}, which begins at {clock(following)}",
                "Let the spans share the day, in a copy of the file.",
                here,
            )
        if begin % to:
            raise Mistake(
                f"a span begins at {clock(begin)}, inside an interval of {to} min over which demand is"
                " measured",
                "Let it begin on a quarter of an hour.",
                (*place, number, "from"),
            )
        if room < MINUTES_PER_DAY:
            hours[number] = f"{clock(begin)}-{clock(following or MINUTES_PER_DAY)}"
    return hours
