"""``verify`` of outages, forecasts, reviews and fleets: they verify, and planted faults are found and named."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app
from tests.cli.test_formats import shortened
from tests.cli.test_verify import DIFFERS, in_text, outcomes, verified

Change = Callable[[Path], None]


def done(*words: str | Path, code: int = 0) -> None:
    ran = CliRunner().invoke(app, [*map(str, words)])
    assert ran.exit_code == code, ran.output


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shortened("1_two_rates", tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def plan(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plan") / "out"
    done("plan", site, "--out", out, "--effort", "quick")
    return out


@pytest.fixture(scope="module")
def results(site: Path, plan: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    place = tmp_path_factory.mktemp("results")
    flows = pd.read_csv(plan / "flows.csv", dtype={"time": str})
    meter = pd.DataFrame({
        "time": flows["time"], "load_kwh": 1.1 * flows["load_kwh"], "pv_kwh": 0.9 * flows["pv_kwh"],
        "import_kwh": 1.05 * flows["windows_import_kwh"], "export_kwh": flows["windows_export_kwh"],
    })  # fmt: skip
    meter.to_csv(place / "meter.csv", index=False)
    folders = {kind: place / kind for kind in ("outage", "forecast", "review", "fleet")}
    done("outage", site, "--settings", plan, "--out", folders["outage"])
    done("forecast", site, "--members", "3", "--out", folders["forecast"])
    done(
        "review",
        site,
        "--previous",
        plan,
        "--metered",
        place / "meter.csv",
        "--out",
        folders["review"],
    )
    other = Path(shutil.copytree(site, place / "sites" / "other"))
    shutil.copytree(site, other.parent / "one")
    words = ["fleet", "plan", other.parent, "--effort", "quick", "--processes", "0"]
    done(*words, "--out", folders["fleet"], code=10)
    return folders


PAGES = {
    "outage": "outages.html", "forecast": "forecast.html", "review": "review.html",
    "fleet": "fleet.html",
}  # fmt: skip

LEFT = {
    "outage": {"outages.html"}, "forecast": {"how seasons were drawn", "forecast.html"},
    "review": {"days as with windows", "review.html"},
}  # fmt: skip
"""What is said not to be recomputed yet."""


@pytest.mark.parametrize("kind", LEFT)
def test_results_verify_and_what_is_not_recomputed_is_said(
    kind: str, results: dict[str, Path], site: Path, tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(results[kind], tmp_path / "out"))
    code, record = verified(folder, "--scenario", site)
    assert code == 0, record["first"]
    left = {name for name, outcome in outcomes(record).items() if outcome == "not checked"}
    assert left == LEFT[kind]
    assert all(check["digits"] is None or check["digits"] >= 5 for check in record["checks"])


@pytest.mark.parametrize("kind", PAGES)
def test_the_last_line_of_each_page_tells_of_it(
    kind: str, results: dict[str, Path], tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(results[kind], tmp_path / "out"))
    page = folder / PAGES[kind]
    before = page.read_text(encoding="utf-8").splitlines()
    assert before[-4].startswith('<p id="verified">Not verified yet: ')
    _, record = verified(folder)
    after = page.read_text(encoding="utf-8").splitlines()
    assert after[-4].startswith('<p id="verified">Verified on ')
    assert [*before[:-4], *before[-3:]] == [*after[:-4], *after[-3:]]
    assert PAGES[kind] in record["files_sha256"]


def test_a_fleet_is_verified_site_by_site(results: dict[str, Path], tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results["fleet"], tmp_path / "out"))
    code, record = verified(folder)
    assert code == 0
    assert outcomes(record) == {
        "site one": "agrees", "site other": "agrees", "table": "agrees",
        "rest of the fleet": "not checked",
    }  # fmt: skip
    in_record("one/plan.json", "saved", by=1.0)(folder)
    code, record = verified(folder)
    assert code == DIFFERS
    assert record["first"].startswith("site one: one: sums: plan.json, saved of no_windows")
    assert outcomes(record)["site other"] == "agrees"


def in_column(name: str, column: str, step: int, by: float) -> Change:
    def change(folder: Path) -> None:
        table = pd.read_csv(folder / name, dtype={"time": str})
        table.loc[step, column] += by
        table.to_csv(folder / name, index=False)

    return change


def in_record(name: str, *place: Any, by: float) -> Change:
    def change(folder: Path) -> None:
        record = json.loads((folder / name).read_text(encoding="utf-8"))
        *inner, last = place
        node = record
        for part in inner:
            node = node[part]
        node[last] += by
        (folder / name).write_text(json.dumps(record), encoding="utf-8")

    return change


FAULTS: dict[str, tuple[str, Change, str, str]] = {
    "a level": ("outage", in_column("outages.csv", "stored_kwh", 40, 0.01), "levels when the grid fails",
                "stored_kwh at 2026-01-02T16:00"),
    "hours of one outage": ("outage", in_column("outages.csv", "hours", 40, 0.5), "outages", "hours at 2026-01-02T16:00"),
    "a load": ("outage", in_column("outages.csv", "load_kwh", 40, 0.5), "levels when the grid fails", "at 2026-01-02"),
    "an efficiency": ("outage", in_text("outages.json", '"efficiency_pct": 97', '"efficiency_pct": 96'),
                      "levels when the grid fails", "stored_kwh at"),
    "a share": ("outage", in_record("outages.json", "share_lasting", "4", by=0.01), "hours of outages", "lasting 4 h"),
    "a tenth": ("outage", in_record("outages.json", "hours", "p10", by=0.1), "hours of outages", "hours.p10"),
    "a month": ("outage", in_record("outages.json", "hours_reached_by_month", "nine_in_ten", 1, by=0.02),
                "hours by the clock", "nine_in_ten in month 2"),
    "a month and hour": ("outage", in_record("outages.json", "p10_h_by_month_and_hour", 1, 3, by=0.02),
                         "hours by the clock", "month 2 at 03:00"),
    "the worst": ("outage", in_record("outages.json", "worst", "p10_h", by=0.1), "hours by the clock", "worst.p10_h"),
    "a first day": ("forecast", in_text("forecast.json", '"first": "2026-01-01"', '"first": "2026-01-02"'), "days", "first"),
    "a row of a fleet": ("fleet", in_column("fleet.csv", "worth", 0, 1.0), "table", "worth of one"),
    "energy short": ("outage", in_record("outages.json", "short_kwh_of_24_h", "mean", by=0.1), "hours of outages",
                     "short_kwh_of_24_h.mean"),
    "a load expected": ("forecast", in_column("forecast.csv", "load_kwh", 40, 1.0), "forecast", "as_expected.load_kwh"),
    "a season": ("forecast", in_column("members/member_2.csv", "pv_kwh", 300, 40.0), "plausible seasons", "spread.pv_kwh"),
    "a promise": ("review", in_record("review.json", "promised_saving", by=1.0), "causes", "real_saving"),
    "two causes": ("review", lambda folder: (in_record("review.json", "causes", "weather", by=1.0)(folder),
                                             in_record("review.json", "causes", "load", by=-1.0)(folder)),
                   "savings and bills", "cause 'weather'"),
    "a meter": ("review", in_column("review.csv", "import_kwh", 40, 2.0), "savings and bills", "cause 'not explained'"),
    "a rate of now, 1 %": ("review", lambda folder: raised(folder, 1.01), "savings and bills", "cause 'tariff'"),
}  # fmt: skip


def raised(folder: Path, times: float) -> None:
    """Raise all rates of energy of the tariff in force."""
    record = json.loads((folder / "review.json").read_text(encoding="utf-8"))
    for charge in record["made_of"]["tariff_now"]["versions"][0]["charges"]:
        for rate in charge.get("rates", ()) if charge["kind"] == "energy" else ():
            rate["per_kwh"] *= times
    (folder / "review.json").write_text(json.dumps(record), encoding="utf-8")


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found_and_named(
    fault: str, results: dict[str, Path], tmp_path: Path
) -> None:
    kind, change, check, place = FAULTS[fault]
    folder = Path(shutil.copytree(results[kind], tmp_path / "out"))
    change(folder)
    code, record = verified(folder)
    assert code == DIFFERS
    assert record["first"].startswith(f"{check}: "), record["first"]
    assert place in record["first"], record["first"]


@pytest.mark.parametrize(("kind", "name", "content", "words"), [
    ("outage", "outages.json", "{", "no JSON"),
    ("outage", "outages.json", '{"scenario": "x"}', "Field required"),
    ("outage", "outages.csv", "time\n2026-01-01T00:00-05:00\n", "'load_kwh' is missing"),
    ("forecast", "forecast.json", "[]", "dictionary"),
    ("review", "review.json", '{"made_of": null}', "Field required"),
    ("fleet", "fleet.csv", "a,b\n1,2\n", "no column 'site'"),
    ("fleet", "fleet.csv", "site,state\n../..,no change\n", "names no sites"),
])  # fmt: skip
def test_a_damaged_file_is_told(
    kind: str, name: str, content: str, words: str, results: dict[str, Path], tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(results[kind], tmp_path / "out"))
    (folder / name).write_text(content, encoding="utf-8")
    code, record = verified(folder)
    assert code == 2
    assert words in record["what"]


def test_a_folder_with_a_plan_and_outages_verifies_both(
    plan: Path, results: dict[str, Path], tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(plan, tmp_path / "out"))
    shutil.copytree(results["outage"], folder, dirs_exist_ok=True)
    code, record = verified(folder)
    assert code == 0
    assert {"bill of windows", "outages"} <= outcomes(record).keys()
    assert {"report.html", "outages.html"} <= record["files_sha256"].keys()
