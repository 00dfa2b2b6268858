"""Where settings are compared, and settings as labels of the clock: an order for each slot.

A *face* is a slot of the clock in one day set. Read next: ``proof``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.base.errors import InputError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.cost.expression import LinearCost
from optimizer.search.drafts import Draft, Drafts
from optimizer.search.pricing import pricing_of
from optimizer.search.score_kernel import LANES, score_many
from optimizer.settings.controls import Controls
from optimizer.simulation.step import ACTION_CODE, Numbers
from optimizer.site.equipment import Plant
from tests.bench.proof.orders import no_window, order_of, orders_of_controls


@dataclass(frozen=True)
class Ground:
    """The steps on which settings are compared, and what they cost there.

    Parameters
    ----------
    plant, controls
        The equipment and what it accepts; the floor of all settings is the plant's lowest level.
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


class Labels:
    """Labels of faces, the clock slots of each day set: their table of orders, and what they cost."""

    def __init__(self, ground: Ground, slot_minutes: int | None) -> None:
        self.ground = ground
        plant, controls, grid = ground.plant, ground.controls, ground.grid
        self.minutes = max(slot_minutes or controls.minutes, grid.step_minutes)
        if MINUTES_PER_DAY % self.minutes or self.minutes % grid.step_minutes:
            raise InputError(
                f"slots of {self.minutes} min do not fit a day and steps of {grid.step_minutes} min",
                where="slot_minutes of the proof",
                mend="Give a multiple of the step that divides 1440, such as 60 or 120.",
            )
        self.slots = MINUTES_PER_DAY // self.minutes
        self.most = controls.windows_per_day
        self.day_sets = len(controls.day_sets())
        self.numbers = Numbers.of(plant, grid.step_h)
        self.pricing = pricing_of(
            ground.cost, ground.elsewhere, plant, ground.leftover, ground.steps
        )
        self.load = np.ascontiguousarray(ground.load_kwh)
        self.pv = np.ascontiguousarray(ground.pv_kwh)
        self.limits = np.ascontiguousarray(plant.limits_on(grid).kwh[:, ground.steps])
        of_weekday = np.zeros(7, dtype=np.int64)
        for number, weekdays in enumerate(controls.day_sets().values()):
            of_weekday[list(weekdays)] = number
        self._set_of_step = of_weekday[grid.weekday[ground.steps]]
        self._minute = grid.minute_of_day[ground.steps]
        self.face_of_step = self._set_of_step * self.slots + self._minute // self.minutes
        self.work = 0.0
        self.replays = 0
        self.best: Drafts = ((),) * self.day_sets
        self.best_labels = np.zeros(self.count, dtype=np.int64)
        self.cost = math.inf

    @property
    def count(self) -> int:
        """Number of faces F."""
        return self.day_sets * self.slots

    def list_orders(self) -> None:
        """Read the orders that the controls accept into a table, (O, 7); order 0 is no window."""
        plant, step_h = self.ground.plant, self.ground.grid.step_h
        known = {no_window(plant): Draft(0, 0, "", -1.0, -1.0)}
        if self.most:
            for draft in orders_of_controls(self.ground.controls, plant, self.most_load_kw()):
                known.setdefault(order_of(draft, plant, step_h), draft)
        self.orders = list(known.values())
        self.table = np.array(list(known))
        names = ["", *ACTION_CODE]
        self.words = np.array(
            [(names.index(d.action), d.cap_kw, d.level_pct, d.power_kw) for d in self.orders]
        )

    def most_load_kw(self) -> float:
        """Return the highest load with what the inverter draws. [kW]"""
        return float(self.load.max(initial=0.0) + self.numbers.standby) / self.ground.grid.step_h

    def score(self, table: FloatArray, face_of_step: IntArray, faces: IntArray) -> FloatArray:
        """Return what labels cost, shape (C,); ``faces`` is (C, F)."""
        cost = np.zeros(len(faces))
        room = np.zeros((2, len(self.load), LANES))
        for first in range(0, len(faces), LANES):
            part = slice(first, first + LANES)
            score_many(
                self.load, self.pv, self.limits, table, face_of_step, faces[part], self.numbers,
                self.ground.start_kwh, self.pricing, room[0], room[1], cost[part],
            )  # fmt: skip
        self.replays += len(faces)
        self.work += len(faces) * len(self.load)
        return cost

    def try_drafts(self, drafts: Drafts) -> None:
        """Price drafts, and keep them if they are the best known."""
        plant, grid = self.ground.plant, self.ground.grid
        rows = [no_window(plant)]
        clock = clock_slots(grid.step_minutes)
        faces = np.zeros((self.day_sets, clock), dtype=np.int64)
        for face, part in zip(faces, drafts, strict=True):
            for draft in part:
                first = -(-draft.begin // grid.step_minutes)
                last = -(-(draft.begin + draft.length) // grid.step_minutes)
                face[np.arange(first, last) % clock] = len(rows)
                rows.append(order_of(draft, plant, grid.step_h))
        face_of_step = self._set_of_step * clock + self._minute // grid.step_minutes
        cost = float(self.score(np.array(rows), face_of_step, faces.reshape(1, -1))[0])
        cost += self.ground.per_window * sum(map(len, drafts))
        if cost < self.cost:
            self.cost, self.best = cost, drafts

    def try_labels(self, faces: IntArray) -> bool:
        """Price labels, shape (C, F), and keep the best of them if it is the best known."""
        cost = self.score(self.table, self.face_of_step, faces)
        if self.ground.per_window:
            cost += self.ground.per_window * self.window_counts(faces)
        least = int(cost.argmin())
        if cost[least] >= self.cost - 1e-9:
            return False
        self.cost, self.best_labels = float(cost[least]), faces[least].copy()
        clocks = self.best_labels.reshape(self.day_sets, self.slots)
        self.best = tuple(tuple(sorted(self._drafts_of(clock))) for clock in clocks)
        return True

    def window_counts(self, faces: IntArray) -> IntArray:
        """Return how many windows labels have, shape (C,)."""
        clock = faces.reshape(len(faces), -1, self.slots)
        begins = (clock != np.roll(clock, 1, axis=2)) & (clock > 0)
        whole = (clock == clock[:, :, :1]).all(axis=2) & (clock[:, :, 0] > 0)
        return np.asarray((begins.sum(axis=2) + whole).sum(axis=1))

    def _drafts_of(self, clock: IntArray) -> Iterator[Draft]:
        begins = [s for s in range(self.slots) if clock[s] != clock[s - 1]]
        if not begins and clock[0]:
            yield self.orders[clock[0]]._replace(begin=0, length=MINUTES_PER_DAY)
        own = (
            self.ground.controls.minutes
        )  # steps may be longer; a step obeys what its begin lies in
        for begin, end in _runs(begins, self.slots):
            if clock[begin]:
                first, last = (slot * self.minutes // own * own for slot in (begin, end))
                yield self.orders[clock[begin]]._replace(begin=first, length=last - first)

    def descend(self, most_work: float) -> None:
        """Change the best labels a little, as long as that lowers the cost."""
        improves = True
        while improves and self.work < most_work:
            near = {face.tobytes(): face for face in self._near(self.best_labels)}
            improves = bool(near) and self.try_labels(np.array(list(near.values())))

    def _near(self, labels: IntArray) -> Iterator[IntArray]:
        for number in range(self.day_sets):
            part = slice(number * self.slots, (number + 1) * self.slots)
            for other in self._changed(labels[part]):
                if self.window_counts(other.reshape(1, -1))[0] <= self.most:
                    face = labels.copy()
                    face[part] = other
                    yield face

    def _changed(self, clock: IntArray) -> Iterator[IntArray]:
        """Yield a clock with an edge moved, a window's order changed, or a window laid over it."""
        edges = [s for s in range(self.slots) if clock[s] != clock[s - 1]]
        runs = _runs(edges, self.slots)
        spans = [(s, s + length) for s in range(self.slots) for length in (1, 3, 6, self.slots)]
        for s in edges:
            for shift in range(1, self.slots // 2):
                yield self._laid(clock, s, s + shift, int(clock[s - 1]))
                yield self._laid(clock, s - shift, s, int(clock[s]))
        for order in range(len(self.table)):
            for begin, end in (*runs, *spans):
                yield self._laid(clock, begin, end, order)

    def _laid(self, clock: IntArray, begin: int, end: int, order: int) -> IntArray:
        changed = clock.copy()
        changed[np.arange(begin, end) % self.slots] = order
        return changed


def _runs(begins: list[int], slots: int) -> list[tuple[int, int]]:
    """Return begin and end of each run around the clock, the last perhaps over midnight."""
    if not begins:
        return []
    return list(zip(begins, [*begins[1:], begins[0] + slots], strict=True))
