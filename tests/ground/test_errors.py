"""Every error of the program says what is wrong, where, and how to mend it."""

from __future__ import annotations

import inspect

import pytest

from optimizer.base import errors
from optimizer.base.errors import (
    DisagreementError,
    InputError,
    OptimizerError,
    SeveralInputErrors,
    SolveError,
    TariffError,
    raise_findings,
)


def tree(root: type[OptimizerError]) -> list[type[OptimizerError]]:
    """Return a class and all that derive from it."""
    return [root, *(below for child in root.__subclasses__() for below in tree(child))]


CLASSES = list(dict.fromkeys(tree(OptimizerError)))
SIMPLE = [kind for kind in CLASSES if kind is not SeveralInputErrors]

# the tree as it is drawn at the top of the file, and the exit codes of the command
EXIT_CODES = {
    "OptimizerError": 4, "UsageMistake": 64, "InputError": 2, "ScenarioError": 2, "TariffError": 2, "SeriesError": 2,
    "SettingsError": 2, "SeveralInputErrors": 2, "SolveError": 3, "Infeasible": 3, "Unbounded": 3,
    "StoppedEarly": 3, "Undecided": 3, "Interrupted": 130, "DisagreementError": 4,
}  # fmt: skip


def test_the_tree_has_the_classes_that_are_drawn_at_its_top():
    drawn = inspect.getdoc(errors) or ""

    assert {kind.__name__ for kind in CLASSES if kind.__module__ == errors.__name__} == set(
        EXIT_CODES
    )
    assert all(name in drawn for name in EXIT_CODES)


@pytest.mark.parametrize("kind", CLASSES)
def test_every_class_has_an_exit_code_and_says_when_it_happens(kind: type[OptimizerError]):
    assert kind.exit_code in errors.EXIT_CODES
    assert inspect.getdoc(kind)


@pytest.mark.parametrize(("name", "code"), EXIT_CODES.items())
def test_exit_codes_tell_input_from_plan_from_our_own_fault(name: str, code: int):
    assert getattr(errors, name).exit_code == code


@pytest.mark.parametrize("kind", SIMPLE)
def test_every_error_shows_its_three_parts(kind: type[OptimizerError]):
    failure = kind("rate_per_kw is 'twelve'", where="t.yaml:6:18 (charges[1])", mend="Write 12.0")

    assert str(failure) == (
        "error: rate_per_kw is 'twelve'\n  where: t.yaml:6:18 (charges[1])\n  mend:  Write 12.0"
    )
    assert failure.args == ("rate_per_kw is 'twelve'",)


@pytest.mark.parametrize("kind", SIMPLE)
@pytest.mark.parametrize("left_out", ["where", "mend"])
def test_no_error_can_be_made_with_a_part_left_out(kind: type[OptimizerError], left_out: str):
    parts = {"where": "here", "mend": "thus"}
    del parts[left_out]

    with pytest.raises(TypeError, match=left_out):
        kind("wrong", **parts)


@pytest.mark.parametrize("kind", SIMPLE)
def test_the_place_and_the_mend_are_given_by_name(kind: type[OptimizerError]):
    with pytest.raises(TypeError, match="positional"):
        kind("wrong", "here", "thus")  # type: ignore[misc]


def test_several_findings_are_shown_each_with_its_three_parts():
    findings = [InputError(f"wrong {n}", where=f"line {n}", mend=f"do {n}") for n in (1, 2)]

    told = str(SeveralInputErrors(findings))

    assert told == "\n".join(map(str, findings))
    assert told.count("error:") == told.count("where:") == told.count("mend:") == 2


def test_several_findings_have_a_place_and_a_mend_of_their_own():
    several = SeveralInputErrors([InputError("a", where="line 1", mend="x")] * 3)

    assert several.what == "3 things to mend"
    assert several.where == "line 1"
    assert several.mend


def test_one_finding_is_raised_as_itself():
    only = TariffError("wrong", where="here", mend="thus")

    with pytest.raises(TariffError) as caught:
        raise_findings([only])

    assert caught.value is only


def test_two_findings_are_raised_together():
    with pytest.raises(SeveralInputErrors, match="error: a") as caught:
        raise_findings([InputError(w, where="here", mend="thus") for w in "ab"])

    assert [finding.what for finding in caught.value.findings] == ["a", "b"]


def test_no_findings_raise_nothing():
    raise_findings([])


def test_the_three_branches_can_be_told_apart():
    assert not issubclass(InputError, SolveError)
    assert not issubclass(SolveError, InputError)
    assert not issubclass(DisagreementError, InputError | SolveError)
