"""Compiled code is kept in the user's cache folder, by version, and its lack stops nothing."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import time
import zlib
from pathlib import Path

import pytest
from numba import config

from optimizer.simulation import compiled_code
from optimizer.simulation.compiled_code import UNUSED_DAYS, keep_compiled_code

WHERE = """
from numba import config
from optimizer.simulation.replay_kernel import step_through
print(config.CACHE_DIR, step_through.stats.cache_path)
"""


@pytest.fixture(autouse=True)
def own_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Begin with no folder given, and let what numba is told be undone."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(config, "CACHE_DIR", "")


def test_code_is_kept_in_the_users_cache_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folder = keep_compiled_code()
    assert folder.parent == tmp_path / "tariffwright"
    assert folder.is_dir()
    assert str(folder) == config.CACHE_DIR
    assert "NUMBA_CACHE_DIR" not in os.environ
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    at_home = keep_compiled_code()
    assert at_home == tmp_path / "home" / ".cache" / "tariffwright" / folder.name


def test_a_folder_that_is_given_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "given"))
    assert keep_compiled_code() == tmp_path / "given"
    assert not (tmp_path / "given").exists()


def test_each_version_has_a_place_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another constant, or another kernel, is another version."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    found = []
    for file, constant in (("a", 1.0), ("a", 2.0), ("b", 1.0), ("a", 1.0), ("c", 1.0)):
        room = tmp_path / file / "room"
        monkeypatch.setattr(compiled_code, "__file__", str(room / "compiled_code.py"))
        room.mkdir(parents=True, exist_ok=True)
        name = "step.py" if file == "c" else "some_kernel.py"
        (room / name).write_text(file, encoding="utf-8")
        found.append(keep_compiled_code(constant))
    assert len(set(found)) == 4
    assert found[3] == found[0]


def test_code_of_versions_long_unused_is_thrown_away_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    home, other = tmp_path / "tariffwright", tmp_path / "other program"
    used = keep_compiled_code()
    for name, days in (("old", UNUSED_DAYS + 1), ("recent", UNUSED_DAYS - 1)):
        (home / name / "code").mkdir(parents=True)
        os.utime(home / name, (time.time() - days * 86_400,) * 2)
    other.mkdir()
    os.utime(other, (0, 0))
    os.utime(used, (0, 0))
    assert keep_compiled_code() == used
    assert {path.name for path in home.iterdir()} == {used.name, "recent"}
    assert other.is_dir()
    assert time.time() - used.stat().st_mtime < 3600


@pytest.mark.parametrize("trouble", ["the cache is a file", "home is a file"])
def test_without_a_cache_folder_code_is_compiled_into_one_that_goes_with_the_process(
    trouble: str, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    home = tmp_path / "file"
    kept = {k: v for k, v in os.environ.items() if k not in {"XDG_CACHE_HOME", "NUMBA_CACHE_DIR"}}
    done = subprocess.run(
        [sys.executable, "-c", WHERE], check=True, capture_output=True, text=True,
        env=kept | ({"XDG_CACHE_HOME": str(home)} if trouble == "the cache is a file" else {"HOME": str(home)})
        | {"PYTHONPATH": ".", "TMPDIR": str(tmp_path)},
    )  # fmt: skip
    folder, code = done.stdout.split()
    assert Path(folder).parent == tmp_path
    assert code.startswith(folder)
    assert not Path(folder).exists()


RUN = """
import numpy as np
from optimizer.simulation.step import is_resting
from optimizer.simulation.replay_kernel import step_through
from optimizer.simulation.replay import replay
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import no_windows
from tests.laws.cases import AC_PLANT, grid_of
hours = Horizon(AC_PLANT, grid_of(24), np.full(24, 0.5), np.full(24, 0.7), 3.0)
run = replay(hours, no_windows(10.0))
print(repr(run.stored_kwh.tolist()))
"""


@pytest.mark.long
def test_damaged_files_are_compiled_anew_with_the_same_result(tmp_path: Path) -> None:
    """Cut short, emptied, or with a byte changed: numba alone ends in a traceback, or worse."""
    kept = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}

    def told() -> str:
        done = subprocess.run(
            [sys.executable, "-c", RUN], capture_output=True, text=True, check=False,
            env=kept | {"XDG_CACHE_HOME": str(tmp_path), "PYTHONPATH": "."},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    expected = told()
    indices, code = sorted(tmp_path.rglob("*.nbi")), sorted(tmp_path.rglob("*.nbc"))
    assert indices
    assert code
    indices[0].write_bytes(indices[0].read_bytes()[:-20])
    code[0].write_bytes(code[0].read_bytes()[:1000])
    assert told() == expected
    for path in sorted(tmp_path.rglob("*.nbc")):
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 0xFF
        path.write_bytes(content)
    for path in sorted(tmp_path.rglob("*.nbi")):
        path.write_bytes(b"")
    assert told() == expected


def test_only_what_is_damaged_is_thrown_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files that no sum is known of stay if they are whole; without sums they are looked at alone."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folder = keep_compiled_code() / "kernel_1"
    folder.mkdir()
    whole = pickle.dumps("0.61") + pickle.dumps({"key": "x" * 500})
    contents = {
        "known.nbi": whole, "changed.nbi": whole, "new.nbc": whole, "short.nbc": whole[:-30],
        "cut in two.nbc": whole[: len(pickle.dumps("0.61")) - 1], "empty.nbi": b"",
    }  # fmt: skip
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    sums = {f"kernel_1/{name}": zlib.crc32(whole) for name in ("known.nbi", "changed.nbi")}
    (folder.parent / "sums.json").write_text(json.dumps(sums), encoding="utf-8")
    (folder / "changed.nbi").write_bytes(whole.replace(b"x", b"y", 1))
    keep_compiled_code()
    assert {path.name for path in folder.iterdir()} == {"known.nbi", "new.nbc"}
    (folder.parent / "sums.json").write_text("[]", encoding="utf-8")
    keep_compiled_code()
    assert {path.name for path in folder.iterdir()} == {"known.nbi", "new.nbc"}
