"""``verify``: results of a demo verify, and each planted fault is found and named where it lies."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from optimizer.planning import printed
from optimizer.report.verified import standing, with_standing, words_of
from tests.cli.test_formats import shortened

DIFFERS = 11
Change = Callable[[Path], None]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shortened("2_peak_demand", tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def results(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("results") / "out"
    done = CliRunner().invoke(app, ["plan", str(site), "--out", str(out), "--effort", "quick"])
    assert done.exit_code == 0, done.output
    return out


def verified(*words: str | Path) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(app, ["verify", *map(str, words), "--json"])
    return done.exit_code, json.loads(done.stdout)


def outcomes(record: dict[str, Any]) -> dict[str, str]:
    return {check["name"]: check["outcome"] for check in record["checks"]}


def test_results_of_a_demo_verify(results: Path, site: Path) -> None:
    code, record = verified(results, "--scenario", site)
    assert code == 0
    left = {name for name, outcome in outcomes(record).items() if outcome != "agrees"}
    assert left == {"rest of the page", "other figures"}
    assert record["verified"]
    assert record["first"] is None


def test_without_pyomo_the_rest_is_verified(results: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("optimizer.workflows.verify.has_pyomo", lambda: False)
    code, record = verified(results)
    assert code == 0
    left = {name for name, outcome in outcomes(record).items() if outcome == "not checked"}
    assert left == {
        "plan by the equations",
        "rest of the page",
        "other figures",
        "inputs of now",
    }
    told = {check["name"]: check["told"] for check in record["checks"]}
    assert "the extra 'verify'" in told["plan by the equations"]
    assert printed.has_pyomo()


def in_text(name: str, before: str, after: str) -> Change:
    def change(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert before in text
        (folder / name).write_text(text.replace(before, after, 1), encoding="utf-8")

    return change


def in_flows(column: str, step: int, by: float) -> Change:
    def change(folder: Path) -> None:
        path = folder / "flows.csv"
        table = pd.read_csv(path, dtype={"time": str})
        table.loc[step, column] += by
        table.to_csv(path, index=False)

    return change


def in_record(*place: Any, by: float) -> Change:
    def change(folder: Path) -> None:
        path = folder / "plan.json"
        record = json.loads(path.read_text(encoding="utf-8"))
        *inner, last = place
        node = record
        for part in inner:
            node = node[part]
        node[last] += by
        path.write_text(json.dumps(record), encoding="utf-8")

    return change


def a_window(folder: Path) -> None:
    """Let the first window begin half an hour, one step, later."""
    path = folder / "settings.yaml"
    lines = path.read_text(encoding="utf-8").split("\n")
    place = next(n for n, line in enumerate(lines) if "start:" in line and not line.startswith("#"))
    head, _, clock = lines[place].partition('"')
    minute = (60 * int(clock[:2]) + int(clock[3:5]) + 30) % 1440
    lines[place] = f'{head}"{minute // 60:02d}:{minute % 60:02d}"'
    path.write_text("\n".join(lines), encoding="utf-8")


FAULTS: dict[str, tuple[Change, str, str]] = {
    "a rate, 1 %": (in_text("tariff.yaml", "per_kwh: 0.075", "per_kwh: 0.07575"), "bill of plan",
                    "line 'Energy' of 2026-01"),
    "a window, one step": (a_window, "settings", "seasons[0]"),
    "an efficiency": (in_text("scenario_as_read.yaml", "efficiency_pct: 97", "efficiency_pct: 96"),
                      "limits of plan", "the level|the balance|import_kwh|charge"),
    "a demand interval": (in_text("tariff.yaml", "8.20\n        interval_minutes: 30", "8.20\n        interval_minutes: 60"),
                          "bill of plan", "line 'Winter peak demand' of 2026-01"),
    "a sign": (in_flows("plan_import_kwh", 5, -9.0), "limits of plan", "plan_import_kwh at 2026-01-01T02:30"),
    "an import replayed": (in_flows("windows_import_kwh", 40, 0.25), "limits of windows",
                           "windows_import_kwh at 2026-01-01T20:00"),
    "a level without windows": (in_flows("no_windows_stored_kwh", 40, 0.01), "limits of no_windows",
                                "no_windows_stored_kwh at 2026-01-01T20:00"),
    "a load": (in_flows("load_kwh", 40, 0.5), "limits of plan", "2026-01-01T20:00"),
    "a price": (in_flows("buy_per_kwh", 40, 0.5), "files", "flows.csv"),
    "a line of the bill": (in_record("bill_of_windows", "lines", 1, "amount", by=0.5), "bill of windows", "line "),
    "a total": (in_record("cases", 3, "bill", by=1.0), "bill of windows", "bill of windows"),
    "a saving": (in_record("saved", by=1.0), "sums", "saved"),
    "an energy": (in_record("cases", 0, "import_kwh", by=1.0), "sums", "import_kwh of neither"),
    "an objective": (in_record("status", "objective", by=-1.0), "objective and bill", "status"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found_and_named(fault: str, results: Path, tmp_path: Path) -> None:
    assert_named(*FAULTS[fault], Path(shutil.copytree(results, tmp_path / "out")))


def assert_named(change: Change, check: str, place: str, folder: Path) -> None:
    """Change results and hold that the check names the place; ``place`` may be one of several words."""
    change(folder)
    code, record = verified(folder)
    assert code == DIFFERS
    assert not record["verified"]
    assert record["first"].startswith(f"{check}: "), record["first"]
    assert any(words in record["first"] for words in place.split("|")), record["first"]


@pytest.mark.parametrize(
    ("name", "words"),
    [(name, "is missing") for name in
     ("plan.json", "flows.csv", "settings.yaml", "tariff.yaml", "scenario_as_read.yaml")],
)  # fmt: skip
def test_a_missing_file_is_told(name: str, words: str, results: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    (folder / name).unlink()
    code, record = verified(folder)
    assert code == 2
    assert f"{name} {words}" in record["what"]


@pytest.mark.parametrize(("name", "content", "words"), [
    ("plan.json", "{", "no JSON"),
    ("plan.json", "[]", "not the record"),
    ("plan.json", '{"format": "tariffwright plan"}', "no manifest"),
    ("plan.json", '{"format": "tariffwright plan", "manifest": {}}', "scenario"),
    ("flows.csv", "time,load_kwh\n2026-01-01T00:00-05:00,1\n", "'pv_kwh' is missing"),
])  # fmt: skip
def test_a_damaged_file_is_told(
    name: str, content: str, words: str, results: Path, tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    (folder / name).write_text(content, encoding="utf-8")
    code, record = verified(folder)
    assert code == 2
    assert words in record["what"]


def test_a_changed_scenario_is_said_and_the_results_still_verify(
    results: Path, site: Path, tmp_path: Path
) -> None:
    now = Path(shutil.copytree(site, tmp_path / "site"))
    in_text("forecast.csv", "0.3", "0.4")(now)
    code, record = verified(results, "--scenario", now)
    assert code == 0
    told = {check["name"]: check["told"] for check in record["checks"]}
    assert "no longer what was planned with: forecast.csv" in told["inputs of now"]


def test_the_same_inputs_give_the_same_manifest(results: Path, site: Path, tmp_path: Path) -> None:
    CliRunner().invoke(app, ["plan", str(site), "--out", str(tmp_path / "b"), "--effort", "quick"])
    one, other = (
        json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        for folder in (results, tmp_path / "b")
    )
    for record in (one, other):
        del record["status"]["solve_seconds"]
    assert one == other


def last_line(folder: Path) -> str:
    *_, line = (folder / "report.html").read_text(encoding="utf-8").partition('<p id="verified">')
    return line.partition("</p>")[0]


def test_the_last_line_of_the_report_tells_of_it(results: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    for old in ("verification.json", "report.html"):  # as plan left it
        (folder / old).unlink(missing_ok=True)
    before = with_standing((results / "report.html").read_text(encoding="utf-8"), folder)
    (folder / "report.html").write_text(before, encoding="utf-8")
    assert last_line(folder).startswith("Not verified yet")
    _, record = verified(folder)
    after = (folder / "report.html").read_text(encoding="utf-8")
    changed = [
        pair
        for pair in zip(before.split("\n"), after.split("\n"), strict=True)
        if pair[0] != pair[1]
    ]
    assert len(changed) == 1
    line = last_line(folder)
    assert line.startswith(f"Verified on {record['at'][:10]} ")
    assert f"by tariffwright {record['program']['version']}." in line
    assert "replay of windows (6 digits)" in line
    assert "Not checked: rest of the page, other figures, inputs of now." in line
    listed = sorted(record["files_sha256"])
    assert {"plan.json", "flows.csv", "settings.yaml", "tariff.yaml", "report.html"} <= {*listed}
    lines = "".join(f"{record['files_sha256'][name]}  {name}\n" for name in listed)
    assert hashlib.sha256(lines.encode()).hexdigest() in line
    assert json.loads((folder / "verification.json").read_text(encoding="utf-8")) == record
    assert standing(folder) == words_of(record)


@pytest.mark.parametrize("name", ["flows.csv", "plan.json", "tariff.yaml", "report.html"])
def test_a_file_changed_later_is_not_verified_any_more(
    name: str, results: Path, tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    verified(folder)
    assert standing(folder).startswith("Verified on")
    with (folder / name).open("a", encoding="utf-8") as file:
        file.write("\n")
    assert standing(folder).startswith("Not verified any more: changed since ")
    assert name in standing(folder)
    shown = with_standing((folder / "report.html").read_text(encoding="utf-8"), folder)
    assert '<p id="verified">Not verified any more' in shown
    (folder / name).unlink()
    assert name in standing(folder)


def test_what_differs_stands_in_the_last_line(results: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    in_record("saved", by=1.0)(folder)
    verified(folder)
    assert last_line(folder).startswith("NOT verified, on ")
    assert "First: sums: " in last_line(folder)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"files_sha256": 3}', '{"files_sha256": {}}'])
def test_a_damaged_verification_counts_for_nothing(text: str, tmp_path: Path) -> None:
    (tmp_path / "verification.json").write_text(text, encoding="utf-8")
    assert standing(tmp_path).startswith("Not verified: verification.json is damaged")


def test_a_new_plan_is_not_verified(results: Path, site: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results, tmp_path / "out"))
    verified(folder)
    words = ["replay", str(site), "--settings", str(folder / "settings.yaml"), "--out", str(folder)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert not (folder / "verification.json").exists()
    assert last_line(folder).startswith("Not verified yet")
