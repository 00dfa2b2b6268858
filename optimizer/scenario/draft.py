"""``scenario.yaml`` as answers, and answers as ``scenario.yaml``.

An unfinished scenario is an unfinished file. What the questions do not know stays as a person wrote it: keys,
order, comments, and every line in which nothing changed. A key that is new stands under its question.

Read next: ``questions``.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, NamedTuple

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq

from optimizer.base.documents import Source, beginning_of, checked, is_file, read_outside
from optimizer.base.errors import InputError, Place, ScenarioError, bounded
from optimizer.base.questions import Answers, Question, Questionnaire
from optimizer.base.words import in_each_language, later, say
from optimizer.base.yaml_text import as_typed
from optimizer.billing.tariff import shipped_tariffs
from optimizer.scenario.questions import (
    ARE_NET,
    MENU_IN_FILE,
    MENU_PREFIX,
    OWN_MENU,
    QUESTIONS,
    TYPED_TARIFF,
)
from optimizer.scenario.scenario import SCENARIO_FILE
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.controls import SHORT_KEYS, Controls
from optimizer.settings.questions import KEYS, USUAL_MENUS, answers_of, section_of, section_yaml
from optimizer.settings.questions import MENU as OF_MENU

ASSUMED = later("Not known: assumed.")

HEAD = "# A site as it was described by answers. All keys: scenarios/README.md of the program."

Content = MutableMapping[Any, Any]


# One value -------------------------------------------------------------------------------------------


def place_of(question: Question) -> Place:
    """Return the path of keys that a question sets, or nearly sets; empty if none."""
    if question.name in _NEAR:
        return _NEAR[question.name]
    return tuple(int(key) if key.isdigit() else key for key in question.sets.split(".") if key)


def value_at(content: Any, place: Place) -> Any:
    """Return what stands at a path of keys; None if nothing does."""
    node = content
    for key in place:
        is_there = key in node if isinstance(node, Mapping) else _is_index(key, node)
        if not is_there:
            return None
        node = node[key]
    return node


def names_at(content: Any, place: Place) -> list[str]:
    """Return the names of files at a path of keys; none if no list of names stands there."""
    found = value_at(content, place)
    return [str(name) for name in found] if isinstance(found, list) else []


def _is_index(key: int | str, node: Any) -> bool:
    return isinstance(key, int) and isinstance(node, list) and key < len(node)


def _put(content: Content, place: Place, value: Any) -> None:
    """Set a value; None takes the key away, and what it leaves empty."""
    *above, last = place
    nodes: list[Any] = [content]
    for key, following in zip(above, place[1:], strict=True):
        node, kind = nodes[-1], CommentedSeq if isinstance(following, int) else CommentedMap
        if not isinstance(value_at(node, (key,)), kind):
            if value is None:
                return
            node[key] = kind()
        nodes.append(node[key])
    if value is not None:
        nodes[-1][last] = value
        return
    nodes[-1].pop(last, None)
    for node, key in zip(reversed(nodes[:-1]), reversed(above), strict=True):
        if not isinstance(key, int) and not node[key]:
            del node[key]


# The answers that are no single value ----------------------------------------------------------------


class _Way(NamedTuple):
    """How an answer is read from a file's content, None if there is none, and how it is put there."""

    read: Callable[[Any], Any]
    write: Callable[[Content, Any], None]


def _plain_way(question: Question) -> _Way:
    place = place_of(question)

    def read(content: Any) -> Any:
        found = value_at(content, place)
        if question.kind == "names":
            return names_at(content, place) or None
        return None if isinstance(found, dict | list) else found

    def write(content: Content, value: Any) -> None:
        _put(content, place, as_typed(value) if value != [] else None)

    return _Way(read, write)


def _read_forecast(content: Any) -> Any:
    found = value_at(content, ("forecast",))
    return found if isinstance(found, str) else None


def _write_forecast(content: Content, name: str | None) -> None:
    if name is not None or _read_forecast(content) is not None:
        _put(content, ("forecast",), name)


PV = ("forecast", "pv")
ROOFS = (*PV, "roofs")


def _read_pv(content: Any) -> Any:
    found = value_at(content, PV)
    return "roofs" if isinstance(found, dict) else found


def _write_pv(content: Content, how: str | None) -> None:
    if how != "roofs":
        _put(content, PV, how)
    elif value_at(content, ROOFS) is None:
        _put(content, ROOFS, CommentedSeq([CommentedMap()]))


def _read_roofs(content: Any) -> Any:
    found = value_at(content, ROOFS)
    return len(found) if isinstance(found, list) else None


def _write_roofs(content: Content, count: int | None) -> None:
    roofs = value_at(content, ROOFS)
    if count is None or not isinstance(roofs, list):
        return
    while len(roofs) < count:
        roofs.append(CommentedMap())
    del roofs[count:]


EFFICIENCIES = (("battery", "charge_efficiency_pct"), ("battery", "discharge_efficiency_pct"))


def _read_efficiency(content: Any) -> Any:
    found = [value_at(content, place) for place in EFFICIENCIES]
    if not all(isinstance(each, int | float) for each in found):
        return None
    return round(found[0] * found[1] / 100, 1)


def _write_efficiency(content: Content, both_pct: float | None) -> None:
    """Share the loss out between filling and giving."""
    for place in EFFICIENCIES:
        each = None if both_pct is None else round((both_pct * 100) ** 0.5, 2)
        _put(content, place, as_typed(each))


def _read_tariff_as(how: str) -> Callable[[Any], Any]:
    def read(content: Any) -> Any:
        found = value_at(content, ("tariff",))
        return found if isinstance(found, str) and _how(found) == how else None

    return read


def _write_tariff(content: Content, name: str | None) -> None:
    if name is not None:
        _put(content, ("tariff",), name)


def _how(tariff: str) -> str:
    if tariff in shipped_tariffs():
        return "shipped"
    return "typed" if tariff == TYPED_TARIFF else "file"


def _read_how(content: Any) -> Any:
    found = value_at(content, ("tariff",))
    return _how(found) if isinstance(found, str) else None


def _write_how(content: Content, how: str | None) -> None:
    if how == "typed":
        _put(content, ("tariff",), TYPED_TARIFF)


_NEAR: dict[str, Place] = {
    "efficiency": EFFICIENCIES[0], "roofs": ROOFS, "tariff.how": ("tariff",),
    "tariff.file": ("tariff",), "menu": ("controls",),
}  # fmt: skip

_WAYS: dict[str, _Way] = {
    **{question.name: _plain_way(question) for question in QUESTIONS if question.sets},
    "forecast": _Way(_read_forecast, _write_forecast),
    "forecast.pv": _Way(_read_pv, _write_pv),
    "roofs": _Way(_read_roofs, _write_roofs),
    "efficiency": _Way(_read_efficiency, _write_efficiency),
    "tariff.how": _Way(_read_how, _write_how),
    "tariff": _Way(_read_tariff_as("shipped"), _write_tariff),
    "tariff.file": _Way(_read_tariff_as("file"), _write_tariff),
}


# The menu --------------------------------------------------------------------------------------------


def menu_answers(answers: Answers) -> dict[str, Any]:
    """Return the answers to the menu's own questions, by the names they have there."""
    how = answers.get("menu")
    if how in USUAL_MENUS:
        return dict(USUAL_MENUS[how][1])
    return {
        name.removeprefix(MENU_PREFIX): value
        for name, value in answers.items()
        if name.startswith(MENU_PREFIX)
    }


def _read_menu(content: Any) -> dict[str, Any]:
    section = value_at(content, ("controls",))
    if not isinstance(section, dict):
        return {}
    try:
        controls = checked(Source(Path("controls"), dict(section)), Controls, ScenarioError)[0]
    except InputError:
        return {"menu": MENU_IN_FILE}
    found = answers_of(controls)
    if found is None:
        return {"menu": MENU_IN_FILE}
    for name, (_, given) in USUAL_MENUS.items():
        if section_of(given) == section_of(found):
            return {"menu": name}
    return {"menu": OWN_MENU} | {MENU_PREFIX + name: value for name, value in found.items()}


def _menu_of(answers: Answers) -> dict[str, Any]:
    return {key: value for key, value in answers.items() if key.partition(".")[0] == "menu"}


def _place_in_menu(question: Question, source: Source) -> Place:
    """Return the path of keys that a question of the menu sets; empty if none."""
    asked = OF_MENU.by_name.get(question.name.removeprefix(MENU_PREFIX))
    if asked is None or not asked.sets:
        return ()
    lists = value_at(source.content, ("controls", "lists")) if asked.of else None
    if not isinstance(lists, list):
        return ("controls", asked.sets)
    names = [value_at(each, ("name",)) for each in lists]
    return ("controls", "lists", names.index(asked.of), asked.sets) if asked.of in names else ()


def _write_menu(content: Content, answers: Answers, unknown: Collection[str]) -> None:
    """Describe the menu anew; what the questions do not ask for stays as it was."""
    names = [name.removeprefix(MENU_PREFIX) for name in unknown]
    section = _yaml().load(section_yaml(menu_answers(answers), names))["controls"]
    before = content.get("controls")
    if isinstance(before, dict):
        section.update({k: v for k, v in before.items() if k not in {"lists", *SHORT_KEYS, *KEYS}})
    content["controls"] = section


# All -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Draft:
    """A scenario as far as it is written.

    ``answers`` are those that the file holds; ``unknown`` names those that it says are assumed.
    """

    source: Source
    answers: Answers
    unknown: frozenset[str] = frozenset()

    @property
    def text(self) -> str:
        """The file's text; empty if there is none yet."""
        return self.source.text


def draft_of(source: Source) -> Draft:
    """Return what a file's content answers."""
    found = {name: way.read(source.content) for name, way in _WAYS.items()}
    answers = {name: value for name, value in found.items() if value is not None}
    answers |= _read_menu(source.content)
    lines = source.text.splitlines()
    places = {
        q.name: place_of(q) or _place_in_menu(q, source) for q in QUESTIONS if q.name in answers
    }
    unknown = {name for name, place in places.items() if _is_assumed(place, source, lines)}
    return Draft(source, answers, frozenset(unknown))


EQUIPMENT = ("battery", "inverter", "pv")
"""Keys that say that somebody described the equipment."""


def holding(draft: Draft) -> dict[str, Any]:
    """Return what a file answers, with what holds because a person left it out."""
    content, held = draft.source.content, dict[str, Any]()
    if all(value_at(content, (key,)) is not None for key in EQUIPMENT):
        of_it = [question for question in QUESTIONS if question.of == "equipment" and question.sets]
        held = {question.name: _left_out(place_of(question)) for question in of_it}
    heads = _heads_of_meters(draft.source)
    if value_at(content, PV) is None and any("pv_kwh" in head for head in heads):
        held["forecast.pv"] = "metered"
    elif heads and value_at(content, ("forecast", "load", "pv_meters")) is None:
        held[ARE_NET] = all(_is_net(head) for head in heads) or None
    return {name: value for name, value in held.items() if value is not None} | dict(draft.answers)


def _heads_of_meters(source: Source) -> list[str]:
    names = names_at(source.content, ("forecast", "load", "meters"))
    texts = [beginning_of(source.path.parent / name) for name in names]
    return [next((line for line in text.splitlines() if line[:1] != "#"), "") for text in texts]


def _is_net(head: str) -> bool:
    """Tell whether a meter counts export, and not what was used or what PV gave."""
    return "export_kwh" in head and not ("pv_kwh" in head or "load_kwh" in head)


def _left_out(place: Place) -> Any:
    """Return the value that a key of the scenario has where it is left out; None if it has none."""
    model: Any = ScenarioFile
    for key in place[:-1]:
        model = model.model_fields[key].annotation
    field = model.model_fields[place[-1]]
    return None if field.is_required() else field.default


def read_draft(folder: Path) -> Draft:
    """Return the scenario of a folder as far as it is written; an empty one if there is no file.

    Raises
    ------
    InputError
        If the file is no YAML with keys.
    """
    path = folder / SCENARIO_FILE
    if not is_file(path):
        return draft_of(Source(path, CommentedMap()))
    source = read_outside(path, ScenarioError)
    if source.content is not None and not isinstance(source.content, dict):
        raise ScenarioError(
            "the file holds no keys with values",
            where=source.where(),
            mend="Mend it with an editor, or move it away.",
        )
    if (key := _list_as_key(source.content)) is not None:
        raise ScenarioError(
            f"{bounded(repr(key), 80)} stands where the name of a key belongs",
            where=source.where(),
            mend="Mend it with an editor, or move it away.",
        )
    return draft_of(source)


def _list_as_key(content: Any) -> Any:
    """Return a key that is itself a list or holds keys: YAML allows it, and it cannot be written again."""
    if isinstance(content, dict):
        for key, value in content.items():
            if isinstance(key, Sequence | Mapping) and not isinstance(key, str):
                return key
            if (found := _list_as_key(value)) is not None:
                return found
    elif isinstance(content, list):
        return next((found for each in content if (found := _list_as_key(each)) is not None), None)
    return None


def _is_assumed(place: Place, source: Source, lines: list[str]) -> bool:
    """Tell whether the line above a key says that its value is assumed."""
    found = _line_of(place, source.content, lines)
    told = in_each_language(ASSUMED)
    return bool(found and found[0] and lines[found[0] - 1].rstrip().endswith(told))


def rewritten(draft: Draft, answers: Answers, unknown: Collection[str] = ()) -> str:
    """Return the text of the file with other answers; those that are not given stay.

    An answer of None takes its key away, as does a question that matters no more.
    """
    after = {**holding(draft), **answers}
    if _menu_of(answers):  # the menu is one answer of many parts
        after = {k: v for k, v in after.items() if k not in _menu_of(draft.answers)}
        after |= _menu_of(answers)

    held = holding(draft)

    def change(content: Content) -> None:
        for question in QUESTIONS:
            if (way := _WAYS.get(question.name)) is None:
                continue
            old = held.get(question.name)
            new = after.get(question.name) if question.is_asked(after) else None
            if new is None and not question.is_asked(draft.answers):
                continue  # it never mattered: what stands there is not ours
            if not _same(old, new):
                way.write(content, new)
        menu = _menu_of(after)
        if menu != _menu_of(draft.answers) and menu.get("menu") not in {None, MENU_IN_FILE}:
            _write_menu(content, after, unknown)

    text = changed_text(draft.text, change)
    return _commented(text, draft, answers, unknown)


def with_values(text: str, values: Mapping[Place, Any]) -> str:
    """Return the text of a file with values at paths of keys; None takes a key away."""

    def change(content: Content) -> None:
        for place, value in values.items():
            _put(content, place, as_typed(value))

    return changed_text(text, change)


def changed_text(text: str, change: Callable[[Content], None]) -> str:
    """Return the text of a YAML file after a change of its content; all other lines stay as they are."""
    content = _yaml().load(text) or CommentedMap()
    before = _dumped(content)
    change(content)
    return _merged(text, before, _dumped(content))


def _same(old: Any, new: Any) -> bool:
    return bool(old == new) and isinstance(old, bool) == isinstance(new, bool)


def _commented(text: str, draft: Draft, answers: Answers, unknown: Collection[str]) -> str:
    """Return a text with a question above each key that is new, and told where it is assumed."""
    content, lines = _yaml().load(text), text.splitlines()
    above = dict[int, str]()
    for question in QUESTIONS:
        found = _line_of(place_of(question), content, lines)
        if found is None or answers.get(question.name) is None:
            continue
        line, indent = found
        if value_at(draft.source.content, place_of(question)) is None:
            unit = f" [{question.unit}]" if question.unit else ""
            told = f" {say(ASSUMED)}" if question.name in unknown else ""
            above.setdefault(line, f"{indent}# {question.asks}{unit}{told}")
        elif line and lines[line - 1].strip().startswith("#"):
            told = lines[line - 1]
            for words in in_each_language(ASSUMED):
                told = told.removesuffix(f" {words}")
            is_assumed = question.name in unknown
            lines[line - 1] = f"{told} {say(ASSUMED)}" if is_assumed else told
    whole = [] if draft.text else [HEAD]
    for number, kept in enumerate(lines):
        whole += [above[number], kept] if number in above else [kept]
    return "".join(f"{line}\n" for line in whole)


def _line_of(place: Place, content: Any, lines: list[str]) -> tuple[int, str] | None:
    """Return the number of the line that a key begins, and its indent; None where it begins none."""
    *above, key = place or (None,)
    node = value_at(content, tuple(above)) if above else content
    if not isinstance(node, CommentedMap) or key not in (node.lc.data or {}):
        return None
    line, column = node.lc.key(key)
    before = lines[line][:column]
    return (line, before.split("-")[0]) if not before.strip("- ") else None


def _yaml() -> YAML:
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    yaml.indent(mapping=2, sequence=4, offset=2)
    return yaml


def _dumped(content: Content) -> str:
    text = io.StringIO()
    if content:
        _yaml().dump(content, text)
    return text.getvalue()


def _merged(text: str, before: str, after: str) -> str:
    """Return a text with the changes of its dumped form: lines in which nothing changed stay as typed."""
    if before == after:
        return text
    whole = (
        text if text.endswith("\n") else f"{text}\n"
    )  # what comes behind needs a line of its own
    typed, old, new = (each.splitlines(keepends=True) for each in (whole, before, after))
    if len(typed) != len(old):
        return after
    lines = list[str]()
    for kind, start, end, first, last in SequenceMatcher(None, old, new, False).get_opcodes():
        lines += typed[start:end] if kind == "equal" else new[first:last]
    return "".join(lines)


def whole_file(draft: Draft) -> tuple[ScenarioFile, Source]:
    """Return a scenario as far as it is written, all that is missing as usual.

    Raises
    ------
    InputError
        What is wrong in it.
    """
    answers = holding(draft)
    usual = {name: value for name, value in completed(answers).items() if name not in answers}
    source = source_of(rewritten(draft, usual), draft.source.path)
    return checked(source, ScenarioFile, ScenarioError)


# What refuses ----------------------------------------------------------------------------------------


def completed(answers: Answers) -> dict[str, Any]:
    """Return answers with the defaults of all other questions that matter."""
    full = dict(answers)
    while missing := [q for q in QUESTIONS if q.name not in full and q.is_asked(full)]:
        full[missing[0].name] = missing[0].default_after(full)
    return full


def file_of(answers: Answers) -> ScenarioFile:
    """Return the scenario file that answers make, all others as usual.

    Raises
    ------
    InputError
        If no site can be so.
    """
    nothing = draft_of(Source(Path(SCENARIO_FILE), CommentedMap()))
    text = rewritten(nothing, completed(answers))
    return checked(source_of(text), ScenarioFile, ScenarioError)[0]


def source_of(text: str, path: Path = Path(SCENARIO_FILE)) -> Source:
    """Return a text that was made here as a source, whatever file will hold it."""
    return Source(path, _yaml().load(text) or CommentedMap(), text)


def refused(answers: Answers) -> InputError | None:
    """Return why no site can be as answers say, all others as usual; None if it can."""
    try:
        file_of(answers)
    except InputError as error:
        return error
    return None


SITE = Questionnaire(QUESTIONS, refused)
"""The questions about a site, with what refuses answers to them."""


def question_at(place: Place, answers: Answers) -> Question | None:
    """Return the question whose key stands at a place of the file, or nearest around it."""
    fits = [
        (len(own), question)
        for question in SITE.asked(answers)
        if (own := place_of(question)) and place[: len(own)] == own
    ]
    return max(fits, key=lambda fit: fit[0])[1] if fits else None
