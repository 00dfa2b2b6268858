"""Runs a command for a program that shows how far it is: ``python -m optimizer.cli.as_job plan ...``.

Lines of progress are JSON, one a line on standard error: ``what``, ``share`` (0 to 1), ``saved``, ``left_s``.
The command is stopped, as by Ctrl-C, as soon as its standard input ends: so it never outlives its starter.
"""

from __future__ import annotations

import os
import signal
import sys
import threading

from optimizer.cli.app import main
from optimizer.cli.running import Lines


def _end_with_the_input() -> None:
    sys.stdin.buffer.read()  # nothing is expected but the end
    os.kill(os.getpid(), signal.SIGINT)


if __name__ == "__main__":
    Lines.as_data = True
    threading.Thread(target=_end_with_the_input, daemon=True).start()
    main()
