"""``page``."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from optimizer.base.errors import InputError
from optimizer.cli.options import DebugOption
from optimizer.cli.running import errors_told

NEEDED = ("starlette", "uvicorn", "python_multipart")


def page(
    folder: Annotated[
        Path,
        typer.Argument(metavar="DIR", help="The scenario's folder; made if it is missing."),
    ] = Path("my_house"),
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the link alone; open no browser.")
    ] = False,
    debug: DebugOption = False,
) -> None:
    """Open a page on this machine on which a scenario is filled in, planned and tried."""
    with errors_told(debug=debug):
        missing = [name for name in NEEDED if find_spec(name) is None]
        if missing:
            raise InputError(
                f"the page needs {' and '.join(missing)}", where="the command line",
                mend="Install it with: pip install 'tariffwright[page]'.",
            )  # fmt: skip
        from optimizer.page.server import serve

        serve(folder, browser=not no_browser, tell=_tell)


def _tell(link: str) -> None:
    print(link, flush=True)
    print("Only this machine sees it. Ctrl-C ends it.", flush=True)
