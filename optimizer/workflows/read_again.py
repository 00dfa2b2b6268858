"""What checks of several kinds of results read again: records, columns of series, the inputs of now.

Read next: ``verify``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import TypeAdapter, ValidationError

from optimizer.base.documents import MAX_SHOWN, digest_of, is_file
from optimizer.base.errors import InputError, SeriesError
from optimizer.base.timegrid import TimeGrid
from optimizer.billing.charges.energy import PricedEnergy, SharedExport
from optimizer.billing.tariff import TariffFile, kept_name
from optimizer.metering.energy_csv import read_energies
from optimizer.metering.price_csv import file_prices
from optimizer.metering.series import column_named, read_numbers, read_table
from optimizer.plain.bill import Words, rows_of
from optimizer.scenario.scenario import SCENARIO_FILE
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.workflows.checked import Check
from optimizer.workflows.in_use import SERIES, TARIFF

NeededT = TypeVar("NeededT")


def record_in(path: Path, kind: str, needed: type[NeededT]) -> Words:
    """Return a record of results that a command has written as JSON.

    Raises
    ------
    InputError
        If it is damaged, of another kind, or without what is recomputed.
    """
    mend = f"Make the results anew with {kind}."
    found: Words = json_in(path, mend)
    refuse_unfitting(found, needed, path, mend)
    return found


def json_in(path: Path, mend: str) -> Any:
    """Return what a JSON file says.

    Raises
    ------
    InputError
        If it is none.
    """
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as failure:
        raise InputError(f"this is no JSON: {failure}", where=path, mend=mend) from None


def refuse_unfitting(record: Any, needed: type[NeededT], path: Path, mend: str) -> None:
    """Refuse a record that lacks what is recomputed, or holds something else there.

    Raises
    ------
    InputError
        With the first such place.
    """
    try:
        TypeAdapter(needed).validate_python(record)
    except ValidationError as failure:
        first = failure.errors()[0]
        place = ".".join(map(str, first["loc"]))
        raise InputError(
            f"{place}: {first['msg']}"[: 4 * MAX_SHOWN],
            where=path,
            mend=f"The record is of an earlier version, was changed by hand, or is damaged. {mend}",
        ) from None


def scenario_in(words: Mapping[str, Any], path: Path) -> ScenarioFile:
    """Return the scenario that a record keeps.

    Raises
    ------
    InputError
        If it is none.
    """
    try:
        return ScenarioFile.model_validate_json(json.dumps(words))
    except ValidationError as failure:
        told = f"scenario_as_read: {failure.errors()[0]['msg']}"[: 4 * MAX_SHOWN]
        raise InputError(told, where=path, mend="Make the results anew.") from None


def columns_in(path: Path, *names: str) -> dict[str, list[float]]:
    """Return columns of a series, each of shape (T,).

    Raises
    ------
    SeriesError
        If one is missing, or not whole.
    """
    table = read_table(path)
    found = {}
    for name in names:
        if column_named(table, [name]) is None:
            raise SeriesError(f"the column {name!r} is missing", where=path, mend=CHANGED)
        values = read_numbers(table, name)
        if not np.isfinite(values).all():
            raise SeriesError(
                f"a value of the column {name!r} is missing", where=path, mend=CHANGED
            )
        found[name] = [float(value) for value in values]
    return found


def damaged(path: Path, failure: Exception, kind: str) -> InputError:
    """Return the error that something in a record cannot be followed."""
    return InputError(
        f"this cannot be followed: {failure!r}"[: 4 * MAX_SHOWN],
        where=path,
        mend=f"The record was changed by hand, or is damaged: make the results anew with {kind}.",
    )


CHANGED = "The file was changed: make the results anew."


def texts_in(path: Path, name: str) -> list[str]:
    """Return a column of a series as texts, shape (T,)."""
    table = read_table(path)
    if column_named(table, [name]) is None:
        raise SeriesError(f"the column {name!r} is missing", where=path, mend=CHANGED)
    return [str(cell) for cell in table.cells[name]]


def tariff_in_words(file: TariffFile, grid: TimeGrid, series: Path) -> Iterator[Words]:
    """Yield the versions of a tariff as words, with holidays as dates and prices as numbers.

    ``series`` is the folder of the price series that it names.
    """
    for version in file.versions:
        words = version.model_dump(by_alias=True, exclude_unset=True, exclude_none=True)
        words["holidays"] = {"dates": sorted(version.holidays.among(grid.dates))}
        for charge, told in zip(version.charges, words["charges"], strict=True):
            if isinstance(charge, PricedEnergy) and charge.series is not None:
                path = series / kept_name(charge.series.file)
                read = file_prices(path, charge.series.column, grid.zone, str(path), [])
                told["series"] |= {
                    "first": read.start, "minutes": read.step_minutes, "values": read.values.tolist(),
                }  # fmt: skip
            if isinstance(charge, PricedEnergy) and charge.table is not None:
                path = series / kept_name(charge.table.file)
                told["table"]["rows"] = rows_of(path.read_text(encoding="utf-8"))
            received = None
            if isinstance(charge, SharedExport) and charge.shared is not None:
                received = charge.shared.received
            if received is not None:
                path = series / kept_name(received.file)
                told["shared"]["received"]["values"] = read_energies(
                    path, received.column, grid, str(path), []
                ).tolist()
        yield words


def inputs_of_now(known: Mapping[str, str], inputs: Path | None) -> Check:
    """Hold the scenario's files of now against those that results were made of.

    Raises
    ------
    InputError
        If no scenario is there.
    """
    name = "inputs of now"
    if inputs is None:
        told = "name the scenario's folder with --scenario to hold it against them"
        return Check(name, "not checked", told)
    folder = inputs if inputs.is_dir() else inputs.parent
    if not is_file(folder / SCENARIO_FILE):
        raise InputError(
            f"there is no scenario here: {SCENARIO_FILE} is missing",
            where=str(folder),
            mend="Name the folder that was planned, or leave --scenario out.",
        )
    theirs = {file: digest for file, digest in known.items() if not _is_of_tariff(file)}
    changed = [
        file for file, digest in theirs.items()
        if not is_file(folder / file) or digest_of(folder / file) != digest
    ]  # fmt: skip
    if changed:
        told = "no longer what was planned with: " + ", ".join(changed)
        return Check(
            name, "not checked", f"{told}; the results were held against what they were made of"
        )
    return Check(name, "agrees", f"{len(theirs)} files are what was planned with")


def _is_of_tariff(file: str) -> bool:
    return file == TARIFF or file.startswith(f"{SERIES}/")
