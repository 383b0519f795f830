"""Weibull fit to times to return: early failures or wear-out, and brake models whose returns come late."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.stats import Z95

FloatArray = NDArray[np.float64]
MIN_RETURNS = 10
ALPHA = 0.05


@dataclass(frozen=True)
class Weibull:
    """Shape and scale (days) with 95% limits, and a sentence that interprets the shape.

    Shape below 1: the hazard falls with time (workmanship faults); above 1: it rises (wear-out).
    """

    shape: float
    shape_lo: float
    shape_hi: float
    scale_days: float
    scale_lo_days: float
    scale_hi_days: float
    log_likelihood: float
    returns: int
    interpretation: str


def weibull(days: FloatArray, returned: NDArray[np.bool_], number: FloatArray | None = None) -> Weibull | None:
    """Maximum-likelihood Weibull fit to right-censored times to return; None with fewer than 10 returns.

    Newton's method in log shape and log scale; limits from the observed information on that scale. A return on day 0
    counts as half a day.

    Source: W. Q. Meeker & L. A. Escobar 1998, Statistical Methods for Reliability Data, chapter 8.

    Parameters
    ----------
    days
        Time at risk in days.
    returned
        Whether it ended in a return; censored otherwise.
    number
        How many bleeds each entry represents; 1 unless given.
    """
    number = np.ones(len(days)) if number is None else number
    events = int(number[returned].sum())
    if events < MIN_RETURNS or len(np.unique(days[returned])) < 2:
        return None
    t = np.log(np.maximum(days.astype(float), 0.5))
    log_shape = weibull_log_shape(t, number * returned, np.log(number))
    k = np.exp(log_shape)
    log_scale = (_log_sum_exp(k * t, number) - np.log(events)) / k
    covariance = np.linalg.inv(_observed_information(t, returned, number, k, log_scale))
    shape_sd, scale_sd = np.sqrt(np.diag(covariance))
    z = k * (t - log_scale)
    log_hazards = (np.log(k) - log_scale + (k - 1) * (t - log_scale))[returned]
    likelihood = float(number[returned] @ log_hazards - number @ np.exp(z))
    lo, hi = k * np.exp(-Z95 * shape_sd), k * np.exp(Z95 * shape_sd)
    scale, factor = np.exp(log_scale), np.exp(Z95 * scale_sd)
    return Weibull(
        float(k), float(lo), float(hi), float(scale), float(scale / factor), float(scale * factor), likelihood, events,
        _interpretation_text(float(lo), float(hi)),
    )  # fmt: skip


def weibull_log_shape(t: FloatArray, returns: FloatArray, log_hazard: FloatArray) -> float:
    """Maximum-likelihood log shape: the root of the profile score, by Newton's method.

    Parameters
    ----------
    t
        Log times at risk, in any unit; with returns at two different times at least.
    returns
        Number of returns at each.
    log_hazard
        Log of the sum of relative hazards of all bleeds with that time at risk (the log of their number if all have the
        same hazard).
    """
    mean = returns @ t / returns.sum()
    log_k = 0.0
    for _ in range(100):
        k = np.exp(log_k)
        log_weight = k * t + log_hazard
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        weighted_mean = weight @ t
        score = 1 / k + mean - weighted_mean
        slope = -1 / k - k * (weight @ (t - weighted_mean) ** 2)
        step = score / slope
        log_k -= np.clip(step, -1, 1)
        if abs(step) < 1e-12:
            break
    return float(log_k)


@dataclass(frozen=True)
class LateReturningBrakeModel:
    """A brake model whose Weibull shape is above that of all other models together."""

    brake_model: str
    model: Weibull
    others: Weibull


def late_returning_brake_models(bleeds: pl.DataFrame) -> tuple[LateReturningBrakeModel, ...]:
    """Brake models whose Weibull shape is significantly above that of all other models.

    One-sided z-test of the difference in log shape, Bonferroni over the models (standard errors: Meeker & Escobar 1998,
    chapter 8). A model with fewer than 10 returns is not tested. `bleeds` has brake_model, days_at_risk and end, one
    row per bleed.
    """
    rows = bleeds.select("brake_model", "days_at_risk", back=pl.col("end") == "return").drop_nulls("brake_model")
    counts = rows.group_by(pl.all()).len("number").sort("brake_model", "days_at_risk", "back")
    models = counts.get_column("brake_model").unique().sort().to_list()
    critical_z = NormalDist().inv_cdf(1 - ALPHA / max(len(models), 1))
    returns = counts.filter("back").group_by("brake_model").agg(pl.col("number").sum())
    testable = set(returns.filter(pl.col("number") >= MIN_RETURNS).get_column("brake_model"))
    late = []
    for model in (model for model in models if model in testable):
        of_model = counts.get_column("brake_model") == model
        own, others = (_fit_counts(counts.filter(mask)) for mask in (of_model, ~of_model))
        if own is not None and others is not None and _shape_difference_z(own, others) > critical_z:
            late.append(LateReturningBrakeModel(model, own, others))
    return tuple(late)


def late_brake_model_notes(bleeds: pl.DataFrame) -> tuple[str, ...]:
    """A sentence for each brake model whose returns come late."""
    return tuple(
        f"{late.brake_model} comes back later than other models (Weibull shape {late.model.shape:.2f}; other models "
        f"{late.others.shape:.2f}): this often means a part is wearing out."
        for late in late_returning_brake_models(bleeds)
    )


def _fit_counts(counts: pl.DataFrame) -> Weibull | None:
    days, number = (counts.get_column(name).to_numpy().astype(float) for name in ("days_at_risk", "number"))
    return weibull(days, counts.get_column("back").to_numpy(), number)


def _shape_difference_z(model: Weibull, others: Weibull) -> float:
    """Difference in log shape over its standard error."""
    errors = [np.log(fit.shape_hi / fit.shape_lo) / (2 * Z95) for fit in (model, others)]
    return float(np.log(model.shape / others.shape) / np.hypot(*errors))


def _observed_information(
    t: FloatArray, returned: NDArray[np.bool_], number: FloatArray, k: float, log_scale: float
) -> FloatArray:
    """Observed information in (log shape, log scale)."""
    z = k * (t - log_scale)
    w = number * np.exp(z)
    d = number[returned].sum()
    shape = (w * z * z + w * z).sum() - number[returned] @ z[returned]
    cross = -k * (w * z + w).sum() + k * d
    return np.array([[shape, cross], [cross, k * k * w.sum()]])


def _log_sum_exp(x: FloatArray, number: FloatArray) -> float:
    return float(x.max() + np.log(number @ np.exp(x - x.max())))


def _interpretation_text(lo: float, hi: float) -> str:
    if hi < 1:
        return "Most comebacks come early and tail off, as workmanship faults often do (and as a mix of high and low risks does)"
    if lo > 1:
        return "Comebacks become more likely with time, as is often the case with parts that wear out"
    return "It is too early to say whether comebacks come early or late"
