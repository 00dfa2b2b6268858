"""The files of a study: report, record, manifest, tables."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from optimizer.base.files import write_all, write_file
from optimizer.report.study_page import study_page
from optimizer.report.study_tables import TableKind, write_tables
from optimizer.report.study_text import study_record
from optimizer.report.study_workbook import workbook
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
        "study.json": json.dumps(study_record(result), indent=2) + "\n",
        "manifest.json": json.dumps(result.manifest, indent=2) + "\n",
    }
    write_all(texts, folder)
    written = [*(folder / name for name in texts), *write_tables(result.rows, folder, kinds)]
    if "xlsx" in kinds:
        written.append(write_file(workbook(result), folder / "cases.xlsx"))
    return written
