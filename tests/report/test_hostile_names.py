"""Names with line ends, control characters and separators: what is written can be read again, and says the same."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from icalendar import Calendar

from optimizer.base.documents import read_document
from optimizer.base.errors import SettingsError
from optimizer.base.writing import PLAIN
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.report.record import settings_yaml
from optimizer.report.renewal import reminders, reminders_ics
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.workflows.in_use import RenewalFile, renewal_yaml
from tests.builders import local_grid, simple_plant

NASTY = [
    "\n", "\r", "\r\n", "\t", "\x00", "\x07", "\x1b[31m", "\x7f", "\x85", "\xa0", "\u2028", "\u2029",
    "\ufeff", "\ufffe", "\u202e", "\ud800", "\udfff", "\U0001f600", ": ", "#", " #", "- ", "? ", "& ", "*a",
    "!x", "|", ">", "%", "@", "`", "'", '"', "\\", "\\n", "{", "}", "[", "]", ",", "---", "...", "null", "yes",
    "0x1f", "1e3", "12:30", " ", "  ", "é", "ß", "END:VEVENT", ";", "SUMMARY:x", "\\N", "~", "=", "<<",
]  # fmt: skip
WINDOW = Window(start="22:00", end="06:00", action="hold")


def names(count: int) -> list[str]:
    luck = random.Random(5)
    made = [
        "".join(luck.choices([*NASTY, "a", "Elm", "x" * 50], k=luck.randint(1, 9)))
        for _ in range(count)
    ]
    return [*NASTY, *made][:count]


def settings(name: str) -> Settings:
    season = SeasonSet(months=[1, 2], day_sets=[DaySet(days="every day", windows=[WINDOW])])
    return Settings(settings=name, floor_pct=10, seasons=[season])


def result(name: str, **more: Any) -> Any:
    """Return as much of a result as the written files need."""
    grid = local_grid("2026-01-01T00:00", "Europe/Dublin", 24 * 90)
    scenario = SimpleNamespace(
        name=name, plant=simple_plant(10, 5), controls=Controls(), folder=Path("here"),
        forecast=SimpleNamespace(grid=grid),
        file=SimpleNamespace(forecast="forecast.csv", writing=PLAIN),
    )  # fmt: skip
    tariff = SimpleNamespace(name=name, file=SimpleNamespace(versions=[]))
    made = SimpleNamespace(
        scenario=scenario, tariff=tariff, span="a to b", settings=settings(name),
    )  # fmt: skip
    vars(made.scenario).update(more)
    return made


def test_500_hostile_names_are_read_again_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "settings.yaml"
    for name in names(500):
        path.write_text(settings_yaml(result(name), settings(name)), encoding="utf-8")
        read, _ = read_document(path, Settings, SettingsError)
        assert read == settings(name), ascii(name)


def test_so_is_the_history_of_renewals(tmp_path: Path) -> None:
    path = tmp_path / "renewal.yaml"
    for name in names(60):
        file = RenewalFile(renewed=date(2026, 1, 1), scenario=name, tariff=name, currency=name,
                           advice=name, after=settings(name))  # fmt: skip
        path.write_text(renewal_yaml(file), encoding="utf-8")
        assert read_document(path, RenewalFile, SettingsError)[0] == file, ascii(name)


def test_a_calendar_of_a_hostile_name_holds_the_same_entries() -> None:
    expected = len(reminders(result("Elm")))
    for name in names(200):
        raw = reminders_ics(result(name), datetime(2026, 1, 1, tzinfo=UTC)).encode("utf-8")
        events = list(Calendar.from_ical(raw).walk("VEVENT"))
        assert len(events) == expected, ascii(name)
        if "\\" not in name:  # readers differ about a backslash before n
            assert all(str(event["summary"]).isprintable() for event in events)
        assert max(map(len, raw.split(b"\r\n"))) <= 75  # RFC 5545, section 3.1


# --- reminders -------------------------------------------------------------------------------


def uids(name: str, folder: str) -> list[str]:
    text = reminders_ics(result(name, folder=Path(folder)))
    return [str(event["uid"]) for event in Calendar.from_ical(text).walk("VEVENT")]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("Дом", "a"), ("Хата", "b")),  # no letter that a plain name would keep
        (("Elm Road 1", "a"), ("Elm Road, 1", "b")),
        (("Our house", "a"), ("Our house", "b")),
    ],
)
def test_entries_of_two_sites_are_never_taken_for_each_other(
    one: tuple[str, str], other: tuple[str, str]
) -> None:
    assert not set(uids(*one)) & set(uids(*other))
    assert uids(*one) == uids(*one)  # a calendar that reads the file again knows its entries


def test_the_day_on_which_the_car_arrives_is_a_day_to_act() -> None:
    """A car from 1 March; one that was there before the forecast begins is no news."""
    car = {"kind": "car", "kwh_per_day": 7, "hours": "22:00-06:00"}
    recipe = ForecastRecipe.model_validate({
        "first": date(2026, 1, 1),
        "pv": "none",
        "load": {"profile": "H0", "kwh_per_year": 3000},
        "added": [
            car | {"first": date(2026, 3, 1), "last": date(2026, 3, 20)},
            car | {"first": date(2025, 3, 1), "name": "old"},
        ],
    })  # fmt: skip
    told = reminders(result("Elm", file=SimpleNamespace(forecast=recipe, writing=PLAIN)))
    of_cars = [(day, title) for day, title, _ in told if "car" in title or "old" in title]
    assert of_cars == [
        (date(2026, 3, 1), "From today on: car"),
        (date(2026, 3, 21), "No longer there: car"),
    ]
