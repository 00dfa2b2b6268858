"""Mistakes that people make, one a file, and the words that each of them must be told in.

Every file under this folder begins with comments::

    # error: words that the message must hold
    # where: words that the place must hold, such as a file and its line, or a row and a column
    # mend: words of the mend
    # value: the offending value; it stands in the file and must stand in the message
    # absent: instead of "value": what is missing or computed; the message must name it

A line ``# open: ...`` tells why the program does not yet say it so; such a file is expected to
fail, and must lose the line as soon as it passes. The other files of the scenario are good ones.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from optimizer.base.documents import MAX_BYTES
from optimizer.base.errors import InputError, ScenarioError, SeveralInputErrors, TariffError
from optimizer.scenario.brief import read_brief
from optimizer.scenario.scenario import read_scenario
from optimizer.settings.check import read_settings

HERE = Path(__file__).parent

PLACES = {
    "scenarios": "scenario.yaml",
    "tariffs": "tariff.yaml",
    "forecasts": "forecast.csv",
    "prices": "prices.csv",
    "settings": "settings.yaml",
}
"""Folder of the gallery, and the file of the scenario that its files take the place of."""

LEAST = {"scenarios": 50, "tariffs": 110, "forecasts": 20, "prices": 5, "settings": 15}

SCENARIO = """\
scenario: Tarn Hollow
invented: true
zone: Europe/Dublin
forecast: forecast.csv
tariff: tariff.yaml
battery:
  capacity_kwh: 12
  charge_kw: 4
  discharge_kw: 5
  floor_pct: 10
  ceiling_pct: 90
inverter:
  ac_limit_kw: 6
pv:
  coupling: dc
connection:
  import_limit_kw: 15
  limits:
    - {rule: evening, hours: ["17:00-21:00"], import_kw: 3, export_kw: 1.5, fill_kw: 1.2}
permissions:
  charge_from_grid: false
controls:
  windows_per_day: 2
  most_entries: 3
  day_types: every_day
  minutes: 30
  actions: [charge, hold, cover]
  over_midnight: false
  power_step_pct: 10
"""

TARIFF = """\
tariff: Tarn Hollow
currency: EUR
invented: true
versions:
  - from: 2025-01-01
    source: invented
    seasons:
      warm: 04-01 to 09-30
      cold: otherwise
    holidays:
      dates: [2026-03-17]
    charges:
      - kind: energy
        name: Energy
        rates:
          - name: evening
            per_kwh: 0.4
            days: [weekdays]
            hours: ["17:00-19:00"]
          - name: other
            per_kwh: 0.2
            otherwise: true
      - kind: demand
        name: Demand
        per_kw: 5
        interval_minutes: 30
        hours: ["17:00-19:00"]
      - kind: export_credit
        name: Credit
        series:
          file: prices.csv
          column: price_per_mwh
      - kind: percentage
        name: Tax
        percent: 10
        of: [Energy]
"""

SETTINGS = """\
settings: Tarn Hollow
floor_pct: 10
seasons:
  - months: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]
    day_sets:
      - days: every day
        windows:
          - start: "01:00"
            end: "05:00"
            action: charge
            until_pct: 80
"""

STAMPS = [f"2026-03-{day:02d}T{hour:02d}:00" for day in (2, 3, 4) for hour in range(24)]


@dataclass(frozen=True)
class Case:
    """A broken file and what must be said of it."""

    path: Path
    error: str
    where: str
    mend: str
    value: str | None
    absent: str | None
    open: str | None

    @classmethod
    def read(cls, path: Path) -> Case:
        """Read the comments at the head of a file."""
        head = {}
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            key, colon, words = line.removeprefix("# ").partition(": ")
            if not line.startswith("#") or not colon:
                break
            head[key] = words
        known = {key: head.pop(key, None) for key in ("value", "absent", "open")}
        return cls(path, **head, **known)

    @property
    def body(self) -> str:
        """Return what stands below the comments."""
        lines = self.path.read_text(encoding="utf-8", errors="replace").splitlines()
        return "\n".join(line for line in lines if not line.startswith("#"))

    def is_told_by(self, finding: InputError) -> bool:
        """Return whether a finding has the words of the error, the place and the mend."""
        return (
            self.error in finding.what
            and self.where in finding.where
            and self.mend in finding.mend
            and (self.value or self.absent or "") in finding.what
        )


CASES = [
    Case.read(path) for folder in PLACES for path in sorted((HERE / folder).iterdir())
]  # fmt: skip


@pytest.fixture
def good(tmp_path: Path) -> Path:
    """Return a scenario folder in which nothing is broken."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "scenario.yaml").write_text(SCENARIO)
    (folder / "tariff.yaml").write_text(TARIFF)
    (folder / "settings.yaml").write_text(SETTINGS)
    rows = [f"{stamp},0.6,1.2\n" for stamp in STAMPS]
    (folder / "forecast.csv").write_text("time,load_kw,pv_kw\n" + "".join(rows))
    prices = [f"{stamp},80\n" for stamp in STAMPS]
    (folder / "prices.csv").write_text("time,price_per_mwh\n" + "".join(prices))
    return folder


def read_all(folder: Path) -> None:
    """Read everything in a scenario folder through the public functions."""
    brief = read_brief(folder)
    read_settings(folder / "settings.yaml", brief.scenario.controls, brief.scenario.plant)


def findings_of(failure: InputError) -> tuple[InputError, ...]:
    """Return each finding of a failure, also where there is only one."""
    return failure.findings if isinstance(failure, SeveralInputErrors) else (failure,)


def marked(case: Case) -> object:
    """Return a case as a parameter with a readable name; an open one is expected to fail."""
    marks = [pytest.mark.xfail(strict=True, reason=case.open)] if case.open else []
    return pytest.param(case, id=f"{case.path.parent.name}/{case.path.stem}", marks=marks)


def test_the_unbroken_scenario_is_read_without_a_word(good: Path):
    read_all(good)


@pytest.mark.parametrize("case", [marked(case) for case in CASES])
def test_each_mistake_is_told_with_what_where_and_mend(good: Path, case: Case):
    (good / PLACES[case.path.parent.name]).write_bytes(case.path.read_bytes())

    with pytest.raises(InputError) as caught:
        read_all(good)

    assert caught.value.exit_code == 2
    findings = findings_of(caught.value)
    assert any(case.is_told_by(finding) for finding in findings), str(caught.value)
    assert all(one.what.strip() and one.where.strip() and one.mend.strip() for one in findings)


@pytest.mark.parametrize("case", [c for c in CASES if not c.open], ids=lambda c: c.path.stem)
def test_each_file_of_the_gallery_states_its_offence(case: Case):
    assert case.error
    assert case.where
    assert case.mend
    assert (case.value is None) != (case.absent is None)
    assert case.value is None or case.value in case.body


@pytest.mark.parametrize("folder", PLACES)
def test_no_room_of_the_gallery_is_empty(folder: str):
    assert len(list((HERE / folder).iterdir())) >= LEAST[folder]


def test_a_file_that_is_not_there_is_told_by_its_path(good: Path):
    (good / "scenario.yaml").unlink()

    with pytest.raises(ScenarioError, match="there is no such file") as caught:
        read_scenario(good)

    assert caught.value.where == str(good / "scenario.yaml")


def test_a_folder_that_is_not_there_is_told_by_its_path(tmp_path: Path):
    with pytest.raises(ScenarioError, match="there is no such file") as caught:
        read_scenario(tmp_path / "nowhere")

    assert caught.value.where == str(tmp_path / "nowhere")


def test_a_file_of_no_bytes_is_told(good: Path):
    (good / "scenario.yaml").write_bytes(b"")

    with pytest.raises(ScenarioError, match="the file holds nothing, not keys with values"):
        read_scenario(good)


def test_a_forecast_of_no_bytes_is_told(good: Path):
    (good / "forecast.csv").write_bytes(b"")

    with pytest.raises(InputError, match="the file has no rows") as caught:
        read_scenario(good)

    assert caught.value.where == str(good / "forecast.csv")


def test_a_huge_document_is_refused_before_it_is_read(good: Path):
    size = MAX_BYTES + 1
    (good / "scenario.yaml").write_bytes(b"#" * size)

    with pytest.raises(ScenarioError) as caught:
        read_scenario(good)

    assert f"{size:,} bytes, more than {MAX_BYTES:,}" in caught.value.what
    assert "CSV" in caught.value.mend


def test_a_damaged_archive_is_told_as_a_forecast_that_cannot_be_read(good: Path):
    text = (good / "scenario.yaml").read_text()
    (good / "scenario.yaml").write_text(text.replace("forecast.csv", "forecast.csv.gz"))
    (good / "forecast.csv.gz").write_bytes(b"time,load_kw\n")

    with pytest.raises(InputError, match="no readable CSV") as caught:
        read_scenario(good)

    assert "forecast.csv.gz" in caught.value.where


def test_all_mistakes_of_a_document_are_told_at_once(good: Path):
    text = (
        SCENARIO.replace("zone: Europe/Dublin", "zone: Nowhere/Town")
        .replace("capacity_kwh: 12", "capacity_kwh: twelve")
        .replace("coupling: dc", "copling: dc")
    )
    (good / "scenario.yaml").write_text(text)

    with pytest.raises(SeveralInputErrors) as caught:
        read_scenario(good)

    told = str(caught.value)
    places = [finding.where.rpartition("scenario.yaml")[2] for finding in caught.value.findings]
    assert all(word in told for word in ("Nowhere/Town", "twelve", "copling", "coupling"))
    assert [place.split(":")[1] for place in places] == ["3", "7", "15", "15"]


def test_all_refusals_of_the_controls_are_told_at_once(good: Path):
    text = SETTINGS.replace("01:00", "01:10").replace("until_pct: 80", "until_pct: 81")
    (good / "settings.yaml").write_text(text)

    with pytest.raises(SeveralInputErrors) as caught:
        read_all(good)

    assert [finding.where.split(":")[1] for finding in caught.value.findings] == ["8", "11"]


@pytest.mark.parametrize("name", ["scenario.yaml", "tariff.yaml", "settings.yaml"])
def test_a_document_that_ends_after_any_line_is_read_or_told(good: Path, name: str):
    lines = (good / name).read_text().splitlines(keepends=True)

    for count in range(len(lines)):
        (good / name).write_text("".join(lines[:count]))
        with suppress(InputError):
            read_all(good)


@pytest.mark.parametrize("name", ["scenario.yaml", "tariff.yaml", "settings.yaml"])
@pytest.mark.parametrize("value", ["[]", "[1, x]", "'"])
def test_any_value_in_place_of_another_is_read_or_told(good: Path, name: str, value: str):
    lines = (good / name).read_text().splitlines()

    for place, line in enumerate(lines):
        key = line.partition(":")[0]
        changed = [*lines[:place], f"{key}: {value}", *lines[place + 1 :]]
        (good / name).write_text("\n".join(changed) + "\n")
        with suppress(InputError):
            read_all(good)


@pytest.mark.parametrize("tag", ["!!set", "!!omap"])
def test_a_set_in_place_of_a_word_is_told(good: Path, tag: str):
    (good / "scenario.yaml").write_text(SCENARIO.replace("Europe/Dublin", tag))

    with pytest.raises(ScenarioError, match=f"the tag {tag} is not understood here") as caught:
        read_scenario(good)

    assert caught.value.where == f"{good / 'scenario.yaml'}:3:7"
    assert "tags that begin with '!'" in caught.value.mend


@pytest.mark.parametrize(
    ("whole", "part", "told"),
    [
        ("warm: 04-01 to 09-30", "warm: [4]", "warm[0] is 4, not text"),
        ("of: [Energy]", "of: [1]", "of[0] is 1, not text"),
    ],
)
def test_a_wrong_entry_of_a_list_is_told_once(good: Path, whole: str, part: str, told: str):
    (good / "tariff.yaml").write_text(TARIFF.replace(whole, part))

    with pytest.raises(TariffError) as caught:  # one finding, though a word could stand there too
        read_all(good)

    assert caught.value.what == told


def test_a_key_that_is_a_number_is_told_as_a_key(good: Path):
    (good / "tariff.yaml").write_text(TARIFF.replace("warm: 04-01", "4: 04-01"))

    with pytest.raises(TariffError, match="the key 4 is not text") as caught:
        read_all(good)

    assert caught.value.mend == "Write it in quotes, as '4'."


def test_a_tax_on_a_charge_of_another_season_is_no_mistake(good: Path):
    text = TARIFF.replace("interval_minutes: 30", "interval_minutes: 30\n        seasons: [warm]")
    (good / "tariff.yaml").write_text(text.replace("of: [Energy]", "of: [Energy, Demand]"))

    read_all(good)  # the forecast lies in March, the demand charge in the warm season
