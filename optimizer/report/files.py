"""Writes the results into a folder: whole, or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from optimizer.errors import InputError
from optimizer.report.account import Account
from optimizer.report.page import report_html
from optimizer.report.record import flows_csv, plan_json, settings_yaml


def write_outcome(account: Account, folder: Path) -> list[Path]:
    """Write ``plan.json``, ``flows.csv``, ``settings.yaml`` and ``report.html``.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {
        "plan.json": plan_json(account),
        "flows.csv": flows_csv(account),
        "settings.yaml": settings_yaml(account),
        "report.html": report_html(account),
    }
    return write_all(texts, folder)


def write_all(texts: Mapping[str, str], folder: Path) -> list[Path]:
    """Write all texts beside the folder first, then move them in; on trouble leave nothing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    except OSError as failure:
        raise InputError(
            f"the folder cannot be written: {failure.strerror}",
            where=str(folder),
            mend="Choose a folder with --out in which you may write.",
        ) from None
    try:
        for name, text in texts.items():
            (aside / name).write_text(text, encoding="utf-8")
        for name in texts:
            os.replace(aside / name, folder / name)  # noqa: PTH105 - replaces on every system
    except OSError as failure:
        raise InputError(
            f"the results cannot be written: {failure.strerror}",
            where=str(folder),
            mend="Check free space and permissions.",
        ) from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(aside)
    return [folder / name for name in texts]


def write_file(text: str, path: Path) -> Path:
    """Write one text beside its place first, then move it in; on trouble leave nothing.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    aside = path.with_name(f".unfinished-{os.getpid()}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.write_text(text, encoding="utf-8")
        os.replace(aside, path)  # noqa: PTH105 - replaces on every system
    except OSError as failure:
        raise InputError(
            f"the file cannot be written: {failure.strerror}",
            where=str(path),
            mend="Choose a file with --out that you may write.",
        ) from None
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
    return path
