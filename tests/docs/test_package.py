"""The package carries its licence, its types and the shipped files."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LICENCE = ROOT / "optimizer" / "LICENSE"

BUILD = """
import sys
from hatchling.build import build_wheel
print(build_wheel(sys.argv[1]))
"""


def test_the_configuration_puts_licence_types_and_shipped_files_into_the_wheel() -> None:
    project, wheel = PROJECT["project"], PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert project["license"] == "MIT"
    assert [ROOT / name for name in project["license-files"]] == [LICENCE]
    assert LICENCE.read_text(encoding="utf-8").startswith("MIT License\n")
    assert "Typing :: Typed" in project["classifiers"]
    assert wheel["packages"] == ["optimizer"]
    assert (ROOT / "optimizer" / "py.typed").exists()
    for source in wheel["force-include"]:
        assert any((ROOT / source).iterdir())


def test_a_wheel_holds_them(tmp_path: Path) -> None:
    """Built without a network where the build backend is installed; else its input is looked at."""
    if find_spec("hatchling") is None:
        assert PROJECT["build-system"]["build-backend"] == "hatchling.build"
        return
    done = subprocess.run(
        [sys.executable, "-c", BUILD, str(tmp_path)],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    with zipfile.ZipFile(tmp_path / done.stdout.split()[-1]) as wheel:
        names = wheel.namelist()
        (metadata,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        told = wheel.read(metadata).decode()
    assert {"optimizer/LICENSE", "optimizer/py.typed"} <= set(names)
    assert any(re.fullmatch(r".+\.dist-info/licenses/optimizer/LICENSE", name) for name in names)
    for kind in ("tariffs", "scenarios"):
        assert any(name.startswith(f"optimizer/shipped/{kind}/") for name in names)
    assert "License-Expression: MIT" in told
    assert "Classifier: Typing :: Typed" in told
