"""The guide of the library runs, and names all that the library offers."""

from __future__ import annotations

import doctest
import importlib
import os
import re
import subprocess
import sys
from pathlib import Path

import optimizer

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "optimizer" / "library" / "guide.md"
MOST_IMPORT_S = 0.2

MEASURE = """
import sys, time
begun = time.process_time()
import optimizer
seconds = time.process_time() - begun
print(seconds, sorted({name.split('.')[0] for name in sys.modules} & {'numpy', 'pandas', 'numba', 'highspy'}))
"""


def test_the_guide_runs_as_it_is_printed(monkeypatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, run = doctest.testfile(
        str(GUIDE), module_relative=False, optionflags=doctest.REPORT_NDIFF | doctest.ELLIPSIS
    )
    assert run > 30
    assert failed == 0


def test_the_guide_names_all_that_is_public_and_nothing_else() -> None:
    named = set(re.findall(r"\btw\.(\w+)", GUIDE.read_text(encoding="utf-8")))
    assert named == set(optimizer.__all__)
    assert optimizer.__all__ == sorted(optimizer.__all__)


def test_every_public_name_is_the_one_of_its_home() -> None:
    for name in optimizer.__all__:
        found = getattr(optimizer, name)
        home = importlib.import_module(found.__module__)
        assert getattr(home, name) is found
        assert found.__doc__, name
    assert set(optimizer.__all__) <= set(dir(optimizer))


def test_rooms_and_public_names_do_not_hide_each_other() -> None:
    """A room that is imported becomes an attribute of the package, and would hide a name like it."""
    rooms = {path.parent.name for path in (ROOT / "optimizer").glob("*/__init__.py")}
    assert not rooms & set(optimizer.__all__)


def test_importing_loads_nothing_heavy_and_changes_no_environment() -> None:
    done = subprocess.run(
        [sys.executable, "-c", MEASURE], capture_output=True, text=True, check=True, cwd=ROOT
    )
    seconds, loaded = done.stdout.split(maxsplit=1)
    assert float(seconds) <= MOST_IMPORT_S
    assert loaded.strip() == "[]"
    told = "import os; before = dict(os.environ); import optimizer as tw; tw.plan; print(before == os.environ)"
    done = subprocess.run(
        [sys.executable, "-c", told], capture_output=True, text=True, check=True, cwd=ROOT,
        env={**os.environ, "NUMBA_CACHE_DIR": ""},
    )  # fmt: skip
    assert done.stdout == "True\n"
    assert done.stderr == ""


def test_types_are_told_to_others() -> None:
    assert (ROOT / "optimizer" / "py.typed").is_file()
