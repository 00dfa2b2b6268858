"""Studies that run: the same table from one process or two, killed or not, twice or once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import Infeasible, InputError
from optimizer.base.processes import LOOK_EVERY_S
from optimizer.scenario.brief import read_brief
from optimizer.studies import executors as lanes
from optimizer.studies import scheduler as carrying_out
from optimizer.studies import worker as one_run
from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.answers import Failure, Searched
from optimizer.studies.cases import read_study
from optimizer.studies.estimate import START_S, extent_of, may_need_integers
from optimizer.studies.executors import Processes
from optimizer.studies.run import list_study, run_study
from optimizer.studies.table import UNKNOWN
from optimizer.studies.verdict import StudyResult
from optimizer.studies.worker import Job
from optimizer.workflows.plan import plan
from tests.studies.small import MONEY, SMALL, study_of, write_sites

COMMAND = [sys.executable, "-c", "from optimizer.cli.app import main; main()", "study"]


def silent(_text: str) -> None:
    """Tell nothing."""


def run(path: Path, out: Path | None = None, processes: int = 0) -> StudyResult:
    return run_study(path, out, processes=processes, progress=silent)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("studies")
    write_sites(folder)
    study_of(folder, SMALL)
    return folder


@pytest.fixture(scope="module")
def told(folder: Path) -> StudyResult:
    """The small study, done in this process, with nothing kept."""
    return run(folder / "study.yaml")


def test_every_case_has_a_row_and_every_row_a_saving(told: StudyResult) -> None:
    assert len(told.rows) == 2 * 3 * 2
    assert {row["status"] for row in told.rows} == {"done"}
    for row in told.rows:
        assert (
            row["plan_saves_over_no_windows_eur"] >= row["windows_save_over_no_windows_eur"] - 1e-6
        )
        sources = sum(row[name] for name in row if name.startswith("from_"))
        assert sources == pytest.approx(row["windows_save_over_no_battery_eur"], abs=1e-9)


def test_a_bigger_battery_never_makes_the_plan_dearer(told: StudyResult) -> None:
    by_case: dict[tuple[str, str], list[float]] = {}
    for row in told.rows:
        saved = row["plan_saves_over_no_battery_eur"]
        by_case.setdefault((row["site"], row["tariff"]), []).append(saved)
    assert all(np.all(np.diff(saved) > -1e-6) for saved in by_case.values())


def test_two_processes_give_the_same_table_to_the_last_digit(
    folder: Path, told: StudyResult, tmp_path: Path
) -> None:
    assert run(folder / "study.yaml", tmp_path, processes=2).rows == told.rows


def test_what_is_known_is_not_done_again(
    folder: Path, told: StudyResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(folder / "study.yaml", tmp_path).rows == told.rows
    before = (tmp_path / LEDGER).read_text()
    monkeypatch.setattr(lanes, "work", None)  # would fail if anything were done
    assert run(folder / "study.yaml", tmp_path).rows == told.rows
    assert (tmp_path / LEDGER).read_text() == before


def test_a_study_that_grows_uses_what_still_holds(
    folder: Path, told: StudyResult, tmp_path: Path
) -> None:
    run(folder / "study.yaml", tmp_path)
    lines = len((tmp_path / LEDGER).read_text().splitlines())
    more = study_of(folder, SMALL.replace("[4, 10, 16]", "[4, 10, 16, 20]"), "more.yaml")
    grown = run(more, tmp_path)
    assert len((tmp_path / LEDGER).read_text().splitlines()) == lines + 4
    of = {(row["site"], row["tariff"], row["battery_kwh"]): row for row in grown.rows}
    for row in told.rows:
        same = of[row["site"], row["tariff"], row["battery_kwh"]]
        assert {**same, "case": 0} == {**row, "case": 0}


@pytest.mark.long
def test_killed_at_ten_random_moments_it_gives_the_same_table(
    folder: Path, told: StudyResult, tmp_path: Path
) -> None:
    """Killed, not asked to stop; each time the same command goes on with what is in the ledger."""
    luck = np.random.default_rng(11)
    known, seen = 0, set()
    for _ in range(10):
        process = subprocess.Popen(
            [*COMMAND, str(folder), "--out", str(tmp_path), "--processes", "2"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        _wait_for_lines(tmp_path / LEDGER, known + int(luck.integers(0, 3)), process)
        time.sleep(luck.uniform(0.0, 0.5))
        process.send_signal(signal.SIGKILL)
        process.wait()
        lines = _lines(tmp_path / LEDGER)
        assert lines >= known, "nothing that was done is lost"
        known = lines
        seen.add(lines)
    assert len(seen) > 4, "it was killed at several stages of the work"
    time.sleep(3 * LOOK_EVERY_S)  # processes whose parent was killed see it by then
    assert run(folder / "study.yaml", tmp_path, processes=2).rows == told.rows
    keys = [json.loads(line)["key"] for line in (tmp_path / LEDGER).read_text().splitlines()]
    assert len(keys) == len(set(keys)), "nothing was done twice"


def _lines(path: Path) -> int:
    return path.read_text().count("\n") if path.exists() else 0


def _wait_for_lines(path: Path, count: int, process: subprocess.Popen) -> None:
    """Wait until the ledger has so many lines, or the process is done."""
    deadline = time.monotonic() + 120
    while _lines(path) < count and time.monotonic() < deadline:
        time.sleep(0.02)
        if process.poll() is not None:
            assert process.returncode == 0
            return


def _running_in_group(group: int) -> list[str]:
    """Return the commands of a group's processes that run; dead ones may wait to be reaped."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, rest = stat.read_text().rsplit(")", 1)
        except OSError:
            continue
        state, _parent, its_group = rest.split()[:3]
        if int(its_group) == group and state != "Z":
            found.append(name)
    return found


@pytest.mark.sweep(every=2)
@pytest.mark.parametrize("asked", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_or_a_request_to_end_stops_at_once_says_so_and_leaves_no_process(
    folder: Path, tmp_path: Path, asked: signal.Signals
) -> None:
    process = subprocess.Popen(
        [*COMMAND, str(folder), "--out", str(tmp_path), "--processes", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a job in the background ignores it
    )  # fmt: skip
    _wait_for_lines(tmp_path / LEDGER, 1, process)
    begun = time.monotonic()
    if asked == signal.SIGINT:
        os.killpg(process.pid, asked)  # as a terminal does: to all of them
    else:
        process.send_signal(asked)
    _, errors = process.communicate(timeout=20)
    assert time.monotonic() - begun < 10
    assert process.returncode == 130
    assert "what was done is kept" in errors
    assert "Traceback" not in errors
    assert _lines(tmp_path / LEDGER) >= 1
    time.sleep(3 * LOOK_EVERY_S)
    assert _running_in_group(process.pid) == []


def test_a_torn_line_is_dropped_and_its_work_done_again(
    folder: Path, told: StudyResult, tmp_path: Path
) -> None:
    run(folder / "study.yaml", tmp_path)
    path = tmp_path / LEDGER
    whole = path.read_bytes()
    path.write_bytes(whole[:-40])
    ledger = Ledger(tmp_path)
    assert len(ledger) == len(whole.splitlines()) - 1
    ledger.close()
    assert run(folder / "study.yaml", tmp_path).rows == told.rows


def test_what_failed_is_tried_again_on_request_with_all_that_hung_on_it(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    good = Searched(UNKNOWN)
    ledger.add_all([("good", good), ("bad", Failure("no plan"))])
    ledger.add_all([("orphan", replace(good, without_base=True))])
    ledger.close()
    again = Ledger(tmp_path, again_failed=True)
    assert again.get("good") == good
    assert again.get("bad") is None
    assert again.get("orphan") is None
    again.close()


def test_two_studies_do_not_write_into_one_ledger(tmp_path: Path) -> None:
    first = Ledger(tmp_path)
    with pytest.raises(InputError, match="another study"):
        Ledger(tmp_path)
    first.close()
    Ledger(tmp_path).close()


def test_rows_that_are_known_keep_their_numbers(
    folder: Path, told: StudyResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(carrying_out, "TELL_EVERY_S", 0.0)
    tables: list[list] = []
    run_study(folder / "study.yaml", None, processes=0, so_far=tables.append, progress=silent)
    assert len(tables) > 4
    assert [len(table) for table in tables] == sorted(len(table) for table in tables)
    for table in tables:
        assert all(row == told.rows[row["case"] - 1] for row in table)


def test_a_failed_case_is_a_row_with_its_reason(folder: Path, tmp_path: Path) -> None:
    """A connection too small for the load, unless the battery is large; the others go on."""
    scenario = (folder / "elm" / "scenario.yaml").read_text()
    other = folder / "ash"
    other.mkdir(exist_ok=True)
    (other / "forecast.csv").write_text((folder / "elm" / "forecast.csv").read_text())
    (other / "scenario.yaml").write_text(scenario + "connection: {import_limit_kw: 3.9}\n")
    text = "study: F\nsites: [ash]\nvary: {battery_kwh: [0.4, 30], load_times: [1, 1.3]}\n"
    result = run(study_of(folder, text, "failing.yaml"), tmp_path)
    states = {(row["battery_kwh"], row["load_times"]): row for row in result.rows}
    assert states[30, 1]["status"] == "done"
    failed = states[0.4, 1.3]
    assert failed["status"] == "failed"
    assert "cannot be met" in failed["reason"]
    assert failed["windows_save_over_no_battery_eur"] is None


def test_a_wished_endurance_is_kept_by_each_case_or_the_case_has_failed(
    folder: Path, tmp_path: Path
) -> None:
    """Two hours in nine of ten outages: a battery of 10 kWh needs a floor, one of 1 kWh never lasts so long."""
    site = folder / "yew"
    site.mkdir(exist_ok=True)
    (site / "forecast.csv").write_text((folder / "elm" / "forecast.csv").read_text())
    scenario = (folder / "elm" / "scenario.yaml").read_text()
    (site / "scenario.yaml").write_text(scenario + "outage: {hours: 2, share_pct: 90}\n")
    text = "study: W\nsites: [yew]\nvary: {battery_kwh: [1, 10, 12]}\n"
    result = run(study_of(folder, text, "wishing.yaml"), tmp_path)
    rows = {row["battery_kwh"]: row for row in result.rows}
    assert rows[1]["status"] == "failed"
    assert "no floor gives 2 h in 90 % of outages" in rows[1]["reason"]
    assert not result.notes
    saves = {}
    for text, wished in (("outage: {hours: 2, share_pct: 90}\n", "kept"), ("", "free")):
        (site / "scenario.yaml").write_text(scenario + text)
        own = study_of(folder, f"study: {wished}\nsites: [yew]\n", f"{wished}.yaml")
        saves[wished] = run(own, tmp_path / wished).rows[0]["windows_save_over_no_battery_eur"]
        done = plan(read_brief(site), effort="quick")
        assert saves[wished] == pytest.approx(
            done.outcome.cases["no_battery"].cost - done.outcome.cases["windows"].cost, abs=0.01
        )
    assert saves["kept"] < saves["free"]
    assert rows[10]["windows_save_over_no_battery_eur"] == saves["kept"]


def test_a_process_that_dies_is_replaced_and_a_case_that_kills_it_twice_is_an_answer(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    family = read_study(folder / "study.yaml").families[0]
    job = Job("k", family.key, "run", family.own, None)  # type: ignore[arg-type]
    monkeypatch.setattr(lanes, "work", die)
    processes = Processes(1)
    try:
        processes.give("process 1", b"", job)
        answers: list = []
        deadline = time.monotonic() + 60
        while not answers and time.monotonic() < deadline:
            answers += list(processes.answers(0.5))
        ((lane, answered, answer),) = answers
        assert (lane, answered.key) == ("process 1", "k")
        assert isinstance(answer, Failure)
        assert "twice" in answer.reason
    finally:
        processes.close()


def die(_packed: bytes, _job: Job) -> None:
    os._exit(9)


def test_the_list_tells_cases_and_time_and_does_nothing(folder: Path) -> None:
    extent, cases = list_study(folder / "study.yaml", 2)
    assert len(cases) == 12
    assert extent["families"] == 4
    assert extent["pieces"] == 12 + 4
    assert extent["about_seconds"] > 0


@pytest.fixture(scope="module")
def priced(tmp_path_factory: pytest.TempPathFactory) -> StudyResult:
    folder = tmp_path_factory.mktemp("priced")
    write_sites(folder, ["elm"], days=364)
    return run(study_of(folder, MONEY), folder / "out", processes=2)


@pytest.mark.long
def test_money_over_the_life_stands_in_every_row(priced: StudyResult) -> None:
    assert {row["status"] for row in priced.rows} == {"done"}
    roles = [row["role"] for row in priced.rows]
    assert roles[:3] == ["listed", "listed", "best size"]
    assert set(roles[3:]) <= {"tried size"}
    for row in priced.rows:
        size = row["battery_kwh"]
        assert row["investment_eur"] == 200 + 60 * size
        assert row["replacements"] == 1
        assert row["npv_of_plan_eur"] > row["npv_eur"]
        assert row["health_at_end_pct"] < 100


@pytest.mark.long
def test_the_best_size_is_a_row_of_its_own(priced: StudyResult) -> None:
    (sized,) = priced.sized
    assert sized.best.is_proven
    assert len(sized.best.planned) <= 8
    row = priced.rows[sized.case - 1]
    assert row["role"] == "best size"
    assert row["npv_eur"] == max(sized.valued.values())
    assert {4, 10, sized.best.size_kwh} <= set(sized.valued), "listed sizes count too"


@pytest.mark.long
def test_the_best_size_is_the_best_of_all_listed(tmp_path: Path) -> None:
    """Of twelve sizes that are also planned one by one, with an incentive that is capped, a replacement,
    running cost, residual value, and powers that differ; equipment stays as new, so both reckon alike.
    """
    write_sites(tmp_path, ["elm"], days=364)
    scenario = tmp_path / "elm" / "scenario.yaml"
    scenario.write_text(scenario.read_text().replace("charge_kw: 5, dis", "charge_kw: 3, dis"))
    sizes = [2.0 + 2 * number for number in range(12)]
    text = (
        f"study: B\nsites: [elm]\nvary: {{battery_kwh: {sizes}}}\nmoney: {{discount_pct: 5, years: 8,"
        " battery: {fixed: 200, per_kwh: 150}, incentive: {share_pct: 30, at_most: 400},"
        " replacement: {after_years: 5}, operating: {per_kwh_per_year: 2}, residual: {share_pct: 20}}\n"
        "best_size: {from_kwh: 2, to_kwh: 24, count: 12}\n"
    )
    result = run(study_of(tmp_path, text), tmp_path / "out", processes=2)
    listed = {
        row["battery_kwh"]: row["npv_of_plan_eur"] for row in result.rows if row["role"] == "listed"
    }
    (sized,) = result.sized
    assert len(listed) == 12
    assert sized.best.value == pytest.approx(max(listed.values()), abs=1e-6)
    assert listed[sized.best.size_kwh] == pytest.approx(max(listed.values()), abs=1e-6)
    assert sized.best.is_proven
    assert len(sized.best.planned) <= 4
    assert 2 < sized.best.size_kwh < 24


def test_a_best_size_or_draws_that_fail_are_noted_and_end_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_family: object, _job: Job) -> None:
        raise Infeasible("no plan", where="here", mend="none")

    monkeypatch.setattr(one_run, "WAYS", {**one_run.WAYS, "slope": refuse, "draws": refuse})
    write_sites(tmp_path, ["elm"], days=364)
    text = (
        "study: N\nsites: [elm]\nmoney: {discount_pct: 5, battery: {per_kwh: 60}}\n"
        "best_size: {from_kwh: 2, to_kwh: 24, count: 12}\ndraws: {members: 50}\n"
    )
    result = run(study_of(tmp_path, text))
    assert [row["status"] for row in result.rows] == ["done"]
    assert result.sized == ()
    assert result.verdicts[0].chances is None
    best, drawn = result.notes
    assert "the best size could not be found" in best
    assert "no plan" in best
    assert "could not be told" in drawn


@pytest.mark.long
def test_wide_kinks_too_come_out_the_same_in_any_process(tmp_path: Path) -> None:
    """A bank of credits: some programs are of a shape that the base never needed."""
    write_sites(tmp_path, ["elm"], days=42)
    text = (
        "study: K\nsites: [elm]\nvary:\n  tariff: [net_metering]\n  pv_times: [1, 2, 2.5, 4]\n"
        "  battery_kwh: [6, 14]\n"
    )
    path = study_of(tmp_path, text)
    assert run(path).rows == run(path, tmp_path / "out", processes=2).rows


@pytest.mark.long
def test_ranges_and_draws_go_around_the_best_case(priced: StudyResult) -> None:
    (verdict,) = priced.verdicts
    assert verdict.row == max(priced.done, key=lambda row: row["npv_eur"])
    npv = verdict.money.worth.npv
    for swing in verdict.swings:
        assert swing.npv_low is not None
        assert swing.npv_high is not None
        assert min(swing.npv_low, swing.npv_high) <= npv <= max(swing.npv_low, swing.npv_high)
    reaches = [swing.reach for swing in verdict.swings]
    assert reaches == sorted(reaches, reverse=True)
    assert verdict.chances is not None
    low, middle, high = verdict.chances.quantiles()["npv"]
    assert low < middle < high


@pytest.mark.long
def test_a_faded_battery_is_planned_and_not_scaled(priced: StudyResult) -> None:
    """What it saves falls by less than its capacity: the last kWh are worth least."""
    life = priced.verdicts[0].money.life
    year = 4  # the last of the first battery
    assert life.is_planned[year]
    assert life.health[year] < 0.93
    assert life.saved[year] / life.saved[0] > life.health[year] + 0.001


@pytest.mark.long
def test_hopeless_sizes_are_left_out_and_would_indeed_have_been_worse(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("hopeless")
    write_sites(folder, ["elm"], days=364)
    text = (
        "study: H\nsites: [elm]\nvary: {battery_kwh: [2, 8, 60, 120]}\n"
        "money: {discount_pct: 5, years: 8, battery: {per_kwh: 300}}\n"
    )
    every = run(study_of(folder, text), tmp_path)
    fewer = run(study_of(folder, text + "leave_out_hopeless: true\n", "fewer.yaml"), tmp_path)
    left_out = [row for row in fewer.rows if row["status"] == "left out"]
    assert {row["battery_kwh"] for row in left_out} >= {120}
    own = run(study_of(folder, text.replace("[2, 8, 60, 120]", "[10]"), "own.yaml"), tmp_path)
    for row in left_out:
        assert "net present value is at most" in row["reason"]
        assert every.rows[row["case"] - 1]["npv_eur"] < own.rows[0]["npv_eur"]
    kept = [row for row in fewer.rows if row["status"] == "done"]
    assert all(every.rows[row["case"] - 1] == row for row in kept)


def test_an_estimate_grows_with_steps_and_falls_with_lanes(folder: Path) -> None:
    study = read_study(folder / "study.yaml")
    one, two = (extent_of(study, lanes) for lanes in (1, 2))
    assert one.seconds - START_S == pytest.approx(2 * (two.seconds - START_S))
    assert not any(map(may_need_integers, study.families))
    thorough = study.file.model_copy(update={"effort": "thorough"})
    assert extent_of(replace(study, file=thorough), 1).seconds > 5 * one.seconds
