"""The files of a study: report, record, manifest, tables."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

from optimizer.base.files import write_all
from optimizer.report.formats import MANIFEST, STUDY
from optimizer.report.shapes import ManifestRecord
from optimizer.report.study_page import study_page
from optimizer.report.study_tables import SO_FAR, TableKind, tables_of
from optimizer.report.study_text import study_record
from optimizer.report.study_workbook import workbook
from optimizer.report.verified import VERIFIED
from optimizer.studies.verdict import StudyResult


def write_study(result: StudyResult, folder: Path, kinds: Sequence[TableKind]) -> list[Path]:
    """Write ``study.html``, ``study.json``, ``manifest.json``, tables and ``cases.xlsx``; return the files.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    files: dict[str, str | bytes] = {
        "study.html": study_page(result),
        "study.json": STUDY.text(study_record(result)),
        "manifest.json": MANIFEST.text(cast(ManifestRecord, dict(result.manifest))),
        **tables_of(result.rows, kinds),
    }
    if "xlsx" in kinds:
        files["cases.xlsx"] = workbook(result)
    write_all(files, folder, stale=(VERIFIED, f"{SO_FAR}.*"))
    return [folder / name for name in files]
