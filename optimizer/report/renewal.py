"""A renewal of settings: as text, as data, as a file for the history, and as dates to be reminded of.

Read next: ``files``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.base.units import money
from optimizer.evaluation.renewal import Valued
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.report.card import CardSet, card_for
from optimizer.report.shapes import HistoryRecord
from optimizer.report.wrapping import filled
from optimizer.scenario.scenario import Scenario
from optimizer.search.renewing import RaisedFloor
from optimizer.settings.windows import Settings, floors_text
from optimizer.workflows.in_use import ListedChange, RenewalFile

if TYPE_CHECKING:
    from optimizer.workflows.renew import RenewResult
    from optimizer.workflows.results import SearchResult

LEAD_DAYS = 14
"""How long before the forecast ends a person is reminded to renew."""


def renewal_text(result: RenewResult) -> str:
    """Return what to change and what each change is worth."""
    renewal = result.renewal
    lines = ["WHAT TO CHANGE", filled(renewal.advice(result.currency), "  ")]
    for place, valued in enumerate(renewal.listed, start=1):
        sentence = valued.change.sentence(result.scenario.whole_kw)
        lines.append(filled(f"{place}. {sentence}", "  ", "     "))
        lines.append(f"     {worth_words(valued, result.currency)}")
    return "\n".join(lines)


def worth_words(valued: Valued, currency: str) -> str:
    """Return what a change is worth by itself, or what a floor is raised for, in words."""
    if isinstance(valued.change, RaisedFloor):
        return valued.change.why
    per_month = valued.per_month
    if per_month is None:
        return "goes together with the others"
    if per_month < 0.005:
        return "worth nothing without the others"
    return f"worth {money(per_month, currency)} a month beside the others"


def renewal_file(result: RenewResult, today: date) -> RenewalFile:
    """Return a renewal as it goes into the history."""
    renewal = result.renewal
    dates = result.scenario.forecast.grid.dates
    return RenewalFile(
        renewed=today, scenario=result.scenario.name, tariff=result.tariff.name,
        currency=result.tariff.currency, first=dates[0], last=dates[-1],
        advice=renewal.advice(result.currency),
        saves_per_month=round(renewal.saves_per_month, 2),
        changes=[
            ListedChange(
                what=valued.change.sentence(result.scenario.whole_kw),
                saves_per_month=None if valued.per_month is None else round(valued.per_month, 2),
            )
            for valued in renewal.listed
        ],
        before=renewal.before, after=renewal.after,
    )  # fmt: skip


def reminders_ics(result: SearchResult, now: datetime | None = None) -> str:
    """Return the dates on which something is to be done, as a calendar file (RFC 5545).

    These are the day to renew before the forecast ends, the first days of the seasons of the settings,
    the days on which the tariff changes, and those on which a car or the like comes or goes. The
    format is written by the library icalendar.
    """
    from icalendar import Calendar, Event

    stamp = now or datetime.now(UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//tariffwright//battery settings//EN")
    calendar.add("version", "2.0")
    for day, title, told in reminders(result):
        event = Event()
        event.add("uid", _uid(result, day, title))
        event.add("dtstamp", stamp)
        event.add("dtstart", day)
        event.add("summary", _seen(title))
        event.add("description", _seen(told))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return str(calendar.to_ical().decode("utf-8"))


def reminders(result: SearchResult) -> list[tuple[date, str, str]]:
    """Return day, title and text of each thing to be done, in order of time."""
    grid, name = result.scenario.forecast.grid, result.scenario.name
    first, last = grid.dates[0], grid.dates[-1]
    found = [
        (
            max(first, last - timedelta(days=LEAD_DAYS)),
            f"Renew the battery settings of {name}",
            f"The forecast ends on {last}. Read the meter, and run: tariffwright renew",
        )
    ]
    found += [
        (
            day,
            f"Battery settings: {each.months} begins",
            each.instead or _on_a_change(result.scenario, each),
        )
        for each in card_for(result.scenario, result.settings).sets
        for day in _first_days(each.begins, first, last)
    ]
    found += [
        (
            version.from_date,
            f"The tariff {result.tariff.name} changes",
            f"New prices for {name}: run tariffwright renew.",
        )
        for version in result.tariff.file.versions
        if first <= version.from_date <= last + timedelta(days=LEAD_DAYS)
    ]
    return sorted([*found, *_additions(result, first, last)])


def _additions(result: SearchResult, first: date, last: date) -> Iterator[tuple[date, str, str]]:
    """Yield the days within a forecast on which what comes on top of the load begins and ends."""
    recipe = result.scenario.file.forecast
    if not isinstance(recipe, ForecastRecipe):
        return
    told = (
        f"See that the settings of {result.scenario.name} for the time from today on are typed in."
    )
    for addition in recipe.added:
        name = addition.name or addition.kind.replace("_", " ")
        if addition.first is not None and first < addition.first <= last:
            yield addition.first, f"From today on: {name}", told
        if addition.last is not None and first <= addition.last < last:
            yield addition.last + timedelta(days=1), f"No longer there: {name}", told


def _on_a_change(scenario: Scenario, each: CardSet) -> str:
    """Return what is done on the day on which other settings begin."""
    if scenario.controls.has_calendar:
        return (
            f"See that the equipment of {scenario.name} now follows the windows of {each.months}."
        )
    return f"Type in the settings of {scenario.name} for {each.months}."


def _first_days(begins: Sequence[int], first: date, last: date) -> list[date]:
    """Return the first days of months within a forecast, but for its first day."""
    days = [date(year, month, 1) for year in range(first.year, last.year + 1) for month in begins]
    return [day for day in days if first < day <= last]


def _seen(text: str) -> str:
    """Return text with a space for each sign that is not to be seen; calendars know no control characters."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _uid(result: SearchResult, day: date, title: str) -> str:
    """Return what no entry of another site is called, but the same one of a later renewal is."""
    site = (str(result.scenario.folder.resolve()), result.scenario.name, title)
    digest = hashlib.sha256("\0".join(site).encode("utf-8", "surrogatepass")).hexdigest()
    return f"{day:%Y%m%d}-{digest[:32]}@tariffwright"


def history_record(
    kept: Path | None = None, undone: Path | None = None, in_use: Settings | None = None
) -> HistoryRecord:
    """Return what was kept in the history or undone there as plain data."""
    return {
        "kept": None if kept is None else str(kept),
        "undone": None if undone is None else str(undone),
        "in_use": None if in_use is None else in_use.model_dump(exclude_none=True),
    }


def changes_back(file: RenewalFile) -> str:
    """Return in words how to go back to what was in use before a renewal."""
    lines = [f"TYPE IN AGAIN what was in use before the renewal of {file.renewed}"]
    if file.before is None:
        return f"{lines[0]}: no windows."
    lines += [f"  {file.before.sentence(place)}" for place in file.before.places()]
    return "\n".join([*lines, f"  floor: {floors_text(file.before)}"])
