"""Which step costs comebacks: the three layers, told as one table."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.followup import ReturnModel
from analysis.prepared import Prepared
from analysis.regression import Workers, parts_of
from analysis.stats import Z95
from analysis.steps.by_return import ByReturn, return_model, spared_by
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
LEAST_BLEEDS = 10
DISAGREES_Z = 3.0
"""The check disagrees when it stands further off than chance would put one of about twenty steps."""


@dataclass(frozen=True)
class StepCosts:
    """The table, and what stands behind it, None with too few comebacks: design, headline, the model by return over the
    whole follow-up.

    `notes` says which layer is the headline and whether effects last.
    """

    table: DataFrame[Steps]
    design: Design | None = field(repr=False)
    layer: Layer | None = field(repr=False)
    by_return: ReturnModel | None = field(repr=False, default=None)
    notes: tuple[str, ...] = ()


def step_costs(prepared: Prepared, rng: np.random.Generator, workers: Workers | None = None) -> StepCosts:
    """What each missed step costs, per 100 bleeds.

    Estimand: P(comeback) − P(comeback had the step been met in every bleed), within the window and before the brake's
    next bleed, averaged over all accepted bleeds; recorded misses set to met, not-recorded ones left as they are;
    adjusted for context, technician, workload that day and the other steps, never for signs.

    Layers: by return (g-computation on the time-to-return model), with the stand's evidence (the headline where signs
    foretell returns), and a cross-fitted doubly robust check on mature bleeds. With fewer than 40 comebacks, or fewer
    than 10 missed or 10 met bleeds of a step, nothing is estimated and the verdict is too_few.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For draws and folds.
    workers
        Where the design's columns shall lie; here unless given.
    """
    raw = raw_steps(prepared)
    if prepared.too_few or not (_enough(raw) & _some(raw)).any():
        return StepCosts(_table(raw), None, None)
    design = design_of(prepared, tuple(raw.filter(_some(raw)).get_column("step")), workers)
    whole = model = return_model(prepared, design)
    windows = two_windows(prepared, design, whole)
    effects = lasting(windows, whole.coefficients[: design.size])
    if effects is not None and effects.fails:
        model = return_model(prepared, design, prepared.window_days, whole)
    returns = spared_by(prepared, design, model)
    layer = headline(prepared, design, returns, whole, windows, rng)
    check = doubly_robust_check(prepared, design, rng)
    can = _enough(raw).filter(_some(raw)).to_numpy()
    verdicts = told(layer.spared, layer.effects, returns.spared / np.maximum(returns.sd, 1e-12), can)
    columns = _columns(design, returns, layer, check, verdicts, can)
    notes = (f"Steps are ranked {layer.name}: {layer.because}.", told_of(effects, prepared.window_days))
    table = _table(raw.join(columns, on="step", how="left", maintain_order="left"))
    return StepCosts(table, design, layer, whole, notes)


def _enough(raw: pl.DataFrame, least: int = LEAST_BLEEDS) -> pl.Series:
    """Steps missed in enough bleeds and met in enough to be told."""
    met = raw.get_column("recorded") - raw.get_column("missed")
    return (raw.get_column("missed") >= least) & (met >= least)


def _some(raw: pl.DataFrame) -> pl.Series:
    """Steps missed and met often enough to stand in the design, and so to be adjusted for."""
    return _enough(raw, 3)


def _columns(
    design: Design, returns: ByReturn, layer: Layer, check: Check, verdicts: Told, can: NDArray[np.bool_]
) -> pl.DataFrame:
    sd = layer.spared.std(axis=0)
    apart = np.abs(verdicts.estimate - check.spared) > DISAGREES_Z * np.hypot(sd, check.sd)
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
            "by_return": returns.spared,
            "by_return_lo": returns.spared - Z95 * returns.sd,
            "by_return_hi": returns.spared + Z95 * returns.sd,
            "check_per_100": check.spared,
            "check_lo": check.spared - Z95 * check.sd,
            "check_hi": check.spared + Z95 * check.sd,
            "e_value": _e_values(design, layer, verdicts.estimate),
            "check_disagrees": apart & ~check.thin,
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
    with_miss = sum(risk[part] @ design.missed[part] for part in parts_of(len(risk))) / number
    without = np.maximum(with_miss - spared / 100 * len(risk) / number, 1e-9)
    return np.array([e_value(float(r)) for r in np.maximum(with_miss, 1e-9) / without])


def _table(raw: pl.DataFrame) -> DataFrame[Steps]:
    schema = empty(Steps).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in raw.columns]
    table = raw.with_columns(absent).with_columns(pl.col("verdict").fill_null("too_few"))
    return checked(Steps, table.select(schema.names()).sort("step"))
