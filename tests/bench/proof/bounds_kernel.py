"""The compiled part of the proof: bounds from the battery's stored energy, and lists of windows.

The stored energy is cut into J equal cells. ``rows_of_step`` writes down what each order does in a
step from each of the J + 1 nodes between cells; orders that do the same share a *row*. ``sweep``
goes backward through the steps and finds, at each node, a least cost of all that is to come, when a
row may be chosen freely in each step. Between nodes the cost to come is bounded by the straight line
through its values: what a row could lie below that line within a cell is taken off at both ends.

What makes this a bound, and not an estimate, for every stored energy s in a cell:

- ``charge`` never rises and ``discharge`` never falls with s, and where they change, they do so with
  one known slope each. So their values at both ends tell whether they are straight in between. If
  not, the cell is cut finer, and both stay between their values at the ends of each piece.
- Export less import rises with ``discharge`` and falls with ``charge``.
- Of some functions with straight lower lines the smallest has the straight line through the smallest
  ends below it.

``windows_least`` finds, by the same kind of recursion over the clock, the list of windows whose
labels cost least. Read next: ``proof``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.search.score_kernel import OVERLOAD_COST, PART_PEAK, Pricing
from optimizer.simulation.step import Numbers, asked_of, order_of, step

PIECES = 16
"""Into how many pieces a cell is cut in which something bends."""

STRAIGHT_KWH = 1e-10
"""Energies that differ by less lie on one line. [kWh]"""

SNAP = 1e-9
"""A level this near to a node is on it. [cells]"""

CLOSED = 1e15
"""The cost of what is not possible."""


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def _moved(
    level: float, order: FloatArray, load: float, pv: float, limits: FloatArray, t: int, n: Numbers
) -> tuple[float, float, float, float]:
    """Return charge, discharge, export less import, and the level after a step."""
    x = asked_of(load, pv, limits, t, n)
    moved = step(order_of(order, n), level, False, x, n, True, True)
    return moved.charge, moved.discharge, moved.net, moved.stored


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def form_value(
    f: int, imported: FloatArray, exported: FloatArray, value: FloatArray, c: Pricing
) -> float:
    """Return what a form comes to, given the values of the parts before it."""
    x: float = c.form_constant[f]
    for i in range(c.form_first_import[f], c.form_first_import[f + 1]):
        x += c.import_weight[i] * imported[c.import_step[i]]
    for i in range(c.form_first_export[f], c.form_first_export[f + 1]):
        x += c.export_weight[i] * exported[c.export_step[i]]
    for i in range(c.form_first_part[f], c.form_first_part[f + 1]):
        x += c.form_part_factor[i] * value[c.form_part[i]]
    return x


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def _side(
    charge: float, discharge: float, net: float, pv: float, export_limit: float, n: Numbers
) -> int:
    """Return a number for the straight piece of ``net_export`` on which flows lie."""
    side = 1 if net >= export_limit else 0
    if n.pv_on_dc:
        through = pv + discharge - charge
        side += 2 if through >= 0.0 else 0
        side += 4 if through >= n.ac / n.eta_ac else 0
    return side


@njit(cache=True)  # type: ignore[untyped-decorator]
def rows_of_step(  # noqa: C901, PLR0912, PLR0915 - one loop over orders, one over cells
    load: float, pv: float, limits: FloatArray, t: int, table: FloatArray, n: Numbers, low: float, cell: float,
    wear: float, has_jumps: bool, at: FloatArray, net: FloatArray, extra: FloatArray,
    bend_at: FloatArray, bend_net: FloatArray, bend_extra: FloatArray, row_of: IntArray,
) -> int:  # fmt: skip
    """Write what each order does in a step, each different row once; return how many there are.

    ``at``, ``net`` and ``extra``, shape (O, J + 1), take the level after the step [cells], export
    less import [kWh], and wear and overload [money]; ``bend_…``, shape (O, J), how far each lies
    at most from the straight line within a cell. ``row_of``, shape (O,), takes each order's row.
    """
    nodes = at.shape[1]
    charge = np.zeros(nodes)
    discharge = np.zeros(nodes)
    kept = n.kept * cell
    count = 0
    for order in range(len(table)):
        for j in range(nodes):
            charge[j], discharge[j], net[count, j], level = _moved(
                low + j * cell, table[order], load, pv, limits, t, n
            )
            place = min(max((level - low) / cell, 0.0), nodes - 1.0)
            if abs(place - np.round(place)) < SNAP:
                place = np.round(place)
            at[count, j] = place
            over = max(-net[count, j] - limits[0, t], 0.0)
            extra[count, j] = wear * discharge[j] + OVERLOAD_COST * over
        for j in range(nodes - 1):
            less = charge[j] - charge[j + 1]
            more = discharge[j + 1] - discharge[j]
            straight = less < STRAIGHT_KWH or abs(less - kept / n.eta_charge) < STRAIGHT_KWH
            if more > STRAIGHT_KWH and abs(more - kept * n.eta_discharge) > STRAIGHT_KWH:
                straight = False
            if has_jumps:
                if charge[j] > 0.0 and charge[j + 1] == 0.0:
                    straight = False
                if discharge[j] == 0.0 and discharge[j + 1] > 0.0:
                    straight = False
            first = _side(charge[j], discharge[j], net[count, j], pv, limits[1, t], n)
            if first != _side(
                charge[j + 1], discharge[j + 1], net[count, j + 1], pv, limits[1, t], n
            ):
                straight = False
            if (net[count, j] < -limits[0, t]) != (net[count, j + 1] < -limits[0, t]):
                straight = False
            bend_at[count, j] = 0.0
            bend_net[count, j] = 0.0
            bend_extra[count, j] = 0.0
            if straight:
                continue
            c0, d0, n0 = charge[j], discharge[j], net[count, j]
            for piece in range(PIECES):
                share0 = piece / PIECES
                share1 = (piece + 1) / PIECES
                level0 = low + (j + share0) * cell
                level1 = low + (j + share1) * cell
                if piece == PIECES - 1:
                    c1, d1, n1 = charge[j + 1], discharge[j + 1], net[count, j + 1]
                else:
                    c1, d1, n1, _ = _moved(level1, table[order], load, pv, limits, t, n)
                kept0 = n.low + n.kept * (level0 - n.low)
                kept1 = n.low + n.kept * (level1 - n.low)
                least = kept0 + n.eta_charge * c0 - d0 / n.eta_discharge
                most = kept1 + n.eta_charge * c1 - d1 / n.eta_discharge
                if has_jumps:
                    least = kept0 + max(n.eta_charge * c1 - n.running_loss, 0.0)
                    least -= d1 / n.eta_discharge + n.running_loss
                    most = kept1 + n.eta_charge * c0 - d0 / n.eta_discharge
                least, most = (least - low) / cell, (most - low) / cell
                step = at[count, j + 1] - at[count, j]
                line0, line1 = at[count, j] + share0 * step, at[count, j] + share1 * step
                bend = max(most - min(line0, line1), max(line0, line1) - least)
                bend_at[count, j] = max(bend_at[count, j], bend)
                step = net[count, j + 1] - net[count, j]
                line0, line1 = net[count, j] + share0 * step, net[count, j] + share1 * step
                bend_net[count, j] = max(bend_net[count, j], n1 - line0, line1 - n0)
                step = extra[count, j + 1] - extra[count, j]
                line0, line1 = extra[count, j] + share0 * step, extra[count, j] + share1 * step
                over = max(-n1 - limits[0, t], 0.0)
                bend = max(line0, line1) - (wear * d0 + OVERLOAD_COST * over)
                bend_extra[count, j] = max(bend_extra[count, j], bend)
                c0, d0, n0 = c1, d1, n1
        row = 0
        while row < count and not _same(row, count, at, net, extra, bend_at, bend_net, bend_extra):
            row += 1
        row_of[order] = row
        if row == count:
            count += 1
    return count


@njit(cache=True)  # type: ignore[untyped-decorator]
def _same(
    a: int, b: int, at: FloatArray, net: FloatArray, extra: FloatArray, bend_at: FloatArray,
    bend_net: FloatArray, bend_extra: FloatArray,
) -> bool:  # fmt: skip
    for j in range(at.shape[1]):
        if at[a, j] != at[b, j] or net[a, j] != net[b, j] or extra[a, j] != extra[b, j]:
            return False
    for j in range(bend_at.shape[1]):
        if (
            bend_at[a, j] != bend_at[b, j]
            or bend_net[a, j] != bend_net[b, j]
            or bend_extra[a, j] != bend_extra[b, j]
        ):
            return False
    return True


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def sweep(  # noqa: C901, PLR0915 - one loop over steps, one over rows, one over cells
    first: IntArray, at: FloatArray, net: FloatArray, extra: FloatArray, bend_at: FloatArray,
    bend_net: FloatArray, bend_extra: FloatArray, may: BoolArray, price: FloatArray,
    buy: FloatArray, sell: FloatArray, value: FloatArray,
) -> int:  # fmt: skip
    """Write a bound of the cost to come to ``value``, shape (S + 1, J + 1); return rows visited.

    The last row of ``value`` is given. The rows of step t are those from ``first[t]`` to before
    ``first[t + 1]``; ``may`` tells which are still possible, ``price`` what is added to the cost of
    each.
    """
    nodes = value.shape[1]
    to_come = np.zeros(nodes)
    ends = np.zeros(nodes)
    visited = 0
    for t in range(len(first) - 2, -1, -1):
        later, now = value[t + 1], value[t]
        now[:] = CLOSED
        bought, sold = buy[t], sell[t]
        dearest = max(abs(bought), abs(sold))
        for r in range(first[t], first[t + 1]):
            if not may[r]:
                continue
            visited += 1
            own = price[r]
            at_r, net_r, extra_r = at[r], net[r], extra[r]
            for j in range(nodes):
                k = min(int(at_r[j]), nodes - 2)
                to_come[j] = later[k] + (at_r[j] - k) * (later[k + 1] - later[k])
                rate = bought if net_r[j] < 0.0 else sold
                ends[j] = to_come[j] - rate * net_r[j] + extra_r[j] + own
            before = 0.0
            for j in range(nodes):
                below = 0.0
                if j < nodes - 1:
                    a, b = at_r[j], at_r[j + 1]
                    a_value, b_value = to_come[j], to_come[j + 1]
                    if b < a:
                        a, b, a_value, b_value = b, a, b_value, a_value
                    if b > a:
                        e = int(a) + 1
                        while e < b:
                            line = a_value + (e - a) / (b - a) * (b_value - a_value)
                            below = max(below, line - later[e])
                            e += 1
                    n0, n1 = net_r[j], net_r[j + 1]
                    if n0 < 0.0 < n1 and bought > sold:
                        below += (bought - sold) * (-n0) * n1 / (n1 - n0)
                    bend = bend_at[r, j]
                    if bend > 0.0:
                        k = max(int(a - bend), 0)
                        steepest = 0.0
                        while k < nodes - 1 and k < b + bend:
                            steepest = max(steepest, abs(later[k + 1] - later[k]))
                            k += 1
                        below += steepest * bend
                    below += dearest * bend_net[r, j] + bend_extra[r, j]
                now[j] = min(now[j], ends[j] - max(before, below))
                before = below
    return visited


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def follow(
    load_kwh: FloatArray, pv_kwh: FloatArray, limits: FloatArray, table: FloatArray, order_of_row: IntArray,
    first: IntArray, may: BoolArray, price: FloatArray, buy: FloatArray, sell: FloatArray,
    wear: float, value: FloatArray, n: Numbers, low: float, cell: float,
    start_kwh: float, liked: IntArray, chosen: IntArray, imported: FloatArray, exported: FloatArray,
) -> None:  # fmt: skip
    """Go forward along the rows that ``sweep`` found cheapest, with the equipment's own arithmetic.

    ``liked``, shape (S,), is taken where it costs as little. Rows go to ``chosen``, flows to
    ``imported`` and ``exported``, shape (S,).
    """
    nodes = value.shape[1]
    level = start_kwh
    for t in range(len(load_kwh)):
        least, next_level, flow, taken = CLOSED * 10, level, 0.0, -1
        for r in range(first[t], first[t + 1]):
            if not may[r]:
                continue
            _, discharge, net, reached = _moved(
                level, table[order_of_row[r]], load_kwh[t], pv_kwh[t], limits, t, n
            )
            place = min(max((reached - low) / cell, 0.0), nodes - 1.0)
            k = min(int(place), nodes - 2)
            cost = value[t + 1, k] + (place - k) * (value[t + 1, k + 1] - value[t + 1, k])
            cost += price[r] + wear * discharge - (buy[t] if net < 0.0 else sell[t]) * net
            if -net > limits[0, t]:
                cost += OVERLOAD_COST * (-net - limits[0, t])
            if r == liked[t]:
                cost -= 1e-9
            if cost < least:
                least, next_level, flow, taken = cost, reached, net, r
        chosen[t] = taken
        level = next_level
        imported[t] = max(-flow, 0.0)
        exported[t] = max(flow, 0.0)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def gains(
    load_kwh: FloatArray, pv_kwh: FloatArray, limits: FloatArray, table: FloatArray, order_of_row: IntArray,
    first: IntArray, buy: FloatArray, sell: FloatArray, wear: float, value: FloatArray, n: Numbers,
    low: float, cell: float, start_kwh: float, kept_row: IntArray, gain: FloatArray,
) -> None:  # fmt: skip
    """Write what each row would save once, in one step, against the rows that are kept.

    ``value`` is the cost to come of the kept rows, ``gain`` has shape (R,). [money]
    """
    nodes = value.shape[1]
    level = start_kwh
    for t in range(len(load_kwh)):
        kept_cost, next_level = 0.0, level
        for r in range(first[t], first[t + 1]):
            _, discharge, net, reached = _moved(
                level, table[order_of_row[r]], load_kwh[t], pv_kwh[t], limits, t, n
            )
            place = min(max((reached - low) / cell, 0.0), nodes - 1.0)
            k = min(int(place), nodes - 2)
            cost = value[t + 1, k] + (place - k) * (value[t + 1, k + 1] - value[t + 1, k])
            cost += wear * discharge - (buy[t] if net < 0.0 else sell[t]) * net
            if -net > limits[0, t]:
                cost += OVERLOAD_COST * (-net - limits[0, t])
            gain[r] = -cost
            if r == kept_row[t]:
                kept_cost, next_level = cost, reached
        for r in range(first[t], first[t + 1]):
            gain[r] += kept_cost
        level = next_level


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def possible_rows(
    row_of: IntArray, face_of_step: IntArray, may: BoolArray, may_row: BoolArray
) -> None:
    """Write which rows some order still possible leads to; ``may`` has shape (F, O)."""
    may_row[:] = False
    for t in range(len(row_of)):
        for order in range(row_of.shape[1]):
            if may[face_of_step[t], order]:
                may_row[row_of[t, order]] = True


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def label_costs(
    row_of: IntArray, face_of_step: IntArray, may: BoolArray, price: FloatArray, out: FloatArray
) -> None:
    """Write what an order costs on each face: less the prices of its rows; shape (F, O)."""
    out[:] = 0.0
    for t in range(len(row_of)):
        for order in range(row_of.shape[1]):
            out[face_of_step[t], order] -= price[row_of[t, order]]
    for face in range(len(may)):
        for order in range(may.shape[1]):
            if not may[face, order]:
                out[face, order] = CLOSED


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def windows_least(  # noqa: C901, PLR0912 - forward, backward, and around midnight
    costs: FloatArray, most: int, per_window: float, labels: IntArray, through: FloatArray
) -> float:
    """Return the least cost of labels around the clock with at most ``most`` windows.

    ``costs`` has shape (L, O), order 0 is no window. The best labels go to ``labels``, shape (L,),
    and the least cost of all labels that have an order in a slot to ``through``, shape (L, O).
    For each label of the first slot the clock is opened before it; a window over midnight is
    counted where it is entered again, or at the end if it is not; one that holds the whole day is not
    counted, which can only lower the least cost by ``per_window``.
    """
    slots, orders = costs.shape
    best = CLOSED
    through[:] = CLOSED
    ahead = np.zeros((slots, most + 1, orders))  # of the slots up to this one, windows begun
    behind = np.zeros((slots, most + 1, orders))  # of the slots after, windows still to begin
    for head in range(orders):
        if costs[0, head] >= CLOSED or (head > 0 and most < 1):
            continue
        _behind(costs, most, per_window, head, behind)
        total = costs[0, head] + behind[0, most, head]
        ahead[:] = CLOSED
        ahead[0, 0, head] = costs[0, head]
        for s in range(1, slots):
            for w in range(most + 1):
                least, least_before = CLOSED, CLOSED
                for order in range(orders):
                    least = min(least, ahead[s - 1, w, order])
                    if w > 0:
                        least_before = min(least_before, ahead[s - 1, w - 1, order])
                for order in range(orders):
                    if costs[s, order] >= CLOSED:
                        continue
                    on = ahead[s - 1, w, order]
                    if order == 0:
                        on = min(on, least)
                    elif w > 0:
                        on = min(on, least_before + per_window)
                    ahead[s, w, order] = on + costs[s, order]
        for s in range(slots):
            for order in range(orders):
                for w in range(most + 1):
                    both = ahead[s, w, order] + behind[s, most - w, order]
                    through[s, order] = min(through[s, order], both)
        if total < best:
            best = total
            labels[0] = head
            left = most
            for s in range(1, slots):
                here = labels[s - 1]
                chosen, least, cost_left = here, costs[s, here] + behind[s, left, here], left
                if costs[s, 0] + behind[s, left, 0] < least:
                    chosen, least = 0, costs[s, 0] + behind[s, left, 0]
                if left > 0:
                    for order in range(1, orders):
                        cost = costs[s, order] + behind[s, left - 1, order] + per_window
                        if cost < least:
                            chosen, least, cost_left = order, cost, left - 1
                labels[s] = chosen
                left = cost_left
    return best


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def windows_count(may: BoolArray, most: int) -> float:  # noqa: C901 - over slots and windows
    """Return how many labels around the clock have at most ``most`` windows; ``may`` is (L, O)."""
    slots, orders = may.shape
    total = 0.0
    for head in range(orders):
        if not may[0, head] or (head > 0 and most < 1):
            continue
        ways = np.zeros((most + 2, orders))
        ways[0, head] = 1.0
        for s in range(1, slots):
            new = np.zeros((most + 2, orders))
            for w in range(most + 1):
                every = ways[w].sum()
                before = ways[w - 1].sum() if w > 0 else 0.0
                for order in range(orders):
                    if not may[s, order]:
                        continue
                    if order == 0:
                        new[w, order] = every
                    else:
                        new[w, order] = ways[w, order]
                        if w > 0:
                            new[w, order] += before - ways[w - 1, order]
            ways = new
        for w in range(most + 1):
            for order in range(orders):
                owed = 1 if head > 0 and order != head else 0
                if w + owed <= most:
                    total += ways[w, order]
    return total


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def windows_below(
    costs: FloatArray, most: int, per_window: float, limit: float, out: IntArray,
    out_cost: FloatArray,
) -> int:  # fmt: skip
    """Write all labels around the clock that cost less than ``limit`` to ``out``, shape (N, L).

    What they cost goes to ``out_cost``, shape (N,). Returns how many there are; −1 if more than N.
    """
    slots, orders = costs.shape
    behind = np.zeros((slots, most + 1, orders))
    label = np.full(slots, -1)
    begun = np.zeros(slots, dtype=np.int64)
    spent = np.zeros(slots)
    count = 0
    for head in range(orders):
        if costs[0, head] >= CLOSED or (head > 0 and most < 1):
            continue
        _behind(costs, most, per_window, head, behind)
        if costs[0, head] + behind[0, most, head] >= limit:
            continue
        label[0], spent[0] = head, costs[0, head]
        s = 1
        while s > 0:
            if s == slots:
                if count == len(out):
                    return -1
                out[count] = label
                out_cost[count] = spent[s - 1] + behind[s - 1, most - begun[s - 1], label[s - 1]]
                count += 1
                s -= 1
                continue
            label[s] += 1
            if label[s] == orders:
                label[s] = -1
                s -= 1
                continue
            order = label[s]
            is_new = 1 if order > 0 and order != label[s - 1] else 0
            begun[s] = begun[s - 1] + is_new
            if begun[s] > most or costs[s, order] >= CLOSED:
                continue
            spent[s] = spent[s - 1] + costs[s, order] + is_new * per_window
            if spent[s] + behind[s, most - begun[s], order] < limit:
                s += 1
    return count


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _behind(costs: FloatArray, most: int, per_window: float, head: int, behind: FloatArray) -> None:
    """Write the least cost of the slots after each, shape (L, W + 1, O).

    Of slot s, label o and w: with label o in slot s and at most w windows that begin after it, where
    the first slot bears the label ``head``.
    """
    slots, orders = costs.shape
    for w in range(most + 1):
        for order in range(orders):
            owed = 1 if head > 0 and order != head else 0
            behind[slots - 1, w, order] = CLOSED if owed > w else owed * per_window
    for s in range(slots - 2, -1, -1):
        for w in range(most + 1):
            anew = CLOSED
            if w > 0:
                for order in range(1, orders):
                    anew = min(anew, costs[s + 1, order] + behind[s + 1, w - 1, order])
                anew += per_window
            none = costs[s + 1, 0] + behind[s + 1, w, 0]
            for order in range(orders):
                on = costs[s + 1, order] + behind[s + 1, w, order]
                behind[s, w, order] = min(on, none, anew)


@njit(cache=True)  # type: ignore[untyped-decorator]
def slope_of_parts(  # noqa: C901, PLR0912 - forward through the parts, and back
    imported: FloatArray, exported: FloatArray, c: Pricing, per_import: FloatArray,
    per_export: FloatArray,
) -> float:  # fmt: skip
    """Return what convex parts of the bill come to, and add what a kWh more adds to each step.

    ``per_import`` and ``per_export``, shape (S,), take the prices of the pieces that decide.
    """
    parts = len(c.part_kind)
    group = c.group_reached.copy()
    decides = np.full(len(group), -1)
    power = c.interval_elsewhere.copy()
    for i in range(len(c.peak_step)):
        power[c.peak_interval[i]] += imported[c.peak_step[i]]
    for i in range(len(power)):
        if power[i] * c.interval_share[i] > group[c.interval_group[i]]:
            group[c.interval_group[i]] = power[i] * c.interval_share[i]
            decides[c.interval_group[i]] = i
    value = np.zeros(parts)
    form_of = np.zeros(parts, dtype=np.int64)
    worth = c.part_factor.copy()
    total = 0.0
    for p in range(parts):
        if c.part_kind[p] == PART_PEAK:
            k = c.part_peak[p]
            rising = np.sort(group[c.peak_first_group[k] : c.peak_first_group[k + 1]])
            value[p] = np.mean(rising[len(rising) - c.peak_highest[k] :])
        else:
            for f in range(c.part_first_form[p], c.part_first_form[p + 1]):
                x = form_value(f, imported, exported, value, c)
                if f == c.part_first_form[p] or x > value[p]:
                    value[p] = x
                    form_of[p] = f
        total += c.part_factor[p] * value[p]
    of_interval = np.zeros(len(power))
    for p in range(parts - 1, -1, -1):
        if worth[p] == 0.0:
            continue
        if c.part_kind[p] == PART_PEAK:
            k = c.part_peak[p]
            begin, end = c.peak_first_group[k], c.peak_first_group[k + 1]
            order = np.argsort(group[begin:end])
            for g in order[len(order) - c.peak_highest[k] :]:
                i = decides[begin + g]
                if i >= 0:
                    of_interval[i] += worth[p] / c.peak_highest[k] * c.interval_share[i]
            continue
        f = form_of[p]
        for i in range(c.form_first_import[f], c.form_first_import[f + 1]):
            per_import[c.import_step[i]] += worth[p] * c.import_weight[i]
        for i in range(c.form_first_export[f], c.form_first_export[f + 1]):
            per_export[c.export_step[i]] += worth[p] * c.export_weight[i]
        for i in range(c.form_first_part[f], c.form_first_part[f + 1]):
            worth[c.form_part[i]] += worth[p] * c.form_part_factor[i]
    for i in range(len(c.peak_step)):
        per_import[c.peak_step[i]] += of_interval[c.peak_interval[i]]
    return total


class OnePeak(NamedTuple):
    """The one peak that is charged, or a rate of zero. [money per kW]

    ``interval`` and ``share``, shape (S,), give each step's demand interval, −1 for none, and what
    a kWh in it adds to its power; ``past``, shape (K,), what a tangent's prices of the intervals
    before each stop add up to. ``value`` is like that of ``sweep``, without a price of the peak,
    ``amount`` the tangent's, ``reached`` the power that is charged at least.
    """

    rate: float
    reached: float
    amount: float
    interval: IntArray
    share: FloatArray
    past: FloatArray
    value: FloatArray


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def race(  # noqa: C901, PLR0915 - one loop over stops, one over steps
    load_kwh: FloatArray, pv_kwh: FloatArray, limits: FloatArray, table: FloatArray, face_of_step: IntArray,
    faces: IntArray, n: Numbers, start_kwh: float, buy: FloatArray, sell: FloatArray, wear: float,
    value: FloatArray, low: float, cell: float, stops: IntArray, owed: FloatArray, limit: float,
    peak: OnePeak, is_left: BoolArray,
) -> int:  # fmt: skip
    """Tell which labels may still cost less than ``limit``; return how many steps were replayed.

    Labels are replayed side by side. At each of ``stops``, shape (K,), what a replay has cost so far,
    the bound ``value`` of what is to come, and what its labels are still owed there, ``owed`` of
    shape (K, F, O), are held against the limit. ``faces`` has shape (C, F), ``is_left`` (C,).

    Where one peak is charged, the highest so far tells more than the tangent's prices of the past:
    it is charged at all that those prices add up to, or at the full rate if nothing is to come.
    """
    charges_peak = peak.rate > 0.0
    highest = np.zeros(len(faces))
    inside = np.zeros(len(faces))
    nodes = value.shape[1]
    count = len(faces)
    stored = np.full(count, start_kwh)
    spent = np.zeros(count)
    running = np.arange(count)
    left = count
    done = 0
    for k in range(len(stops)):
        begin = stops[k]
        kept = 0
        for i in range(left):
            c = running[i]
            place = min(max((stored[c] - low) / cell, 0.0), nodes - 1.0)
            j = min(int(place), nodes - 2)
            later = value[begin]
            bound = later[j] + (place - j) * (later[j + 1] - later[j])
            if charges_peak:
                bound += peak.past[k] * highest[c]
                later = peak.value[begin]
                other = later[j] + (place - j) * (later[j + 1] - later[j])
                other += peak.rate * max(highest[c], peak.reached) - peak.amount
                bound = max(bound, other)
            bound += spent[c]
            for face in range(faces.shape[1]):
                bound += owed[k, face, faces[c, face]]
            if bound < limit:
                running[kept] = c
                kept += 1
        left = kept
        if left == 0:
            break
        end = stops[k + 1] if k + 1 < len(stops) else len(load_kwh)
        if k + 1 == len(stops):
            break
        done += (end - begin) * left
        for t in range(begin, end):
            x = asked_of(load_kwh[t], pv_kwh[t], limits, t, n)
            bought, sold = buy[t], sell[t]
            face = face_of_step[t]
            counts = charges_peak and peak.interval[t] >= 0
            is_new = counts and (t == 0 or peak.interval[t] != peak.interval[t - 1])
            for i in range(left):
                c = running[i]
                row = faces[c, face]
                moved = step(order_of(table[row], n), stored[c], False, x, n, True, True)
                net, discharge = moved.net, moved.discharge
                stored[c] = moved.stored
                spent[c] += wear * discharge - (bought if net < 0.0 else sold) * net
                if -net > limits[0, t]:
                    spent[c] += OVERLOAD_COST * (-net - limits[0, t])
                if counts:
                    inside[c] = max(-net, 0.0) + (0.0 if is_new else inside[c])
                    highest[c] = max(highest[c], inside[c] * peak.share[t])
    is_left[:] = False
    for i in range(left):
        is_left[running[i]] = True
    return done


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def owed_after(
    row_of: IntArray, face_of_step: IntArray, price: FloatArray, stops: IntArray, owed: FloatArray
) -> None:
    """Write what labels are owed from each stop on, (K, F, O): less the prices of their rows."""
    owed[:] = 0.0
    k = len(stops) - 1
    for t in range(len(row_of) - 1, -1, -1):
        for order in range(row_of.shape[1]):
            owed[k, face_of_step[t], order] -= price[row_of[t, order]]
        if t == stops[k] and k > 0:
            owed[k - 1] = owed[k]
            k -= 1
