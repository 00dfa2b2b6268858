"""The tariffs' README: its YAML is read and billed, its tables name every kind, key and file."""

from __future__ import annotations

import re
import typing
from pathlib import Path
from textwrap import indent

import pytest

from optimizer.base.calendar import HolidayRule, Times
from optimizer.base.documents import Document
from optimizer.billing.tariff import Charge, TariffFile, TariffVersion, read_tariff, shipped_tariffs
from optimizer.billing.worked import check_worked_bill, read_worked_bills
from optimizer.billing.worked_entries import BillEntry, BillsFile, ExpectedLine, MeterEntry
from tests.builders import billed, local_grid
from tests.docs.make_schemas import FOLDER, schemas

README = Path(__file__).parents[2] / "tariffs" / "README.md"
TEXT = README.read_text(encoding="utf-8")
BLOCKS = re.findall(r"```yaml\n(.+?)\n```", TEXT, flags=re.DOTALL)
TARIFFS = [block for block in BLOCKS if block.startswith("tariff:")]
BILLS = [block for block in BLOCKS if block.startswith("zone:")]
PAID = [block for block in BLOCKS if block.startswith("bill:")]
CHARGES = [block for block in BLOCKS if block.startswith("- ")]
KINDS = {
    typing.get_args(charge.model_fields["kind"].annotation)[0]: charge
    for charge in typing.get_args(typing.get_args(Charge)[0])
}
VERSION = (
    "tariff: of the README\ncurrency: USD\nversions:\n  - from: 2020-01-01\n    source: README\n"
)
GRID = local_grid("2026-07-01T00:00", "America/New_York", 31 * 96, 15)


def read(folder: Path, text: str):
    (folder / "tariff.yaml").write_text(text)
    return read_tariff(folder / "tariff.yaml")


def test_every_snippet_is_a_tariff_bills_or_charges():
    assert (len(TARIFFS), len(BILLS)) == (1, 1)
    assert len(CHARGES) == len(BLOCKS) - 2 - len(PAID)
    assert len(PAID) == 1
    assert set(KINDS) == set(re.findall(r"kind: (\w+)", "".join(BLOCKS)))


@pytest.mark.parametrize("block", CHARGES, ids=lambda block: re.search(r"kind: (\w+)", block)[1])
def test_charges_of_the_readme_make_a_bill(block, tmp_path):
    bill = billed(read(tmp_path, f"{VERSION}    charges:\n{indent(block, ' ' * 6)}\n"), GRID, 0.5)
    names = re.findall(r"^- (?:\{kind: \w+, |kind: \w+\n  )name: ([^,\n]+)", block, re.MULTILINE)
    assert names
    assert {line.charge for line in bill.lines} == set(names)


def test_the_tariff_of_the_readme_makes_the_worked_bill_of_the_readme(tmp_path):
    (tmp_path / "tariff.bills.yaml").write_text(BILLS[0])
    (worked,) = read_worked_bills(tmp_path / "tariff.bills.yaml")
    figures = check_worked_bill(read(tmp_path, TARIFFS[0]), worked)
    assert len(figures) == 5
    assert all(figure.is_right for figure in figures)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_chapter_and_stands_in_the_table_of_words(kind):
    table = TEXT.partition("## Which kind do I need?")[2].partition("## The file")[0]
    assert f"\n## `{kind}`\n" in TEXT
    assert f"`{kind}`" in table


def models_in(model: type[Document]) -> set[type[Document]]:
    """Return a model and all that stand in it."""
    found = {model}
    waiting: list[object] = [field.annotation for field in model.model_fields.values()]
    while waiting:
        kind = waiting.pop()
        waiting += typing.get_args(kind)
        if isinstance(kind, type) and issubclass(kind, Document) and kind not in found:
            found |= models_in(kind)
    return found


@pytest.mark.parametrize(
    "model", [TariffFile, BillsFile, *KINDS.values()], ids=lambda m: m.__name__
)
def test_every_key_of_every_model_is_taught(model):
    keys = {
        (model_in.__name__, field.alias or name)
        for model_in in models_in(model)
        for name, field in model_in.model_fields.items()
    }
    told = " ".join(re.findall(r"`([^`]+)`", re.sub(r"```.+?```", "", TEXT, flags=re.DOTALL)))
    assert len(keys) >= 4
    assert not sorted(key for key in keys if not re.search(rf"\b{key[1]}\b", told))


def test_the_models_that_are_walked_hold_those_deep_inside():
    inside = models_in(TariffFile) | models_in(BillsFile)
    deep = {TariffVersion, HolidayRule, BillEntry, MeterEntry, ExpectedLine, *KINDS.values()}
    assert deep <= inside
    assert all(issubclass(KINDS[kind], Times) for kind in ("energy", "demand", "reactive"))


DEFAULTS = re.findall(r"^\| `(\w+)` \| `?([\w.]+)`? \|", TEXT, flags=re.M)


@pytest.mark.parametrize(
    ("key", "told"), [d for d in DEFAULTS if d[1] not in {"required", "none", "empty"}]
)
def test_the_defaults_that_are_told_are_those_of_the_models(key, told):
    values = {
        str(model.model_fields[key].default).lower()
        for top in (TariffFile, BillsFile)
        for model in models_in(top)
        if key in model.model_fields
    }
    assert values & {told, f"{told}.0"}


def test_the_table_of_shipped_tariffs_names_each_file_once():
    table = TEXT.partition("## Shipped tariffs")[2].partition("## What cannot")[0]
    rows = re.findall(r"^\| \[(\w+)\]\((\w+)\.yaml\) \| (published: )?", table, flags=re.M)
    assert sorted(name for name, _, _ in rows) == sorted(shipped_tariffs())
    for name, file, published in rows:
        assert name == file
        assert bool(published) == name.startswith("published_")


def test_every_link_of_the_readme_leads_somewhere():
    links = re.findall(r"\]\(([^)]+)\)", TEXT)
    headings = {
        re.sub(r"[^\w -]", "", line.lower()).strip().replace(" ", "-")
        for line in re.findall(r"^#+ (.+)$", TEXT, flags=re.M)
    }
    assert len(links) > 30
    for link in links:
        reached = link[1:] in headings if link.startswith("#") else (README.parent / link).exists()
        assert reached, link


@pytest.mark.parametrize(("name", "text"), schemas().items(), ids=list(schemas()))
def test_the_schemas_are_those_of_the_models(name, text):
    """If not: python -m tests.docs.make_schemas."""
    assert (FOLDER / name).read_text(encoding="utf-8") == text


def test_there_is_no_schema_without_a_model():
    files = (path for path in FOLDER.rglob("*") if path.is_file())
    assert {path.relative_to(FOLDER).as_posix() for path in files} == set(schemas())
