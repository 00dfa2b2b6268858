"""Studies over many cases: what a battery is worth, at which size, on which tariff, if prices move.

A run hangs on its base, not on its neighbour. Warm starts from the size solved before are as fast,
but then a table would hang on the order of its cases and on where a study was stopped. Each
program starts from the family's base instead: to the last bit the same in any process, which is
tested. The base is the scenario's own equipment, whatever sizes a study lists, so a study that
grows keeps its answers. The search for windows starts from the base's in the same way, fold by
fold, so that weeks kept back stay unseen.

Questions are generators. What a row needs follows from answers: which years of a worn battery are
planned, which size is tried next. Written as generators they read as sums, and the scheduler sees
only what is wanted now; what two of them want, such as tornado and table, is done once.

Executors hold one process each, not a pool of several: a process then keeps to a family that it
has compiled, one that dies is known by what it did, and nothing is oversubscribed.

Keys are hashes of inputs, of the program's code and of the libraries that decide figures, so
nothing has to be told stale.
"""
