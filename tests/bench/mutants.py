"""Mutation testing by hand: do quick tests see it when one operator or number of a module is changed?

    PYTHONPATH=. python tests/bench/mutants.py optimizer/settings/check.py --tests tests/ground/test_controls.py ...
        [--every 1] [--seconds 600]

Mutants are those of cosmic-ray (``pip install cosmic-ray``): comparisons, arithmetic, and/or, not, numbers,
loops, decorators. No file is changed: each mutant is a module made of changed text in a process of its own,
forked after the libraries are loaded. A mutant is killed if a test fails or if they take too long.
``--every n`` takes each n-th one. Survivors are listed with their line.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import signal
import sys
import time
from pathlib import Path
from types import ModuleType
from typing import Any

OPERATORS = (
    "ReplaceAndWithOr", "ReplaceOrWithAnd", "AddNot", "ReplaceUnaryOperator_Delete_Not",
    "ReplaceUnaryOperator_Delete_USub", "NumberReplacer", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue",
    "ZeroIterationForLoop",
    *(f"ReplaceBinaryOperator_{each}" for each in
      ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Mul", "Mod_Mul", "Pow_Mul")),
    *(f"ReplaceComparisonOperator_{each}" for each in
      ("Eq_NotEq", "NotEq_Eq", "Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt",
       "GtE_Lt", "Is_IsNot", "IsNot_Is")),
)  # fmt: skip
"""Comparisons turned round, or moved by their edge; arithmetic turned round."""

TIMES = 4.0
"""A mutant may take so many times the time of the tests without one, and 5 s."""


def mutants_of(source: str) -> list[tuple[int, str, int]]:
    """Return line, operator and occurrence of each mutant, in the order of the lines."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator

    found, nodes = list[tuple[int, str, int]](), list(ast_nodes(get_ast(source)))
    for kind in OPERATORS:
        operator = get_operator(f"core/{kind}")()
        places = (place for node in nodes for place in operator.mutation_positions(node))
        found += [(place[0][0], kind, number) for number, place in enumerate(places)]
    return sorted(found)


def changed_text(source: str, kind: str, occurrence: int) -> str:
    """Return the module with one mutation."""
    from cosmic_ray.ast import get_ast
    from cosmic_ray.mutating import MutationVisitor
    from cosmic_ray.plugins import get_operator

    visitor = MutationVisitor(occurrence, get_operator(f"core/{kind}")())
    text: str = visitor.walk(get_ast(source)).get_code()
    return text


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from a changed text."""

    def __init__(self, name: str, path: Path, text: str) -> None:
        self.name, self.path, self.text = name, path, text

    def find_spec(self, name: str, path: Any, target: Any = None) -> Any:
        return (
            importlib.util.spec_from_loader(name, self, origin=str(self.path))
            if name == self.name
            else None
        )

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.path)
        exec(compile(self.text, str(self.path), "exec"), module.__dict__)


def outcome(tests: list[str], changed: Changed | None, seconds: float) -> str:
    """Run the tests in a fork: passed, failed or too long."""
    child = os.fork()
    if child == 0:
        os.setpgid(0, 0)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        if changed is not None:
            sys.meta_path.insert(0, changed)
        import pytest

        code = 70
        with contextlib.suppress(BaseException):
            code = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-o",
                                    "addopts=--strict-markers --import-mode=importlib", *tests]))  # fmt: skip
        os._exit(code)
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "passed" if status == 0 else "failed"
        time.sleep(0.02)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "too long"


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("module", type=Path)
    options.add_argument("--tests", nargs="+", required=True)
    options.add_argument("--every", type=int, default=1)
    options.add_argument("--seconds", type=float, default=600.0)
    asked = options.parse_args()
    import highspy  # noqa: F401 - loaded before the forks, as the libraries below
    import hypothesis  # noqa: F401
    import numba  # noqa: F401
    import pandas  # noqa: F401
    import pydantic  # noqa: F401
    import pytest  # noqa: F401
    import ruamel.yaml  # noqa: F401
    import scipy.sparse  # noqa: F401
    import typer.testing  # noqa: F401

    name, begun = ".".join(asked.module.with_suffix("").parts), time.monotonic()
    if outcome(asked.tests, None, 300.0) != "passed":
        raise SystemExit("the tests fail, or take too long, without any mutant")
    alone = time.monotonic() - begun
    source = asked.module.read_text(encoding="utf-8")
    every = mutants_of(source)
    chosen, killed, tried = every[:: asked.every], 0, 0
    for line, kind, occurrence in chosen:
        if time.monotonic() - begun > asked.seconds:
            break
        tried += 1
        text = changed_text(source, kind, occurrence)
        changed = Changed(name, asked.module.resolve(), text)
        if outcome(asked.tests, changed, 5.0 + TIMES * alone) == "passed":
            print(
                f"survived, line {line}, {kind}: {text.splitlines()[line - 1].strip()}", flush=True
            )
        else:
            killed += 1
    print(
        f"{asked.module}: {killed} of {tried} killed ({100 * killed / max(tried, 1):.1f} %), of"
        f" {len(every)} mutants in all; tests alone {alone:.1f} s"
    )


if __name__ == "__main__":
    main()
