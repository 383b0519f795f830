"""Two windows: each step's effect within the window and after it, in one likelihood with everything else shared.

A late return is evidence about the window only as far as effects last; two effects a step keep what the late ones tell
without believing it blindly.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup import Block, ReturnModel, beginning_below, by_cluster, fit_returns, follow_of
from analysis.prepared import Prepared
from analysis.regression import Below, Floats
from analysis.steps.design import FREE, Design

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Windows:
    """Early and late effects of the steps, and of steps not recorded; `rows` is each bike's influence on both.

    The order of columns is early steps, early not-recorded, late steps. `shown` is the matrix by which the ridge lets
    late effects through: the expected effects are `shown` times the true ones, so that a late effect of which the log
    says nothing is not taken for one known to be nought.
    """

    effects: Numbers
    shown: Numbers = field(repr=False)
    late_returns: int
    rows: Floats = field(repr=False)


def two_windows(prepared: Prepared, design: Design, by_return: ReturnModel) -> Windows:
    """Early (up to the window) and late (after it) effects.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    design
        Its design.
    by_return
        The design's model by return over the whole follow-up, where the search begins.
    """
    window, bleeds = prepared.window_days, prepared.bleeds
    days = bleeds.get_column("days_at_risk").to_numpy()
    returned = (bleeds.get_column("end") == "return").to_numpy()
    later = np.flatnonzero(days > window)
    x = Below(design.x, later, design.size)
    follow = follow_of(
        np.concatenate([np.minimum(days, window), days[later]]),
        np.concatenate([returned & (days <= window), returned[later]]),
        np.concatenate([np.zeros(len(days), dtype=np.int64), np.ones(len(later), dtype=np.int64)]),
    )
    width = design.x.shape[1]
    began = beginning_below(by_return, x, int((returned & (days <= window)).sum()))
    model = fit_returns(x, follow, [*design.blocks, Block(width, width + design.size, FREE)], began=began)
    bike = np.concatenate([design.bike, design.bike[later]])
    events = float(follow.returned.sum())
    widened = np.sqrt(events / max(events - model.edf, 0.25 * events))
    kept = [*range(design.size), *design.unrecorded_columns, *range(width, width + design.size)]
    rows = by_cluster(x, model, np.eye(x.shape[1])[:, kept], bike)
    rows *= widened
    shown = np.eye(len(kept))
    held_back = model.covariance[np.ix_(kept, kept)] * model.penalties[kept]
    shown[-design.size :, -design.size :] -= held_back[-design.size :, -design.size :]
    return Windows(model.coefficients[kept], shown, int(returned[later].sum()), rows)
