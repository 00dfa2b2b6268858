"""Write all JSON Schemas: ``python -m tests.docs.make_schemas``.

Those of files that people write stand in ``tariffs/schemas``, those of what the program writes and
prints in its folder ``results``.
"""

from __future__ import annotations

from pathlib import Path

from optimizer.base.documents import json_schema
from optimizer.billing.tariff import TariffFile
from optimizer.billing.worked_entries import BillsFile
from optimizer.report.formats import FORMATS
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.windows import Settings
from optimizer.studies.study_file import StudyFile

FOLDER = Path(__file__).parents[2] / "tariffs" / "schemas"
MODELS = {
    "tariff.json": TariffFile,
    "bills.json": BillsFile,
    "scenario.json": ScenarioFile,
    "settings.json": Settings,
    "study.json": StudyFile,
}


def schemas() -> dict[str, str]:
    """Return the text of each schema by its path."""
    written = {name: json_schema(model) for name, model in MODELS.items()}
    return written | {f"results/{each.file}": each.schema() for each in FORMATS}


if __name__ == "__main__":
    (FOLDER / "results").mkdir(exist_ok=True)
    for name, text in schemas().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
