"""Standard output that is full, closed or knows few signs ends in no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.billing.tariff import shipped_folder

TARIFF = str(shipped_folder("tariffs") / "two_rates.yaml")
CALL = "import sys; from optimizer.cli.app import main; sys.exit(main())"


def run(command: list[str], shell_end: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own, with something behind it."""
    words = ["sh", "-c", f'"$@" {shell_end}', "sh", sys.executable, "-c", CALL, *command]
    return subprocess.run(
        words, capture_output=True, text=True, env=os.environ | environment, check=False
    )


def test_a_full_output_is_told_with_its_exit_code() -> None:
    done = run(["check", TARIFF], ">/dev/full")
    assert done.returncode == 2
    assert "standard output cannot be written: No space left" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


@pytest.mark.sweep(every=2)
@pytest.mark.parametrize("end", ["2>&1 >&-", "2>/dev/full", "2>&-", ">&- 2>&-"])
def test_closed_streams_change_no_exit_code(end: str) -> None:
    done = run(["check", TARIFF], end)
    assert done.returncode == 0, done
    assert "Traceback" not in done.stdout + done.stderr
    assert run(["check", "nowhere"], end).returncode == 2


def test_errors_stay_out_of_the_output_where_nobody_hears_them() -> None:
    assert run(["check", "nowhere"], "2>&-").stdout == ""
    told = run(["check", "nowhere", "--json"], "2>&-").stdout
    assert json.loads(told)["format"] == "tariffwright error"


def test_a_reader_that_has_read_enough_changes_no_exit_code() -> None:
    done = run(["check", TARIFF], "| (exec <&-; sleep 2)", PYTHONUNBUFFERED="1")
    assert "Traceback" not in done.stderr
    assert "Broken pipe" not in done.stderr


@pytest.mark.sweep(every=2)
@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_of_few_signs_is_told_in_those(tmp_path: Path, encoding: str) -> None:
    tariff = tmp_path / "odd.yaml"
    tariff.write_text("tariff: 5 × 3 – Ω\nversions: []\n", encoding="utf-8")
    done = run(["check", str(tariff)], "", PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    told = run(["check", "--json", TARIFF], "", PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    assert told.returncode == 0
    json.loads(told.stdout)
