"""The command read: what it prints and writes, its exit codes, and that the next command works."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from optimizer.metering.price_csv import read_prices
from tests.builders import local_grid
from tests.readers.feeds import Meter, feed_xml, hourly, wall

MIDNIGHT = 1388552400
"""2014-01-01T05:00Z."""


def run(*arguments: object):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def feed(tmp_path: Path) -> Path:
    """Three usage points, one of them gas, two days of hours; its name says nothing."""
    meter = Meter(
        [
            {"start": MIDNIGHT + 3600 * n, "duration": 3600, "value": 500 + n % 7, "cost": 10_000}
            for n in range(48)
        ]
    )
    export = Meter(hourly(MIDNIGHT, [n % 5 for n in range(48)]), {"flowDirection": 19})
    points = [("flat", 0, [meter]), ("boiler", 1, [meter]), ("shop", 0, [meter, export])]
    path = tmp_path / "download"
    path.write_text(feed_xml(points), encoding="utf-8")
    return path


@pytest.fixture
def gappy(tmp_path: Path) -> Path:
    rows = [f"{t:%Y-%m-%d %H:%M},{n % 48}" for n, t in enumerate(wall("2025-07-14", 48, 60))]
    path = tmp_path / "download.txt"
    path.write_text("\n".join(["time,kWh", *rows[:29], *rows[30:]]), encoding="utf-8")
    return path


def test_each_point_is_told_and_nothing_is_written_without_out(feed: Path):
    done = run("read", feed)
    assert done.exit_code == 0, done.output
    assert "point 1, flat" in done.stdout
    assert "point 3, shop" in done.stdout
    assert "usage point 2 (boiler) is left out: this usage point is gas (kind 1)" in done.stdout
    assert "2014-01-01T00:00-05:00 to 2014-01-03T00:00-05:00: 48 steps of 60 min" in done.stdout
    # 48 × 500 and six and six sevenths weeks of 0+1+…+6: 6 × 21 + (0+1+2+3+4+5) = 141 Wh
    assert "import: 24.141 kWh; highest interval 0.506 kW at 2014-01-01T06:00-05:00" in done.stdout
    assert "cost in the file: 4.80 USD" in done.stdout
    assert list(feed.parent.iterdir()) == [feed]


def test_what_it_looks_like_is_said_first(feed: Path, gappy: Path):
    """48 hours of 0 to 47 kWh: 1,128 kWh, without that of 5 o'clock on the second day, 29."""
    done = run("read", gappy, "--zone", "Europe/Dublin", "--json")
    said = "this looks like 2025-07-14 to 2025-07-15, every hour, import 1,099 kWh, export 0 kWh, one gap"
    assert json.loads(done.stdout)["points"][0]["looks_like"] == said
    text = " ".join(run("read", gappy, "--zone", "Europe/Dublin").stdout.split())
    assert f"point 1 {said}." in text


def test_a_whole_year_is_called_by_its_number(tmp_path: Path):
    path = tmp_path / "year.csv"
    rows = [
        f"{t:%Y-%m-%dT%H:%M}Z,1,{n % 2}" for n, t in enumerate(wall("2025-01-01", 8760 * 4, 15))
    ]
    path.write_text("\n".join(["time,import kWh,export kWh", *rows]), encoding="utf-8")
    said = json.loads(run("read", path, "--json").stdout)["points"][0]["looks_like"]
    assert (
        said
        == "this looks like 2025, every 15 minutes, import 35,040 kWh, export 17,520 kWh, no gaps"
    )


def test_the_next_command_that_is_printed_works_until_a_bill_is_made(feed: Path, monkeypatch):
    monkeypatch.chdir(feed.parent)
    said = run("read", feed).stdout.splitlines()[-1]
    command = shlex.split(said.removeprefix("next: "))
    assert command[:2] == ["tariffwright", "read"]
    assert command[command.index("--point") + 1] == "1"
    done = run(*command[1:])
    assert done.exit_code == 0, done.output
    said = done.stdout.splitlines()[-1].partition("  (")[0]
    command = shlex.split(said.removeprefix("next: "))
    assert command == ["tariffwright", "bill", "meter.csv", "--tariff", "TARIFF", "--zone", "ZONE"]
    filled_in = [{"TARIFF": "two_rates", "ZONE": "America/New_York"}.get(w, w) for w in command[1:]]
    bill = run(*filled_in, "--json")
    assert bill.exit_code == 0, bill.output
    assert json.loads(bill.stdout)["notes"] == []


def test_the_written_file_is_tidy(feed: Path, tmp_path: Path):
    out = tmp_path / "deep" / "meter.csv"
    done = run("read", feed, "--point", "shop", "--zone", "America/New_York", "--out", out)
    assert done.exit_code == 0, done.output
    head, first, second, *_ = out.read_text(encoding="utf-8").splitlines()
    assert head == "time,import_kwh,export_kwh"
    assert first == "2014-01-01T00:00-05:00,0.5,0"
    assert second == "2014-01-01T01:00-05:00,0.501,0.001"
    assert sorted(path.name for path in out.parent.iterdir()) == ["meter.csv"]


def test_json_holds_the_same_and_nothing_else(feed: Path):
    done = run("read", feed, "--json")
    record = json.loads(done.stdout)
    assert [point["number"] for point in record["points"]] == [1, 3]
    assert record["points"][0]["import_kwh"] == pytest.approx(24.141)
    assert record["points"][0]["highest_import_kw"] == pytest.approx(0.506)
    assert record["points"][0]["cost"] == pytest.approx(4.8)
    assert record["points"][1]["export_kwh"] == pytest.approx(0.093)  # 9 × 10 and 0+1+2 Wh
    assert "gas" in record["left_out"][0]
    assert record["written"] is None


def test_several_points_ask_which_is_to_be_written(feed: Path, tmp_path: Path):
    out = tmp_path / "meter.csv"
    done = run("read", feed, "--out", out)
    assert done.exit_code == 2
    assert "1 flat; 3 shop" in done.stderr
    assert "--point 1" in done.stderr
    assert not out.exists()


def test_gaps_lead_to_the_command_that_fills_them(gappy: Path, tmp_path: Path):
    out = tmp_path / "meter.csv"
    done = run("read", gappy, "--zone", "Europe/Dublin", "--out", out)
    assert done.exit_code == 0, done.output
    assert "1 step missing, and a bill needs every interval" in " ".join(done.stdout.split())
    assert "2025-07-15T05:00+01:00,,\n" in out.read_text(encoding="utf-8")
    assert run("bill", out, "-t", "two_rates", "--zone", "Europe/Dublin").exit_code == 2
    command = shlex.split(done.stdout.splitlines()[-1].removeprefix("next: "))
    assert command[command.index("--fill") + 1] == "previous-day"
    again = run(*command[1:])
    assert again.exit_code == 0, again.output
    assert "1 of 48 values (2.08 %) filled" in again.stdout
    bill = run("bill", out, "-t", "two_rates", "--zone", "Europe/Dublin")
    assert bill.exit_code == 0, bill.output


def test_gaps_at_the_ends_are_left_and_told(tmp_path: Path):
    rows = [
        f"{t:%Y-%m-%d %H:%M},1,{n if n > 5 else ''}"
        for n, t in enumerate(wall("2025-07-14", 24, 60))
    ]
    path = tmp_path / "in.csv"
    path.write_text(
        "\n".join(["time,import kWh,export kWh", *rows[::1]]).replace(",23", ",3"), encoding="utf-8"
    )
    done = run(
        "read", path, "--zone", "Europe/Dublin", "--fill", "linear", "--out", tmp_path / "o.csv"
    )
    assert done.exit_code == 0, done.output
    assert "never invented" in done.stdout


def test_prices_are_written_in_the_form_that_tariffs_read(tmp_path: Path):
    rows = [f"{t:%d.%m.%Y %H:%M};{n - 3},5" for n, t in enumerate(wall("2025-07-14", 24, 60))]
    path, out = tmp_path / "in.csv", tmp_path / "prices.csv"
    path.write_text("\n".join(["Zeit;Preis (EUR/MWh)", *rows]), encoding="utf-8")
    done = run("read", path, "--zone", "Europe/Dublin", "--out", out)
    assert done.exit_code == 0, done.output
    assert "series: {file: prices.csv, column: price_per_mwh}" in done.stdout
    grid = local_grid("2025-07-14T00:00", "Europe/Dublin", 24)
    prices = read_prices(out, "price_per_mwh", grid, "tariff.yaml", [])
    assert prices == pytest.approx([(n - 3 + (0.5 if n >= 3 else -0.5)) / 1000 for n in range(24)])
    head, first, *_ = out.read_text(encoding="utf-8").splitlines()
    assert (head, first) == ("time,price_per_mwh", "2025-07-14T00:00+01:00,-3.5")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xd8\xff\xe0", "a picture"),
        (b"<feed>", "the root <feed>"),
        (b"time,kWh\n01/02/2025 00:00,1\n01/02/2025 01:00,1\n", "--dates"),
    ],
)
def test_bad_input_exits_with_2_says_how_to_mend_and_writes_nothing(
    tmp_path: Path, content: bytes, words: str
):
    path, out = tmp_path / "in", tmp_path / "meter.csv"
    path.write_bytes(content)
    done = run("read", path, "--zone", "Europe/Dublin", "--out", out)
    assert done.exit_code == 2
    assert words in done.stderr
    assert "mend:" in done.stderr
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_is_not_there_is_told(tmp_path: Path):
    done = run("read", tmp_path / "nowhere.xml")
    assert done.exit_code == 2
    assert "there is no such file" in done.stderr


def test_a_folder_is_told(tmp_path: Path):
    done = run("read", tmp_path)
    assert done.exit_code == 2
    assert "this is a folder, not a file" in done.stderr


def test_the_file_that_is_read_is_never_written_over(gappy: Path):
    before = gappy.read_bytes()
    done = run("read", gappy, "--zone", "Europe/Dublin", "--out", gappy)
    assert done.exit_code == 2
    assert "--out" in done.stderr
    assert gappy.read_bytes() == before


def test_a_place_that_cannot_be_written_is_told(gappy: Path):
    done = run("read", gappy, "--zone", "Europe/Dublin", "--out", gappy / "meter.csv")
    assert done.exit_code == 2
    assert "cannot be written" in done.stderr


def test_a_mistyped_rule_is_told(gappy: Path):
    done = run("read", gappy, "--fill", "guess")
    assert done.exit_code == 64
    assert "previous-day" in done.output


def test_what_was_read_before_is_read_again_as_it_is(feed: Path, tmp_path: Path):
    first, second = tmp_path / "1.csv", tmp_path / "2.csv"
    assert run("read", feed, "--point", "3", "--out", first).exit_code == 0
    assert run("read", first, "--out", second).exit_code == 0
    assert first.read_text(encoding="utf-8") == second.read_text(encoding="utf-8")
