"""The commands: exit codes, what is printed, and that nothing is left half-written."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import get_args

import pytest
from typer.testing import CliRunner

from optimizer.base.errors import DisagreementError
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.cli.options import Effort
from optimizer.scenario.scenario import read_scenario
from optimizer.search.choose import EFFORTS
from optimizer.settings.check import read_settings
from optimizer.workflows.solve import PLANNING_S

DEMO = shipped_folder("scenarios") / "1_two_rates"
RESULTS = {
    "plan.json", "flows.csv", "settings.yaml", "scenario_as_read.yaml", "tariff.yaml", "report.html", "settings_by_size",
    "reminders.ics",
}  # fmt: skip


@pytest.fixture(scope="module")
def fortnight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first demo with the first two weeks of its forecast."""
    folder = tmp_path_factory.mktemp("fortnight")
    shutil.copy(DEMO / "scenario.yaml", folder)
    lines = (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()
    (folder / "forecast.csv").write_text("\n".join(lines[: 3 + 14 * 24]), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def planned(fortnight: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Results of a plan of that fortnight, and what was printed."""
    out = tmp_path_factory.mktemp("results") / "deep" / "out"
    done = CliRunner().invoke(app, ["plan", str(fortnight), "--out", str(out)])
    assert done.exit_code == 0, done.output
    return out, done.stdout


def changed(fortnight: Path, tmp_path: Path, before: str, after: str) -> Path:
    """Return a copy of the scenario with one piece of its text changed."""
    folder = Path(shutil.copytree(fortnight, tmp_path / "site"))
    text = (folder / "scenario.yaml").read_text(encoding="utf-8")
    assert before in text
    (folder / "scenario.yaml").write_text(text.replace(before, after), encoding="utf-8")
    return folder


def test_plan_writes_its_files_and_nothing_else(planned: tuple[Path, str]) -> None:
    assert {path.name for path in planned[0].iterdir()} == RESULTS


def test_the_five_bills_and_the_settings_are_printed(planned: tuple[Path, str]) -> None:
    for words in (
        "SETTINGS TO ENTER", "neither PV nor battery", "PV without battery", "battery, no windows",
        "battery, our windows", "cheapest possible plan", "BEFORE YOU ENTER THEM",
    ):  # fmt: skip
        assert words in planned[1]


def test_each_size_has_a_complete_file_with_fewer_entries_than_the_next(
    planned: tuple[Path, str], fortnight: Path
) -> None:
    out, _ = planned
    scenario = read_scenario(fortnight)
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    entries = [size["entries"] for size in record["curve"]]
    files = {path.name: path for path in (out / "settings_by_size").iterdir()}
    assert set(files) == {f"{count}_windows.yaml" for count in entries}
    assert entries[0] == 0
    assert entries == sorted(set(entries))
    for count in entries:
        file = files[f"{count}_windows.yaml"]
        assert read_settings(file, scenario.controls, scenario.plant).entries() == count
    (chosen,) = [size["entries"] for size in record["curve"] if size["handed_out"]]
    text = files[f"{chosen}_windows.yaml"].read_text(encoding="utf-8")
    assert text == (out / "settings.yaml").read_text(encoding="utf-8")


def test_dropping_the_curve_changes_nothing_in_the_settings(
    planned: tuple[Path, str], fortnight: Path, tmp_path: Path
) -> None:
    out = Path(shutil.copytree(planned[0], tmp_path / "out"))
    done = CliRunner().invoke(app, ["plan", str(fortnight), "--no-curve", "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert {path.name for path in out.iterdir()} == RESULTS - {"settings_by_size"}
    for name in ("settings.yaml", "flows.csv"):
        assert (out / name).read_bytes() == (planned[0] / name).read_bytes()
    full, less = (json.loads((each / "plan.json").read_text("utf-8")) for each in (planned[0], out))
    assert less["curve"] == []
    assert less["cases"] == full["cases"]


def test_fewer_windows_are_handed_out_on_request(fortnight: Path, tmp_path: Path) -> None:
    asked = ["plan", str(fortnight), "--windows", "1", "--out", str(tmp_path), "--json"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert len(record["windows"]) <= 1
    (size,) = [size for size in record["curve"] if size["handed_out"]]
    assert size["settings"] == record["settings"]


def test_settings_in_use_stand_among_the_bills_as_replayed(
    planned: tuple[Path, str], fortnight: Path, tmp_path: Path
) -> None:
    in_use = planned[0] / "settings_by_size" / "1_windows.yaml"
    replayed = ["replay", str(fortnight), "--settings", str(in_use), "--json"]
    cases = json.loads(CliRunner().invoke(app, replayed).stdout)["cases"]
    expected = next(case["cost"] for case in cases if case["case"] == "windows")
    asked = ["plan", str(fortnight), "--in-use", str(in_use), "--out", str(tmp_path), "--json"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    cost = {case["case"]: case["cost"] for case in record["cases"]}
    assert cost["in_use"] == pytest.approx(expected)
    change = record["change_from_in_use"]
    assert change["saved"] == pytest.approx(cost["in_use"] - cost["windows"])
    assert change["is_worth_it"] == (change["saved"] >= 0.01 * record["can_save"])


def test_settings_in_use_that_are_not_there_are_told(fortnight: Path, tmp_path: Path) -> None:
    asked = ["plan", str(fortnight), "--in-use", "nowhere.yaml", "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 2
    assert "nowhere.yaml" in done.stderr
    assert not (tmp_path / "out").exists()


def test_only_known_efforts_are_taken() -> None:
    done = CliRunner().invoke(app, ["plan", "--effort", "fast"])
    assert done.exit_code == 64
    assert "'quick', 'normal', 'thorough'" in done.stderr
    assert set(get_args(Effort)) == set(EFFORTS) == set(PLANNING_S)


def test_a_forecast_too_short_to_keep_weeks_back_is_told(planned: tuple[Path, str]) -> None:
    assert "too few whole weeks" in " ".join(planned[1].split())
    record = json.loads((planned[0] / "plan.json").read_text(encoding="utf-8"))
    assert record["unseen"] is None
    assert record["effort"] == "normal"


def test_the_kept_share_is_what_the_written_costs_say(planned: tuple[Path, str]) -> None:
    record = json.loads((planned[0] / "plan.json").read_text(encoding="utf-8"))
    cost = {case["case"]: case["cost"] for case in record["cases"]}
    share = (cost["no_windows"] - cost["windows"]) / (cost["no_windows"] - cost["plan"])
    assert record["kept_share_frac"] == pytest.approx(share)
    assert cost["plan"] <= cost["windows"] <= cost["no_windows"]


def test_replaying_the_written_settings_gives_the_bill_that_was_promised(
    planned: tuple[Path, str], fortnight: Path
) -> None:
    out, _ = planned
    asked = ["replay", str(fortnight), "--settings", str(out / "settings.yaml"), "--json"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    promised = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    cases = json.loads(done.stdout)["cases"]
    assert [case.pop("label") for case in cases][3] == "battery, these settings"
    assert cases == [{k: v for k, v in case.items() if k != "label"} for case in promised["cases"]]


def test_the_written_flows_balance_and_bill_as_printed(planned: tuple[Path, str]) -> None:
    """The first demo's tariff by hand: nights 0.12, days 0.34, export 0.05, 0.42 a day, 6 % tax."""
    rows = (planned[0] / "flows.csv").read_text(encoding="utf-8").splitlines()
    head = rows[0].split(",")
    total = 0.0
    for row in rows[1:]:
        cell = dict(zip(head, row.split(","), strict=True))
        hour = int(cell["time"][11:13])
        rate = 0.12 if hour >= 23 or hour < 6 else 0.34
        total += 1.06 * rate * float(cell["windows_import_kwh"])
        total -= 0.05 * float(cell["windows_export_kwh"])
    total += 1.06 * 0.42 * 14
    record = json.loads((planned[0] / "plan.json").read_text(encoding="utf-8"))
    bill = next(case["bill"] for case in record["cases"] if case["case"] == "windows")
    assert bill == pytest.approx(total, abs=0.002)


def test_bad_input_exits_with_2_names_the_line_and_writes_nothing(
    fortnight: Path, tmp_path: Path
) -> None:
    site = changed(fortnight, tmp_path, "capacity_kwh: 10", "capacity_kwh: ten")
    out = tmp_path / "out"
    done = CliRunner().invoke(app, ["plan", str(site), "--out", str(out)])
    assert done.exit_code == 2
    assert re.search(r"scenario\.yaml:\d+:\d+ \(battery\.capacity_kwh\)", done.stderr)
    assert "'ten'" in done.stderr
    assert not out.exists()


def test_no_possible_plan_exits_with_3_names_the_step_and_writes_nothing(
    fortnight: Path, tmp_path: Path
) -> None:
    site = changed(fortnight, tmp_path, "import_limit_kw: 14", "import_limit_kw: 1.2")
    out = tmp_path / "out"
    done = CliRunner().invoke(app, ["plan", str(site), "--out", str(out)])
    assert done.exit_code == 3
    assert re.search(r"step 2026-01-\d\dT\d\d:00-05:00", done.stderr)
    assert "import limit of 1.2 kW" in done.stderr
    assert not out.exists()


def test_our_own_fault_exits_with_4(fortnight: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A plan whose money does not add up is not shown."""

    def disagree(*_arguments: object) -> None:
        raise DisagreementError("two sums differ", where="a test", mend="none")

    monkeypatch.setattr("optimizer.planning.plan._compare", disagree)
    done = CliRunner().invoke(app, ["plan", str(fortnight)])
    assert done.exit_code == 4


def test_what_the_program_never_foresaw_exits_with_4_and_shows_where(
    fortnight: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("optimizer.workflows.check.check", lambda _brief: 1 / 0)
    done = CliRunner().invoke(app, ["check", str(fortnight), "--json"])
    assert done.exit_code == 4
    assert "Traceback" in done.stderr
    record = json.loads(done.stdout)
    assert (record["code"], record["kind"]) == (4, "fault")
    assert "ZeroDivisionError" in record["what"]


def test_all_findings_of_a_file_are_told_as_data_with_their_places(
    fortnight: Path, tmp_path: Path
) -> None:
    site = changed(fortnight, tmp_path, "capacity_kwh: 10", "capacity_kwh: ten\n  colour: red")
    done = CliRunner().invoke(app, ["plan", str(site), "--json"])
    assert done.exit_code == 2
    record = json.loads(done.stdout)
    assert {tuple(each["place"]) for each in record["findings"]} == {
        ("battery", "capacity_kwh"), ("battery", "colour"),
    }  # fmt: skip
    text = (site / "scenario.yaml").read_text(encoding="utf-8").splitlines()
    for each in record["findings"]:
        assert each["file"] == str(site / "scenario.yaml")
        assert each["place"][-1] in text[each["line"] - 1]
        assert each["mend"]


def test_a_mistyped_command_is_told() -> None:
    done = CliRunner().invoke(app, ["paln"])
    assert done.exit_code == 64
    assert "plan" in done.output


def test_check_tells_size_and_oddities_of_a_short_forecast(fortnight: Path) -> None:
    done = CliRunner().invoke(app, ["check", str(fortnight)])
    assert done.exit_code == 0, done.output
    assert "14 days" in done.stdout


def test_bill_itemises_a_meter_file_as_by_hand(tmp_path: Path) -> None:
    """One day of 1 kWh an hour: 7 night and 17 day hours, 6 % on energy and standing charge."""
    rows = [f"2026-03-03T{hour:02d}:00,1.0,0.5" for hour in range(24)]
    meter = tmp_path / "meter.csv"
    meter.write_text("\n".join(["time,import_kwh,export_kwh", *rows]), encoding="utf-8")
    asked = ["bill", str(meter), "--tariff", "two_rates", "--zone", "America/New_York"]
    done = CliRunner().invoke(app, [*asked, "--json"])
    assert done.exit_code == 0, done.output
    expected = 1.06 * (7 * 0.12 + 17 * 0.34 + 0.42) - 12 * 0.05
    assert json.loads(done.stdout)["total"] == pytest.approx(expected, abs=1e-9)
    assert "Energy: night" in CliRunner().invoke(app, asked).stdout


def test_json_on_standard_output_is_nothing_but_json(fortnight: Path, tmp_path: Path) -> None:
    """In a process of its own, where the solver's greeting would show."""
    done = run_in_process(["plan", str(fortnight), "--json"], tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["scenario"] == "Two rates"
    assert "planning 336 steps" in done.stderr


@pytest.mark.parametrize("asked", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_or_a_request_to_end_stops_cleanly_and_writes_nothing(
    asked: signal.Signals, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", CALL, "plan", "--out", str(tmp_path / "out")]
    # A shell starts background work with interrupts ignored, and its children inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    work = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=tmp_path)
    assert work.stderr is not None
    for line in work.stderr:
        if "linear programming" in line:
            break
    time.sleep(0.5)
    work.send_signal(asked)
    rest = work.communicate(timeout=60)[1]
    assert work.returncode == 130, rest
    assert "interrupted" in rest
    assert "Traceback" not in rest
    assert not (tmp_path / "out").exists()


def test_help_does_not_load_the_solver(tmp_path: Path) -> None:
    code = "import sys; from optimizer.cli.app import app; print('pyomo' in sys.modules, 'numba' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["False", "False"]


def test_results_that_cannot_be_written_are_told(fortnight: Path, tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("a file where a folder should be", encoding="utf-8")
    done = CliRunner().invoke(app, ["plan", str(fortnight), "--out", str(taken)])
    assert done.exit_code == 2
    assert str(taken) in done.stderr


CALL = "from optimizer.cli.app import main; main()"


def run_in_process(arguments: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", CALL, *arguments], cwd=folder, capture_output=True, text=True,
        check=False, env=os.environ.copy(),
    )  # fmt: skip


def test_clock_times_in_written_settings_stand_in_quotes(planned: tuple[Path, str]) -> None:
    """Readers of YAML 1.1 take 16:00 without quotes for the number 960."""
    text = (planned[0] / "settings.yaml").read_text(encoding="utf-8")
    written = [line.partition("#")[0] for line in text.splitlines()]
    assert any('start: "' in line for line in written)
    assert not any(re.search(r"[^\"\d]\d\d:\d\d", line) for line in written)
