"""Proves that no settings of some controls cost less than a bound, and finds the best where it can.

Settings are a label for each slot of the clock and each day set: an *order* that the controls accept,
or none. That there are at most so many windows, and the same labels on every day, makes settings
dearer than a plan that chooses anew each day. Both are given up here for a price: in each step the
battery may follow any order, yet prices are put on what it does, and labels are paid those prices.
For any prices

    least cost of settings ≥ least cost of free orders with prices + least cost of labels with prices

(Lagrangian relaxation: M. L. Fisher, Management Science 27 (1981) 1–18). The first is found backward
in time over the stored energy, the second around the clock. Prices that raise the sum are found by
subgradient steps (B. T. Polyak, USSR Comput. Math. Math. Phys. 9 (1969) 14–29); the rest of the gap is
closed by branch and bound on what each slot may be. Where few enough labels are left, they are
replayed side by side, and each is dropped once its cost so far and the bound of what is to come
exceed the best known. Convex parts of the bill, such as demand charges, are bounded by a mean of
tangents. Work is counted in replayed steps, so that the same input gives the same answer.
Read next: ``proof_kernel``.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.search.drafts import Drafts
from optimizer.search.score_kernel import PART_PEAK
from tests.bench.proof import bounds_kernel as inner
from tests.bench.proof.labels import Ground, Labels
from tests.bench.proof.orders import count_of_orders, rows_of

MOST_ORDERS = 600
"""Controls with more orders than this are too rich to look at each."""

LEAF = 200_000_000
"""Labels are replayed side by side where they come to no more steps than this."""

HEAP = 8192
"""Labels that are replayed together."""

CELL_WORK = 0.6
"""Work of one row at one node of a sweep, in replayed steps."""

ROUNDING = 1e-7
"""Share of the cost by which bounds are lowered, for sums of rounded numbers."""

ROOT_ROUNDS = 300
"""Subgradient steps for the set of all settings."""

ROUNDS = 15
"""Subgradient steps for a part of them; they go on from the prices of the whole."""

PATIENCE = 10
"""Subgradient steps without much gain before the stride is shortened."""

SHORTENED = 0.7
"""By how much the stride is shortened."""

FIRST_SHARE = 0.2
"""Prices begin at this share of what leaving the best labels in one step alone would save."""

TANGENT_SHARE = 0.1
"""Share of a new tangent in the mean of tangents."""


USED_UP = "the work allowed is used up"


@dataclass(frozen=True)
class Proof:
    """The best settings known, and the cost below which there are none.

    ``best`` holds drafts that cost ``cost``; the level of one that states none is the plant's lowest
    or highest, its power the equipment's. ``settings`` counts what the controls allow, ``nodes`` the
    sets of settings that were bounded, ``replays`` the settings that were priced to the end, ``raced``
    those that were priced or dropped on the way; ``work`` is in replayed steps. ``why`` says why best
    and bound have not met, and is empty if they have.
    """

    best: Drafts
    cost: float
    bound: float
    settings: float
    nodes: int
    replays: int
    raced: int
    work: int
    why: str = ""

    @property
    def gap(self) -> float:
        """How much less settings could cost than the best known. [money]"""
        return max(self.cost - self.bound, 0.0)

    @property
    def is_exact(self) -> bool:
        """Whether the best known settings are proven to cost least."""
        return not self.why


Progress = Callable[[float, float], None]


def prove(
    ground: Ground,
    incumbents: Sequence[Drafts],
    *,
    most_work: int,
    slot_minutes: int | None = None,
    good_enough: float = 0.0,
    floor_bound: float = -math.inf,
    progress: Progress = lambda _cost, _bound: None,
) -> Proof:
    """Find the settings that cost least, and prove it as far as the work allowed goes.

    Parameters
    ----------
    ground : Ground
        Where settings are compared.
    incumbents : sequence of Drafts
        Settings to begin with; no windows are always among them.
    most_work : int
        Work after which to stop. [replayed steps]
    slot_minutes : int, optional
        Windows begin and end on multiples of this; the controls' own minutes if left out. [min]
    good_enough : float
        A gap that needs no closing. [money]
    floor_bound : float
        A bound known otherwise, such as the cost of the cheapest plan on these steps. [money]
    progress : callable
        Is told the best cost and the bound, now and then.

    Returns
    -------
    Proof
        Of costs as ``kernel.score_many`` counts them, plus ``per_window`` for each window.

    Raises
    ------
    InputError
        If slots of ``slot_minutes`` do not fill the day, or steps do not fill them.
    """
    return _Tree(ground, slot_minutes, most_work, good_enough, floor_bound, progress).proved(
        incumbents
    )


@dataclass(frozen=True, eq=False)
class _Tangent:
    """A plane below the parts of the bill: an amount, and prices per kWh of each step, (S,)."""

    amount: float
    per_import: FloatArray
    per_export: FloatArray

    def mixed(self, other: _Tangent, share: float) -> _Tangent:
        """Return the mean with another; a mean of planes below the parts is one as well."""
        keep = 1 - share
        return _Tangent(
            keep * self.amount + share * other.amount,
            keep * self.per_import + share * other.per_import,
            keep * self.per_export + share * other.per_export,
        )


@dataclass(frozen=True, eq=False)
class _Node:
    """A set of settings: which orders each face may have, (F, O), with prices that bound them.

    ``price`` has shape (R,). No labels of the set cost less than ``base`` plus what they are paid.
    ``labels`` and ``strays``, (F,), are the labels that are paid least, and on how many steps the
    battery did otherwise.
    """

    may: BoolArray
    price: FloatArray
    tangent: _Tangent
    bound: float = -math.inf
    base: float = -math.inf
    labels: IntArray | None = None
    strays: FloatArray | None = None


@dataclass(frozen=True, eq=False)
class _Guess:
    """What comes of some prices: a bound, and what battery and labels do under them.

    ``paid`` has shape (F, O), ``above`` too: by how much labels that have an order in a face are
    paid more than the least. ``chosen`` and ``liked``, (S,), are the battery's and the labels' rows.
    """

    bound: float
    base: float
    labels: IntArray
    paid: FloatArray
    above: FloatArray
    chosen: IntArray
    liked: IntArray
    imported: FloatArray
    exported: FloatArray


class _Tree(Labels):
    """Branch and bound over what each slot of the clock may be."""

    def __init__(
        self, ground: Ground, slot_minutes: int | None, most_work: int, good_enough: float,
        floor_bound: float, progress: Progress,
    ) -> None:  # fmt: skip
        super().__init__(ground, slot_minutes)
        self.most_work = most_work
        self.good_enough = good_enough
        self.floor_bound = floor_bound
        self.progress = progress
        self.nodes = 0
        self.raced = 0
        self.settings = math.nan

    def proved(self, incumbents: Sequence[Drafts]) -> Proof:
        """Return the proof."""
        for drafts in [((),) * self.day_sets, *incumbents]:
            self.try_drafts(drafts)
        if not len(self.load):
            return self._proof(self.cost, "")
        if self.work >= self.most_work:
            return self._proof(-math.inf, USED_UP)
        if why := self._too_rich():
            return self._proof(-math.inf, why)
        self.list_orders()
        every = np.ones((self.count, len(self.table)), dtype=bool)
        self.settings = self._count(every)
        if why := self._no_bound():
            if self.settings * len(self.load) > self.most_work:
                return self._proof(-math.inf, why)
            for heap in self._listed(np.zeros(every.shape), math.inf, int(self.settings)) or ():
                self.try_labels(heap)
            return self._proof(self.cost, "")
        if not self.prepare():
            return self._proof(-math.inf, "orders times steps are too many to look at each")
        bound = self._searched(every)
        return self._proof(bound, USED_UP if self.work >= self.most_work else "good enough")

    def _proof(self, bound: float, why: str) -> Proof:
        bound = min(max(bound, self.floor_bound), self.cost)
        exact = bound >= self.cost - 10 * ROUNDING * max(abs(self.cost), 1.0)
        return Proof(
            self.best, self.cost, bound, self.settings, self.nodes, self.replays, self.raced,
            int(self.work), "" if exact else why,
        )  # fmt: skip

    def _too_rich(self) -> str:
        if not self.most:
            return ""
        if self.ground.plant.behaviour.at_target == "ends":
            return "windows that end at their target remember what was before them"
        count = count_of_orders(self.ground.controls, self.ground.plant, self.most_load_kw())
        if count > MOST_ORDERS:
            return f"the controls allow about {count:,.0f} orders, more than {MOST_ORDERS}"
        return ""

    def _no_bound(self) -> str:
        if self.ground.plant.behaviour.floor_restart_pct:
            return "the battery rests at its floor, which stored energy alone does not tell"
        if len(self.pricing.less_for_stored):
            return "stored energy is paid another price than PV"
        if len(self.pricing.part_kind) and not self.ground.cost.is_convex:
            return "the cost is not convex"
        return ""

    def _count(self, may: BoolArray) -> float:
        clocks = may.reshape(self.day_sets, self.slots, -1)
        return float(math.prod(inner.windows_count(clock, self.most) for clock in clocks))

    def prepare(self) -> bool:
        """Write down what each order does in each step; tell whether that can be kept."""
        ground = self.ground
        rows = rows_of(
            ground.plant,
            self.numbers,
            self.table,
            self.load,
            self.pv,
            self.limits,
            ground.start_kwh,
        )
        if rows is None:
            return False
        self.rows = rows
        self.work += rows.row_of.size * rows.nodes
        self.value = np.zeros((len(self.load) + 1, rows.nodes))
        self.value[-1] = -ground.leftover * (rows.levels() - ground.start_kwh)
        days = ground.grid.day[ground.steps]
        self.stops = np.flatnonzero(np.diff(days, prepend=-1)).astype(np.int64)
        return True

    # --- branch and bound ------------------------------------------------------------------------

    def _searched(self, every: BoolArray) -> float:
        """Split the set of all settings until no part can hold better ones; return the bound."""
        flows, here = self.ground.elsewhere, self.ground.steps
        tangent = self.tangent_at(flows.import_kwh[here], flows.export_kwh[here])
        self.descend(self.most_work / 2)
        root = _Node(every, self._first_prices(tangent), tangent)
        waiting = [self._bounded(root, ROOT_ROUNDS)]
        left: list[tuple[float, int, _Node]] = []
        number = 0
        while waiting:
            for node in waiting:
                if node.bound < self._limit() and not self._raced_through(node):
                    number += 1
                    heapq.heappush(left, (node.bound, number, node))
            if not left or left[0][0] >= self._limit() or self.work >= self.most_work:
                break
            bound, _, node = heapq.heappop(left)
            self.progress(self.cost, bound)
            halves = [half for half in self._halves(node) if self._count(half)]
            waiting = [self._bounded(replace(node, may=half), ROUNDS) for half in halves]
        return min([self._limit(), *(bound for bound, _, _ in left)])

    def _limit(self) -> float:
        """Return the cost from which on settings are of no interest."""
        return self.cost - self.good_enough

    def _halves(self, node: _Node) -> Iterator[BoolArray]:
        """Yield the two halves of a set, split at the face where the battery strays most.

        Orders are told apart by their action first, then by cap, level and power.
        """
        assert node.labels is not None
        assert node.strays is not None
        is_open = node.may.sum(axis=1) > 1
        face = int(np.where(is_open, node.strays, -1.0).argmax())
        here = np.flatnonzero(node.may[face])
        words = self.words[here].T
        kind = next(k for k, values in enumerate(words) if (values != values[0]).any())
        if kind == 0:
            split = words[0] == self.words[node.labels[face], 0]
        else:
            split = words[kind] <= np.median(words[kind])
        if split.all() or not split.any():
            split = words[kind] < words[kind].max()
        for keep in (split, ~split):
            may = node.may.copy()
            may[face] = False
            may[face, here[keep]] = True
            yield may

    def tangent_at(self, imported: FloatArray, exported: FloatArray) -> _Tangent:
        """Return the plane that touches the parts of the bill at some flows, (S,)."""
        per_import, per_export = np.zeros(len(imported)), np.zeros(len(imported))
        imported, exported = np.ascontiguousarray(imported), np.ascontiguousarray(exported)
        value = inner.slope_of_parts(imported, exported, self.pricing, per_import, per_export)
        amount = float(value - per_import @ imported - per_export @ exported)
        return _Tangent(amount, per_import, per_export)

    def _rates(self, tangent: _Tangent) -> tuple[FloatArray, FloatArray]:
        return self.pricing.buy + tangent.per_import, self.pricing.sell - tangent.per_export

    def swept(self, node: _Node, may_row: BoolArray | None = None) -> float:
        """Work out the costs to come under a node's prices; return that at the beginning."""
        rows = self.rows
        if may_row is None:
            may_row = self._possible_rows(node.may)
        visited = inner.sweep(
            rows.first, rows.at, rows.net, rows.extra, rows.bend_at, rows.bend_net, rows.bend_extra,
            may_row, node.price, *self._rates(node.tangent), self.value,
        )  # fmt: skip
        self.work += visited * rows.nodes * CELL_WORK
        return rows.between(self.value[0], self.ground.start_kwh)

    def _possible_rows(self, may: BoolArray) -> BoolArray:
        may_row = np.zeros(self.rows.count, dtype=bool)
        inner.possible_rows(self.rows.row_of, self.face_of_step, may, may_row)
        return may_row

    def _rows_of_labels(self, labels: IntArray) -> IntArray:
        return np.asarray(self.rows.row_of[np.arange(len(self.load)), labels[self.face_of_step]])

    def _first_prices(self, tangent: _Tangent) -> FloatArray:
        """Return prices with which leaving the best labels in one step alone pays little."""
        rows, ground = self.rows, self.ground
        kept = self._rows_of_labels(self.best_labels)
        may_row = np.zeros(rows.count, dtype=bool)
        may_row[kept] = True
        price = np.zeros(rows.count)
        nothing_open = np.zeros((0, 0), dtype=bool)
        self.swept(_Node(nothing_open, price, tangent), may_row)
        inner.gains(
            self.load, self.pv, self.limits, self.table, rows.order_of_row, rows.first, *self._rates(tangent),
            ground.plant.wear_per_kwh, self.value, self.numbers, rows.low, rows.cell,
            ground.start_kwh, kept, price,
        )  # fmt: skip
        return price * FIRST_SHARE

    # --- bounds ------------------------------------------------------------------------------------

    def _paid(self, node: _Node) -> FloatArray:
        paid = np.zeros(node.may.shape)
        inner.label_costs(self.rows.row_of, self.face_of_step, node.may, node.price, paid)
        return paid

    def _guess(self, node: _Node) -> _Guess | None:
        """Return what comes of a node's prices; None if no labels are possible."""
        rows, steps = self.rows, len(self.load)
        paid = self._paid(node)
        above = np.zeros_like(paid)
        labels = np.zeros(self.count, dtype=np.int64)
        least = 0.0
        for number in range(self.day_sets):
            part = slice(number * self.slots, (number + 1) * self.slots)
            own = inner.windows_least(
                paid[part], self.most, self.ground.per_window, labels[part], above[part]
            )
            if own >= inner.CLOSED / 2:
                return None
            above[part] -= own
            least += own
        may_row = self._possible_rows(node.may)
        free = self.swept(node, may_row)
        base = free + node.tangent.amount
        base -= ROUNDING * (abs(free) + abs(least) + abs(node.tangent.amount))
        liked = self._rows_of_labels(labels)
        chosen = np.zeros(steps, dtype=np.int64)
        imported, exported = np.zeros(steps), np.zeros(steps)
        inner.follow(
            self.load, self.pv, self.limits, self.table, rows.order_of_row, rows.first, may_row, node.price,
            *self._rates(node.tangent), self.ground.plant.wear_per_kwh, self.value, self.numbers,
            rows.low, rows.cell, self.ground.start_kwh, liked, chosen, imported, exported,
        )  # fmt: skip
        return _Guess(
            base + least, base, labels, paid, above, chosen, liked, imported, exported
        )  # fmt: skip

    def _bounded(self, node: _Node, rounds: int) -> _Node:
        """Return a node with better prices, its bound, and fewer orders where they cannot pay."""
        self.nodes += 1
        best = now = replace(node, bound=-math.inf)
        stride, stuck = 1.0, 0.0
        for _ in range(rounds):
            guess = self._guess(now)
            if guess is None:
                return replace(best, bound=math.inf)
            self.try_labels(guess.labels.reshape(1, -1))
            pays = (guess.bound + guess.above < self._limit()) & (guess.paid < inner.CLOSED)
            if guess.bound > best.bound + 1e-9:
                gained = guess.bound - best.bound
                stuck = 0.0 if gained > 0.001 * (self.cost - guess.bound) else stuck + 0.5
                astray = guess.chosen != guess.liked
                strays = np.zeros(self.count)
                np.add.at(strays, self.face_of_step, astray)
                best = replace(
                    now, bound=guess.bound, base=guess.base, labels=guess.labels, strays=strays
                )
            else:
                stuck += 1.0
            now, best = replace(now, may=pays), replace(best, may=pays)
            if best.bound >= self._limit() or self.work >= self.most_work:
                break
            if not pays.any(axis=1).all():
                return replace(best, bound=math.inf)
            if stuck >= PATIENCE:
                stride, stuck = stride * SHORTENED, 0.0
                now = best
                continue
            stepped = self._stepped(now, guess, stride)
            if stepped is None:
                break
            now = stepped
        return replace(best, bound=max(best.bound, node.bound))

    def _stepped(self, node: _Node, guess: _Guess, stride: float) -> _Node | None:
        """Return a node after a subgradient step; None if battery and labels agree."""
        astray = guess.chosen != guess.liked
        has_parts = len(self.pricing.part_kind) > 0
        if not astray.any() and not has_parts:
            return None
        step = stride * (self.cost - guess.bound) / max(2.0 * astray.sum(), 1.0)
        price = node.price.copy()
        price[guess.chosen[astray]] += step
        price[guess.liked[astray]] -= step
        if not has_parts:
            return replace(node, price=price)
        other = self.tangent_at(guess.imported, guess.exported)
        mixed = node.tangent.mixed(other, stride * TANGENT_SHARE)
        return replace(node, price=price, tangent=mixed)

    # --- replays -----------------------------------------------------------------------------------

    def _listed(self, paid: FloatArray, limit: float, most: int) -> Iterator[IntArray] | None:
        """Return all labels that are paid less than a limit, in heaps of (C, F); None if too many."""
        clocks = paid.reshape(self.day_sets, self.slots, -1)
        through, labels = np.zeros(clocks[0].shape), np.zeros(self.slots, dtype=np.int64)
        least = [inner.windows_least(c, self.most, 0.0, labels, through) for c in clocks]
        found, sums = [], []
        for clock, own in zip(clocks, least, strict=True):
            room = min(most, int(inner.windows_count(clock < inner.CLOSED, self.most)))
            out, cost = np.zeros((room, self.slots), dtype=np.int64), np.zeros(room)
            budget = limit - (sum(least) - own)
            count = inner.windows_below(clock, self.most, self.ground.per_window, budget, out, cost)
            if count < 0:
                return None
            rising = np.argsort(cost[:count], kind="stable")
            found.append(out[:count][rising])
            sums.append(cost[:count][rising])
        if len(found) == 1:
            return (found[0][first : first + HEAP] for first in range(0, len(found[0]), HEAP))
        fits = np.searchsorted(sums[1], limit - sums[0])
        return _pairs(found[0], found[1], fits) if fits.sum() <= most else None

    def _raced_through(self, node: _Node) -> bool:
        """Price all labels that a node's bounds do not rule out; tell whether they were few enough."""
        if self.work >= self.most_work:
            return False
        most = max(LEAF // len(self.load), 1)
        heaps = self._listed(self._paid(node), self._limit() - node.base, most)
        if heaps is None:
            return False
        peak = self._peak(node)
        self.swept(node)
        stops = np.append(self.stops, len(self.load))
        owed = np.zeros((len(stops), *node.may.shape))
        inner.owed_after(self.rows.row_of, self.face_of_step, node.price, self.stops, owed[:-1])
        rates = self._rates(self._no_tangent() if peak.rate else node.tangent)
        slack = ROUNDING * (abs(self.cost) + abs(node.base) + abs(node.tangent.amount))
        for faces in heaps:
            is_left = np.zeros(len(faces), dtype=bool)
            limit = self._limit() - node.tangent.amount + slack
            done = inner.race(
                self.load, self.pv, self.limits, self.table, self.face_of_step, faces, self.numbers,
                self.ground.start_kwh, *rates, self.ground.plant.wear_per_kwh, self.value,
                self.rows.low, self.rows.cell, stops, owed, limit, peak, is_left,
            )  # fmt: skip
            self.raced += len(faces)
            self.work += done + faces.size / 4
            if is_left.any():
                self.try_labels(faces[is_left])
        return True

    def _no_tangent(self) -> _Tangent:
        none = np.zeros(len(self.load))
        return _Tangent(0.0, none, none)

    def _peak(self, node: _Node) -> inner.OnePeak:
        """Return the one peak that is charged, with the costs to come apart from it."""
        c, steps = self.pricing, len(self.load)
        interval, share = np.full(steps, -1), np.zeros(steps)
        stops = [*self.stops, steps]
        is_one = len(c.part_kind) == 1 and c.part_kind[0] == PART_PEAK and c.peak_highest[0] == 1
        if not is_one or len(np.unique(c.peak_step)) < len(c.peak_step):
            past, value = np.zeros(len(stops)), np.zeros((1, 1))
            return inner.OnePeak(0.0, 0.0, 0.0, interval, share, past, value)
        interval[c.peak_step] = c.peak_interval
        share[c.peak_step] = c.interval_share[c.peak_interval]
        begins = c.peak_step[np.unique(c.peak_interval, return_index=True)[1]]
        rate = np.zeros(len(begins))
        np.divide(node.tangent.per_import[begins], share[begins], out=rate, where=share[begins] > 0)
        past = np.array([rate[begins < stop].sum() for stop in stops])
        self.swept(replace(node, tangent=self._no_tangent()))
        return inner.OnePeak(
            float(c.part_factor[0]), float(c.group_reached.max()), node.tangent.amount, interval,
            share, past, self.value.copy(),
        )  # fmt: skip


def _pairs(first: IntArray, second: IntArray, fits: IntArray) -> Iterator[IntArray]:
    """Yield each of the first labels with as many of the second as fit, in heaps."""
    waiting: list[IntArray] = []
    size = 0
    for labels, count in zip(first, fits, strict=True):
        repeated = np.broadcast_to(labels, (count, len(labels)))
        waiting.append(np.concatenate([repeated, second[:count]], axis=1))
        size += int(count)
        if size >= HEAP:
            yield np.concatenate(waiting)
            waiting, size = [], 0
    if size:
        yield np.concatenate(waiting)
