"""What is read out of an open tariff file, before a customer's choice makes one tariff of it.

A ``Listing`` is a file; its ``Offer`` are what a customer can have, each with its ``Dated`` prices. Values
carry where they came from (``From``). Read next: ``norwegian``, ``swiss``, ``combined``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator

from optimizer.base.documents import Source
from optimizer.base.errors import InputError, Mistake, Place

MOST_OFFERS = 500
"""More tariffs in one file are a slip; nobody chooses among them."""

LONGEST = 300
"""Names and texts of a file are cut after so many characters."""

YEARS = range(2000, 2200)
"""Years in which a tariff begins."""


@dataclass(frozen=True)
class From:
    """A value, and the words that say where it came from."""

    value: float | str
    words: str


@dataclass(frozen=True)
class Dated:
    """Prices that hold from a day on, until ``end`` (the first day after) if the file names one.

    ``charges`` are as in a tariff file, with ``From`` in place of values.
    """

    first: date
    end: date | None
    charges: tuple[dict[str, Any], ...]
    source: str
    seasons: dict[str, list[str]]
    holidays: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class Offer:
    """A tariff that a customer can have: ``refused`` says why it cannot be read, if so.

    Of each ``kind`` a customer has one, but for kinds that ``adds_up``. ``names`` are those by which it
    can be asked for, the first of them in full.
    """

    names: tuple[str, ...]
    kind: str
    dated: tuple[Dated, ...]
    path: Path
    about: str = ""
    is_standard: bool = False
    adds_up: bool = False
    remarks: tuple[str, ...] = ()
    refused: InputError | None = None

    @property
    def name(self) -> str:
        """The name in full."""
        return self.names[0]


@dataclass(frozen=True)
class Listing:
    """All that a file offers, with the words of its form, publisher and licence."""

    path: Path
    form: str
    publisher: str
    attribution: str
    currency: str
    offers: tuple[Offer, ...]
    remarks: tuple[str, ...] = ()


def one_line(text: object) -> str:
    """Return a text of a file on one line, without signs that cannot be seen, and not too long."""
    seen = "".join(sign if sign.isprintable() else " " for sign in str(text))
    words = " ".join(seen.split())
    return words if len(words) <= LONGEST else f"{words[:LONGEST]}…"


def origin(source: Source, place: Place, told: str) -> str:
    """Return where a value stands: file, line and path of keys, and how it reads there."""
    where = source.where(place)
    keys = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in place)
    return one_line(f"{told}; {source.path.name}:{where.line} {keys.lstrip('.')}")


def day_of(value: Any) -> Any:
    """Return a day written as ``2026-01-31``, with quotes or without.

    Raises
    ------
    Mistake
        If it is none, or lies in no year of tariffs.
    """
    if isinstance(value, str):
        try:
            value = date.fromisoformat(value.strip())
        except ValueError:
            raise Mistake(
                f"{one_line(value)[:40]!r} is no day", "Write it as 2026-01-31."
            ) from None
    if not isinstance(value, date) or isinstance(value, datetime):
        raise Mistake(f"{one_line(value)[:40]} is no day", "Write it as 2026-01-31.")
    return value


Day = Annotated[date, BeforeValidator(day_of)]


def refuse_odd_spans(spans: Sequence[tuple[date, date | None]]) -> None:
    """Refuse spans of validity, in rising order, that begin on one day or end before they begin.

    Raises
    ------
    Mistake
        With the days.
    """
    for number, (first, end) in enumerate(spans):
        if first.year not in YEARS:
            raise Mistake(
                f"it holds from {first}, and tariffs begin between {YEARS[0]} and {YEARS[-1]}",
                "Check the year.",
            )
        if end is not None and end <= first:
            raise Mistake(f"it holds from {first} and ends before {end}", "Check the two days.")
        if number and spans[number - 1][0] == first:
            raise Mistake(
                f"two of its prices begin on {first}", "Keep one of them in a copy of the file."
            )
