"""Documents that blow up, never end or cannot be printed are refused soon, in few words."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer.base.documents import MAX_DEPTH, MAX_DIGITS, MAX_VALUES, Document, read_document
from optimizer.base.errors import ScenarioError, SeveralInputErrors

LONGEST_S, MOST_CHARACTERS = 10, 2000


class Any(Document):
    """A document with one key of each kind."""

    text: str | None = None
    number: float | None = None
    whole: int | None = None
    values: list[float] | None = None
    words: dict[str, list[str]] | None = None


BOMB = "a: &a [1, 1, 1, 1, 1, 1, 1, 1, 1]\n" + "".join(
    f"{b}: &{b} [{', '.join(f'*{a}' for _ in range(9))}]\n"
    for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)

MERGES = "a: &a {k: 1}\n" + "".join(
    f"{b}: &{b} {{v: {{<<: *{a}}}, w: {{<<: *{a}}}, x: [{', '.join(f'*{a}' for _ in range(20))}]}}\n"
    for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)

HOSTILE = {
    "aliases of aliases": (BOMB, f"more than {MAX_VALUES:,} values", "alias"),
    "merged aliases of aliases": (MERGES, f"more than {MAX_VALUES:,} values", "alias"),
    "an alias of itself": ("values: &a [1, *a]\n", "the alias *a stands inside", "Write out"),
    "a number of 5,000 digits": (f"whole: 0x{'f' * 5000}\n", "has 5,002 characters", "at most 100"),
    "the same in tens": (f"number: {'9' * 5000}\n", "has 5,000 characters", f"most {MAX_DIGITS}"),
    "a tagged nothing": ('number: !!float ""\n', "the tag !!float", "Leave out tags"),
    "a tagged text": ("text: !!str 3\n", "the tag !!str", "quotes"),
    "a tag of one's own": ("text: !mine {a: 1}\n", "the tag !mine", "Leave out tags"),
    "a tag of Python": ("text: !!python/name:os.system\n", "the tag !!python/name", "Leave out"),
    "3,000 brackets": (f"values: {'[' * 3000}", f"more than {MAX_DEPTH} deep", "brackets"),
    "500 closed brackets": (f"values: {'[' * 500}{']' * 500}", f"than {MAX_DEPTH} deep", "brackets"),
    "a ladder of keys": (
        "".join(f"{' ' * n}k:\n" for n in range(1200)), f"than {MAX_DEPTH} deep", "indentation",
    ),
    "60,000 unknown keys": ("".join(f"k{n}: 1\n" for n in range(60_000)), "values", "CSV"),
    "5,000 unknown keys": ("".join(f"k{n}: 1\n" for n in range(5_000)), "more values of this", "first"),
    "a key of a million characters": (f"{'k' * 900_000}: 1\n", "not YAML", "colons"),
    "a text of a million characters": (f"number: {'k' * 900_000}\n", "not a number", "Write"),
    "5,000 wrong numbers": (f"values: [{'x, ' * 5_000}]", "more values of this file", "first"),
    "a tab after a million lines": ("\n" * 900_000 + "\t:", "is not text", "Known here"),
}  # fmt: skip


def refused(path: Path) -> ScenarioError | SeveralInputErrors:
    """Return what is said of a document, which must not take long."""
    begun = time.process_time()
    with pytest.raises((ScenarioError, SeveralInputErrors)) as caught:
        read_document(path, Any, ScenarioError)
    assert time.process_time() - begun < LONGEST_S
    assert len(str(caught.value)) <= MOST_CHARACTERS
    assert caught.value.exit_code == 2
    return caught.value


@pytest.mark.parametrize(("text", "what", "mend"), HOSTILE.values(), ids=HOSTILE)
def test_a_document_that_blows_up_is_refused_in_few_words(
    tmp_path: Path, text: str, what: str, mend: str
) -> None:
    path = tmp_path / "bad.yaml"
    path.write_text(text, encoding="utf-8")
    told = str(refused(path))
    assert what in told
    assert mend in told
    assert str(path) in told


def test_what_never_ends_is_not_begun() -> None:
    assert "a device, not a file" in refused(Path("/dev/zero")).what


def test_a_pipe_into_which_nobody_writes_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    assert "a pipe, not a file" in refused(tmp_path / "pipe.yaml").what


def test_a_folder_is_called_a_folder(tmp_path: Path) -> None:
    assert "a folder, not a file" in refused(tmp_path).what


@pytest.mark.parametrize("name", ["a" * 255 + ".yaml", "a\0b.yaml"])
def test_a_name_that_no_system_takes_is_told(tmp_path: Path, name: str) -> None:
    assert "cannot be read" in refused(tmp_path / name).what


def test_aliases_that_stand_for_little_are_read(tmp_path: Path) -> None:
    path = tmp_path / "good.yaml"
    path.write_text("words: {a: &a [x, y], b: *a, c: *a}\nvalues: [1, 2]\n", encoding="utf-8")
    document, _ = read_document(path, Any, ScenarioError)
    assert document.words == {key: ["x", "y"] for key in "abc"}


def _scenario(path: Path) -> object:
    from optimizer.scenario.scenario import read_scenario

    return read_scenario(path)


def _tariff(path: Path) -> object:
    from optimizer.workflows.check import tariff_named

    return tariff_named(path)


def _named_tariff(path: Path) -> object:
    from optimizer.billing.tariff import find_tariff

    return find_tariff(str(path), Path(), "--tariff")


def _settings(path: Path) -> object:
    from optimizer.workflows.in_use import settings_path

    return settings_path(path)


def _promise(path: Path) -> object:
    from optimizer.workflows.in_use import accept, promise_path

    promise_path(path)
    return accept(path, path, None)  # type: ignore[arg-type]


@pytest.mark.parametrize("entrance", [_scenario, _named_tariff, _settings, _promise])
@pytest.mark.parametrize("name", ["a" * 5000, "a\0b"], ids=["long", "null"])
def test_a_path_that_no_system_takes_is_told_at_each_entrance(
    entrance: Callable[[Path], object], name: str
) -> None:
    from optimizer.base.errors import InputError

    with pytest.raises(InputError):
        entrance(Path(name))


@pytest.mark.parametrize("name", ["a" * 5000, "a\0b"], ids=["long", "null"])
def test_a_path_that_no_system_takes_is_no_tariff(name: str) -> None:
    assert _tariff(Path(name)) is None
