"""Writes results: whole or not at all, in one step, one writer at a time.

A folder of results is put together beside its place, with the user's own files of it as links, and
then exchanged for the one that was there: whoever is killed leaves the results of before or the new
ones. What a killed writer leaves lies in a folder ``.unfinished-NAME``, which the next writer clears.

Some folders cannot be exchanged: where a process stands in, what is mounted, what holds many other
files, and where the system knows no exchange. There, all texts lie inside first, with a list of the
moves to make; what a killed writer has not moved, the next command on this folder moves.

This holds against killed processes, not against power failures: nothing waits for the disk.

Results are exchanged as a folder (one call of the system), so that no kill leaves a mixture;
other files of the folder are taken over as links. Where that cannot be (a process stands in it, a
mount, more than 500 other files), a list of moves lies inside first, and the next writer finishes
it. Nothing waits for the disk: a power failure may lose results.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from optimizer.base.errors import InputError

try:
    import fcntl
except ImportError:  # not on this system
    fcntl = None  # type: ignore[assignment]

ASIDE = ".unfinished-"
"""How the names of what is not yet in its place begin."""

NEW, NAMES, MOVES = "new", "names.json", "moves.json"
"""In a folder aside: the new folder, the names of results and of others, the moves to make."""

INSIDE = f"{ASIDE}moves"
"""Name of the folder aside that lies inside its place."""

MOST_OF_OTHERS = 500
"""A folder with more files than these that are no results is not put together anew."""

_HELD: dict[Path, Path] = {}
"""Folders that this process writes, and what lies aside for each."""


@contextmanager
def writing_to(folder: Path | None) -> Iterator[None]:
    """Keep a folder of results for this process, before the work begins; clear what a kill left.

    Parameters
    ----------
    folder : Path, optional
        Where results will belong; without one, nothing is kept.

    Raises
    ------
    InputError
        If it cannot be written, or somebody else writes there now.
    """
    if folder is None or (place := _real(folder)) in _HELD:
        yield
        return
    made = _made_above(place)
    try:
        with _told(place, "Choose a folder with --out in which you may write."):
            aside, lock = _aside_of(place)
        _HELD[place] = aside
        try:
            with _told(place, "Check free space and permissions."):
                _settle(place, aside)
                _clear_others(place)
            yield
        finally:
            del _HELD[place]
            with suppress(OSError):
                _settle(place, aside)
                aside.rmdir()
            os.close(lock)
    finally:
        for parent in reversed(made):
            with suppress(OSError):
                parent.rmdir()  # goes only if nothing was written


def write_all(texts: Mapping[str, str | bytes], folder: Path, stale: Sequence[str] = ()) -> None:
    """Write all texts, or bytes, in one step; on trouble leave all as it was.

    Parameters
    ----------
    texts : mapping of str to str or bytes
        Texts by name; a name can stand in a folder, as ``part/name``.
    folder : Path
        Where they belong; it is made if need be.
    stale : sequence of str
        Patterns of names that an earlier run may have left; what is not written now is removed.

    Raises
    ------
    InputError
        If they cannot be written, or somebody else writes there now.
    """
    with writing_to(folder), _told(folder, "Check free space and permissions."):
        place = _real(folder)
        aside = _HELD[place]
        old = {path.relative_to(place) for pattern in stale for path in place.glob(pattern)}
        _refuse_what_is_in_the_way(place, [Path(name) for name in texts])
        gone = {name for name in old if str(name) not in texts}
        try:
            if not _put_together(texts, place, aside, gone):
                _move_in(texts, place, gone)
        finally:
            _settle(place, aside)


def write_file(content: str | bytes, path: Path) -> Path:
    """Write one text, or bytes, beside its place first, then move it in; on trouble leave nothing.

    A device or a pipe is written straight.

    Raises
    ------
    InputError
        If the file cannot be written, or somebody else writes it now.
    """
    data = _bytes(content)
    with _told(path, "Choose a file with --out that you may write."):
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():
            path.write_bytes(data)
            return path
        place = _real(path)
        aside = place.with_name(f"{ASIDE}{place.name}")
        _clear_others(place.parent)
        lock = _locked(aside, os.O_RDWR | os.O_CREAT)
        try:
            aside.write_bytes(data)
            os.replace(aside, place)  # noqa: PTH105 - replaces on every system
        finally:
            with suppress(OSError):
                aside.unlink(missing_ok=True)
            os.close(lock)
    return path


def _bytes(content: str | bytes) -> bytes:
    return content.encode() if isinstance(content, str) else content


def refuse_unwritable_file(path: Path) -> None:
    """Refuse a file that cannot be written, before the work.

    Raises
    ------
    InputError
        If a folder stands there, or the nearest folder above it cannot be written.
    """
    with _told(path, "Choose a file with --out that you may write."):
        if path.is_dir():
            raise OSError(errno.EISDIR, os.strerror(errno.EISDIR))
        if path.exists() and not path.is_file():
            return
        above = next(parent for parent in _real(path).parents if parent.exists())
        if not above.is_dir():
            raise OSError(errno.ENOTDIR, f"{above} is no folder")
        if not os.access(above, os.W_OK | os.X_OK):
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))


def _real(path: Path) -> Path:
    with _told(path, "Give another name with --out."):
        return Path(os.path.realpath(path))


@contextmanager
def _told(place: Path, mend: str) -> Iterator[None]:
    """Tell what the system refuses in words."""
    try:
        yield
    except BlockingIOError:
        raise InputError(
            "another run is writing its results here",
            where=place,
            mend="Wait until it is done, or name another place with --out.",
        ) from None
    except (OSError, ValueError) as failure:  # a name that no system takes is a ValueError
        told = failure.strerror if isinstance(failure, OSError) else failure
        raise InputError(f"the results cannot be written: {told}", where=place, mend=mend) from None


def _made_above(place: Path) -> list[Path]:
    """Make the folders above a place; return those that were not there, the uppermost first."""
    with _told(place, "Choose a folder with --out in which you may write."):
        if place.exists() and not place.is_dir():
            raise OSError(errno.ENOTDIR, "a file stands there")
        if place.exists() and not os.access(place, os.W_OK | os.X_OK):
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        missing = [parent for parent in place.parents if not parent.exists()]
        place.parent.mkdir(parents=True, exist_ok=True)
    return list(reversed(missing))


def _aside_of(place: Path) -> tuple[Path, int]:
    """Return a locked folder for what is not yet in its place: beside it, or else inside."""
    _clear_others(place.parent, but=place)
    for aside in (place.parent / f"{ASIDE}{place.name}", place / f"{ASIDE}lock"):
        try:
            return aside, _locked_folder(aside)
        except BlockingIOError:
            raise
        except OSError as failure:
            refused = failure
    raise refused


def _locked_folder(path: Path) -> int:
    while True:
        path.mkdir(exist_ok=True)
        with suppress(FileNotFoundError):  # whoever had it has just let it go
            return _locked(path, os.O_RDONLY)


def lock(handle: int) -> None:
    """Take an open file for this process alone, where the system can.

    Raises
    ------
    BlockingIOError
        If another process holds it.
    """
    if fcntl is not None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _locked(path: Path, flags: int) -> int:
    """Open and lock what lies at a path, for as long as it is open.

    Raises
    ------
    BlockingIOError
        If another process holds it; not told where the system cannot lock.
    """
    while True:
        handle = os.open(path if fcntl else os.devnull, flags, 0o666)
        try:
            lock(handle)
            if fcntl is None:
                return handle
            if os.fstat(handle).st_ino == path.stat().st_ino:  # else it was moved meanwhile
                return handle
        except FileNotFoundError:
            if not flags & os.O_CREAT:
                os.close(handle)
                raise
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _clear_others(parent: Path, but: Path | None = None) -> None:
    """Clear what killed writers left beside other places of a folder."""
    for aside in parent.glob(f"{ASIDE}*"):
        place = parent / aside.name.removeprefix(ASIDE)
        if place == but or aside.name == INSIDE:
            continue
        with suppress(OSError):  # somebody holds it, or it is not ours to clear
            lock = _locked(aside, os.O_RDONLY)
            try:
                if aside.is_file():
                    aside.unlink()
                else:
                    _settle(place, aside)
                    aside.rmdir()
            finally:
                os.close(lock)


def _settle(place: Path, aside: Path) -> None:
    """Bring a place and what lies aside for it to a good end, wherever a writer was stopped."""
    _clear(place, aside)
    _finish_moves(place)


def _refuse_what_is_in_the_way(place: Path, names: Sequence[Path]) -> None:
    for name in names:
        if (place / name).is_dir() or name in {
            parent for other in names for parent in other.parents
        }:
            raise OSError(errno.EISDIR, f"a folder stands in the place of {name}")
        for above in name.parents[:-1]:
            if (place / above).exists() and not (place / above).is_dir():
                raise OSError(errno.ENOTDIR, f"a file stands in the place of {above}")


# The folder put together anew and exchanged ---------------------------------------------------


def _put_together(
    texts: Mapping[str, str | bytes], place: Path, aside: Path, gone: set[Path]
) -> bool:
    """Put the folder together beside its place and exchange it; tell whether that could be done."""
    results = {Path(name) for name in texts} | gone
    others, new = _others(place, results), aside / NEW
    if others is None or aside.parent != place.parent:
        return False
    try:
        if Path.cwd().is_relative_to(place):
            return False
        names = [sorted(map(str, results)), sorted(map(str, others))]
        (aside / NAMES).write_text(json.dumps(names), encoding="utf-8")
        new.mkdir()
        _set_rights(new, place)
        for name in others:  # folders before what lies in them
            _take_over(place / name, new / name)
        for result, text in texts.items():
            _place(new, result).write_bytes(_bytes(text))
        if place.exists():
            _exchange(new, place)
        else:
            new.rename(place)
    except OSError as failure:
        if failure.errno == errno.ENOSPC:
            raise
        return False
    return True


def _others(place: Path, results: set[Path]) -> list[Path] | None:
    """Return the files, links and folders that are no results; None if there are too many, or odd ones."""
    found: list[Path] = []
    for root, folders, files in os.walk(place):
        inside = Path(root).relative_to(place)
        found += [inside / name for name in (*folders, *files) if inside / name not in results]
        if len(found) > MOST_OF_OTHERS or any(_is_odd(place / name) for name in found):
            return None
    above = {parent for name in results for parent in name.parents}
    return [name for name in found if name not in above or _has_other(name, found, above)]


def _is_odd(path: Path) -> bool:
    return path.is_mount() or not (path.is_symlink() or path.is_file() or path.is_dir())


def _has_other(folder: Path, found: Sequence[Path], above: set[Path]) -> bool:
    """Tell whether something that is no result lies in a folder of results."""
    return any(folder in name.parents and name not in above for name in found)


def _take_over(old: Path, new: Path) -> None:
    if old.is_symlink():
        new.symlink_to(os.readlink(old))  # noqa: PTH115 - as it is written
    elif old.is_dir():
        new.mkdir(exist_ok=True)
        _set_rights(new, old)
    else:
        os.link(old, new)


def _set_rights(new: Path, old: Path) -> None:
    """Give what is new the rights of what it takes the place of; refuse what belongs to others."""
    if old.exists():
        shutil.copymode(old, new)
        if (old.stat().st_uid, old.stat().st_gid) != (new.stat().st_uid, new.stat().st_gid):
            os.chown(new, old.stat().st_uid, old.stat().st_gid)


def _exchange(one: Path, other: Path) -> None:
    """Exchange two folders in one step.

    Raises
    ------
    OSError
        If the system cannot.
    """
    names = os.fsencode(one), os.fsencode(other)
    libc: Any = ctypes.CDLL(None, use_errno=True) if os.name == "posix" else None
    if sys.platform == "linux" and hasattr(libc, "renameat2"):
        here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE of <fcntl.h>, <linux/fs.h>
        failed = libc.renameat2(here, names[0], here, names[1], exchange)
    elif sys.platform == "darwin" and hasattr(libc, "renamex_np"):
        failed = libc.renamex_np(*names, 2)  # RENAME_SWAP of <sys/stdio.h>
    else:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if failed:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))


def _clear(place: Path, aside: Path) -> None:
    """Clear what lies aside, before or after the exchange; nothing that is not a result is lost."""
    new, names = aside / NEW, aside / NAMES
    if new.is_dir():
        results, others = json.loads(names.read_text(encoding="utf-8"))
        for path in sorted(new.rglob("*"), reverse=True):
            name = path.relative_to(new)
            if path.is_dir() and not path.is_symlink():
                path.rmdir()
            elif str(name) in results or (
                str(name) in others and not _is_newer(path, place / name)
            ):
                path.unlink()
            else:  # it came, or was changed, while the folder was put together
                os.replace(path, _place(place, str(name)))  # noqa: PTH105
        new.rmdir()
    names.unlink(missing_ok=True)


def _is_newer(path: Path, other: Path) -> bool:
    """Tell whether a file was changed while the folder was put together."""
    with suppress(FileNotFoundError):
        one, two = path.lstat(), other.lstat()
        return one.st_ino != two.st_ino and one.st_mtime_ns > two.st_mtime_ns
    return False


# Files moved one by one, by a list -------------------------------------------------------------


def _move_in(texts: Mapping[str, str | bytes], place: Path, gone: set[Path]) -> None:
    """Lay all texts inside the place, list the moves, and make them."""
    inside = place / INSIDE
    place.mkdir(exist_ok=True)
    shutil.rmtree(inside, ignore_errors=True)
    for name, text in texts.items():
        _place(inside / NEW, name).write_bytes(_bytes(text))
    moves = {"new": list(texts), "gone": sorted(str(name) for name in gone)}
    (inside / "list").write_text(json.dumps(moves), encoding="utf-8")
    os.replace(inside / "list", inside / MOVES)  # noqa: PTH105
    try:
        _finish_moves(place)
    except KeyboardInterrupt:
        _finish_moves(place)
        raise


def _finish_moves(place: Path) -> None:
    """Make the moves that a list still asks for; without a whole list, throw away what lies there."""
    inside = place / INSIDE
    if (inside / MOVES).is_file():
        moves = json.loads((inside / MOVES).read_text(encoding="utf-8"))
        for name in moves["gone"]:
            (place / name).unlink(missing_ok=True)
        for name in moves["new"]:
            with suppress(FileNotFoundError):  # it was moved before
                os.replace(inside / NEW / name, _place(place, name))  # noqa: PTH105
        for part in {Path(name).parent for name in moves["gone"]} - {Path()}:
            with suppress(OSError):
                (place / part).rmdir()  # goes only if nothing is left in it
        (inside / MOVES).unlink()
    shutil.rmtree(inside, ignore_errors=True)


def _place(folder: Path, name: str) -> Path:
    """Return where a name lies in a folder, with the folders above it made."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    return path
