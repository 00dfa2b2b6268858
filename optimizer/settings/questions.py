"""The questions whose answers describe a menu: for the terminal now, for any page that asks them.

``QUESTIONS`` is the table: each has a text, one line of explanation, a default, what can be answered, and the
key of ``controls`` that it sets. Answers stand under the names of their questions; what is not answered is
its default. ``section_of`` makes the section ``controls`` of them, ``section_yaml`` writes it with each
question as a comment.

Read next: ``base.questions``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from optimizer.base.documents import Source, checked
from optimizer.base.errors import InputError, ScenarioError
from optimizer.base.questions import Answers, Question, Questionnaire
from optimizer.base.words import later, say
from optimizer.base.yaml_text import typed_yaml
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS, USES

CONTROLS = Path("controls")
"""How a section that no file holds is called in errors."""


def _days_differ_in(name: str, answers: Answers) -> bool:
    """Tell whether an entry of a list can have days of its own: those that fill the day cannot."""
    fills_day = name == "windows" and answer_to("ends", answers) != "end"
    return bool(answer_to("days", answers) != "every_day") and not fills_day


def _one_list(answers: Answers) -> bool:
    return bool(answer_to("shape", answers) == "one")


def _own_lists(answers: Answers) -> bool:
    return not _one_list(answers)


FIELDS = {
    "level": "how full, or down to which level",
    "power": "with which power",
    "grid": "whether the grid may fill the battery, or PV alone",
    "cap": "a limit of the import",
    "days": "the days on which it holds",
}
"""Fields that an entry may have beside start and end."""


def _of_list(
    name: str,
    told: str,
    entries: int,
    actions: Mapping[str, str],
    fields: Collection[str],
    asked: Callable[[Answers], bool],
    *,
    least: int = 1,
    usual_actions: Sequence[str] = (),
) -> list[Question]:
    """Return the questions about one list; ``told`` says which, ``least`` is 0 if it may be missing."""

    def is_there(answers: Answers) -> bool:
        return asked(answers) and bool(answer_to(f"{name}.entries", answers))

    def days_or_none(answers: Answers) -> set[str]:
        return set() if _days_differ_in(name, answers) else {"days"}

    def useless(answers: Answers) -> set[str]:
        actions = set(answer_to(f"{name}.actions", answers))
        return {key for key, uses in USES.items() if not actions & set(uses)}

    def of_each(answers: Answers) -> dict[str, str]:
        taken = {*answer_to(f"{name}.once", answers)} | days_or_none(answers) | useless(answers)
        return {key: words for key, words in has.items() if key not in taken}

    def of_all(answers: Answers) -> dict[str, str]:
        return {key: words for key, words in once.items() if key not in useless(answers)}

    has = {key: words for key, words in FIELDS.items() if key in fields}
    usual = [key for key in ("level", "power") if key in fields] or ["cap"]
    once = {key: words for key, words in has.items() if key != "days"}
    counted = (
        later(
            "Count the lines that can be typed in for one kind of day; 0 if there is no such list."
        )
        if least == 0
        else later("Count the lines that can be typed in for one kind of day.")
    )
    return [
        Question(
            f"{name}.entries", "How many entries {told}?",
            counted,
            "count", entries, "entries", low=least, of=name, told=told, is_asked=asked,
        ),
        Question(
            f"{name}.actions", "What can the entries {told} do?",
            "An entry says which by a field of its own or by others, such as level and grid.",
            "several", usual_actions or list(actions), "actions", actions, of=name, told=told,
            at_least_one=True,
            is_asked=lambda answers: is_there(answers) and len(actions) > 1,
        ),
        Question(
            f"{name}.once", "Which of these stand once for all the entries {told}?",
            "A field beside the entries, not in each of them, counts here.",
            "several", [], "once", of_all, of=name, told=told, is_asked=is_there,
        ),
        Question(
            f"{name}.fields", "Which of these has each of the entries {told}, beside start and end?",
            "What stands neither here nor once cannot be typed in.",
            "several", usual, "fields", of_each, of=name, told=told, is_asked=is_there,
        ),
    ]  # fmt: skip


ACTIONS = {
    "charge": "fill the battery",
    "hold": "keep what is stored",
    "cover": "cover the building from the battery",
    "sell": "sell to the grid",
}


def _some(*names: str) -> dict[str, str]:
    return {name: ACTIONS[name] for name in names}


def _has_field(*fields: str) -> Callable[[Answers], bool]:
    def has(answers: Answers) -> bool:
        return any(
            set(fields) & {*each.get("fields", ()), *each.get("once", ())}
            for each in lists_of(answers)
        )

    return has


QUESTIONS: tuple[Question, ...] = (
    Question(
        "shape", "Do filling and giving stand in one list of entries, or in lists of their own?",
        "One list: each entry says what it does. Lists of their own: an entry of one only fills.",
        "choice", "one", "",
        {"one": "one list of all entries", "own": "lists of their own"},
    ),
    Question(
        "ends", "How does an entry end?",
        "Where it lasts until the next begins, entries always fill the whole day.",
        "choice", "end", "fills_day",
        {"end": "it has an end of its own", "filled": "it has one, but entries must fill the day",
         "next": "it lasts until the next one begins"},
        of="windows", is_asked=_one_list,
    ),
    Question(
        "outside", "What does the equipment do at times that no entry names, once one is stored?",
        "If it does nothing, each hour of work needs an entry. Where entries fill the day: what is done in"
        " hours that need nothing else.",
        "choice", "cover", "outside",
        {"cover": "covers the building from the battery", "hold": "keeps what is stored",
         "idle": "neither fills the battery nor draws from it"},
    ),
    Question(
        "days", "Which days can have entries of their own?",
        "Choose the finest that the menu knows.",
        "choice", "weekday_weekend", "day_types",
        lambda _answers: {kind: ", ".join(map(say, sets)) for kind, sets in DAY_SETS.items()},
    ),
    *_of_list("windows", "in the list", 4, ACTIONS, tuple(FIELDS), _one_list),
    *_of_list("filling", "for filling", 3, _some("charge", "hold"), tuple(FIELDS), _own_lists,
              usual_actions=["charge"]),
    *_of_list("giving", "for giving", 3, _some("cover", "sell"), ("level", "power", "cap", "days"),
              _own_lists, least=0, usual_actions=["cover"]),
    *_of_list("limits", "for limiting the import", 0, {"limit": "limit the import"},
              ("cap", "days"), _own_lists, least=0),
    Question(
        "overlap", "May an entry of one list hold at the same time as an entry of another?",
        "If not, the equipment refuses the second one.",
        "yes_no", False, "overlap", is_asked=lambda answers: len(lists_of(answers)) > 1,
    ),
    Question(
        "precedence", "If two do: in which order of lists, the one that is obeyed first?",
        "The entry of the list that is named first is done, the other one is not.",
        "order", None, "precedence",
        lambda answers: {each["name"]: each["name"] for each in lists_of(answers)},
        is_asked=lambda answers: bool(answer_to("overlap", answers)),
    ),
    Question(
        "months", "How many sets of months are stored, each with entries of its own?",
        "1 if the menu knows no months: entries then hold until they are changed.",
        "count", 2, "season_sets", low=1, high=12,
    ),
    Question(
        "floors", "Has each set of months a lowest level of its own?",
        "The level below which the battery is not drawn in daily use.",
        "yes_no", False, "floor_by_season",
        is_asked=lambda answers: answer_to("months", answers) > 1,
    ),
    Question(
        "minutes", "In which steps can times be typed in? [min]",
        "Of a start that can only be a full hour, 60.",
        "choice", 30, "minutes", {n: f"{n} min" for n in (1, 5, 10, 15, 30, 60)},
    ),
    Question(
        "level_step", "In which steps can levels be typed in? [%]",
        "A step that divides 100, such as 1, 5 or 10.",
        "number", 5.0, "soc_step_pct", low=0.1, high=50, is_asked=_has_field("level"),
    ),
    Question(
        "power_unit", "In which unit are powers typed in?",
        "Per cent are those of the inverter's greatest AC power.",
        "choice", "kw", "", {"kw": "kW (or W)", "pct": "per cent"},
        is_asked=_has_field("power"),
    ),
    Question(
        "power_step_pct", "In which steps can powers be typed in? [%]",
        "A step that divides 100, such as 1, 5 or 10.",
        "number", 1.0, "power_step_pct", low=0.1, high=100,
        is_asked=lambda answers: _has_field("power")(answers)
        and answer_to("power_unit", answers) == "pct",
    ),
    Question(
        "power_step_kw", "In which steps can powers and limits be typed in? [kW]",
        "0.1 if the menu takes 100 W.",
        "number", 0.1, "power_step_kw", low=0.001, high=100,
        is_asked=lambda answers: _has_field("cap")(answers)
        or (_has_field("power")(answers) and answer_to("power_unit", answers) == "kw"),
    ),
    Question(
        "over_midnight", "May an entry begin before midnight and end after it?",
        "If not, a night takes two entries.",
        "yes_no", True, "over_midnight",
    ),
    Question(
        "after_midnight", "Whose are the hours after midnight of such an entry?",
        "It matters where days differ: 22:00 to 06:00 on weekdays may or may not hold on Saturday at 02:00.",
        "choice", "same day", "after_midnight",
        {"same day": "those of the days that it names", "next day": "those of the mornings after them"},
        is_asked=lambda answers: bool(answer_to("over_midnight", answers))
        and answer_to("days", answers) != "every_day",
    ),
    Question(
        "whole_day", "May one entry last 24 hours?",
        "If not, a whole day takes two entries.",
        "yes_no", True, "whole_day",
    ),
    Question(
        "last_minute", "What must be typed in for the end of the day?",
        "Try it: some clocks take no 24:00.",
        "choice", "24:00", "last_minute", {"24:00": "24:00", "23:59": "23:59", "00:00": "00:00"},
    ),
    Question(
        "unused", "What must an entry hold that is not used?",
        "As it is typed in, such as 00:00 to 00:00; nothing if it can be left empty or switched off.",
        "text", None, "unused",
    ),
    Question(
        "summer_time", "Does the equipment's clock follow summer time?",
        "If not, it goes an hour behind the clock on the wall in summer.",
        "yes_no", True, "summer_time",
    ),
)  # fmt: skip
"""All questions, in the order in which they are asked."""

KEYS = {question.sets for question in QUESTIONS if question.sets and not question.of}
"""The keys of ``controls`` that they ask for, beside the lists."""


def answer_to(name: str, answers: Answers) -> Any:
    """Return the answer to a question, its default if there is none."""
    return MENU.answer_to(name, answers)


def asked(answers: Answers) -> list[Question]:
    """Return the questions that matter, given the answers so far."""
    return MENU.asked(answers)


def lists_of(answers: Answers) -> list[dict[str, Any]]:
    """Return the lists that answers describe."""
    names = ["windows"] if _one_list(answers) else ["filling", "giving", "limits"]
    return [_list_of(name, answers) for name in names if answer_to(f"{name}.entries", answers)]


def section_of(answers: Answers) -> dict[str, Any]:
    """Return the section ``controls`` that answers describe; what was not answered is its default."""
    about_all = {
        question.sets: answer_to(question.name, answers)
        for question in asked(answers)
        if question.sets and not question.of
    }
    told = {key: value for key, value in about_all.items() if value is not None}
    return {"lists": lists_of(answers)} | told


def _list_of(name: str, answers: Answers) -> dict[str, Any]:
    ends = answer_to("ends", answers) if name == "windows" else "end"
    return {
        "name": name,
        "actions": list(answer_to(f"{name}.actions", answers)),
        "entries": answer_to(f"{name}.entries", answers),
        "fields": [
            *(["days"] if "days" in answer_to(f"{name}.fields", answers) else []),
            *(["start"] if ends == "next" else ["start", "end"]),
            *(key for key in answer_to(f"{name}.fields", answers) if key != "days"),
        ],
        "once": list(answer_to(f"{name}.once", answers)),
        "fills_day": ends != "end",
    }


def controls_from(answers: Answers) -> Controls:
    """Return the controls that answers describe.

    Raises
    ------
    InputError
        If no equipment can be so.
    """
    return checked(Source(CONTROLS, section_of(answers)), Controls, ScenarioError)[0]


def section_yaml(answers: Answers, unknown: Collection[str] = ()) -> str:
    """Return the section ``controls`` as YAML, each key under its question.

    ``unknown`` names the questions to which a person knew no answer.
    """
    section = section_of(answers)
    about_all = {question.sets: question for question in asked(answers) if not question.of}
    lines = ["controls:", "  lists:"]
    for each in section.pop("lists"):
        own = {q.sets: q for q in asked(answers) if q.of == each["name"]}
        for place, (key, value) in enumerate(each.items()):
            lines += _comment(own.get(key), unknown, "      ")
            lines += [f"    {'  ' if place else '- '}{line}" for line in _typed(key, value)]
    for key, value in section.items():
        lines += _comment(about_all.get(key), unknown, "  ")
        lines += [f"  {line}" for line in _typed(key, value)]
    return "\n".join(lines) + "\n"


def _typed(key: str, value: Any) -> list[str]:
    text = typed_yaml({key: value}).strip()
    return (text[1:-1] if text.startswith("{") else text).splitlines()


def _comment(question: Question | None, unknown: Collection[str], indent: str) -> list[str]:
    if question is None:
        return []
    told = " Not known: assumed." if question.name in unknown else ""
    return [f"{indent}# {question.asks}{told}"]


def refused(answers: Answers) -> InputError | None:
    """Return why no equipment can be as answers say; None if it can."""
    try:
        controls_from(answers)
    except InputError as error:
        return error
    return None


def answers_of(controls: Controls) -> dict[str, Any] | None:
    """Return the answers that describe controls; None where the questions cannot ask for all of them."""
    menu = controls.menu
    answers: dict[str, Any] = {
        "shape": "one" if [each.name for each in menu.lists] == ["windows"] else "own",
        "days": controls.day_types,
        "minutes": controls.minutes,
        "months": controls.season_sets,
        "floors": controls.floor_by_season,
        "level_step": controls.soc_step_pct,
        "power_step_kw": controls.power_step_kw,
        "power_unit": "kw" if controls.power_step_pct is None else "pct",
    }
    answers |= {
        name: getattr(controls, name)
        for name in ("outside", "overlap", "over_midnight", "after_midnight", "whole_day",
                     "last_minute", "unused", "summer_time", "precedence")
    }  # fmt: skip
    if controls.power_step_pct is not None:
        answers["power_step_pct"] = controls.power_step_pct
    answers |= {f"{name}.entries": 0 for name in ("filling", "giving", "limits")}
    for each in menu.lists:
        answers[f"{each.name}.entries"] = each.entries
        answers[f"{each.name}.actions"] = list(each.actions)
        answers[f"{each.name}.once"] = list(each.once)
        answers[f"{each.name}.fields"] = [field for field in each.fields if field in FIELDS]
        if each.name == "windows":
            filled = "next" if "end" not in each.fields else "filled"
            answers["ends"] = filled if each.fills_day else "end"
    return _told_again(answers, controls)


def _told_again(answers: dict[str, Any], controls: Controls) -> dict[str, Any] | None:
    """Return those of the answers that matter, if they describe the controls wholly."""
    own = {question.name for question in QUESTIONS}
    if not {*answers} <= own:
        return None
    answers = {question.name: answer_to(question.name, answers) for question in asked(answers)}
    try:
        again = controls_from(answers)
    except InputError:
        return None
    same = controls.model_dump(include=KEYS) == again.model_dump(include=KEYS)
    return answers if same and again.menu == controls.menu else None


MENU = Questionnaire(QUESTIONS, refused)
"""The questions about a menu, with what refuses answers to them."""

USUAL_MENUS: dict[str, tuple[str, Answers]] = {
    "lines": (
        "lines for a kind of day, each with start, end, what it does, how full and with which power",
        {},
    ),
    "switches": (
        "times at which it begins to do something, which it does until the next of them",
        {"ends": "next", "days": "every_day", "windows.entries": 6, "windows.fields": ["level"]},
    ),
    "fills": (
        "times at which it is filled, to one level with one power; else it covers the building",
        {"shape": "own", "days": "every_day", "filling.once": ["level", "power"], "filling.fields": [],
         "giving.entries": 0, "months": 1},
    ),
    "fills_and_gives": (
        "times at which it is filled and times at which it covers the building, each with a level; else it"
        " does nothing",
        {"shape": "own", "outside": "idle", "days": "every_day", "filling.fields": ["level"],
         "giving.fields": ["level"], "months": 1},
    ),
}  # fmt: skip
"""Menus as they often are, in general words, by the answers in which they differ from what is usual.

Common practice, no published source.
"""
