"""Writes texts as files: whole, or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from optimizer.errors import InputError


def write_all(texts: Mapping[str, str], folder: Path, stale: Sequence[str] = ()) -> None:
    """Write all texts aside first, then move them in; on trouble leave all as it was.

    Parameters
    ----------
    texts : mapping of str to str
        Texts by name; a name can stand in a folder, as ``part/name``.
    folder : Path
        Where they belong; it is made if need be.
    stale : sequence of str
        Patterns of names that an earlier run may have left; what is not written now is removed.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    except OSError as failure:
        raise InputError(
            f"the folder cannot be written: {failure.strerror}",
            where=str(folder),
            mend="Choose a folder with --out in which you may write.",
        ) from None
    try:
        for name, text in texts.items():
            _place(aside / "new", name).write_text(text, encoding="utf-8")
        old = dict.fromkeys(texts) | {
            str(path.relative_to(folder)): None
            for pattern in stale
            for path in folder.glob(pattern)
        }
        with _all_or_none() as move:
            for name in old:
                if (folder / name).is_file():
                    move(folder / name, _place(aside / "old", name))
            for name in texts:
                move(aside / "new" / name, _place(folder, name))
    except OSError as failure:
        raise InputError(
            f"the results cannot be written: {failure.strerror}",
            where=str(folder),
            mend="Check free space and permissions.",
        ) from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(aside)
        for part in {Path(name).parent for name in (*texts, *stale)} - {Path()}:
            with contextlib.suppress(OSError):
                (folder / part).rmdir()  # goes only if nothing is left in it


def _place(folder: Path, name: str) -> Path:
    """Return where a name lies in a folder, with the folders above it made."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


@contextmanager
def _all_or_none() -> Iterator[Callable[[Path, Path], None]]:
    """Give a function that moves a file; on trouble all that it moved goes back, the last first."""
    moved: list[tuple[Path, Path]] = []

    def move(origin: Path, goal: Path) -> None:
        os.replace(origin, goal)  # noqa: PTH105 - replaces on every system
        moved.append((origin, goal))

    try:
        yield move
    except BaseException:
        for origin, goal in reversed(moved):
            os.replace(goal, origin)  # noqa: PTH105
        raise


def write_file(content: str | bytes, path: Path) -> Path:
    """Write one text, or bytes, beside its place first, then move it in; on trouble leave nothing.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    aside = path.with_name(f".unfinished-{os.getpid()}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.write_bytes(content.encode() if isinstance(content, str) else content)
        os.replace(aside, path)  # noqa: PTH105 - replaces on every system
    except OSError as failure:
        raise InputError(
            f"the file cannot be written: {failure.strerror}",
            where=str(path),
            mend="Choose a file with --out that you may write.",
        ) from None
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
    return path
