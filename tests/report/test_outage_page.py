"""The page on grid failures: how long the building goes on, by clock hour and by month."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.outages.outages import Outages
from optimizer.report.outage_page import outage_section
from optimizer.report.outages import outage_record, outage_sentences
from tests.laws.cases import grid_of


def made_up(hours: np.ndarray, days: int) -> Outages:
    """Return failures at each hour of so many days from 1 January, after which so many hours go on."""
    grid = grid_of(24 * days, start="2025-01-01")
    some = np.zeros(grid.count)
    return Outages(grid, hours, some.astype(int), some + 1, some, some, 0.0, 1.0, 1.0)


def ten_days() -> Outages:
    """Of ten days, at each clock hour h the failures last h, h + 1 … h + 9 hours."""
    clock, day = np.tile(np.arange(24.0), 10), np.repeat(np.arange(10.0), 24)
    return made_up(clock + day, 10)


def test_hours_reached_at_each_clock_hour_are_counted_by_hand() -> None:
    """Ten failures that last h to h + 9: nine reach h + 0.9, five h + 4.5, one h + 8.1, none more do."""
    reached = ten_days().reached_by_hour()
    for o_clock in range(24):
        lasted = o_clock + np.arange(10.0)
        assert reached[:, o_clock] == pytest.approx(o_clock + np.array([0.9, 4.5, 8.1]))
        assert [(lasted >= hours).sum() for hours in reached[:, o_clock]] == [9, 5, 1]


def test_months_without_a_step_have_no_hours() -> None:
    """Fifty-nine days: January lasts 2 h always, February 5 h."""
    days = np.repeat(np.where(np.arange(59) < 31, 2.0, 5.0), 24)
    reached = made_up(days, 59).reached_by_month()
    assert reached.shape == (3, 12)
    assert (reached[:, :2] == [2.0, 5.0]).all()
    assert np.isnan(reached[:, 2:]).all()


def test_the_record_holds_both_pictures() -> None:
    record = outage_record(ten_days())
    assert record["hours_reached_by_clock_hour"]["nine_in_ten"][3] == 3.9
    assert record["hours_reached_by_clock_hour"]["one_in_ten"][3] == 11.1
    assert record["hours_reached_by_month"]["five_in_ten"][1:] == [None] * 11
    json.dumps(record, allow_nan=False)


def test_the_pictures_are_by_the_clock_and_by_month_and_shares_stand_in_the_table() -> None:
    section = outage_section(ten_days())
    by_hour, by_month = (re.sub(r"\s+", " ", str(figure)) for figure in section["figures"])
    assert "nine in ten" in by_hour
    assert "grid fails at" in by_hour
    assert "grid fails in" in by_month
    assert not any("share" in each for each in (by_hour, by_month))
    assert [hours for hours, _ in section["rows"]][:3] == [1, 2, 4]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """What the command prints and the page it writes, for the first demo."""
    out: Path = tmp_path_factory.mktemp("outage")
    demo = shipped_folder("scenarios") / "1_two_rates"
    done = CliRunner().invoke(app, ["outage", str(demo), "--out", str(out)])
    assert done.exit_code == 0, done.output
    return done.stdout, (out / "outages.html").read_text(encoding="utf-8")


def test_the_words_are_about_how_long_the_building_goes_on(told: tuple[str, str]) -> None:
    text, page = told
    assert "How long the building goes on when the grid fails" in page
    assert "HOW LONG THE BUILDING GOES ON" in text
    for each in told:
        assert "surviv" not in each.lower()
        assert "beginning at each" not in each
    help_text = CliRunner().invoke(app, ["outage", "--help"]).output
    assert "goes on" in help_text
    assert "surviv" not in help_text


def test_the_terminal_shows_the_clock_too(told: tuple[str, str]) -> None:
    lines = told[0].splitlines()
    (head,) = [line for line in lines if line.strip().startswith("grid fails at")]
    assert re.findall(r"\d\d:00", head) == [f"{hour:02d}:00" for hour in range(0, 24, 3)]
    rows = lines[lines.index(head) + 1 :][:3]
    assert [row.strip()[:11] for row in rows] == ["nine in ten", "five in ten", "one in ten "]


def test_that_many_buildings_go_dark_at_once_is_said_in_words_not_as_nought_hours() -> None:
    dark, lit = (outage_sentences(made_up(np.full(240, hours), 10)) for hours in (0.0, 3.0))
    assert dark[0].startswith("In one outage in ten, or in more, the building goes dark at once;")
    assert "goes dark at once then." in dark[1]
    assert lit[0].startswith("Nine outages in ten are carried for 3 h or more;")
