"""What results were made of: inputs with their SHA-256, versions, solver, seeds, and what was planned with.

Nothing in it hangs on the machine or on when it ran. ``verify`` reads it. Read next: ``record``.
"""

from __future__ import annotations

import platform
from collections.abc import Mapping

from optimizer.base.documents import digest_of_text
from optimizer.base.version import __version__, version_of
from optimizer.base.yaml_text import typed_yaml
from optimizer.report.shapes import PlanManifest
from optimizer.search.fit import SEED
from optimizer.workflows.in_use import AS_READ, SERIES, TARIFF
from optimizer.workflows.inputs import horizon_of
from optimizer.workflows.results import Result

LIBRARIES = ("highspy", "numba", "numpy", "scipy", "pandas", "pydantic", "tzdata")
"""Libraries that decide figures."""


def kept_inputs(result: Result) -> dict[str, str]:
    """Return the texts of the inputs that are kept with results, as they were when they were read."""
    source = result.scenario.source
    as_read = source.text or typed_yaml(result.scenario.file.model_dump(exclude_unset=True))
    series = {f"{SERIES}/{name}": text for name, text in result.tariff.series_by_name().items()}
    return {AS_READ: as_read, TARIFF: result.tariff.source.text} | series


def manifest_of(result: Result, results: Mapping[str, str]) -> PlanManifest:
    """Return the manifest of results; ``results`` are the texts of the files that ``verify`` reads."""
    problem, horizon = result.plan.problem, horizon_of(result.brief)
    kept = kept_inputs(result)
    tariff = {name: digest_of_text(text) for name, text in kept.items() if name != AS_READ}
    return {
        "program": {"tariffwright": __version__, "python": platform.python_version()},
        "libraries": {name: version_of(name) for name in LIBRARIES},
        "solver": "HiGHS (highspy)",
        "seeds": {"search and plausible years": SEED},
        "inputs_sha256": dict(result.scenario.inputs) | tariff,
        "results_sha256": {
            name: digest_of_text(text) for name, text in (kept | dict(results)).items()
        },
        "planned_with": {
            "start_kwh": horizon.start_kwh,
            "end_kwh": problem.end_kwh,
            "floor_kwh": horizon.plant.low_kwh,
            "floors_kwh": {str(month): kwh for month, kwh in horizon.floors.kwh.items()},
            "floors_of_plan_kwh": {str(m): kwh for m, kwh in problem.horizon.floors.kwh.items()},
        },
    }
