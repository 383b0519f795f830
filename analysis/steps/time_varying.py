"""Effects within the window and after it, from one likelihood, and a test that they are equal.

A late return is evidence on the window only as far as effects last. Two effects per step use late returns without
assuming that they do.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import chi_square_tail, normal_tail
from analysis.steps.design_matrix import EFFECT_RIDGE, Design
from analysis.steps.marginal_effects import time_and_event
from analysis.survival import Block, SurvivalModel

FloatArray = NDArray[np.float64]
SIGNIFICANCE = 0.05
LEAST_EARLY = 0.1
"""Least early effect, as a share of the whole follow-up's, that a ratio is given to."""


@dataclass(frozen=True)
class TimeVaryingEffects:
    """Early and late effects (log hazard ratios) in the order early steps, early not-recorded, late steps.

    `influence` is each bike's influence on them; `shrinkage` maps true to expected estimates, since the ridge shrinks
    late effects: without late returns an estimate of zero is no evidence of no effect. `early_share` is the share of
    returns within the window.
    """

    effects: FloatArray
    shrinkage: FloatArray = field(repr=False)
    late_returns: int
    early_share: float
    influence: FloatArray = field(repr=False)


def fit_time_varying(data: BleedData, design: Design, return_model: SurvivalModel) -> TimeVaryingEffects:
    """Fit early (up to the window) and late (after it) effects of the steps; all other effects are shared.

    A bleed followed past the window is split there: its first row ends at the window, its second enters at the window
    and has its own step columns.

    Parameters
    ----------
    data
        Bleeds to fit.
    design
        Their design matrix.
    return_model
        Return model of the design over the whole follow-up, which gives starting values.
    """
    window, step_count, width = data.window_days, design.step_count, design.x.shape[1]
    days, returned = time_and_event(data.bleeds)
    early_days, early_returned = time_and_event(data.bleeds, window)
    late_rows = np.flatnonzero(days > window)
    model = return_model.fit(
        _split_columns(design.x, late_rows, step_count),
        np.concatenate([early_days, days[late_rows]]),
        np.concatenate([early_returned, returned[late_rows]]),
        blocks=[*design.blocks, Block(width, width + step_count, EFFECT_RIDGE)],
        clusters=np.concatenate([design.bike, design.bike[late_rows]]),
        start=np.append(return_model.coefficients, return_model.coefficients[:step_count]),
        entry=np.repeat([-1, window], [len(days), len(late_rows)]),
    )
    columns = [*range(step_count), *design.unrecorded_columns, *range(width, width + step_count)]
    influence = model.influence(np.eye(width + step_count)[:, columns]) * model.df_correction
    shrinkage = np.eye(len(columns))
    shrinkage_loss = model.covariance[np.ix_(columns, columns)] * model.penalties[columns]
    shrinkage[-step_count:, -step_count:] -= shrinkage_loss[-step_count:, -step_count:]
    late_returns, early_returns = int(returned[late_rows].sum()), int(early_returned.sum())
    early_share = early_returns / max(early_returns + late_returns, 1)
    return TimeVaryingEffects(model.coefficients[columns], shrinkage, late_returns, early_share, influence)


def _split_columns(x: FloatArray, late_rows: NDArray[np.intp], late_effects: int) -> FloatArray:
    """Rows of x, then `late_rows` again with the first `late_effects` columns moved into new columns at the end."""
    rows, width = x.shape
    split = np.zeros((rows + len(late_rows), width + late_effects))
    split[:rows, :width] = x
    split[rows:, late_effects:width] = x[late_rows, late_effects:]
    split[rows:, width:] = x[late_rows, :late_effects]
    return split


@dataclass(frozen=True)
class ProportionalHazardsTest:
    """Late effects relative to early ones, and two tests that they are equal.

    `ratio` is late over early effects, all steps together (1: effects last) with standard error `ratio_sd`;
    `p_contrast` tests that ratio, `p_all` all steps separately. `fails` at 5% over both tests (Bonferroni).
    """

    ratio: float
    ratio_sd: float
    p_contrast: float
    p_all: float

    @property
    def fails(self) -> bool:
        return min(self.p_contrast, self.p_all) < SIGNIFICANCE / 2


def proportional_hazards_test(
    time_varying: TimeVaryingEffects, contrast: NDArray[np.float64]
) -> ProportionalHazardsTest | None:
    """Test proportional hazards; None with fewer late returns than steps.

    Wald tests with the joint sandwich covariance of early and late effects: 1 degree of freedom along the whole
    follow-up's effects, and one per step. Idea: P. M. Grambsch & T. M. Therneau 1994, Biometrika 81:515-526, here with
    a single cut at the window. The whole follow-up's effect is near the mean of both, weighted by their returns: if the
    change is k times it, late is (1 + πk) / (1 − (1 − π)k) of early, π the share of early returns.

    Parameters
    ----------
    time_varying
        Effects before and after the window.
    contrast
        Effect of each step over the whole follow-up.
    """
    steps = len(contrast)
    if time_varying.late_returns < steps:
        return None
    late = time_varying.influence.shape[1] - steps
    change = time_varying.effects[late:] - time_varying.effects[:steps]
    change_influence = time_varying.influence[:, late:] - time_varying.influence[:, :steps]
    inverse = np.linalg.pinv(change_influence.T @ change_influence, rcond=1e-10, hermitian=True)
    precision = float(contrast @ inverse @ contrast)
    relative_change = float(contrast @ inverse @ change) / precision
    early = max(1 - (1 - time_varying.early_share) * relative_change, LEAST_EARLY)
    return ProportionalHazardsTest(
        ratio=(1 + time_varying.early_share * relative_change) / early,
        ratio_sd=precision**-0.5 / early**2,
        p_contrast=float(2 * normal_tail(abs(relative_change) * precision**0.5)),
        p_all=float(chi_square_tail(change @ inverse @ change, steps)),
    )


def proportionality_note(effects: ProportionalHazardsTest | None, window_days: int) -> str:
    """The result of the test as a sentence for the report."""
    if effects is None:
        return f"Too few bleeds came back after {window_days} days to test whether the effect of a missed step lasts."
    strength = f"{effects.ratio:.2f} ± {effects.ratio_sd:.2f} times as strong after {window_days} days"
    if effects.fails:
        return (
            f"The effect of a missed step changes with time: it is {strength} (ratio ± standard error; "
            f"p = {min(effects.p_contrast, effects.p_all):.3f}). The estimate from comebacks alone therefore uses the "
            f"first {window_days} days only."
        )
    return (
        f"The effect of a missed step is {strength} (ratio ± standard error): no clear change, but one cannot be "
        "ruled out."
    )
