"""What stands in an ESPI (Green Button) file: entries with links, and the readings, line by line.

The file is streamed: an element is forgotten as soon as its text is read, and readings become rows
of compact arrays. Elements are known by namespace and local name, so prefixes do not matter.
Document types and entities are refused. What it means is for ``espi``.

``start`` is seconds of UTC by the standard. Older files are known to have date-times, another version in
the namespace, or readings without a block around them (from memory, no published source): they are read,
with a note; times without an offset stay local until ``espi`` knows the zone.

ESPI is streamed with SAX. Iterating over elements took as long (10.5 s against 11.6 s for bare
events of 200 MB, 10 and 19 MB of memory), but SAX knows the line and column of each reading.
"""

from __future__ import annotations

import re
import xml.sax.handler
import xml.sax.xmlreader
import zlib
from array import array
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, NoReturn
from urllib.parse import urljoin, urlsplit
from xml.sax import SAXException, SAXParseException

import defusedxml.sax
from defusedxml.common import DefusedXmlException

from optimizer.base.errors import SeriesError, Where

ATOM = "http://www.w3.org/2005/Atom"
ESPI = "http://naesb.org/espi"
OTHER_ESPI = re.compile(r"https?://(www\.)?naesb\.org/espi(/.*)?", re.IGNORECASE)
XML_BASE = ("http://www.w3.org/XML/1998/namespace", "base")

CONTENTS = ("UsagePoint", "MeterReading", "ReadingType", "LocalTimeParameters", "IntervalBlock")
MAX_DEPTH = 64
MAX_TEXT = 4_000
"""Longer text in one element is no reading's."""

MAX_READINGS = 5_000_000
MAX_ENTRIES = 200_000

_NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{1,9})?", re.ASCII)
_DATE_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.0+)?(Z|[+-]\d\d:?\d\d)?", re.ASCII)
_NUMERIC = {"value", "cost", "duration", "quality"}
ABSENT = -(2**62)
"""Stands for a missing number of a reading; its numbers have at most 48 bits."""


@dataclass
class Entry:
    """One Atom entry: its links, title, and the plain fields of its content."""

    line: int
    content: str = ""
    itself: str = ""
    up: set[str] = field(default_factory=set)
    related: set[str] = field(default_factory=set)
    title: str = ""
    fields: dict[str, str] = field(default_factory=dict)


@dataclass
class Block:
    """One IntervalBlock: its interval, and which rows of the readings are its own.

    ``is_wall`` marks a start that is a local time; ``is_implied`` readings without a block around them.
    """

    entry: Entry
    line: int
    first: int
    end: int = 0
    start_s: int | None = None
    duration_s: int | None = None
    is_wall: bool = False
    is_implied: bool = False


@dataclass
class Rows:
    """The readings of all blocks in the file's order, one array a field; 1 marks a local start."""

    value: array[float] = field(default_factory=lambda: array("d"))
    start_s: array[int] = field(default_factory=lambda: array("q"))
    duration_s: array[int] = field(default_factory=lambda: array("q"))
    cost: array[int] = field(default_factory=lambda: array("q"))
    quality: array[int] = field(default_factory=lambda: array("q"))
    line: array[int] = field(default_factory=lambda: array("q"))
    is_wall: array[int] = field(default_factory=lambda: array("b"))

    def add(self, one: dict[str, float], line: int) -> None:
        """Add a reading; what it does not hold is NaN or ABSENT."""
        self.value.append(one.get("value", float("nan")))
        self.start_s.append(int(one.get("start", ABSENT)))
        self.duration_s.append(int(one.get("duration", ABSENT)))
        self.cost.append(int(one.get("cost", ABSENT)))
        self.quality.append(int(one.get("quality", ABSENT)))
        self.line.append(line)
        self.is_wall.append(int(one.get("wall", 0)))


@dataclass
class Feed:
    """All that a file holds."""

    path: Path
    entries: list[Entry] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)
    rows: Rows = field(default_factory=Rows)
    other_spaces: set[str] = field(default_factory=set)

    def where(self, line: int) -> Where:
        """Return ``file:line``."""
        return Where(f"{self.path}:{line}", self.path, line)

    def notes(self) -> list[str]:
        """Return notes on what older files have otherwise than the standard."""
        told = [
            f"the namespace {one[:100]} was taken for that of ESPI, {ESPI}."
            for one in sorted(self.other_spaces)
        ]
        bare = sum(block.end - block.first for block in self.blocks if block.is_implied)
        if bare:
            told.append(
                f"{bare:,} readings stand without a block around them; each holds its own time."
            )
        return told

    def of_content(self, name: str) -> list[Entry]:
        """Return the entries of one kind of content."""
        return [entry for entry in self.entries if entry.content == name]


def read_feed(path: Path, source: BinaryIO) -> Feed:
    """Read an ESPI file as it stands.

    Parameters
    ----------
    path : Path
        Its name, for messages.
    source : binary file
        Its bytes, already unpacked.

    Raises
    ------
    SeriesError
        With line and column, if the file is no well-formed XML, declares a document type or
        entities, holds text where a number belongs, or is no ESPI feed.
    """
    collector = _Collector(Feed(path))
    parser = defusedxml.sax.make_parser()
    parser.forbid_dtd = True
    parser.setFeature(xml.sax.handler.feature_namespaces, True)
    parser.setContentHandler(collector)
    try:
        parser.parse(source)
    except DefusedXmlException as failure:
        raise SeriesError(
            f"the file declares a document type or entities ({type(failure).__name__}); such files"
            " are not opened",
            where=collector.where(),
            mend="Ask for the data as plain ESPI XML.",
        ) from None
    except SAXParseException as failure:
        raise SeriesError(
            f"this is no well-formed XML: {failure.getMessage()}",
            where=f"{path}:{failure.getLineNumber()}:{(failure.getColumnNumber() or 0) + 1}",
            mend="Download the file again, unchanged: it must have one root, closed tags and no"
            " stray text.",
        ) from None
    except (SAXException, OSError, EOFError, zlib.error, ValueError, LookupError) as failure:
        raise SeriesError(
            f"this XML cannot be read: {(str(failure) or repr(failure)).splitlines()[0]}",
            where=collector.where(),
            mend="Download the file again, unchanged.",
        ) from None
    return collector.feed


class _Collector(xml.sax.handler.ContentHandler):
    """Turns events of the parser into a Feed."""

    def __init__(self, feed: Feed) -> None:
        super().__init__()
        self.feed = feed
        self._locator: xml.sax.xmlreader.Locator | None = None
        self._path: list[str] = []
        self._bases = [""]
        self._entry: Entry | None = None
        self._block: Block | None = None
        self._reading: dict[str, float] | None = None
        self._reading_line = 0
        self._text: list[str] = []
        self._size = 0

    def setDocumentLocator(self, locator: xml.sax.xmlreader.Locator) -> None:  # noqa: N802
        self._locator = locator

    def where(self) -> Where:
        """Return ``file:line:column`` of where the parser stands."""
        path, line = self.feed.path, self._line()
        if self._locator is None or self._locator.getLineNumber() is None:
            return Where(str(path), path)
        return Where(f"{path}:{line}:{(self._locator.getColumnNumber() or 0) + 1}", path, line)

    def _line(self) -> int:
        return (self._locator.getLineNumber() if self._locator else None) or 1

    def _refuse(self, what: str, mend: str) -> NoReturn:
        raise SeriesError(what, where=self.where(), mend=mend)

    def startElementNS(  # noqa: N802
        self,
        name: tuple[str | None, str],
        _qname: str | None,
        attrs: xml.sax.xmlreader.AttributesNSImpl,
    ) -> None:
        space, local = name
        if not self._path:
            self._refuse_foreign_root(space, local)
        if len(self._path) >= MAX_DEPTH:
            self._refuse(f"elements are nested more than {MAX_DEPTH} deep", "This is no ESPI file.")
        self._path.append(local)
        base = attrs.get(XML_BASE) if len(attrs) else None
        self._bases.append(urljoined(self._bases[-1], base) if base else self._bases[-1])
        self._text.clear()
        self._size = 0
        if space == ATOM:
            self._start_atom(local, attrs)
        elif self._entry is not None and self._is_espi(space):
            self._start_espi(local, self._entry)

    def _is_espi(self, space: str | None) -> bool:
        if space == ESPI or space in self.feed.other_spaces:
            return True
        if space is None or not OTHER_ESPI.fullmatch(space):
            return False
        self.feed.other_spaces.add(space)
        return True

    def _refuse_foreign_root(self, space: str | None, local: str) -> None:
        if space != ATOM or local not in {"feed", "entry"}:
            self._refuse(
                f"the file is XML with the root <{local[:60]}>, not an Atom feed of ESPI",
                "Ask for interval data as Green Button (ESPI) XML, or as CSV.",
            )

    def _start_atom(self, local: str, attrs: xml.sax.xmlreader.AttributesNSImpl) -> None:
        if local == "entry":
            self._entry = Entry(self._line())
            self.feed.entries.append(self._entry)
            if len(self.feed.entries) > MAX_ENTRIES:
                self._refuse(f"more than {MAX_ENTRIES:,} entries", "Ask for fewer years.")
        elif local == "link" and self._entry is not None:
            self._link(attrs)

    def _link(self, attrs: xml.sax.xmlreader.AttributesNSImpl) -> None:
        assert self._entry is not None
        target = address(self._bases[-1], attrs.get((None, "href"), ""))
        relation = attrs.get((None, "rel"), "")
        if relation == "self":
            self._entry.itself = target
        elif relation == "up":
            self._entry.up.add(target)
        elif relation == "related":
            self._entry.related.add(target)

    def _start_espi(self, local: str, entry: Entry) -> None:
        if local in CONTENTS and not (entry.content == "IntervalBlock" and local != entry.content):
            entry.content = local
        if local == "IntervalBlock":
            self._block = Block(entry, self._line(), len(self.feed.rows.value))
            self.feed.blocks.append(self._block)
        elif local == "IntervalReading":
            self._reading, self._reading_line = {}, self._line()
            if self._block is None:
                self._block = self._implied_block(entry)

    def _implied_block(self, entry: Entry) -> Block:
        """Return the block of readings that stand in an entry without one."""
        blocks = self.feed.blocks
        if not (blocks and blocks[-1].is_implied and blocks[-1].entry is entry):
            entry.content = entry.content or "IntervalBlock"
            blocks.append(Block(entry, self._line(), len(self.feed.rows.value), is_implied=True))
        return blocks[-1]

    def characters(self, content: str) -> None:
        self._size += len(content)
        if self._size <= MAX_TEXT:
            self._text.append(content)

    def endElementNS(self, name: tuple[str | None, str], _qname: str | None) -> None:  # noqa: N802
        space, local = name
        if self._entry is not None and self._is_espi(space):
            self._end_espi(local, self._entry)
        elif space == ATOM and local == "title" and self._entry is not None:
            self._entry.title = " ".join("".join(self._text).split())[:80]
        elif space == ATOM and local == "entry":
            self._entry = None
        self._path.pop()
        self._bases.pop()
        self._text.clear()
        self._size = 0

    def _end_espi(self, local: str, entry: Entry) -> None:
        if local == "IntervalReading" and self._reading is not None:
            self._end_reading(self._reading)
        elif local == "IntervalBlock" and self._block is not None:
            self._block.end = len(self.feed.rows.value)
            self._block = None
        elif self._reading is not None:
            self._end_in_reading(local, self._reading)
        elif self._block is not None:
            self._end_in_block(local, self._block)
        elif self._text and len(self._path) > 1:
            parent = self._path[-2]
            key = f"{parent}/{local}" if parent != entry.content else local
            if len(entry.fields) < MAX_DEPTH:
                entry.fields.setdefault(key, "".join(self._text).strip())

    def _end_reading(self, reading: dict[str, float]) -> None:
        if self._block is not None:
            self.feed.rows.add(reading, self._reading_line)
            self._block.end = len(self.feed.rows.value)
            if self._block.end > MAX_READINGS:
                self._refuse(f"more than {MAX_READINGS:,} readings", "Ask for fewer years.")
            if self._block.is_implied:
                self._block = None
        self._reading = None

    def _end_in_reading(self, local: str, reading: dict[str, float]) -> None:
        if local == "start":
            reading[local], reading["wall"] = self._start()
        elif local in _NUMERIC:
            reading[local] = self._number(local)

    def _end_in_block(self, local: str, block: Block) -> None:
        if self._path[-2:-1] != ["interval"]:
            return
        if local == "start":
            block.start_s, block.is_wall = self._start()
        elif local == "duration":
            block.duration_s = int(self._number(local))

    def _start(self) -> tuple[int, bool]:
        """Return a start in seconds, and whether it is a local time, counted as if it were UTC."""
        text = "".join(self._text).strip()
        if _NUMBER.fullmatch(text):
            return int(float(text)), False
        moment = _moment(text)
        if moment is None:
            self._refuse(
                f"start is {text[:40]!r}, neither seconds since 1970 nor a date-time",
                "Ask for the file again: the standard has whole seconds here; date-times such as"
                " 2014-01-01T00:00:00 are read too.",
            )
        is_wall = moment.tzinfo is None
        return int((moment.replace(tzinfo=UTC) if is_wall else moment).timestamp()), is_wall

    def _number(self, local: str) -> float:
        text = "".join(self._text).strip()
        if not text and local in {"cost", "quality", "value"}:
            return float("nan") if local == "value" else float(ABSENT)
        if not _NUMBER.fullmatch(text):
            self._refuse(
                f"{local} is {text[:40]!r}, not a whole number",
                "Ask for the file again: the standard has whole numbers here.",
            )
        return float(text)


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if _DATE_TIME.fullmatch(text) else None
    except ValueError:
        return None


def urljoined(base: str, href: str) -> str:
    """Return an address as seen from a base; text that is no address is left as it is."""
    try:
        return urljoin(base, href)
    except ValueError:
        return href


def address(base: str, href: str) -> str:
    """Return what two links to the same thing have in common: the path, without host or slashes."""
    whole = urljoined(base, href.strip())
    try:
        parts = urlsplit(whole)
    except ValueError:
        return whole
    if parts.scheme not in {"", "http", "https"}:
        return whole
    path = parts.path.strip("/")
    return f"{path}?{parts.query}" if parts.query else path
