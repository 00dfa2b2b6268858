"""Compiled code is kept in the user's cache folder, by version, and its lack stops nothing."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from optimizer.settings import compiled_code
from optimizer.settings.compiled_code import UNUSED_DAYS, keep_compiled_code

WHERE = """
import os
from optimizer.settings.kernel import step_through
print(os.environ["NUMBA_CACHE_DIR"], step_through.stats.cache_path)
"""


@pytest.fixture(autouse=True)
def own_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let what a test sets in the environment be undone, and begin with no folder given."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", "")
    monkeypatch.delenv("NUMBA_CACHE_DIR")


def test_code_is_kept_in_the_users_cache_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folder = keep_compiled_code()
    assert folder.parent == tmp_path / "tariffwright"
    assert folder.is_dir()
    assert os.environ["NUMBA_CACHE_DIR"] == str(folder)
    monkeypatch.delenv("NUMBA_CACHE_DIR")
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
    for file, constant in (("a", 1.0), ("a", 2.0), ("b", 1.0), ("a", 1.0)):
        monkeypatch.setattr(compiled_code, "__file__", str(tmp_path / file / "compiled_code.py"))
        (tmp_path / file).mkdir(exist_ok=True)
        (tmp_path / file / "some_kernel.py").write_text(file, encoding="utf-8")
        monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
        found.append(keep_compiled_code(constant))
    assert len(set(found)) == 3
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
    monkeypatch.delenv("NUMBA_CACHE_DIR")
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
