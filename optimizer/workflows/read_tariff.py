"""Read open, machine-readable tariffs into one tariff of this project."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from optimizer.base.documents import is_folder
from optimizer.base.errors import InputError, SeveralInputErrors, TariffError
from optimizer.base.files import refuse_unwritable_file, write_file
from optimizer.billing.open_tariffs.combined import Chosen, combined, offered, read_listing
from optimizer.workflows.check import check_tariff

LONGEST_NAME = 60


@dataclass(frozen=True)
class TariffReading:
    """What was chosen and written; its ``remarks`` are those of the file and of a check over a year."""

    chosen: Chosen
    written: Path | None


def list_open_tariffs(paths: Sequence[Path], fuse_a: float | None = None) -> TariffReading:
    """Return what open tariff files offer, with nothing taken of it.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    return TariffReading(
        offered([read_listing(path, fuse_a) for path in dict.fromkeys(paths)]), None
    )


def read_open_tariff(
    paths: Sequence[Path],
    names: Sequence[str] = (),
    fuse_a: float | None = None,
    out: Path | None = None,
) -> TariffReading:
    """Read open tariffs, combine those that were chosen, check the result and write it.

    Parameters
    ----------
    paths : sequence of Path
        Files of open tariffs.
    names : sequence of str
        Numbers or names of the tariffs to take.
    fuse_a : float or None
        The main fuse, for prices that go by it. [A]
    out : Path or None
        A file that ends in .yaml or .yml, or a folder; without it nothing is written.

    Raises
    ------
    InputError
        If a file cannot be read, a choice is open, or what was read makes no tariff.
    """
    listings = [read_listing(path, fuse_a) for path in dict.fromkeys(paths)]
    chosen = combined(listings, names)
    place = None if out is None else _place(out, chosen.name)
    if place is not None:
        if place.resolve() in {path.resolve() for path in paths}:
            raise TariffError(
                "the file to write is one of those that are read", where=place, mend="Name another."
            )
        refuse_unwritable_file(place)
    checked = replace(chosen, remarks=(*chosen.remarks, *_remarks_of_a_check(chosen)))
    if place is not None:
        write_file(checked.text, place)
    return TariffReading(checked, place)


def _place(out: Path, name: str) -> Path:
    """Return the file to write: what was given, or one called after the tariff in a folder."""
    if out.suffix.lower() in (".yaml", ".yml") and not is_folder(out):
        return out
    word = re.sub(r"\W+", "_", name.lower()).strip("_")[:LONGEST_NAME].strip("_")
    return out / f"{word or 'tariff'}.yaml"


def _remarks_of_a_check(chosen: Chosen) -> list[str]:
    """Return what our own reader remarks of the text; a value that it refuses is told with its origin."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "tariff.yaml"
        path.write_text(chosen.text, encoding="utf-8")
        try:
            remarks = check_tariff(path).remarks
        except InputError as failure:
            first = failure.findings[0] if isinstance(failure, SeveralInputErrors) else failure
            line = chosen.text.splitlines()[first.line - 1] if first.line else ""
            raise TariffError(
                f"what was read makes no tariff: {first.what}",
                where=line.partition("  # ")[2]
                or ", ".join(str(each.path) for each in chosen.listings),
                mend="Mend it in a copy of the file, or write this tariff by hand.",
            ) from None
        return [remark.replace(f"{path}:", "line ") for remark in remarks]
