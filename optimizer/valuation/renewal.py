"""What renewing settings is worth: the ones in use, a few changes, or all found anew.

Money is the mean over plausible seasons (as expected; other weeks; more load and less sun; less load),
told per month. Read next: ``review``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.settings.choosing import Found, Size
from optimizer.settings.renewing import Change, changes_of, without_change
from optimizer.settings.windows import Settings
from optimizer.site.equipment import Plant
from optimizer.units import money

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

    change: Change
    per_month: float | None


@dataclass(frozen=True)
class Renewal:
    """Settings in use, those advised, and those found anew, on the coming season.

    ``least`` is what each change had to earn a month; ``cost_…`` are means over plausible seasons, and
    ``saved`` is the least and the most that the advised changes save a month in any of them. ``curve``
    tells for each number of changes what it saves a month on weeks it was fitted to and on others (None
    if too few weeks).
    """

    before: Settings
    after: Settings
    anew: Settings
    changes: tuple[Valued, ...]
    changes_anew: int
    months: float
    least: float
    cost_before: float
    cost_after: float
    cost_anew: float
    saved: tuple[float, float]
    curve: tuple[tuple[int, float, float | None], ...]

    @property
    def is_nothing_to_do(self) -> bool:
        """Whether the advice is to change nothing."""
        return not self.changes

    @property
    def saves_per_month(self) -> float:
        """What the advised changes save a month."""
        return (self.cost_before - self.cost_after) / self.months

    @property
    def others_per_month(self) -> float:
        """What all that settings found anew would change beyond them is worth a month."""
        return (self.cost_after - self.cost_anew) / self.months

    @property
    def others(self) -> int:
        """How many entries settings found anew would change beyond those advised."""
        return max(self.changes_anew - len(self.changes), 0)

    @property
    def entries(self) -> int:
        """How many windows are typed in, before or after, whichever are more."""
        return max(self.before.entries(), self.after.entries())

    def advice(self, currency: str) -> str:
        """Return in a sentence or two what to do, and what is left undone."""
        if self.is_nothing_to_do:
            told = (
                "Change nothing: no change to the settings in use earns"
                f" {money(self.least, currency)} a month."
            )
        else:
            count = len(self.changes)
            told = (
                f"Change {count} of {self.entries} {_entries(self.entries)}: saves"
                f" {money(self.saves_per_month, currency)} a month, from {money(self.saved[0])} to"
                f" {money(self.saved[1])} in plausible seasons."
            )
        if not self.others:
            return told
        if self.others_per_month <= 0:
            return f"{told} Settings found anew would change {self.changes_anew} and save nothing more."
        which = "The others" if self.changes else "Settings found anew"
        return (
            f"{told} {which} ({self.others} more {_entries(self.others)}) would bring"
            f" {money(self.others_per_month, currency)} a month together: leave them."
        )


def _gain(found: Found, base: Size) -> float:
    """Return what settings save over those in use: on weeks not fitted to, or in the mean if less."""
    size = found.sizes[found.chosen]
    seen = size.seen - base.seen
    if size.unseen is None or base.unseen is None:
        return seen
    unseen = size.unseen - base.unseen
    return min(unseen, (seen + unseen) / 2)


def _entries(count: int) -> str:
    return "entry" if count == 1 else "entries"


def renewal_of(
    before: Settings, found: Found, anew: Found, cost_of: CostOf, weights: Sequence[float],
    plant: Plant, days: float, per_change: float,
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
        What settings cost in each plausible season. [money]
    weights : sequence of float
        What the seasons count, together 1.
    plant : Plant
        The equipment.
    days : float
        Length of the coming season.
    per_change : float
        What each change must earn over the season. [money]
    """
    months = days / DAYS_PER_MONTH
    weight = np.array(weights)

    def cost(settings: Settings) -> float:
        return float(weight @ np.array(cost_of(settings)))

    changes_anew = len(changes_of(before, anew.settings, plant))
    few_count = len(changes_of(before, found.settings, plant))
    more_to_type = per_change * (changes_anew - few_count)
    base = found.sizes[0]
    is_anew_better = _gain(anew, base) - _gain(found, base) > more_to_type
    after = anew.settings if is_anew_better else found.settings
    cost_after, cost_anew = cost(after), cost(anew.settings)
    changes = changes_of(before, after, plant)
    valued = []
    for change in changes:
        undone = without_change(after, change)
        worth = None if undone is None else (cost(undone) - cost_after) / months
        valued.append(Valued(change, worth))
    saved = (np.array(cost_of(before)) - np.array(cost_of(after))) / months
    curve = tuple(
        (
            size.entries,
            (size.seen - base.seen) / months,
            None
            if size.unseen is None or base.unseen is None
            else (size.unseen - base.unseen) / months,
        )
        for size in found.sizes
    )
    valued.sort(key=lambda each: -(each.per_month or 0.0))
    return Renewal(
        before, after, anew.settings, tuple(valued), changes_anew, months, per_change / months,
        cost(before), cost_after, cost_anew, (float(saved.min()), float(saved.max())), curve,
    )  # fmt: skip
