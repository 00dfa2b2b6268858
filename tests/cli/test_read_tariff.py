"""``read-tariff``: what is told, what is written, and that the next command runs."""

from __future__ import annotations

import json
from pathlib import Path

from typer.testing import CliRunner

from optimizer.cli.app import app
from tests.readers.test_open_tariffs import ALL_FOUR, GRID, METER, NORWEGIAN, swiss_file, written


def run(*words: str | Path, code: int = 0) -> str:
    done = CliRunner().invoke(app, ["read-tariff", *map(str, words)])
    assert done.exit_code == code, done.output
    return done.output


def test_what_was_read_is_told_written_and_can_be_checked(tmp_path: Path) -> None:
    path = written(tmp_path, ALL_FOUR)
    told = run(path, "--out", tmp_path / "folder")
    (out,) = (tmp_path / "folder").iterdir()
    assert "3 Meter (metering): taken" in told
    assert "note: Whether value-added tax is in the prices" in told
    assert f"next: tariffwright check {out}" in told
    checked = CliRunner().invoke(app, ["check", str(out)])
    assert checked.exit_code == 0, checked.output


def test_without_out_nothing_is_written_and_the_command_to_write_is_told(tmp_path: Path) -> None:
    path = written(tmp_path, NORWEGIAN)
    told = run(path)
    assert f"next: tariffwright read-tariff {path} --name 1 --out tariff.yaml" in told
    assert list(tmp_path.iterdir()) == [path]


def test_several_tariffs_are_listed_with_the_words_that_choose(tmp_path: Path) -> None:
    path = written(tmp_path, swiss_file(GRID, GRID | {"tariffName": "Net 2"}, METER))
    told = run(path, code=2)
    assert "3 tariffs to choose from: 1 Net (grid); 2 Net 2 (grid); 3 Meter (metering)" in told
    assert "--name 1 --name 3" in told
    assert "2 Net 2 (grid): taken" in run(path, "--name", "Net 2", "--name", "3")


def test_a_long_list_is_shown_line_by_line(tmp_path: Path) -> None:
    many = [GRID | {"tariffName": f"Net of quarter {n} beyond the river"} for n in range(60)]
    path = written(tmp_path, swiss_file(*many, METER | {"standardBasegroup": True}))
    assert "--list shows them" in run(path, code=2)
    told = run(path, "--list")
    assert all(
        f"    {n + 1} Net of quarter {n} beyond the river (grid)\n" in told for n in range(60)
    )
    assert "    61 Meter (metering, standard)\n" in told
    assert json.loads(run(path, "--list", "--json"))["text"] == ""
    assert "leave out --name and --out" in run(path, "--list", "--name", "1", code=64)


def test_the_record_has_offers_remarks_and_the_text(tmp_path: Path) -> None:
    broken = GRID | {"tariffName": "Changing", "tariffForm": "dynamic"}
    path = written(tmp_path, swiss_file(GRID, broken))
    record = json.loads(run(path, "--name", "1", "--json"))
    assert record["format"] == "tariffwright tariff reading"
    assert [offer["is_taken"] for offer in record["offers"]] == [True, False]
    assert "only 'constant' is read" in record["offers"][1]["refused"]
    assert record["versions_from"] == ["2027-01-01"]
    assert record["text"].count("CHF/kWh;") == 2


def test_a_fuse_that_is_none_is_a_mistake_of_usage(tmp_path: Path) -> None:
    assert "'nan' is not a number" in run(written(tmp_path, NORWEGIAN), "--fuse", "nan", code=64)
    assert "no such file" in run(tmp_path / "nowhere.json", code=2)
