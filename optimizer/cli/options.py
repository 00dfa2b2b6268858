"""Options and arguments that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from optimizer.base.errors import UsageMistake

Effort = Literal["quick", "normal", "thorough"]

FIRST_DEMO = "1_two_rates"

ScenarioArgument = Annotated[
    Path | None,
    typer.Argument(help="A scenario folder, or its scenario.yaml. Without it: the first demo."),
]
OutOption = Annotated[Path, typer.Option("--out", help="Folder for the results.")]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON object for machines, also of an error.")
]
TimeOption = Annotated[
    float, typer.Option("--time-limit", min=1, help="Most seconds for the linear program.")
]
DebugOption = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]
EffortOption = Annotated[
    Effort, typer.Option("--effort", help="How long to search; the same gives the same.")
]


def folder_of(given: Path | None, demo: str = FIRST_DEMO) -> Path:
    """Return the folder that is meant; a shipped demo if none is given."""
    if given is not None:
        return given
    from optimizer.billing.tariff import shipped_folder

    return shipped_folder("scenarios") / demo


def endless(option: str) -> UsageMistake:
    """Return the error that a sum of money is not finite."""
    return UsageMistake(
        f"{option} is no finite sum of money", where=option, mend="Give a number, or leave it out."
    )
