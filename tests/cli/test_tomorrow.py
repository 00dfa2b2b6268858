"""``tomorrow`` says which of two cards to use, from a folder of results alone."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from optimizer.cli.app import app
from tests.cli.test_lean_start import code_and_loaded

RULE = """\
switched_at: "20:00"
rules:
- months: [1, 2, 3, 10, 11, 12]
  below_kwh: 9
- months: [4, 5, 6, 7, 8, 9]
  below_kwh: 0
"""

CARD = """\
settings: {name}
floor_pct: 10
seasons:
- months: [1, 2, 3, 10, 11, 12]
  day_sets:
  - days: every day
    windows:
    - {{start: "01:00", end: "05:00", action: charge, until_pct: {level}}}
- months: [4, 5, 6, 7, 8, 9]
  day_sets:
  - days: every day
    windows: []
"""


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """A folder of results with two cards."""
    (tmp_path / "plan.json").write_text("{}", encoding="utf-8")
    (tmp_path / "two_cards.yaml").write_text(RULE, encoding="utf-8")
    for name, level in (("settings", 60), ("settings_bright", 30), ("settings_dark", 90)):
        text = CARD.format(name=name, level=level)
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    return tmp_path


def told(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["tomorrow", *map(str, words)])


@pytest.mark.parametrize(
    ("pv", "card", "level"), [("8.9", "B", 90), ("9", "A", 30), ("0", "B", 90), ("40", "A", 30)]
)
def test_a_winter_day_below_the_threshold_is_for_card_b(
    results: Path, pv: str, card: str, level: int
) -> None:
    done = told(results, "--pv", pv, "--day", "2026-01-31")
    assert done.exit_code == 0
    assert f"card {card}" in done.stdout
    assert f"charge to {level} %" in done.stdout
    assert "From 20:00 on the evening before 2026-01-31" in done.stdout
    record = json.loads(told(results, "--pv", pv, "--day", "2026-01-31", "--json").stdout)
    assert record["card"] == card
    assert record["below_kwh"] == 9
    windows = record["settings"]["seasons"][0]["day_sets"][0]["windows"]
    assert windows[0]["until_pct"] == level


def test_in_summer_one_card_does_and_no_yield_is_asked(results: Path) -> None:
    done = told(results, "--day", "2026-07-01")
    assert done.exit_code == 0
    assert "card A" in done.stdout
    assert "for every sky" in " ".join(done.stdout.split())
    assert "no windows" in done.stdout


def test_the_day_is_the_one_after_today(results: Path) -> None:
    record = json.loads(told(results, "--pv", "3", "--json").stdout)
    assert record["day"] in {(date.today() + timedelta(days=n)).isoformat() for n in (0, 1)}  # noqa: DTZ011


def test_without_a_rule_the_one_card_is_named(results: Path) -> None:
    (results / "two_cards.yaml").unlink()
    done = told(results, "--pv", "1", "--day", "2026-01-31")
    assert done.exit_code == 0
    assert "settings.yaml" in done.stdout
    assert "charge to 60 %" in done.stdout
    assert json.loads(told(results, "--day", "2026-01-31", "--json").stdout)["card"] is None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--day", "2026-01-31"], "--pv"),
        (["--day", "2026-02-30", "--pv", "3"], "'2026-02-30'"),
        (["--day", "31.01.2026", "--pv", "3"], "'31.01.2026'"),
    ],
)
def test_what_cannot_be_is_told(results: Path, words: list[str], said: str) -> None:
    done = told(results, *words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert "mend:" in done.stderr


@pytest.mark.parametrize("pv", ["-1", "nan", "inf", "twelve"])
def test_a_yield_that_is_none_is_a_mistake_in_the_command(results: Path, pv: str) -> None:
    done = told(results, "--pv", pv)
    assert done.exit_code == 64
    assert f"{pv!r} is not a number from 0 to" in done.stderr


@pytest.mark.parametrize(
    ("file", "before", "after", "said"),
    [
        ("two_cards.yaml", "[4, 5,", "[3, 5,", "March stands twice"),
        ("two_cards.yaml", "below_kwh: 9", "below_kwh: -9", "-9"),
        ("two_cards.yaml", "below_kwh: 9", "below_kwh: nine", "nine"),
        ("two_cards.yaml", "[1, 2,", "[13, 2,", "13"),
        ("two_cards.yaml", '"20:00"', '"20 o clock"', "20 o clock"),
        ("two_cards.yaml", "switched_at", "switched", "switched"),
        ("two_cards.yaml", "rules:", "rules: [", "two_cards.yaml"),
        ("settings_dark.yaml", "charge", "fill", "fill"),
    ],
)
def test_broken_files_are_told_with_their_place(
    results: Path, file: str, before: str, after: str, said: str
) -> None:
    text = (results / file).read_text(encoding="utf-8")
    assert before in text
    (results / file).write_text(text.replace(before, after, 1), encoding="utf-8")
    done = told(results, "--pv", "3", "--day", "2026-01-31")
    assert done.exit_code == 2
    assert said in done.stderr
    assert file in done.stderr


@pytest.mark.parametrize("missing", ["plan.json", "settings_dark.yaml"])
def test_a_missing_file_is_told(results: Path, missing: str) -> None:
    (results / missing).unlink()
    done = told(results, "--pv", "3", "--day", "2026-01-31")
    assert done.exit_code == 2
    assert missing in done.stderr


def test_it_loads_neither_solver_nor_search(results: Path) -> None:
    assert code_and_loaded(["tomorrow", str(results), "--pv", "3"]) == (0, [])
