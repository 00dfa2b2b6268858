"""Options and arguments that several commands share."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from optimizer.base.errors import InputError, UsageMistake

if TYPE_CHECKING:
    from optimizer.base.calendar import Days

Effort = Literal["quick", "normal", "thorough"]

FIRST_DEMO = "1_two_rates"


def number_from(
    low: float, high: float = math.inf, *, whole: bool = False
) -> Callable[[str | float], float]:
    """Return what reads a number within bounds, and says in words what it would take."""
    kind = "a whole number" if whole else "a number"
    bounds = f"of at least {low:g}" if high == math.inf else f"from {low:g} to {high:g}"

    def read(word: str | float) -> float:
        try:
            value = int(word) if whole else float(word)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise typer.BadParameter(f"{word!r} is not {kind} {bounds}.")
        return value

    return read


def dates_in(text: str | None) -> list[date]:
    """Return the days of a text such as ``2026-01-05,2026-02-04``; none of none."""
    try:
        return [date.fromisoformat(word.strip()) for word in text.split(",")] if text else []
    except ValueError:
        raise UsageMistake(
            f"{text!r} is no list of days",
            where="--read-dates",
            mend="Write days with commas between them, such as 2026-01-05,2026-02-04.",
        ) from None


ScenarioArgument = Annotated[
    Path | None,
    typer.Argument(
        metavar="SCENARIO",
        help="A scenario folder, or its scenario.yaml. Without it: the first demo.",
    ),
]
OutOption = Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Folder for the results.")]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON object for machines, also of an error.")
]
TimeOption = Annotated[
    float,
    typer.Option(
        "--time-limit",
        parser=number_from(1),
        metavar="SECONDS",
        help="Most time for the linear program.",
    ),
]
FirstOption = Annotated[
    str | None,
    typer.Option(
        "--first", metavar="DAY", help="First day to look at: 2026-01-31, today or tomorrow."
    ),
]
LastOption = Annotated[
    str | None, typer.Option("--last", metavar="DAY", help="Last day to look at, written so too.")
]
DaysOption = Annotated[
    int | None,
    typer.Option(
        "--days",
        parser=number_from(1, 400, whole=True),
        metavar="COUNT",
        help="How many days to look at, in place of a last one.",
    ),
]
DebugOption = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]
LanguageOption = Annotated[
    Literal["en", "de"],
    typer.Option("--language", metavar="CODE", help="Of the report's first page: en or de."),
]
EffortOption = Annotated[
    Effort,
    typer.Option(
        "--effort",
        metavar="EFFORT",
        help="How long to search: quick, normal or thorough; the same gives the same.",
    ),
]


def folder_of(given: Path | None, demo: str = FIRST_DEMO) -> Path:
    """Return the folder that is meant; a shipped demo if none is given."""
    if given is not None:
        return given
    from optimizer.billing.tariff import shipped_folder

    return shipped_folder("scenarios") / demo


def endless(option: str) -> UsageMistake:
    """Return the error that a sum of money is not finite."""
    return UsageMistake(
        f"{option} is no finite sum of money", where=option, mend="Give a number, or leave it out."
    )


def day_of(word: str, option: str) -> date:
    """Return the day that is meant by ``2026-01-31``, ``today`` or ``tomorrow``."""
    today = date.today()  # noqa: DTZ011 - a person's calendar
    named = {"today": today, "tomorrow": today + timedelta(days=1)}
    try:
        return named.get(word) or date.fromisoformat(word)
    except ValueError:
        raise InputError(
            f"there is no day {word!r}", where=option, mend="Write it as 2026-01-31, or tomorrow."
        ) from None


def days_of(first: str | None, last: str | None, count: int | None) -> Days:
    """Return the days that are asked for."""
    from optimizer.base.calendar import Days

    if last is not None and count is not None:
        raise UsageMistake(
            "--last and --days are given together", where="--days", mend="Give one of them."
        )
    return Days(
        None if first is None else day_of(first, "--first"),
        None if last is None else day_of(last, "--last"),
        count,
    )
