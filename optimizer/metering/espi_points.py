"""Which usage points of several ESPI files are one: files of successive months have the same meters.

Points go together if their service is the same and their name too; of several with one name, those of
one address. The only point of each file is the same in all, whatever its name, with a note. What goes
together in no such way stands by itself.

Read next: ``espi``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from optimizer.metering.espi_xml import Entry, Feed


@dataclass(frozen=True)
class Member:
    """A usage point as one file has it; ``file`` and ``place`` count from 0."""

    feed: Feed
    file: int
    place: int
    entry: Entry

    @property
    def name(self) -> str:
        """Its title, else the last part of its address."""
        return self.entry.title or self.entry.itself.rpartition("/")[2]

    @property
    def service(self) -> str:
        """The kind of its ServiceCategory as it is written."""
        return self.entry.fields.get("ServiceCategory/kind", "")


@dataclass
class Group:
    """One usage point, as the files have it that know it."""

    members: list[Member] = field(default_factory=list)

    @property
    def first(self) -> Member:
        """The usage point as the first file has it."""
        return self.members[0]

    def renamed(self) -> list[str]:
        """Return a note on each file that calls the point otherwise than the first."""
        return [
            f"the only usage point {self.first.name!r} in {self.first.feed.path.name} is called"
            f" {one.name!r} in {one.feed.path.name}; taken for the same meter."
            for one in self.members
            if one.name != self.first.name
        ]


def grouped(feeds: Sequence[Feed]) -> list[Group]:
    """Return the usage points of files in the order in which they first stand."""
    groups: list[Group] = []
    files = [
        [Member(feed, file, n, entry) for n, entry in enumerate(feed.of_content("UsagePoint"))]
        for file, feed in enumerate(feeds)
    ]
    are_only = all(len(members) == 1 for members in files)
    rules: list[Callable[[Member, Member], bool]] = [
        lambda one, other: one.name == other.name and one.entry.itself == other.entry.itself,
        lambda one, other: one.name == other.name,
        lambda one, other: are_only,
    ]
    for members in files:
        known, left = list(groups), list(members)
        for fits in rules:
            for one in list(left):
                mine = [group for group in known if _go_together(group.first, one, fits)]
                rivals = [two for two in left if mine and _go_together(mine[0].first, two, fits)]
                if len(mine) == len(rivals) == 1:
                    mine[0].members.append(one)
                    known.remove(mine[0])
                    left.remove(one)
        groups += [Group([one]) for one in left]
    return groups


def _go_together(one: Member, other: Member, fits: Callable[[Member, Member], bool]) -> bool:
    return one.service == other.service and fits(one, other)


def names(paths: Sequence[Path]) -> str:
    """Return the names of files for a note."""
    return ", ".join(path.name for path in paths)[:300]
