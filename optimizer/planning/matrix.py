"""Turns the Pyomo model into arrays for the solver, one constraint family at a time.

Pyomo can call a rule once, with a symbol for the index, instead of once for each step. The one
expression that comes back is evaluated here with numpy for all steps together, which takes a tenth
of the time. Templates are no public interface of Pyomo: the version is pinned, and a test holds
these arrays against Pyomo's ordinary path. Read next: ``solver``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyomo.environ as pyo
from pyomo.common.gc_manager import PauseGC
from pyomo.core.base import constraint as pyomo_constraint
from pyomo.core.base import objective as pyomo_objective
from pyomo.core.base.var import ScalarVar
from pyomo.core.expr import numeric_expr, relational_expr
from pyomo.core.expr.template_expr import IndexTemplate, TemplateSumExpression

from optimizer.timegrid import FloatArray, IntArray


@dataclass(frozen=True)
class Family:
    """A run of columns or rows that share a name: ``[start, start + count)``."""

    start: int
    count: int

    @property
    def span(self) -> slice:
        """The family's places in the arrays."""
        return slice(self.start, self.start + self.count)


@dataclass(frozen=True)
class Matrix:
    """min cost·x + offset, row_low ≤ A·x ≤ row_high, low ≤ x ≤ high; A by columns (CSC).

    ``columns`` and ``rows`` name the families of the model's variables and constraints.
    """

    cost: FloatArray
    offset: float
    low: FloatArray
    high: FloatArray
    is_integer: IntArray
    row_low: FloatArray
    row_high: FloatArray
    starts: IntArray
    indices: IntArray
    values: FloatArray
    columns: dict[str, Family]
    rows: dict[str, Family]


@contextmanager
def templates() -> Iterator[None]:
    """Let Pyomo call each rule once, with symbolic indices, and pause garbage collection."""
    modules = (
        (pyomo_constraint, "TEMPLATIZE_CONSTRAINTS"),
        (pyomo_objective, "TEMPLATIZE_OBJECTIVES"),
    )
    before = [getattr(module, flag) for module, flag in modules]
    try:
        for module, flag in modules:
            setattr(module, flag, True)
        with PauseGC():
            yield
    finally:
        for (module, flag), value in zip(modules, before, strict=True):
            setattr(module, flag, value)


def compile_model(m: pyo.ConcreteModel) -> Matrix:
    """Return the arrays of a model that was built under ``templates()``."""
    columns, low, high, is_integer = _compile_variables(m)
    compiler = _Compiler(columns)
    rows: dict[str, Family] = {}
    entries, bounds, count = [], [], 0
    for constraint in m.component_objects(pyo.Constraint):
        size = len(constraint)
        body, row_low, row_high = compiler.constraint(constraint, size)
        rows[constraint.local_name] = Family(count, size)
        entries += [(r + count, c, v) for r, c, v in body.entries(size)]
        bounds.append((row_low, row_high))
        count += size
    objective = next(iter(m.component_objects(pyo.Objective)))
    cost, offset = compiler.objective(objective, len(low))
    starts, indices, values = _by_columns(entries, len(low))
    return Matrix(
        cost, offset, low, high, is_integer,
        np.concatenate([b[0] for b in bounds]), np.concatenate([b[1] for b in bounds]),
        starts, indices, values, columns, rows,
    )  # fmt: skip


def _compile_variables(
    m: pyo.ConcreteModel,
) -> tuple[dict[str, Family], FloatArray, FloatArray, IntArray]:
    columns: dict[str, Family] = {}
    low: list[float | None] = []
    high: list[float | None] = []
    is_integer: list[bool] = []
    for variable in m.component_objects(pyo.Var):
        columns[variable.local_name] = Family(len(low), len(variable))
        entries = list(variable.values())
        low += [entry.lower for entry in entries]
        high += [entry.upper for entry in entries]
        is_integer += [bool(entries) and entries[0].is_integer()] * len(entries)
    lows = np.nan_to_num(np.array(low, dtype=float), nan=-np.inf, neginf=-np.inf)
    highs = np.nan_to_num(np.array(high, dtype=float), nan=np.inf, posinf=np.inf)
    return columns, lows, highs, np.array(is_integer, dtype=np.int64)


def _by_columns(
    entries: list[tuple[IntArray, IntArray, FloatArray]], column_count: int
) -> tuple[IntArray, IntArray, FloatArray]:
    row = np.concatenate([e[0] for e in entries])
    column = np.concatenate([e[1] for e in entries])
    value = np.concatenate([e[2] for e in entries])
    keep = value != 0
    row, column, value = row[keep], column[keep], value[keep]
    order = np.argsort(column, kind="stable")
    counts = np.bincount(column, minlength=column_count)
    starts = np.concatenate([[0], np.cumsum(counts)])
    return starts, row[order], value[order]


@dataclass
class _Linear:
    """constant + Σ coefficient × column, for N indices at once; scalars stand for N equal values.

    Arrays have shape (N, 1), or (N, places) where a sum runs over places.
    """

    constant: Any
    terms: list[tuple[Any, Any]]

    def scaled(self, factor: Any) -> _Linear:
        return _Linear(self.constant * factor, [(col, coef * factor) for col, coef in self.terms])

    def entries(self, size: int) -> list[tuple[IntArray, IntArray, FloatArray]]:
        found = []
        for column, coefficient in self.terms:
            shape = np.broadcast_shapes((size, 1), np.shape(column), np.shape(coefficient))
            row = np.broadcast_to(np.arange(size)[:, None], shape)
            column = np.broadcast_to(column, shape)
            coefficient = np.broadcast_to(np.asarray(coefficient, float), shape)
            found.append((row.ravel(), column.ravel(), coefficient.ravel()))
        return found


class _Compiler:
    """Evaluates template expressions for all indices of a family together."""

    def __init__(self, columns: dict[str, Family]) -> None:
        self._columns = columns
        self._index: dict[int, Any] = {}  # by id(): index symbols cannot be hashed

    def constraint(self, constraint: Any, size: int) -> tuple[_Linear, FloatArray, FloatArray]:
        """Return the body without its constant, and the limits moved to the other side."""
        relation, symbols = next(iter(constraint.values())).template_expr()
        self._index = {id(symbol): np.arange(size)[:, None] for symbol in symbols}
        parts = [self._read(part) for part in relation.args]
        if isinstance(relation, relational_expr.RangedExpression):
            lower, body, upper = parts
        elif isinstance(relation, relational_expr.EqualityExpression):
            body = _added(parts[0], parts[1].scaled(-1))
            lower = upper = _Linear(0.0, [])
        else:
            body = _added(parts[0], parts[1].scaled(-1))
            lower, upper = _Linear(-np.inf, []), _Linear(0.0, [])
        row_low = np.broadcast_to(lower.constant - body.constant, (size, 1)).ravel().astype(float)
        row_high = np.broadcast_to(upper.constant - body.constant, (size, 1)).ravel().astype(float)
        return body, row_low, row_high

    def objective(self, objective: Any, column_count: int) -> tuple[FloatArray, float]:
        """Return the cost of each column and the constant."""
        self._index = {}
        total = self._read(objective.template_expr()[0])
        cost = np.zeros(column_count)
        for column, coefficient in total.terms:
            column = np.atleast_1d(column)
            np.add.at(cost, column, np.broadcast_to(coefficient, column.shape))
        return cost, float(np.sum(total.constant))

    def _read(self, node: Any) -> _Linear:
        if isinstance(node, (int, float, np.number)):
            return _Linear(float(node), [])
        for kind, reader in self._readers():
            if isinstance(node, kind):
                return reader(node)
        raise NotImplementedError(f"no reading for {type(node).__name__} in a rule of the model")

    def _readers(self) -> list[tuple[Any, Callable[[Any], _Linear]]]:
        return [
            (IndexTemplate, lambda node: _Linear(self._index[id(node)], [])),
            (TemplateSumExpression, self._template_sum),
            (numeric_expr.SumExpression, self._sum),
            (numeric_expr.NegationExpression, lambda node: self._read(node.args[0]).scaled(-1)),
            (numeric_expr.DivisionExpression, self._quotient),
            (numeric_expr.ProductExpression, self._product),
            (numeric_expr.NumericExpression, self._item),
            (ScalarVar, lambda node: _Linear(0.0, [(self._columns[node.local_name].start, 1.0)])),
        ]

    def _sum(self, node: Any) -> _Linear:
        return _added(*(self._read(part) for part in node.args))

    def _product(self, node: Any) -> _Linear:
        left, right = (self._read(part) for part in node.args)
        if left.terms and right.terms:
            raise NotImplementedError(f"a product of variables is not linear: {node}")
        return right.scaled(left.constant) if right.terms else left.scaled(right.constant)

    def _quotient(self, node: Any) -> _Linear:
        above, below = (self._read(part) for part in node.args)
        return above.scaled(1 / below.constant)

    def _item(self, node: Any) -> _Linear:
        """Return ``component[index]``: data as a constant, a variable as a term."""
        component, *indices = node.args
        place = tuple(np.asarray(self._read(index).constant) for index in indices)
        if isinstance(component, pyo.Var):
            family = self._columns[component.local_name]
            return _Linear(0.0, [(place[0].astype(np.int64) + family.start, 1.0)])
        return _Linear(component.array[tuple(p.astype(np.int64) for p in place)], [])

    def _template_sum(self, node: Any) -> _Linear:
        """Return Σ over one index set, for all rows together: the set lies along the last axis."""
        (symbol,) = (symbol for group in node.template_iters() for symbol in group)
        size = len(symbol._set)
        outer = self._index
        self._index = outer | {id(symbol): np.arange(size)}
        part = self._read(node._local_args_[0])
        self._index = outer

        def spread(values: Any) -> np.ndarray:
            return np.broadcast_to(values, np.broadcast_shapes(np.shape(values), (size,)))

        constant = np.sum(spread(part.constant), axis=-1, keepdims=bool(outer))
        return _Linear(constant, [(spread(column), factor) for column, factor in part.terms])


def _added(*parts: _Linear) -> _Linear:
    constant: Any = 0.0
    terms: list[tuple[Any, Any]] = []
    for part in parts:
        constant = constant + part.constant
        terms += part.terms
    return _Linear(constant, terms)
