"""Whoever is killed while results are written leaves the old or the new ones, and no left-overs."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer.base import files as writing
from optimizer.base.errors import InputError
from optimizer.base.files import write_all, write_file, writing_to

OLD = {"a.txt": "old", "b.txt": "old", "part/1_b.txt": "old"}
NEW = {"a.txt": "new", "c.txt": "new", "part/2_b.txt": "new"}
STALE = ("part/*_b.txt", "b.txt")
CALLS = {
    "open", "os.rename", "os.link", "os.mkdir", "os.rmdir", "os.remove", "os.listdir", "os.scandir",
    "ctypes.call_function",
}  # fmt: skip


def tree(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def killed_at(number: int, work: Callable[[], object]) -> bool:
    """Do some work in a process of its own that dies at its n-th call of the file system."""
    child = os.fork()
    if child == 0:
        count = 0

        def count_calls(event: str, _arguments: object) -> None:
            nonlocal count
            if event not in CALLS:
                return
            count += 1
            if count == number:
                os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(count_calls)
        try:
            work()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


@pytest.mark.parametrize("can_exchange", [True, False])
def test_a_kill_at_any_call_leaves_the_old_or_the_new_results(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, can_exchange: bool
) -> None:
    if not can_exchange:
        monkeypatch.setattr(writing, "MOST_OF_OTHERS", -1)
    seen, number, was_killed = set(), 0, True
    while was_killed:
        number += 1
        out = tmp_path / str(number) / "out"
        write_all(OLD, out)
        (out / "mine.txt").write_text("mine", encoding="utf-8")
        was_killed = killed_at(number, lambda out=out: write_all(NEW, out, STALE))
        if can_exchange:  # at once
            assert tree(out) in (OLD | {"mine.txt": "mine"}, NEW | {"mine.txt": "mine"})
        with writing_to(out):  # at the next start
            left = tree(out)
        assert left in (OLD | {"mine.txt": "mine"}, NEW | {"mine.txt": "mine"}), number
        assert [path.name for path in out.parent.iterdir()] == ["out"], number
        seen.add(left["a.txt"])
    assert seen == {"old", "new"}
    assert number > 15


def test_a_kill_while_a_file_is_written_leaves_the_old_or_the_new_one(tmp_path: Path) -> None:
    number, was_killed = 0, True
    while was_killed:
        number += 1
        path = tmp_path / str(number) / "file.txt"
        write_file("old", path)
        was_killed = killed_at(number, lambda path=path: write_file("new", path))
        assert path.read_text(encoding="utf-8") in {"old", "new"}
        write_file("x", path.with_name("other.txt"))
        assert {each.name for each in path.parent.iterdir()} == {"file.txt", "other.txt"}
    assert number > 3


def test_a_second_writer_is_told(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with writing_to(out):
        child = os.fork()
        if child == 0:
            writing._HELD.clear()
            try:
                write_all(NEW, out)
            except InputError as told:
                os._exit(7 if "another run is writing" in told.what else 1)
            os._exit(0)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
        write_all(OLD, out)
    assert tree(out) == OLD
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("out", ["file", "file/out", "a" * 300])
def test_a_folder_that_cannot_be_is_told_before_the_work(tmp_path: Path, out: str) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be written"), writing_to(tmp_path / out):
        pytest.fail("the work began")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_folders_made_for_work_that_fails_go_again(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), writing_to(tmp_path / "deep" / "deeper" / "out"):
        raise KeyboardInterrupt
    assert not list(tmp_path.iterdir())


def test_results_lie_where_one_stands_and_behind_a_link(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    write_all(OLD, tmp_path / "link")
    monkeypatch.chdir(tmp_path / "real")
    write_all(NEW, Path(), STALE)
    assert tree(tmp_path / "real") == NEW
    assert (tmp_path / "link").is_symlink()
