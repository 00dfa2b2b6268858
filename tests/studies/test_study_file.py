"""Bad studies are told well before anything runs: what is wrong, where, and how to mend it."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from optimizer.base.errors import InputError
from optimizer.studies.cases import read_study
from optimizer.studies.study_file import StudyFile
from tests.studies.small import SMALL, TARIFF, study_of, write_sites

MONEY = "money: {discount_pct: 5, battery: {per_kwh: 100}}\n"

BAD: dict[str, tuple[str, list[str]]] = {
    "an unknown key": (SMALL + "combin: each_with_each\n", ["'combin' is unknown", "combine", "study.yaml:7"]),
    "a site that is not there": (
        SMALL.replace("[elm, oak]", "[elm, ash]"), ["no such file", "ash"]),
    "a tariff that is not there": (
        SMALL.replace("steep.yaml", "step.yaml"), ["'step.yaml' is neither a file", "study.yaml:6"]),
    "a size of nothing": (SMALL.replace("[4, 10", "[0, 10"), ["battery_kwh", "0", "study.yaml:5"]),
    "a size in words": (SMALL.replace("[4, 10", "[four, 10"), ["'four'", "number"]),
    "an empty list": (SMALL.replace("[4, 10, 16]", "[]"), ["battery_kwh lists nothing"]),
    "a size twice": (SMALL.replace("[4, 10, 16]", "[4, 10, 4]"), ["lists 4.0 twice"]),
    "a site twice": (SMALL.replace("[elm, oak]", "[elm, elm]"), ["'elm' twice"]),
    "controls that are not described": (
        SMALL.replace("vary:", "vary:\n  controls: [rich]"), ["'rich'", "its own", "study.yaml:5"]),
    "money asked of weeks": (SMALL + MONEY, ["63 days", "about a year", "sites[0]"]),
    "rising prices without money": (
        SMALL + "  prices_rise_pct: [0, 3]\n", ["prices_rise_pct", "not money"]),
    "ranges without money": (SMALL + "ranges: {load_times: [0.9, 1.1]}\n", ["ranges", "not money"]),
    "a range that falls": (
        SMALL + MONEY + "ranges: {load_times: [1.1, 0.9]}\n", ["load_times", "lower value first"]),
    "a best size among none": (
        SMALL + MONEY + "best_size: {from_kwh: 9, to_kwh: 3}\n", ["to_kwh is 3", "smaller size first"]),
    "leaving out what is not there": (
        SMALL + "leave_out: [{battery_kwh: 5}]\n", ["battery_kwh: 5", "drops nothing", "study.yaml:7"]),
    "leaving out everything": (
        SMALL + "leave_out: [{site: elm}, {site: oak}]\n", ["no case is left"]),
    "adding a site that is not listed": (
        SMALL + "also: [{site: ash, battery_kwh: 5}]\n", ["'ash'", "List it under sites"]),
    "money without a discount rate": (
        SMALL + "money: {battery: {per_kwh: 100}}\n", ["discount_pct", "missing"]),
    "a power that would take weeks": (
        SMALL.replace("vary:", "vary:\n  battery_kw: [0.01]"), ["hours to fill", "battery_kw"]),
    "controls that cannot cover": (
        SMALL.replace("vary:", "controls: {poor: {actions: [charge]}}\nvary:\n  controls: [poor]"),
        ["lacks 'cover'", "study.yaml:4"]),
    "a best size over what changes with it": (
        SMALL + "money: {discount_pct: 5, against: no_windows}\nbest_size: {from_kwh: 1, to_kwh: 3}\n",
        ["best_size", "changes with the size"]),
    "a PV that stands already and has a price": (
        SMALL + "money: {discount_pct: 5, pv: 3000}\n", ["PV stands already", "pv: none"]),
    "two things measured from": (
        SMALL + "reference: {}\nmoney: {discount_pct: 5, against: neither}\n",
        ["both say what is measured from", "study.yaml:8"]),
    "a tariff of today that is not there": (
        SMALL + "reference: {tariff: step.yaml}\n", ["'step.yaml' is neither a file", "study.yaml:7"]),
    "a battery of today without PV": (
        SMALL + "reference: {battery: its own, pv: none}\n", ["without PV", "study.yaml:7"]),
    "too many cases at once": (
        SMALL.replace("[4, 10, 16]", str(list(range(1, 400)))).replace("vary:",
            f"vary:\n  load_times: {[n / 100 for n in range(1, 300)]}"), ["are more than 200,000"]),
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bad")
    write_sites(folder)
    return folder


@pytest.mark.parametrize("name", BAD)
def test_a_bad_study_is_told(name: str, folder: Path) -> None:
    text, words = BAD[name]
    with pytest.raises(InputError) as told:
        read_study(study_of(folder, text))
    for word in [*words, "mend:"]:
        assert word in str(told.value)


@pytest.mark.parametrize("given", ["elm/study.yaml", "elm/scenario.yaml"])
def test_a_scenario_in_the_place_of_a_study_is_told(given: str, folder: Path) -> None:
    with pytest.raises(InputError, match="a scenario is given, not a study") as told:
        read_study(folder / given)
    assert "sites: [elm]" in str(told.value)


def test_tariffs_in_two_currencies_are_refused(folder: Path) -> None:
    (folder / "swiss.yaml").write_text(TARIFF.format(name="S", currency="CHF", day=0.3, demand=1))
    text = SMALL.replace("steep.yaml", "swiss.yaml")
    with pytest.raises(InputError, match=r"EUR .*and CHF"):
        read_study(study_of(folder, text))


def test_all_that_is_wrong_with_several_sites_is_told_at_once(folder: Path) -> None:
    text = SMALL.replace("[elm, oak]", "[ash, elm, yew]")
    with pytest.raises(InputError) as told:
        read_study(study_of(folder, text))
    assert "ash" in str(told.value)
    assert "yew" in str(told.value)


def test_each_with_each_and_what_is_left_out_and_added(folder: Path) -> None:
    text = SMALL + (
        "leave_out: [{site: oak, battery_kwh: 16}]\nalso: [{site: oak, battery_kwh: 30, load_times: 2}]\n"
    )
    cases = read_study(study_of(folder, text)).cases
    assert len(cases) == 2 * 3 * 2 - 2 + 1
    added = cases[-1]
    assert (added.family.site, added.run.battery_kwh, added.run.load_times) == ("oak", 30, 2)
    assert added.run.discharge_kw == 15, "power goes with capacity, as in the scenario"


def test_one_at_a_time_changes_one_thing(folder: Path) -> None:
    text = SMALL + "combine: one_at_a_time\n"
    cases = read_study(study_of(folder, text)).cases
    told = [
        (case.run.battery_kwh, case.family.tariff) for case in cases if case.family.site == "elm"
    ]
    assert told == [(10, "its own"), (4, "its own"), (16, "its own"), (10, "steep.yaml")]


def test_a_power_that_is_given_stays_while_capacity_varies(folder: Path) -> None:
    text = SMALL.replace("vary:", "vary:\n  battery_kw: [3]")
    assert {case.run.charge_kw for case in read_study(study_of(folder, text)).cases} == {3}


def test_the_same_inputs_have_the_same_keys_and_others_have_others(folder: Path) -> None:
    path = study_of(folder, SMALL)
    first, again = read_study(path), read_study(path)
    assert [family.key for family in first.families] == [family.key for family in again.families]
    steep = folder / "steep.yaml"
    before = steep.read_text()
    steep.write_text(before.replace("0.5", "0.51"))
    changed = read_study(path)
    steep.write_text(before)
    told = [a.key == b.key for a, b in zip(first.families, changed.families, strict=True)]
    assert told == [family.tariff == "its own" for family in first.families]


def test_lists_of_many_thousands_take_time_by_their_length() -> None:
    """All pairs of 19,000 sizes and 3,000 that are left out took minutes."""
    sizes = [1 + n / 1000 for n in range(19_000)]
    begun = time.process_time()
    file = StudyFile.model_validate({
        "study": "many", "sites": [f"site {n}" for n in range(2)], "vary": {"battery_kwh": sizes},
        "leave_out": [{"site": "site 1", "battery_kwh": size} for size in sizes[:3000]],
        "also": [{"site": "site 0", "battery_kwh": 500 + n} for n in range(3000)],
    })  # fmt: skip
    assert len(file.choices()) == 2 * 19_000 - 3000 + 3000
    assert time.process_time() - begun < 5


def test_cases_that_are_added_count_among_the_most_there_may_be() -> None:
    sites = [f"site {n}" for n in range(3000)]
    also = [{"battery_kwh": 5 + n} for n in range(100)]
    with pytest.raises(ValueError, match="303,000 cases are more than 200,000"):
        StudyFile.model_validate({"study": "x", "sites": sites, "also": also})
