"""The parts of the page, in the order in which a person thinks."""

from __future__ import annotations

from optimizer.base.errors import Place
from optimizer.page.part import Part
from optimizer.page.parts.answer import Answer
from optimizer.page.parts.costs import Costs
from optimizer.page.parts.season import Season
from optimizer.page.parts.used import Used

PARTS: tuple[Part, ...] = (
    Used(),
    # roof
    Costs(),
    # equipment, menu
    Answer(),
    # trying
    Season(),
)


def part_named(name: str) -> Part | None:
    """Return the part of a name."""
    return next((part for part in PARTS if part.name == name), None)


def owner_of(place: Place) -> Part | None:
    """Return the part that owns a path of keys: the one that names most of it."""
    owners = [
        (len(owned), part) for part in PARTS for owned in part.owns if place[: len(owned)] == owned
    ]
    return max(owners, key=lambda owner: owner[0])[1] if owners else None
