"""The return model of the risk: each bleed's log hazard from its columns, and the risk at the window it comes to."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analysis.followup import Block, baseline, fit_returns, follow_of
from analysis.risk.cells import Cells
from analysis.risk.columns import Column, Frozen, frozen
from analysis.risk.course import Course, window_slope
from analysis.risk.layout import HELD, PEOPLE, ordered

Numbers = NDArray[np.float64]
CHUNK = 65_536
KNOTS = 4_096


@dataclass(frozen=True)
class Window:
    """How a hazard comes to a risk: the baseline's cumulative hazard and the share of brakes whose next bleed has not
    come yet, by day 0 to the window's last."""

    hazard: Numbers
    waiting: Numbers

    def risk(self, log_hazard: Numbers) -> Numbers:
        """The chance of a return within the window and before the brake's next bleed."""
        if len(log_hazard) > 4 * KNOTS:
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

        knots = np.linspace(log_hazard.min() - 0.1, log_hazard.max() + 0.1, KNOTS)
        return np.clip(np.asarray(CubicSpline(knots, self.risk(knots))(log_hazard)), 1e-6, 1 - 1e-6)


@dataclass(frozen=True)
class HazardPart:
    """A fitted return model: log hazard = columns · coefficients; `people_variance` is what a new technician may add.

    Both are the window's own (`window_slope`). `whole` is the baseline's cumulative hazard over the whole follow-up, of
    log hazards as they were fitted.
    """

    inputs: Frozen
    coefficients: Numbers = field(repr=False)
    covariance: Numbers = field(repr=False)
    people_variance: float
    window: Window
    whole: Numbers = field(repr=False)

    def exposure(self, course: Course) -> Numbers:
        """The baseline's cumulative hazard over each bleed's days at risk."""
        return np.maximum(self.whole[np.minimum(course.days, len(self.whole) - 1)], 1e-9)

    def variance(self, x: Numbers, unknown: NDArray[np.bool_]) -> Numbers:
        """Of each row's log hazard; `unknown` marks technicians the model has not met."""
        known = np.concatenate(
            [
                np.einsum("ij,ij->i", part @ self.covariance, part)
                for start in range(0, len(x), CHUNK)
                for part in [x[start : start + CHUNK]]
            ]
            or [np.zeros(0)]
        )
        return known + self.people_variance * unknown


def hazard_part(cells: Cells, columns: list[Column], course: Course, window_days: int) -> HazardPart:
    """Fit the return model with every block's ridge estimated (empirical Bayes), but those too small for it.

    Parameters
    ----------
    cells
        Features, with the stand's expectations.
    columns
        What to tell the hazard from.
    course
        What became of these bleeds; at least one return.
    window_days
        The window.
    """
    inputs = frozen(ordered(columns), cells)
    model = fit_returns(inputs.matrix(cells), follow_of(course.days, course.returned), _blocks(inputs))
    slope, early = window_slope(model.linear, course, window_days), course.within(window_days)
    people = [i for i, column in enumerate(inputs.columns) if column.block == PEOPLE and column.form == "is"]
    hazard = baseline(slope * model.linear, follow_of(early.days, early.returned), np.arange(window_days + 1))
    return HazardPart(
        inputs=inputs,
        coefficients=slope * model.coefficients,
        covariance=slope**2 * model.covariance,
        people_variance=float(slope**2 / max(model.penalties[people[0]], 1e-6)) if people else 0.0,
        window=Window(hazard, _waiting(course, window_days)),
        whole=model.cumulative(np.arange(int(course.days.max()) + 1)),
    )


def _blocks(inputs: Frozen) -> list[Block]:
    blocks, place = [], 0
    for name, columns in groupby(inputs.columns, key=lambda column: column.block):
        stop = place + len(list(columns))
        blocks.append(Block(place, stop, HELD.get(name, 1.0), pooled=name not in HELD))
        place = stop
    return blocks


def _waiting(course: Course, window_days: int) -> Numbers:
    """Kaplan–Meier of the days to the brake's next bleed, just before each day."""
    size = window_days + 2
    days = np.minimum(course.days, size - 1)
    ended = np.bincount(days, minlength=size).astype(float)
    others = np.bincount(days[course.next_bleed], minlength=size).astype(float)
    at_risk = ended[::-1].cumsum()[::-1]
    left = np.cumprod(1 - others / np.maximum(at_risk, 1.0))
    return np.concatenate([[1.0], left[:window_days]])
