"""Works out the formulas of a workbook: just the signs and functions that ours use.

``NPV`` is the spreadsheets' own: the first amount counts at the end of the first period.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import openpyxl

TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+\.?\d*(?:E[+-]?\d+)?)"
    r"|(?P<span>(?:'[^']+'!)?[A-Z]+\d+:[A-Z]+\d+)|(?P<cell>(?:'[^']+'!)?[A-Z]+\d+)"
    r"|(?P<call>[A-Z]+)\(|(?P<name>[a-z_]+)|(?P<sign>[-+*/^(),]))"
)


def npv(rate: float, amounts: list[float]) -> float:
    """Return what amounts at the ends of periods are worth at the begin of the first."""
    return sum(each / (1 + rate) ** period for period, each in enumerate(amounts, start=1))


class Recalculated:
    """A workbook whose formulas are worked out anew from the values of its other cells."""

    def __init__(self, path: Path) -> None:
        self.book = openpyxl.load_workbook(path)
        self.names = {name: each.attr_text for name, each in self.book.defined_names.items()}
        self._known: dict[tuple[str, str], float] = {}

    def change(self, sheet: str, cell: str, value: float) -> None:
        """Put another value into a cell."""
        self.book[sheet][cell] = value
        self._known.clear()

    @property
    def formulas(self) -> dict[tuple[str, str], str]:
        """All formulas, by sheet and cell."""
        return {
            (sheet.title, cell.coordinate): cell.value
            for sheet in self.book for row in sheet.iter_rows() for cell in row if cell.data_type == "f"
        }  # fmt: skip

    def value(self, sheet: str, cell: str) -> float:
        """Return what a cell comes to; an empty one is zero."""
        place = sheet, cell
        if place not in self._known:
            found = self.book[sheet][cell]
            is_formula = found.data_type == "f"
            self._known[place] = (
                _Reader(self, sheet, found.value[1:]).all()
                if is_formula
                else float(found.value or 0)
            )
        return self._known[place]

    def span(self, sheet: str, span: str) -> list[float]:
        """Return what the cells of a span come to."""
        return [
            self.value(sheet, cell.coordinate) for row in self.book[sheet][span] for cell in row
        ]


class _Reader:
    """Reads one formula from left to right."""

    def __init__(self, book: Recalculated, sheet: str, text: str) -> None:
        self.book, self.sheet, self.text, self.at = book, sheet, text, 0

    def all(self) -> float:
        value = self.sum()
        assert self.at == len(self.text), f"{self.text!r} is not understood from {self.at} on"
        return value

    def sign(self, signs: str) -> str:
        if self.at < len(self.text) and self.text[self.at] in signs:
            self.at += 1
            return self.text[self.at - 1]
        return ""

    def chain(self, part: Callable[[], float], signs: str) -> float:
        value = part()
        while sign := self.sign(signs):
            other = part()
            value = {
                "+": lambda a, b: a + b, "-": lambda a, b: a - b, "*": lambda a, b: a * b,
                "/": lambda a, b: a / b, "^": lambda a, b: a**b,
            }[sign](value, other)  # fmt: skip
        return value

    def sum(self) -> float:
        return self.chain(self.product, "+-")

    def product(self) -> float:
        return self.chain(self.power, "*/")

    def power(self) -> float:
        return self.chain(self.part, "^")

    def part(self) -> float:
        found = self.argument()
        assert isinstance(found, float)
        return found

    def argument(self) -> float | list[float]:
        match = TOKEN.match(self.text, self.at)
        assert match, f"{self.text!r} is not understood from {self.at} on"
        self.at = match.end()
        kind, token = match.lastgroup, match[match.lastgroup or 0]
        if kind == "number":
            return float(token)
        if kind == "name":
            sheet, cell = self.book.names[token].replace("$", "").split("!")
            return self.book.value(sheet, cell)
        if kind in {"cell", "span"}:
            sheet, _, place = token.rpartition("!")
            sheet = sheet.strip("'") or self.sheet
            return self.book.value(sheet, place) if kind == "cell" else self.book.span(sheet, place)
        if kind == "call":
            return self.call(token)
        assert token == "("
        value = self.sum()
        assert self.sign(")")
        return value

    def call(self, name: str) -> float:
        given = [self.argument()]
        while self.sign(","):
            given.append(self.argument())
        assert self.sign(")")
        if name == "SUM":
            return sum(sum(each) if isinstance(each, list) else each for each in given)
        assert name == "NPV"
        rate, amounts = given
        assert isinstance(rate, float)
        assert isinstance(amounts, list)
        return npv(rate, amounts)
