"""One tariff of all that a customer chose, as a text in which each value names its origin.

Read next: ``optimizer.workflows.read_tariff``.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

from optimizer.base.documents import read_outside
from optimizer.base.errors import TariffError
from optimizer.billing.open_tariffs.norwegian import read_norwegian
from optimizer.billing.open_tariffs.parts import Dated, From, Listing, Offer, one_line
from optimizer.billing.open_tariffs.swiss import read_swiss

MOST_FILES = 50

WIDTH = 110


@dataclass(frozen=True)
class Chosen:
    """What was taken of the files, numbered from 1 through all of them, and the text of the tariff."""

    listings: tuple[Listing, ...]
    numbers: tuple[int, ...]
    name: str
    first_days: tuple[date, ...]
    text: str
    remarks: tuple[str, ...]

    @property
    def offers(self) -> list[Offer]:
        """All that the files offer."""
        return [offer for listing in self.listings for offer in listing.offers]


def read_listing(path: Path, fuse_a: float | None = None) -> Listing:
    """Read an open tariff file of a form that is known.

    Raises
    ------
    InputError
        If it is none.
    """
    source = read_outside(path, TariffError)
    keys = set(source.content) if isinstance(source.content, dict) else set()
    if "netteier" in keys or "tariffer" in keys:
        return read_norwegian(source, fuse_a)
    if "dsoName" in keys or "tariffs" in keys:
        return read_swiss(source)
    raise TariffError(
        "this is no open tariff of a form that is known here",
        where=path,
        mend="Known are the Swiss statutory JSON (keys dsoName, tariffs) and the Norwegian set of grid"
        " tariffs (keys netteier, tariffer).",
    )


def combined(listings: Sequence[Listing], asked: Sequence[str]) -> Chosen:
    """Choose tariffs and combine them into one.

    Parameters
    ----------
    listings : sequence of Listing
        What the files offer.
    asked : sequence of str
        Numbers or names of the tariffs to take; none where the files leave no choice.

    Raises
    ------
    InputError
        If a name is unknown, a choice is open, or what is taken cannot be read.
    """
    offers = [(listing, offer) for listing in listings for offer in listing.offers]
    numbers = _asked_for(listings, asked) if asked else _without_choice(listings)
    taken = [offers[number - 1] for number in numbers]
    for _, offer in taken:
        if offer.refused is not None:
            raise offer.refused
    _refuse_what_does_not_add_up(taken)
    versions, remarks = _versions([offer for _, offer in taken])
    used = [listing for listing in listings if any(each is listing for each, _ in taken)]
    notes = [remark for listing in used for remark in listing.remarks]
    for _, offer in taken:
        prefix = f"{offer.name}: " if len(taken) > 1 else ""
        notes += [prefix + remark for remark in offer.remarks]
    notes += [*remarks, *_left(listings, numbers)]
    name = one_line(" + ".join(_full(listing, offer, taken) for listing, offer in taken))
    told = tuple(dict.fromkeys(notes))
    text = _text(name, used, taken, versions, told)
    days = tuple(version["from"] for version in versions)
    return Chosen(tuple(listings), numbers, name, days, text, told)


def _full(listing: Listing, offer: Offer, taken: Sequence[tuple[Listing, Offer]]) -> str:
    is_first = next(each for each in taken if each[0] is listing)[1] is offer
    has_publisher = listing.publisher in offer.name or not is_first
    return offer.name if has_publisher else f"{listing.publisher}: {offer.name}"


def offered(listings: Sequence[Listing]) -> Chosen:
    """Return what the files offer, with nothing taken of it."""
    remarks = dict.fromkeys(remark for listing in listings for remark in listing.remarks)
    return Chosen(tuple(listings), (), "", (), "", tuple(remarks))


# --- the choice ---------------------------------------------------------------------------------


def listed(listings: Sequence[Listing]) -> list[str]:
    """Return a line for each tariff: number, name, type, and why it cannot be read, if so."""
    lines, number = list[str](), 0
    for listing in listings:
        for offer in listing.offers:
            number += 1
            words = [offer.kind, *(["standard"] if offer.is_standard else [])]
            words += ["cannot be read"] if offer.refused else []
            lines.append(f"{number} {offer.name} ({', '.join(words)})")
    return lines


def _asked_for(listings: Sequence[Listing], asked: Sequence[str]) -> tuple[int, ...]:
    offers = [offer for listing in listings for offer in listing.offers]
    numbers: list[int] = []
    for word in asked:
        named = [
            number for number, offer in enumerate(offers, start=1)
            if one_line(word) in offer.names or word.strip() == str(number)
        ]  # fmt: skip
        if len(named) != 1:
            told = "names several tariffs" if named else "is the name or number of no tariff"
            raise TariffError(
                f"{one_line(word)[:80]!r} {told}; there are: {'; '.join(listed(listings))}",
                where="--name",
                mend=f"Give the number, e.g. --name {named[0] if named else 1}.",
            )
        if named[0] not in numbers:
            numbers.append(named[0])
    return tuple(sorted(numbers))


def _without_choice(listings: Sequence[Listing]) -> tuple[int, ...]:
    """Return the numbers of the only tariffs; raise where there are several of a type."""
    offers = [offer for listing in listings for offer in listing.offers]
    if len(offers) == 1 or len({offer.kind for offer in offers}) == len(offers):
        return tuple(range(1, len(offers) + 1))
    wanted = []
    for kind in dict.fromkeys(offer.kind for offer in offers):
        mine = [
            n for n, offer in enumerate(offers, start=1) if offer.kind == kind and not offer.refused
        ]
        wanted += [next((n for n in mine if offers[n - 1].is_standard), mine[0])] if mine else []
    options = " ".join(f"--name {number}" for number in wanted or [1])
    raise TariffError(
        f"{'the file has' if len(listings) == 1 else 'the files have'} {len(offers)} tariffs to choose from:"
        f" {'; '.join(listed(listings))}",
        where=", ".join(str(listing.path) for listing in listings),
        mend=f"Say which, of each type one, e.g. {options} (--list shows them line by line)",
    )


def _refuse_what_does_not_add_up(taken: Sequence[tuple[Listing, Offer]]) -> None:
    seen: dict[str, str] = {}
    for _, offer in taken:
        if offer.kind in seen and not offer.adds_up:
            raise TariffError(
                f"two tariffs of type {offer.kind} were named: {seen[offer.kind]!r} and {offer.name!r}",
                where="--name",
                mend="Name one of them: a customer has one of each type.",
            )
        seen[offer.kind] = offer.name
    currencies = {listing.currency: listing.path for listing, _ in taken}
    if len(currencies) > 1:
        raise TariffError(
            f"the files are in several currencies: {', '.join(currencies)}",
            where=", ".join(str(path) for path in currencies.values()),
            mend="Combine files of one country.",
        )
    if sum(any(dated.seasons or dated.holidays for dated in offer.dated) for _, offer in taken) > 1:
        raise TariffError(
            "two of the tariffs have seasons or holidays of their own",
            where="--name",
            mend="Read them one by one, and put them together by hand.",
        )


def _left(listings: Sequence[Listing], numbers: Sequence[int]) -> Iterator[str]:
    offers = [offer for listing in listings for offer in listing.offers]
    kinds = {offers[number - 1].kind for number in numbers}
    left = list(dict.fromkeys(offer.kind for offer in offers if offer.kind not in kinds))
    if left:
        yield f"of the types {', '.join(left)} no tariff was taken; they are not in this bill"


# --- the versions -------------------------------------------------------------------------------


def _versions(offers: Sequence[Offer]) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the versions of the tariff, and what is odd about the days on which prices hold."""
    remarks = [remark for offer in offers for remark in _odd_days(offer.name, offer.dated)]
    ends = {end for offer in offers if (end := offer.dated[-1].end) is not None}
    for end in sorted(ends):
        names = ", ".join(offer.name for offer in offers if offer.dated[-1].end == end)
        remarks.append(f"{names}: the file has prices until {end} only; after it they go on")
    begin = max(offer.dated[0].first for offer in offers)
    early = [offer.name for offer in offers if offer.dated[0].first < begin]
    if early:
        remarks.append(
            f"{', '.join(early)}: prices of before {begin} are left out, when the others begin"
        )
    days = sorted(
        {begin} | {dated.first for offer in offers for dated in offer.dated if dated.first > begin}
    )
    versions = []
    for day in days:
        parts = [[dated for dated in offer.dated if dated.first <= day][-1] for offer in offers]
        charges = [charge for part in parts for charge in part.charges]
        if not charges:
            raise TariffError(
                f"from {day} on all prices of {offers[0].name!r} are zero, which makes no tariff",
                where=offers[0].path,
                mend="Name tariffs with prices.",
            )
        version: dict[str, Any] = {"from": day, "source": "; ".join(part.source for part in parts)}
        seasons = [part.seasons for part in parts if part.seasons]
        holidays = [part.holidays for part in parts if part.holidays]
        version |= {"seasons": seasons[0]} if seasons else {}
        version |= {"holidays": {"rules": list(holidays[0])}} if holidays else {}
        versions.append(version | {"charges": _named_apart(charges)})
    return versions, remarks


def _odd_days(name: str, dated: Sequence[Dated]) -> Iterator[str]:
    """Yield what is odd about the ends that a file names: a version here holds until the next."""
    for each, following in pairwise(dated):
        if each.end is not None and each.end < following.first:
            yield (
                f"{name}: the file has no prices from {each.end} until {following.first}; those before go on"
            )
        if each.end is not None and each.end > following.first:
            yield (
                f"{name}: prices until {each.end} and others from {following.first} on overlap; the later"
                " ones hold"
            )


def _named_apart(charges: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return charges with names of their own; only regional fees come twice, which nothing refers to."""
    told: list[dict[str, Any]] = []
    for charge in charges:
        again = sum(each["name"].partition(" · ")[0] == charge["name"] for each in told)
        told.append(charge | {"name": f"{charge['name']} · {again + 1}"} if again else charge)
    return told


# --- the text -----------------------------------------------------------------------------------


def _text(
    name: str,
    used: Sequence[Listing],
    taken: Sequence[tuple[Listing, Offer]],
    versions: Sequence[dict[str, Any]],
    remarks: Sequence[str],
) -> str:
    sources = [f"{listing.path.name}: {listing.attribution}." for listing in used]
    head = [
        "Read from open data; each value names its origin: as it stands there; file, line and keys.",
        *(one_line(line) for line in sources),
        *(f"{offer.name}: {offer.about}" for _, offer in taken if offer.about),
        *(f"Remark: {one_line(remark)}" for remark in remarks),
    ]
    lines = [
        line for words in head for line in textwrap.wrap(words, WIDTH - 2, subsequent_indent="  ")
    ]
    content = {
        "tariff": name,
        "currency": used[0].currency,
        "about": " ".join(f"Source: {source}" for source in sources),
        "versions": list(versions),
    }
    return "\n".join([*(f"# {line}" for line in lines), *_yaml(content, "")]) + "\n"


def _yaml(node: Any, indent: str) -> Iterator[str]:
    """Yield the lines of keys with values, each value with its origin as a comment."""
    for key, value in node.items():
        label = f"{indent}{_scalar(key)}:"
        if isinstance(value, dict):
            yield label
            yield from _yaml(value, f"{indent}  ")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            yield label
            for item in value:
                first, *others = _yaml(item, f"{indent}    ")
                yield f"{indent}  - {first.lstrip()}"
                yield from others
        elif isinstance(value, list):
            yield f"{label} [{', '.join(map(_scalar, value))}]"
        elif isinstance(value, From):
            yield f"{label} {_scalar(value.value)}  # {value.words}"
        else:
            yield f"{label} {_scalar(value)}"


def _scalar(value: Any) -> str:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str):
        is_word = value.isidentifier() and value.isascii() and value.islower()
        return value if is_word and value not in NO_WORDS else json.dumps(value, ensure_ascii=False)
    return json.dumps(int(value) if isinstance(value, float) and value.is_integer() else value)


NO_WORDS = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}
"""What some readers of YAML take for no text."""
