"""A fleet: many sites for which one job is done, and how they are called.

Read next: ``report.fleet_site``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from optimizer.base.calendar import EVERY_DAY, Days
from optimizer.base.documents import is_file, is_folder
from optimizer.base.errors import InputError
from optimizer.metering.series import needed_column, read_numbers, read_table
from optimizer.scenario.scenario import SCENARIO_FILE

JOBS = ("plan", "renew", "review", "check", "forecast", "tomorrow")

COMMENT = "#"
"""A line of a list of sites that begins so is a comment."""


@dataclass(frozen=True)
class FleetTask:
    """One job for one site.

    Parameters
    ----------
    job : str
        One of ``JOBS``.
    site : str
        What the site is called in the fleet.
    folder, out : Path
        The site's scenario, and where its results belong.
    previous : Path, optional
        Results of the site that the job looks back on.
    days : Days
        Which days of the forecast are looked at.
    effort : str
        How long windows are searched for.
    least : float, optional
        What each change of a renewal must earn a month. [money]
    metered : str
        Name of the file in the site's folder that was metered since.
    pv_kwh : float, optional
        Yield that is expected of a day. [kWh]
    day : date, optional
        The day for which a card is chosen; tomorrow without it.
    time_limit_s : float
        Most time for the linear program. [s]
    """

    job: str
    site: str
    folder: Path
    out: Path
    previous: Path | None = None
    days: Days = EVERY_DAY
    effort: str = "normal"
    least: float | None = None
    metered: str = "meter.csv"
    pv_kwh: float | None = None
    day: date | None = None
    time_limit_s: float = 600.0


def sites_named(given: Sequence[Path]) -> tuple[dict[str, Path], list[str]]:
    """Return the sites that are meant, by their names, and notes on what was left out.

    A folder with a scenario is a site, any other stands for all sites in it; a file is a list of folders, one
    on a line, from its own folder on. A folder of a list that is not there stays in: it is told as a site
    that failed.

    Raises
    ------
    InputError
        If there is no site, or a list cannot be read.
    """
    folders, notes = list[Path](), list[str]()
    for path in given:
        if path.name != SCENARIO_FILE and is_file(path):
            folders += _listed(path)
        elif is_folder(path) and not is_file(path / SCENARIO_FILE):
            inside = sorted(each for each in path.iterdir() if is_folder(each))
            found = [each for each in inside if is_file(each / SCENARIO_FILE)]
            folders += found
            if not found:
                raise _no_site(path)
            if others := len(inside) - len(found):
                are = "folder has" if others == 1 else "folders have"
                notes.append(
                    f"{path}: {others} {are} no {SCENARIO_FILE}, so they are no sites here."
                )
        else:
            folders.append(path.parent if path.name == SCENARIO_FILE else path)
    return {name: path for path, name in names_apart(list(dict.fromkeys(folders))).items()}, notes


def _no_site(path: Path) -> InputError:
    return InputError(
        "no site is here",
        where=path,
        mend=f"Name folders with {SCENARIO_FILE}, a folder that holds some, or a list of them.",
    )


def _listed(path: Path) -> list[Path]:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeError) as failure:
        raise InputError(
            f"the list of sites cannot be read: {failure}",
            where=path,
            mend="Write a text file with one folder on each line.",
        ) from None
    told = [line.strip() for line in lines]
    odd = next((number for number, line in enumerate(told, 1) if "\0" in line), None)
    if odd is not None:
        raise InputError(
            f"line {odd} holds a sign of no text, which no folder's name has",
            where=path,
            mend="Write a text file with one folder on each line.",
        )
    found = [path.parent / line for line in told if line and not line.startswith(COMMENT)]
    if not found:
        raise _no_site(path)
    return found


def names_apart(folders: Sequence[Path]) -> dict[Path, str]:
    """Return a name for each folder: as much of the end of its path as tells all apart."""
    whole = {folder: folder.resolve().parts for folder in folders}
    longest = max((len(parts) for parts in whole.values()), default=0)
    for count in range(1, longest + 1):
        names = {folder: "/".join(parts[-count:]) for folder, parts in whole.items()}
        if len(set(names.values())) == len(set(whole.values())):
            break
    return {folder: name.strip("/") or "site" for folder, name in names.items()} if folders else {}


def yields_named(path: Path) -> Mapping[str, float]:
    """Return the PV expected of a day by the names of sites, from a CSV ``site,pv_kwh``. [kWh]

    Raises
    ------
    InputError
        If it cannot be read.
    """
    table = read_table(path)
    sites = table.cells[needed_column(table, ["site"])]
    values = read_numbers(table, needed_column(table, ["pv_kwh"]))
    return dict(zip(sites, values.tolist(), strict=True))
