"""Write the JSON Schemas of all files that people write: ``python -m tests.docs.make_schemas``."""

from __future__ import annotations

from pathlib import Path

from optimizer.base.documents import json_schema
from optimizer.billing.tariff import TariffFile
from optimizer.billing.worked_entries import BillsFile
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

if __name__ == "__main__":
    for name, model in MODELS.items():
        (FOLDER / name).write_text(json_schema(model), encoding="utf-8")
