"""The parts of a file from outside: itself, unpacked from gzip, or each file in a ZIP archive.

Nothing is unpacked onto the disk, so names inside an archive lead nowhere. What an archive says of its
sizes bounds what is read of it: a part is never read beyond the size that its archive declares, and
archives that declare more than is read are refused unread.

Read next: ``outside``.
"""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from optimizer.base.errors import SeriesError

GZIP_MARK = b"\x1f\x8b"
ZIP_MARK = b"PK\x03\x04"
MAX_PARTS = 200
MAX_TOTAL_BYTES = 300_000_000
"""Beyond, an archive is taken for one made to exhaust its reader."""

WORKBOOK_PART = "xl/workbook.xml"
BOUNDED_WAYS = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
"""Ways of packing that the standard library unpacks piece by piece, never beyond what was asked for."""

ENCRYPTED = 0x1
"""Bit 0 of the general purpose flags: APPNOTE 4.4.4 of the ZIP format."""


@dataclass(frozen=True)
class Part:
    """One file to be read; ``path`` is its name in messages, of a part of an archive below it."""

    path: Path
    open: Callable[[], BinaryIO]


def parts_of(path: Path) -> Iterator[Part]:
    """Give a file itself, unpacked if gzip packed it, or each file of an archive in order of names.

    Raises
    ------
    SeriesError
        If an archive is damaged, encrypted, or holds nothing or too much.
    """
    with path.open("rb") as source:
        mark = source.read(len(ZIP_MARK))
    if mark.startswith(GZIP_MARK):
        yield Part(path, lambda: gzip.GzipFile(path))  # type: ignore[return-value,arg-type]
    elif mark != ZIP_MARK:
        yield Part(path, lambda: path.open("rb"))
    else:
        try:
            yield from _archived(path)
        except (zipfile.BadZipFile, NotImplementedError, ValueError, struct.error) as failure:
            raise SeriesError(
                f"this is a zip archive or a workbook that cannot be read: {failure}", where=path,
                mend="Download it again, or unpack it and give the files.",
            ) from None  # fmt: skip


def _archived(path: Path) -> Iterator[Part]:
    with zipfile.ZipFile(path) as archive:
        inside = archive.infolist()
        refuse_bomb(inside, path)
        if any(one.filename == WORKBOOK_PART for one in inside):
            yield Part(path, lambda: path.open("rb"))
            return
        files = [one for one in inside if not one.is_dir() and not _is_hidden(one.filename)]
        if not files:
            raise SeriesError("the archive holds no file", where=path, mend="Give meter data.")
        for one in sorted(files, key=lambda file: file.filename):
            name = path / PurePosixPath(one.filename.replace("\\", "/")).name[:100]
            content = archive.read(one)
            yield Part(name, lambda content=content: io.BytesIO(content))  # type: ignore[misc]


def _is_hidden(name: str) -> bool:
    """Return whether a name is one that an operating system adds: ``.DS_Store``, ``__MACOSX/…``."""
    return any(part.startswith((".", "__")) and part not in {".", ".."} for part in name.split("/"))


def refuse_bomb(inside: list[zipfile.ZipInfo], path: Path) -> None:
    """Refuse an archive of too many or too large parts, or encrypted ones.

    Raises
    ------
    SeriesError
        With what is too much.
    """
    total = sum(one.file_size for one in inside)
    if len(inside) > MAX_PARTS or total > MAX_TOTAL_BYTES:
        raise SeriesError(
            f"the archive holds {len(inside):,} files that unpack to {total:,} bytes; at most {MAX_PARTS}"
            f" and {MAX_TOTAL_BYTES:,} are read",
            where=path,
            mend="Unpack it and give the files of meter data.",
        )
    if any(one.compress_type not in BOUNDED_WAYS for one in inside):
        raise SeriesError(
            "the archive is packed in another way than deflate", where=path,
            mend="Unpack it and give the files.",
        )  # fmt: skip
    if any(one.flag_bits & ENCRYPTED for one in inside):
        raise SeriesError(
            "the archive is encrypted",
            where=path,
            mend="Unpack it with its password and give the files.",
        )
