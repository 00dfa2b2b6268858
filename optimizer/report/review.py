"""A past season held against its promise: as text and as data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np

from optimizer.base.units import money, number
from optimizer.report.columns import csv_of
from optimizer.report.shapes import BatteryPerDay, ReviewFileRecord, ReviewRecord
from optimizer.report.wrapping import filled

SMALLEST_TOLD = 0.005
"""Money and kWh below this are told as 0.00."""

NOT_EXPLAINED = (
    "Not explained is what the meter counted beyond the replay: a battery smaller than stated, losses or"
    " standby beyond those stated, or settings other than entered."
)

if TYPE_CHECKING:
    from optimizer.billing.tariff import Tariff
    from optimizer.evaluation.review import Review
    from optimizer.scenario.scenario import Scenario


def review_text(review: Review) -> str:
    """Return the promised saving, the causes, and the real saving."""
    lines = [
        f"WHAT THE PAST SEASON BROUGHT, {review.first} to {review.last}, {review.currency}",
        *(
            f"  {'  ' * row.is_cause}{row.name:{36 - 2 * row.is_cause}}{row.told:>12}"
            for row in rows(review)
        ),
        *(filled(told, "  ") for told in evidence(review)),
        *(f"  {words}" for words in HOW_COMPARED),
        *(filled(note, "  - ") for note in review.notes),
    ]
    return "\n".join(lines)


HOW_COMPARED = (
    "The promise is worked out anew for these days, from the forecast and the settings of then.",
    "Bills are compared, without wear; causes follow one another in this order.",
)


class Row(NamedTuple):
    """A saving or a bill; or what a cause adds to the saving told before it."""

    name: str
    amount: float
    is_cause: bool = False

    @property
    def told(self) -> str:
        """The amount, of a cause with its sign."""
        plus = "+" if self.is_cause and self.amount >= SMALLEST_TOLD else ""
        return f"{plus}{money(self.amount)}"


def rows(review: Review) -> list[Row]:
    """Return the promised saving, the causes one after another, the real saving and the bill."""
    causes = dict(review.causes)
    tariff = causes.pop("tariff")
    return [
        Row("promised saving over no windows", review.promised),
        *(Row(name, amount, is_cause=True) for name, amount in causes.items()),
        Row("real saving at the same tariff", review.real),
        Row("tariff", tariff, is_cause=True),
        Row("real saving", review.real_now),
        Row("bill by the meter", review.metered_bill),
    ]


def evidence(review: Review) -> list[str]:
    """Return what the meter says about the windows and about what is not explained."""
    told = [_shape_words(review)]
    if abs(review.causes["not explained"]) < SMALLEST_TOLD and review.apart_kwh < SMALLEST_TOLD:
        return [*told, f"{_replay_named(review)}, the meter agrees with the replay."]
    told.append(NOT_EXPLAINED)
    above = review.net_above_kwh
    told.append(
        f"{_replay_named(review)}, a day's import less export lies {number(abs(above), 2)} kWh"
        f" ({number(1000 * abs(above) / 24, 0)} W all day) {'above' if above >= 0 else 'below'} the"
        " replay."
    )
    if review.battery is not None:
        took, gave, ours, given = review.battery.values()
        told.append(
            f"Metered, the battery took {number(took, 2)} and gave {number(gave, 2)} kWh a day; in the"
            f" replay {number(ours, 2)} and {number(given, 2)} kWh."
        )
    days = ", ".join(f"{day} ({number(kwh)} kWh)" for day, kwh in review.worst_days)
    return [
        *told,
        f"A day's import is {number(review.apart_kwh, 2)} kWh from the replay's in the mean, farthest on"
        f" {days}.",
    ]


def _replay_named(review: Review) -> str:
    return f"Held against the replay {'with' if review.shape.were_at_work else 'without'} these windows"


def _shape_words(review: Review) -> str:
    shape = review.shape
    if not shape.days:
        return (
            "With and without these windows the replay is the same: the meter cannot tell whether they"
            " were at work."
        )
    count = {0: "none", shape.days: "all"}.get(shape.as_windows, str(shape.as_windows))
    told = (
        f"On {count} of the {shape.days} days on which replays with and without these windows differ, the"
        " battery moved as with them"
    )
    if shape.were_at_work:
        return f"{told}."
    return f"{told}: look whether the card is what is typed in."


def review_file_record(review: Review, scenario: Scenario) -> ReviewFileRecord:
    """Return the same with what it was made of, from which ``verify`` works it out again."""
    seen = review.seen
    if seen is None:
        return {**review_record(review), "scenario": scenario.name, "made_of": None}
    return {
        **review_record(review),
        "scenario": scenario.name,
        "made_of": {
            "scenario_as_read": scenario.file.model_dump(mode="json", exclude_unset=True),
            "settings": seen.settings.model_dump(mode="json", exclude_none=True),
            "tariff_then": _as_read(seen.then),
            "tariff_now": _as_read(seen.now),
            "step_minutes": seen.real.grid.step_minutes,
            "start_kwh": seen.real.start_kwh,
            "low_kwh": seen.real.plant.low_kwh,
            "inputs_sha256": dict(scenario.inputs),
        },
    }


def _as_read(tariff: Tariff) -> dict[str, Any]:
    return tariff.file.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True)


def review_csv(review: Review) -> str:
    """Return promise, season and meter step by step, as CSV; empty where not known. [kWh per step]"""
    seen = review.seen
    if seen is None:
        return ""
    reactive = seen.metered.reactive_kvarh
    return csv_of({
        "time": seen.real.grid.labels,
        "promised_load_kwh": seen.promised.load_kwh, "promised_pv_kwh": seen.promised.pv_kwh,
        "load_kwh": seen.real.load_kwh, "pv_kwh": seen.real.pv_kwh,
        "import_kwh": seen.metered.import_kwh, "export_kwh": seen.metered.export_kwh,
        "reactive_kvarh": np.zeros(seen.real.grid.count) if reactive is None else reactive,
    })  # fmt: skip


def review_record(review: Review) -> ReviewRecord:
    """Return the same as plain data."""
    return {
        "currency": review.currency,
        "first": str(review.first),
        "last": str(review.last),
        "promised_saving": review.promised,
        "causes": dict(review.causes),
        "real_saving_same_tariff": review.real,
        "real_saving": review.real_now,
        "metered_bill": review.metered_bill,
        "days_that_tell": review.shape.days,
        "days_as_with_windows": review.shape.as_windows,
        "net_import_above_replay_kwh_per_day": review.net_above_kwh,
        "battery": None if review.battery is None else cast(BatteryPerDay, review.battery),
        "import_apart_kwh_per_day": review.apart_kwh,
        "notes": list(review.notes),
        "worst_days": [{"day": str(day), "apart_kwh": kwh} for day, kwh in review.worst_days],
    }
