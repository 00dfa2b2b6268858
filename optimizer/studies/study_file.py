"""The study file: sites, what varies, which combinations, money, and what may turn out otherwise.

Read next: ``fingerprint``.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Container, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake, Place
from optimizer.economics.assumptions import Package, Terms
from optimizer.economics.cash_flow import Fading
from optimizer.economics.monte_carlo import Draws
from optimizer.settings.controls import Controls

Positive = Annotated[float, Field(gt=0, le=1e6)]
Times = Annotated[float, Field(ge=0, le=1000)]
Rise = Annotated[float, Field(gt=-50, le=50)]
Hours = Annotated[float, Field(ge=0, le=240)]

SIZES = ("battery_kwh", "battery_kw", "inverter_kw")
"""Keys that a package says itself."""

OWN = "its own"
"""The name of the tariff and of the controls that stand in a site's scenario."""

MOST_CASES = 200_000


class Vary(Document):
    """What varies, each as a list; what is left out is as in each site's scenario.

    ========================  ==================================================================
    key                       what it lists
    ========================  ==================================================================
    ``battery_kwh``           capacities [kWh]
    ``battery_kw``            charging and discharging powers [kW]; without it power goes with
                              capacity, as in the scenario
    ``inverter_kw``           limits of the inverter's AC side [kW]
    ``tariff``                names or files of tariffs; "its own" is the scenario's
    ``controls``              names of sets under ``controls``; "its own" is the scenario's
    ``package``               names of ``packages``, in place of the three above
    ``endurance_hours``       hours to last when the grid fails, by floors; 0 is no wish [h]
    ``load_times``            factors on the load
    ``pv_times``              factors on the PV
    ``prices_rise_pct``       rises of all prices of the utility [% a year]; needs ``money``
    ========================  ==================================================================
    """

    battery_kwh: list[Positive] | None = None
    battery_kw: list[Positive] | None = None
    inverter_kw: list[Positive] | None = None
    package: list[str] | None = None
    tariff: list[str] | None = None
    controls: list[str] | None = None
    endurance_hours: list[Hours] | None = None
    load_times: list[Times] | None = None
    pv_times: list[Times] | None = None
    prices_rise_pct: list[Rise] | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Vary:
        for name, values in self:
            if values is None:
                continue
            if not values:
                raise Mistake(
                    f"{name} lists nothing", "List at least one value, or leave it out.", name
                )
            if (twice := _first_twice(values)) is not None:
                raise Mistake(f"{name} lists {twice} twice", "Leave one of them out.", name)
        return self


def _first_twice(values: Sequence[Any]) -> Any:
    """Return the first value that stands in a list for the second time; None if none does."""
    seen = set()
    for value in values:
        if value in seen:
            return value
        seen.add(value)
    return None


def _is_dropped(
    given: Mapping[str, Any], dropped: Mapping[tuple[str, ...], Container[tuple[Any, ...]]]
) -> bool:
    """Tell whether a case has all values of one that is left out, listed by their keys."""
    return any(
        given.keys() >= set(keys) and tuple(given[key] for key in keys) in values
        for keys, values in dropped.items()
    )


class Choice(Document):
    """One value of some of the keys of ``vary``, and of ``site``."""

    site: str | None = None
    battery_kwh: Positive | None = None
    battery_kw: Positive | None = None
    inverter_kw: Positive | None = None
    package: str | None = None
    tariff: str | None = None
    controls: str | None = None
    endurance_hours: Hours | None = None
    load_times: Times | None = None
    pv_times: Times | None = None
    prices_rise_pct: Rise | None = None

    @property
    def given(self) -> dict[str, object]:
        """The keys that are given, with their values."""
        return {name: value for name, value in self if value is not None}


class Reference(Document):
    """How a site is run today, from which everything is measured.

    ========================  ==================================================================
    key                       what it is today
    ========================  ==================================================================
    ``tariff``                name or file of the tariff; "its own" is the scenario's
    ``battery``               ``none``, or ``its own``: the scenario's battery stands, with no windows
    ``pv``                    ``its own``, or ``none``: then the PV is bought too, at ``money.pv``
    ========================  ==================================================================
    """

    tariff: str = OWN
    battery: Literal["none", "its own"] = "none"
    pv: Literal["none", "its own"] = "its own"

    @model_validator(mode="after")
    def _fits(self) -> Reference:
        if self.battery == OWN and self.pv == "none":
            raise Mistake(
                "a battery of today without PV cannot be told from the scenario",
                "Write pv: its own, or battery: none.",
                "pv",
            )
        return self


class BestSize(Document):
    """A row of evenly spaced capacities, of which the best is found by its slope. [kWh]"""

    from_kwh: float = Field(gt=0, le=1e6)
    to_kwh: float = Field(gt=0, le=1e6)
    count: int = Field(default=30, ge=2, le=1000)

    @model_validator(mode="after")
    def _rises(self) -> BestSize:
        if self.to_kwh <= self.from_kwh:
            raise Mistake(
                f"to_kwh is {self.to_kwh:g}, not above from_kwh of {self.from_kwh:g}",
                "Give the smaller size first.",
                "to_kwh",
            )
        return self

    def sizes(self) -> list[float]:
        """Return the sizes. [kWh]"""
        step = (self.to_kwh - self.from_kwh) / (self.count - 1)
        return [round(self.from_kwh + step * number, 6) for number in range(self.count)]


Range = Annotated[list[float], Field(min_length=2, max_length=2)]


class Ranges(Document):
    """What may turn out lower or higher, one thing at a time: each a pair, the lower first.

    ``*_pct`` of prices and operation are changes in per cent of the stated ones; ``discount_pct`` and
    ``prices_rise_pct`` are rates themselves; ``load_times`` and ``pv_times`` are factors, planned anew;
    ``ageing_times`` multiplies what time and use take from the battery.
    """

    battery_price_pct: Range | None = None
    operating_pct: Range | None = None
    discount_pct: Range | None = None
    prices_rise_pct: Range | None = None
    ageing_times: Range | None = None
    load_times: Range | None = None
    pv_times: Range | None = None

    @model_validator(mode="after")
    def _lower_first(self) -> Ranges:
        least = {"load_times": 0, "pv_times": 0, "ageing_times": 0}
        for name, pair in self:
            if pair is None:
                continue
            low = least.get(name, -100 if name in {"battery_price_pct", "operating_pct"} else -50)
            if not low <= pair[0] < pair[1] or not math.isfinite(pair[1]):
                raise Mistake(
                    f"{name} is {pair[0]:g} to {pair[1]:g}",
                    f"Give the lower value first, not below {low:g}.",
                    name,
                )
        return self

    @property
    def given(self) -> dict[str, tuple[float, float]]:
        """The ranges that are given."""
        return {name: (pair[0], pair[1]) for name, pair in self if pair is not None}


class StudyFile(Document):
    """What stands in a study file.

    ``sites`` are folders of scenarios, from the study file's own folder on. ``combine`` takes each
    value of what varies with each (``each_with_each``), or one thing away from the scenario at a time
    (``one_at_a_time``); ``leave_out`` drops cases to which all of its keys apply, ``also`` adds single
    cases. ``leave_out_hopeless`` drops sizes that, by shadow prices, cannot be worth as much as the
    site's own battery is. With ``reference`` everything is measured from how the site is run today, and
    "no windows" and what stands today are cases too, on every tariff. ``decide_together`` has groups by a
    name of one's own: their sites, each with how many times it stands there. All of a group get the same,
    and the group is ranked in place of its sites.
    """

    study: str
    about: str = ""
    invented: bool = False
    sites: Annotated[list[str], Field(min_length=1)]
    reference: Reference | None = None
    vary: Vary = Vary()
    controls: dict[str, Controls] = {}
    packages: dict[str, Package] = {}
    combine: Literal["each_with_each", "one_at_a_time"] = "each_with_each"
    leave_out: list[Choice] = []
    also: list[Choice] = []
    leave_out_hopeless: bool = False
    effort: Literal["quick", "normal", "thorough"] = "quick"
    money: Terms | None = None
    ageing: Fading = Fading()
    best_size: BestSize | None = None
    ranges: Ranges = Ranges()
    draws: Draws | None = None
    decide_together: dict[str, dict[str, Annotated[int, Field(ge=1, le=100_000)]]] = {}

    @model_validator(mode="after")
    def _fits(self) -> StudyFile:
        self._refuse_unknown_names()
        self._refuse_odd_groups()
        if self.money is None:
            needs = {
                "vary.prices_rise_pct": self.vary.prices_rise_pct, "best_size": self.best_size,
                "ranges": self.ranges.given, "draws": self.draws,
                "leave_out_hopeless": self.leave_out_hopeless,
            }  # fmt: skip
            for name, value in needs.items():
                if value:
                    raise Mistake(
                        f"{name} is given, but not money, without which it says nothing",
                        f"Add the section money, or leave {name} out.",
                        tuple(name.split(".")),
                    )
        if self.money is not None:
            self._refuse_two_references(self.money)
        if self.best_size is not None and self.money and self.money.against == "no_windows":
            raise Mistake(
                "best_size is asked for over no_windows, which itself changes with the size",
                "Write money.against: no_battery, or leave best_size out.",
                "best_size",
            )
        if self.combined_count > MOST_CASES:
            raise Mistake(
                f"{self.combined_count:,} cases are more than {MOST_CASES:,}",
                "Vary less at once, or write combine: one_at_a_time.",
                "vary",
            )
        return self

    def _refuse_two_references(self, money: Terms) -> None:
        if self.reference is not None and "against" in money.model_fields_set:
            raise Mistake(
                "money.against and reference both say what is measured from",
                "Remove money.against.",
                ("money", "against"),
            )
        stands = (
            money.against != "neither" if self.reference is None else self.reference.pv != "none"
        )
        if money.pv and stands:
            raise Mistake(
                f"money.pv is {money.pv:g} although the PV stands already in what is measured from",
                "Write reference: {pv: none}, or remove money.pv.",
                ("money", "pv"),
            )

    def _refuse_unknown_names(self) -> None:
        if (twice := _first_twice(self.sites)) is not None:
            raise Mistake(f"sites lists {twice!r} twice", "Leave one of them out.", "sites")
        if OWN in self.controls:
            raise Mistake(
                f"controls names a set {OWN!r}, which means each scenario's own",
                "Choose another name.",
                "controls",
            )
        self._refuse_controls_that_cannot_cover()
        self._refuse_unknown_controls()
        self._refuse_odd_packages()
        self._refuse_what_drops_nothing()
        self._refuse_what_is_added_nowhere()

    def _refuse_odd_groups(self) -> None:
        members = [site for group in self.decide_together.values() for site in group]
        if (twice := _first_twice(members)) is not None:
            raise Mistake(
                f"{twice!r} is decided twice", "Leave it in one group.", "decide_together"
            )
        for name, group in self.decide_together.items():
            for site in group:
                if site not in self.sites:
                    raise Mistake(
                        f"decide_together names the site {site!r}, which is not listed",
                        "List it under sites.",
                        ("decide_together", name, site),
                    )
            if not group or name in self.sites:
                what = "has no sites" if not group else "is called as one of the sites"
                raise Mistake(
                    f"the group {name!r} {what}",
                    "Give it a name of its own, and its sites with how often each stands there.",
                    ("decide_together", name),
                )
        for key in ("best_size", "leave_out_hopeless"):
            if self.decide_together and getattr(self, key):
                raise Mistake(
                    f"{key} looks at each site alone, but some are decided together",
                    "List the sizes under vary.battery_kwh: the best of them for all is ranked first.",
                    key,
                )

    def _refuse_controls_that_cannot_cover(self) -> None:
        for name, controls in self.controls.items():
            if controls.lists is None and "cover" not in controls.actions:
                raise Mistake(
                    f"controls.{name}.actions lacks 'cover', which is how equipment works without windows",
                    "Add cover to the actions.",
                    ("controls", name, "actions"),
                )

    def _refuse_unknown_controls(self) -> None:
        for place, name in enumerate(self.vary.controls or []):
            if name != OWN and name not in self.controls:
                known = ", ".join([OWN, *self.controls])
                raise Mistake(
                    f"there are no controls called {name!r}; there are: {known}",
                    "Describe them under controls, or name one of these.",
                    ("vary", "controls", place),
                )

    def _refuse_odd_packages(self) -> None:
        named: list[tuple[Place, str]] = [
            (("vary", "package", at), one) for at, one in enumerate(self.vary.package or [])
        ]
        named += [
            (("also", at, "package"), one.package)
            for at, one in enumerate(self.also)
            if one.package
        ]
        for place, name in named:
            if name not in self.packages:
                known = ", ".join(self.packages) or "none"
                raise Mistake(
                    f"there is no package called {name!r}; there are: {known}",
                    "Describe it under packages.",
                    place,
                )
        for key in SIZES:
            if self.vary.package and getattr(self.vary, key) is not None:
                raise Mistake(
                    f"vary lists packages and {key}, but a package has sizes of its own",
                    f"Leave {key} out, or add single cases under also.",
                    ("vary", key),
                )
        for at, one in enumerate(self.also):
            if one.package and any(getattr(one, key) is not None for key in SIZES):
                raise Mistake(
                    "a case has a package and sizes of its own", "Keep one of them.", ("also", at)
                )
        if self.packages and self.money and self.money.lease:
            raise Mistake(
                "packages have prices, but the battery is leased", "Remove one of them.", "packages"
            )

    def _refuse_what_drops_nothing(self) -> None:
        listed: dict[str, set[Any]] = {name: set(values or []) for name, values in self.vary}
        listed["site"] = set(self.sites)
        for place, dropped in enumerate(self.leave_out):
            for key, value in dropped.given.items():
                if value not in listed[key]:
                    raise Mistake(
                        f"leave_out names {key}: {value}, which is not among what varies",
                        "Name a value that is listed, or it drops nothing.",
                        ("leave_out", place, key),
                    )

    def _refuse_what_is_added_nowhere(self) -> None:
        sites = set(self.sites)
        for place, added in enumerate(self.also):
            if added.site is not None and added.site not in sites:
                raise Mistake(
                    f"also names the site {added.site!r}, which is not listed",
                    "List it under sites.",
                    ("also", place, "site"),
                )
            if added.controls not in {None, OWN, *self.controls}:
                raise Mistake(
                    f"also names the controls {added.controls!r}, which are not described",
                    "Describe them under controls.",
                    ("also", place, "controls"),
                )

    @property
    def combined_count(self) -> int:
        """How many cases there are, with those that are added, before any is left out."""
        lists = [values for _name, values in self.vary if values is not None]
        added = sum(len(self.sites) if one.site is None else 1 for one in self.also)
        if self.combine == "each_with_each":
            return len(self.sites) * math.prod(len(values) for values in lists) + added
        return len(self.sites) * (1 + sum(len(values) for values in lists)) + added

    def choices(self) -> list[Choice]:
        """Return all cases as choices, each once, in the order of the lists."""
        lists = {name: values for name, values in self.vary if values is not None}
        if self.combine == "each_with_each":
            every = itertools.product(self.sites, *lists.values())
            found = [Choice(**dict(zip(("site", *lists), row, strict=True))) for row in every]
        else:
            found = [
                Choice(site=site, **one)
                for site in self.sites
                for one in [{}, *({name: value} for name in lists for value in lists[name])]
            ]
        dropped: dict[tuple[str, ...], set[tuple[Any, ...]]] = {}
        for out in self.leave_out:
            dropped.setdefault(tuple(out.given), set()).add(tuple(out.given.values()))
        kept = [choice for choice in found if not _is_dropped(choice.given, dropped)]
        for added in self.also:
            sites = [added.site] if added.site is not None else self.sites
            kept += [added.model_copy(update={"site": site}) for site in sites]
        return list({tuple(choice.given.items()): choice for choice in kept}.values())
