"""Answers about a site and ``scenario.yaml``: the way there and back, and what a person wrote."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from optimizer.base.documents import checked
from optimizer.base.errors import ScenarioError
from optimizer.base.questions import Nonsense
from optimizer.base.zones import WORLD, cities, machines_zone
from optimizer.billing.tariff import shipped_folder, shipped_tariffs
from optimizer.scenario.draft import SITE, Draft, completed, read_draft, refused, rewritten
from optimizer.scenario.questions import DIRECTIONS, PARTS, QUESTIONS
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.questions import USUAL_MENUS
from tests.sweeps import examples

DEMOS = sorted(path.parent for path in shipped_folder("scenarios").glob("*/scenario.yaml"))


def written(folder: Path, answers: dict[str, Any], unknown: tuple[str, ...] = ()) -> Draft:
    """Return what a folder holds once answers are written over it."""
    text = rewritten(read_draft(folder), answers, unknown)
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    return read_draft(folder)


# --- there and back ---------------------------------------------------------------------------


@st.composite
def some_answers(draw: st.DrawFn) -> dict[str, Any]:
    """Answers to some questions about a site, as a person may give them."""

    def number(low: float, high: float) -> st.SearchStrategy[float]:
        return st.integers(int(low * 10), int(high * 10)).map(lambda tenths: tenths / 10)

    answers: dict[str, Any] = {
        "scenario": draw(
            st.text("abc :#'-", min_size=1, max_size=20).filter(lambda t: t.strip() == t)
        ),
        "zone": draw(st.sampled_from(list(cities()))),
        "tariff.how": draw(st.sampled_from(["typed", "shipped", "file"])),
        "pv.coupling": draw(st.sampled_from(["ac", "dc"])),
        "battery.capacity_kwh": draw(number(1, 100)),
        "battery.charge_kw": draw(number(1, 20)),
        "battery.floor_pct": draw(number(0, 40)),
        "reserve_pct": draw(number(0, 60)),
        "permissions.charge_from_grid": draw(st.booleans()),
        "menu": draw(st.sampled_from(list(USUAL_MENUS))),
    }
    if draw(st.booleans()):
        answers["forecast.load.meters"] = draw(
            st.lists(st.sampled_from(["a.csv", "b b.csv"]), min_size=1)
        )
    else:
        answers["forecast.load.kwh_per_year"] = draw(number(100, 9999))
        answers["forecast.first"] = draw(st.dates(date(2026, 1, 1), date(2030, 1, 1)))
    answers["forecast.pv"] = draw(st.sampled_from(["roofs", "none"]))
    if answers["forecast.pv"] == "roofs":
        answers["roofs"] = draw(st.integers(1, 3))
        for roof in range(answers["roofs"]):
            answers[f"forecast.pv.roofs.{roof}.azimuth_deg"] = draw(number(0, 360))
    for name, most in (("efficiency", 99), ("connection.import_limit_kw", 30)):
        if draw(st.booleans()):
            answers[name] = draw(number(31, most) if name == "efficiency" else number(1, most))
    return answers


def told(answers: dict[str, Any]) -> dict[str, Any]:
    """Return answers without those that no key of the scenario holds: None, [] and prices that are typed."""
    return {k: v for k, v in answers.items() if v not in (None, []) and not k.startswith("rates.")}


@settings(max_examples=examples(300), deadline=None)
@given(answers=some_answers())
def test_what_is_answered_stands_in_the_file_and_is_read_back(
    answers: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("site")
    full = completed(answers)
    draft = written(folder, full)
    assert draft.answers == told(full)
    assert rewritten(draft, full) == draft.text
    checked(draft.source, ScenarioFile, ScenarioError)


@settings(max_examples=examples(200), deadline=None)
@given(before=some_answers(), after=some_answers())
def test_whatever_was_answered_before_leaves_nothing_behind(
    before: dict[str, Any], after: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whoever changes all answers holds what they would have written at once, in some order of keys."""
    changed, fresh = tmp_path_factory.mktemp("changed"), tmp_path_factory.mktemp("fresh")
    full, nothing = completed(after), {question.name: None for question in QUESTIONS}
    written(changed, completed(before))
    assert written(changed, nothing | full).answers == written(fresh, full).answers
    contents = [
        YAML(typ="safe").load((at / "scenario.yaml").read_text(encoding="utf-8"))
        for at in (changed, fresh)
    ]
    assert contents[0] == contents[1]


def test_what_is_not_known_is_told_over_its_key_and_read_back(tmp_path: Path) -> None:
    draft = written(
        tmp_path, {"battery.floor_pct": 10.0, "battery.capacity_kwh": 9.0}, ("battery.floor_pct",)
    )
    assert draft.unknown == {"battery.floor_pct"}
    assert draft.text.splitlines() == [
        "# A site as it was described by answers. All keys: scenarios/README.md of the program.",
        "battery:",
        "  # How much does the battery hold? [kWh]",
        "  capacity_kwh: 9",
        "  # Down to which level is the battery used? [%] Not known: assumed.",
        "  floor_pct: 10",
    ]
    known = written(tmp_path, {"battery.floor_pct": 10.0})
    assert not known.unknown
    assert "assumed" not in known.text


# --- what a person wrote ----------------------------------------------------------------------


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.name)
def test_a_demo_opens_and_stays_as_it_was_written(demo: Path) -> None:
    draft = read_draft(demo)
    by_hand = checked(draft.source, ScenarioFile, ScenarioError)[0]
    assert rewritten(draft, draft.answers) == draft.text
    answers = draft.answers
    assert answers["battery.capacity_kwh"] == by_hand.battery.capacity_kwh
    assert answers["pv.coupling"] == by_hand.pv.coupling
    assert answers["tariff.how"] == "shipped"
    assert answers["menu"] == "own"
    assert not draft.unknown


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.name)
def test_one_answer_changes_one_line(demo: Path) -> None:
    draft = read_draft(demo)
    old, new = (
        draft.text.splitlines(),
        rewritten(draft, {"battery.capacity_kwh": 11.5}).splitlines(),
    )
    differ = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
    assert [b for _, b in differ] == ["  capacity_kwh: 11.5"]


ODD = """\
# by hand
battery:   {capacity_kwh: 10,   charge_kw: 5, discharge_kw:  5}   # from the sheet
zone: "Europe/Dublin"

scenario:    'Ours'
loads:
- {name: pump,   running_w: 700}
-   name: oven
    running_w: 2000
controls: {windows_per_day: 3, most_entries: 6}
"""


def test_odd_layout_comments_quotes_and_unknown_keys_stay(tmp_path: Path) -> None:
    (tmp_path / "scenario.yaml").write_text(ODD, encoding="utf-8")
    draft = written(tmp_path, {"reserve_pct": 20.0, "scenario": "Theirs"})
    asked = "# Which level is to stay for when the grid fails? [%]\nreserve_pct: 20\n"
    assert draft.text == ODD.replace("    'Ours'", " 'Theirs'") + asked
    assert draft.answers["battery.discharge_kw"] == 5


def test_a_last_line_without_an_end_stays_apart_from_what_comes_behind(tmp_path: Path) -> None:
    (tmp_path / "scenario.yaml").write_text("scenario: x\nzone: Europe/Dublin", encoding="utf-8")
    written(tmp_path, {"reserve_pct": 25.0})
    text = (tmp_path / "scenario.yaml").read_text(encoding="utf-8")
    assert text.startswith("scenario: x\nzone: Europe/Dublin\n")
    assert text.endswith("\nreserve_pct: 25\n")


@pytest.mark.parametrize("text", [
    "[]: forecast.csv", "? {a: 1}\n: forecast.csv", "pv: {[1, 2]: 3}", "forecast: {load: {meters: [{[]: 1}]}}",
])  # fmt: skip
def test_a_list_in_the_place_of_a_key_is_told(tmp_path: Path, text: str) -> None:
    """YAML allows it, but no file that is written again could be read."""
    (tmp_path / "scenario.yaml").write_text(f"zone: Europe/Dublin\n{text}\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match="stands where the name of a key belongs"):
        read_draft(tmp_path)


def test_a_menu_that_can_say_more_than_is_asked_stays_until_another_is_chosen(
    tmp_path: Path,
) -> None:
    (tmp_path / "scenario.yaml").write_text(ODD, encoding="utf-8")
    assert read_draft(tmp_path).answers["menu"] == "own"
    richer = ODD.replace("{windows_per_day: 3, most_entries: 6}", "\n  lists:\n    - {name: times, entries: 2, actions: [charge], fields: [start, end, level], level: {from_pct: 20}}")  # fmt: skip
    (tmp_path / "scenario.yaml").write_text(richer, encoding="utf-8")
    draft = read_draft(tmp_path)
    assert draft.answers["menu"] == "file"
    assert rewritten(draft, {"menu": "file"}) == richer
    assert written(tmp_path, {"menu": "fills"}).answers["menu"] == "fills"
    assert "from_pct" not in read_draft(tmp_path).text


def test_a_change_of_the_menu_keeps_what_is_not_asked(tmp_path: Path) -> None:
    (tmp_path / "scenario.yaml").write_text(ODD, encoding="utf-8")
    menu = {k: v for k, v in read_draft(tmp_path).answers.items() if k.startswith("menu")}
    changed = YAML(typ="safe").load(written(tmp_path, menu | {"menu.minutes": 15}).text)["controls"]
    assert (changed["minutes"], changed["most_entries"]) == (15, 6)
    assert "windows_per_day" not in changed
    assert changed["lists"][0]["entries"] == 3


def test_from_a_bill_to_meters(tmp_path: Path) -> None:
    written(tmp_path, completed({"forecast.pv": "none"}))
    draft = written(tmp_path, {"forecast.load.meters": ["meter.csv"]})
    forecast = YAML(typ="safe").load(draft.text)["forecast"]
    assert forecast == {"load": {"meters": ["meter.csv"]}, "pv": "none"}


# --- the table --------------------------------------------------------------------------------


def test_the_table_is_data() -> None:
    assert len(SITE.by_name) == len(QUESTIONS)
    for question in QUESTIONS:
        assert question.of in PARTS
        assert question.asks.endswith(("?", "]"))
        assert question.why.endswith((".", "?"))
        assert "{" not in question.asks
    order = [PARTS.index(question.of) for question in QUESTIONS]
    assert order == sorted(order)


def test_what_is_usual_is_a_site() -> None:
    assert refused({}) is None
    for name in USUAL_MENUS:
        assert refused({"menu": name}) is None
    for name in shipped_tariffs():
        assert refused({"tariff.how": "shipped", "tariff": name}) is None


def test_what_cannot_be_is_refused_by_the_scenarios_own_checks() -> None:
    wrong = refused({"battery.capacity_kwh": 5000.0})
    assert wrong is not None
    assert "would need 1,000 hours" in wrong.what
    assert refused({"reserve_pct": 99.0}) is None


def test_a_home_is_asked_a_dozen_questions() -> None:
    """With a meter's file, a shipped tariff and a menu of a usual kind."""
    answers = {"forecast.load.meters": ["meter.csv"], "tariff.how": "shipped"}
    asked = [q for q in SITE.asked(answers) if not q.is_rare(answers)]
    assert len(asked) <= 17
    assert [q for q in asked if q.of == "menu"] == [SITE.by_name["menu"]]


@pytest.mark.parametrize(("typed", "degrees"), [("south", 180), ("South-West", 225), ("202.5", 202.5), ("90 °", 90)])  # fmt: skip
def test_directions_in_words_or_degrees(typed: str, degrees: float) -> None:
    assert SITE.by_name["forecast.pv.roofs.0.azimuth_deg"].read(typed, {}) == degrees


@pytest.mark.parametrize("typed", ["southish", "361", "-90", ""])
def test_no_direction(typed: str) -> None:
    with pytest.raises(Nonsense):
        SITE.by_name["forecast.pv.roofs.0.azimuth_deg"].read(typed, {})


def test_a_comma_that_may_be_either_is_asked_about() -> None:
    year = SITE.by_name["forecast.load.kwh_per_year"]
    with pytest.raises(Nonsense, match=r"1,500 can be read in two ways\. Write 1500 or 1\.5"):
        SITE.by_name["battery.charge_kw"].read("1,500 kW", {})
    assert year.read("3,500 kWh", {}) == 3500  # nobody uses 3.5 kWh in a year
    assert year.read("3500,5", {}) == 3500.5
    assert SITE.by_name["battery.capacity_kwh"].read("0,125", {}) == 0.125


def test_directions_stand_an_eighth_apart() -> None:
    assert list(DIRECTIONS) == [45 * n for n in range(8)]


def test_a_zone_is_found_by_its_city_or_its_country() -> None:
    zone = SITE.by_name["zone"]
    assert zone.read("dublin", {}) == "Europe/Dublin"
    assert zone.read("Ireland", {}) == "Europe/Dublin"
    assert zone.read("europe/madrid", {}) == "Europe/Madrid"
    with pytest.raises(Nonsense, match=r"Several are: .*America/Indiana/Knox"):
        zone.read("indiana", {})
    with pytest.raises(Nonsense, match="Nothing is called 'quillmere'"):
        zone.read("quillmere", {})


def test_the_place_is_that_of_the_zones_city() -> None:
    """Dublin lies at 53°20' N, 6°15' W in the table; Auckland at 36°52' S, 174°46' E."""
    assert cities()["Europe/Dublin"][2:] == (53.33, -6.25)
    assert cities()["Pacific/Auckland"][2:] == (-36.87, 174.77)
    place = SITE.by_name["forecast.place.latitude_deg"]
    assert place.default_after({"zone": "Europe/Dublin"}) == 53.33


def test_the_machines_zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Lisbon")
    assert machines_zone() == "Europe/Lisbon"
    monkeypatch.setenv("TZ", "EST5EDT")
    assert machines_zone() == WORLD


def test_a_number_far_from_what_is_usual_is_remarked_upon() -> None:
    capacity = SITE.by_name["battery.capacity_kwh"]
    assert capacity.remark(10.0) == ""
    assert "outside what is usual, 2 to 1000 kWh" in capacity.remark(10000.0)
