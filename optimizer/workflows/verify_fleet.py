"""Verify a fleet: each site's own results, and that the table says what they do.

Sites without results of their own (a check, a card for tomorrow, what failed) have nothing to recompute: that
is said. Read next: ``verify``.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from optimizer.base.documents import digest_of
from optimizer.base.errors import InputError
from optimizer.workflows.checked import Check, Verification
from optimizer.workflows.read_again import json_in

FLEET = "fleet.csv"

NEEDED = ("site", "state")

SAME = ("state", "worth", "worth_days", "currency", "serious", "code")
"""Cells that stand in a site's own record too."""


def verify_fleet(
    folder: Path, is_verifiable: Callable[[Path], bool], verified: Callable[[Path], Verification]
) -> Verification:
    """Verify what ``fleet`` has written, site by site.

    Parameters
    ----------
    folder : Path
        That of the table.
    is_verifiable : callable
        Tells whether a site's folder holds results that can be recomputed.
    verified : callable
        Recomputes them.

    Raises
    ------
    InputError
        If the table cannot be read.
    """
    checks, files = list[Check](), {FLEET: digest_of(folder / FLEET)}
    left = dict[str, None]()
    for row in _rows(folder / FLEET):
        site, place = row["site"], folder / row["site"]
        name = f"site {site}"
        if row["state"] == "failed":
            checks.append(Check(name, "not checked", "it failed, so there are no results"))
            continue
        if not is_verifiable(place):
            told = "nothing recomputes yet what was done here"
            checks.append(Check(name, "not checked", told))
            continue
        found = verified(place)
        files |= {f"{site}/{file}": digest for file, digest in found.files.items()}
        checks.append(_of_site(name, site, found))
        left |= dict.fromkeys(check.name for check in found.unchecked)
    head = f"a fleet of {len(checks)} sites"
    checks.append(_table(folder))
    told = "fleet.html, its calendar, and what a site is worth in other years are not recomputed"
    if left:
        told = f"at its sites {', '.join(left)}; {told}"
    checks.append(Check("rest of the fleet", "not checked", told))
    return Verification(folder, head, "", "", tuple(checks), files)


def _table(folder: Path) -> Check:
    """Hold each row against what was kept at its site."""
    name, count = "table", 0
    for row in _rows(folder / FLEET):
        paths = sorted((folder / row["site"]).glob("fleet_*.json"))
        odd = [_apart(row, path) for path in paths]  # of several jobs, one has made the table
        if odd and all(odd):
            told = f"another value than in {paths[0].name}"
            return Check(name, "differs", told, where=f"{FLEET}, {odd[0]}")
        count += bool(odd)
    return Check(name, "agrees", f"{count} rows as kept at their sites")


def _apart(row: dict[str, str], path: Path) -> str | None:
    """Return the first cell that is not what a site's own record says."""
    kept = json_in(path, "Make it anew with fleet.")
    unseen = kept.get("unseen") or {}
    known = {key: kept.get(key) for key in SAME} | {
        "p10": unseen.get("p10"),
        "p90": unseen.get("p90"),
    }
    known["change"] = " | ".join(kept.get("change") or ())
    for column, value in known.items():
        cell = row.get(column) or ""
        if cell.removeprefix("'") != ("" if value is None else str(value)).removeprefix("'"):
            return f"{column} of {row['site']}: {cell!r}, not {value!r}"
    return None


def _of_site(name: str, site: str, found: Verification) -> Check:
    first, left = found.first, ", ".join(check.name for check in found.unchecked)
    if first is not None:
        where = f"{site}: {first.name}: {first.where or first.told}"
        return Check(
            name, "differs", first.told, first.digits, first.written, first.recomputed, where
        )
    agree = [check for check in found.checks if check.outcome == "agrees"]
    told = f"{len(agree)} checks of its own results" + (f"; not checked: {left}" if left else "")
    least = min((check.digits for check in agree if check.digits is not None), default=None)
    return Check(name, "agrees", told, least)


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
    except (OSError, ValueError, csv.Error) as failure:
        raise InputError(
            f"the table cannot be read: {failure}", where=path, mend="Make it anew with fleet."
        ) from None
    odd = [name for name in NEEDED if any(row.get(name) is None for row in rows)]
    if odd or not rows or any(_leaves(path.parent, row["site"]) for row in rows):
        raise InputError(
            f"the table has no column {odd[0]!r}"
            if odd
            else "the table names no sites of this folder",
            where=path,
            mend="It was changed: make it anew with fleet.",
        )
    return rows


def _leaves(folder: Path, site: str) -> bool:
    """Tell whether the name of a site leads out of the fleet's folder."""
    return not (folder / site).resolve().is_relative_to(folder.resolve())
