"""Holds plans and replays of random sites against strangers: another program, written from the words alone.

    PYTHONPATH=. python tests/bench/strangers.py [--count 500] [--seed 1] [--extreme 0.25]

A site and its tariff are drawn as the words that a person writes. The program plans one to three days of
them. The stranger reads the same words and writes its own program, with a choice at every step and at
every bend of a charge, for HiGHS through ``scipy.optimize.milp``; it shares no code with planning, cost or
billing. Where the two differ in more than six digits, or in whether there is a plan at all, the case is
told with its cause as far as it is known. Replays are held against ``optimizer.plain.replay`` by
``tiny_plans.py``. All sites and tariffs are invented.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csc_array

from optimizer.base.documents import Source
from optimizer.base.errors import Infeasible, OptimizerError, StoppedEarly
from optimizer.base.timegrid import TimeGrid, calendar_months
from optimizer.billing.tariff import Tariff, TariffCost, TariffFile, compile_cost
from optimizer.cost.expression import linear_cost
from optimizer.planning.plan import Plan, make_plan
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Battery, Connection, Inverter, Permissions, Photovoltaic, Plant
from optimizer.site.limits import TimedLimit
from tests.builders import posed

Words = dict[str, Any]
ZONES = ("Europe/Dublin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "UTC")
BEGINS = ("2026-03-28", "2026-03-31", "2026-06-14", "2026-10-24", "2026-10-31", "2026-11-01", "2026-12-30", "2026-04-04")  # fmt: skip
MONEY = 1e-5
"""Bill and objective of a plan may differ by so much: where all costs less, no digits are asked for."""
DIGITS = 6
"""To so many digits a plan without choices has to agree; one with choices is proven to five."""


# --- words of a site and of a tariff ------------------------------------------------------------


def drawn_site(luck: random.Random, size: float) -> Words:
    """Return a site of about ``size`` kW in the words of a scenario."""

    def kw(low: float, high: float) -> float:
        return float(f"{size * luck.uniform(low, high):.4g}")

    def some(value: Any, chance: float) -> Any:
        return value if luck.random() < chance else None

    rule = {
        "rule": "evening", "hours": [luck.choice(["17:00-21:00", "22:00-02:00"])],
        "days": [luck.choice(["weekdays", "weekends", "all"])], "import_kw": kw(4.5, 6), "fill_kw": kw(0, 1),
        "export_kw": kw(0, 2),
    }  # fmt: skip
    capacity = kw(3, 15)
    battery = {
        "capacity_kwh": capacity, "charge_kw": kw(1, 6), "discharge_kw": kw(1, 6),
        "floor_pct": luck.choice([0, 5, 20]), "ceiling_pct": luck.choice([100, 90]),
        "charge_efficiency_pct": luck.choice([100, 96, 90]), "discharge_efficiency_pct": luck.choice([100, 95, 92]),
        "standing_loss_pct_per_day": luck.choice([0, 0, 2]), "wear_per_kwh": luck.choice([0, 0, 0.02]),
        "cycles_per_day": luck.choice([None, None, None, 1, 0.5, 0.01]),
    }  # fmt: skip
    return {
        "battery": battery,
        "inverter": {"ac_limit_kw": kw(1.5, 6), "efficiency_pct": luck.choice([100, 97]),
                     "charging_efficiency_pct": luck.choice([100, 94])},
        "pv": {"coupling": luck.choice(["ac", "dc"])},
        "connection": {
            "import_limit_kw": some(kw(4.5, 9), 0.3), "export_limit_kw": some(kw(0, 4), 0.4),
            "fill_limit_kw": some(kw(0, 3), 0.2), "limits": [rule] if luck.random() < 0.2 else [],
        },
        "permissions": {"charge_from_grid": luck.random() < 0.75, "export_stored_energy": luck.random() < 0.6},
        "start_pct": luck.choice([20, 50, 90]), "end_pct": luck.choice([None, None, 20, 50]),
        "leftover_per_kwh": luck.choice([0, 0.1]),
    }  # fmt: skip


def drawn_series(luck: random.Random, clock: Sequence[datetime], size: float) -> tuple[Any, Any]:
    """Return load and PV power at each wall-clock moment. [kW]"""
    rng = np.random.default_rng(luck.randrange(10**9))
    hour = np.array([moment.hour + moment.minute / 60 for moment in clock])
    load = np.minimum(rng.gamma(2, 0.4, len(hour)) + 2 * np.exp(-(((hour - 19) / 2.5) ** 2)), 4)
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0) * rng.uniform(0.1, 1, len(hour))
    return size * load, size * luck.choice([0, 3, 9]) * sun


def drawn_rates(luck: random.Random, price: Callable[[], float]) -> list[Words]:
    """Return two or three rates that cover the calendar."""
    first = {
        "name": "a",
        "per_kwh": price(),
        "hours": [luck.choice(["16:00-21:00", "22:00-06:00", "11:00-15:00"])],
    }
    if luck.random() < 0.4:
        first["days"] = [luck.choice(["weekdays", "weekends", "friday"])]
    second = {"name": "b", "per_kwh": price(), "hours": ["06:00-11:00"]}
    rest = {"name": "c", "per_kwh": price(), "otherwise": True}
    return [first, rest] if luck.random() < 0.5 else [first, second, rest]


@dataclass(frozen=True)
class Drawer:
    """Draws charges with prices of about ``money`` a kWh for a site of about ``size`` kW."""

    luck: random.Random
    money: float
    size: float

    def between(self, low: float, high: float) -> float:
        """Return a price with four digits."""
        return float(f"{self.money * self.luck.uniform(low, high):.4g}")

    def energy(self) -> Words:
        """Draw prices of import: by the clock, a series, in blocks, or one; some negative at all times."""
        low = self.luck.choice([0.05, 0.05, -0.2, -0.4])
        high = -0.02 if low == -0.4 else 0.5
        kind = self.luck.random()
        if kind < 0.4:
            said: Words = {"rates": drawn_rates(self.luck, lambda: self.between(low, high))}
        elif kind < 0.6:
            more = self.between(0, 0.1)
            said = {
                "series": {"file": "prices.csv", "column": "price_per_kwh", "plus_per_kwh": more}
            }
        elif kind < 0.8:
            prices = [self.between(0.05, 0.5) for _ in range(3)]
            edges = sorted(round(self.size * self.luck.uniform(2, 30), 4) for _ in range(2))
            blocks: list[Words] = [{"per_kwh": price} for price in prices]
            blocks[0]["up_to_kwh"], blocks[1]["up_to_kwh"] = edges[0], edges[1] + self.size
            said = {"blocks": {"per_days": 1, "blocks": blocks}}
        else:
            said = {"per_kwh": self.between(low, high)}
        return {"kind": "energy", "name": "Energy"} | said

    def export(self) -> Iterator[Words]:
        """Draw what is earned by exporting: netted, credited, banked, or nothing."""
        luck, kind = self.luck, self.luck.random()
        if kind < 0.15:
            paid = {"left_over": "paid", "surplus_per_kwh": self.between(0, 0.2)}
            left_over = luck.choice([paid, {"left_over": "lost"}])
            yield {
                "kind": "net_energy",
                "name": "Net",
                "per_kwh": self.between(0.05, 0.3),
            } | left_over
        elif kind < 0.9:
            credit: Words = {"kind": "export_credit", "name": "Export"}
            if luck.random() < 0.5:
                credit["per_kwh"] = self.between(-0.03, 0.3)
            else:
                credit["rates"] = drawn_rates(
                    luck, lambda: self.between(-0.1, luck.choice([0.2, 0.7]))
                )
            if luck.random() < 0.15:
                credit["origin"] = luck.choice(["pv", "battery"])
            yield credit
            if luck.random() < 0.15:
                left = luck.choice(["carried", "lost"])
                names = {"credits": ["Export"], "offset": ["Energy"], "left_over": left}
                yield {"kind": "credit_bank", "name": "Bank"} | names

    def demand(self) -> Iterator[Words]:
        """Draw a demand charge, or none."""
        luck, size = self.luck, self.size
        if luck.random() >= 0.5:
            return
        minutes = luck.choice([60, 60, 30])
        said: Words = {"kind": "demand", "name": "Demand", "interval_minutes": minutes}
        if luck.random() < 0.3:
            said["hours"] = ["16:00-21:00"]
        if luck.random() < 0.3:
            said |= {"highest": luck.choice([2, 3]), "one_per": luck.choice(["interval", "day"])}
        if luck.random() < 0.2:
            said["at_least_kw"] = round(size * luck.uniform(0, 3), 4)
        if luck.random() < 0.25:
            first = {"up_to_kw": round(2 * size, 4), "per_kw": self.between(0, 1)}
            said["blocks"] = [first, {"per_kw": self.between(0, 2)}]
        else:
            said["per_kw"] = self.between(0.2, 2)
        yield said

    def others(self, measured: list[str]) -> Iterator[Words]:
        """Draw a fee in steps, a minimum and a percentage, or none of them."""
        if self.luck.random() < 0.1:
            by = self.luck.choice([*measured, "import_kwh"])
            unit = self.size * (10 if by == "import_kwh" else 1)
            steps = [
                {"from": round(unit * times, 4), "amount": self.between(*span)}
                for times, span in ((0, (0, 1)), (1.5, (1, 3)), (3, (3, 9)))
            ]
            yield {"kind": "step_fee", "name": "Step", "by": by, "steps": steps}
        if self.luck.random() < 0.15:
            least = {"amount": self.between(0, 5), "per": "day", "of": "all above"}
            yield {"kind": "minimum", "name": "Least"} | least
        if self.luck.random() < 0.3:
            percent = self.luck.choice([20, 5.5, -10])
            base = self.luck.choice(["all above", ["Energy"]])
            yield {"kind": "percentage", "name": "Tax", "percent": percent, "of": base}


def drawn_tariff(luck: random.Random, money: float, size: float) -> list[Words]:
    """Return charges in the words of a tariff."""
    drawer = Drawer(luck, money, size)
    energy = drawer.energy()
    fixed = {"kind": "fixed", "name": "Standing", "amount": drawer.between(0, 0.7), "per": "day"}
    export, demand = list(drawer.export()), list(drawer.demand())
    others = list(drawer.others([charge["name"] for charge in demand]))
    return [fixed, energy, *export, *demand, *others]


# --- the stranger's program ---------------------------------------------------------------------


class NoPlanError(Exception):
    """The stranger finds that nothing obeys the limits."""


@dataclass(frozen=True)
class Sum:
    """A sum of columns times numbers, and a constant."""

    terms: dict[int, float] = field(default_factory=dict)
    constant: float = 0.0

    def __add__(self, other: Sum) -> Sum:
        terms = dict(self.terms)
        for column, times in other.terms.items():
            terms[column] = terms.get(column, 0.0) + times
        return Sum(terms, self.constant + other.constant)

    def __mul__(self, number: float) -> Sum:
        return Sum(
            {column: times * number for column, times in self.terms.items()}, self.constant * number
        )

    def __sub__(self, other: Sum) -> Sum:
        return self + other * -1.0


def of(number: float) -> Sum:
    """Return a constant."""
    return Sum({}, number)


def total(parts: Iterable[Sum]) -> Sum:
    """Return the sum of sums."""
    found: dict[int, float] = {}
    constant = 0.0
    for part in parts:
        constant += part.constant
        for column, times in part.terms.items():
            found[column] = found.get(column, 0.0) + times
    return Sum(found, constant)


@dataclass
class Program:
    """Columns and rows in the making; solved by ``least``."""

    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)
    rows: list[tuple[dict[int, float], float, float]] = field(default_factory=list)
    found: Any = None

    def column(self, high: float, low: float = 0.0, whole: bool = False) -> Sum:
        """Return a new column."""
        self.low.append(low)
        self.high.append(high)
        self.whole.append(int(whole))
        return Sum({len(self.low) - 1: 1.0})

    def choice(self) -> Sum:
        """Return a new column that is nought or one."""
        return self.column(1.0, whole=True)

    def hold(self, one: Sum, sign: str, other: Sum) -> None:
        """Hold one sum below (<) or at (=) another."""
        apart = one - other
        right = -apart.constant
        self.rows.append((apart.terms, right if sign == "=" else -math.inf, right))

    def most(self, part: Sum) -> float:
        """Return the largest value that a sum could have by the limits of its columns."""
        return part.constant + sum(
            times * (self.high[c] if times > 0 else self.low[c]) for c, times in part.terms.items()
        )

    def positive(self, part: Sum) -> Sum:
        """Return what a sum is above nought, whichever way its price pulls."""
        above, below = max(self.most(part), 0.0), max(self.most(part * -1.0), 0.0)
        if below == 0:
            return part
        if above == 0:
            return of(0.0)
        found, is_above = self.column(above), self.choice()
        self.hold(part, "<", found)
        self.hold(found, "<", is_above * above)
        self.hold(found, "<", part + of(below) - is_above * below)
        return found

    def one_way(self, one: Sum, other: Sum) -> None:
        """Let only one of two columns be above nought."""
        way = self.choice()
        self.hold(one, "<", way * self.most(one))
        self.hold(other, "<", of(self.most(other)) - way * self.most(other))

    def blocks(self, amount: Sum, edges: Sequence[float], prices: Sequence[float]) -> Sum:
        """Return what an amount costs in blocks that are filled one after the other."""
        most, cost, parts = self.most(amount), of(0.0), of(0.0)
        sizes = [
            b - a
            for a, b in zip([0.0, *edges], [*edges, max(most, *edges) + 1e-9 * most], strict=True)
        ]
        is_full: Sum | None = None
        for number, (size, price) in enumerate(zip(sizes, prices, strict=True)):
            part = self.column(size)
            if is_full is not None:
                self.hold(part, "<", is_full * size)
            if number < len(edges):
                is_full = self.choice()
                self.hold(is_full * size, "<", part)
            parts, cost = parts + part, cost + part * price
        self.hold(parts, "=", amount)
        return cost

    def least(self, cost: Sum, seconds: float = 10.0) -> tuple[float, float]:
        """Return the least cost found, and what no plan can be below.

        Choices are fixed once found, and the rest is solved again: then none of them is a millionth.
        Energies are counted in a hundredth of the median limit, so that the solver's tolerance is small.
        """
        size = float(
            np.median(
                [
                    v
                    for v, is_whole in zip(self.high, self.whole, strict=True)
                    if v > 0 and not is_whole
                ]
            )
        )
        size /= 100
        entries = [(r, c, v) for r, (terms, _, _) in enumerate(self.rows) for c, v in terms.items()]
        at, columns, values = (np.array(part) for part in zip(*entries, strict=True))
        low, high, whole = np.array(self.low), np.array(self.high), np.array(self.whole)
        unit = np.where(whole == 1, 1.0, size)
        row_low, row_high = (np.array([row[n] for row in self.rows]) / size for n in (1, 2))
        table = csc_array(
            (values * unit[columns.astype(int)] / size, (at, columns)),
            shape=(len(self.rows), len(low)),
        )
        price = np.zeros(len(low))
        for column, times in cost.terms.items():
            price[column] = times
        price *= unit
        worth = float(np.median(np.abs(price[price != 0]))) if price.any() else 1.0

        def solve(least: Any, most: Any, integrality: Any) -> Any:
            return milp(
                price / worth, integrality=integrality, bounds=Bounds(least, most),
                constraints=LinearConstraint(table, row_low, row_high),
                options={"mip_rel_gap": 1e-9, "time_limit": seconds},
            )  # fmt: skip

        found = solve(low / unit, high / unit, whole)
        if found.status == 2:
            raise NoPlanError
        if found.x is None:
            raise TimeoutError(found.message)
        bound = found.mip_dual_bound if found.mip_dual_bound is not None else found.fun
        chosen = np.where(whole == 1, np.round(found.x), 0)
        fixed = solve(
            np.where(whole == 1, chosen, low / unit),
            np.where(whole == 1, chosen, high / unit),
            0 * whole,
        )
        self.found = (found.x if fixed.x is None else fixed.x) * unit
        best = fixed.fun if fixed.x is not None else found.fun
        return best * worth + cost.constant, bound * worth + cost.constant


@dataclass(frozen=True)
class Steps:
    """The clock: T wall-clock moments of one step's length, and which month each lies in."""

    moments: list[datetime]
    minutes: int

    @property
    def h(self) -> float:
        """Length of a step. [h]"""
        return self.minutes / 60

    @property
    def months(self) -> list[tuple[int, int]]:
        """The billing periods, in order."""
        return list(dict.fromkeys((m.year, m.month) for m in self.moments))

    def of_month(self, month: tuple[int, int]) -> list[int]:
        """Return the steps of a period."""
        return [t for t, m in enumerate(self.moments) if (m.year, m.month) == month]

    def days(self, month: tuple[int, int]) -> int:
        """Return how many days of a period are planned."""
        return len({self.moments[t].date() for t in self.of_month(month)})


DAY_NAMES = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def holds(words: Words, moment: datetime) -> bool:
    """Return whether a rate, a charge or a rule holds at a moment, by its words."""
    days = words.get("days", ["all"])
    names = {"all", "weekdays" if moment.weekday() < 5 else "weekends", DAY_NAMES[moment.weekday()]}
    if not names & set(days):
        return False
    now = f"{moment.hour:02d}:{moment.minute:02d}"
    for span in words.get("hours", ["00:00-24:00"]):
        first, last = span.split("-")
        if first <= now < last or (last <= first and (now >= first or now < last)):
            return True
    return False


def price_at(words: Words, steps: Steps, series: Sequence[float]) -> list[float]:
    """Return the price of each step by a charge's words."""
    if "per_kwh" in words:
        return [words["per_kwh"]] * len(steps.moments)
    if "series" in words:
        return [price + words["series"]["plus_per_kwh"] for price in series]
    found = []
    for moment in steps.moments:
        named = [
            rate for rate in words["rates"] if not rate.get("otherwise") and holds(rate, moment)
        ]
        rest = [rate for rate in words["rates"] if rate.get("otherwise")]
        found.append((named or rest)[0]["per_kwh"])
    return found


def allowed_at(site: Words, moment: datetime) -> tuple[float, float, float]:
    """Return the most that may be imported, exported, and filled from the grid. [kW]"""
    words = site["connection"]
    limits = [words, *(rule for rule in words["limits"] if holds(rule, moment))]
    found = []
    for keys in (
        ("import_limit_kw", "import_kw"),
        ("export_limit_kw", "export_kw"),
        ("fill_limit_kw", "fill_kw"),
    ):
        said = [each[key] for each in limits for key in keys if each.get(key) is not None]
        found.append(min(said, default=math.inf))
    if not site["permissions"]["charge_from_grid"]:
        found[2] = 0.0
    return found[0], found[1], found[2]


def stranger(
    site: Words, charges: list[Words], steps: Steps, load: Any, pv: Any, series: Sequence[float]
) -> tuple[float, float]:
    """Return the least cost of operating a site by its words, and a bound. [money]"""
    p, h = Program(), steps.h
    battery, inverter = site["battery"], site["inverter"]
    out, into = inverter["efficiency_pct"] / 100, inverter["charging_efficiency_pct"] / 100
    fill, empty = battery["charge_efficiency_pct"] / 100, battery["discharge_efficiency_pct"] / 100
    capacity = battery["capacity_kwh"]
    low, high = (battery[key] / 100 * capacity for key in ("floor_pct", "ceiling_pct"))
    kept = (1 - battery["standing_loss_pct_per_day"] / 100) ** (h / 24)
    most_in, most_out, ac = (
        kw * h for kw in (battery["charge_kw"], battery["discharge_kw"], inverter["ac_limit_kw"])
    )
    on_dc = site["pv"]["coupling"] == "dc"
    flows: dict[str, list[Sum]] = {"import": [], "export": [], "from pv": [], "from battery": []}
    level, given, days = of(site["start_pct"] / 100 * capacity), [], {}
    origin = any("origin" in charge for charge in charges)
    for t, moment in enumerate(steps.moments):
        bought_most, sold_most, fill_most = (kw * h for kw in allowed_at(site, moment))
        sun = pv[t] * h
        used, charge, discharge = p.column(sun), p.column(most_in), p.column(most_out)
        # the inverter, measured on its AC side
        leaves, enters = (
            p.column(min(ac, out * (most_out + sun * on_dc))),
            p.column(min(ac, most_in / into)),
        )
        bought = p.column(min(bought_most, load[t] * h + ac))
        sold = p.column(min(sold_most, sun + ac))
        ac_pv, dc_pv = (of(0.0), used) if on_dc else (used, of(0.0))
        p.hold(bought + ac_pv + leaves, "=", of(load[t] * h) + sold + enters)
        p.hold(dc_pv + discharge + enters * into, "=", charge + leaves * (1 / out))
        for pair in ((bought, sold), (charge, discharge), (leaves, enters)):
            p.one_way(*pair)
        if math.isfinite(fill_most):
            p.hold(enters, "<", ac_pv + of(fill_most))
        pv_out = used * out if on_dc else used
        if not site["permissions"]["export_stored_energy"]:
            p.hold(sold, "<", pv_out)
        before, level = level, p.column(high, low)
        p.hold(
            level - of(low),
            "=",
            (before - of(low)) * kept + charge * fill - discharge * (1 / empty),
        )
        stored = p.positive(sold - pv_out) if origin else of(0.0)
        for name, flow in zip(flows, (bought, sold, sold - stored, stored), strict=True):
            flows[name].append(flow)
        given.append(discharge)
        days.setdefault(moment.date(), []).append(discharge)
    for each in days.values() if battery["cycles_per_day"] is not None else ():
        p.hold(total(each), "<", of(battery["cycles_per_day"] * capacity))
    cost = total(given) * battery["wear_per_kwh"]
    if site["end_pct"] is None:
        cost = cost - level * site["leftover_per_kwh"]
    else:
        p.hold(level, "=", of(site["end_pct"] / 100 * capacity))
    return p.least(cost + bill(p, charges, steps, flows, series))


@dataclass
class Bill:
    """A bill in the making, as its program has it: flows, what was measured, lines, what is banked."""

    p: Program
    steps: Steps
    flows: dict[str, list[Sum]]
    series: Sequence[float]
    banked: dict[str, Sum] = field(default_factory=dict)
    measured: dict[str, Sum] = field(default_factory=dict)
    lines: dict[str, Sum] = field(default_factory=dict)
    at: list[int] = field(default_factory=list)
    days: int = 0

    def month(self, month: tuple[int, int], charges: list[Words]) -> Sum:
        """Return what a period is charged."""
        self.at, self.days, self.lines = self.steps.of_month(month), self.steps.days(month), {}
        self.measured = {"import_kwh": total(self.flows["import"][t] for t in self.at)}
        for charge in charges:
            self.lines[charge["name"]] = getattr(self, charge["kind"])(charge)
        return total(self.lines.values())

    def named(self, words: Any) -> Sum:
        """Return the sum of the charges that words name."""
        return total(
            self.lines.values() if words == "all above" else (self.lines[n] for n in words)
        )

    def fixed(self, charge: Words) -> Sum:
        """A standing charge by the day."""
        return of(charge["amount"] * self.days)

    def energy(self, charge: Words) -> Sum:
        """A price by the clock, or blocks."""
        if "blocks" in charge:
            words = charge["blocks"]["blocks"]
            edges = [block["up_to_kwh"] * self.days for block in words[:-1]]
            prices = [block["per_kwh"] for block in words]
            return self.p.blocks(self.measured["import_kwh"], edges, prices)
        price = price_at(charge, self.steps, self.series)
        return total(self.flows["import"][t] * price[t] for t in self.at)

    def export_credit(self, charge: Words) -> Sum:
        """What export earns, of the PV or of the battery alone if it says so."""
        price, origin = price_at(charge, self.steps, self.series), charge.get("origin")
        flow = self.flows["export" if origin is None else f"from {origin}"]
        return total(flow[t] * -price[t] for t in self.at)

    def net_energy(self, charge: Words) -> Sum:
        """Import less export; what is left over is paid or lost."""
        net = total(self.flows["import"][t] - self.flows["export"][t] for t in self.at)
        owed = self.p.positive(net)
        return owed * charge["per_kwh"] - (owed - net) * charge.get("surplus_per_kwh", 0.0)

    def credit_bank(self, charge: Words) -> Sum:
        """What credits are above the charges they pay for waits, or is lost."""
        before = self.banked.get(charge["name"], of(0.0))
        left = self.p.positive(before - self.named([*charge["credits"], *charge["offset"]]))
        self.banked[charge["name"]] = left if charge["left_over"] == "carried" else of(0.0)
        return left - before

    def demand(self, charge: Words) -> Sum:
        """A price of the highest mean powers."""
        kw = demand(self.p, charge, self.steps, self.at, self.flows["import"])
        self.measured[charge["name"]] = kw
        if "blocks" not in charge:
            return kw * charge["per_kw"]
        edges = [block["up_to_kw"] for block in charge["blocks"][:-1]]
        return self.p.blocks(kw, edges, [block["per_kw"] for block in charge["blocks"]])

    def step_fee(self, charge: Words) -> Sum:
        """An amount by the range in which the period lies, for the share of its days."""
        moment = self.steps.moments[self.at[0]]
        share = self.days / days_of((moment.year, moment.month))
        return step_fee(self.p, charge, self.measured[charge["by"]]) * share

    def minimum(self, charge: Words) -> Sum:
        """What is missing to a least amount."""
        return self.p.positive(of(charge["amount"] * self.days) - self.named(charge["of"]))

    def percentage(self, charge: Words) -> Sum:
        """A share of other charges."""
        return self.named(charge["of"]) * (charge["percent"] / 100)


def bill(
    p: Program, charges: list[Words], steps: Steps, flows: dict[str, list[Sum]], series: Sequence[float]
) -> Sum:  # fmt: skip
    """Return what a tariff's words ask for all periods."""
    made = Bill(p, steps, flows, series)
    return total(made.month(month, charges) for month in steps.months)


def days_of(month: tuple[int, int]) -> int:
    """Return how many days a month has."""
    year, number = month
    return (date(year + number // 12, number % 12 + 1, 1) - date(year, number, 1)).days


def demand(p: Program, charge: Words, steps: Steps, at: Sequence[int], bought: list[Sum]) -> Sum:
    """Return the mean of a period's highest mean powers; prices of demand are never negative. [kW]"""
    intervals: dict[Any, list[int]] = {}
    for t in at:
        moment = steps.moments[t]
        if holds(charge, moment):
            mark = (
                moment.date(),
                moment.hour,
                moment.minute // charge["interval_minutes"],
                moment.utcoffset(),
            )
            intervals.setdefault(mark, []).append(t)
    least = charge.get("at_least_kw", 0.0)
    if not intervals:
        return of(least)
    means = {
        mark: total(bought[t] for t in part) * (1 / (len(part) * steps.h))
        for mark, part in intervals.items()
    }
    top = max(p.most(mean) for mean in means.values())
    if charge.get("one_per") == "day":
        days: dict[date, Sum] = {}
        for mark, mean in means.items():
            p.hold(mean, "<", days.setdefault(mark[0], p.column(top)))
        highest = list(days.values())
    else:
        highest = list(means.values())
    count = min(charge.get("highest", 1), len(highest))
    edge, above = p.column(top), []
    for mean in highest:  # the sum of the highest n is the least of n·edge + Σ max(mean − edge, 0)
        over = p.column(top)
        p.hold(mean - edge, "<", over)
        above.append(over)
    found = p.column(max(top, least), low=least)
    p.hold(edge + total(above) * (1 / count), "<", found)
    return found


def step_fee(p: Program, charge: Words, amount: Sum) -> Sum:
    """Return the amount of the step; a plan stays 0.0001 below an end, as the tariffs' guide says."""
    most, steps = p.most(amount), charge["steps"]
    ends = [step["from"] - 1e-4 for step in steps[1:]] + [max(most, steps[-1]["from"])]
    choices = [p.choice() for _ in steps]
    p.hold(total(choices), "=", of(1.0))
    p.hold(amount, "<", total(choice * end for choice, end in zip(choices, ends, strict=True)))
    return total(choice * step["amount"] for choice, step in zip(choices, steps, strict=True))


# --- one case -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """A site, its tariff, and one to three days."""

    seed: int
    site: Words
    charges: list[Words]
    zone: str
    begin: str
    steps: Steps
    load: Any
    pv: Any
    series: list[float]
    is_extreme: bool

    @classmethod
    def drawn(cls, seed: int, extreme: float) -> Case:
        """Draw a case; a share of them is very small, very big, very cheap or very dear."""
        luck = random.Random(seed)
        size, money, is_extreme = 1.0, 1.0, luck.random() < extreme
        if is_extreme:
            size, money = 10 ** luck.uniform(-3, 3.5), 10 ** luck.uniform(-6, 5)
        zone, begin = luck.choice(ZONES), luck.choice(BEGINS)
        minutes = luck.choice([60, 60, 60, 30])
        days = luck.choice([1] * 8 + [2, 3] if minutes == 60 else [1])
        info = ZoneInfo(zone)
        start = datetime.fromisoformat(begin).replace(tzinfo=info)
        until = (datetime.fromisoformat(begin) + timedelta(days=days)).replace(tzinfo=info)
        first, step = start.astimezone(UTC), timedelta(minutes=minutes)
        count = (until.astimezone(UTC) - first) // step
        moments = [(first + n * step).astimezone(info) for n in range(count)]
        load, pv = drawn_series(luck, moments, size)
        if luck.random() < 0.3:  # whole numbers, of which many plans cost the same
            load, pv = np.ceil(load / size) * size, np.round(pv / size) * size
        low = luck.choice([0.0, -0.15, -0.3])
        series = [round(money * luck.uniform(low, 0.4), 9) for _ in moments]
        site = drawn_site(luck, size)
        site["battery"]["wear_per_kwh"] = min(site["battery"]["wear_per_kwh"] * money, 1000)
        site["leftover_per_kwh"] *= money
        steps = Steps(moments, minutes)
        return cls(
            seed,
            site,
            drawn_tariff(luck, money, size),
            zone,
            begin,
            steps,
            load,
            pv,
            series,
            is_extreme,
        )

    def planned(self, folder: Path) -> tuple[float, str, float]:
        """Return the cost of the program's plan, how it was proven, and how far it may be off. [money]"""
        plan, _ = self.plan(folder)
        varies = plan.proof.objective - plan.problem.cost.constant
        return plan.cost, plan.proof.kind, plan.proof.gap * max(abs(varies), 1.0)

    def plan(self, folder: Path, time_limit_s: float = 30) -> tuple[Plan, TariffCost]:
        """Return the program's plan, the best one in so much time, and the tariff compiled for it."""
        words, steps = self.site, self.steps
        stamps = [moment.astimezone(UTC).isoformat() for moment in steps.moments]
        rows = "\n".join(
            f"{stamp},{price!r}" for stamp, price in zip(stamps, self.series, strict=True)
        )
        (folder / "prices.csv").write_text(f"time,price_per_kwh\n{rows}\n")
        version = {"from": date(2020, 1, 1), "source": "invented", "charges": self.charges}
        file = TariffFile.model_validate(
            {"tariff": "case", "currency": "EUR", "versions": [version]}
        )
        tariff = Tariff(file, Source(folder / "tariff.yaml", {}))
        grid = TimeGrid(steps.moments[0], steps.minutes, len(steps.moments), self.zone)
        cost = compile_cost(tariff, grid, calendar_months(grid))
        problem = posed(
            grid, plant_of(words), self.load * steps.h, self.pv * steps.h, linear_cost(cost.total, grid.count),
            self.percent("start_pct"), self.percent("end_pct"), words["leftover_per_kwh"],
        )  # fmt: skip
        return make_plan(problem, cost, time_limit_s=time_limit_s), cost

    def percent(self, key: str) -> float | None:
        """Return a level of charge; None where it is left open. [kWh]"""
        said = self.site[key]
        return None if said is None else said / 100 * self.site["battery"]["capacity_kwh"]

    @property
    def gross(self) -> float:
        """About how much money moves, against which a difference is held."""
        price = [abs(x) for x in numbers_in(self.charges) if x]
        dear = max([abs(p) for p in self.series if p] + price[:1] + [1e-9])
        return float(self.load.sum() + self.pv.sum()) * self.steps.h * dear


def numbers_in(words: Any) -> list[float]:
    """Return the prices per kWh in nested words."""
    if isinstance(words, dict):
        return [v for k, v in words.items() if k in ("per_kwh", "plus_per_kwh")] + [
            x for v in words.values() for x in numbers_in(v)
        ]
    return [x for each in words for x in numbers_in(each)] if isinstance(words, list) else []


def plant_of(words: Words) -> Plant:
    """Return the equipment that words describe."""
    connection = words["connection"] | {
        "limits": [TimedLimit(**rule) for rule in words["connection"].get("limits", [])]
    }
    return Plant.of(
        Battery(**words["battery"]), Inverter(**words["inverter"]), Photovoltaic(**words["pv"]),
        Connection(**connection), Permissions(**words["permissions"]), 0.0, Behaviour(**words.get("behaviour", {})),
    )  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """What came of one comparison."""

    seed: int
    kind: str
    end: str
    digits: int | None
    told: str = ""


def compared(case: Case) -> Finding:
    """Plan a case, ask the stranger, and say how far they agree."""
    kind, ours, said = "extreme" if case.is_extreme else "usual", None, ""
    try:
        with tempfile.TemporaryDirectory() as place:
            ours = case.planned(Path(place))
    except OptimizerError as failure:
        said = f"{type(failure).__name__}: {failure}"
        if not isinstance(failure, Infeasible):
            is_late = isinstance(failure, StoppedEarly) and "time allowed" in said
            end = "out of time" if is_late else "refused" if failure.exit_code == 2 else "FAULT"
            return Finding(case.seed, kind, end, None, said)
    try:
        theirs = stranger(case.site, case.charges, case.steps, case.load, case.pv, case.series)
    except NoPlanError:
        told = "" if ours is None else f"only the program finds a plan, of {ours[0]:.6f}"
        return Finding(case.seed, kind, "FAULT" if told else "both find no plan", None, told)
    except TimeoutError as failure:
        return Finding(case.seed, kind, "stranger out of time", None, str(failure))
    if ours is None:
        told = f"only the stranger finds a plan, of {theirs[0]:.6f}: {said}"
        return Finding(case.seed, kind, "FAULT", None, told)
    return judged(case, kind, *ours, *theirs)


def judged(
    case: Case, kind: str, ours: float, proven: str, gap: float, theirs: float, bound: float
) -> Finding:
    """Return how far two costs agree, and why not if they do not."""
    has_choices = proven.startswith("mixed")
    kind = f"{kind}, {'choices' if has_choices else 'linear'}"
    scale = max(abs(ours), abs(theirs), 0.01 * case.gross)
    apart = ours - theirs
    digits = 12 if abs(apart) <= 1e-12 * scale else max(int(-math.log10(abs(apart) / scale)), 0)
    told = f"ours {ours:.9g}, theirs {theirs:.9g}, their bound {bound:.9g}, our gap {gap:.6g}"
    if ours < bound - 1e-6 * scale:
        end = "FAULT: below what is possible"
    elif digits >= DIGITS:
        end, told = "agree", ""
    elif apart < 0:
        end = "ours is cheaper, the stranger ran out of time"
    elif has_choices and apart <= 1.01 * gap + 1.1e-5 * max(scale, 1.0):
        end = "agree within the gap that the plan tells"
    elif abs(apart) < MONEY:
        end, told = "agree to 0.00001 of money", ""
    else:
        end = "FAULT"
    return Finding(case.seed, kind, end, digits, told)


def main() -> None:
    """Compare and print the table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=500)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--seconds", type=float, default=1e9)
    words.add_argument("--extreme", type=float, default=0.25)
    asked = words.parse_args()
    ends: Counter[tuple[str, str, int | None]] = Counter()
    begun = time.monotonic()
    for seed in range(asked.seed, asked.seed + asked.count):
        if time.monotonic() - begun > asked.seconds:
            break
        found = compared(Case.drawn(seed, asked.extreme))
        ends[found.kind, found.end, found.digits] += 1
        if found.told:
            print(
                json.dumps([found.seed, found.kind, found.end, found.digits, found.told]),
                flush=True,
            )
    for (kind, end, digits), count in sorted(ends.items(), key=str):
        print(f"| {kind} | {end} | {'' if digits is None else digits} | {count} |")
    print(f"{sum(ends.values())} comparisons, {time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main()
