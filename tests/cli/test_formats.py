"""All that is printed and written as JSON, over all demos, against the schemas that are published."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from optimizer.base.errors import EXIT_CODES
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.report.formats import FORMATS
from tests.schemas import faults

SCHEMAS = shipped_folder("tariffs") / "schemas" / "results"
DEMOS = ("1_two_rates", "2_peak_demand", "3_evening_export", "4_next_year", "5_grid_fails")
WEEKS = {"1_two_rates": 9}
"""Whole weeks that are left of a demo; 2 of the others. Nine are enough to keep some back."""

SECOND, QUICK = "renewed", ["--effort", "quick"]

MAPS = {
    "by_charge", "by_period", "causes", "share_lasting", "level_needed_pct", "shadow_worth",
    "sources", "libraries", "seeds", "inputs_sha256", "families", "flow",
    "results_sha256", "files_sha256", "flow_of_reference", "floors_kwh", "floors_of_plan_kwh",
}  # fmt: skip
"""Keys whose value has keys of its own choice: names of charges, months, files and the like."""

BY_A_MODEL = {
    "settings",
    "settings_in_use",
    "in_use",
    "scenario_as_read",
    "tariff_then",
    "tariff_now",
    "before",
    "after",
    "money",
    "terms",
    "ageing",
    "draws",
}
"""Keys whose value is what people write, where much may be left out."""

MAY_LACK = {"parts", "why"}
"""Keys that a record has only where there is something to say."""

COLUMNS = {"rows", "cases", "points"}
"""Lists of records with columns of their own beside the keys described."""


def schema_of(record: dict[str, Any]) -> dict[str, Any]:
    name = record["format"].removeprefix("tariffwright ").replace(" ", "_")
    return json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))


def run(*words: str, codes: tuple[int, ...] = (0,)) -> dict[str, Any]:
    """Return what a command printed with ``--json``."""
    done = CliRunner().invoke(app, [*words, "--json"])
    assert done.exit_code in codes, done.output
    return json.loads(done.stdout)


def shortened(demo: str, folder: Path) -> Path:
    """Return a copy of a demo with the first weeks of its series."""
    site = Path(shutil.copytree(shipped_folder("scenarios") / demo, folder / demo))
    for series in site.glob("*.csv"):
        head, *rows = series.read_text(encoding="utf-8").split("\n2026-")
        a_day = sum(row.startswith("01-02") for row in rows)
        kept = rows[: WEEKS.get(demo, 2) * 7 * a_day]
        series.write_text("\n2026-".join([head, *kept]) + "\n", encoding="utf-8")
    text = (site / "scenario.yaml").read_text(encoding="utf-8")
    for before, after in (
        ("first: 2027-05-01", "first: 2026-01-19"),
        ("forecast:\n", "forecast:\n  first: 2026-01-15\n  last: 2026-01-28\n"),
    ):
        text = text.replace(before, after)
    (site / "scenario.yaml").write_text(text, encoding="utf-8")
    return site


def of_a_demo(site: Path, out: Path) -> Iterator[dict[str, Any]]:
    """Yield what each command prints of a demo, and what it writes."""
    name, results, last = str(site), str(out / "plan"), out / SECOND
    yield run("check", name)
    yield run("plan", name, "--out", results, *QUICK)
    yield run("verify", results, "--scenario", name)
    yield run("replay", name, "--settings", f"{results}/settings.yaml")
    yield run("tomorrow", results, "--pv", "7")
    yield run("renew", name, "--previous", results, "--out", str(last), *QUICK, codes=(0, 10))
    yield run("outage", name, "--settings", results, "--out", str(out / "outage"))
    yield run("outage", name, "--floors", "--out", str(out / "floors"))
    yield run("stay-off", name, "--hours", "18:00-21:00", codes=(0, 2))
    yield run("menu", name)
    yield run("forecast", name, "--members", "3")
    yield run("renew", name, "--accept", results)
    yield run("renew", name, "--undo")
    yield from written_in(out)


def written_in(folder: Path) -> Iterator[dict[str, Any]]:
    for path in sorted(folder.rglob("*.json")):
        yield json.loads(path.read_text(encoding="utf-8"))


def of_a_meter(site: Path, out: Path) -> Iterator[dict[str, Any]]:
    """Yield what is printed of a season that was metered as the windows promised."""
    flows = pd.read_csv(out / "plan" / "flows.csv", dtype={"time": str})
    meter = flows[["time", "load_kwh", "pv_kwh"]].assign(
        import_kwh=flows["windows_import_kwh"], export_kwh=flows["windows_export_kwh"]
    )
    name, path = str(site), out / "meter.csv"
    meter.to_csv(path, index=False)
    asked = ["--previous", str(out / "plan"), "--metered", str(path)]
    yield run("review", name, *asked)
    yield run("renew", name, *asked, "--out", str(out / "third"), *QUICK, codes=(0, 10))
    bill = ["bill", str(path), "--tariff", "two_rates", "--zone", "America/New_York"]
    billed = run(*bill)
    yield billed
    paid = out / "paid.yaml"
    paid.write_text(
        "bill: January\nfirst: 2026-01-01\nlast: 2026-01-31\nlines:\n"
        f"  - {{name: 'Energy: night', amount: {billed['lines'][0]['amount'] + 1}}}\n",
        encoding="utf-8",
    )
    yield run(*bill, "--paid", str(paid))
    yield run(*bill, "--beside", "peak_demand")
    yield run("read", str(path), "--zone", "America/New_York")
    yield run("read-tariff", str(open_tariff(out)))
    yield run("check", "two_rates")
    yield run("menu", name, "--worth")
    yield run("forecast", name, "--back-test", "--members", "3", *QUICK)


def open_tariff(folder: Path) -> Path:
    """Write an open tariff of two types, with invented prices."""
    head = {"tariffForm": "constant", "startDate": "2027-01-01"}
    base = {"base": {"price": 3, "priceUnit": "CHF/M"}}
    tariffs = [
        head | {"tariffName": kind, "tariffType": kind, "prices": base}
        for kind in ("grid", "metering")
    ]
    path = folder / "open.txt"  # no record of ours, as .json would be taken for
    path.write_text(json.dumps({"dsoName": "Invented Works", "tariffs": tariffs}), encoding="utf-8")
    return path


def of_a_study(folder: Path) -> Iterator[dict[str, Any]]:
    """Yield what the demo of a study comes to with one site and two sizes."""
    demo = shipped_folder("scenarios") / "6_which_battery"
    yield run("study", str(demo), "--list")
    text = (demo / "study.yaml").read_text(encoding="utf-8")
    for before, after in (
        ("[../1_two_rates, ../2_peak_demand]", f"[{shipped_folder('scenarios') / '1_two_rates'}]"),
        ("battery_kwh: [5, 10, 15]", "battery_kwh: [5, 10]"),
        ("prices_rise_pct: [0, 3]", "prices_rise_pct: [0]"),
        ("money:", "effort: quick\nmoney:"),
        ("to_kwh: 30, count: 30", "to_kwh: 9, count: 3"),
        ("  ageing_times: [0.5, 2]\n", ""),
        ("members: 1000", "members: 100"),
    ):
        assert before in text
        text = text.replace(before, after)
    (folder / "study.yaml").write_text(text, encoding="utf-8")
    out = folder / "out"
    yield run("study", str(folder), "--out", str(out), "--processes", "0")
    yield from written_in(out)


def of_a_fleet(site: Path, folder: Path) -> list[dict[str, Any]]:
    """Return the records of a fleet, which stand on a line each: a site, and one that is not there."""
    words = [
        "fleet",
        "plan",
        str(site),
        str(folder / "gone"),
        "--out",
        str(folder / "fleet"),
        *QUICK,
    ]
    done = CliRunner().invoke(app, [*words, "--processes", "0", "--json"])
    assert done.exit_code == 2, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """All records of all commands over all demos."""
    found = [run("plan", "nowhere", codes=(2,)), run("plan", "--fast", codes=(64,))]
    for demo in DEMOS:
        folder = tmp_path_factory.mktemp(demo)
        site = shortened(demo, folder)
        found += of_a_demo(site, folder)
        if demo in WEEKS:
            found += of_a_meter(site, folder)
            found += of_a_fleet(site, folder)
    return found + list(of_a_study(tmp_path_factory.mktemp("study")))


def test_all_that_is_told_holds_to_its_schema(told: list[dict[str, Any]]) -> None:
    for record in told:
        assert faults(record, schema_of(record)) == []


def test_each_format_was_told(told: list[dict[str, Any]]) -> None:
    assert {record["format"] for record in told} == {each.name for each in FORMATS}


def test_a_key_that_is_missing_or_unknown_is_found(told: list[dict[str, Any]]) -> None:
    """In one record of each format that says most, each key in turn, but for the first of each list."""
    richest: dict[str, dict[str, Any]] = {}
    for record in sorted(told, key=lambda each: len(json.dumps(each))):
        richest[record["format"]] = record
    for record in richest.values():
        schema, tried = schema_of(record), 0
        for path in keys_of(record):
            *inner, key = path
            broken = copy.deepcopy(record)
            node = broken
            for part in inner:
                node = node[part]
            node[f"{key}_"] = node.pop(key)
            assert len(faults(broken, schema)) >= 1, path
            tried += 1
        assert tried >= 3


def keys_of(node: Any, path: tuple[int | str, ...] = ()) -> Iterator[tuple[int | str, ...]]:
    """Yield the path of each key that must be there, in lists of their first element."""
    if isinstance(node, list):
        if node:
            yield from keys_of(node[0], (*path, 0))
        return
    if not isinstance(node, dict):
        return
    for key, value in node.items():
        in_table = len(path) > 1 and path[-2] in COLUMNS
        is_own = in_table and key not in ("case", "status", "site", "number", "steps")
        if not is_own and key not in MAY_LACK:
            yield (*path, key)
        if key not in MAPS | BY_A_MODEL:
            yield from keys_of(value, (*path, key))


def test_every_error_has_a_code_that_is_documented(told: list[dict[str, Any]]) -> None:
    errors = [record for record in told if record["format"] == "tariffwright error"]
    assert {2, 64} <= {error["code"] for error in errors}
    assert {error["code"] for error in errors} <= set(EXIT_CODES)
    for error in errors:
        assert error["what"]
        assert error["where"]
        assert error["mend"]
