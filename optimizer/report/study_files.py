"""The files of a study: report, record, manifest, tables."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

from optimizer.base.files import write_all, write_file
from optimizer.report.formats import MANIFEST, STUDY
from optimizer.report.shapes import ManifestRecord
from optimizer.report.study_page import study_page
from optimizer.report.study_tables import TableKind, write_tables
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
    texts = {
        "study.html": study_page(result),
        "study.json": STUDY.text(study_record(result)),
        "manifest.json": MANIFEST.text(cast(ManifestRecord, dict(result.manifest))),
    }
    write_all(texts, folder, stale=(VERIFIED,))
    written = [*(folder / name for name in texts), *write_tables(result.rows, folder, kinds)]
    if "xlsx" in kinds:
        written.append(write_file(workbook(result), folder / "cases.xlsx"))
    return written
