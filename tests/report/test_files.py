"""Results are written whole or not at all, and nothing of an earlier run stays among them."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import InputError
from optimizer.base.files import write_all

STALE = ("part/*_b.txt",)


def tree(folder: Path) -> dict[str, str]:
    """Return all files below a folder by name, and empty folders."""
    return {
        str(path.relative_to(folder)): path.read_text(encoding="utf-8") if path.is_file() else ""
        for path in folder.rglob("*")
        if path.is_file() or not any(path.iterdir())
    }


def test_texts_land_in_their_folders_and_replace_what_was_there(tmp_path: Path) -> None:
    write_all({"a.txt": "old"}, tmp_path)
    texts = {"a.txt": "new", "part/1_b.txt": "one"}
    write_all(texts, tmp_path)
    assert tree(tmp_path) == texts


def test_what_an_earlier_run_left_goes_and_what_others_put_there_stays(tmp_path: Path) -> None:
    write_all({"a.txt": "a", "part/1_b.txt": "one", "part/2_b.txt": "two"}, tmp_path)
    (tmp_path / "part" / "mine.txt").write_text("mine", encoding="utf-8")
    write_all({"a.txt": "a", "part/1_b.txt": "uno"}, tmp_path, STALE)
    assert tree(tmp_path) == {"a.txt": "a", "part/1_b.txt": "uno", "part/mine.txt": "mine"}


def test_a_folder_in_which_nothing_is_left_goes_too(tmp_path: Path) -> None:
    write_all({"a.txt": "a", "part/1_b.txt": "one"}, tmp_path)
    write_all({"a.txt": "b"}, tmp_path, STALE)
    assert tree(tmp_path) == {"a.txt": "b"}


@pytest.mark.parametrize("place", ["z.txt", "part"])
def test_on_trouble_all_is_as_it_was(tmp_path: Path, place: str) -> None:
    """A folder stands where a file belongs, or a file where a folder does; it is met last."""
    write_all({"a.txt": "old", "part/1_b.txt": "old"}, tmp_path)
    taken = {"a.txt": "new", f"{place}/c.txt": "new"}
    if place == "part":
        taken = {"a.txt": "new", "part": "new"}
    else:
        (tmp_path / place).write_text("in the way", encoding="utf-8")
    before = tree(tmp_path)
    with pytest.raises(InputError, match="cannot be written"):
        write_all(taken, tmp_path, STALE)
    assert tree(tmp_path) == before
