"""What the stand should show, learnt from every bleed without its outcome: a noisy sign told by all the others.

Lever travel beyond a firm brake's and the bubbles of the first cycle are each expected twice, by Poisson regression
with a log link: from the work alone (steps, context, hands), and from the work and the other sign's side. Every bleed
shows its signs at once, so that this knows the effect of a step on air long before enough brakes have come back.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.risk.cells import Cells
from analysis.risk.columns import Column, Frozen, frozen
from analysis.risk.features import BleedFeatures
from analysis.risk.layout import FIRST, LAST, PUMPED, STAND, TRAVEL, work_columns

Numbers = NDArray[np.float64]
RIDGE = 2.0
LEAST_SHOWN = 20
MOST_LEARNT_FROM = 30_000
"""Bleeds, spread over the log: a hundred columns are known from them as well as they need be."""
BY_TRAVEL = (
    Column("log travel_excess_mm", "log", "travel_excess_mm", "sign", TRAVEL),
    Column("root travel_excess_mm", "root", "travel_excess_mm", "sign", TRAVEL),
    Column("log pump_gain_mm", "log", "pump_gain_mm", "sign", PUMPED),
    Column("root pump_gain_mm", "root", "pump_gain_mm", "sign", PUMPED),
)
BY_BUBBLES = (
    Column("log bubbles_first", "log", "bubbles_first", "sign", FIRST),
    Column("root bubbles_first", "root", "bubbles_first", "sign", FIRST),
    Column("log bubbles_last", "log", "bubbles_last", "sign", LAST),
)
EXPECTED = (
    ("travel_excess_mm", ()),
    ("bubbles_first", ()),
    ("travel_excess_mm", BY_BUBBLES),
    ("bubbles_first", BY_TRAVEL),
)  # fmt: skip


@dataclass(frozen=True)
class Expected:
    """One expectation: `x·b + start` is the logarithm of what the sign should show."""

    inputs: Frozen
    b: Numbers = field(repr=False)
    start: float

    def told(self, x: Numbers) -> Numbers:
        return np.asarray(x @ self.b + self.start)


@dataclass(frozen=True)
class Stand:
    """The four expectations, in the order of `STAND`; none where too few bleeds show the sign."""

    expected: tuple[Expected | None, ...]

    def beside(self, cells: Cells) -> Cells:
        """The cells with one field an expectation."""
        return self.beside_and_from(cells)[0]

    def beside_and_from(self, cells: Cells) -> tuple[Cells, tuple[Numbers | None, ...]]:
        """The same, and the inputs that each expectation is told from; what all of them share is read once."""
        first = next((one.inputs for one in self.expected if one), None)
        if first is None:
            return cells.beside({name: np.zeros(cells.height) for name in STAND}), (None,) * len(STAND)
        shared = first.matrix(cells)
        seen = tuple(_inputs(one.inputs, first, shared, cells) if one else None for one in self.expected)
        told = [
            one.told(x) if one and x is not None else np.zeros(cells.height)
            for one, x in zip(self.expected, seen, strict=True)
        ]
        return cells.beside(dict(zip(STAND, told, strict=True))), seen


def _inputs(inputs: Frozen, first: Frozen, shared: Numbers, cells: Cells) -> Numbers:
    """The inputs' values, the first of them as they were read already where they are the same."""
    width = len(first.columns)
    if inputs.columns[:width] != first.columns:
        return inputs.matrix(cells)
    return np.hstack([shared, inputs.after(width).matrix(cells)]) if len(inputs.columns) > width else shared


def stand_of(features: BleedFeatures) -> Stand:
    """The stand model of these bleeds.

    Parameters
    ----------
    features
        Of the bleeds to learn from.
    """
    n = features.table.height
    cells = features.cells if n <= MOST_LEARNT_FROM else features.of(_spread(n)).cells
    work = frozen(work_columns(features), cells)
    done = work.matrix(cells)
    return Stand(tuple(_expected(cells, sign, _Work(work, done), others) for sign, others in EXPECTED))


def _spread(bleeds: int) -> NDArray[np.intp]:
    return np.linspace(0, bleeds - 1, MOST_LEARNT_FROM).astype(np.intp)


@dataclass(frozen=True)
class _Work:
    inputs: Frozen
    x: Numbers


def _expected(cells: Cells, sign: str, work: _Work, others: tuple[Column, ...]) -> Expected | None:
    from sklearn.linear_model import PoissonRegressor

    shown = np.isfinite(cells.numbers(sign))
    y = np.maximum(cells.numbers(sign)[shown], 0.0)
    if len(y) < LEAST_SHOWN or y.std() == 0:
        return None
    seen = frozen(others, cells)
    x = np.hstack([work.x, seen.matrix(cells)])[shown]
    fitted = PoissonRegressor(alpha=RIDGE / len(y), solver="newton-cholesky").fit(x, y)
    return Expected(work.inputs.and_also(seen), np.asarray(fitted.coef_, dtype=float), float(fitted.intercept_))
