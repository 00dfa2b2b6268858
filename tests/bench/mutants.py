"""Mutation testing by hand: do tests see it when one operator or number of a module is changed?

    PYTHONPATH=. python tests/bench/mutants.py ROOM [--count 60] [--seed 1] [--only PART_OF_A_PATH]
        [--tests ground/test_limits ...] [--seen FILE] [--again LOG]
    PYTHONPATH=. python tests/bench/mutants.py --prove

Mutants are those of cosmic-ray (``pip install cosmic-ray``): comparisons, arithmetic, and/or, not, numbers,
true and false, loops. Left out: decorators (``frozen=True``, ``cache=True``), ``strict=True`` of ``zip``,
``slots``; docstrings, annotations and text have no such operators. ``--count`` draws so many by chance.

How it works. No file is changed. A process loads the outside libraries. A fork of it runs the tests of the
room's table once without a mutant and notes which lines of the modules each test runs and how long it takes
(``--seen`` keeps that); tests that fail there are left out and told. For each module another fork loads
everything but the module and what imports it. For each mutant it forks once more: there the module comes from
the changed text, and those tests run that run the changed statement, the quickest of each file first, until one
fails. A mutant is killed if a test fails or they take too long; it has survived if no test runs it.
Before the first mutant three lines are tried with the text as it is, which must pass. In modules of
``simulation`` numba is off, so that no compiled code of the unchanged text is taken.

Survivors are printed with their line. Those that mean the same are listed by hand, each with its reason, in
``equal_mutants.txt`` beside this file, and are counted apart. ``--again`` tries the survivors of a log anew.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import signal
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any, NamedTuple

import numpy as np

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

_MENUS = tuple(f"laws/test_menus::test_{name}" for name in (
    "settings_by_chance_are_accepted_if_and_only_if_the_menu_can_hold_them",
    "each_step_obeys_the_window_that_holds_by_a_plain_reading",
    "outside_its_entries_the_equipment_does_what_the_menu_says",
    "months_without_any_entry_are_as_the_equipment_comes",
    "a_limit_beside_a_charge_entry_slows_it_and_an_entry_that_comes_first_ends_it",
    "a_charge_entry_that_has_ended_stays_ended_where_a_limit_begins",
    "a_clock_without_summer_time_is_an_hour_behind_in_summer",
))  # fmt: skip
_LINEAR = tuple(f"laws/test_linear::test_{name}" for name in (
    "the_small_program_costs_what_the_whole_one_costs_and_its_prices_prove_it",
    "of_two_cheap_hours_the_later_one_charges", "sun_that_nobody_pays_for_is_still_exported",
    "equal_prices_for_both_directions_do_not_run_both",
    "a_real_difference_in_price_far_below_the_tie_price_still_decides",
    "where_ties_cannot_be_settled_in_time_the_cheapest_plan_stands",
    "a_proof_fails_for_a_broken_limit_a_dearer_plan_and_for_wrong_prices",
    "a_wrong_warm_answer_is_found_out_and_solved_from_nothing",
    "an_answer_that_no_way_can_prove_is_refused", "one_warm_answer_in_so_many_is_found_a_second_time",
    "a_cold_answer_that_costs_less_than_the_warm_one_is_told", "other_prices_are_solved_warm_to_the_plan_of_a_cold_start",
))  # fmt: skip

ROOMS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "billing": (
        ("billing/charges/*.py", "billing/bill.py"),
        ("ground/test_bill_lines", "ground/test_charge_mistakes", "outside/test_bills", "outside/test_more_bills", "outside/test_published_bills",
         "outside/test_wider_bills", "broken/test_new_words",
         "laws/test_families::test_a_charge_is_billed_as_it_is_by_hand",
         "laws/test_families::test_a_tariff_that_changes_is_billed_as_it_is_by_hand", "laws/test_nights",
         "docs/test_tariffs_readme", "broken/test_gallery::test_each_mistake_is_told_with_what_where_and_mend"),
    ),
    "cost": (
        ("cost/*.py",),
        ("laws/test_cost_by_hand", "outside/test_more_bills", "laws/test_guessed_sides",
         "laws/test_minimum_with_blocks"),
    ),
    "simulation": (
        ("simulation/step.py", "simulation/replay*.py", "simulation/by_turns.py", "simulation/trace.py"),
        ("laws/test_steps_by_hand", "laws/test_by_turns", "laws/test_behaviour", "laws/test_replay_by_hand", "laws/test_timed_limits", "laws/test_step_reason",
         "laws/test_nights_of_windows::test_a_night_of_weekdays_ends_on_saturday_morning_and_not_on_mondays",
         "laws/test_nights_of_windows::test_a_window_that_begins_on_the_day_comes_before_one_that_goes_on",
         "ground/test_controls",
         "laws/test_second_card::test_two_days_by_hand_a_dark_day_is_filled_for_and_a_bright_one_is_not",
         "laws/test_second_card::test_the_card_for_a_day_holds_from_eight_on_the_evening_before", *_MENUS),
    ),
    "planning": (
        ("planning/matrix.py", "planning/problem.py", "planning/linear.py", "planning/compact.py",
         "planning/counting.py"),
        ("laws/test_counting", "laws/test_counting_by_hand", "laws/test_linear_by_hand", "ground/test_problem_limits", "ground/test_problem", "laws/test_matrix", *_LINEAR),
    ),
    "settings": (
        ("settings/check.py", "settings/windows.py", "settings/menu.py", "settings/short_text.py"),
        ("ground/test_menu_by_hand", "ground/test_windows_by_hand", "ground/test_controls",
         "ground/test_limits", "ground/test_short_text", "ground/test_places",
         "docs/test_tariffs_readme", "broken/test_gallery::test_each_mistake_is_told_with_what_where_and_mend",
         *_MENUS),
    ),
}  # fmt: skip
"""Modules of each room, and the tests that are held to find a fault in them."""

UNCOMPILED = "optimizer/simulation/"
SLOW = "not (score or demos or compiled or random_cases or a_plan or by_chance)"
"""Without compiled code what searches and scores takes too long."""
FIRST_SECONDS = 20.0
"""So long are the first tests of a mutant, by the time that they take without one; then come all others."""
TIMES, SPARE_S = 6.0, 40.0
"""A mutant may take so many times as long, and so much more."""
MEMORY = 8 << 30
COUNTED = ("tried", "killed", "too long", "explained")
"""Of those killed, so many took too long."""
NONE_FOUND = 5
"""Pytest's code where no test has the name that it had: that kills no mutant."""
EQUAL = Path(__file__).with_name("equal_mutants.txt")
KNOWN = ("optimizer/cost/expression.py", "node.factor * self.value", "-node.factor * self.value")
"""A change that must be found: all that is scaled has the other sign."""

Seen = dict[str, Any]
"""Seconds by test; lines by module and test; names of the modules loaded."""

NOTHING: Seen = {"seconds": {}, "lines": {}, "loaded": []}

ALL = "what runs while tests are collected"
"""Stands for such lines among the tests that run them."""


class Mutant(NamedTuple):
    """A place to change: cosmic-ray's operator, and which of its places in the module."""

    path: str
    line: int
    kind: str
    number: int


def mutants_of(path: str) -> list[Mutant]:
    """Return all mutants of a module, in the order of the lines."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator

    source = Path(path).read_text(encoding="utf-8")
    found, nodes, left_out = list[Mutant](), list(ast_nodes(get_ast(source))), _left_out(source)
    for kind in OPERATORS:
        operator = get_operator(f"core/{kind}")()
        places = (place for node in nodes for place in operator.mutation_positions(node))
        for number, (begin, _) in enumerate(places):
            if not any(first <= begin < end for first, end in left_out):
                found.append(Mutant(path, begin[0], kind, number))
    return sorted(found)


def _left_out(source: str) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return begin and end of what is not changed, as lines and columns."""
    tree = ast.walk(ast.parse(source))
    nodes = [
        part
        for node in tree
        for part in (*getattr(node, "decorator_list", ()), *getattr(node, "keywords", ()))
        if not isinstance(part, ast.keyword) or part.arg in {"strict", "slots"}
    ]
    return [((n.lineno, n.col_offset), (n.end_lineno or 0, n.end_col_offset or 0)) for n in nodes]


def changed_text(mutant: Mutant) -> str:
    """Return the module with one mutation."""
    from cosmic_ray.ast import get_ast
    from cosmic_ray.mutating import MutationVisitor
    from cosmic_ray.plugins import get_operator

    visitor = MutationVisitor(mutant.number, get_operator(f"core/{mutant.kind}")())
    text: str = visitor.walk(get_ast(Path(mutant.path).read_text(encoding="utf-8"))).get_code()
    return text


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from a changed text."""

    def __init__(self, path: str, text: str) -> None:
        self.path, self.text = Path(path).resolve(), text
        self.name = name_of(path)

    def find_spec(self, name: str, path: Any, target: Any = None) -> Any:
        is_it = name == self.name
        return importlib.util.spec_from_loader(name, self, origin=str(self.path)) if is_it else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.path)
        exec(compile(self.text, str(self.path), "exec"), module.__dict__)


def name_of(path: str) -> str:
    """Return a module's name."""
    return ".".join(Path(path).with_suffix("").parts)


class Watcher:
    """Notes for each test its seconds and the lines of some modules that it runs."""

    def __init__(self, paths: list[str]) -> None:
        self.paths = {str(Path(path).resolve()): path for path in paths}
        self.seconds: dict[str, float] = {}
        self.failed = set[str]()
        self.lines: dict[str, dict[str, set[int]]] = {path: defaultdict(set) for path in paths}
        self.now = ALL

    def trace(self, frame: FrameType, event: str, _: Any) -> Any:
        path = self.paths.get(frame.f_code.co_filename)
        if path is None:
            return None
        self.lines[path][self.now].add(frame.f_lineno)
        return self.trace

    def pytest_sessionstart(self) -> None:
        sys.settrace(self.trace)

    def pytest_runtest_setup(self, item: Any) -> None:
        self.now = f"{item.nodeid.split('::')[0]}::"  # a fixture serves a whole file

    def pytest_runtest_call(self, item: Any) -> None:
        self.now = item.nodeid

    def pytest_runtest_teardown(self) -> None:
        self.now = ALL

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed or report.skipped:
            self.failed.add(report.nodeid)

    def told(self) -> dict[str, Any]:
        lines = {
            path: {test: sorted(numbers) for test, numbers in found.items()}
            for path, found in self.lines.items()
        }
        loaded = [name for name, module in sys.modules.items() if module and "test" not in name]
        seconds = {test: spent for test, spent in self.seconds.items() if test not in self.failed}
        return {"seconds": seconds, "lines": lines, "loaded": loaded, "failed": sorted(self.failed)}


class Only:
    """Runs the tests named, in their order."""

    def __init__(self, tests: list[str]) -> None:
        self.place = {test: place for place, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items[:] = sorted(
            (i for i in items if i.nodeid in self.place), key=lambda i: self.place[i.nodeid]
        )


def run_tests(files: list[str], plugin: Any, *more: str) -> int:
    """Run tests in this process, with nothing printed; return pytest's code."""
    import hypothesis
    import pytest

    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    hypothesis.settings.register_profile("mutants", database=None, derandomize=True, deadline=None)
    hypothesis.settings.load_profile("mutants")
    options = ["-x", "-q", "-p", "no:cacheprovider", "--assert=plain", "--tb=no", "-m", "not long",
               "-o", "addopts=--strict-markers --import-mode=importlib"]  # fmt: skip
    return int(pytest.main([*options, *more, *files], plugins=[plugin]))


def in_a_fork(work: Any, seconds: float) -> tuple[str, Any]:
    """Return ``passed``, ``failed`` or ``too long``, and what the work handed out."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        signal.alarm(int(seconds) + 1)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        code = 70
        with contextlib.suppress(BaseException):
            code, told = work()
            with os.fdopen(writing, "w") as out:
                json.dump(told, out)
        os._exit(code)
    os.close(writing)
    with os.fdopen(reading) as source:
        text = source.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGALRM:
        return "too long", None
    return ("passed" if status == 0 else "failed"), json.loads(text) if text else None


def statement_of(path: str) -> dict[int, tuple[int, int]]:
    """Return for each line the first and last line of its statement; of a compound one, of its head."""
    found = dict[int, tuple[int, int]]()
    for node in ast.walk(ast.parse(Path(path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.stmt | ast.match_case):
            body = getattr(node, "body", None)
            first = node.pattern.lineno if isinstance(node, ast.match_case) else node.lineno
            end = max(first, body[0].lineno - 1) if body else (node.end_lineno or first)  # type: ignore[union-attr]
            found |= dict.fromkeys(range(first, end + 1), (first, end))
    return found


def tests_for(
    path: str, line: int, seen: Seen, statements: dict[int, tuple[int, int]]
) -> list[str]:
    """Return the tests that run a line's statement: the quickest of each file, then the next of each."""
    first, end = statements.get(line, (line, line))
    by = [
        test for test, lines in seen["lines"][path].items() if any(first <= n <= end for n in lines)
    ]
    if ALL in by:
        chosen = list(seen["seconds"])
    else:
        chosen = [
            test for test in seen["seconds"] if test in by or f"{test.split('::')[0]}::" in by
        ]
    chosen.sort(key=seen["seconds"].__getitem__)
    count, rank = Counter[str](), dict[str, int]()
    for test in chosen:  # the quickest of each file first, so that all files have their say
        rank[test] = count[test.split("::")[0]]
        count[test.split("::")[0]] += 1
    return sorted(chosen, key=rank.__getitem__)


def seen_by(tests: list[str], paths: list[str], uncompiled: bool) -> Seen:
    """Run tests without any mutant; return which lines of the modules each runs."""
    begun, watcher = time.monotonic(), Watcher(paths)

    def work() -> tuple[int, Seen]:
        without_compiling(uncompiled)
        code = run_tests(tests, watcher, "--maxfail=1000", *(["-k", SLOW] if uncompiled else []))
        return (0 if watcher.seconds and code in (0, 1) else code), watcher.told()

    how, seen = in_a_fork(work, 1800.0)
    if how != "passed":
        raise SystemExit(f"without any mutant the tests end as: {how}")
    print(f"{len(seen['seconds'])} tests in {time.monotonic() - begun:.0f} s; left out, as they fail without any"
          f" mutant: {seen['failed']}", flush=True)  # fmt: skip
    return seen  # type: ignore[no-any-return]


def without_compiling(is_so: bool) -> None:
    """Keep numba from compiling, and from taking what it compiled before."""
    import numba

    numba.config.DISABLE_JIT = int(is_so)


class Module:
    """Tries mutants of one module, in a process of its own that has loaded all that it does not change."""

    def __init__(self, path: str, seen: Seen) -> None:
        import grimp

        without_compiling(path.startswith(UNCOMPILED))
        self.path, self.seen, self.statements = path, seen, statement_of(path)
        graph = grimp.build_graph("optimizer", cache_dir=None)
        left = {name_of(path), "optimizer"} | graph.find_downstream_modules(name_of(path))
        for name in self.seen["loaded"]:
            if name not in left:
                with contextlib.suppress(BaseException):
                    importlib.import_module(name)
        assert name_of(path) not in sys.modules

    def tests(self, line: int) -> list[str]:
        """Return the tests for a line."""
        return tests_for(self.path, line, self.seen, self.statements)

    def outcome(self, line: int, text: str) -> str:
        """Return how the tests of a line end with a changed text."""
        tests = self.tests(line)
        upto = np.cumsum([self.seen["seconds"][test] for test in tests])
        cut = max(int(np.searchsorted(upto, FIRST_SECONDS)), 1)
        ends = (self._end_of(part, text) for part in (tests[:cut], tests[cut:]) if part)
        return next((end for end in ends if end != "passed"), "passed")

    def _end_of(self, tests: list[str], text: str) -> str:
        def work() -> tuple[int, None]:
            sys.meta_path.insert(0, Changed(self.path, text))
            code = run_tests(sorted({test.split("::")[0] for test in tests}), Only(tests))
            return (0 if code == NONE_FOUND else code), None

        usual = sum(self.seen["seconds"][test] for test in tests)
        return in_a_fork(work, SPARE_S + TIMES * usual)[0]


def equal_ones() -> set[tuple[str, str]]:
    """Return path and changed line of the mutants that are explained by hand."""
    rows = EQUAL.read_text(encoding="utf-8").splitlines() if EQUAL.exists() else []
    told = [row.rsplit(" | ", 1)[0] for row in rows if row and not row.startswith("#")]
    return {(path, line) for path, _, line in (each.partition(" | ") for each in told)}


def tried(path: str, seen: Seen, chosen: list[Mutant]) -> dict[str, int]:
    """Try mutants of one module; print survivors; return how many were tried, killed and explained."""
    module, known, counts = Module(path, seen), equal_ones(), dict.fromkeys(COUNTED, 0)
    source = Path(path).read_text(encoding="utf-8")
    for mutant in {chosen[0], chosen[len(chosen) // 2], chosen[-1]}:
        if module.outcome(mutant.line, source) != "passed":
            print(f"{path}: the tests of line {mutant.line} fail without any mutant", flush=True)
            return counts
    for mutant in chosen:
        text = changed_text(mutant)
        line = text.splitlines()[mutant.line - 1].strip()
        outcome = module.outcome(mutant.line, text)
        counts["tried"] += 1
        counts["killed"] += outcome != "passed"
        counts["too long"] += outcome == "too long"
        if outcome == "passed":
            is_known = (path, line) in known
            counts["explained"] += is_known
            told = f"| {len(module.tests(mutant.line))} tests | {line}"
            print("explained" if is_known else "survived", json.dumps(mutant), told, flush=True)
    return counts


def prove() -> None:
    """Show that a known fault is found."""
    path, right, wrong = KNOWN
    source = Path(path).read_text(encoding="utf-8")
    assert right in source
    line = source[: source.index(right)].count("\n") + 1
    module = Module(path, seen_by(["tests/outside/test_more_bills.py"], [path], False))
    for words, text in (("as it is", source), ("with a known fault", source.replace(right, wrong))):
        print(f"{path} {words}: {module.outcome(line, text)}")


def load_libraries() -> None:
    """Load what is slow to load and the same for all."""
    for name in ("highspy", "numba", "pandas", "pydantic", "pytest", "hypothesis", "scipy.sparse", "pyomo.environ",
                 "ruamel.yaml", "typer.testing", "grimp", "cosmic_ray.ast", "cosmic_ray.mutating"):  # fmt: skip
        importlib.import_module(name)


def chosen_of(every: list[Mutant], seed: int, count: int, log: Path | None) -> list[Mutant]:
    """Return mutants by chance, or those that survived in a log; lines may have moved since."""
    if log is None:
        return random.Random(seed).sample(every, min(count, len(every)))
    rows = [
        row for row in log.read_text(encoding="utf-8").splitlines() if row.startswith("survived")
    ]
    told = [Mutant(*json.loads(row.split(" ", 1)[1].split(" | ")[0])) for row in rows]
    now = {mutant._replace(line=0): mutant for mutant in every}
    return [now[mutant._replace(line=0)] for mutant in told]


def file_of(test: str) -> str:
    """Return the path of a test or of a file of tests."""
    name, mark, rest = test.partition("::")
    return f"tests/{name}.py{mark}{rest}"


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("room", nargs="?", choices=ROOMS)
    options.add_argument("--count", type=int, default=60)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", default="")
    options.add_argument("--tests", nargs="+")
    options.add_argument("--again", type=Path)
    options.add_argument("--seen", type=Path)
    options.add_argument("--prove", action="store_true")
    asked = options.parse_args()
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    load_libraries()
    if asked.prove:
        prove()
        return
    patterns, tests = ROOMS[asked.room]
    paths = sorted({str(path) for pattern in patterns for path in Path("optimizer").glob(pattern)})
    every = [mutant for path in paths if asked.only in path for mutant in mutants_of(path)]
    chosen = chosen_of(every, asked.seed, asked.count, asked.again)
    total = dict.fromkeys(COUNTED, 0)
    files = [file_of(test) for test in asked.tests or tests]
    seen = (
        json.loads(asked.seen.read_text("utf-8")) if asked.seen and asked.seen.exists() else NOTHING
    )
    known = {test.split("::")[0] for test in seen["seconds"]}
    new = [file for file in files if file.split("::")[0] not in known]
    if new:
        more = seen_by(new, paths, paths[0].startswith(UNCOMPILED))
        lines = {path: seen["lines"].get(path, {}) | more["lines"].get(path, {}) for path in paths}
        seen = {"seconds": seen["seconds"] | more["seconds"], "lines": lines,
                "loaded": [*seen["loaded"], *more["loaded"]]}  # fmt: skip
    if asked.seen:
        asked.seen.write_text(json.dumps(seen), encoding="utf-8")
    for path in sorted({mutant.path for mutant in chosen}):
        own = sorted(mutant for mutant in chosen if mutant.path == path)

        def work(path: str = path, own: list[Mutant] = own) -> tuple[int, dict[str, int]]:
            return 0, tried(path, seen, own)

        _, counts = in_a_fork(work, 7200.0)
        print(path, counts, f"of {sum(each.path == path for each in every)}", flush=True)
        for key in total:
            total[key] += (counts or {}).get(key, 0)
    share = 100 * total["killed"] / max(total["tried"], 1)
    print(f"{asked.room}: {len(every)} mutants in all, {total}, {share:.0f} % killed")


if __name__ == "__main__":
    main()
