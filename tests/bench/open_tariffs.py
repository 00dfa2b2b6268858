"""Reads real open tariffs and bills a synthetic meter under each, against sums made from the raw files.

    PYTHONPATH=. python tests/bench/open_tariffs.py DATA

DATA holds ``no/*.yml`` and ``ch/*.json``. Every tariff that a file offers is read (main fuse 40 A) and three
years of hours are billed (2024 to 2026; Swiss files: the year in which they begin). The sum beside it goes
through the raw values hour by hour with its own calendar (Easter by the method of Gauss) and none of the
program's. A month in which prices change is left to a note: which demand counts in which part of it, the
data do not say.
"""

from __future__ import annotations

import argparse
import json
import random
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import numpy as np
from ruamel.yaml import YAML

from optimizer.base.errors import InputError
from optimizer.base.timegrid import TimeGrid
from optimizer.billing.open_tariffs.combined import read_listing
from optimizer.billing.tariff import read_tariff
from optimizer.workflows.read_tariff import read_open_tariff
from tests.builders import billed as billed_by_ours

FUSE_A = 40
CENT = 0.005

Hours = list[tuple[datetime, float]]
Months = dict[tuple[int, int], float]


def main() -> None:
    """Print a row for each file, and how many bills are exact."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    data = words.parse_args().data
    norwegian = meter(date(2024, 1, 1), date(2027, 1, 1), "Europe/Oslo")
    read, exact, files, whole = 0, 0, 0, 0
    for path in sorted([*data.glob("no/*.y*ml"), *data.glob("ch/*.json")]):
        files += 1
        rows = swiss(path) if path.suffix == ".json" else household(path, norwegian)
        whole += all(refused is None for *_, refused in rows)
        for name, months, worst, refused in rows:
            if refused is not None:
                print(f"{path.stem:24} REFUSED  {name}: {refused}")
                continue
            read += 1
            exact += worst < CENT
            print(
                f"{path.stem:24} {months:3} months, off by {worst:.6f} at most  {name}", flush=True
            )
    print(
        f"{files} files, {whole} of them read whole; {read} tariffs read, {exact} exact in every month"
    )


Row = tuple[str, int, float, str | None]


def household(path: Path, hours: Hours) -> list[Row]:
    """Bill each offer of a Norwegian file, and each raw entry of its groups."""
    raw = YAML(typ="safe").load(path.read_text(encoding="utf-8"))["tariffer"]
    rows: list[Row] = []
    for number, offer in enumerate(read_listing(path, FUSE_A).offers, start=1):
        if offer.refused is not None:
            rows.append((offer.name, 0, 0.0, f"{offer.refused.what} [{offer.refused.where}]"))
            continue
        ours = billed(path, [number], hours, "Europe/Oslo")
        group = offer.names[1]
        theirs: Months = {}
        for entry in (each for each in raw if group in each["kundegrupper"]):
            theirs |= by_month_no(entry, hours)
        rows.append((offer.name, len(theirs), worst_of(ours, theirs), None))
    return rows


def swiss(path: Path) -> list[Row]:
    """Bill each offer of a Swiss file by itself, and the standard or first of each type together."""
    raw = json.loads(path.read_text(encoding="utf-8"))["tariffs"]
    year = int(raw[0]["startDate"][:4])
    hours = meter(date(year, 1, 1), date(year + 1, 1, 1), "Europe/Zurich")
    flat = [
        (each, town) for each in raw for town in each["prices"].get("municipalityTaxes") or [None]
    ]
    first: dict[str, int] = {}
    for number, (each, _) in enumerate(flat, start=1):
        if each["tariffType"] not in first or each["standardBasegroup"]:
            first[each["tariffType"]] = number
    rows: list[Row] = []
    for numbers in [*([n] for n in range(1, len(flat) + 1)), sorted(first.values())]:
        name = " + ".join(flat[n - 1][0]["tariffName"] for n in numbers)
        try:
            ours = billed(path, numbers, hours, "Europe/Zurich")
        except InputError as failure:
            rows.append((name, 0, 0.0, f"{failure.what} [{failure.where}]"))
            continue
        theirs: Months = defaultdict(float)
        for number in numbers:
            for month, amount in by_month_ch(*flat[number - 1], hours).items():
                theirs[month] += amount
        rows.append((name, len(theirs), worst_of(ours, theirs), None))
    return rows


def worst_of(ours: Months, theirs: Months) -> float:
    """Return the largest difference over the months that the raw sum has. [money]"""
    return max(abs(ours[month] - amount) for month, amount in theirs.items())


def meter(first: date, end: date, zone: str) -> Hours:
    """Return hours of a made-up home: small and large months, few large hours. [kWh]"""
    dice, clock, hours = random.Random(24), ZoneInfo(zone), []
    now = datetime(first.year, first.month, first.day, tzinfo=clock).astimezone(UTC)
    while (local := now.astimezone(clock)).date() < end:
        size = (0.4, 0.9, 2.0, 5.0, 14.0)[(local.year * 12 + local.month) % 5]
        hours.append((local, round(size * dice.gammavariate(1.2, 1.0), 3)))
        now += timedelta(hours=1)
    return hours


def billed(path: Path, numbers: list[int], hours: Hours, zone: str) -> Months:
    """Return what the tariff as this program reads it asks of each month. [money]"""
    with TemporaryDirectory() as folder:
        out = Path(folder) / "tariff.yaml"
        read_open_tariff([path], [str(number) for number in numbers], FUSE_A, out)
        tariff = read_tariff(out)
        begin = tariff.file.versions[0].from_date
        kept = [(local, kwh) for local, kwh in hours if local.date() >= begin]
        grid = TimeGrid(kept[0][0], 60, len(kept), zone)
        imported = np.array([kwh for _, kwh in kept])
        bill = billed_by_ours(tariff, grid, imported)
    sums: Months = defaultdict(float)
    for line in bill.lines:
        period = bill.periods[line.source.period]
        sums[period.first.year, period.first.month] += line.amount
    return sums


# --- sums from the raw files ------------------------------------------------------------------------

DAY_WORDS = ("mandag", "tirsdag", "onsdag", "torsdag", "fredag", "lørdag", "søndag")
MONTH_WORDS = ("januar", "februar", "mars", "april", "mai", "juni", "juli", "august", "september",
               "oktober", "november", "desember")  # fmt: skip


def easter(year: int) -> date:
    """Return Easter Sunday by the method of Gauss with its two exceptions (valid 1900 to 2099)."""
    moon = (19 * (year % 19) + 24) % 30
    week = (2 * (year % 4) + 4 * (year % 7) + 6 * moon + 5) % 7
    days = moon + week
    if (moon, week) == (29, 6) or (moon == 28 and week == 6 and (11 * 24 + 11) % 30 < 19):
        days -= 7
    return date(year, 3, 22) + timedelta(days=days)


def is_holiday(day: date) -> bool:
    """Return whether a day is a Norwegian public holiday."""
    fixed = {(1, 1), (5, 1), (5, 17), (12, 25), (12, 26)}
    moving = {-3, -2, 0, 1, 39, 49, 50}
    return (day.month, day.day) in fixed or (day - easter(day.year)).days in moving


def price_no(energy: dict, local: datetime) -> float:
    """Return the price of an hour: the first exception that fits, else the base price. [øre/kWh]"""
    for each in energy.get("unntak", ()):
        if fits(each, local):
            return each["pris"]
    return energy["grunnpris"]


def fits(each: dict, local: datetime) -> bool:
    """Return whether an exception holds in an hour."""
    if "timer" in each:
        first, last = map(int, each["timer"].split("-"))
        now = local.hour
        if not (first <= now <= last if first <= last else now >= first or now <= last):
            return False
    if "måneder" in each and MONTH_WORDS[local.month - 1] not in each["måneder"]:
        return False
    weekday, off = local.weekday() < 5, is_holiday(local.date())
    true = {DAY_WORDS[local.weekday()], "alle", "ukedag" if weekday else "helg"}
    true |= {"virkedag"} if weekday and not off else {"fridag"}
    true |= {"helligdager", "helligdag"} if off else set()
    return "dager" not in each or bool(true & set(each["dager"]))


def by_month_no(entry: dict, hours: Hours) -> Months:
    """Return what an entry asks of each whole month in which it holds. [NOK]"""
    begin = date.fromisoformat(str(entry["gyldig_fra"]))
    end = date.fromisoformat(str(entry.get("gyldig_til") or "2100-01-01"))
    fixed = entry["fastledd"]
    highest: dict = defaultdict(lambda: defaultdict(float))
    sums: Months = defaultdict(float)
    for local, kwh in hours:
        day = local.date()
        following = (day.replace(day=1) + timedelta(days=32)).replace(day=1)
        if day.replace(day=1) < begin or following > end:
            continue
        key = (day.year, day.month)
        sums[key] += kwh * price_no(entry["energiledd"], local) / 100
        highest[key][day] = max(highest[key][day], kwh)
    for key, days in highest.items():
        count = {"TRE_DØGNMAX_MND": 3, "MND_MAX": 1}.get(fixed["metode"])
        top = sorted(days.values())[-(count or 1) :]
        measure = sum(top) / len(top) if count else FUSE_A
        amount = 0.0
        for step in fixed["terskler"]:
            if step["terskel"] < measure or (
                step["terskel"] == measure and fixed["terskel_inkludert"] is not False
            ):
                amount = step["pris"]
        sums[key] += amount / 12
    return sums


def by_month_ch(tariff: dict, town: dict | None, hours: Hours) -> Months:
    """Return what a Swiss tariff, or a municipality of it, asks of each month. [CHF]"""
    prices = tariff["prices"]
    base = (
        town["municipalityBase"] if town else prices.get("base", {"price": 0, "priceUnit": "CHF/M"})
    )
    energy = town["municipalityEnergy"] if town else prices.get("energy", [])
    assert base["priceUnit"] == "CHF/M"
    assert not any(
        each["price"] for key in ("power", "reactivePower") for each in prices.get(key, [])
    )
    sums: Months = defaultdict(float)
    for local, kwh in hours:
        key = (local.year, local.month)
        sums[key] = sums[key] or float(base["price"])
        for each in energy:
            first, last = int(each["from"][:2]), int(each["to"][:2]) or 24
            if first <= local.hour < last:
                sums[key] += kwh * each["price"]
    return sums


if __name__ == "__main__":
    main()
