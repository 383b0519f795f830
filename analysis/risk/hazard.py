"""The return model of the risk: each bleed's log hazard from its columns, and the risk at the window it comes to."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analysis.followup import Block, CoxModel, SurvivalModel, kaplan_meier
from analysis.risk.cells import Cells
from analysis.risk.columns import Column, Frozen, frozen
from analysis.risk.course import Course, window_slope
from analysis.risk.layout import HELD, PEOPLE, PRIOR_DF, USUAL, ordered
from analysis.risk.level import window_hazard

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Window:
    """How a hazard comes to a risk: the baseline's cumulative hazard and the share of brakes whose next bleed has not
    come yet, by day 0 to the window's last."""

    hazard: Numbers
    waiting: Numbers

    def risk(self, log_hazard: Numbers) -> Numbers:
        """The chance of a return within the window and before the brake's next bleed."""
        relative = np.exp(np.clip(log_hazard, -30.0, 30.0))
        left = np.exp(-relative[:, None] * self.hazard)
        ended = -np.diff(left, axis=1, prepend=1.0)
        return np.clip(ended @ self.waiting, 1e-6, 1 - 1e-6)


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

    def middle(self, x: Numbers) -> Numbers:
        """Each row's log hazard at the coefficients."""
        return x @ self.coefficients

    def variance(self, x: Numbers) -> Numbers:
        """Of each row's log hazard, for technicians the model has met."""
        return _variance(x, self.covariance)

    def adds(self, x: Numbers) -> Numbers:
        """What each column adds to the logarithm of the expected hazard, n × p as `x`: its part of `middle`, and of half the
        variance."""
        return x * (x @ (0.5 * self.covariance) + self.coefficients)


def hazard_part(
    cells: Cells,
    columns: list[Column],
    course: Course,
    window_days: int,
    near: HazardPart | None = None,
    survival: type[SurvivalModel] = CoxModel,
) -> HazardPart:
    """Fit the return model, every block's ridge estimated (empirical Bayes with a prior) but those too small.

    The predicted hazard is the expected one: half the variance above the linear predictor on the log scale.

    Parameters
    ----------
    cells
        Features, with the air.
    columns
        What the hazard depends on.
    course
        The follow-up of these bleeds; at least one return.
    window_days
        The window.
    near
        That of other bleeds, at whose coefficients the search starts.
    survival
        The time-to-return model.
    """
    inputs = frozen(ordered(columns), cells)
    x = inputs.matrix(cells)
    start = None if near is None else _carried(near, inputs)
    model = survival.fit(x, course.days, course.returned, blocks=_blocks(inputs), start=start)
    linear = model.linear_predictor(x)
    slope = window_slope(linear, course, window_days)
    people = [i for i, column in enumerate(inputs.columns) if column.block == PEOPLE and column.form == "is"]
    expected = slope * linear + 0.5 * slope**2 * _variance(x, model.covariance)
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
            blocks.append(Block(place, stop, 1 / USUAL[name], pooled=True, prior_df=PRIOR_DF))
        place = stop
    return blocks


def _variance(x: Numbers, covariance: Numbers) -> Numbers:
    return np.maximum(np.einsum("ij,ij->i", x @ covariance, x), 0.0)


def _waiting(course: Course, window_days: int) -> Numbers:
    """Kaplan–Meier of the days to the brake's next bleed, just before each day."""
    left = kaplan_meier(course.days, course.next_bleed, window_days)
    return np.concatenate([[1.0], left[:-1]])
