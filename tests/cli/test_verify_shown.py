"""``verify`` of what people read: the page of a plan, other sizes, and what is said not to be recomputed."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from tests.cli.test_formats import shortened
from tests.cli.test_verify import Change, assert_named, in_record, in_text, verified


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site, out = shortened("2_peak_demand", tmp_path_factory.mktemp("site")), "out"
    folder = tmp_path_factory.mktemp("results") / out
    done = CliRunner().invoke(app, ["plan", str(site), "--out", str(folder), "--effort", "quick"])
    assert done.exit_code == 0, done.output
    return folder


def a_cell(folder: Path) -> None:
    """Show a bill of our windows that is one unit of its last digit higher."""
    page = (folder / "report.html").read_text(encoding="utf-8")
    found = re.search(
        r'<th scope="row">battery, our windows</th>\s*<td class="n">([\d.]+)</td>', page
    )
    assert found is not None
    cell = f"{float(found[1]) + 0.01:.2f}"
    changed = page[: found.start(1)] + cell + page[found.end(1) :]
    (folder / "report.html").write_text(changed, encoding="utf-8")


def a_time(folder: Path) -> None:
    """Let the first entry on the sheet begin half an hour later."""
    page = (folder / "report.html").read_text(encoding="utf-8")
    found = re.search(r'<td class="start"[^>]*><strong>(\d\d):(\d\d)</strong>', page)
    assert found is not None
    minute = (60 * int(found[1]) + int(found[2]) + 30) % 1440
    later = f"{minute // 60:02d}:{minute % 60:02d}"
    changed = page[: found.start(1)] + later + page[found.end(2) :]
    (folder / "report.html").write_text(changed, encoding="utf-8")


def another_size(folder: Path) -> None:
    path = folder / "settings_by_size" / "1_windows.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"until_pct: \d+", "until_pct: 51", text, count=1), encoding="utf-8")


FAULTS: dict[str, tuple[Change, str, str]] = {
    "a figure of the page": (a_cell, "table of the page", "bill of 'battery, our windows'"),
    "a case of the page": (in_text("report.html", '<th scope="row">battery, our windows</th>', '<th scope="row">mine</th>'),
                           "table of the page", "there is no row"),
    "a time on the sheet": (a_time, "times on the sheet", "report.html"),
    "another size": (another_size, "settings by size", "1_windows.yaml"),
    "what is handed out": (in_record("curve", 2, "settings", "seasons", 0, "months", 0, by=1), "settings by size", "2_windows.yaml"),
    "a charge's sum": (in_record("bill_of_windows", "by_charge", "Energy", by=0.5), "bill of windows", "by_charge of 'Energy'"),
    "a month's sum": (in_record("bill_of_plan", "by_period", "2026-01", by=0.5), "bill of plan", "by_period of '2026-01'"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found_and_named(fault: str, results: Path, tmp_path: Path) -> None:
    assert_named(*FAULTS[fault], Path(shutil.copytree(results, tmp_path / "out")))


def test_what_is_not_recomputed_is_said(results: Path, tmp_path: Path) -> None:
    code, record = verified(Path(shutil.copytree(results, tmp_path / "out")))
    assert code == 0, record["first"]
    told = {
        check["name"]: check["told"]
        for check in record["checks"]
        if check["outcome"] == "not checked"
    }
    assert {"rest of the page", "other figures", "inputs of now"} == told.keys()
    for words in ("outages", "what other years save", "reminders.ics"):
        assert words in told["other figures"]
