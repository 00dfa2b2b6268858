"""What renewing settings is worth: the ones in use, a few changes, or all found anew.

Whether to change at all goes by weeks that the changes were not fitted to; what each change is worth
beside the others, by plausible seasons drawn for that. Money is told per month. Read next: ``review``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.units import money
from optimizer.base.words import later, say
from optimizer.search.choose import Found, Size
from optimizer.search.renewing import (
    Change,
    OnceChange,
    RaisedFloor,
    changes_of,
    raised_floors,
    without_change,
)
from optimizer.settings.menu import Menu
from optimizer.settings.windows import Settings, months_text
from optimizer.site.equipment import Plant

DAYS_PER_MONTH = 365.25 / 12

DEFAULT_SHARE, SHARE_OF_BILL = 0.01, 0.001
"""What each change must earn where nothing is stated.

The first is a share of what windows could save at all, the second of all that is billed and credited
without windows; the larger of the two sums counts.
"""

CostOf = Callable[[Settings], Sequence[float]]
"""What settings cost in each of K plausible seasons. [money]"""


def default_per_change(can_save: float, gross_bill: float) -> float:
    """Return what each change must earn over a season where nothing is stated. [money]"""
    return max(DEFAULT_SHARE * can_save, SHARE_OF_BILL * gross_bill, 0.0)


@dataclass(frozen=True)
class Valued:
    """A change, and what is lost a month if it alone is left out; None if it cannot be. [money]"""

    change: Change | OnceChange | RaisedFloor
    per_month: float | None


@dataclass(frozen=True)
class Saving:
    """What settings save over those in use over the season. [money]

    ``seen`` on the weeks they were fitted to, ``unseen`` on others; None where too few are metered.
    """

    seen: float
    unseen: float | None

    @classmethod
    def of(cls, size: Size, base: Size) -> Saving:
        """Return what a size saves over that of the settings in use."""
        unseen = None
        if size.unseen is not None and base.unseen is not None:
            unseen = size.unseen - base.unseen
        return cls(size.seen - base.seen, unseen)

    @property
    def sure(self) -> float:
        """What is counted on: the saving on weeks not fitted to, or the mean of both if less. [money]"""
        return self.seen if self.unseen is None else min(self.unseen, (self.seen + self.unseen) / 2)


@dataclass(frozen=True)
class Renewal:
    """Settings in use, those advised, and those found anew, on the coming season.

    ``least`` is what each change had to earn a month; ``curve`` tells for each number of changes what
    it saves. ``entries`` counts what is typed in afterwards or is to be removed,
    ``floors`` are those to raise.
    """

    before: Settings
    after: Settings
    anew: Settings
    changes: tuple[Valued, ...]
    changes_anew: int
    entries: int
    months: float
    least: float
    saving: Saving
    saving_anew: Saving
    curve: tuple[tuple[int, Saving], ...]
    floors: tuple[RaisedFloor, ...] = ()

    @property
    def is_floor_raised(self) -> bool:
        """Whether a floor typed in lies below the lowest level allowed, or what an endurance asks for."""
        return bool(self.floors)

    @property
    def listed(self) -> tuple[Valued, ...]:
        """All that is to be typed in: floors, then windows."""
        return (*(Valued(floor, None) for floor in self.floors), *self.changes)

    @property
    def is_nothing_to_do(self) -> bool:
        """Whether the advice is to change nothing."""
        return not self.changes and not self.is_floor_raised

    @property
    def saves_per_month(self) -> float:
        """What the advised changes save, as far as it can be counted on. [money per month]"""
        return self.saving.sure / self.months

    @property
    def others_per_month(self) -> float:
        """What all that settings found anew would change beyond them is worth. [money per month]"""
        return (self.saving_anew.sure - self.saving.sure) / self.months

    @property
    def others(self) -> int:
        """How many entries settings found anew would change beyond those advised."""
        return max(self.changes_anew - len(self.changes), 0)

    def advice(self, currency: str) -> str:
        """Return in a sentence or two what to do, and what is left undone."""
        told = self._to_do(currency)
        if not self.others:
            return told
        if self.others_per_month <= 0:
            more = say(
                "Settings found anew would change {count} and, in plausible seasons, save nothing more that"
                " can be counted on.",
                count=self.changes_anew,
            )
            return f"{told} {more}"
        if self.changes:
            left = later("The others ({entries}) would bring {money} a month together: leave them.")
        else:
            left = later(
                "Settings found anew ({entries}) would bring {money} a month together: leave them."
            )
        entries = (
            say("1 more entry")
            if self.others == 1
            else say("{count} more entries", count=self.others)
        )
        brought = money(self.others_per_month, currency)
        return f"{told} {say(left, entries=entries, money=brought)}"

    def _to_do(self, currency: str) -> str:
        floors = [
            say("Raise the floor {span}, {why}.", span=each.span(), why=say(each.why))
            if len(each.months) == 12
            else say(
                "Raise the floor {span} in {months}, {why}.",
                span=each.span(), months=months_text(list(each.months)), why=say(each.why),
            )
            for each in self.floors
        ]  # fmt: skip
        return " ".join([*floors, self._to_change(currency)])

    def _to_change(self, currency: str) -> str:
        if not self.changes:
            nothing = later(
                "Change nothing: no change to the settings in use earns the {money} a month that is asked of"
                " each."
            )
            if self.floors:
                nothing = later(
                    "Change nothing else: no other change to the settings in use earns the {money} a month"
                    " that is asked of each."
                )
            return say(nothing, money=money(self.least, currency))
        of = say("1 entry") if self.entries == 1 else say("{count} entries", count=self.entries)
        saves = money(self.saves_per_month, currency)
        if self.saving.unseen is None:
            return say(
                "Change {count} of {entries}: saves {money} a month (on weeks that they have seen, of which"
                " too few are metered to keep some back).",
                count=len(self.changes), entries=of, money=saves,
            )  # fmt: skip
        return say(
            "Change {count} of {entries}: saves {money} a month (on weeks that they have not seen; {seen} on"
            " those that they have).",
            count=len(self.changes), entries=of, money=saves,
            seen=money(self.saving.seen / self.months),
        )  # fmt: skip


def renewal_of(  # noqa: PLR0913 - what is compared, and how changes count
    before: Settings, found: Found, anew: Found, cost_of: CostOf, weights: Sequence[float],
    plant: Plant, menu: Menu, days: float, per_change: float,
) -> Renewal:  # fmt: skip
    """Choose between a few changes and settings found anew, and value each change.

    Parameters
    ----------
    before : Settings
        What is typed in.
    found : Found
        The few changes, by their number.
    anew : Found
        Settings found without regard to what is typed in.
    cost_of : callable
        What settings cost in each plausible season, best in ones drawn for this alone. [money]
    weights : sequence of float
        What the seasons count, together 1.
    plant, menu
        The equipment, and what its menu holds.
    days : float
        Length of the coming season.
    per_change : float
        What each change must earn over the season. [money]
    """
    months = days / DAYS_PER_MONTH
    weight = np.array(weights)

    def cost(settings: Settings) -> float:
        return float(weight @ np.array(cost_of(settings)))

    base = found.sizes[0]
    few, all_new = (Saving.of(each.sizes[each.chosen], base) for each in (found, anew))
    changes_anew = len(changes_of(before, anew.settings, plant, menu))
    few_count = len(changes_of(before, found.settings, plant, menu))
    more_to_type = per_change * (changes_anew - few_count)
    is_anew_better = all_new.sure - few.sure > more_to_type
    after = anew.settings if is_anew_better else found.settings
    changes = changes_of(before, after, plant, menu)
    if not changes:
        after = base.settings
    cost_after, valued = cost(after), list[Valued]()
    for change in changes:
        undone = without_change(after, change)
        worth = None if undone is None else (cost(undone) - cost_after) / months
        valued.append(Valued(change, worth))
    valued.sort(key=lambda each: -(each.per_month or 0.0))
    removed = sum(change.kind == "remove" for change in changes)
    once = sum(isinstance(change, OnceChange) for change in changes)
    entries = after.entries(menu) + removed + once
    return Renewal(
        before, after, anew.settings, tuple(valued), changes_anew, entries, months,
        per_change / months, all_new if is_anew_better else few, all_new,
        tuple((size.entries, Saving.of(size, base)) for size in found.sizes),
        raised_floors(before, after, plant),
    )  # fmt: skip
