"""Which step costs comebacks: three estimates of each step, as one table."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.followup import CoxModel, SurvivalModel
from analysis.prepared import Prepared
from analysis.stats import Z95
from analysis.steps.by_return import MarginalEffects, marginal_effects, return_model
from analysis.steps.check import Check, doubly_robust_check
from analysis.steps.design import Design, design_of
from analysis.steps.layers import Layer, headline
from analysis.steps.proportional import lasting, told_of
from analysis.steps.raw import raw_steps
from analysis.steps.verdict import Told, e_value, told
from analysis.steps.windows import two_windows
from schemas import checked, empty
from schemas.outputs import Steps

Numbers = NDArray[np.float64]
LEAST_BLEEDS, ADJUSTED_BLEEDS = 10, 3
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
    layer: Layer | None = field(repr=False)
    by_return: SurvivalModel | None = field(repr=False, default=None)
    notes: tuple[str, ...] = ()


def step_costs(
    prepared: Prepared,
    rng: np.random.Generator,
    learned: Prepared | None = None,
    survival: type[SurvivalModel] = CoxModel,
) -> StepCosts:
    """What each missed step costs, per 100 bleeds.

    Estimand: P(comeback) − P(comeback had the step been met in every bleed), within the window and before the brake's
    next bleed, averaged over the bleeds learned from; recorded misses set to met, not-recorded ones left as they are;
    adjusted for context, technician, workload that day and the other steps, never for signs.

    Estimates: by return (g-computation on the time-to-return model), with the stand readings (the headline where they
    predict returns), and a cross-fitted doubly robust check on mature bleeds. With fewer than 40 comebacks, or fewer
    than 10 missed or 10 met bleeds of a step, nothing is estimated and the verdict is too_few.

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
    raw, sample = raw_steps(prepared), prepared if learned is None else learned
    counted = raw if sample is prepared else raw_steps(sample)
    enough, some = _enough(counted), _enough(counted, ADJUSTED_BLEEDS)
    if sample.too_few or not (enough & some).any():
        return StepCosts(_table(raw), None, None)
    design = design_of(sample, tuple(raw.filter(some).get_column("step")))
    whole = model = return_model(sample, design, survival=survival)
    windows = two_windows(sample, design, whole)
    effects = lasting(windows, whole.coefficients[: design.size])
    if effects is not None and effects.fails:
        model = return_model(sample, design, sample.window_days, whole.coefficients, survival)
    returns = marginal_effects(sample, design, model)
    layer = headline(sample, design, returns, whole, windows, rng)
    check = doubly_robust_check(sample, design, rng)
    can = enough.filter(some).to_numpy()
    verdicts = told(layer.spared, layer.effects, returns.prevented / np.maximum(returns.sd, 1e-12), can)
    columns = _columns(design, returns, layer, check, verdicts, can)
    notes = (f"Steps are ranked {layer.name}: {layer.because}.", told_of(effects, prepared.window_days))
    table = _table(raw.join(columns, on="step", how="left", maintain_order="left"))
    return StepCosts(table, design, layer, whole, notes)


def _enough(raw: pl.DataFrame, least: int = LEAST_BLEEDS) -> pl.Series:
    """Steps missed in enough bleeds and met in enough."""
    met = raw.get_column("recorded") - raw.get_column("missed")
    return (raw.get_column("missed") >= least) & (met >= least)


def _columns(
    design: Design, returns: MarginalEffects, layer: Layer, check: Check, verdicts: Told, can: NDArray[np.bool_]
) -> pl.DataFrame:
    sd = layer.spared.std(axis=0)
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
            "by_return": returns.prevented,
            "by_return_lo": returns.prevented - Z95 * returns.sd,
            "by_return_hi": returns.prevented + Z95 * returns.sd,
            "check_per_100": check.prevented,
            "check_lo": check.prevented - Z95 * check.sd,
            "check_hi": check.prevented + Z95 * check.sd,
            "e_value": _e_values(design, layer, verdicts.estimate),
            "check_disagrees": apart & ~check.no_overlap,
        }
    ).with_columns(pl.selectors.float().fill_nan(None))
    known = pl.Series(can)
    kept = pl.all().exclude("step")
    table = table.with_columns(pl.when(known).then(kept))
    return table.with_columns(verdict=pl.Series(verdicts.verdict))


def _e_values(design: Design, layer: Layer, spared: Numbers) -> Numbers:
    """From the risk ratio among the missed: with the miss over had it been met."""
    risk = 1 - np.exp(-layer.mass)
    number = np.maximum(design.missed.sum(axis=0), 1)
    with_miss = risk @ design.missed / number
    without = np.maximum(with_miss - spared / 100 * len(risk) / number, 1e-9)
    return np.array([e_value(float(r)) for r in np.maximum(with_miss, 1e-9) / without])


def _table(raw: pl.DataFrame) -> DataFrame[Steps]:
    schema = empty(Steps).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in raw.columns]
    table = raw.with_columns(absent).with_columns(pl.col("verdict").fill_null("too_few"))
    return checked(Steps, table.select(schema.names()).sort("step"))
