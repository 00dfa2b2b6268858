"""Measures how the code is laid out: rooms, arrows, floors, lines, bodies, docstrings, words.

    python tests/bench/house_figures.py [ROOT]

A room is a folder of ``optimizer/`` or a single file beside the folders. An arrow leads from one room to
another that it imports from. Floors count the rooms on the longest way down. Nothing is imported:
the code is read as text.
"""

from __future__ import annotations

import ast
import re
import statistics
import sys
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

Function = ast.FunctionDef | ast.AsyncFunctionDef

UNIT = re.compile(
    r"\[(k?Wh?|kW[^\]]*|k?VA[^\]]*|A|W or VA|money[^\]]*|h|s|min|days|%|1|1/year|deg[^\]]*|°[^\]]*)[,\] ]"
)
QUANTITY = re.compile(r"_(kwh|kw|pct|h|s|per_kwh|frac)$")
SHAPE = re.compile(r"shape \(")
MANY = 6
"""From so many positional arguments on a call is hard to read."""


def modules_of(root: Path) -> dict[str, ast.Module]:
    """Return the parsed modules of the package by dotted name."""
    found = {}
    for path in sorted((root / "optimizer").rglob("*.py")):
        name = ".".join(path.relative_to(root).with_suffix("").parts)
        found[name.removesuffix(".__init__")] = ast.parse(path.read_text(encoding="utf-8"))
    return found


def room_of(name: str) -> str:
    """Return the room of a module; empty for the package itself."""
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports_of(module: ast.Module, known: set[str]) -> Iterator[str]:
    """Yield the modules of the package that a module imports anywhere in its text."""
    for node in ast.walk(module):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("optimizer"):
            for name in node.names:
                whole = f"{node.module}.{name.name}"
                yield whole if whole in known else str(node.module)


def arrows_of(modules: dict[str, ast.Module]) -> set[tuple[str, str]]:
    """Return the pairs of rooms of which the first imports from the second."""
    known = set(modules)
    pairs = {
        (room_of(name), room_of(target))
        for name, module in modules.items()
        for target in imports_of(module, known)
    }
    return {(one, other) for one, other in pairs if one != other and one and other}


def floors_of(arrows: set[tuple[str, str]]) -> int:
    """Return how many rooms the longest way down passes; 0 if rooms form a circle."""
    below: dict[str, set[str]] = {}
    for one, other in arrows:
        below.setdefault(one, set()).add(other)
    on_way: set[str] = set()

    @cache
    def height(room: str) -> int:
        if room in on_way:
            raise RecursionError(room)
        on_way.add(room)
        tallest = 1 + max((height(other) for other in below.get(room, ())), default=0)
        on_way.discard(room)
        return tallest

    try:
        return max(map(height, below), default=1)
    except RecursionError:
        return 0


def has_circle(modules: dict[str, ast.Module]) -> bool:
    """Tell whether files import each other in a circle, for types alone too."""
    known = set(modules)
    graph = {name: set(imports_of(module, known)) - {name} for name, module in modules.items()}
    del graph["optimizer"]  # its lazy names lead everywhere
    try:
        TopologicalSorter(graph).prepare()
    except CycleError:
        return True
    return False


def functions_of(modules: dict[str, ast.Module]) -> list[Function]:
    """Return all functions and methods."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return [node for tree in modules.values() for node in ast.walk(tree) if isinstance(node, kinds)]


def body_lines(function: Function) -> int:
    """Return the lines of a function without its docstring."""
    body = function.body
    if ast.get_docstring(function, clean=False) is not None:
        body = body[1:]
    return (function.end_lineno or 0) - body[0].lineno + 1 if body else 0


def packed_calls(modules: dict[str, ast.Module]) -> int:
    """Return how many calls hand over many arguments by position alone."""
    calls = (n for tree in modules.values() for n in ast.walk(tree) if isinstance(n, ast.Call))
    return sum(len(call.args) >= MANY for call in calls)


def share_with_units(functions: list[Function]) -> float:
    """Return the share of public docstrings that state a unit or a shape."""
    told = [ast.get_docstring(f) or "" for f in functions if not f.name.startswith("_")]
    return sum(bool(UNIT.search(text) or SHAPE.search(text)) for text in told) / len(told)


def tells_quantity(function: Function) -> bool:
    """Tell whether a function takes or returns a quantity, by its types and the ends of its names."""
    returned = ast.unparse(function.returns) if function.returns else ""
    names = [function.name, *(a.arg for a in [*function.args.args, *function.args.kwonlyargs])]
    return "float" in returned.lower() or any(map(QUANTITY.search, names))


def words_in(path: Path) -> int:
    """Return the words of a text; 0 if there is none."""
    return len(path.read_text(encoding="utf-8").split()) if path.exists() else 0


def figures_of(root: Path) -> dict[str, str]:
    """Return the figures of a checkout, as text."""
    modules = modules_of(root)
    files = {path: path.read_text(encoding="utf-8") for path in (root / "optimizer").rglob("*.py")}
    lines = {path: text.count("\n") for path, text in files.items()}
    comments = sum(
        line.lstrip().startswith("#") for text in files.values() for line in text.split("\n")
    )
    functions, arrows = functions_of(modules), arrows_of(modules)
    bodies = sorted(map(body_lines, functions))
    rooms: dict[str, int] = {}
    for path, count in lines.items():
        room = path.relative_to(root / "optimizer").parts[0]
        rooms[room] = rooms.get(room, 0) + count
    total, largest = sum(lines.values()), max(lines, key=lambda path: lines[path])
    widest = max(rooms, key=lambda room: rooms[room])
    return {
        "lines of Python": f"{total:,}",
        "files": str(len(files)),
        "largest file": f"{largest.relative_to(root)} ({lines[largest]})",
        "rooms": str(len(rooms)),
        "largest room": f"{widest} ({rooms[widest] / total:.0%})",
        "arrows between rooms": str(len(arrows)),
        "floors (0: a circle)": str(floors_of(arrows)),
        "files import in a circle": "yes" if has_circle(modules) else "no",
        "body, median and nine in ten": f"{statistics.median(bodies):.0f}, {bodies[len(bodies) * 9 // 10]}",
        f"calls with {MANY} or more arguments by position": str(packed_calls(modules)),
        "public docstrings with a unit or shape": f"{share_with_units(functions):.0%}",
        "the same, of functions that take or return a quantity": (
            f"{share_with_units(list(filter(tells_quantity, functions))):.0%}"
        ),
        "comment lines per 100": f"{100 * comments / total:.1f}",
        "words in README.md": f"{words_in(root / 'README.md'):,}",
        "words in DEVELOPERS.md": f"{words_in(root / 'DEVELOPERS.md'):,}",
    }


if __name__ == "__main__":
    for name, figure in figures_of(Path(sys.argv[1] if len(sys.argv) > 1 else ".")).items():
        print(f"{name:50}{figure}")
