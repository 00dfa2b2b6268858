"""The README's commands and the output it shows are true."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from optimizer.billing.reconcile import read_paid_bill
from optimizer.cli.app import app
from optimizer.economics.assumptions import Incentive, Operating, Residual, Terms
from optimizer.economics.cash_flow import Fading
from optimizer.economics.monte_carlo import Draws
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.studies.study_file import BestSize, Ranges, Reference, StudyFile, Vary

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "scenarios" / "GUIDE.md").read_text(encoding="utf-8")
TARIFFS = (ROOT / "tariffs" / "README.md").read_text(encoding="utf-8")
COMMANDS = [
    command
    for command in re.findall(r"```sh\n(.+?)\n```", README, flags=re.DOTALL)
    if "venv" in command
]
"""The commands that set something up; others need data of the reader's own."""

SHOWN = re.search(r"```text\n(.+?)\n```", README, flags=re.DOTALL)


YAML_SHOWN = re.findall(r"```yaml\n(.+?)\n```", GUIDE + TARIFFS, flags=re.DOTALL)


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the tree without anything that a machine left in it."""
    left = shutil.ignore_patterns(".git", ".venv*", "*cache*", "__pycache__", "out", "*.egg-info")
    return Path(shutil.copytree(ROOT, tmp_path_factory.mktemp("clone") / "here", ignore=left))


def run(command: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    # Workers of the tests are told a width of their own.
    left = {"VIRTUAL_ENV", "COLUMNS"}
    kept = {key: value for key, value in os.environ.items() if key not in left}
    return subprocess.run(
        ["bash", "-c", command], cwd=folder, env=kept | environment, capture_output=True, text=True,
        check=False, timeout=1500,
    )  # fmt: skip


def test_the_readme_has_one_command_to_plan_and_one_to_test() -> None:
    assert [("plan" in c, "pytest" in c) for c in COMMANDS] == [(True, False), (False, True)]


@pytest.mark.long
def test_the_first_command_sets_up_and_plans_the_demo_as_shown(clone: Path) -> None:
    done = run(COMMANDS[0], clone)
    assert done.returncode == 0, done.stderr
    written = {path.name for path in (clone / "out").iterdir()}
    assert written == {
        "plan.json", "flows.csv", "settings.yaml", "tariff.yaml", "report.html", "settings_by_size",
        "reminders.ics", "scenario_as_read.yaml", "settings_bright.yaml", "settings_dark.yaml", "two_cards.yaml",
    }  # fmt: skip
    assert SHOWN is not None
    shown = [line for line in SHOWN[1].splitlines() if line.strip() != "..."]
    missing = [line for line in shown if line not in done.stdout.splitlines()]
    assert not missing, done.stdout


def test_the_paid_bill_that_the_guide_shows_can_be_read(tmp_path: Path) -> None:
    (shown,) = (text for text in YAML_SHOWN if text.startswith("bill:"))
    (tmp_path / "paid.yaml").write_text(shown, encoding="utf-8")
    paid, _ = read_paid_bill(tmp_path / "paid.yaml")
    assert sum(line.amount for line in paid.lines) == pytest.approx(paid.total)


def test_the_forecasts_that_the_guide_shows_are_understood() -> None:
    shown = [text for text in YAML_SHOWN if text.startswith("forecast:")]
    metered, behind = (
        ForecastRecipe.model_validate(YAML(typ="safe").load(text)["forecast"]) for text in shown
    )
    assert metered.load.meters == ["meter_2025.csv", "meter_2026.csv"]
    assert not metered.is_behind
    assert behind.is_behind


@pytest.mark.long
def test_the_second_command_sets_up_and_finds_the_tests(clone: Path) -> None:
    """Only collects: the tests that it would run are the ones that run now."""
    done = run(COMMANDS[1], clone, PYTEST_ADDOPTS="--collect-only -n 0")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert "test_readme.py" in done.stdout


def test_the_study_that_the_guide_shows_is_understood() -> None:
    (shown,) = (text for text in YAML_SHOWN if text.startswith("study:"))
    study = StudyFile.model_validate(YAML(typ="safe").load(shown))
    assert len(study.choices()) == 2 * 3 * 2


def test_the_scenarios_readme_has_every_key_of_a_study() -> None:
    told = (ROOT / "scenarios" / "README.md").read_text(encoding="utf-8").split("## A study")[1]
    models = (
        StudyFile,
        Vary,
        Terms,
        Fading,
        BestSize,
        Ranges,
        Reference,
        Draws,
        Incentive,
        Operating,
        Residual,
    )
    keys = {key for model in models for key in model.model_fields}
    assert keys
    assert [key for key in sorted(keys) if f"{key}`" not in told and f"`{key}." not in told] == []


def test_the_documents_stay_short() -> None:
    words = {name: len((ROOT / name).read_text(encoding="utf-8").split())
             for name in ("README.md", "DEVELOPERS.md")}  # fmt: skip
    assert words["README.md"] <= 1400
    assert words["DEVELOPERS.md"] <= 2500


@pytest.mark.parametrize(
    "name",
    [
        "README.md",
        "DEVELOPERS.md",
        "scenarios/GUIDE.md",
        "scenarios/README.md",
        "tariffs/README.md",
    ],
)
def test_links_lead_somewhere(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#:]+)(#[^)]+)?\)", text)
    missing = [link for link, _ in targets if not (ROOT / name).parent.joinpath(link).exists()]
    assert not missing
    for link, anchor in targets:
        if anchor:
            heads = re.findall(r"^#+ (.+)$", (ROOT / name).parent.joinpath(link).read_text(), re.M)
            slugs = {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}
            assert anchor[1:] in slugs


def test_every_command_stands_in_readme_and_guide() -> None:
    for command in app.registered_commands:
        assert command.callback is not None
        name = command.name or command.callback.__name__.replace("_", "-")
        assert f"`{name}`" in README or f"tariffwright {name}" in README
        assert f"tariffwright {name}" in GUIDE
