"""Runs a command for a program that shows how far it is: ``python -m optimizer.cli.as_job plan ...``.

Lines of progress are JSON, one a line on standard error: ``what``, ``share`` (0 to 1), ``saved``, ``left_s``.
The command is stopped, in good order, as soon as its standard input ends: so it never outlives its starter.
"""

from __future__ import annotations

import os
import signal
import threading

from optimizer.cli.app import main
from optimizer.cli.running import Lines

INPUT = 0
"""The number of standard input."""


def _end_with_the_input() -> None:
    # Not by sys.stdin: a thread that waits in it keeps its lock, and the program cannot end in good order.
    while os.read(INPUT, 4096):
        pass  # nothing is expected but the end
    os.kill(os.getpid(), signal.SIGTERM)  # SIGINT is ignored where the page runs in the background


if __name__ == "__main__":
    Lines.as_data = True
    threading.Thread(target=_end_with_the_input, daemon=True).start()
    main()
