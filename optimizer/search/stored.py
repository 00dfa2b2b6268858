"""What the menu stores of drafts: which can be typed in, and what entries and day sets have in common.

Windows that share something are changed together: a field that stands once for a list is set in all its
entries, a list that knows no day sets holds the same entries in all of them. So whatever the search
looks at can be typed in; nothing is repaired afterwards.

Read next: ``score``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from functools import cached_property

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY, clock
from optimizer.search import drafts as plain
from optimizer.search.drafts import SAME_KW, Draft, Drafts, Part
from optimizer.settings.controls import Controls
from optimizer.settings.menu import USES, MenuList, OnceField, Steps
from optimizer.settings.windows import Window
from optimizer.site.equipment import Plant
from optimizer.site.limits import WAYS_OF_ACTION, allowed_kw

FIELD_OF_DRAFT: dict[OnceField, str] = {"level": "level_pct", "power": "power_kw", "cap": "cap_kw"}
"""Where a draft keeps what a menu calls a field; ``grid`` is a power of zero or not."""


class Stored:
    """The menu as the search sees it.

    Parameters
    ----------
    controls : Controls
        The menu.
    plant : Plant
        The equipment.
    floor_kwh : float
        The lowest level in daily use. [kWh]
    months : sequence of int
        Months 1 to 12 whose rules hold.
    """

    def __init__(
        self, controls: Controls, plant: Plant, floor_kwh: float, months: Sequence[int]
    ) -> None:
        self.menu = controls.menu
        self.plant = plant
        self._months, self._summer_time = list(months), controls.summer_time
        self._allowed_of: dict[tuple[str, int, int], tuple[float, float]] = {}
        self._low_pct, self._high_pct = plant.soc_pct(floor_kwh), plant.soc_pct(plant.high_kwh)
        self._levels: dict[str, FloatArray] = {}
        self._accepted: dict[Part, bool] = {}

    @cached_property
    def minutes(self) -> int:
        """Granularity that all lists have in common. [min]"""
        return math.lcm(*(each.minutes for each in self.menu.lists))

    @property
    def limits_beside(self) -> bool:
        """Whether a list holds limits that stand beside other windows."""
        return any(each.only_limits and each.beside for each in self.menu.lists)

    @cached_property
    def layers(self) -> tuple[Collection[str], ...]:
        """Actions, the last of them first where windows overlap; without limits beside the others."""
        if self.menu.ranks is not None:
            return tuple((action,) for action in reversed(self.menu.ranks))
        beside = {
            a for each in self.menu.lists if each.only_limits and each.beside for a in each.actions
        }
        return (frozenset(self.menu.actions) - beside,)

    # What a field of a draft can be -----------------------------------------------------------------

    def has(self, action: str, field: OnceField) -> bool:
        """Tell whether a field of a window can be typed in."""
        return action in USES[field] and self.menu.list_of(action).has(field)

    def levels(self, action: str) -> FloatArray:
        """Return the states of charge that a window of an action can have, rising. [%]"""
        if action not in self._levels:
            each = self.menu.list_of(action)
            if self.has(action, "level"):
                low, high = max(self._low_pct, each.level.low), min(self._high_pct, each.level.high)
                self._levels[action] = multiples_between(each.level.step, low, max(low, high))
            else:
                only = self._high_pct if action == "charge" else self._low_pct
                self._levels[action] = np.array([only])
        return self._levels[action]

    def level_step_pct(self, action: str) -> float:
        """Return the granularity of an action's states of charge. [%]"""
        return self.menu.list_of(action).level.step

    def powers(self, action: str) -> Steps:
        """Return the powers that can be typed in for an action. [kW]"""
        return self.menu.list_of(action).power_kw(self.plant.ac_limit_kw)

    def most_kw(self, action: str) -> float:
        """Return the greatest power of an action: that of the equipment, or less if the menu ends there."""
        full = self.plant.full_power_kw(action)
        if not self.has(action, "power"):
            return full
        steps = self.powers(action)
        if steps.high > full - steps.step:
            return full
        return round(math.floor(steps.high / steps.step + 1e-9) * steps.step, 9)

    def least_kw(self, action: str) -> float:
        """Return the least power above zero that can be typed in for an action. [kW]"""
        steps = self.powers(action)
        return round(max(math.ceil(steps.low / steps.step - 1e-9), 1) * steps.step, 9)

    def takes_no_grid(self, action: str) -> bool:
        """Tell whether a charge window can be told to fill from PV alone."""
        return self.menu.list_of(action).takes_no_grid

    def caps(self, action: str) -> Steps:
        """Return the limits of import that can be typed in for an action. [kW]"""
        return self.menu.list_of(action).cap

    def cap_near(self, action: str, cap_kw: float) -> float:
        """Return the limit of import nearest to one that can be typed in, at least one step. [kW]"""
        steps = self.caps(action)
        cap = plain.rounded_to(cap_kw, steps.step)
        if steps.is_within(cap):
            return cap
        return plain.rounded_to(steps.low if cap < steps.low else steps.high, steps.step)

    @property
    def cap_step_kw(self) -> float:
        """The smallest granularity of limits of import. [kW]"""
        return min(each.cap.step for each in self.menu.lists)

    def window_of(self, draft: Draft) -> Window:
        """Return the window of a draft; a power limit that cannot bind is left out.

        Where rules limit powers, one is left out only if all that can flow is asked for.
        """
        whole = draft.length == MINUTES_PER_DAY
        end = draft.begin + draft.length
        limits: dict[str, float] = {}
        if self.has(draft.action, "level"):
            limits["until_pct" if draft.action == "charge" else "down_to_pct"] = draft.level_pct
        if draft.action in USES["power"]:
            key = "grid_kw" if draft.action == "charge" else "power_kw"
            full = self.plant.full_power_kw(draft.action)
            step_kw = SAME_KW if self.plant.rules else self.powers(draft.action).step
            binds = draft.power_kw <= max(full - step_kw, 0.0)
            if binds and (self.has(draft.action, "power") or not draft.power_kw):
                limits[key] = draft.power_kw
        if draft.action == "charge" and not self.plant.may_charge_from_grid:
            limits["grid_kw"] = 0.0
        if math.isfinite(draft.cap_kw):
            limits["import_cap_kw"] = draft.cap_kw
        return Window(
            start="00:00" if whole else clock(draft.begin),
            end="24:00" if whole else clock(end % MINUTES_PER_DAY or MINUTES_PER_DAY),
            action=draft.action,  # type: ignore[arg-type]
            **{key: round(value, 9) for key, value in limits.items()},
        )

    # What rules allow -------------------------------------------------------------------------------

    def within_rules(self, draft: Draft) -> Draft:
        """Return a window that asks for no more than rules allow in its hours, on whatever day.

        What the menu cannot say of it stays as it is, and is not accepted.
        """
        if not self.plant.rules:
            return draft
        power_kw, cap_kw = self._allowed_kw(draft)
        if draft.power_kw > power_kw:
            draft = self._with_less_power(draft, power_kw)
        if draft.cap_kw <= cap_kw:
            return draft
        step = self.caps(draft.action).step
        lower = round(math.floor(cap_kw / step + 1e-9) * step, 9)
        return draft._replace(cap_kw=lower if draft.action == "limit" else math.inf)

    def _with_less_power(self, draft: Draft, power_kw: float) -> Draft:
        power = 0.0
        if self.has(draft.action, "power"):
            step = self.powers(draft.action).step
            power = round(math.floor(power_kw / step + 1e-9) * step, 9)
            power = power if power >= self.least_kw(draft.action) else 0.0
        can_be_told = power or draft.action == "sell" or self.takes_no_grid(draft.action)
        return draft._replace(power_kw=power) if can_be_told else draft

    def kept_to_rules(self, drafts: Drafts) -> Drafts:
        """Return windows that ask for no more than rules allow, without those that then do nothing."""
        return tuple(
            tuple(filter(self._is_allowed, map(self.within_rules, part))) for part in drafts
        )

    def _is_allowed(self, draft: Draft) -> bool:
        if not self.plant.rules:
            return True
        power_kw, cap_kw = self._allowed_kw(draft)
        caps_more = math.isfinite(draft.cap_kw) and draft.cap_kw > cap_kw
        return (
            draft.power_kw <= power_kw
            and not caps_more
            and (draft.power_kw > 0 or draft.action != "sell")
        )

    def _allowed_kw(self, draft: Draft) -> tuple[float, float]:
        """Return the most that a window may ask for, and the highest cap that changes anything. [kW]"""
        key = draft.action, draft.begin, draft.length
        if key not in self._allowed_of:
            minutes = np.arange(draft.begin, draft.begin + draft.length) % MINUTES_PER_DAY
            powers, caps = self._allowed_by_minute
            power_kw = powers[draft.action][minutes].min() if draft.action in powers else math.inf
            self._allowed_of[key] = float(power_kw), float(caps[minutes].max())
        return self._allowed_of[key]

    @cached_property
    def _allowed_by_minute(self) -> tuple[dict[str, FloatArray], FloatArray]:
        """Return the lowest power of each action on any day, and the highest import, (1440,). [kW]

        Rules go by the clock on the wall, which in summer is an hour before one that stays on winter time.
        """
        rules = self.plant.rules
        powers = {
            action: allowed_kw(rules, ways, self._months).min(axis=(0, 1))
            for action, ways in WAYS_OF_ACTION.items()
        }
        caps = allowed_kw(rules, ["import_kw"], self._months).max(axis=(0, 1))
        if self._summer_time:
            return powers, caps
        early = {action: np.minimum(kw, np.roll(kw, -60)) for action, kw in powers.items()}
        return early, np.maximum(caps, np.roll(caps, -60))

    # What can be typed in together ------------------------------------------------------------------

    def accepts(self, part: Sequence[Draft]) -> bool:
        """Tell whether menu and rules take the windows of a day set, sorted by their begin."""
        key = tuple(part)
        known = self._accepted.get(key)
        if known is None:
            known = self._accepted[key] = self._is_accepted(key)
        return known

    def _is_accepted(self, part: Part) -> bool:
        return (
            self.menu.takes_part(part)
            and all(map(self._is_allowed, part))
            and (not self._has_low_levels or all(map(self._has_a_level, part)))
            and (not self._grid_tells or all(map(self._is_told_by_the_grid, part)))
        )

    @cached_property
    def _grid_tells(self) -> bool:
        return any(each.grid_tells for each in self.menu.lists)

    def _is_told_by_the_grid(self, draft: Draft) -> bool:
        """Tell whether a charge window fills from the grid, where nothing else says that it charges."""
        if draft.action != "charge" or not self.menu.list_of("charge").grid_tells:
            return True
        return draft.power_kw > 0

    @cached_property
    def _has_low_levels(self) -> bool:
        """Whether a list takes no level as high as the floor."""
        return any(each.level.high < self._low_pct for each in self.menu.lists)

    def _has_a_level(self, draft: Draft) -> bool:
        return not self.has(draft.action, "level") or self.menu.list_of(
            draft.action
        ).level.is_within(draft.level_pct)

    def takes(self, drafts: Drafts) -> bool:
        """Tell whether the menu takes the windows of a season, each part sorted by its begin."""
        if not all(map(self.accepts, drafts)):
            return False
        return self.menu.is_plain or all(self._takes_list(each, drafts) for each in self.menu.lists)

    def _takes_list(self, each: MenuList, drafts: Drafts) -> bool:
        parts = [self.menu.entries_of(each, part) for part in drafts]
        for group in self.menu.groups(each):
            held = dict.fromkeys(draft for number in group for draft in parts[number])
            if len(held) > each.entries:
                return False
            if self.menu.is_alike(each) and any(
                parts[number] != parts[group[0]] for number in group
            ):
                return False
        return all(len(self._once_values(each, name, parts)) < 2 for name in each.once)

    def _once_values(
        self, each: MenuList, name: OnceField, parts: Collection[Collection[Draft]]
    ) -> set[float]:
        """Return the different values that a field has in the entries of a list."""
        return {
            value
            for part in parts
            for draft in part
            for value in [self._value(each, name, draft)]
            if value is not None
        }

    def _value(self, each: MenuList, name: OnceField, draft: Draft) -> float | None:
        """Return what a draft says of a field that stands once; None if it has no use for it."""
        if draft.action not in USES[name]:
            return None
        if name == "grid":
            return float(draft.power_kw > 0)
        if name == "power" and draft.power_kw == 0 and each.has("grid"):
            return None
        return float(getattr(draft, FIELD_OF_DRAFT[name]))

    def settled(
        self, drafts: Drafts, number: int, lead: Draft | None = None, before: Drafts = ()
    ) -> Drafts | None:
        """Return windows with what they share made alike; None if the menu does not take them.

        Day sets follow the one of a ``number``. Fields that stand once follow a window that was changed,
        the ``lead``; without one those ``before``, else the first entry of the list in that day set.
        """
        if self.menu.is_plain:
            return drafts
        parts = list(drafts)
        for each in self.menu.lists:
            if self.menu.is_alike(each):
                self._copy_days(each, parts, number)
            for name in each.once:
                value = self._leading(each, name, parts[number], lead, before or drafts)
                if value is not None:
                    parts = [self._with_value(each, name, value, part) for part in parts]
        settled = tuple(parts)
        return settled if self.takes(settled) else None

    def _copy_days(self, each: MenuList, parts: list[Part], number: int) -> None:
        for group in self.menu.groups(each):
            source = self.menu.entries_of(each, parts[number if number in group else group[0]])
            for other in group:
                rest = [draft for draft in parts[other] if draft.action not in each.actions]
                parts[other] = tuple(sorted([*rest, *source]))

    def _leading(
        self, each: MenuList, name: OnceField, part: Part, lead: Draft | None, before: Drafts
    ) -> float | None:
        """Return the value that a field takes in all entries of a list; None if nothing says one."""
        firsts = [] if lead is None else [lead]
        for draft in (*firsts, *(draft for old in before for draft in old), *part):
            if draft.action in each.actions:
                value = self._value(each, name, draft)
                if value is not None:
                    return value
        return None

    def _with_value(self, each: MenuList, name: OnceField, value: float, part: Part) -> Part:
        def told(draft: Draft) -> Draft:
            if draft.action not in each.actions or self._value(each, name, draft) is None:
                return draft
            if name == "grid":
                power = draft.power_kw or self.most_kw(draft.action)
                return draft._replace(power_kw=power if value else 0.0)
            return with_field(draft, name, value)

        return tuple(sorted(map(told, part)))

    # How many entries are to be typed in ------------------------------------------------------------

    def entries_of(self, drafts: Drafts) -> int:
        """Return how many windows a person has to type in."""
        return self.changes_between(((),) * len(drafts), drafts)

    def changes_between(self, before: Drafts, after: Drafts) -> int:
        """Return how many entries differ, and fields that stand once; a window changed counts once."""
        if self.menu.is_plain:
            return plain.changes_between(before, after)
        count = 0
        for each in self.menu.lists:
            old = [self._typed(each, part) for part in before]
            new = [self._typed(each, part) for part in after]
            for group in self.menu.groups(each):
                gone = {self._own(each, draft) for number in group for draft in old[number]}
                come = {self._own(each, draft) for number in group for draft in new[number]}
                count += max(len(gone - come), len(come - gone))
            for name in each.once:
                was, now = self._once_values(each, name, old), self._once_values(each, name, new)
                count += bool(was and now and was != now)
        return count

    def _typed(self, each: MenuList, part: Part) -> list[Draft]:
        """Return the entries of a list as they are typed in: with those that fill the day between them.

        An entry that lasts until the next one has no length of its own.
        """
        entries = self.menu.entries_of(each, part)
        level = self._low_pct if self.menu.outside == "cover" else 0.0
        between = [
            Draft(begin, length, self.menu.outside, level, 0.0)
            for begin, length in self.menu.holes(each, entries)
        ]
        whole = sorted([*entries, *between])
        return whole if "end" in each.fields else [draft._replace(length=0) for draft in whole]

    def _own(self, each: MenuList, draft: Draft) -> Draft:
        """Return a draft without the fields that stand once for its list."""
        for name in each.once:
            if name != "grid":
                draft = with_field(draft, name, 0.0)
        return draft

    def with_one_undone(self, before: Drafts, after: Drafts) -> Iterator[Drafts]:
        """Yield the windows after a change with one of its entries as before, in each way."""
        if self.menu.is_plain:
            yield from plain.with_one_undone(before, after)
            return
        for undone in plain.with_one_undone(before, after):
            number = next(n for n, part in enumerate(undone) if part != after[n])
            settled = self.settled(undone, number, before=after)
            if settled is not None:
                yield settled
        for draft in dict.fromkeys(draft for part in after for draft in part):
            if sum(draft in part for part in after) > 1 and not any(
                draft in part for part in before
            ):
                yield tuple(plain.exchanged(part, draft, None) for part in after)


def with_field(draft: Draft, name: OnceField, value: float) -> Draft:
    """Return a draft with what a menu calls a field changed."""
    return draft._replace(**{FIELD_OF_DRAFT[name]: value})  # type: ignore[arg-type]


def multiples_between(step: float, low: float, high: float) -> FloatArray:
    """Return the multiples of a step from low to high, or the one above where none lies between."""
    first = math.ceil(low / step - 1e-9)
    last = max(math.floor(high / step + 1e-9), first)
    return np.round(np.arange(first, last + 1) * step, 9)
