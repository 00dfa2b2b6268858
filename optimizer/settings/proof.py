"""Proves that no settings of some controls cost less than a bound, and finds the best where it can.

What is searched is a label for each slot of the clock and each day set: one of the *orders* that the
controls accept, or none. At most so many windows, and the same labels on every day of a day set, are
what makes settings dear compared with a plan that chooses anew each day. Both are given up here for
a price: in each step the battery may follow any order, yet one that is not the label's costs, and
the label is paid for it. For any such prices

    least cost of settings ≥ least cost of free orders with prices + least cost of labels with prices

(Lagrangian relaxation: M. L. Fisher, Management Science 27 (1981) 1–18). The first is found backward
in time over the stored energy, the second around the clock. Prices that raise the sum are found by
subgradient steps (B. T. Polyak, USSR Comput. Math. Math. Phys. 9 (1969) 14–29); what is left of the
gap is closed by branch and bound on what each slot may be. Parts of the bill that are not linear,
such as demand charges, are bounded by a mean of their tangents, which is exact enough where convex.
Work is counted in replayed steps, so that the same input gives the same answer.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.billing.cost import LinearCost
from optimizer.flows import Flows
from optimizer.settings import proof_kernel as inner
from optimizer.settings.average_day import Draft
from optimizer.settings.kernel import (
    ACTION_CODE,
    COVER,
    EXPORT,
    IMPORT,
    OVERLOAD,
    PART_PEAK,
    Numbers,
    score_many,
    step_through,
)
from optimizer.settings.pricing import pricing_of
from optimizer.site.behaviour import PV_ORDERS
from optimizer.site.controls import Controls
from optimizer.site.equipment import Plant
from optimizer.timegrid import BoolArray, FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.units import MINUTES_PER_DAY

Drafts = tuple[tuple[Draft, ...], ...]
"""For each day set its windows, in order of time."""

MOST_ORDERS = 600
"""Controls with more orders than this are too rich to look at each."""

LEAST_CELLS = 144
"""Cells of stored energy; some more are taken if the levels of windows then lie on nodes."""

LEAF = 200_000
"""So few settings are priced one by one."""

AT_ONCE = 256
HEAP = 8192
"""Replays that are run side by side."""

CELL_WORK = 0.6
"""Work of one order at one node of a sweep, in replayed steps."""

ROUNDING = 1e-7
"""Share of the cost by which the bound is lowered, for sums of rounded numbers."""


@dataclass(frozen=True)
class Ground:
    """The steps on which settings are compared, and what they cost there.

    Parameters
    ----------
    plant, controls
        The equipment and what it accepts.
    grid : TimeGrid
        The whole grid of T steps.
    steps : array
        Shape (S,), rising: the steps of one season.
    load_kwh, pv_kwh : array
        Shape (S,), each ≥ 0. [kWh per step]
    start_kwh : float
        Stored energy before the first step. [kWh]
    cost : LinearCost
        The cost on the whole grid.
    elsewhere : Flows
        The flows assumed on all other steps; on these steps any good flows, such as a plan's.
    leftover : float
        Worth of a kWh that is left at the end. [money per kWh]
    per_window : float
        A small sum counted for each window, ≥ 0. [money]
    """

    plant: Plant
    controls: Controls
    grid: TimeGrid
    steps: IntArray
    load_kwh: FloatArray
    pv_kwh: FloatArray
    start_kwh: float
    cost: LinearCost
    elsewhere: Flows
    leftover: float = 0.0
    per_window: float = 0.0


@dataclass(frozen=True)
class Proof:
    """The best settings known, and below what cost there are none.

    ``best`` holds drafts that cost ``cost``. ``settings`` counts what the controls allow, ``nodes``
    the sets of settings that were bounded, ``replays`` the settings that were priced, ``work`` is in
    replayed steps. ``why`` says why the bound is no better, empty if best and bound have met.
    """

    best: Drafts
    cost: float
    bound: float
    settings: float
    nodes: int
    replays: int
    work: int
    is_exact: bool
    why: str = ""

    @property
    def gap(self) -> float:
        """How much less settings could cost than the best known. [money]"""
        return max(self.cost - self.bound, 0.0)


Progress = Callable[[float, float], None]


def prove(  # noqa: PLR0913 - what bounds the work, by name
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
        Of costs as ``score_many`` counts them, plus ``per_window`` for each window.
    """
    return _Tree(ground, slot_minutes, most_work, good_enough, floor_bound, progress).proved(
        incumbents
    )


# --- the orders that controls accept --------------------------------------------------------


def orders_of_controls(
    controls: Controls, plant: Plant, step_h: float, most_load_kw: float
) -> Iterator[Draft]:
    """Yield one draft for each different order that a window may give; times are left empty.

    Values that cannot bind stand once: as the power of the equipment, or as an infinite cap.
    """
    low, high = plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh)
    multiples = np.arange(0, 100 + 1e-9, controls.soc_step_pct)
    above = [float(pct) for pct in multiples if low - 1e-6 <= pct < high - 1e-9]
    until, down_to = [*above, high], sorted({low, *above})
    most_in = plant.charge_kw / plant.to_dc_efficiency
    powers_in = [0.0, *_below(most_in, controls.power_step_kw), most_in]
    powers_out = [*_below(plant.discharge_kw, controls.power_step_kw), plant.discharge_kw]
    caps = [math.inf]
    if controls.import_cap:
        caps += [0.0, *_below(most_load_kw + most_in, controls.power_step_kw)]
    for action in controls.actions:
        for cap in caps:
            if action == "hold":
                yield Draft(0, 0, action, 0.0, 0.0, cap)
            elif action == "charge":
                yield from (Draft(0, 0, action, u, p, cap) for u in until for p in powers_in)
            elif action == "sell":
                yield from (Draft(0, 0, action, d, p, cap) for d in down_to for p in powers_out)
            else:
                plain = math.isinf(cap)
                yield from (
                    Draft(0, 0, action, d, 0.0, cap) for d in down_to if not (plain and d == low)
                )


def count_of_orders(controls: Controls, plant: Plant, most_load_kw: float) -> float:
    """Return about how many orders the controls accept, without listing them."""
    levels = 100 / controls.soc_step_pct + 1
    powers = plant.charge_kw / controls.power_step_kw + 2
    caps = 1 + controls.import_cap * (most_load_kw + plant.charge_kw) / controls.power_step_kw
    each = {"hold": 1.0, "charge": levels * powers, "sell": levels * powers, "cover": levels}
    return caps * sum(each[action] for action in controls.actions)


def _below(most: float, step: float) -> list[float]:
    count = math.ceil(most / step - 1e-9)
    return [round(number * step, 9) for number in range(1, count)]


def order_of(draft: Draft, plant: Plant, step_h: float) -> tuple[float, ...]:
    """Return a draft as the kernel reads it, in the columns that it names. [kWh]"""
    level = plant.level_kwh(draft.level_pct)
    most_in = plant.charge_kw / plant.to_dc_efficiency
    return (
        float(ACTION_CODE[draft.action]),
        level if draft.action == "charge" else plant.high_kwh,
        level if draft.action in {"cover", "sell"} else plant.low_kwh,
        min(draft.power_kw, most_in) * step_h if draft.action == "charge" else 0.0,
        min(draft.power_kw, plant.discharge_kw) * step_h if draft.action == "sell" else 0.0,
        draft.cap_kw * step_h,
        float(draft.length == MINUTES_PER_DAY),
    )


# --- what each order does in each step ------------------------------------------------------


@dataclass(frozen=True)
class _Rows:
    """What orders do in each step, by nodes of stored energy; see ``proof_kernel``."""

    low: float
    cell: float
    first: IntArray
    at: FloatArray
    net: FloatArray
    extra: FloatArray
    bend_at: FloatArray
    bend_net: FloatArray
    bend_extra: FloatArray
    row_of: IntArray
    order_of_row: IntArray

    @property
    def nodes(self) -> int:
        return self.at.shape[1]

    def between(self, values: FloatArray, level: float) -> float:
        """Return the value of a stored energy between nodes."""
        place = min(max((level - self.low) / self.cell, 0.0), self.nodes - 1.0)
        return float(np.interp(place, np.arange(self.nodes), values))


def _rows(ground: Ground, table: FloatArray, numbers: Numbers) -> _Rows:
    plant = ground.plant
    low, high = min(plant.low_kwh, ground.start_kwh), max(plant.high_kwh, ground.start_kwh)
    cells = _cells(low, high, table)
    cell = (high - low) / cells
    count, orders = len(ground.steps), len(table)
    habits = plant.behaviour
    has_jumps = bool(
        habits.running_loss_kw or habits.least_power_kw or habits.pv_order == PV_ORDERS[1]
    )
    nodes = [np.zeros((orders, cells + 1)) for _ in range(3)]
    bends = [np.zeros((orders, cells)) for _ in range(3)]
    found: list[list[np.ndarray]] = []
    row_of = np.zeros((count, orders), dtype=np.int64)
    first = np.zeros(count + 1, dtype=np.int64)
    for t in range(count):
        rows = inner.rows_of_step(
            float(ground.load_kwh[t]), float(ground.pv_kwh[t]), table, numbers, low, cell,
            plant.wear_per_kwh, has_jumps, *nodes, *bends, row_of[t],
        )  # fmt: skip
        found.append([part[:rows].copy() for part in (*nodes, *bends)])
        row_of[t] += first[t]
        first[t + 1] = first[t] + rows
    joined = [np.concatenate(parts) for parts in zip(*found, strict=True)]
    order_of_row = np.zeros(first[-1], dtype=np.int64)
    for order in reversed(range(orders)):
        order_of_row[row_of[:, order]] = order
    return _Rows(low, cell, first, *joined, row_of, order_of_row)


def _cells(low: float, high: float, table: FloatArray) -> int:
    """Return a number of cells with which the levels of windows lie nearest to nodes."""
    levels = np.unique(table[:, [1, 2]].clip(low, high))

    def off(cells: int) -> float:
        places = (levels - low) / (high - low) * cells
        return float(np.round(np.abs(places - np.round(places)).sum(), 6))

    return min(range(LEAST_CELLS, LEAST_CELLS * 3 // 2), key=off)


# --- branch and bound -----------------------------------------------------------------------


@dataclass(frozen=True)
class _Tangent:
    """A plane below the parts of the bill: an amount, and prices per kWh of each step, (S,)."""

    amount: float
    per_import: FloatArray
    per_export: FloatArray

    def mixed(self, other: _Tangent, share: float) -> _Tangent:
        keep = 1 - share
        return _Tangent(
            keep * self.amount + share * other.amount,
            keep * self.per_import + share * other.per_import,
            keep * self.per_export + share * other.per_export,
        )


@dataclass(frozen=True, eq=False)
class _Node:
    """A set of settings: which orders each face may have, (F, O), with prices that bound them.

    ``price`` has shape (R,), ``labels`` and ``strays`` (F,): the cheapest labels, and on how many
    steps the battery did otherwise.
    """

    may: BoolArray
    price: FloatArray
    tangent: _Tangent
    bound: float = -math.inf
    base: float = -math.inf
    labels: IntArray | None = None
    strays: FloatArray | None = None


class _Tree:
    """Branch and bound over what each slot of the clock may be."""

    def __init__(
        self, ground: Ground, slot_minutes: int | None, most_work: int, good_enough: float,
        floor_bound: float, progress: Progress,
    ) -> None:  # fmt: skip
        self.ground = ground
        self.most_work = most_work
        self.good_enough = good_enough
        self.floor_bound = floor_bound
        self.progress = progress
        plant, controls, grid = ground.plant, ground.controls, ground.grid
        self.minutes = max(slot_minutes or controls.minutes, grid.step_minutes)
        self.slots = MINUTES_PER_DAY // self.minutes
        self.day_sets = len(controls.day_sets())
        self.numbers = Numbers.of(plant, grid.step_h)
        self.pricing = pricing_of(
            ground.cost, ground.elsewhere, plant, ground.leftover, ground.steps
        )
        self.load = np.ascontiguousarray(ground.load_kwh)
        self.pv = np.ascontiguousarray(ground.pv_kwh)
        of_weekday = np.zeros(7, dtype=np.int64)
        for number, weekdays in enumerate(controls.day_sets().values()):
            of_weekday[list(weekdays)] = number
        self.set_of_step = of_weekday[grid.weekday[ground.steps]]
        minute = grid.minute_of_day[ground.steps]
        self.face_of_step = self.set_of_step * self.slots + minute // self.minutes
        self.step_of_clock = minute // grid.step_minutes
        self.work = 0.0
        self.replays = 0
        self.raced = 0
        self.nodes = 0
        self.best: Drafts = ((),) * self.day_sets
        self.cost = math.inf
        self.settings = math.nan
        self.best_labels = np.zeros(self.day_sets * self.slots, dtype=np.int64)

    # --- pricing -----------------------------------------------------------------------------

    def _score(self, table: FloatArray, face_of_step: IntArray, faces: IntArray) -> FloatArray:
        """Return what sets of windows cost, shape (C,); ``faces`` is (C, F)."""
        cost = np.zeros(len(faces))
        room = np.zeros((2, min(AT_ONCE, len(faces)), len(self.load)))
        for first in range(0, len(faces), AT_ONCE):
            part = faces[first : first + AT_ONCE]
            score_many(
                self.load, self.pv, table, face_of_step, part, self.numbers,
                self.ground.start_kwh, self.pricing, room[0], room[1],
                cost[first : first + AT_ONCE],
            )  # fmt: skip
        self.replays += len(faces)
        self.work += len(faces) * len(self.load)
        return cost

    def _try_drafts(self, drafts: Drafts) -> None:
        plant, grid = self.ground.plant, self.ground.grid
        rows = [_no_window(plant)]
        clock = clock_slots(grid.step_minutes)
        faces = np.zeros((self.day_sets, clock), dtype=np.int64)
        for face, part in zip(faces, drafts, strict=True):
            for draft in part:
                first = -(-draft.begin // grid.step_minutes)
                last = -(-(draft.begin + draft.length) // grid.step_minutes)
                face[np.arange(first, last) % clock] = len(rows)
                rows.append(order_of(draft, plant, grid.step_h))
        face_of_step = self.set_of_step * clock + self.step_of_clock
        cost = self._score(np.array(rows), face_of_step, faces.reshape(1, -1))[0]
        self._note(float(cost) + self.ground.per_window * sum(map(len, drafts)), lambda: drafts)

    def _note(self, cost: float, drafts: Callable[[], Drafts]) -> bool:
        if cost >= self.cost - 1e-9:
            return False
        self.cost, self.best = cost, drafts()
        return True

    def _try_labels(self, faces: IntArray) -> IntArray | None:
        """Price labels, shape (C, F); return the best if none before was as good."""
        cost = self._score(self.table, self.face_of_step, faces)
        if self.ground.per_window:
            cost = cost + self.ground.per_window * self._window_counts(faces)
        least = int(cost.argmin())
        found = faces[least].copy()
        if not self._note(float(cost[least]), lambda: self._drafts(found)):
            return None
        self.best_labels = found
        return found

    def _flows_of(self, labels: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return import and export of labels, shape (S,) each."""
        out = np.zeros((OVERLOAD + 1, len(self.load)))
        step_through(
            self.load, self.pv, self.pricing.day, self.table, labels[self.face_of_step],
            self.numbers, self.ground.start_kwh, out,
        )  # fmt: skip
        return out[IMPORT].copy(), out[EXPORT].copy()

    def _window_counts(self, faces: IntArray) -> IntArray:
        clock = faces.reshape(len(faces), -1, self.slots)
        begins = (clock != np.roll(clock, 1, axis=2)) & (clock > 0)
        whole = (clock == clock[:, :, :1]).all(axis=2) & (clock[:, :, 0] > 0)
        return np.asarray((begins.sum(axis=2) + whole).sum(axis=1))

    def _drafts(self, faces: IntArray) -> Drafts:
        return tuple(
            tuple(sorted(self._drafts_of_clock(clock)))
            for clock in faces.reshape(self.day_sets, self.slots)
        )

    def _drafts_of_clock(self, clock: IntArray) -> Iterator[Draft]:
        begins = [s for s in range(self.slots) if clock[s] != clock[s - 1]]
        if not begins:
            if clock[0]:
                yield self.orders[clock[0] - 1]._replace(begin=0, length=MINUTES_PER_DAY)
            return
        own = self.ground.controls.minutes
        for begin, end in zip(begins, [*begins[1:], begins[0] + self.slots], strict=True):
            if clock[begin]:
                first = begin * self.minutes // own * own
                last = end * self.minutes // own * own
                order = self.orders[clock[begin] - 1]
                yield order._replace(begin=first, length=last - first)

    # --- the whole search ----------------------------------------------------------------------

    def proved(self, incumbents: Sequence[Drafts]) -> Proof:
        """Return the proof."""
        for drafts in [((),) * self.day_sets, *incumbents]:
            self._try_drafts(drafts)
        why = self._too_rich()
        if why or not len(self.load) or self.work >= self.most_work:
            return self._proof(min(self.floor_bound, self.cost), why)
        self._list_orders()
        root = np.ones((self.day_sets * self.slots, len(self.table)), dtype=bool)
        self.settings = self._count(root)
        no_bound = self._no_bound()
        if no_bound:
            if self.settings * len(self.load) > self.most_work:
                return self._proof(self.floor_bound, no_bound)
            for heap in self._listed(np.zeros(root.shape), math.inf, int(self.settings)) or ():
                self._try_labels(heap)
            return self._proof(self.cost, "")
        return self._searched(root)

    def _too_rich(self) -> str:
        if self.ground.controls.windows_per_day == 0:
            return ""
        if self.ground.plant.behaviour.at_target == "ends":
            return "windows that end at their target remember what was before them"
        count = count_of_orders(self.ground.controls, self.ground.plant, self._most_load_kw())
        if count > MOST_ORDERS:
            return f"the controls allow about {count:,.0f} orders, more than {MOST_ORDERS}"
        return ""

    def _no_bound(self) -> str:
        if self.ground.plant.behaviour.floor_restart_pct:
            return "the battery rests at its floor, which stored energy alone does not tell"
        if len(self.pricing.part_kind) and not self.ground.cost.is_convex:
            return "the cost is not convex"
        return ""

    def _most_load_kw(self) -> float:
        return float(self.load.max(initial=0.0) + self.numbers.standby) / self.ground.grid.step_h

    def _list_orders(self) -> None:
        plant, step_h = self.ground.plant, self.ground.grid.step_h
        orders = (
            orders_of_controls(self.ground.controls, plant, step_h, self._most_load_kw())
            if self.ground.controls.windows_per_day
            else ()
        )
        known = {_no_window(plant): Draft(0, 0, "", 0.0, 0.0)}
        for draft in orders:
            known.setdefault(order_of(draft, plant, step_h), draft)
        self.orders = list(known.values())[1:]
        self.table = np.array(list(known))
        words = ("action", "cap_kw", "level_pct", "power_kw")
        names = sorted(ACTION_CODE)
        self.words = np.array([
            [names.index(d.action) if w == "action" and d.action else getattr(d, w) for w in words]
            if d.action else [-1.0, math.inf, -1.0, -1.0]
            for d in known.values()
        ], dtype=float)  # fmt: skip

    def _count(self, may: BoolArray) -> float:
        most = self.ground.controls.windows_per_day
        clocks = may.reshape(self.day_sets, self.slots, -1)
        return math.prod(inner.windows_count(np.ascontiguousarray(c), most) for c in clocks)

    def _proof(self, bound: float, why: str) -> Proof:
        bound = min(max(bound, self.floor_bound), self.cost)
        if not why and bound < self.cost:
            why = "the work allowed is used up" if self.work >= self.most_work else "good enough"
        exact = bound >= self.cost - 1e-6 * max(abs(self.cost), 1.0)
        return Proof(
            self.best, self.cost, bound, self.settings, self.nodes, self.replays, int(self.work),
            exact, "" if exact else why,
        )  # fmt: skip

    def _listed(
        self, costs: FloatArray, limit: float, most_listed: int
    ) -> Iterator[IntArray] | None:
        """Return all labels that cost less than a limit, in heaps of (C, F); None if too many."""
        most = self.ground.controls.windows_per_day
        parts = [np.ascontiguousarray(c) for c in costs.reshape(self.day_sets, self.slots, -1)]
        through = np.zeros(parts[0].shape)
        labels = np.zeros(self.slots, dtype=np.int64)
        least = [inner.windows_least(c, most, 0.0, labels, through) for c in parts]
        found, paid = [], []
        for c, own in zip(parts, least, strict=True):
            room = min(most_listed, int(inner.windows_count(c < inner.CLOSED, most)))
            out, cost = np.zeros((room, self.slots), dtype=np.int64), np.zeros(room)
            budget = limit - (sum(least) - own)
            count = inner.windows_below(c, most, self.ground.per_window, budget, out, cost)
            if count < 0:
                return None
            rising = np.argsort(cost[:count], kind="stable")
            found.append(out[:count][rising])
            paid.append(cost[:count][rising])
        if len(found) == 1:
            return (found[0][first : first + HEAP] for first in range(0, len(found[0]), HEAP))
        fits = np.searchsorted(paid[1], limit - paid[0])
        return _pairs(found[0], found[1], fits) if fits.sum() <= most_listed else None

    def prepare(self) -> None:
        """List the orders and write down what each does in each step."""
        self._list_orders()
        self.rows = _rows(self.ground, self.table, self.numbers)
        self.work += self.rows.row_of.size * self.rows.nodes
        steps = len(self.load)
        self.liked = np.zeros(steps, dtype=np.int64)
        self.value = np.zeros((steps + 1, self.rows.nodes))
        level = self.rows.low + self.rows.cell * np.arange(self.rows.nodes)
        self.value[steps] = -self.ground.leftover * (level - self.ground.start_kwh)
        self.most_import = np.full(steps, np.inf)
        days = self.ground.grid.day[self.ground.steps]
        self.stops = np.flatnonzero(np.diff(days, prepend=-1)).astype(np.int64)

    def _searched(self, may: BoolArray) -> Proof:
        """Split the set of all settings until nothing in any part can be better than the best."""
        self.prepare()
        elsewhere = self.ground.elsewhere
        here = self.ground.steps
        tangent = self._tangent_at(elsewhere.import_kwh[here], elsewhere.export_kwh[here])
        self._descend()
        if DEBUG:
            print("descended", self.cost, self.replays, self.settings, self.rows.first[-1] / steps)
        if MIX:
            own = self._flows_of(self.best_labels)
            tangent = tangent.mixed(self._tangent_at(*own), MIX)
        price = self._first_prices(tangent)
        root = self._bounded(_Node(may, price, tangent), ROOT_ROUNDS)
        open_nodes: list[tuple[float, int, _Node]] = []
        closed = math.inf
        number = 0
        waiting = [root]
        while waiting:
            for child in waiting:
                closed = min(closed, self._settled(child))
                if not self._is_settled:
                    number += 1
                    heapq.heappush(open_nodes, (child.bound, number, child))
            waiting = []
            if not open_nodes or self.work >= self.most_work:
                break
            bound, _, node = heapq.heappop(open_nodes)
            self.progress(self.cost, min(bound, closed))
            if bound >= self.cost - self.good_enough:
                closed = min(closed, bound)
                break
            for part in self._parts(node):
                if self._count(part) > 0:
                    waiting.append(self._bounded(replace(node, may=part), ROUNDS))
        bound = min([closed, *(entry[0] for entry in open_nodes)])
        return self._proof(bound, "")

    def _descend(self) -> None:
        """Change the best labels a little, as long as that lowers the cost."""
        labels: IntArray | None = self.best_labels
        while labels is not None:
            known = {labels.tobytes()}
            tried = [
                face
                for face in self._near(labels)
                if not (face.tobytes() in known or known.add(face.tobytes()))
            ]
            labels = self._try_labels(np.array(tried)) if tried else None

    def _near(self, labels: IntArray) -> Iterator[IntArray]:
        orders = len(self.table)
        most = self.ground.controls.windows_per_day
        for number in range(self.day_sets):
            first = number * self.slots
            clock = labels[first : first + self.slots]
            edges = [s for s in range(self.slots) if clock[s] != clock[s - 1]]
            changed = []
            for s in edges:
                for shift in range(1, self.slots // 2):
                    later, earlier = clock.copy(), clock.copy()
                    later[np.arange(s, s + shift) % self.slots] = clock[s - 1]
                    earlier[np.arange(s - shift, s) % self.slots] = clock[s]
                    changed += [later, earlier]
            for order in range(orders):
                for s, e in zip(
                    edges, edges[1:] + [edges[0] + self.slots] if edges else [], strict=True
                ):
                    other = clock.copy()
                    other[np.arange(s, e) % self.slots] = order
                    changed.append(other)
                for s in range(0, self.slots, max(self.slots // 24, 1)):
                    for length in (1, 3, 6, self.slots):
                        other = clock.copy()
                        other[np.arange(s, s + length) % self.slots] = order
                        changed.append(other)
            for other in changed:
                face = labels.copy()
                face[first : first + self.slots] = other
                if self._window_counts(other.reshape(1, 1, -1))[0] <= most:
                    yield face

    def _first_prices(self, tangent: _Tangent) -> FloatArray:
        """Return prices that make each order as good as the best labels' own, each step alone."""
        rows, ground = self.rows, self.ground
        price = np.zeros(rows.first[-1])
        kept = rows.row_of[np.arange(len(self.load)), self.best_labels[self.face_of_step]]
        may_row = np.zeros(len(price), dtype=bool)
        may_row[kept] = True
        buy = self.pricing.buy + tangent.per_import
        sell = self.pricing.sell - tangent.per_export
        inner.sweep(
            rows.first, rows.at, rows.net, rows.extra, rows.bend_at, rows.bend_net,
            rows.bend_extra, may_row, price, buy, sell, self.most_import, self.value,
        )  # fmt: skip
        inner.gains(
            self.load, self.pv, self.table, rows.order_of_row, rows.first, buy, sell,
            ground.plant.wear_per_kwh, self.value, self.numbers, rows.low, rows.cell,
            ground.start_kwh, kept, price,
        )  # fmt: skip
        if DEBUG:
            print(
                "forced", rows.between(self.value[0], ground.start_kwh) + tangent.amount, self.cost
            )
        return price * SCALE

    def _settled(self, node: _Node) -> float:
        """Return below what cost a node has no settings but the best, −∞ if that is not known."""
        self._is_settled = True
        limit = self.cost - self.good_enough
        if node.bound >= limit:
            return node.bound
        costs = np.zeros(node.may.shape)
        inner.label_costs(self.rows.row_of, self.face_of_step, node.may, node.price, costs)
        heaps = (
            None if self.work >= self.most_work else self._listed(costs, limit - node.base, LEAF)
        )
        if heaps is None:
            self._is_settled = False
            return math.inf
        peak = self._peak(node)
        self._sweep(node)
        stops = np.append(self.stops, len(self.load))
        owed = np.zeros((len(stops), *node.may.shape))
        inner.owed_after(self.rows.row_of, self.face_of_step, node.price, self.stops, owed[:-1])
        for heap in heaps:
            self._race(node, heap, stops, owed, peak)
        return limit

    def _peak(self, node: _Node) -> inner.OnePeak:
        """Return the one peak that is charged, with the costs to come apart from it."""
        c, steps = self.pricing, len(self.load)
        interval, share = np.full(steps, -1), np.zeros(steps)
        past, value = np.zeros(len(self.stops) + 1), np.zeros((1, 1))
        is_one = len(c.part_kind) == 1 and c.part_kind[0] == PART_PEAK and c.peak_highest[0] == 1
        is_one &= len(np.unique(c.peak_step)) == len(c.peak_step)
        if not is_one:
            return inner.OnePeak(0.0, 0.0, 0.0, interval, share, past, value)
        interval[c.peak_step] = c.peak_interval
        share[c.peak_step] = c.interval_share[c.peak_interval]
        _, first = np.unique(c.peak_interval, return_index=True)
        begins = c.peak_step[first]
        weight = node.tangent.per_import[begins] / share[begins]
        for k, stop in enumerate([*self.stops, steps]):
            past[k] = weight[begins < stop].sum()
        self._sweep(replace(node, tangent=self._tangent_of_none()))
        return inner.OnePeak(
            float(c.part_factor[0]), float(c.group_reached.max()), node.tangent.amount, interval,
            share, past, self.value.copy(),
        )  # fmt: skip

    def _race(
        self, node: _Node, faces: IntArray, stops: IntArray, owed: FloatArray, peak: inner.OnePeak
    ) -> None:
        """Price those labels that no bound rules out on the way."""
        rows, ground = self.rows, self.ground
        is_left = np.zeros(len(faces), dtype=bool)
        tangent = self._tangent_of_none() if peak.rate else node.tangent
        slack = ROUNDING * (abs(self.cost) + abs(node.base) + abs(node.tangent.amount))
        done = inner.race(
            self.load, self.pv, self.table, self.face_of_step, faces, self.numbers,
            ground.start_kwh, *self._rates(tangent), ground.plant.wear_per_kwh, self.value,
            rows.low, rows.cell, stops, owed,
            self.cost - self.good_enough - node.tangent.amount + slack, peak, is_left,
        )  # fmt: skip
        self.raced += len(faces)
        self.work += done + len(faces) * faces.shape[1] / 4
        if is_left.any():
            self._try_labels(faces[is_left])

    def _tangent_of_none(self) -> _Tangent:
        none = np.zeros(len(self.load))
        return _Tangent(0.0, none, none)

    def _rates(self, tangent: _Tangent) -> tuple[FloatArray, FloatArray]:
        return self.pricing.buy + tangent.per_import, self.pricing.sell - tangent.per_export

    def _sweep(self, node: _Node) -> float:
        """Work out the costs to come under a node's prices; return that at the beginning."""
        rows = self.rows
        may_row = np.zeros(rows.first[-1], dtype=bool)
        inner.possible_rows(rows.row_of, self.face_of_step, node.may, may_row)
        visited = inner.sweep(
            rows.first, rows.at, rows.net, rows.extra, rows.bend_at, rows.bend_net, rows.bend_extra,
            may_row, node.price, *self._rates(node.tangent), self.most_import, self.value,
        )  # fmt: skip
        self.work += visited * rows.nodes * CELL_WORK
        return rows.between(self.value[0], self.ground.start_kwh)

    def _parts(self, node: _Node) -> Iterator[BoolArray]:
        """Yield the two halves of a set, split at the face where the battery strays most."""
        assert node.labels is not None
        assert node.strays is not None
        open_faces = node.may.sum(axis=1) > 1
        face = int(np.where(open_faces, node.strays + 1e-3, -1.0).argmax())
        here = np.flatnonzero(node.may[face])
        own = node.labels[face]
        for word in range(self.words.shape[1]):
            values = self.words[here, word]
            if (values != values[0]).any():
                break
        if word == 0:
            split = values == self.words[own, 0]
        else:
            split = values <= np.median(values)
            if split.all():
                split = values < values.max()
        for keep in (split, ~split):
            may = node.may.copy()
            may[face] = False
            may[face, here[keep]] = True
            yield may

    def _tangent_at(self, imported: FloatArray, exported: FloatArray) -> _Tangent:
        per_import, per_export = np.zeros(len(imported)), np.zeros(len(imported))
        value = inner.slope_of_parts(
            np.ascontiguousarray(imported), np.ascontiguousarray(exported), self.pricing,
            per_import, per_export,
        )  # fmt: skip
        amount = value - float(per_import @ imported) - float(per_export @ exported)
        return _Tangent(amount, per_import, per_export)

    def _bounded(self, node: _Node, rounds: int) -> _Node:
        """Return a node with better prices, its bound, and fewer orders where they cannot pay."""
        self.nodes += 1
        rows, ground = self.rows, self.ground
        may, price, tangent = node.may.copy(), node.price.copy(), node.tangent
        may_row = np.zeros(rows.first[-1], dtype=bool)
        best = node
        faces = self.day_sets * self.slots
        costs = np.zeros((faces, len(self.table)))
        through = np.zeros_like(costs)
        labels = np.zeros(faces, dtype=np.int64)
        steps = np.arange(len(self.load))
        chosen = np.zeros(len(steps), dtype=np.int64)
        imported, exported = np.zeros(len(steps)), np.zeros(len(steps))
        stride, stuck = FIRST, 0
        best_bound = -math.inf
        for k in range(rounds):
            inner.label_costs(rows.row_of, self.face_of_step, may, price, costs)
            label_cost = 0.0
            for number in range(self.day_sets):
                part = slice(number * self.slots, (number + 1) * self.slots)
                own = inner.windows_least(
                    costs[part], ground.controls.windows_per_day, ground.per_window,
                    labels[part], through[part],
                )  # fmt: skip
                if own >= inner.CLOSED / 2:
                    return replace(node, may=may, bound=math.inf)
                through[part] -= own
                label_cost += own
            inner.possible_rows(rows.row_of, self.face_of_step, may, may_row)
            buy = self.pricing.buy + tangent.per_import
            sell = self.pricing.sell - tangent.per_export
            visited = inner.sweep(
                rows.first, rows.at, rows.net, rows.extra, rows.bend_at, rows.bend_net,
                rows.bend_extra, may_row, price, buy, sell, self.most_import, self.value,
            )  # fmt: skip
            self.work += visited * rows.nodes * CELL_WORK
            free = rows.between(self.value[0], ground.start_kwh)
            bound = free + label_cost + tangent.amount
            bound -= ROUNDING * (abs(free) + abs(label_cost) + abs(tangent.amount))
            self._try_labels(labels.reshape(1, -1).copy())
            may &= (bound + through < self.cost - self.good_enough) | (costs >= inner.CLOSED)
            may &= costs < inner.CLOSED
            liked = rows.row_of[steps, labels[self.face_of_step]]
            inner.follow(
                self.load, self.pv, self.table, rows.order_of_row, rows.first, may_row, price, buy,
                sell, self.most_import, ground.plant.wear_per_kwh, self.value, self.numbers,
                rows.low, rows.cell, ground.start_kwh, liked, chosen, imported, exported,
            )  # fmt: skip
            astray = chosen != liked
            if bound > best_bound + 1e-9:
                gained = bound - best_bound
                stuck = 0 if gained > 0.001 * (self.cost - bound) else stuck + 0.5
                best_bound = bound
                strays = np.bincount(self.face_of_step, weights=astray, minlength=faces)
                best = _Node(
                    may, price.copy(), tangent, bound, bound - label_cost, labels.copy(), strays
                )
            else:
                stuck += 1
            if DEBUG > 1 and k % 20 == 0:
                print(
                    k,
                    round(bound, 4),
                    round(best_bound, 4),
                    round(self.cost, 4),
                    astray.sum(),
                    may.sum(),
                    stride,
                )
            if best_bound >= self.cost - self.good_enough or self.work >= self.most_work:
                break
            if not may.any(axis=1).all():
                best_bound = math.inf
                break
            if stuck >= PATIENCE:
                stride, stuck = stride * FALL, 0
                price, tangent = best.price.copy(), best.tangent
                continue
            size = 2.0 * astray.sum()
            if size == 0 and not len(self.pricing.part_kind):
                break
            step = stride * (self.cost - bound) / max(size, 1.0)
            price[chosen[astray]] += step
            price[liked[astray]] -= step
            if len(self.pricing.part_kind):
                share = stride * TSH
                tangent = tangent.mixed(self._tangent_at(imported, exported), share)
        return replace(best, may=may, bound=max(best_bound, node.bound))


ROOT_ROUNDS = 300
ROUNDS = 15
DEBUG = 0
MIX = 0.0
TSH = 0.1
SCALE = 0.2
PATIENCE = 10
FALL = 0.7
FIRST = 1.0


def _pairs(first: IntArray, second: IntArray, fits: IntArray) -> Iterator[IntArray]:
    """Yield each of the first labels with as many of the second as fit, in heaps."""
    waiting: list[IntArray] = []
    size = 0
    for labels, count in zip(first, fits, strict=True):
        both = np.empty((count, 2 * first.shape[1]), dtype=np.int64)
        both[:, : first.shape[1]] = labels
        both[:, first.shape[1] :] = second[:count]
        waiting.append(both)
        size += int(count)
        if size >= HEAP:
            yield np.concatenate(waiting)
            waiting, size = [], 0
    if size:
        yield np.concatenate(waiting)


def _no_window(plant: Plant) -> tuple[float, ...]:
    return (float(COVER), plant.high_kwh, plant.low_kwh, 0.0, 0.0, math.inf, 0.0)
