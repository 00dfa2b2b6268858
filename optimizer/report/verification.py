"""What was recomputed of results, in words and as data."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from optimizer.base.units import money
from optimizer.base.version import __version__
from optimizer.report.shapes import CheckedFigure, VerificationRecord
from optimizer.workflows.checked import Check, Verification


def verdict(result: Verification) -> str:
    """Return the verdict in one line."""
    if result.first is not None:
        return f"NOT verified. First: {place_of(result.first)}."
    if result.unchecked:
        names = ", ".join(check.name for check in result.unchecked)
        return f"verified, but for what could not be checked: {names}."
    return "verified: all agrees."


def place_of(check: Check) -> str:
    """Return where something differs, and how."""
    told = f"{check.name}: {check.where or check.told}"
    if check.written is not None and check.recomputed is not None:
        told += f" ({check.written:.8g} is written, {check.recomputed:.8g} comes out)"
    return told


def verification_text(result: Verification) -> str:
    """Return all checks, one a line, and the verdict."""
    width = max(len(check.name) for check in result.checks)
    head = result.scenario
    if result.tariff:
        head += f", tariff {result.tariff}, money in {result.currency}"
    lines = [_line(check, width) for check in result.checks]
    return "\n".join([head, "", *lines, "", verdict(result)])


def _line(check: Check, width: int) -> str:
    told = check.told
    if check.outcome == "differs":
        told = f"{told}: {place_of(check).partition(': ')[2]}" if check.where else told
    elif check.digits is not None:
        told = f"{check.digits} digits: {told}"
        if check.recomputed is not None:
            told += f", {money(check.recomputed)}"
    return f"{check.name:<{width}}  {check.outcome}  {told}"


def verification_record(
    result: Verification, at: datetime, files: Mapping[str, str]
) -> VerificationRecord:
    """Return all checks as plain data, made at a moment, of files with their SHA-256."""
    return {
        "at": at.astimezone(UTC).isoformat(timespec="seconds"),
        "program": {"name": "tariffwright", "version": __version__},
        "files_sha256": dict(files),
        "scenario": result.scenario,
        "tariff": result.tariff,
        "currency": result.currency,
        "verified": result.first is None,
        "first": None if result.first is None else place_of(result.first),
        "checks": [_checked(check) for check in result.checks],
    }


def _checked(check: Check) -> CheckedFigure:
    return {
        "name": check.name,
        "outcome": check.outcome,
        "told": check.told,
        "digits": check.digits,
        "written": check.written,
        "recomputed": check.recomputed,
        "where": check.where,
    }
