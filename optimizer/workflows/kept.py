"""A folder of results, read again: what is kept there, as words and numbers for a second opinion.

Read next: ``verify``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
from typing_extensions import TypedDict

from optimizer.base.documents import Source, is_file, read_document
from optimizer.base.errors import InputError, ScenarioError, SeriesError, SettingsError
from optimizer.billing.tariff import Tariff
from optimizer.metering.series import column_named, read_numbers, read_table
from optimizer.plain.bill import Words
from optimizer.plain.replay import Site, Step, replayed
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.windows import Settings
from optimizer.workflows.in_use import AS_READ, FLOWS, PLAN, SETTINGS, TARIFF, kept_tariff
from optimizer.workflows.read_again import json_in, refuse_unfitting

if TYPE_CHECKING:
    import pandas as pd

FLOW_NAMES = (
    "import_kwh",
    "export_kwh",
    "charge_kwh",
    "discharge_kwh",
    "pv_used_kwh",
    "stored_kwh",
)
CASES = ("plan", "windows", "no_windows")
"""The ways of running the site whose steps stand in ``flows.csv``."""

NUMBERS = ("load_kwh", "pv_kwh", "buy_per_kwh", "sell_per_kwh", "stored_worth_per_kwh",
           *(f"{case}_{name}" for case in CASES for name in FLOW_NAMES))  # fmt: skip
"""The columns of ``flows.csv`` beside its times."""


class _PlannedWith(TypedDict):
    start_kwh: float
    end_kwh: float | None
    floor_kwh: float
    floors_kwh: dict[str, float]
    floors_of_plan_kwh: dict[str, float]


class _Manifest(TypedDict):
    inputs_sha256: dict[str, str]
    results_sha256: dict[str, str]
    planned_with: _PlannedWith


class _Horizon(TypedDict):
    step_minutes: int
    steps: int


class _Status(TypedDict):
    steps_with_integers: int
    integers_of_tariff: int
    objective: float
    recomputed: float
    gap_frac: float


class _Case(TypedDict):
    case: str
    bill: float
    wear: float
    left_worth: float
    cost: float
    import_kwh: float
    export_kwh: float
    pv_used_kwh: float
    charge_kwh: float
    discharge_kwh: float
    peak_import_kw: float


class _Line(TypedDict):
    charge: str
    period: str
    amount: float


class _Bill(TypedDict):
    total: float
    by_charge: dict[str, float]
    by_period: dict[str, float]
    lines: list[_Line]


class Needed(TypedDict):
    """What of ``plan.json`` is recomputed."""

    scenario: str
    tariff: str
    currency: str
    horizon: _Horizon
    status: _Status
    cases: list[_Case]
    can_save: float
    saved: float
    kept_share_frac: float | None
    settings: dict[str, object]
    bill_of_windows: _Bill
    bill_of_plan: _Bill
    manifest: _Manifest


@dataclass(frozen=True)
class Kept:
    """The files of a folder of results, read."""

    folder: Path
    record: Words
    flows: pd.DataFrame
    settings: Settings
    file: ScenarioFile
    source: Source
    tariff: Tariff

    @classmethod
    def read(cls, folder: Path) -> Kept:
        """Read a folder of results; a file that is missing or damaged is an ``InputError``."""
        record = _record_in(folder / PLAN)
        for name in (FLOWS, SETTINGS, AS_READ, TARIFF):
            if not is_file(folder / name):
                raise missing(folder, name)
        settings, _ = read_document(folder / SETTINGS, Settings, SettingsError)
        file, source = read_document(folder / AS_READ, ScenarioFile, ScenarioError)
        flows = _flows_in(folder / FLOWS, record)
        return cls(
            folder, record, flows, settings, file, source, kept_tariff(folder, folder / TARIFF)
        )

    @property
    def made_with(self) -> Words:
        """The levels that were planned with. [kWh]"""
        found: Words = self.record["manifest"]["planned_with"]
        return found

    @property
    def minutes(self) -> int:
        """Length of a step. [min]"""
        return int(self.record["horizon"]["step_minutes"])

    @cached_property
    def begin(self) -> datetime:
        """The moment at which the first step begins."""
        return datetime.fromisoformat(str(self.flows["time"].iloc[0]))

    @cached_property
    def local(self) -> list[datetime]:
        """The moment of each step by the site's clock."""
        zone, first = ZoneInfo(self.file.zone), self.begin.astimezone(ZoneInfo("UTC"))
        step = timedelta(minutes=self.minutes)
        return [(first + number * step).astimezone(zone) for number in range(len(self.flows))]

    @cached_property
    def words(self) -> Words:
        """The scenario as plain words."""
        return self.file.model_dump(exclude_none=True)

    def site(self, *, has_battery: bool = True) -> Site:
        """Return the equipment in simple arithmetic."""
        return Site(self.words, self.minutes, self.made_with["floor_kwh"], has_battery)

    def numbers(self, name: str) -> list[float]:
        """Return a column of ``flows.csv``, shape (T,)."""
        return [float(value) for value in self.flows[name]]

    def steps(self, case: str) -> list[Step]:
        """Return the written steps of a case."""
        columns = (self.numbers(f"{case}_{name}") for name in FLOW_NAMES)
        return [Step(*row) for row in zip(*columns, strict=True)]

    def case(self, key: str) -> Words:
        """Return what ``plan.json`` says of a case."""
        found: Words = next(case for case in self.record["cases"] if case["case"] == key)
        return found

    def replayed(self, case: str) -> list[Step]:
        """Return the steps of a case, replayed in plain loops."""
        if case not in self._runs:
            self._runs[case] = self._replay(case)
        return self._runs[case]

    @cached_property
    def _runs(self) -> dict[str, list[Step]]:
        return {}

    def _replay(self, case: str) -> list[Step]:
        bare = case in ("neither", "no_battery")
        site, made = self.site(has_battery=not bare), self.made_with
        settings: Words = {"floor_pct": 100 * site.low / site.capacity}
        if case == "windows":
            settings = self.settings.model_dump(exclude_none=True)
        elif case == "no_windows":
            settings["seasons"] = [
                {"months": [int(month)], "floor_pct": 100 * kwh / site.capacity, "day_sets": []}
                for month, kwh in made["floors_kwh"].items()
            ]
        pv = self.numbers("pv_kwh")
        return replayed(
            site, settings, self.begin, self.file.zone, self.numbers("load_kwh"),
            [0.0] * len(pv) if case == "neither" else pv, 0.0 if bare else made["start_kwh"],
        )  # fmt: skip


def _record_in(path: Path) -> Words:
    if not is_file(path):
        raise missing(path.parent, path.name)
    mend = "Make the results anew with plan."
    record: Words = json_in(path, mend)
    if not isinstance(record, dict) or record.get("format") != "tariffwright plan":
        raise InputError(
            "this is not the record of a plan, a renewal or a replay",
            where=path,
            mend="Name a folder that plan or renew has written.",
        )
    if "manifest" not in record:
        raise InputError(
            "the record has no manifest: it was written before results could be verified",
            where=path,
            mend=mend,
        )
    refuse_unfitting(record, Needed, path, mend)
    lacking = {*CASES, "no_battery", "neither"} - {case["case"] for case in record["cases"]}
    if lacking:
        raise InputError(
            f"the case {min(lacking)!r} is missing",
            where=path,
            mend="The record was changed by hand, or is damaged: make the results anew with plan.",
        )
    return record


def _flows_in(path: Path, record: Words) -> pd.DataFrame:
    import pandas as pd

    table = read_table(path)
    lacking = [name for name in ("time", *NUMBERS) if column_named(table, [name]) is None]
    if lacking:
        raise SeriesError(
            f"the column {lacking[0]!r} is missing",
            where=path,
            mend="The file was changed: make the results anew with plan.",
        )
    flows = pd.DataFrame({"time": list(table.cells["time"])})
    for name in NUMBERS:
        flows[name] = read_numbers(table, name)
        if not np.isfinite(flows[name]).all():
            raise SeriesError(
                f"a value of the column {name!r} is missing",
                where=path,
                mend="The file was changed: make the results anew with plan.",
            )
    if len(flows) != record["horizon"]["steps"]:
        raise SeriesError(
            f"there are {len(flows):,} steps, but {PLAN} tells of {record['horizon']['steps']:,}",
            where=path,
            mend="The file was cut or added to: make the results anew with plan.",
        )
    return flows.reset_index(drop=True)


def missing(folder: Path, name: str) -> InputError:
    """Return the error that a file of results is not there."""
    return InputError(
        f"there is nothing to verify: {name} is missing",
        where=str(folder),
        mend="Name a folder that plan, renew or replay has written, with all its files.",
    )
