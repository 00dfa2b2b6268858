"""Time zones as people look for them: by country and city, each city with its place on the globe.

Source: ``zone.tab`` and ``iso3166.tab`` of the IANA time zone database (Eggert, Olson, public domain), as
the package ``tzdata`` brings them.

Read next: ``timegrid``.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

CLOCK = Path("/etc/localtime")

WORLD = "UTC"
"""What is taken where a machine does not tell its zone."""


class City(NamedTuple):
    """The city after which a zone is named, in a country; degrees north and east."""

    country: str
    name: str
    latitude_deg: float
    longitude_deg: float


GREENWICH = City("no country", "Greenwich", 51.48, 0.0)


@cache
def cities() -> dict[str, City]:
    """Return the cities of all zones by the zone's name, sorted by country."""
    countries = dict(row[:2] for row in _rows("iso3166.tab"))
    found = {
        zone: City(countries[code], _city_name(zone), *_degrees(place))
        for code, place, zone, *_ in _rows("zone.tab")
    }
    by_country = sorted(found.items(), key=lambda entry: (entry[1].country, entry[1].name))
    return {**dict(by_country), WORLD: GREENWICH}


def machines_zone() -> str:
    """Return the zone of this machine's clock; UTC if it tells none that has a city."""
    told = os.environ.get("TZ", "").removeprefix(":")
    name = told or str(CLOCK.resolve()).rpartition("zoneinfo/")[2]
    return name if name in cities() else WORLD


def _rows(name: str) -> Iterator[list[str]]:
    text = files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8")
    for line in text.splitlines():
        if line and not line.startswith("#"):
            yield line.split("\t")


def _city_name(zone: str) -> str:
    return ", ".join(reversed(zone.replace("_", " ").split("/")[1:]))


def _degrees(text: str) -> tuple[float, float]:
    """Return degrees of ``+DDMM-DDDMM`` or ``+DDMMSS-DDDMMSS``, to two decimals (about 1 km)."""
    north, east = re.findall(r"[+-]\d+", text)
    return _angle(north, 2), _angle(east, 3)


def _angle(text: str, digits: int) -> float:
    sign, degrees, rest = text[0], text[1 : 1 + digits], text[1 + digits :]
    value = int(degrees) + int(rest[:2]) / 60 + int(rest[2:] or 0) / 3600
    return round(-value if sign == "-" else value, 2)
