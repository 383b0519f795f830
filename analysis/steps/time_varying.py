"""Two windows: each step's effect within the window and after it, in one likelihood with everything else shared.

A late return is evidence about the window only as far as effects last; two effects a step keep what the late returns say
without assuming that they do.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.steps.design_matrix import FREE, Design
from analysis.steps.marginal_effects import time_and_event
from analysis.survival import Block, SurvivalModel

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class TimeVaryingEffects:
    """Early and late effects of the steps, and of steps not recorded; `influence` is each bike's influence on both.

    The order of columns is early steps, early not-recorded, late steps. `shrinkage` is the matrix by which the ridge lets
    late effects through: the expected effects are `shrinkage` times the true ones, so that a late effect of which the log
    says nothing is not taken for one known to be zero.
    """

    effects: FloatArray
    shrinkage: FloatArray = field(repr=False)
    late_returns: int
    influence: FloatArray = field(repr=False)


def fit_time_varying(data: BleedData, design: Design, cox_model: SurvivalModel) -> TimeVaryingEffects:
    """Early (up to the window) and late (after it) effects.

    Each bleed followed past the window is split there into two rows: the first ends at the window, the second enters at
    it and has step effects of its own.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    design
        Their design.
    cox_model
        The design's model by return over the whole follow-up, at which the search starts.
    """
    window, size, width = data.window_days, design.size, design.x.shape[1]
    days, returned = time_and_event(data.bleeds)
    early_days, early_returned = time_and_event(data.bleeds, window)
    later = np.flatnonzero(days > window)
    model = cox_model.fit(
        _split_columns(design.x, later, size),
        np.concatenate([early_days, days[later]]),
        np.concatenate([early_returned, returned[later]]),
        blocks=[*design.blocks, Block(width, width + size, FREE)],
        clusters=np.concatenate([design.bike, design.bike[later]]),
        start=np.append(cox_model.coefficients, cox_model.coefficients[:size]),
        entry=np.repeat([-1, window], [len(days), len(later)]),
    )
    columns = [*range(size), *design.unrecorded_columns, *range(width, width + size)]
    rows = model.influence(np.eye(width + size)[:, columns]) * model.df_correction
    shrinkage = np.eye(len(columns))
    held_back = model.covariance[np.ix_(columns, columns)] * model.penalties[columns]
    shrinkage[-size:, -size:] -= held_back[-size:, -size:]
    return TimeVaryingEffects(model.coefficients[columns], shrinkage, int(returned[later].sum()), rows)


def _split_columns(x: FloatArray, later: NDArray[np.intp], apart: int) -> FloatArray:
    """The rows of x, then those of `later` once more with their first columns moved into new ones at the end."""
    rows, width = x.shape
    split = np.zeros((rows + len(later), width + apart))
    split[:rows, :width] = x
    split[rows:, apart:width] = x[later, apart:]
    split[rows:, width:] = x[later, :apart]
    return split
