"""``tariffwright menu --ask``: a menu described by answers typed in, sense and nonsense."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from ruamel.yaml import YAML
from typer.testing import CliRunner

from optimizer.cli.app import app
from optimizer.cli.asking import BACK, UNKNOWN, ask
from optimizer.settings.controls import Controls
from optimizer.settings.questions import MENU, QUESTIONS, controls_from, section_yaml
from tests.sweeps import examples

USUAL = Controls.model_validate({
    "lists": [{"name": "windows", "actions": ["charge", "hold", "cover", "sell"], "entries": 4,
               "fields": ["start", "end", "level", "power"]}],
})  # fmt: skip
"""What the short keys say if nothing is given."""


def typed(*lines: str) -> tuple[Controls, list[str], list[str], str]:
    """Return what comes of lines typed in: controls, questions not known, what was shown, the section."""
    left, shown = iter(lines), list[str]()
    answers, unknown = ask(MENU, lambda: next(left, None), shown.append)
    return controls_from(answers), unknown, shown, section_yaml(answers, unknown)


def read_back(section: str) -> Controls:
    content = YAML(typ="safe").load(section)
    assert list(content) == ["controls"]
    return Controls.model_validate(content["controls"])


def test_who_takes_what_is_usual_gets_the_controls_that_are_taken_anyway() -> None:
    controls, unknown, _, section = typed(*[""] * 40)
    assert controls.menu == USUAL.menu
    same = {*Controls.model_fields} - {"lists", "windows_per_day", "actions", "import_cap"}
    assert controls.model_dump(include=same) == Controls().model_dump(include=same)
    assert unknown == []
    assert "assumed" not in section


def test_two_lists_with_shared_fields_that_know_no_days_or_months() -> None:
    controls, unknown, _, section = typed(
        "2",  # lists of their own
        "3",  # idles
        "1",  # every day alike
        "3", "1", "1 2", "none",  # filling: three entries, charge, level and power once
        "2", "1", "none", "1",  # giving: two entries, cover, a level each
        "0",  # no limits
        "no",  # no overlap
        "1",  # no months
        "15", "10", "2", "5",  # 15 min, 10 %, powers in steps of 5 %
        "no", "no", "2", "00:00 to 00:00", "no",
    )  # fmt: skip
    assert unknown == []
    assert controls.menu == Controls.model_validate({
        "lists": [
            {"name": "filling", "actions": ["charge"], "entries": 3, "fields": ["start", "end"],
             "once": ["level", "power"]},
            {"name": "giving", "actions": ["cover"], "entries": 2, "fields": ["start", "end", "level"]},
        ],
        "outside": "idle", "day_types": "every_day", "season_sets": 1, "minutes": 15,
        "soc_step_pct": 10, "power_step_pct": 5, "over_midnight": False, "whole_day": False,
    }).menu  # fmt: skip
    assert (controls.last_minute, controls.unused) == ("23:59", "00:00 to 00:00")
    assert (controls.season_sets, controls.summer_time) == (1, False)
    assert read_back(section) == controls


def test_three_lists_of_which_one_is_obeyed_first() -> None:
    controls, _, _, section = typed(
        "own", "1", "", "2", "1", "", "1 2", "2", "2", "power", "level", "4", "none", "cap",
        "yes", "2 1 3", *[""] * 20,
    )  # fmt: skip
    assert [each.name for each in controls.menu.lists] == ["filling", "giving", "limits"]
    assert [each.actions for each in controls.menu.lists] == [("charge",), ("sell",), ("limit",)]
    assert controls.menu.lists[1].once == ("power",)
    assert controls.menu.ranks == ("sell", "charge")  # limits hold beside both
    assert read_back(section) == controls


def test_entries_that_last_until_the_next() -> None:
    controls, _, _, section = typed("1", "3", "1", "", "6", "1 3", "", "level grid", *[""] * 20)
    (only,) = controls.menu.lists
    assert only.fields == ("start", "level", "grid")
    assert only.fills_day
    assert read_back(section) == controls


def asked_in(shown: list[str]) -> list[str]:
    """Return the questions that were asked, in their order."""
    return [shown[place + 1] for place, line in enumerate(shown[:-1]) if line == ""]


def choices_below(shown: list[str], question: str) -> str:
    place = next(n for n, line in enumerate(shown) if question in line)
    return " | ".join(shown[place : shown.index("", place) if "" in shown[place:] else None])


def test_days_of_an_entry_are_no_choice_where_all_days_are_alike_or_entries_fill_the_day() -> None:
    fields = "Which of these has each of the entries"
    for days, ends, offered in (("2", "end", True), ("1", "end", False), ("2", "next", False)):
        _, _, shown, _ = typed("one", ends, "cover", days, *[""] * 30)
        assert ("the days on which it holds" in choices_below(shown, fields)) == offered


def test_how_an_entry_ends_is_asked_before_what_lies_outside_and_what_an_entry_has() -> None:
    _, _, shown, _ = typed("one", *[""] * 30)
    place = {
        words: next(n for n, text in enumerate(asked_in(shown)) if words in text)
        for words in (
            "How does an entry end",
            "at times that no entry names",
            "Which of these has each",
        )
    }
    assert list(place.values()) == sorted(place.values())


def test_an_entry_need_not_have_a_field_of_its_own_for_what_it_does() -> None:
    _, _, shown, _ = typed("one", *[""] * 30)
    assert "by a field of its own or by others, such as level and grid" in choices_below(
        shown, "What can the entries in the list do?"
    )


def test_what_is_not_known_is_assumed_and_said_so() -> None:
    _, unknown, shown, section = typed("1", "end", UNKNOWN, *[""] * 30)
    assert unknown == ["outside"]
    assert "  Not known: cover is assumed." in shown
    assert section.count("Not known: assumed.") == 1


def test_the_end_of_the_input_leaves_all_else_as_not_known() -> None:
    controls, unknown, shown, section = typed()
    assert controls.menu == USUAL.menu
    assert any("The input ends here" in line for line in shown)
    assert len(unknown) == len(set(unknown)) >= 15
    assert section.count("Not known: assumed.") >= 15


@pytest.mark.parametrize(("before", "nonsense", "told"), [
    ([], "three", "'three' is none of 1, 2."),
    (["1", "1", "1", "2"], "0", "0 is not from 1 to 60."),
    (["1", "1", "1", "2"], "2.5", "2.5 is no whole number."),
    (["1", "1", "1", "2"], "many", "'many' is no number."),
    (["1", "1", "1", "2", "4"], "1 9", "'9' is none of 1, 2, 3, 4."),
    (["1", "1", "1", "2", "4"], "none", "Choose at least one."),
    (["1", "1", "1", "2", "4", "1 3"], "level", "has one level for filling and for giving"),
    (["1", "3", "2", "2", "4"], "1 3", "has no action 'hold'"),  # fills the day, holds outside
    (["1", "1", "1", "1", "4", "1", "", "", "1"], "7", "'7' is none of 1, 5, 10, 15, 30, 60."),
    (["1", "1", "1", "1", "4", "1", "", "", "1", "30"], "3", "does not divide 100 %"),
])  # fmt: skip
def test_nonsense_is_told_and_asked_again(before: list[str], nonsense: str, told: str) -> None:
    _, _, shown, _ = typed(*before, nonsense)
    place = next(n for n, line in enumerate(shown) if told in line)
    question = shown[place - 1 - shown[:place][::-1].index("") + 1]
    assert shown[place + 1 : place + 3] == ["", question]


def test_one_can_go_back() -> None:
    controls, _, shown, _ = typed(BACK, "1", "end", "2", BACK, "3", *[""] * 30)
    assert "  This is the first question." in shown
    assert controls.outside == "idle"


def lines_of(luck: random.Random) -> Iterator[str]:
    pool = ["", "", "", "1", "1 2", "2", "3", "yes", "no", "none", UNKNOWN, BACK, "5", "0.1", "x: [", "60",
            "2 1", "1 2 3", "24:00", "0"]  # fmt: skip
    yield from luck.choices(pool, k=400)


@pytest.mark.parametrize("seed", range(examples(80)))
def test_whatever_is_typed_ends_in_a_menu_that_reads_back(seed: int) -> None:
    controls, _, _, section = typed(*lines_of(random.Random(seed)))
    assert read_back(section) == controls


def test_the_table_is_data_that_a_page_could_ask() -> None:
    assert len({question.name for question in QUESTIONS}) == len(QUESTIONS)
    for question in QUESTIONS:
        assert question.text.endswith(("?", "]"))
        assert question.why.endswith(".")
        assert "\n" not in question.text + question.why
        known = {*Controls.model_fields}
        assert question.of or not question.sets or question.sets in known


# --- the command -------------------------------------------------------------------------------


def test_the_command_writes_a_section_that_reads_back(tmp_path: Path) -> None:
    out = tmp_path / "controls.yaml"
    done = CliRunner().invoke(app, ["menu", "--ask", "--out", str(out)], input="own\nidle\n")
    assert done.exit_code == 0, done.output
    assert read_back(out.read_text(encoding="utf-8")).outside == "idle"
    assert "put it in place of 'controls'" in done.output


def test_the_section_alone_is_printed() -> None:
    done = CliRunner().invoke(app, ["menu", "--ask"], input="\n" * 40)
    assert done.exit_code == 0
    assert read_back(done.stdout).menu == USUAL.menu


def test_what_is_no_text_is_nonsense() -> None:
    done = CliRunner().invoke(app, ["menu", "--ask"], input=b"own\n\xff\xfe\nidle\n")
    assert done.exit_code == 0
    assert "is none of 1, 2, 3." in done.stderr
    assert read_back(done.stdout).outside == "idle"


@pytest.mark.parametrize("words", [["--ask", "--json"], ["--ask", "--worth"], ["--out", "x"]])
def test_options_that_do_not_go_together(words: list[str]) -> None:
    assert CliRunner().invoke(app, ["menu", *words]).exit_code == 64
