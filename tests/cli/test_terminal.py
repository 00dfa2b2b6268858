"""What stands on a terminal: its width, wide signs, colour, help, completion, and what to do next."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from optimizer.base.version import __version__
from optimizer.base.writing import isolated
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.cli.colour import BOLD, RED, YELLOW, coloured, has_colour
from optimizer.cli.colour import PLAIN as NO_MORE
from optimizer.cli.streams import PLAIN
from optimizer.report.day_chart import LEVELS, SIGNS, level_signs, window_signs
from optimizer.report.wrapping import cells, cut, folded, padded, set_width, table, wrapped
from optimizer.settings.windows import Window
from tests.cli.test_formats import shortened
from tests.studies.small import SMALL, study_of, write_sites

COMMANDS = (
    "plan", "forecast", "replay", "renew", "review", "outage", "stay-off", "study", "bill", "read",
    "check", "menu", "tomorrow", "fleet",
)  # fmt: skip


@pytest.fixture(autouse=True)
def as_before():
    """Widths set by a test end with it."""
    yield
    set_width(96)


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("level", 5),
        ("電池 x", 6),
        ("e\u0301", 1),
        ("סוללה", 5),
        ("\u200f", 0),
        ("ＡＢ", 4),
        ("▁█▲", 3),
    ],
)
def test_signs_are_counted_as_the_cells_they_take(text: str, count: int) -> None:
    assert cells(text) == count


def test_words_that_run_from_the_right_keep_their_place_before_figures(site: Path) -> None:
    """U+2068 and U+2069 open and close an isolate: Unicode Standard Annex 9, 2.4.2."""
    assert (
        isolated("בית עם סוללה: 13 kWh, דירה")
        == "\u2068בית עם סוללה\u2069: 13 kWh, \u2068דירה\u2069"
    )
    assert isolated("電池 and Ω: 13") == "電池 and Ω: 13"
    done = CliRunner().invoke(app, ["forecast", str(site), "--members", "2"])
    assert "\u2068בית עם סוללה\u2069" in done.stdout


def test_text_is_broken_and_padded_by_cells() -> None:
    assert wrapped("電池 電池 電池", 9, "- ", "  ") == ["- 電池", "  電池", "  電池"]
    assert wrapped("電池電池電池", 6, "", "") == ["電池電", "池電池"]
    assert wrapped("電池", 1) == ["電", "池"]
    assert padded("電池", 6) + "|" == "電池  |"
    assert padded("電池", 6, right=True) == "  電池"
    assert cut("電池電池", 6) == "電池…"


def test_a_table_drops_to_two_lines_and_then_to_two_tables() -> None:
    """Names of 30 cells; figures of 10, which with two blanks before each take 12."""
    name, figures = "n" * 30, ["1" * 10, "2" * 10, "3" * 10, "4" * 10, "5" * 10]
    heads, rows = [["", *"abcde"]], [[name, *figures]]
    set_width(96)
    assert table(heads, rows, [34, *[12] * 5])[1] == "  " + name + " " * 6 + "  ".join(figures)
    set_width(70)
    assert table(heads, rows, [34, *[12] * 5])[1:] == ["  " + name, "      " + "  ".join(figures)]
    set_width(60)
    folded_twice = table(heads, rows, [34, *[12] * 5])
    assert [line.split() for line in folded_twice] == [
        ["a", "b", "c", "d"], [name], figures[:4], ["e"], [name], figures[4:],
    ]  # fmt: skip


def test_a_line_that_is_too_long_goes_on_below_set_in() -> None:
    set_width(60)
    parts = folded("  " + "word " * 20)
    assert all(cells(part) <= 60 for part in parts)
    assert [part[:7] for part in parts] == ["  word ", "      w"]
    assert " ".join(parts).split() == ["word"] * 20
    assert folded(" " * 77 + "9.99") == [" " * 30 + "9.99"]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Weeks of a demo, under a long name of signs that run from right to left and are wide."""
    folder = shortened("1_two_rates", tmp_path_factory.mktemp("site"))
    text = (folder / "scenario.yaml").read_text(encoding="utf-8")
    assert "scenario: Two rates" in text
    name = "電池のある家 " * 8 + "בית עם סוללה"
    text = text.replace("scenario: Two rates", f"scenario: {name}")
    assert text.partition("controls:")[2].count("\n\n") == 0  # the last section
    text = f"{text.rstrip()}\n  import_cap: true\n"
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def meter(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A day of 1 kWh an hour taken and 0.5 given back."""
    path = tmp_path_factory.mktemp("meter") / "meter.csv"
    rows = [f"2026-03-03T{hour:02d}:00,1.0,0.5,0.5" for hour in range(24)]
    path.write_text("\n".join(["time,import_kwh,export_kwh,pv_kwh", *rows]), encoding="utf-8")
    return str(path)


def metered_in(out: str) -> Callable[[], str]:
    """Return what writes a meter that ran as the windows promised, once there are results."""

    def write() -> str:
        flows = pd.read_csv(f"{out}/flows.csv", dtype={"time": str})
        path = f"{out}.csv"
        flows[["time", "load_kwh", "pv_kwh"]].assign(
            import_kwh=flows["windows_import_kwh"], export_kwh=flows["windows_export_kwh"]
        ).to_csv(path, index=False)
        return path

    return write


def test_results_fit_sixty_columns_and_end_with_what_to_do_next(
    site: Path, meter: str, tmp_path: Path
) -> None:
    out = str(tmp_path / "out")
    write_sites(tmp_path, ["elm"], days=21)
    study = study_of(tmp_path, SMALL.replace("elm, oak", "elm"))
    paid = tmp_path / "paid.yaml"
    paid.write_text(
        "bill: March\nfirst: 2026-03-03\nlast: 2026-03-03\n"
        "lines: [{name: 'Energy: night', amount: 1.2}]\n",
        encoding="utf-8",
    )
    bill = ["bill", meter, "-t", "two_rates", "--zone", "America/New_York"]
    for words, code in (
        (["plan", str(site), "--out", out, "--effort", "quick"], 0),
        (["replay", str(site), "--settings", f"{out}/settings.yaml"], 0),
        (["renew", str(site), "--previous", out, "--out", f"{out}2", "--effort", "quick"], 0),
        (["outage", str(site), "--settings", out], 0),
        (["outage", str(site), "--floors"], 0),
        (["stay-off", str(site)], 0),
        (["forecast", str(site), "--members", "2"], 0),
        (["forecast", str(site), "--back-test", "--members", "3", "--effort", "quick"], 0),
        (["review", str(site), "--previous", out, "--metered", metered_in(out)], 0),
        (["study", str(study), "--out", f"{out}3", "--processes", "0"], 0),
        (["menu", str(site)], 0),
        (["check", str(site)], 0),
        (["check", "two_rates"], 0),
        (["study", "--list"], 0),
        (bill, 0),
        ([*bill, "--explain"], 0),
        ([*bill, "--paid", str(paid)], 0),
        (["read", meter, "--zone", "America/New_York"], 0),
    ):
        words = [word() if callable(word) else word for word in words]
        done = CliRunner(env={"COLUMNS": "60"}).invoke(app, words)
        assert done.exit_code == code, done.output
        *lines, last = done.stdout.splitlines()
        assert last.startswith("next: ")
        assert "tariffwright" in last or "open " in last
        assert max(map(cells, lines)) <= 60, max(lines, key=cells)


def test_the_next_command_is_one_that_runs(site: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "my out")
    done = CliRunner().invoke(app, ["plan", str(site), "--out", out, "--effort", "quick"])
    last = done.stdout.splitlines()[-1]
    assert last == f"next: type them in, then tariffwright renew {site} --accept '{out}'"


def test_levels_of_the_chart_are_means_of_half_hours() -> None:
    """Hours: each stands twice; quarters: two of them are one sign; eighths of 12.5 % each."""
    hours = np.zeros(24)
    hours[1], hours[2] = 50.0, 100.0
    assert level_signs(hours)[:6] == "▁▁▅▅██"
    quarters = np.zeros(96)
    quarters[0] = 30.0
    assert level_signs(quarters)[:2] == "▂▁"
    assert len(level_signs(np.zeros(72))) == 48


def test_windows_of_the_chart_stand_at_their_hours() -> None:
    night = Window(start="23:00", end="01:00", action="charge", until_pct=80)
    late = Window(start="12:00", end="12:30", action="cover")
    signs = window_signs([night, late])
    assert signs == "▲▲" + " " * 22 + "▼" + " " * 21 + "▲▲"


def test_each_sign_of_the_chart_has_one_for_a_terminal_of_few_signs() -> None:
    for sign in (*LEVELS, *SIGNS.values()):
        plain = PLAIN.get(sign, sign)
        assert plain.isascii()
        assert len(plain) == 1


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_colour_is_for_terminals_of_those_who_want_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert has_colour(Terminal())
    assert not has_colour(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "1")
    assert not has_colour(Terminal())
    monkeypatch.setenv("NO_COLOR", "")  # as good as not set, says no-color.org
    assert has_colour(Terminal())
    monkeypatch.setenv("TERM", "dumb")
    assert not has_colour(Terminal())


def test_colour_tells_what_the_words_tell() -> None:
    assert coloured("error: no") == f"{RED}error: no{NO_MORE}"
    assert coloured("  - serious: a limit").startswith(RED)
    assert coloured("BEFORE YOU ENTER THEM").startswith(YELLOW)
    assert coloured("DO LOADS FIT").startswith(BOLD)
    assert coloured("  plain words") == "  plain words"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_in_words_of_people(command: str) -> None:
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    options = done.stdout.partition("Options:")[2]
    assert "range" not in options
    assert "x>=" not in options
    assert "<" not in options
    assert max(map(cells, done.stdout.splitlines())) <= 80  # the width of the test runner


def test_numbers_that_are_out_of_bounds_are_told_in_words() -> None:
    done = CliRunner().invoke(app, ["forecast", "--members", "300"])
    assert done.exit_code == 64
    assert "'300' is not a whole number from 1 to 200" in done.stderr
    done = CliRunner().invoke(app, ["plan", "--windows", "1.5", "--json"])
    assert json.loads(done.stdout)["code"] == 64


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["plan", "my_site", "--out", "--effort", "quick"],
            "'--out' needs a value before '--effort'",
        ),
        (["plan", "my_site", "--out", "--explain"], "'--out' needs a value before '--explain'"),
        (
            ["bill", "meter.csv", "-t", "--zone", "Europe/Dublin"],
            "'-t' needs a value before '--zone'",
        ),
        (["plan", "my_site", "--out"], "'--out' requires an argument"),
    ],
)
def test_an_option_is_no_value_of_the_option_before_it(
    words: list[str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Results once went into a folder that was named ``--explain``."""
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 64
    assert told in done.stderr
    assert f"{words[0]} --help tells what it takes" in done.stderr
    assert not list(tmp_path.iterdir())


def test_a_folder_may_begin_with_dashes_where_it_is_meant(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["plan", str(tmp_path / "none"), "--out=--results"])
    assert done.exit_code == 2
    assert "there is no such file" in done.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["plan", "--effort", "fast"], "'fast' is not one of"),
        (["tomorrow", "out", "--pv", "twelve"], "'twelve' is not a number from 0 to"),
    ],
)
def test_a_value_that_is_none_is_told_in_words_of_people(words: list[str], told: str) -> None:
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 64
    assert told in done.stderr
    assert "Value error" not in done.stderr
    assert "unable to parse" not in done.stderr


def test_a_shell_completes_commands() -> None:
    asked = {
        "_TARIFFWRIGHT_COMPLETE": "complete_bash",
        "COMP_WORDS": "tariffwright st",
        "COMP_CWORD": "1",
    }
    done = subprocess.run(
        [sys.executable, "-c", "from optimizer.cli.app import main; main()"],
        capture_output=True, text=True, check=False, env=os.environ | asked,
    )  # fmt: skip
    assert sorted(done.stdout.split()) == ["stay-off", "study"]


def test_the_version_and_help_need_no_command() -> None:
    assert CliRunner().invoke(app, ["--version"]).stdout == f"{__version__}\n"
    assert "plan" in CliRunner().invoke(app, []).stdout


def test_the_demo_is_named_as_a_beginning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from optimizer.cli.next_steps import after_plan

    demo = shipped_folder("scenarios") / "1_two_rates"
    assert after_plan(None, Path("out"), demo).startswith(f"cp -r {demo} my_site; ")
