"""Where compiled code is kept between runs: in the user's own cache folder, by version.

Read next: ``kernel``.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import os
import shutil
import tempfile
import time
from pathlib import Path

UNUSED_DAYS = 60
"""Compiled code of other versions that was not used for so long is thrown away."""

SECONDS_PER_DAY = 86_400


def keep_compiled_code(*constants: object) -> Path:
    """Tell numba where to keep compiled code; it asks when it is imported.

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
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    return folder


def _version(constants: tuple[object, ...]) -> str:
    kernels = sorted(Path(__file__).parent.glob("*kernel.py"))
    whole = b"".join(file.read_bytes() for file in kernels) + repr(constants).encode()
    return hashlib.sha256(whole).hexdigest()[:12]


def _folder_for(version: str) -> Path:
    """Return a version's folder, made and marked as used; or one that goes with the process."""
    try:
        base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
        folder = Path(base) / "tariffwright" / version
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
