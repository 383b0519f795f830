"""Which step costs comebacks: three estimates of each step, as one table."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import Z95
from analysis.steps.aipw import AipwEstimate, aipw_check
from analysis.steps.combined_estimate import CombinedEstimate, combined_estimate
from analysis.steps.crude_steps import crude_steps
from analysis.steps.design_matrix import Design, design_of
from analysis.steps.marginal_effects import MarginalEffects, fit_step_model, marginal_effects
from analysis.steps.proportional_hazards import proportional_hazards_test, test_note
from analysis.steps.ranking import StepEstimates, classify, e_value
from analysis.steps.time_varying import fit_time_varying
from analysis.survival import CoxModel, SurvivalModel
from schemas import empty, validate_table
from schemas.outputs import Steps

FloatArray = NDArray[np.float64]
MIN_BLEEDS, ADJUSTED_BLEEDS = 10, 3
"""Missed and met, each: to estimate a step, and to adjust for it."""
DISAGREES_Z = 3.0
"""The check disagrees when it is further off than chance would put one of about twenty steps."""


@dataclass(frozen=True)
class StepCosts:
    """The table, and what it comes from (None with too few comebacks): design, headline, the model by return over the whole
    follow-up.

    `notes` says which estimate is the headline and whether effects last.
    """

    table: DataFrame[Steps]
    design: Design | None = field(repr=False)
    estimate: CombinedEstimate | None = field(repr=False)
    cox_model: SurvivalModel | None = field(repr=False, default=None)
    notes: tuple[str, ...] = ()


def step_costs(
    data: BleedData,
    rng: np.random.Generator,
    learned: BleedData | None = None,
    survival: type[SurvivalModel] = CoxModel,
) -> StepCosts:
    """What each missed step costs, per 100 bleeds.

    Estimand: P(comeback) − P(comeback had the step been met in every bleed), within the window and before the brake's
    next bleed, averaged over the bleeds learned from; recorded misses set to met, not-recorded ones left as they are;
    adjusted for context, technician, workload that day and the other steps, never for signs.

    Estimates: by return (g-computation on the time-to-return model), with the stand readings (the headline where they
    predict returns), and a cross-fitted doubly robust check on mature bleeds. With fewer than 40 comebacks, or fewer
    than 10 missed or 10 met bleeds of a step, nothing is estimated and the verdict is small_sample.

    Parameters
    ----------
    prepared
        All accepted bleeds, of which the counts are.
    rng
        For draws and folds.
    learned
        Those that models learn from (`prepared.fit_data`); all unless given.
    survival
        The time-to-return model.
    """
    raw, sample = crude_steps(data), data if learned is None else learned
    counted = raw if sample is data else crude_steps(sample)
    enough, some = _enough(counted), _enough(counted, ADJUSTED_BLEEDS)
    if sample.small_sample or not (enough & some).any():
        return StepCosts(_table(raw), None, None)
    design = design_of(sample, tuple(raw.filter(some).get_column("step")))
    whole = model = fit_step_model(sample, design, survival=survival)
    windows = fit_time_varying(sample, design, whole)
    effects = proportional_hazards_test(windows, whole.coefficients[: design.size])
    if effects is not None and effects.fails:
        model = fit_step_model(sample, design, sample.window_days, whole.coefficients, survival)
    returns = marginal_effects(sample, design, model)
    layer = combined_estimate(sample, design, returns, whole, windows, rng)
    check = aipw_check(sample, design, rng)
    can = enough.filter(some).to_numpy()
    verdicts = classify(layer.prevented, layer.effects, returns.prevented / np.maximum(returns.sd, 1e-12), can)
    columns = _columns(design, returns, layer, check, verdicts, can)
    notes = (f"Steps are ranked {layer.name}: {layer.reason}.", test_note(effects, data.window_days))
    table = _table(raw.join(columns, on="step", how="left", maintain_order="left"))
    return StepCosts(table, design, layer, whole, notes)


def _enough(crude: pl.DataFrame, least: int = MIN_BLEEDS) -> pl.Series:
    """Steps missed in enough bleeds and met in enough."""
    met = crude.get_column("recorded") - crude.get_column("missed")
    return (crude.get_column("missed") >= least) & (met >= least)


def _columns(
    design: Design,
    marginal: MarginalEffects,
    estimate: CombinedEstimate,
    check: AipwEstimate,
    verdicts: StepEstimates,
    estimable: NDArray[np.bool_],
) -> pl.DataFrame:
    sd = estimate.prevented.std(axis=0)
    apart = np.abs(verdicts.estimate - check.prevented) > DISAGREES_Z * np.hypot(sd, check.sd)
    table = pl.DataFrame(
        {
            "step": design.steps,
            "preventable_per_100": verdicts.estimate,
            "lo": verdicts.lo,
            "hi": verdicts.hi,
            "p_value": verdicts.p_value,
            "q_value": verdicts.q_value,
            "rank": verdicts.rank,
            "rank_lo": verdicts.rank_lo,
            "rank_hi": verdicts.rank_hi,
            "survival_estimate": marginal.prevented,
            "survival_estimate_lo": marginal.prevented - Z95 * marginal.sd,
            "survival_estimate_hi": marginal.prevented + Z95 * marginal.sd,
            "aipw_per_100": check.prevented,
            "aipw_lo": check.prevented - Z95 * check.sd,
            "aipw_hi": check.prevented + Z95 * check.sd,
            "e_value": _e_values(design, estimate, verdicts.estimate),
            "aipw_disagrees": apart & ~check.no_overlap,
        }
    ).with_columns(pl.selectors.float().fill_nan(None))
    known = pl.Series(estimable)
    other_columns = pl.all().exclude("step")
    table = table.with_columns(pl.when(known).then(other_columns))
    return table.with_columns(verdict=pl.Series(verdicts.verdict))


def _e_values(design: Design, estimate: CombinedEstimate, prevented: FloatArray) -> FloatArray:
    """From the risk ratio among the missed: with the miss over had it been met."""
    risk = 1 - np.exp(-estimate.mass)
    number = np.maximum(design.missed.sum(axis=0), 1)
    with_miss = risk @ design.missed / number
    without = np.maximum(with_miss - prevented / 100 * len(risk) / number, 1e-9)
    return np.array([e_value(float(r)) for r in np.maximum(with_miss, 1e-9) / without])


def _table(crude: pl.DataFrame) -> DataFrame[Steps]:
    schema = empty(Steps).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in crude.columns]
    table = crude.with_columns(absent).with_columns(pl.col("verdict").fill_null("too_few"))
    return validate_table(Steps, table.select(schema.names()).sort("step"))
