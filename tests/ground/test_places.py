"""Each mistake in a document names its place, so that a form can show it at the field."""

from __future__ import annotations

import pickle
from pathlib import Path
from textwrap import dedent

import pytest

from optimizer.base.documents import Document, read_document
from optimizer.base.errors import (
    InputError,
    Mistake,
    Place,
    SeriesError,
    SeveralInputErrors,
    Where,
)
from optimizer.billing.history import History
from optimizer.billing.reconcile import PaidBill
from optimizer.billing.tariff import TariffFile, read_tariff
from optimizer.billing.worked_entries import BillsFile
from optimizer.metering.series import read_numbers, read_table
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.windows import Settings
from optimizer.studies.study_file import StudyFile
from optimizer.workflows.in_use import RenewalFile

TARIFF = """\
tariff: Tarn Hollow
currency: EUR
invented: true
versions:
  - from: 2025-01-01
    source: invented
    charges:
"""
ENERGY = TARIFF + "      - {kind: energy, name: Energy, per_kwh: 0.2}\n"

SCENARIO = """\
scenario: Tarn Hollow
zone: Europe/Dublin
forecast: forecast.csv
tariff: tariff.yaml
battery: {capacity_kwh: 12, charge_kw: 4, discharge_kw: 5, floor_pct: 10, ceiling_pct: 90}
inverter: {ac_limit_kw: 6}
pv: {coupling: dc}
connection: {import_limit_kw: 15}
permissions: {charge_from_grid: false}
controls: {windows_per_day: 2, day_types: every_day, minutes: 30, actions: [charge, cover]}
"""

SETTINGS = """\
settings: Tarn Hollow
floor_pct: 10
seasons:
  - months: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]
    day_sets:
      - days: every day
        windows:
"""

BILLS = """\
zone: Europe/Dublin
bills:
  - shows: March
    source: invented
    period: [2026-03-01, 2026-03-31]
    meter: [{kwh: 5, otherwise: true}]
    expect: {total: 12}
"""

CASES: dict[str, tuple[type[Document], str, Place, int]] = {
    "tariff, missing": (
        TariffFile, TARIFF + "      - {kind: demand, per_kw: 5}\n", ("versions", 0, "charges", 0, "name"), 8,
    ),
    "tariff, unknown": (
        TariffFile, ENERGY + "    colour: red\n", ("versions", 0, "colour"), 9,
    ),
    "tariff, wrong kind of value in a union": (
        TariffFile,
        ENERGY + "      - {kind: demand, name: Peak, interval_minutes: 30, per_kw: dear}\n",
        ("versions", 0, "charges", 1, "per_kw"), 9,
    ),
    "tariff, two ends": (
        TariffFile,
        TARIFF + "      - kind: energy\n        name: E\n        blocks: {blocks: [{per_kwh: 1}, {per_kwh: 2}]}\n",
        ("versions", 0, "charges", 0, "blocks", "blocks", 0), 10,
    ),
    "scenario, below zero": (
        ScenarioFile, SCENARIO.replace("ac_limit_kw: 6", "ac_limit_kw: -6"), ("inverter", "ac_limit_kw"), 6,
    ),
    "scenario, two parts that do not fit": (
        ScenarioFile, SCENARIO + "reserve_pct: 95\n", ("reserve_pct",), 11,
    ),
    "scenario, level": (
        ScenarioFile, SCENARIO + "state: {charge_pct: 5}\n", ("state", "charge_pct"), 11,
    ),
    "settings, limit": (
        Settings,
        SETTINGS + '          - {start: "01:00", end: "02:00", action: cover, until_pct: 80}\n',
        ("seasons", 0, "day_sets", 0, "windows", 0, "until_pct"), 8,
    ),
    "worked bills": (
        BillsFile, BILLS.replace("2026-03-31", "2026-02-01"), ("bills", 0, "period"), 5,
    ),
    "study, a name with a dot": (
        StudyFile,
        "study: S\nsites: [a]\ncontrols:\n  '1.5 | new': {windows_per_day: 2, day_types: every_day,"
        " minutes: 30, actions: [charge]}\n",
        ("controls", "1.5 | new", "actions"), 4,
    ),
    "study, vary": (
        StudyFile, "study: S\nsites: [a]\nvary: {battery_kwh: []}\n", ("vary", "battery_kwh"), 3,
    ),
    "bill that was paid": (
        PaidBill, "bill: B\nfirst: 2026-03-31\nlast: 2026-03-01\nlines: [{name: E, amount: 5}]\n", ("last",), 3,
    ),
    "history": (History, "past_peaks_kw: {Peak: {march: 5}}\n", ("past_peaks_kw", "Peak", "march"), 1),
    "renewal": (
        RenewalFile,
        "renewed: 2026-03-01\nscenario: S\ntariff: T\ncurrency: EUR\nadvice: []\n", ("advice",), 5,
    ),
}  # fmt: skip


def finding_of(path: Path, model: type[Document]) -> InputError:
    """Return the first mistake of a document."""
    with pytest.raises(InputError) as caught:
        read_document(path, model, InputError)
    failure = caught.value
    return failure.findings[0] if isinstance(failure, SeveralInputErrors) else failure


@pytest.mark.parametrize("name", CASES)
def test_a_mistake_names_its_file_its_line_and_the_path_of_keys(tmp_path: Path, name: str):
    model, text, place, line = CASES[name]
    path = tmp_path / "file.yaml"
    path.write_text(text)

    finding = finding_of(path, model)

    assert (finding.file, finding.line, finding.place) == (path, line, place), str(finding)
    assert finding.where.startswith(f"{path}:{line}:")


def test_every_mistake_of_a_document_has_a_place_of_its_own(tmp_path: Path):
    path = tmp_path / "scenario.yaml"
    path.write_text(
        SCENARIO.replace("charge_kw: 4", "charge_kw: four")
        .replace("dc", "both")
        .replace("15", "-1")
    )

    with pytest.raises(SeveralInputErrors) as caught:
        read_document(path, ScenarioFile, InputError)

    assert [finding.place for finding in caught.value.findings] == [
        ("battery", "charge_kw"), ("pv", "coupling"), ("connection", "import_limit_kw"),
    ]  # fmt: skip


def test_a_name_with_bars_is_told_whole(tmp_path: Path):
    path = tmp_path / "tariff.yaml"
    path.write_text(
        TARIFF + "      - {kind: demand, name: Grid | peak | x, interval_minutes: 30}\n"
    )

    finding = finding_of(path, TariffFile)

    assert finding.what == "the charge 'Grid | peak | x' has no price"
    assert finding.mend == "Give one of per_kw and blocks."
    assert finding.place == ("versions", 0, "charges", 0)


def test_what_is_found_after_reading_has_a_place_too(tmp_path: Path):
    path = tmp_path / "tariff.yaml"
    path.write_text(ENERGY + "      - {kind: energy, name: Energy, per_kwh: 0.1}\n")

    with pytest.raises(InputError) as caught:
        read_tariff(path)

    assert (caught.value.file, caught.value.place[:3]) == (path, ("versions", 0, "charges"))


def test_a_series_names_file_and_row(tmp_path: Path):
    path = tmp_path / "forecast.csv"
    path.write_text(
        dedent("""\
        time,load_kw
        2026-03-01T00:00,1
        2026-03-01T01:00,x
    """)
    )

    with pytest.raises(SeriesError) as caught:
        read_numbers(read_table(path), "load_kw")

    assert (caught.value.file, caught.value.line, caught.value.place) == (path, 3, ())


def test_errors_are_whole_after_a_journey_between_processes():
    spot = Where("t.yaml:6:18 (charges[1])", Path("t.yaml"), 6, ("charges", 1))
    one = InputError("wrong", where=spot, mend="thus")
    for failure in (one, SeveralInputErrors([one, SeriesError("b", where="row 1", mend="so")])):
        arrived = pickle.loads(pickle.dumps(failure))

        assert (type(arrived), str(arrived), arrived.args) == (
            type(failure),
            str(failure),
            failure.args,
        )
        assert (arrived.file, arrived.line, arrived.place) == (
            failure.file,
            failure.line,
            failure.place,
        )

    mistake = pickle.loads(pickle.dumps(Mistake("what", "mend", ("a", 1))))
    assert (str(mistake), mistake.mend, mistake.place) == ("what", "mend", ("a", 1))
    assert pickle.loads(pickle.dumps(spot)).place == ("charges", 1)
