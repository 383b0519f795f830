"""The table of steps: what was recorded, and three estimates of the comebacks that meeting each step would prevent."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import Z95, robustness_value
from analysis.steps.aipw import AipwEstimate, estimate_by_aipw
from analysis.steps.design_matrix import Design, build_design
from analysis.steps.evidence import fit_time_varying, proportional_hazards_test, proportionality_note
from analysis.steps.marginal_effects import MarginalEffects, fit_step_model, marginal_effects
from analysis.steps.posterior import CombinedEstimate, combined_estimate
from analysis.steps.ranking import e_value, judge_and_rank_steps, robust_verdicts
from analysis.steps.total_effects import (
    NO_LATER_STEPS,
    LaterStepResponses,
    add_later_step_effects,
    fit_later_step_responses,
)
from analysis.steps.unseen_causes import MAX_TIMES, UnseenCauses, unseen_causes
from analysis.survival import CoxModel, SurvivalModel
from schemas import empty, validate_table
from schemas.outputs import Steps

FloatArray = NDArray[np.float64]
MIN_BLEEDS, ADJUSTED_BLEEDS = 10, 3
"""Fewest bleeds that missed a step, and that met it: to estimate the step, and to adjust other steps for it."""
DISAGREES_Z = 3.0
"""The AIPW check disagrees above this z: about what chance allows the largest of twenty steps."""
CRUDE_SCHEMA = {
    "step": pl.String,
    "title": pl.String,
    "recorded": pl.Int64,
    "missed": pl.Int64,
    "share_missed": pl.Float64,
    "crude_difference": pl.Float64,
}


@dataclass(frozen=True)
class StepCosts:
    """The table of steps, and the fits behind it (None with too few comebacks).

    `return_model` is the return model over the whole follow-up; `notes` say which estimate ranks the steps and whether
    effects last; `later` is how later steps respond; `unseen` the tests for unmeasured confounders.
    """

    table: DataFrame[Steps]
    design: Design | None = field(repr=False)
    estimate: CombinedEstimate | None = field(repr=False)
    return_model: SurvivalModel | None = field(repr=False, default=None)
    notes: tuple[str, ...] = ()
    later: LaterStepResponses = NO_LATER_STEPS
    unseen: UnseenCauses | None = field(repr=False, default=None)


@dataclass(frozen=True)
class FittedSteps:
    """Design matrix, return model over the whole follow-up, and which steps have misses enough for an estimate."""

    design: Design = field(repr=False)
    return_model: SurvivalModel = field(repr=False)
    estimable: NDArray[np.bool_]


def fit_steps(data: BleedData, survival: type[SurvivalModel] = CoxModel) -> FittedSteps | None:
    """Fit the return model of the steps; None with too few comebacks, or too few misses of every step."""
    crude = crude_step_differences(data)
    estimable, in_design = _has_enough_misses(crude), _has_enough_misses(crude, ADJUSTED_BLEEDS)
    if data.small_sample or not estimable.any():
        return None
    design = build_design(data, tuple(crude.filter(in_design).get_column("step")))
    model = fit_step_model(data, design, survival=survival)
    return FittedSteps(design, model, estimable.filter(in_design).to_numpy())


def step_costs(
    data: BleedData,
    rng: np.random.Generator,
    fit_sample: BleedData | None = None,
    survival: type[SurvivalModel] = CoxModel,
    fitted: FittedSteps | None = None,
) -> StepCosts:
    """Estimate what each missed step costs, in comebacks per 100 bleeds.

    Estimand: P(comeback) − P(comeback had the step been met in every bleed), within the window and before the brake's
    next bleed, averaged over the fitted bleeds. Recorded misses are set to met; steps not recorded stay as they are; later
    steps that respond to what is seen are missed with the chance they would then have had (the direct effect leaves them
    as they were). Adjusted for context, technician, workload that day, the other steps and readings taken before the
    step; not for readings taken after it, which lie on the causal path.

    Estimates: g-computation on the time-to-return model (from returns alone), the same with stand readings where these
    predict returns (it ranks the steps), and a cross-fitted AIPW check on bleeds followed for the full window. With
    fewer than 40 comebacks, or a step missed or met in fewer than 10 bleeds, nothing is estimated and the verdict is
    too_few.

    Parameters
    ----------
    data
        All accepted bleeds; the counts are of these.
    rng
        Random generator.
    fit_sample
        Bleeds to fit (`dataset.data_for_fitting`); all by default.
    survival
        Class of the time-to-return model.
    fitted
        `fit_steps` of these bleeds, if already fitted.
    """
    sample = data if fit_sample is None else fit_sample
    crude = crude_step_differences(data)
    fitted = fit_steps(sample, survival) if fitted is None else fitted
    if fitted is None:
        return StepCosts(_complete_steps_table(crude), None, None)
    design, whole_model = fitted.design, fitted.return_model
    model = whole_model
    time_varying = fit_time_varying(sample, design, whole_model)
    proportional = proportional_hazards_test(time_varying, whole_model.coefficients[: design.step_count])
    if proportional is not None and proportional.fails:
        model = fit_step_model(sample, design, sample.window_days, whole_model.coefficients, survival)
    marginal = marginal_effects(sample, design, model)
    direct = combined_estimate(sample, design, marginal, whole_model, time_varying, rng)
    estimates = _Estimates(
        direct, marginal, estimate_by_aipw(sample, design, rng), fit_later_step_responses(sample, design), rng
    )
    unseen = unseen_causes(sample, design)
    columns = _estimate_columns(design, estimates, unseen, fitted.estimable)
    notes = (direct.note, proportionality_note(proportional, data.window_days), *unseen.notes)
    table = _complete_steps_table(crude.join(columns, on="step", how="left", maintain_order="left"))
    return StepCosts(table, design, estimates.total, whole_model, notes, estimates.later, unseen)


class _Estimates:
    """The direct and the total estimate, and the two others with the indirect effect through later steps added.

    `disagrees` compares the direct estimates: the indirect effect is the same in both.
    """

    def __init__(
        self,
        direct: CombinedEstimate,
        marginal: MarginalEffects,
        check: AipwEstimate,
        later: LaterStepResponses,
        rng: np.random.Generator,
    ) -> None:
        self.direct, self.later = direct, later
        self.total = add_later_step_effects(marginal.design, later, direct, rng)
        through = self.total.prevented - direct.prevented
        shift, spread = through.mean(axis=0), through.std(axis=0)
        self.survival, self.survival_sd = marginal.prevented + shift, np.hypot(marginal.sd, spread)
        self.aipw, self.aipw_sd = check.prevented + shift, np.hypot(check.sd, spread)
        self.disagrees = _disagree_with_check(direct.prevented, check.prevented, check.sd) & ~check.no_overlap


def _disagree_with_check(draws: FloatArray, check: FloatArray, check_sd: FloatArray) -> NDArray[np.bool_]:
    """Whether the medians of the draws (draws × steps) are more than `DISAGREES_Z` standard errors from the check.

    The errors are added as if independent; both come from the same bleeds, so the check rather disagrees too rarely.
    """
    return np.abs(np.median(draws, axis=0) - check) > DISAGREES_Z * np.hypot(draws.std(axis=0), check_sd)


def _has_enough_misses(crude: pl.DataFrame, least: int = MIN_BLEEDS) -> pl.Series:
    """Whether each step was missed in at least `least` bleeds, and met in as many."""
    times_met = crude.get_column("recorded") - crude.get_column("missed")
    return (crude.get_column("missed") >= least) & (times_met >= least)


def _estimate_columns(
    design: Design, estimates: _Estimates, unseen: UnseenCauses, estimable: NDArray[np.bool_]
) -> pl.DataFrame:
    total = estimates.total
    verdicts = judge_and_rank_steps(
        total.prevented, estimates.survival / np.maximum(estimates.survival_sd, 1e-12), estimable
    )
    direct_lo, direct, direct_hi = np.quantile(estimates.direct.prevented, [0.025, 0.5, 0.975], axis=0)
    table = pl.DataFrame(
        {
            "step": design.steps,
            "preventable_per_100": verdicts.estimate,
            "lo": verdicts.lo,
            "hi": verdicts.hi,
            "direct_per_100": direct,
            "direct_lo": direct_lo,
            "direct_hi": direct_hi,
            "p_value": verdicts.p_value,
            "q_value": verdicts.q_value,
            "rank": verdicts.rank,
            "rank_lo": verdicts.rank_lo,
            "rank_hi": verdicts.rank_hi,
            "survival_estimate": estimates.survival,
            "survival_estimate_lo": estimates.survival - Z95 * estimates.survival_sd,
            "survival_estimate_hi": estimates.survival + Z95 * estimates.survival_sd,
            "aipw_per_100": estimates.aipw,
            "aipw_lo": estimates.aipw - Z95 * estimates.aipw_sd,
            "aipw_hi": estimates.aipw + Z95 * estimates.aipw_sd,
            "e_value": _e_values(design, total, verdicts.estimate),
            "e_value_lo": _e_values(design, total, np.maximum(verdicts.lo, 0.0)),
            **_robustness_columns(direct_lo, unseen),
            "calibrated_p": unseen.calibrated_p_values(total.effects),
            "aipw_disagrees": estimates.disagrees,
        }
    ).with_columns(pl.selectors.float().fill_nan(None))
    table = table.with_columns(pl.when(pl.Series(estimable)).then(pl.all().exclude("step")))
    times = _benchmark_multiples(direct_lo, unseen)
    return table.with_columns(verdict=pl.Series(robust_verdicts(verdicts.verdict, times, unseen.suspected)))


def _benchmark_multiples(lo: FloatArray, unseen: UnseenCauses) -> FloatArray:
    """How many times the bias of the benchmark would move the lower limit of the direct effect to 0; NaN: not assessed."""
    return np.minimum(np.maximum(lo, 0.0) / np.maximum(unseen.bias, 1e-12), MAX_TIMES)


def _robustness_columns(lo: FloatArray, unseen: UnseenCauses) -> dict[str, Any]:
    return {
        "robustness_value": [robustness_value(t, 1.0) for t in lo / np.maximum(unseen.scale, 1e-12)],
        "benchmark": [name or None for name in unseen.benchmark],
        "times_benchmark": _benchmark_multiples(lo, unseen),
    }


def _e_values(design: Design, estimate: CombinedEstimate, prevented: FloatArray) -> FloatArray:
    """E-value of each step, from the risk ratio among the bleeds that missed it: as it was, over had the step been
    met.
    """
    risk = 1 - np.exp(-estimate.cumulative_hazard)
    times_missed = np.maximum(design.missed.sum(axis=0), 1)
    risk_missed = risk @ design.missed / times_missed
    risk_met = np.maximum(risk_missed - prevented / 100 * len(risk) / times_missed, 1e-9)
    return np.array([e_value(float(r)) for r in np.maximum(risk_missed, 1e-9) / risk_met])


def _complete_steps_table(crude: pl.DataFrame) -> DataFrame[Steps]:
    schema = empty(Steps).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in crude.columns]
    table = crude.with_columns(absent).with_columns(pl.col("verdict").fill_null("too_few"))
    all_empty = [pl.col(name).cast(schema[name]) for name, kind in table.schema.items() if kind == pl.Null]
    return validate_table(Steps, table.with_columns(all_empty).select(schema.names()).sort("step"))


def crude_step_differences(data: BleedData) -> pl.DataFrame:
    """Count misses and take the crude difference by step, in the standard's order.

    Columns
    -------
    step, title
        As in the standard.
    recorded, missed, share_missed
        Bleeds; missed / recorded, empty where nothing was recorded.
    crude_difference
        (rate missed − rate met) × share missed × 100, among the bleeds followed for the full window that recorded the
        step; empty where none missed it or none met it.
    """
    mature = data.bleeds.get_column("mature")
    came_back = data.bleeds.get_column("came_back").filter(mature)
    rows = []
    for step in data.standard.steps:
        missed = data.missed.get_column(step.id)
        recorded, misses = missed.count(), int(missed.sum())
        share = misses / recorded if recorded else None
        rows.append((step.id, step.title, recorded, misses, share, _crude_difference(missed.filter(mature), came_back)))
    return pl.DataFrame(rows, schema=CRUDE_SCHEMA, orient="row")


def _crude_difference(missed: pl.Series, back: pl.Series) -> float | None:
    """Comebacks per 100 bleeds above those at the rate of the bleeds that met the step."""
    recorded = missed.is_not_null()
    misses, returned = (
        missed.filter(recorded).cast(pl.Float64).to_numpy(),
        back.filter(recorded).cast(pl.Float64).to_numpy(),
    )
    miss_count, met_count = misses.sum(), len(misses) - misses.sum()
    if not miss_count or not met_count:
        return None
    difference = returned @ misses / miss_count - returned @ (1 - misses) / met_count
    return float(difference * miss_count / len(misses) * 100)
