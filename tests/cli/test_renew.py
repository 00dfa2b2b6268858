"""``renew``, ``review`` and ``forecast``: exit codes, history, reminders, and how mistakes are told."""

from __future__ import annotations

import json
import re
import shutil
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from icalendar import Calendar
from ruamel.yaml import YAML
from typer.testing import CliRunner, Result

from optimizer.base.errors import InputError
from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.cli.season_commands import SOMETHING_TO_CHANGE
from optimizer.workflows.in_use import settings_in_use

DEMO = shipped_folder("scenarios") / "1_two_rates"
WEEKS = 10
TODAY = datetime.now().astimezone().date()
QUICK = ["--effort", "quick"]


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten weeks of the first demo, whose tariff stands beside it and can change."""
    folder = tmp_path_factory.mktemp("site")
    text = (DEMO / "scenario.yaml").read_text(encoding="utf-8")
    text = text.replace("tariff: two_rates", "tariff: tariff.yaml")
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    shutil.copy(shipped_folder("tariffs") / "two_rates.yaml", folder / "tariff.yaml")
    lines = (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()
    (folder / "forecast.csv").write_text("\n".join(lines[: 3 + WEEKS * 7 * 24]), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def planned(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What was planned for these weeks."""
    out = tmp_path_factory.mktemp("planned") / "out"
    done = run("plan", str(site), "--out", str(out), *QUICK, "--no-curve")
    assert done.exit_code == 0, done.output
    return out


@pytest.fixture(scope="module")
def idle(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Settings in which nothing is charged at night although it would pay."""
    path = tmp_path_factory.mktemp("idle") / "settings.yaml"
    path.write_text(
        "settings: idle\nfloor_pct: 10\nseasons:\n- months: [1, 2, 3]\n  day_sets:\n"
        '  - days: every day\n    windows:\n    - {start: "12:00", end: "13:00", action: hold}\n',
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def renewed(
    site: Path, idle: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Result]:
    """The renewal of those."""
    out = tmp_path_factory.mktemp("renewed") / "out"
    return out, run("renew", str(site), "--previous", str(idle), "--out", str(out), *QUICK)


def test_where_nothing_changed_it_says_change_nothing(
    site: Path, planned: Path, tmp_path: Path
) -> None:
    done = run("renew", str(site), "--previous", str(planned), "--out", str(tmp_path), *QUICK)
    assert done.exit_code == 0, done.output
    assert "Change nothing: no change to the settings in use earns" in " ".join(done.stdout.split())
    before, after = (
        YAML(typ="safe").load(folder / "settings.yaml") for folder in (planned, tmp_path)
    )
    assert before["seasons"] == after["seasons"]
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<h1>Typed in already</h1>" in page
    assert page.index("Change nothing: no change") < page.index('type="checkbox"')
    assert page.count('type="checkbox"') == len(re.findall(r'type="checkbox"[^>]* checked>', page))
    assert "SETTINGS THAT ARE TYPED IN ALREADY" in done.stdout
    assert "☐" not in done.stdout


def test_what_is_to_be_changed_is_told_with_its_worth(renewed: tuple[Path, Result]) -> None:
    out, done = renewed
    assert done.exit_code == SOMETHING_TO_CHANGE, done.output
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))["renewal"]
    assert not record["change_nothing"]
    assert record["saves_per_month"] > record["least_per_change_per_month"]
    assert record["advice"] in " ".join(done.stdout.split())
    for change in record["changes"]:
        assert change["what"] in " ".join(done.stdout.split())
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<h1>What to change</h1>" in page
    assert page.index('<h2 id="changes"') < page.index('<h2 id="worth"')
    assert '<tr class="changed">' in page
    labels = [case["case"] for case in json.loads((out / "plan.json").read_text())["cases"]]
    assert labels == [
        "neither", "no_battery", "no_windows", "in_use", "windows", "anew", "plan"]  # fmt: skip


def test_a_sum_that_no_change_earns_leaves_all_as_it_is(
    site: Path, idle: Path, tmp_path: Path
) -> None:
    done = run("renew", str(site), "--previous", str(idle), "--out", str(tmp_path), *QUICK,
               "--least", "1000", "--json")  # fmt: skip
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)["renewal"]
    assert record["change_nothing"]
    assert record["least_per_change_per_month"] == pytest.approx(1000)


def test_reminders_are_a_calendar_with_the_days_to_act(renewed: tuple[Path, Result]) -> None:
    """The forecast ends on 12 March: two weeks before, the settings are to be renewed."""
    calendar = Calendar.from_ical((renewed[0] / "reminders.ics").read_bytes())
    events = list(calendar.walk("VEVENT"))
    days = {str(event["summary"]): event["dtstart"].dt for event in events}
    last = date(2026, 3, 12)  # 70 days from 1 January, one hour of the last falls on the next
    assert days["Renew the battery settings of Two rates"] == last - timedelta(days=14)
    assert len({str(event["uid"]) for event in events}) == len(events)
    assert len(events) >= 1
    assert all("dtstamp" in event for event in events)
    raw = (renewed[0] / "reminders.ics").read_bytes()
    assert raw.startswith(b"BEGIN:VCALENDAR\r\n")
    assert max(map(len, raw.split(b"\r\n"))) <= 75  # RFC 5545, section 3.1


def test_a_renewal_is_kept_explained_and_undone(
    site: Path, idle: Path, renewed: tuple[Path, Result], tmp_path: Path
) -> None:
    home = Path(shutil.copytree(site, tmp_path / "home"))
    first = run("renew", str(home), "--accept", str(idle))
    assert first.exit_code == 0, first.output
    second = run("renew", str(home), "--accept", str(renewed[0]))
    assert second.exit_code == 0, second.output
    files = sorted((home / "renewals").iterdir())
    assert [path.name for path in files] == [f"{TODAY}.yaml", f"{TODAY}_02.yaml"]
    kept = YAML(typ="safe").load(files[1])
    assert kept["before"]["settings"] == "idle"
    assert (
        kept["after"]["seasons"] == YAML(typ="safe").load(renewed[0] / "settings.yaml")["seasons"]
    )
    assert kept["advice"].startswith("Change ")
    assert kept["changes"][0]["what"]
    # The history now tells what is in use: renewing once more changes nothing.
    again = run("renew", str(home), "--out", str(tmp_path / "again"), *QUICK)
    assert again.exit_code == 0, again.output
    undone = run("renew", str(home), "--undo")
    assert undone.exit_code == 0
    assert "12:00–13:00, January–March: hold what is stored" in undone.stdout
    assert str(YAML(typ="safe").load(files[1])["undone"]) == str(TODAY)
    back = run("renew", str(home), "--out", str(tmp_path / "back"), *QUICK)
    assert back.exit_code == SOMETHING_TO_CHANGE, back.output
    assert run("renew", str(home), "--undo").exit_code == 0
    nothing_left = run("renew", str(home), "--undo")
    assert nothing_left.exit_code == 2
    assert "no renewal to undo" in nothing_left.stderr


@pytest.mark.parametrize(
    ("words", "told", "code"),
    [
        ([], "nothing tells which settings are in use", 2),
        (["--previous", "nowhere"], "there are no settings", 2),
        (["--previous", "OUT", "--metered", "nowhere.csv"], "there is no such file", 2),
        (["--metered", "meter.csv"], "nothing tells what was promised", 64),
        (["--accept", "nowhere"], "there are no settings", 2),
        (["--accept", "nowhere", "--undo"], "given together", 64),
        (["--previous", "OUT", "--least", "inf"], "no finite sum", 64),
        (["--previous", "OUT", "--out", "OUT"], "written over those of last season", 64),
    ],
)
def test_mistakes_are_told(
    site: Path, planned: Path, tmp_path: Path, words: list[str], told: str, code: int
) -> None:
    words = [str(planned) if word == "OUT" else word for word in words]
    done = run("renew", str(site), *([] if "--out" in words else ["--out", str(tmp_path / "out")]),
               *words)  # fmt: skip
    assert done.exit_code == code
    assert told in done.stderr
    assert "mend:" in done.stderr
    assert not (tmp_path / "out").exists()


def test_what_was_in_use_before_is_what_was_accepted_or_named_then(
    site: Path, planned: Path, idle: Path, renewed: tuple[Path, Result], tmp_path: Path
) -> None:
    """Accepted A, then a renewal of B: undone, B is in use again, not A."""
    home = Path(shutil.copytree(site, tmp_path / "home"))
    run("renew", str(home), "--accept", str(planned))
    run("renew", str(home), "--accept", str(renewed[0]))  # it was a renewal of ``idle``
    run("renew", str(home), "--undo")
    assert settings_in_use(home)[0].settings == "idle"
    run("renew", str(home), "--undo")
    with pytest.raises(InputError, match="no history that holds"):
        settings_in_use(home)


def test_a_plan_in_the_folder_of_a_renewal_leaves_nothing_of_it(
    site: Path, renewed: tuple[Path, Result], tmp_path: Path
) -> None:
    out = Path(shutil.copytree(renewed[0], tmp_path / "out"))
    assert (out / "renewal.yaml").exists()
    (out / "reminders.ics").write_text("those of the renewal")
    done = run("plan", str(site), "--out", str(out), *QUICK, "--no-curve")
    assert done.exit_code == 0, done.output
    assert not (out / "renewal.yaml").exists()
    events = Calendar.from_ical((out / "reminders.ics").read_bytes()).walk("VEVENT")
    assert "Renew the battery settings of Two rates" in [str(event["summary"]) for event in events]
    given = str(out / "settings.yaml")
    done = run("replay", str(site), "--settings", given, "--out", str(out))
    assert done.exit_code == 0, done.output
    assert not (out / "reminders.ics").exists()  # who only replays has nothing to be reminded of


def test_history_needs_a_scenario_and_settings_that_it_takes(
    site: Path, planned: Path, idle: Path, tmp_path: Path
) -> None:
    nowhere = run("renew", str(tmp_path / "nofolder"), "--accept", str(planned))
    assert (nowhere.exit_code, list(tmp_path.iterdir())) == (2, [])
    unnamed = run("renew", "--accept", str(planned))
    assert unnamed.exit_code == 64
    assert "no scenario is named" in unnamed.stderr
    (tmp_path / "odd.yaml").write_text(
        idle.read_text(encoding="utf-8").replace("13:00", "13:10"), encoding="utf-8"
    )
    refused = run("renew", str(site), "--accept", str(tmp_path / "odd.yaml"))
    assert refused.exit_code == 2
    assert "no multiple of 30 min" in refused.stderr
    assert not (site / "renewals").exists()


def test_settings_can_be_accepted_again_after_they_were_undone(
    site: Path, planned: Path, tmp_path: Path
) -> None:
    home = Path(shutil.copytree(site, tmp_path / "home"))
    for words in (["--accept", str(planned)], ["--undo"], ["--accept", str(planned)]):
        assert run("renew", str(home), *words).exit_code == 0, words
    (home / "renewals" / f"{TODAY}.yaml").unlink()
    for words in (["--undo"], ["--accept", str(planned)]):
        assert run("renew", str(home), *words).exit_code == 0, words
    names = sorted(path.name for path in (home / "renewals").iterdir())
    assert names == [f"{TODAY}_02.yaml", f"{TODAY}_03.yaml"]


def test_settings_accepted_twice_on_a_day_stand_once_in_the_history(
    site: Path, planned: Path, tmp_path: Path
) -> None:
    """Undone, they once told to type in again what was typed in already."""
    home = Path(shutil.copytree(site, tmp_path / "home"))
    for _ in range(2):
        done = run("renew", str(home), "--accept", str(planned))
        kept = f"Kept in the history: {home}/renewals/{TODAY}.yaml".replace(" ", "")
        assert kept in "".join(done.stdout.split())  # long paths are broken
    assert [each.name for each in (home / "renewals").iterdir()] == [f"{TODAY}.yaml"]
    undone = run("renew", str(home), "--undo")
    assert "no windows" in undone.stdout
    assert run("renew", str(home), "--undo").exit_code == 2


@pytest.mark.parametrize(("floor", "reserve", "expected"), [(40, 0, 40), (10, 30, 30)])
def test_a_floor_is_never_lowered_and_a_reserve_raises_it(
    site: Path, idle: Path, tmp_path: Path, floor: int, reserve: int, expected: int
) -> None:
    home = Path(shutil.copytree(site, tmp_path / "home"))
    with (home / "scenario.yaml").open("a", encoding="utf-8") as scenario:
        scenario.write(f"reserve_pct: {reserve}\n")
    text = idle.read_text(encoding="utf-8").replace("floor_pct: 10", f"floor_pct: {floor}")
    (tmp_path / "typed.yaml").write_text(text, encoding="utf-8")
    done = run("renew", str(home), "--previous", str(tmp_path / "typed.yaml"),
               "--out", str(tmp_path / "out"), *QUICK, "--json", "--least", "1000")  # fmt: skip
    record = json.loads(done.stdout)
    assert record["settings"]["floor_pct"] == expected
    flows = pd.read_csv(tmp_path / "out" / "flows.csv")
    assert flows["windows_stored_kwh"].min() >= 10 * expected / 100 - 1e-6
    assert flows["plan_stored_kwh"].min() >= 10 * expected / 100 - 1e-6
    if reserve:
        assert done.exit_code == SOMETHING_TO_CHANGE
        assert record["renewal"]["advice"].startswith("Raise the floor from 10 to 30 %")
    else:
        assert done.exit_code == 0
        assert any("floor of 40 %" in note for note in record["notes"])


def test_a_wished_endurance_raises_floors_and_the_list_of_changes_holds_them(
    site: Path, idle: Path, tmp_path: Path
) -> None:
    home = Path(shutil.copytree(site, tmp_path / "home"))
    with (home / "scenario.yaml").open("a", encoding="utf-8") as scenario:
        scenario.write("outage: {hours: 3, share_pct: 80}\n")
    done = run("renew", str(home), "--previous", str(idle), "--out", str(tmp_path / "out"), *QUICK,
               "--least", "1000")  # fmt: skip
    assert done.exit_code == SOMETHING_TO_CHANGE, done.output
    record = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))
    floor = record["settings"]["floor_pct"]
    assert floor > 10
    assert (
        record["reserve"]["lasting_frac"]["with"]
        >= 0.8
        > record["reserve"]["lasting_frac"]["without"]
    )
    assert record["outages"] is not None
    first = record["renewal"]["changes"][0]
    told = f"all year: raise the floor from 10 to {floor:g} %"
    assert (first["kind"], first["what"], first["saves_per_month"]) == ("floor", told, None)
    assert record["renewal"]["floor_raised"]
    advice = f"Raise the floor from 10 to {floor:g} %, for the endurance that is wished for. "
    assert record["renewal"]["advice"].startswith(advice)
    shown = " ".join(done.stdout.split())
    assert f"1. {told} for the endurance that is wished for" in shown
    assert told in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert told in (tmp_path / "out" / "renewal.yaml").read_text(encoding="utf-8")
    assert (
        pd.read_csv(tmp_path / "out" / "flows.csv")["windows_stored_kwh"].min() >= floor / 10 - 1e-6
    )
    again = run("renew", str(home), "--previous", str(tmp_path / "out"), "--out", str(tmp_path / "next"),
                *QUICK, "--least", "1000")  # fmt: skip
    assert again.exit_code == 0, again.output


def test_a_review_goes_with_a_renewal_where_it_is_asked_for(
    site: Path, planned: Path, meter: Path, tmp_path: Path
) -> None:
    words = ["renew", str(site), "--previous", str(planned), "--metered", str(meter), "--out",
             str(tmp_path), *QUICK]  # fmt: skip
    told = run(*words)
    assert told.stdout.index("WHAT THE PAST SEASON BROUGHT") < told.stdout.index("WHAT TO CHANGE")
    record = json.loads(run(*words, "--json").stdout)
    assert record["review"]["first"] == "2026-01-01"


# --- review ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def meter(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six of the weeks as the plan's windows would have run, had the load been half as much again."""
    flows = pd.read_csv(planned / "flows.csv").iloc[: 6 * 7 * 24]
    table = pd.DataFrame({
        "time": flows["time"],
        "load_kwh": 1.5 * flows["load_kwh"],
        "pv_kwh": flows["pv_kwh"],
        "import_kwh": flows["windows_import_kwh"] + 0.5 * flows["load_kwh"],
        "export_kwh": flows["windows_export_kwh"],
    })  # fmt: skip
    path = tmp_path_factory.mktemp("meter") / "meter.csv"
    table.to_csv(path, index=False)
    return path


def test_a_review_tells_promise_causes_and_what_came(
    site: Path, planned: Path, meter: Path
) -> None:
    words = ["review", str(site), "--previous", str(planned), "--metered", str(meter)]
    done = run(*words)
    assert done.exit_code == 0, done.output
    for told in ("promised saving over no windows", "weather", "load", "windows not at work", "not explained",
                 "real saving at the same tariff", "tariff"):  # fmt: skip
        assert told in done.stdout
    record = json.loads(run(*words, "--json").stdout)
    assert (record["first"], record["last"]) == ("2026-01-01", "2026-02-11")
    causes = record["causes"]
    assert causes["weather"] == pytest.approx(0.0, abs=1e-9)
    assert causes["tariff"] == pytest.approx(0.0, abs=1e-9)
    assert abs(causes["load"]) > 0.01
    assert record["promised_saving"] + sum(causes.values()) == pytest.approx(record["real_saving"])


def test_the_tariff_of_the_promise_is_remembered(
    site: Path, planned: Path, meter: Path, tmp_path: Path
) -> None:
    home = Path(shutil.copytree(site, tmp_path / "home"))
    text = (home / "tariff.yaml").read_text(encoding="utf-8")
    (home / "tariff.yaml").write_text(text.replace("0.12", "0.22"), encoding="utf-8")
    words = ["review", str(home), "--previous", str(planned), "--metered", str(meter), "--json"]
    record = json.loads(run(*words).stdout)
    assert abs(record["causes"]["tariff"]) > 0.1
    same = json.loads(run("review", str(site), *words[2:]).stdout)
    assert record["real_saving_same_tariff"] == pytest.approx(same["real_saving_same_tariff"])


# --- forecast --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site with its series as last year's meter, and a car that comes on top."""
    home = Path(shutil.copytree(site, tmp_path_factory.mktemp("made") / "home"))
    shutil.move(home / "forecast.csv", home / "last_year.csv")
    text = (home / "scenario.yaml").read_text(encoding="utf-8")
    recipe = (
        "forecast:\n  first: 2027-01-01\n  last: 2027-02-28\n"
        "  load: {meters: [last_year.csv]}\n"
        "  added:\n    - {kind: car, kwh_per_day: 7, hours: 22:00-06:00, power_kw: 3.5}\n"
    )
    (home / "scenario.yaml").write_text(
        text.replace("forecast: forecast.csv\n", recipe), encoding="utf-8"
    )
    return home


def test_a_forecast_is_shown_and_written_with_its_members(made: Path, tmp_path: Path) -> None:
    done = run("forecast", str(made), "--out", str(tmp_path), "--members", "3", "--seed", "5")
    assert done.exit_code == 0, done.output
    assert "car: 413 kWh" in done.stdout  # by hand: 59 days of 7 kWh
    assert "3 plausible seasons" in done.stdout
    table = pd.read_csv(tmp_path / "forecast.csv")
    assert list(table.columns) == ["time", "load_kwh", "pv_kwh", "added_car_kwh"]
    assert table["added_car_kwh"].sum() == pytest.approx(413)
    members = sorted((tmp_path / "members").iterdir())
    assert [path.name for path in members] == ["member_1.csv", "member_2.csv", "member_3.csv"]
    series = [pd.read_csv(path)["load_kwh"].to_numpy() for path in members]
    assert all(len(each) == len(table) for each in series)
    assert not np.allclose(series[0], series[1])
    other = tmp_path / "again"
    run("forecast", str(made), "--out", str(other), "--members", "3", "--seed", "5")
    for path in members:
        assert path.read_bytes() == (other / "members" / path.name).read_bytes()


def test_what_was_written_can_be_planned_on(made: Path, tmp_path: Path) -> None:
    """The CSV gives the same load and PV as the recipe, with nothing said of the columns on top."""
    home = Path(shutil.copytree(made, tmp_path / "home"))
    run("forecast", str(made), "--out", str(home))
    text = (home / "scenario.yaml").read_text(encoding="utf-8")
    begin, end = text.index("forecast:"), text.index("tariff:")
    (home / "scenario.yaml").write_text(
        text[:begin]
        + "forecast: forecast.csv\nother_years: [members/member_01.csv]\n"
        + text[end:],
        encoding="utf-8",
    )
    done = run("check", str(home))
    assert done.exit_code == 0, done.output
    assert "not used" not in done.stdout
    kwh = [line for line in done.stdout.splitlines() if "kWh load" in line]
    assert kwh == [
        line for line in run("check", str(made)).stdout.splitlines() if "kWh load" in line
    ]


def test_a_forecast_is_not_written_over_the_scenarios_own(site: Path) -> None:
    before = (site / "forecast.csv").read_bytes()
    done = run("forecast", str(site), "--out", str(site))
    assert done.exit_code == 2
    assert "over the scenario's own" in done.stderr
    assert (site / "forecast.csv").read_bytes() == before
    assert not (site / "members").exists()


def test_a_back_test_tells_errors_and_money_of_three_forecasts(made: Path) -> None:
    done = run("forecast", str(made), "--back-test", *QUICK, "--json")
    assert done.exit_code == 0, done.output
    result = json.loads(done.stdout)["back_test"]
    assert result["made_from"][0] == "2026-01-01"
    assert result["held_against"] == ["2026-02-01", "2026-03-12"]
    names = [one["forecast"] for one in result["tried"]]
    assert names == ["this program's", "the last week again", "mean day of each month"]
    for one in result["tried"]:
        assert one["lost"] == pytest.approx(one["cost"] - result["cost_plan"])
        assert one["lost"] > -1e-6
        assert one["load_of_day_error_kwh"] > 0


def test_without_meters_there_is_nothing_to_test_on(made: Path, tmp_path: Path) -> None:
    home = Path(shutil.copytree(made, tmp_path / "home"))
    text = (home / "scenario.yaml").read_text(encoding="utf-8")
    text = text.replace("{meters: [last_year.csv]}", "{profile: H0, kwh_per_year: 3000}")
    (home / "scenario.yaml").write_text(text, encoding="utf-8")
    assert run("forecast", str(home)).exit_code == 0
    done = run("forecast", str(home), "--back-test")
    assert done.exit_code == 2
    assert "no meters" in done.stderr


def test_a_review_uses_what_the_battery_was_metered_to_do(
    site: Path, planned: Path, tmp_path: Path
) -> None:
    """Metered as replayed, with the battery's columns, over a part of the promise that begins later."""
    flows = pd.read_csv(planned / "flows.csv").iloc[7 * 24 : 35 * 24]
    table = flows[["time", "load_kwh", "pv_kwh"]].copy()
    for name in ("import", "export", "charge", "discharge"):
        table[f"{name}_kwh"] = flows[f"windows_{name}_kwh"]
    table.to_csv(tmp_path / "meter.csv", index=False)
    words = [
        "review",
        str(site),
        "--previous",
        str(planned),
        "--metered",
        str(tmp_path / "meter.csv"),
    ]
    record = json.loads(run(*words, "--json").stdout)
    battery = record["battery"]
    days = len(flows) / 24
    for name in ("charge", "discharge"):
        metered = float(table[f"{name}_kwh"].sum()) / days
        assert battery[f"metered_{name}_kwh_per_day"] == pytest.approx(metered, rel=1e-3)
        assert battery[f"replayed_{name}_kwh_per_day"] == pytest.approx(metered, rel=0.05)
    assert record["days_that_tell"] > 0
    assert record["days_as_with_windows"] == record["days_that_tell"]
    assert record["causes"]["windows not at work"] == 0
