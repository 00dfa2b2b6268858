"""Recompute a review from its own files: replays in plain steps, bills by the tariffs' words, each cause.

Taken over, not recomputed: load and sun as they were told from the meter, and on how many days the battery
moved as with windows, which decides what the meter is held against. Read next: ``verify``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError
from typing_extensions import TypedDict

from optimizer.base.documents import digest_of
from optimizer.base.errors import InputError
from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import MONEY_TOLERANCE
from optimizer.billing.tariff import TariffFile, series_files
from optimizer.plain.bill import PlainBill, Words, moments, months_of
from optimizer.plain.replay import Site, replayed
from optimizer.settings.windows import Settings
from optimizer.workflows.checked import Check, Pair, Verification, first_of
from optimizer.workflows.in_use import SERIES
from optimizer.workflows.read_again import (
    columns_in,
    damaged,
    inputs_of_now,
    record_in,
    scenario_in,
    tariff_in_words,
    texts_in,
)

REVIEW, STEPS, PAGE = "review.json", "review.csv", "review.html"

RELATIVE = 1e-7
"""Sums that differ by less than this share of what was added up agree."""

COLUMNS = ("promised_load_kwh", "promised_pv_kwh", "load_kwh", "pv_kwh", "import_kwh", "export_kwh",
           "reactive_kvarh")  # fmt: skip


class _MadeOf(TypedDict):
    scenario_as_read: dict[str, Any]
    settings: dict[str, Any]
    tariff_then: dict[str, Any]
    tariff_now: dict[str, Any]
    step_minutes: int
    start_kwh: float
    low_kwh: float
    inputs_sha256: dict[str, str]


class Needed(TypedDict):
    """What of ``review.json`` is recomputed."""

    scenario: str
    currency: str
    promised_saving: float
    causes: dict[str, float]
    real_saving_same_tariff: float
    real_saving: float
    metered_bill: float
    days_that_tell: int
    days_as_with_windows: int
    made_of: _MadeOf


def verify_review(folder: Path, inputs: Path | None = None) -> Verification:
    """Recompute a folder that ``review`` has written.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    record = record_in(folder / REVIEW, "review", Needed)
    season = _Season(record, folder)
    try:
        bills = _bills(record, season)
    except (KeyError, IndexError, ValueError, ZeroDivisionError) as failure:
        raise damaged(folder / REVIEW, failure, "review") from None
    told_days = (
        f"nothing recomputes yet how {record['days_as_with_windows']} of {record['days_that_tell']}"
        " were told, which are worst, and how far import lies apart"
    )
    checks = [
        first_of("causes", REVIEW, _added_up(record), "from the promised saving to the real one"),
        bills,
        Check("days as with windows", "not checked", told_days),
        Check(PAGE, "not checked", "its text and drawings are not read"),
        inputs_of_now(record["made_of"]["inputs_sha256"], inputs),
    ]
    files = {name: digest_of(folder / name) for name in (REVIEW, STEPS)}
    tariff = season.now.tariff
    return Verification(
        folder, record["scenario"], tariff, record["currency"], tuple(checks), files
    )


def _added_up(record: Words) -> Iterator[Pair]:
    causes, slack = record["causes"], MONEY_TOLERANCE
    at_same = record["promised_saving"] + sum(v for k, v in causes.items() if k != "tariff")
    yield "real_saving_same_tariff", record["real_saving_same_tariff"], at_same, slack
    real = record["real_saving_same_tariff"] + causes.get("tariff", 0.0)
    yield "real_saving", record["real_saving"], real, slack


class _Season:
    """A reviewed season in plain words and numbers."""

    def __init__(self, record: Words, folder: Path) -> None:
        made, path = record["made_of"], folder / REVIEW
        self.file = scenario_in(made["scenario_as_read"], path)
        self.minutes: int = made["step_minutes"]
        self.start_kwh: float = made["start_kwh"]
        self.site = Site(self.file.model_dump(exclude_none=True), self.minutes, made["low_kwh"])
        try:
            self.then, self.now = (
                TariffFile.model_validate_json(json.dumps(made[name]))
                for name in ("tariff_then", "tariff_now")
            )
            settings = Settings.model_validate_json(json.dumps(made["settings"]))
        except ValidationError as failure:
            told = str(failure.errors()[0]["msg"])
            raise InputError(told, where=path, mend="Make the results anew with review.") from None
        self.windows = settings.model_dump(exclude_none=True)
        self.none = settings.without_windows().model_dump(exclude_none=True)
        self.columns = columns_in(folder / STEPS, *COLUMNS)
        self.begin = datetime.fromisoformat(texts_in(folder / STEPS, "time")[0])
        self.folder, self.gross = folder, 0.0

    @property
    def has_series(self) -> bool:
        """Whether a tariff names series of prices, which are not kept with a review."""
        return any(series_files(each) for each in (self.then, self.now))

    def bill(self, tariff: TariffFile, import_kwh: Sequence[float], export_kwh: Sequence[float],
             sun_kwh: Sequence[float], reactive: Sequence[float] | None = None) -> float:  # fmt: skip
        """Return the bill of some flows, by the tariff's words; ``sun_kwh`` is PV on the AC side. [money]"""
        zone, count = self.file.zone, len(import_kwh)
        grid = TimeGrid(self.begin.astimezone(ZoneInfo("UTC")), self.minutes, count, zone)
        start = self.begin.astimezone(ZoneInfo(zone)).replace(tzinfo=None).isoformat()
        none = [0.0] * count
        meter = moments(
            start, zone, self.minutes, import_kwh, export_kwh, reactive or none, sun_kwh
        )
        first, last = meter[0].day, meter[-1].day
        reads = self.file.read_dates
        encloses = reads is not None and reads[0] <= first and last < reads[-1]
        periods = list(pairwise(reads)) if reads is not None and encloses else months_of(meter)
        within = [(one, other) for one, other in periods if other > first and one <= last]
        words = list(tariff_in_words(tariff, grid, self.folder / SERIES))
        amounts = PlainBill(words, meter, within, self.minutes / 60, {}, {}, {}).amounts
        self.gross = max(self.gross, sum(map(abs, amounts.values())))
        return sum(amounts.values())

    def replay_bill(self, tariff: TariffFile, settings: Words, load: str, pv: str) -> float:
        """Return the bill of a plain replay. [money]"""
        steps = replayed(
            self.site, settings, self.begin, self.file.zone, self.columns[load], self.columns[pv],
            self.start_kwh,
        )  # fmt: skip
        share = self.site.to_ac if self.site.hybrid else 1.0
        return self.bill(
            tariff, [step.import_kwh for step in steps], [step.export_kwh for step in steps],
            [step.pv_used_kwh * share for step in steps],
        )  # fmt: skip

    def metered_bill(self, tariff: TariffFile) -> float:
        """Return the bill of what the meter counted. [money]"""
        share = self.site.to_ac if self.site.hybrid else 1.0
        sun = [share * kwh for kwh in self.columns["pv_kwh"]]
        return self.bill(
            tariff, self.columns["import_kwh"], self.columns["export_kwh"], sun,
            self.columns["reactive_kvarh"],
        )  # fmt: skip


def _bills(record: Words, season: _Season) -> Check:
    """Work out each saving again, with one more thing as it really was."""
    name = "savings and bills"
    if season.has_series:
        told = "the tariff names series of prices, which are not kept with a review"
        return Check(name, "not checked", told)
    then, now, windows, none = season.then, season.now, season.windows, season.none

    def saved(load: str, pv: str) -> float:
        of_none = season.replay_bill(then, none, load, pv)
        return of_none - season.replay_bill(then, windows, load, pv)

    metered, bare = season.metered_bill(now), season.replay_bill(then, none, "load_kwh", "pv_kwh")
    real = saved("load_kwh", "pv_kwh")
    were_at_work = 2 * record["days_as_with_windows"] >= record["days_that_tell"]
    steps = [
        saved("promised_load_kwh", "promised_pv_kwh"),
        saved("promised_load_kwh", "pv_kwh"),
        real,
        real if were_at_work else 0.0,
        bare - season.metered_bill(then),
        season.replay_bill(now, none, "load_kwh", "pv_kwh") - metered,
    ]
    slack = MONEY_TOLERANCE + 4 * RELATIVE * season.gross
    pairs: list[Pair] = [("promised_saving", record["promised_saving"], steps[0], slack)]
    for cause, before, after in zip(record["causes"], steps, steps[1:], strict=False):
        pairs.append((f"cause {cause!r}", record["causes"][cause], after - before, slack))
    pairs += [
        ("real_saving_same_tariff", record["real_saving_same_tariff"], steps[4], slack),
        ("real_saving", record["real_saving"], steps[5], slack),
        ("metered_bill", record["metered_bill"], metered, slack),
    ]
    told = (
        f"plain replays of {len(season.columns['load_kwh']):,} steps, bills by the tariffs' words"
    )
    return first_of(name, REVIEW, pairs, told)
