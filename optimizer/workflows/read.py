"""Bring meter data or prices, as they were handed out, into a tidy form."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from optimizer.base.calendar import Holidays
from optimizer.base.files import refuse_unwritable_file, write_file
from optimizer.forecasting.profiles import profile_kwh
from optimizer.metering.found import Found, Request, Shape
from optimizer.metering.outside import read_all, refuse_same_file, tidy_csv


def shape_named(profile: str) -> Shape:
    """Return a published standard load profile as the shape of the hours in a day or a month."""
    return Shape(profile, lambda grid: profile_kwh(profile, 1000.0, grid, Holidays()))


def read(paths: Path | Sequence[Path], request: Request, out: Path | None = None) -> Found:
    """Read meter data or prices as they were handed out; write one point as a tidy CSV.

    Several paths are parts of the same meter's time, and joined.

    Raises
    ------
    InputError
        If the file cannot be read, or ``out`` not be written.
    """
    files = [paths] if isinstance(paths, Path) else list(paths)
    if out is not None:
        for path in files:
            refuse_same_file(path, out)
        refuse_unwritable_file(out)
    found = read_all(files, request)
    if out is not None:
        write_file(tidy_csv(found.chosen(request.point)), out)
    return found
