"""Commands that neither plan nor search answer without loading what only those need."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.billing.tariff import shipped_folder

DEMO = str(shipped_folder("scenarios") / "1_two_rates")
HEAVY = ["highspy", "pyomo", "numba", "scipy", "pandas", "optimizer.planning.plan"]

RUN_AND_TELL = f"""
import json, sys
from optimizer.cli.app import main
try:
    main()
except SystemExit as end:
    told = [end.code or 0, [name for name in {HEAVY} if name in sys.modules]]
print(json.dumps(told), file=sys.stderr)
"""


def code_and_loaded(arguments: list[str]) -> tuple[int, list[str]]:
    """Return a command's exit code, and which of the heavy modules it has loaded."""
    done = subprocess.run(
        [sys.executable, "-c", RUN_AND_TELL, *arguments],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    code, loaded = json.loads(done.stderr.splitlines()[-1])
    return code, loaded


@pytest.fixture(scope="module")
def meter(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A day of meter data."""
    rows = [f"2026-01-05T{hour:02d}:00:00+00:00,0.5,0.1" for hour in range(24)]
    path = tmp_path_factory.mktemp("meter") / "meter.csv"
    path.write_text("\n".join(["time,import_kwh,export_kwh", *rows]), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["plan", "--help"], ["check", DEMO],
                                   ["check", DEMO, "--json"], ["check", "two_rates"],
                                   ["forecast", DEMO], ["renew", "--help"]])  # fmt: skip
def test_help_and_checks_load_neither_solver_nor_search(words: list[str]) -> None:
    assert code_and_loaded(words) == (0, [])


@pytest.mark.parametrize("more", [[], ["--json"], ["--explain"]])
def test_a_bill_loads_neither_solver_nor_search(meter: str, more: list[str]) -> None:
    words = ["bill", meter, "--tariff", "two_rates", "--zone", "UTC", *more]
    assert code_and_loaded(words) == (0, [])


def test_reading_a_meter_loads_neither_solver_nor_search(meter: str, tmp_path: Path) -> None:
    words = ["read", meter, "--out", str(tmp_path / "tidy.csv")]
    assert code_and_loaded(words) == (0, ["pandas"])


def test_a_plan_of_tomorrow_does_without_tables_of_pandas(tmp_path: Path) -> None:
    """With all that it brings, pandas takes as much memory as the plan itself."""
    day = ["--first", "2026-06-01", "--days", "1", "--effort", "quick"]
    code, loaded = code_and_loaded(["plan", DEMO, *day, "--out", str(tmp_path)])
    assert code == 0
    assert "pandas" not in loaded


def test_a_replay_loads_the_solver() -> None:
    """The list above holds what is loaded where it is needed: the tests can fail."""
    missing = ["replay", DEMO, "--settings", "no_such_file.yaml"]
    code, loaded = code_and_loaded(missing)
    assert code == 2
    assert {"highspy", "numba", "optimizer.planning.plan"} <= set(loaded)
