"""The history of a scenario: one readable file for each renewal, which can be explained and undone.

Files lie in the folder ``renewals`` of the scenario, named by their day. What is in use is what the
latest of them left: its new settings, or, if it was undone, those that were in use before it.

The promise is kept with the results: ``flows.csv`` holds the forecast, ``tariff.yaml`` and
``tariff_series`` the tariff as it was read, so that a later season can tell weather and load from
a change of prices.

History is files, one for each renewal, with the whole settings before and after; what is in use
is what the last of them that was not undone says.
"""

from __future__ import annotations

import contextlib
from datetime import date
from pathlib import Path

from optimizer.base.documents import Document, Source, is_file, is_folder, read_document
from optimizer.base.errors import InputError, SettingsError
from optimizer.base.files import write_file
from optimizer.base.yaml_text import typed_yaml
from optimizer.billing.tariff import Tariff, kept_name, read_tariff, series_files
from optimizer.scenario.scenario import Scenario
from optimizer.settings.check import read_settings, refuse
from optimizer.settings.windows import Settings

FOLDER = "renewals"
SERIES = "tariff_series"
"""Folder of the price series that a kept tariff names, as they were read."""

RENEWAL, SETTINGS, FLOWS, TARIFF = "renewal.yaml", "settings.yaml", "flows.csv", "tariff.yaml"
PLAN, AS_READ = "plan.json", "scenario_as_read.yaml"
"""The record of the results, and the scenario's own file as it was when they were made."""


class ListedChange(Document):
    """One change as it stands in the history."""

    what: str
    saves_per_month: float | None = None


class RenewalFile(Document):
    """One renewal in the history of a scenario: what was in use, what to change, and what it promised.

    ``undone`` is the day on which a person went back to what was in use before.
    """

    renewed: date
    scenario: str
    tariff: str
    currency: str
    first: date | None = None
    last: date | None = None
    advice: str
    saves_per_month: float = 0.0
    changes: list[ListedChange] = []
    undone: date | None = None
    before: Settings | None = None
    after: Settings


def history_of(folder: Path) -> list[tuple[Path, RenewalFile]]:
    """Return the renewals of a scenario, the earliest first.

    Raises
    ------
    SettingsError
        If a file of the history cannot be read.
    """
    files = sorted((folder / FOLDER).glob("*.yaml"))
    return [(path, read_document(path, RenewalFile, SettingsError)[0]) for path in files]


def settings_path(previous: Path) -> Path:
    """Return the settings file that is meant by a folder of results, or by the file itself.

    Raises
    ------
    InputError
        If the folder holds none.
    """
    path = previous / SETTINGS if is_folder(previous) else previous
    if not is_file(path):
        raise InputError(
            f"there are no settings: {path.name} is missing",
            where=str(previous),
            mend="Name a folder that plan or renew has written, or a settings file.",
        )
    return path


def promise_path(previous: Path) -> Path:
    """Return the file that tells, step by step, what a season's results rest on.

    Raises
    ------
    InputError
        If the folder holds none.
    """
    path = previous / FLOWS
    if not is_file(path):
        raise InputError(
            f"nothing was promised here: {FLOWS} is missing",
            where=str(previous),
            mend="Name the folder that plan or renew has written for the past season.",
        )
    return path


def has_tariff_of_promise(previous: Path) -> bool:
    """Tell whether the tariff as it was lies beside a season's results."""
    return is_file(previous / TARIFF)


def tariff_of_promise(previous: Path, now: Tariff) -> Tariff:
    """Return the tariff as it was when the results were made; the one of now if none lies there.

    Price series are those kept beside it; without them they are looked for where the tariff of now lies.
    """
    if not has_tariff_of_promise(previous):
        return now
    return kept_tariff(previous, now.source.path)


def kept_tariff(previous: Path, path: Path) -> Tariff:
    """Return the tariff that is kept with results, as if it were the file at a path.

    Raises
    ------
    TariffError
        If it cannot be read.
    """
    then, place = read_tariff(previous / TARIFF), path.parent
    kept = {
        place / file: (previous / SERIES / kept_name(file)).read_text(encoding="utf-8")
        for file in series_files(then.file)
        if (previous / SERIES / kept_name(file)).is_file()
    }
    source = Source(path, then.source.content, then.source.text)
    return Tariff(then.file, source, kept)


def settings_in_use(folder: Path) -> tuple[Settings, Path]:
    """Return what the history says is in use, and the file that says so.

    Raises
    ------
    InputError
        If there is no history, or all of it is undone and nothing was in use before.
    """
    history, undone = history_of(folder), None
    for path, file in reversed(history):
        if file.undone is None:
            break
        undone = (path, file)
    if undone is not None and undone[1].before is not None:
        return undone[1].before, undone[0]
    standing = [(path, file.after) for path, file in history if file.undone is None]
    if standing:
        path, settings = standing[-1]
        return settings, path
    raise InputError(
        "nothing tells which settings are in use: the scenario has no history that holds",
        where=str(folder / FOLDER),
        mend="Name the folder of last season's results with --previous; once settings are typed in,"
        " keep them with --accept.",
    )


def accept(results: Path, folder: Path, today: date) -> Path:
    """Put a renewal, or the first settings, into the history of a scenario; return the file.

    What was put there last, on the same day, stands there once.

    Raises
    ------
    InputError
        If the results hold no settings.
    """
    source = results / RENEWAL if is_folder(results) else results
    if source.name == RENEWAL and is_file(source):
        file, _ = read_document(source, RenewalFile, SettingsError)
        file = file.model_copy(update={"renewed": today, "undone": None})
    else:
        settings, _ = read_document(settings_path(results), Settings, SettingsError)
        before = None
        with contextlib.suppress(InputError):  # nothing was in use, or it is all undone
            before = settings_in_use(folder)[0]
        file = RenewalFile(
            renewed=today, scenario=settings.settings, tariff="", currency="",
            advice="Taken over as they stand.", before=before, after=settings,
        )  # fmt: skip
    standing = [(path, kept) for path, kept in history_of(folder) if kept.undone is None]
    if standing and (standing[-1][1].renewed, standing[-1][1].after) == (today, file.after):
        return standing[-1][0]
    return write_file(renewal_yaml(file), _free_name(folder / FOLDER, today))


def undo(folder: Path, today: date) -> tuple[Path, RenewalFile]:
    """Mark the latest renewal that holds as undone; return its file.

    Raises
    ------
    InputError
        If there is none.
    """
    standing = [(path, file) for path, file in history_of(folder) if file.undone is None]
    if not standing:
        raise InputError(
            "there is no renewal to undo",
            where=str(folder / FOLDER),
            mend="Only renewals kept with --accept can be undone.",
        )
    path, file = standing[-1]
    file = file.model_copy(update={"undone": today})
    write_file(renewal_yaml(file), path)
    return path, file


def _free_name(folder: Path, today: date) -> Path:
    """Return a name by the day, behind all others of that day."""
    names = [f"{today}.yaml", *(f"{today}_{number:02d}.yaml" for number in range(2, 100))]
    taken = [number for number, name in enumerate(names) if (folder / name).exists()]
    return folder / names[max(taken, default=-1) + 1]


def renewal_yaml(file: RenewalFile) -> str:
    """Return a renewal as a file that a person can read."""
    head = "# A renewal of battery settings: what was in use before, what was changed, what holds after.\n"
    return head + typed_yaml(file.model_dump(exclude_none=True))


def in_use_of(scenario: Scenario, previous: Path | None) -> Settings:
    """Return the settings in use: those of some results, or what the history says."""
    if previous is not None:
        return read_settings(settings_path(previous), scenario.controls, scenario.plant)
    settings, path = settings_in_use(scenario.folder)
    refuse(settings, scenario.controls, scenario.plant, Source(path, None))
    return settings.as_stored(scenario.controls)


def accept_results(scenario: Scenario, results: Path, today: date) -> Path:
    """Put settings that are typed in now into a scenario's history; return the file.

    Raises
    ------
    InputError
        If the controls refuse the settings, or the results hold none.
    """
    read_settings(settings_path(results), scenario.controls, scenario.plant)
    return accept(results, scenario.folder, today)


def in_use_if_any(scenario: Scenario, previous: Path | None) -> Settings | None:
    """Return the settings in use; None if nobody has said so and there is no history."""
    if previous is None and not history_of(scenario.folder):
        return None
    return in_use_of(scenario, previous)
