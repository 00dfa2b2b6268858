"""Where compiled code is kept between runs: in the user's own cache folder, by version.

Numba believes whatever lies there: a file that a full disk cut short ends every later run. So the sums
of all files are kept beside them, and what does not fit is thrown away before numba looks; it then
compiles anew. Read next: ``kernel``.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import json
import os
import pickletools
import shutil
import tempfile
import time
import zlib
from functools import partial
from pathlib import Path

from numba import config
from platformdirs import user_cache_path

UNUSED_DAYS = 60
"""Compiled code of other versions that was not used for so long is thrown away."""

SECONDS_PER_DAY = 86_400

SUMS = "sums.json"
"""The sum of each file of a version's folder, by its path."""


def keep_compiled_code(*constants: object) -> Path:
    """Tell numba where to keep compiled code; it asks when a function is declared.

    Numba's cache does not notice changes in functions and constants that are imported from other
    files. So each version has a place of its own, named by all kernels and what they take from
    elsewhere. Where the user's cache folder cannot be written, code is compiled into a folder that
    goes with the process. A folder that is set by NUMBA_CACHE_DIR is left as it is.

    Parameters
    ----------
    *constants : object
        What compiled functions take from files that are no kernels.

    Returns
    -------
    Path
        The folder.
    """
    if asked := os.environ.get("NUMBA_CACHE_DIR"):
        return Path(asked)
    folder = _folder_for(_version(constants))
    _throw_away_damaged(folder)
    atexit.register(partial(_keep_sums, folder))
    config.CACHE_DIR = str(folder)
    return folder


def _version(constants: tuple[object, ...]) -> str:
    package = Path(__file__).parents[1]
    kernels = sorted([*package.rglob("*kernel.py"), *package.rglob("step.py")])
    whole = b"".join(file.read_bytes() for file in kernels) + repr(constants).encode()
    return hashlib.sha256(whole).hexdigest()[:12]


def _folder_for(version: str) -> Path:
    """Return a version's folder, made and marked as used; or one that goes with the process."""
    try:
        folder = user_cache_path("tariffwright", appauthor=False) / version
        folder.mkdir(parents=True, exist_ok=True)
        os.utime(folder)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except (OSError, RuntimeError):  # no home, a full disk, somebody else's folder
        passing = tempfile.mkdtemp(prefix="tariffwright-")
        atexit.register(shutil.rmtree, passing, ignore_errors=True)
        return Path(passing)
    _throw_away_unused(folder)
    return folder


def _throw_away_unused(used: Path) -> None:
    oldest = time.time() - UNUSED_DAYS * SECONDS_PER_DAY
    for other in used.parent.iterdir():
        with contextlib.suppress(OSError):
            if other != used and other.is_dir() and other.stat().st_mtime < oldest:
                shutil.rmtree(other)


def _throw_away_damaged(folder: Path) -> None:
    """Throw away files that are not as they were kept; of new ones those that end too early."""
    kept = _sums_in(folder)
    for path in _files_in(folder):
        with contextlib.suppress(OSError):  # another process has thrown it away, or holds it
            content = path.read_bytes()
            known = kept.get(path.relative_to(folder).as_posix())
            is_whole = _is_whole(content) if known is None else zlib.crc32(content) == known
            if not is_whole:
                path.unlink()


def _keep_sums(folder: Path) -> None:
    """Write down the sums of all files, for the next run."""
    with contextlib.suppress(OSError):
        sums = {
            path.relative_to(folder).as_posix(): zlib.crc32(path.read_bytes())
            for path in _files_in(folder)
        }
        if sums != _sums_in(folder):
            aside = folder / f"{SUMS}.{os.getpid()}"
            aside.write_text(json.dumps(sums), encoding="utf-8")
            os.replace(aside, folder / SUMS)  # noqa: PTH105 - replaces on every system


def _files_in(folder: Path) -> list[Path]:
    """Return numba's files: of functions (.nbi), and of their compiled code (.nbc)."""
    return [path for path in folder.rglob("*.nb[ic]") if path.is_file()]


def _sums_in(folder: Path) -> dict[str, int]:
    with contextlib.suppress(OSError, ValueError):
        found = json.loads((folder / SUMS).read_text(encoding="utf-8"))
        return found if isinstance(found, dict) else {}
    return {}


def _is_whole(content: bytes) -> bool:
    """Tell whether a file of pickles, one behind another, is whole."""
    rest = content
    while rest:
        try:
            *_, (_, _, at) = pickletools.genops(rest)
        except ValueError:
            return False
        rest = rest[(at or 0) + 1 :]
    return bool(content)
