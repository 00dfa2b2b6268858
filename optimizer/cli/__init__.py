"""The command line: the only room that prints or exits."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    # Before numpy is loaded. Products here are short: one over 17,520 steps took 17.8 ms of all processors
    # with a thread on each, and 0.4 ms with one. Who sets a number keeps it.
    os.environ.setdefault(_name, "1")
