"""The manifest: what it takes to do a study again and come to the same figures.

Read next: ``run``.
"""

from __future__ import annotations

import platform
from typing import Any

from optimizer.base.version import __version__, version_of
from optimizer.search.fit import SEED
from optimizer.studies.cases import Study

LIBRARIES = (
    "highspy", "numba", "numpy", "scipy", "pandas", "pydantic", "pyarrow", "xlsxwriter",
    "distributed", "tzdata",
)  # fmt: skip


def manifest_of(study: Study, workers: str, lines_lost: int = 0) -> dict[str, Any]:
    """Return the manifest as plain data; nothing in it hangs on when or how fast it ran.

    ``lines_lost`` is how many lines of the ledger could not be read; what stood there was done anew.
    """
    file = study.file
    return {
        "study": file.study,
        "program": {"tariffwright": __version__, "python": platform.python_version()},
        "libraries": {name: version_of(name) for name in LIBRARIES},
        "solver": "HiGHS (highspy), dual simplex from the family's base, presolve off",
        "machine": {"system": platform.system(), "processor": platform.machine()},
        "lanes": workers,
        "ledger_lines_lost": lines_lost,
        "effort": file.effort,
        "seeds": {
            "search and plausible years": SEED,
            "draws": None if file.draws is None else file.draws.seed,
        },
        "inputs_sha256": study.inputs,
        "cases": len(study.cases),
        "families": {
            family.name: {"key": family.key, "steps": family.brief.scenario.forecast.grid.count}
            for family in study.families
        },
    }
