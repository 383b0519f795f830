"""Evidence on each step apart from its average effect: through the stand readings, and before against after the window.

The air score says in one number per bleed how much trapped air the stand readings show. A late return is evidence on
the window only as far as effects last; two effects per step use late returns without assuming that they do.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import chi_square_tail, normal_tail, sum_within_clusters
from analysis.steps.design_matrix import EFFECT_RIDGE, Design
from analysis.steps.marginal_effects import time_and_event
from analysis.survival import Block, SurvivalModel

FloatArray = NDArray[np.float64]
LOW_QUANTILE = 0.1
MIN_RECORDED = 20
LOG_OFFSET = 0.3
"""Added to the air relative to its mean, so that a bleed with no sign of air has a finite logarithm."""
POOLED_RIDGE, OTHER_RIDGE = 1.0, 1e-2
"""Ridge of the linear regression of the score: technicians and brake models, and all other columns."""
SIGNIFICANCE = 0.05
LEAST_EARLY = 0.1
"""Least early effect, as a share of the whole follow-up's, that a ratio is given to."""


def air_score(bleeds: pl.DataFrame, excluded: tuple[str, ...] = ()) -> FloatArray | None:
    """Log of the air shown by the stand readings, standardised (n); None where no reading is recorded or all are alike.

    Lever travel above the brake model's 10% quantile and pump-up grow with trapped air (`analysis.physics`). Each is
    divided by its standard deviation and a bleed's recorded ones are averaged. The logarithm is taken because steps
    change the air by a factor. A bleed with no reading gets the mean. `excluded` are readings left out: `travel`,
    `pump_gain`.
    """
    signs = {
        "travel": np.maximum(_travel_above_low(bleeds), 0),
        "pump_gain": np.maximum(_to_floats(bleeds, "pump_gain_mm"), 0),
    }
    informative = [sign for name, sign in signs.items() if name not in excluded and _has_variation(sign)]
    if not informative:
        return None
    scaled = np.column_stack([sign / np.nanstd(sign) for sign in informative])
    recorded = np.isfinite(scaled)
    air = np.where(recorded, scaled, 0.0).sum(axis=1) / np.maximum(recorded.sum(axis=1), 1)
    has_reading = recorded.any(axis=1)
    score = np.log(air / air[has_reading].mean() + LOG_OFFSET)
    score -= score[has_reading].mean()
    return np.where(has_reading, score / score[has_reading].std(), 0.0)


def _has_variation(sign: FloatArray) -> bool:
    return bool(np.isfinite(sign).sum() >= MIN_RECORDED and np.nanstd(sign) > 1e-9)


def _travel_above_low(bleeds: pl.DataFrame) -> FloatArray:
    low = bleeds.select(
        pl.col("lever_travel_after_mm").quantile(LOW_QUANTILE, "linear").over(pl.col("brake_model").fill_null(""))
    ).to_series()
    return _to_floats(bleeds, "lever_travel_after_mm") - low.fill_null(float("nan")).to_numpy()


def _to_floats(bleeds: pl.DataFrame, name: str) -> FloatArray:
    return bleeds.get_column(name).cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()


@dataclass(frozen=True)
class MediatorEvidence:
    """Effects of steps on the log hazard through the air score: steps, then the not-recorded columns.

    `delta` is the effect of the score in the return model times the regression of the score on the design; `influence`
    is each bike's influence on it (bikes × columns), with the error of both factors; `applies` is false for steps whose
    harm the readings cannot show; `p_value` is one-sided, for worse readings predicting returns.
    """

    delta: FloatArray
    influence: FloatArray = field(repr=False)
    applies: NDArray[np.bool_]
    p_value: float


def mediator_evidence(data: BleedData, design: Design, return_model: SurvivalModel) -> MediatorEvidence | None:
    """Evidence of the stand readings on each step; None where no reading is recorded.

    The readings are no evidence on leaks. A step that changes a reading without leaving air (a wider lever reach
    lengthens the travel) is judged by the other readings, if there are any. `return_model` is the return model of the
    design over the whole follow-up, which gives starting values.
    """
    score = air_score(data.bleeds)
    if score is None:
        return None
    inverse_gram = np.asarray(np.linalg.inv(design.x.T @ design.x + np.diag(_ridge_penalties(design))), dtype=float)
    base = _MediatorInputs(data, design, return_model, inverse_gram)
    columns = np.array([*range(design.step_count), *design.unrecorded_columns])
    whole = _mediated_effects(base, score, columns)
    delta, influence = whole.delta, whole.influence
    steps = {step.id: step for step in data.standard.steps}
    column_steps = [steps[design.steps[index]] for index in (*range(design.step_count), *design.unrecorded_steps)]
    applies = np.array([step.acts == "air" for step in column_steps])
    for excluded in {step.acts_on for step in column_steps if step.acts_on}:
        affected = np.array([step.acts_on == excluded for step in column_steps])
        remaining = air_score(data.bleeds, excluded)
        if remaining is None:
            applies &= ~affected
            continue
        partial = _mediated_effects(base, remaining, columns[affected])
        delta[affected], influence[:, affected] = partial.delta, partial.influence
    return MediatorEvidence(delta, influence, applies, whole.p_value)


@dataclass(frozen=True)
class _MediatorInputs:
    """Data and fits shared by all scores; `inverse_gram` is (XᵀX + ridge)⁻¹."""

    data: BleedData
    design: Design
    return_model: SurvivalModel
    inverse_gram: FloatArray


@dataclass(frozen=True)
class _MediatedEffects:
    delta: FloatArray
    influence: FloatArray
    p_value: float


def _mediated_effects(base: _MediatorInputs, score: FloatArray, columns: NDArray[np.int64]) -> _MediatedEffects:
    """Effect of the score on returns given the design, times the regression of the score on the given columns."""
    design, return_model = base.design, base.return_model
    width = design.x.shape[1]
    time, event = time_and_event(base.data.bleeds)
    model = return_model.fit(
        np.column_stack([design.x, score]),
        time,
        event,
        blocks=[*design.blocks, Block(width, width + 1, EFFECT_RIDGE)],
        clusters=design.bike,
        start=np.append(return_model.coefficients, 0.0),
    )
    slope = float(model.coefficients[width])
    slope_influence = model.influence(np.eye(width + 1)[:, width:])
    regression = base.inverse_gram @ (design.x.T @ score)
    residual = score - design.x @ regression
    influence = slope * sum_within_clusters(design.x @ base.inverse_gram[:, columns], design.bike, residual)
    influence += slope_influence * regression[columns]
    sd = float(np.sqrt((slope_influence**2).sum()))
    p = float(normal_tail(slope / sd)) if sd > 1e-9 else 1.0  # sd is 0 if all bleeds came back on one day
    return _MediatedEffects(slope * regression[columns], influence, p)


def _ridge_penalties(design: Design) -> FloatArray:
    ridges = np.full(design.x.shape[1], OTHER_RIDGE)
    for block in design.blocks:
        if block.pooled:
            ridges[block.start : block.stop] = POOLED_RIDGE
    return ridges


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
    and has its own step columns. `return_model` is that of the design over the whole follow-up, which gives starting
    values.
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
    influence = model.influence(np.eye(width + step_count)[:, columns]) * model.standard_error_factor
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
