"""Many sites at once: one table, one calendar, resumed, with one of them broken."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from icalendar import Calendar
from typer.testing import CliRunner, Result

from optimizer.base.errors import InputError, SolveError
from optimizer.base.processes import each_in_a_process
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.planning.solver import use_one_thread
from optimizer.report.fleet import code_of, fleet_csv
from optimizer.report.fleet_site import died, failed
from optimizer.workflows.fleet import FleetTask, names_apart, sites_named
from tests.schemas import faults
from tests.studies.small import write_sites

QUICK = ["--effort", "quick"]
IDLE = """\
settings: idle
floor_pct: 10
seasons:
- months: [1, 2, 3]
  day_sets:
  - days: every day
    windows:
    - {start: "12:00", end: "13:00", action: hold}
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def lines_of(done: Result) -> list[dict]:
    """Return the objects that stand on the lines of standard output."""
    return [json.loads(line) for line in done.stdout.splitlines()]


def sites_in(folder: Path, names: tuple[str, ...], days: int = 63) -> Path:
    """Write sites, the last of them broken."""
    folder.mkdir(exist_ok=True)
    write_sites(folder, names, days)
    broken = folder / names[-1] / "scenario.yaml"
    broken.write_text(broken.read_text().replace("capacity_kwh: 10", "capacity_kwh: -10"))
    return folder


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sites, of which ``yew`` is broken."""
    return sites_in(tmp_path_factory.mktemp("sites"), ("elm", "oak", "yew"))


@pytest.fixture(scope="module")
def planned(sites: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """A fleet planned, in this process."""
    out = tmp_path_factory.mktemp("planned") / "fleet"
    return out, run("fleet", "plan", sites, "--out", out, "--processes", "0", *QUICK, "--json")


def test_the_broken_site_is_told_and_the_others_are_as_planned_alone(
    sites: Path, planned: tuple[Path, Result], tmp_path: Path
) -> None:
    out, done = planned
    *rows, whole = lines_of(done)
    assert [row["site"] for row in rows] == ["elm", "oak", "yew"]
    assert [row["state"] for row in rows][-1] == "failed"
    assert "capacity_kwh" in rows[-1]["error"]["where"]
    assert whole["failed"] == ["yew"]
    assert done.exit_code == whole["code"] == 2
    for name in ("elm", "oak"):
        alone = tmp_path / name
        assert run("plan", sites / name, "--out", alone, *QUICK).exit_code == 0
        for file in ("settings.yaml", "flows.csv"):
            assert (out / name / file).read_bytes() == (alone / file).read_bytes()


def test_worth_and_spread_are_those_of_the_sites_own_record(planned: tuple[Path, Result]) -> None:
    out, done = planned
    for row in lines_of(done)[:2]:
        record = json.loads((out / row["site"] / "plan.json").read_text(encoding="utf-8"))
        assert row["change"], "these sites have something to type in"
        assert len(row["change"]) == len(record["windows"])
        assert row["worth"] == record["unseen"]["saved"]["p50"]
        assert row["unseen"] == record["unseen"]["saved"]
        assert row["worth_days"] == 63


def test_each_line_is_as_its_schema_says(planned: tuple[Path, Result]) -> None:
    schemas = shipped_folder("tariffs") / "schemas" / "results"
    for line in lines_of(planned[1]):
        name = line["format"].removeprefix("tariffwright ").replace(" ", "_")
        assert faults(line, json.loads((schemas / f"{name}.json").read_text("utf-8"))) == []


def test_table_page_and_calendar_hold_all_sites(planned: tuple[Path, Result]) -> None:
    out, _ = planned
    rows = list(csv.DictReader((out / "fleet.csv").read_text("utf-8").splitlines()))
    assert [row["site"] for row in rows] == ["elm", "oak", "yew"]
    assert "capacity_kwh" in rows[2]["error"]
    page = (out / "fleet.html").read_text(encoding="utf-8")
    for words in ('href="elm/report.html"', 'href="oak/report.html"', "capacity_kwh", "1 failed"):
        assert words in page
    assert "yew/report.html" not in page
    events = Calendar.from_ical((out / "reminders.ics").read_bytes()).walk("VEVENT")
    alone = [
        event
        for name in ("elm", "oak")
        for event in Calendar.from_ical((out / name / "reminders.ics").read_bytes()).walk("VEVENT")
    ]
    assert [str(event["UID"]) for event in events] == [str(event["UID"]) for event in alone]
    assert len({str(event["UID"]) for event in events}) == len(events)


def test_what_was_done_is_taken_and_what_changed_or_failed_is_done(
    sites: Path, planned: tuple[Path, Result], tmp_path: Path
) -> None:
    out = Path(shutil.copytree(planned[0], tmp_path / "out"))
    again = run("fleet", "plan", sites, "--out", out, "--processes", "0", *QUICK, "--json")
    *rows, whole = lines_of(again)
    assert [row["is_kept"] for row in rows] == [True, True, False]
    assert (whole["kept"], again.exit_code) == (2, 2)
    scenario = sites / "oak" / "scenario.yaml"
    text = scenario.read_text()
    try:
        scenario.write_text(text.replace("charge_kw: 5", "charge_kw: 4"))
        changed = run("fleet", "plan", sites, "--out", out, "--processes", "0", *QUICK, "--json")
        assert [row["is_kept"] for row in lines_of(changed)[:2]] == [True, False]
    finally:
        scenario.write_text(text)


def test_a_damaged_row_is_made_again(sites: Path, tmp_path: Path) -> None:
    words = ("fleet", "check", sites / "elm", "--out", tmp_path, "--json")
    first = lines_of(run(*words))[0]
    row = tmp_path / "elm" / "fleet_check.json"
    for damage in ("", "{", "[]", '{"key": 1}', row.read_text()[:-40]):
        row.write_text(damage)
        assert lines_of(run(*words))[0] == first
    assert lines_of(run(*words))[0] == {**first, "is_kept": True}


def test_renewals_tell_the_change_and_end_with_10_where_none_failed(
    sites: Path, tmp_path: Path
) -> None:
    for name in ("elm", "oak"):
        (tmp_path / "before" / name).mkdir(parents=True)
        (tmp_path / "before" / name / "settings.yaml").write_text(IDLE)
    done = run("fleet", "renew", sites / "elm", sites / "oak", "--previous", tmp_path / "before",
               "--out", tmp_path / "fleet", "--processes", "0", *QUICK)  # fmt: skip
    assert done.exit_code == 10, done.output
    assert "2 with something to change, 0 failed" in " ".join(done.stdout.split())
    record = json.loads((tmp_path / "fleet" / "elm" / "plan.json").read_text("utf-8"))["renewal"]
    for change in record["changes"]:
        assert change["what"] in " ".join(done.stdout.split())
    row = json.loads((tmp_path / "fleet" / "elm" / "fleet_renew.json").read_text("utf-8"))
    assert row["worth"] == record["saves_per_month"]


def test_settings_that_stay_end_with_0(
    sites: Path, planned: tuple[Path, Result], tmp_path: Path
) -> None:
    done = run("fleet", "renew", sites / "elm", sites / "oak", "--previous", planned[0],
               "--out", tmp_path / "fleet", "--processes", "0", *QUICK, "--json")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert [row["state"] for row in lines_of(done)[:2]] == ["no change"] * 2


def test_tomorrows_card_is_a_change_only_if_another_was_told_before(
    sites: Path, planned: tuple[Path, Result], tmp_path: Path
) -> None:
    previous = tmp_path / "two"
    rule = "switched_at: '20:00'\nrules: [{months: [1, 2, 3], below_kwh: 12}]\n"
    for name in ("elm", "oak"):
        (previous / name).mkdir(parents=True)
        settings = (planned[0] / name / "settings.yaml").read_text("utf-8")
        for file in ("settings.yaml", "settings_bright.yaml", "settings_dark.yaml"):
            (previous / name / file).write_text(settings)
        (previous / name / "plan.json").write_text("{}")
        (previous / name / "two_cards.yaml").write_text(rule)

    def told(day: str, yields: dict[str, float]) -> tuple[int, list[tuple[str, str]]]:
        table = "\n".join(["site,pv_kwh", *(f"{name},{kwh}" for name, kwh in yields.items())])
        (tmp_path / "pv.csv").write_text(f"{table}\n")
        done = run("fleet", "tomorrow", sites / "elm", sites / "oak", "--previous", previous,
                   "--pv", tmp_path / "pv.csv", "--day", day, "--out", tmp_path / "cards",
                   "--processes", "0", "--json")  # fmt: skip
        return done.exit_code, [(row["state"], row["card"]) for row in lines_of(done)[:2]]

    assert told("2025-02-01", {"elm": 3, "oak": 20}) == (
        10, [("change", "B"), ("no change", "A")])  # fmt: skip
    assert told("2025-02-02", {"elm": 3, "oak": 20}) == (
        0, [("no change", "B"), ("no change", "A")])  # fmt: skip
    assert told("2025-02-03", {"elm": 20, "oak": 3}) == (
        10, [("change", "A"), ("change", "B")])  # fmt: skip
    code, rows = told("2025-02-04", {"oak": 3, "ash": 3})
    assert (code, rows) == (2, [("failed", None), ("no change", "B")])


def test_a_review_needs_what_was_promised_and_fails_for_the_site_alone(
    sites: Path, planned: tuple[Path, Result], tmp_path: Path
) -> None:
    assert run("fleet", "review", sites, "--out", tmp_path / "a").exit_code == 64
    done = run("fleet", "review", sites / "elm", sites / "oak", "--previous", planned[0],
               "--metered", "forecast.csv", "--out", tmp_path / "b", "--processes", "0", "--json")  # fmt: skip
    rows = lines_of(done)[:2]
    assert [row["state"] for row in rows] == ["failed", "failed"], "a forecast has no import_kwh"
    assert all(row["error"]["code"] == done.exit_code == 2 for row in rows)


def test_a_season_that_went_as_promised_is_told_with_its_page(
    sites: Path, planned: tuple[Path, Result], tmp_path: Path
) -> None:
    sites = Path(shutil.copytree(sites, tmp_path / "sites"))
    flows = pd.read_csv(planned[0] / "elm" / "flows.csv")
    columns = {"windows_import_kwh": "import_kwh", "windows_export_kwh": "export_kwh"}
    meter = flows[["time", "load_kwh", "pv_kwh", *columns]].rename(columns=columns)
    meter.to_csv(sites / "elm" / "counted.csv", index=False)
    done = run("fleet", "review", sites / "elm", "--previous", planned[0], "--metered", "counted.csv",
               "--out", tmp_path, "--json")  # fmt: skip
    row, whole = lines_of(done)
    assert (row["state"], whole["code"], done.exit_code) == ("no change", 0, 0), done.output
    record = json.loads((planned[0] / "elm" / "plan.json").read_text("utf-8"))
    bills = {case["case"]: case["bill"] for case in record["cases"]}
    assert row["worth"] == pytest.approx(bills["no_windows"] - bills["windows"], abs=0.05)
    assert 'href="elm/review.html"' in (tmp_path / "fleet.html").read_text("utf-8")
    assert (tmp_path / "elm" / "review.html").exists()


def test_sites_are_named_as_folders_as_a_folder_of_them_and_as_a_list(tmp_path: Path) -> None:
    for folder in ("north", "south"):
        (tmp_path / folder).mkdir()
    write_sites(tmp_path / "north", ("elm", "oak"), 2)
    write_sites(tmp_path / "south", ("elm",), 2)
    (tmp_path / "north" / "no site").mkdir()
    named, notes = sites_named([tmp_path / "north", tmp_path / "south" / "elm" / "scenario.yaml"])
    assert list(named) == ["north/elm", "north/oak", "south/elm"]
    assert len(notes) == 1
    assert "1 folder has no scenario.yaml" in notes[0]
    listed = tmp_path / "list.txt"
    listed.write_text("# the ones in town\nnorth/oak\n\nsouth/ash\n")
    named, notes = sites_named([listed])
    assert named == {"oak": tmp_path / "north/oak", "ash": tmp_path / "south/ash"}
    assert notes == []
    for nothing in (tmp_path, tmp_path / "empty.txt"):
        (tmp_path / "empty.txt").write_text("# none\n")
        with pytest.raises(InputError, match="no site is here"):
            sites_named([nothing])
    listed.write_bytes(b"north/oak\nsouth/\0ash\n")
    with pytest.raises(InputError, match="line 2"):
        sites_named([listed])


def test_names_tell_folders_apart() -> None:
    assert names_apart([Path("/a/x"), Path("/b/x")]) == {Path("/a/x"): "a/x", Path("/b/x"): "b/x"}
    assert list(names_apart([Path("/a/x")]).values()) == ["x"]


def test_the_code_is_the_worst_failure_before_any_change() -> None:
    task = FleetTask("plan", "elm", Path("elm"), Path("out"))
    bad = failed(task, InputError("bad", where="there", mend="mend it"))
    unsolved = failed(task, SolveError("none", where="there", mend="mend it"))
    change = {**bad, "state": "change", "error": None, "code": 0}
    still = {**change, "state": "no change"}
    assert code_of([still, still]) == 0
    assert code_of([still, change]) == 10
    assert code_of([bad, change]) == 2
    assert code_of([unsolved, bad]) == 3
    assert code_of([died(task), unsolved]) == 4


def test_no_cell_of_the_table_is_a_formula() -> None:
    row = failed(
        FleetTask("plan", "=1+1", Path("elm"), Path("out")), InputError("b", where="w", mend="m")
    )
    assert next(csv.DictReader(fleet_csv([row]).splitlines()))["site"] == "'=1+1"


def test_results_do_not_go_into_the_folder_of_a_site(sites: Path) -> None:
    done = run("fleet", "plan", sites / "elm", "--out", sites)
    assert done.exit_code == 64
    assert "own folder" in done.stderr


def _die_over_two(number: int) -> int:
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return 10 * number


def test_a_process_that_dies_is_one_answer_and_takes_nothing_along() -> None:
    found = dict(
        each_in_a_process(_die_over_two, [1, 2, 3, 4], 2, use_one_thread, lambda number: -number)
    )
    assert found == {0: 10, 1: -2, 2: 30, 3: 40}


@pytest.mark.long
def test_of_24_sites_renewed_23_are_right_and_the_broken_one_is_told(tmp_path: Path) -> None:
    names = tuple(f"site_{number:02d}" for number in range(24))
    folder = sites_in(tmp_path / "sites", names)
    for number, name in enumerate(names):  # on two tariffs
        scenario = folder / name / "scenario.yaml"
        if number % 3 == 0:
            scenario.write_text(scenario.read_text().replace("calm.yaml", "steep.yaml"))
        (tmp_path / "before" / name).mkdir(parents=True)
        (tmp_path / "before" / name / "settings.yaml").write_text(IDLE)
    words = ("fleet", "renew", folder, "--previous", tmp_path / "before", "--out", tmp_path / "fleet",
             "--processes", "2", *QUICK, "--json")  # fmt: skip
    done = run(*words)
    *rows, whole = lines_of(done)
    assert whole["failed"] == [names[-1]]
    assert done.exit_code == 2
    assert [row["site"] for row in rows] == list(names)
    for name in names[:-1:6]:
        alone = tmp_path / "alone" / name
        run(
            "renew", folder / name, "--previous", tmp_path / "before" / name, "--out", alone, *QUICK
        )
        assert (alone / "settings.yaml").read_bytes() == (
            tmp_path / "fleet" / name / "settings.yaml"
        ).read_bytes()


@pytest.mark.long
def test_a_fleet_that_is_stopped_goes_on_where_it_was(tmp_path: Path) -> None:
    folder = sites_in(tmp_path / "sites", ("ash", "elm", "oak", "yew"))
    words = [sys.executable, "-c", "from optimizer.cli.app import main; main()", "fleet", "plan",
             str(folder), "--out", str(tmp_path / "fleet"), "--processes", "1", *QUICK, "--json"]  # fmt: skip
    running = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    end = time.monotonic() + 120
    while not (tmp_path / "fleet" / "ash" / "fleet_plan.json").exists():
        assert time.monotonic() < end
        time.sleep(0.05)
    running.terminate()  # Ctrl-C is ignored by what a script runs in the background
    running.communicate(timeout=60)
    assert running.returncode == 130
    again = subprocess.run(words, capture_output=True, text=True, timeout=240, check=False)
    rows = [json.loads(line) for line in again.stdout.splitlines()][:-1]
    assert rows[0]["is_kept"]
    assert [row["state"] for row in rows][-1] == "failed"
