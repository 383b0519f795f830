"""The return model of the risk: each bleed's log hazard from its columns, and the risk at the window it comes to."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analysis.followup import Beginning, Block, fit_returns, follow_of
from analysis.regression import Floats, product
from analysis.risk.cells import Cells
from analysis.risk.columns import Column, Frozen, frozen
from analysis.risk.course import Course, window_slope
from analysis.risk.layout import HELD, PEOPLE, USUAL, WORTH, ordered
from analysis.risk.level import window_hazard

Numbers = NDArray[np.float64]
CHUNK = 65_536
KNOTS, MANY = 2_048, 16_384
"""So many places of a curve tell the risk of more bleeds than the second."""


@dataclass(frozen=True)
class Window:
    """How a hazard comes to a risk: the baseline's cumulative hazard and the share of brakes whose next bleed has not
    come yet, by day 0 to the window's last."""

    hazard: Numbers
    waiting: Numbers

    def risk(self, log_hazard: Numbers) -> Numbers:
        """The chance of a return within the window and before the brake's next bleed."""
        if len(log_hazard) > MANY:
            return self._between_knots(log_hazard)
        risk = np.empty(len(log_hazard))
        for start in range(0, len(log_hazard), CHUNK):
            part = np.exp(np.clip(log_hazard[start : start + CHUNK], -30.0, 30.0))
            left = np.exp(-part[:, None] * self.hazard[None, :])
            ended = -np.diff(left, axis=1, prepend=1.0)
            risk[start : start + CHUNK] = ended @ self.waiting
        return np.clip(risk, 1e-6, 1 - 1e-6)

    def _between_knots(self, log_hazard: Numbers) -> Numbers:
        """The same of many bleeds, by a cubic spline through so many that it errs by less than one in a thousand million."""
        from scipy.interpolate import CubicSpline

        first, last = float(log_hazard.min()) - 0.1, float(log_hazard.max()) + 0.1
        knots, apart = np.linspace(first, last, KNOTS, retstep=True)
        curve = CubicSpline(knots, self.risk(knots)).c  # asked at even knots: scipy would search each number's
        place = ((log_hazard - first) / apart).astype(np.intp)
        beyond = log_hazard - knots[place]
        risk = curve[0][place]
        for power in curve[1:]:
            risk *= beyond
            risk += power[place]
        return np.clip(risk, 1e-6, 1 - 1e-6)


@dataclass(frozen=True)
class HazardPart:
    """A fitted return model: log hazard = columns · coefficients; `people_variance` is what a new technician may add.

    Both are the window's own (`window_slope`).
    """

    inputs: Frozen
    coefficients: Numbers = field(repr=False)
    covariance: Numbers = field(repr=False)
    people_variance: float
    window: Window

    def middle(self, x: Floats) -> Numbers:
        """Each row's log hazard at the coefficients, in the middle of what it may be; one a row."""
        return product(x, self.coefficients)

    def variance(self, x: Floats) -> Numbers:
        """Of each row's log hazard, for technicians the model has met."""
        return _variance(x, self.covariance)

    def adds(self, x: Floats) -> Floats:
        """What each column adds to the logarithm of the hazard expected, n × p as `x`: its part of `middle`, and of half the
        variance."""
        along = x.T  # a column's values lie side by side
        added = (0.5 * self.covariance).astype(x.dtype) @ along
        added += self.coefficients[:, None].astype(x.dtype)
        added *= along
        return np.asarray(added.T)


def hazard_part(
    cells: Cells, columns: list[Column], course: Course, window_days: int, near: HazardPart | None = None
) -> HazardPart:
    """Fit the return model, every block's ridge estimated (empirical Bayes, near what is usual of it) but those too small.

    A hazard is foretold by what is expected of it, half the variance above the middle on the logarithm.

    Parameters
    ----------
    cells
        Features, with the air.
    columns
        What to tell the hazard from.
    course
        What became of these bleeds; at least one return.
    window_days
        The window.
    near
        That of other bleeds: the search begins where this one's ended.
    """
    inputs = frozen(ordered(columns), cells)
    x = inputs.matrix(cells)
    began = None if near is None else Beginning(_carried(near, inputs))
    model = fit_returns(x, follow_of(course.days, course.returned), _blocks(inputs), began=began)
    slope = window_slope(model.linear, course, window_days)
    people = [i for i, column in enumerate(inputs.columns) if column.block == PEOPLE and column.form == "is"]
    expected = slope * model.linear + 0.5 * slope**2 * _variance(x, model.covariance)
    return HazardPart(
        inputs=inputs,
        coefficients=slope * model.coefficients,
        covariance=slope**2 * model.covariance,
        people_variance=float(slope**2 / max(model.penalties[people[0]], 1e-6)) if people else 0.0,
        window=Window(window_hazard(expected, course, window_days), _waiting(course, window_days)),
    )


def _carried(part: HazardPart, inputs: Frozen) -> Numbers:
    """What each of the columns adds by that part, on the scale they have here; 0 for those it has not."""
    each = dict(zip(part.inputs.columns, part.coefficients / part.inputs.scale, strict=True))
    return np.array([each.get(column, 0.0) for column in inputs.columns]) * inputs.scale


def _blocks(inputs: Frozen) -> list[Block]:
    blocks, place = [], 0
    for name, columns in groupby(inputs.columns, key=lambda column: column.block):
        stop = place + len(list(columns))
        if name in HELD:
            blocks.append(Block(place, stop, HELD[name]))
        else:
            blocks.append(Block(place, stop, 1 / USUAL[name], pooled=True, worth=WORTH))
        place = stop
    return blocks


def _variance(x: Floats, covariance: Numbers) -> Numbers:
    values, vectors = np.linalg.eigh(covariance)
    root = (vectors * np.sqrt(np.maximum(values, 0.0))).T.astype(x.dtype)
    parts = (root @ x[start : start + CHUNK].T for start in range(0, len(x), CHUNK))
    return np.concatenate([np.einsum("ij,ij->j", part, part, dtype=float) for part in parts] or [np.zeros(0)])


def _waiting(course: Course, window_days: int) -> Numbers:
    """Kaplan–Meier of the days to the brake's next bleed, just before each day."""
    size = window_days + 2
    days = np.minimum(course.days, size - 1)
    ended = np.bincount(days, minlength=size).astype(float)
    others = np.bincount(days[course.next_bleed], minlength=size).astype(float)
    at_risk = ended[::-1].cumsum()[::-1]
    left = np.cumprod(1 - others / np.maximum(at_risk, 1.0))
    return np.concatenate([[1.0], left[:window_days]])
